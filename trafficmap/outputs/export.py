"""Files for other programs and for displays, made from a finished run."""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import pandas as pd

from trafficmap.core.errors import InputError
from trafficmap.formats import _gdal  # noqa: F401
from trafficmap.formats._files import refusing, write_bytes
from trafficmap.outputs import display, words
from trafficmap.outputs.run_folder import read_run

if TYPE_CHECKING:
    import geopandas as gpd

    from trafficmap.outputs.display import Unit

KINDS = ("taskdata", "shapefile", "geopackage", "geojson", "geotiff", "csv")
_ZIP_DATE = (1980, 1, 1, 0, 0, 0)
_DANGEROUS = ("=", "+", "-", "@", "\t", "\r")


def export(
    run_folder: Path,
    kinds: Sequence[str],
    *,
    dest: Path,
    overwrite: bool = False,
    units: Unit | None = None,
    iso_version: int = 3,
    form: Literal["grid", "polygons"] = "grid",
    leave_alone_depth: int = 0,
    dry_run: bool = False,
) -> list[Path]:
    """Write files of the kinds asked for; return their paths.

    Parameters
    ----------
    run_folder : Path
        A finished run folder.
    kinds : sequence of str
        Any of `KINDS`.
    dest : Path
        Folder for the files; made when missing.
    overwrite : bool
        Replace files that are there.
    units : {"in", "cm", "mm"}, optional
        Unit a display reads; from the field's units when not given.
    iso_version : {3, 4}
        Version of the task data.
    form : {"grid", "polygons"}
        Form of the task data.
    leave_alone_depth : int
        Depth sent for zone 0 in task data. [mm]
    dry_run : bool
        Say what would be written and write nothing.

    Returns
    -------
    list of Path

    Raises
    ------
    InputError
        An unknown kind, an unfinished run, no zones, or a file in the way.
    """
    folder, dest = Path(run_folder), Path(dest)
    run = read_run(folder)
    unknown = [kind for kind in kinds if kind not in KINDS]
    if unknown:
        msg = f"export: got {unknown[0]!r}, need one of {', '.join(KINDS)}."
        raise InputError(msg, "give --to taskdata")
    unit: Unit = units or ("in" if run["field"]["units"] == "us" else "cm")
    makers = {
        "taskdata": lambda: _taskdata(
            folder, run, unit, iso_version, form, leave_alone_depth
        ),
        "shapefile": lambda: _shapefile(folder, run, unit),
        "geopackage": lambda: {"field.gpkg": (folder / "field.gpkg").read_bytes()},
        "geojson": lambda: {"zones.geojson": _geojson(_zones(folder))},
        "geotiff": lambda: _geotiff(folder, run),
        "csv": lambda: _csv(folder, run),
    }
    files: dict[str, bytes] = {}
    for kind in dict.fromkeys(kinds):
        with refusing(folder):
            files |= makers[kind]()
    in_the_way = [name for name in files if (dest / name).exists()]
    if in_the_way and not overwrite:
        msg = f"{dest.name}: already holds {in_the_way[0]}."
        raise InputError(msg, "add --overwrite, or choose another folder with -o")
    if dry_run:
        return [dest / name for name in files]
    return [write_bytes(dest / name, content) for name, content in files.items()]


def zip_bytes(files: dict[str, bytes]) -> bytes:
    """Return a zip of the files, sorted by name, with a fixed date."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "x", zipfile.ZIP_DEFLATED) as packed:
        for name in sorted(files):
            info = zipfile.ZipInfo(name, _ZIP_DATE)
            info.compress_type = zipfile.ZIP_DEFLATED
            info.external_attr = 0o644 << 16
            packed.writestr(info, files[name])
    return buffer.getvalue()


def csv_bytes(table: pd.DataFrame) -> bytes:
    """Return a table as CSV a spreadsheet opens well and cannot be tricked by.

    UTF-8 with a byte order mark, commas; text that would start a formula gets an
    apostrophe in front, numbers stay numbers.
    """
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\r\n")
    writer.writerow(table.columns)
    for row in table.itertuples(index=False):
        writer.writerow([_safe(value) for value in row])
    return stream.getvalue().encode("utf-8-sig")


def _safe(value: Any) -> Any:
    if isinstance(value, str):
        return f"'{value}" if value.startswith(_DANGEROUS) else value
    return "" if pd.isna(value) else value


def _zones(folder: Path) -> gpd.GeoDataFrame:
    """Return the zones of a run, under the names of `tables.ZONE_COLUMNS`."""
    return _layer(folder, "zones", "no zones were drawn")


def _layer(folder: Path, name: str, missing: str) -> gpd.GeoDataFrame:
    import pyogrio

    path = folder / "field.gpkg"
    source = f"GPKG:{path.resolve()}"
    if name not in pyogrio.list_layers(source)[:, 0]:
        msg = f"{folder.name}: {missing}, nothing to export."
        raise InputError(msg, "look at the notes: trafficmap check DIR")
    return pyogrio.read_dataframe(source, layer=name)


def _for_display(folder: Path) -> tuple[gpd.GeoDataFrame, object]:
    """Return zones under the names of their contract, and the boundary."""
    zones = _zones(folder)
    zones = zones.assign(depth=zones["depth_mm"] / 1000.0)
    return zones, _layer(folder, "boundary", "it has no boundary").geometry.iloc[0]


def _taskdata(folder, run, unit, version, form, leave_alone_depth) -> dict[str, bytes]:
    zones, boundary = _for_display(folder)
    width = max((tool["width"] for tool in run["tools"]), default=None)
    files = display.taskdata(
        zones,
        boundary=boundary,
        field_name=run["field"]["name"],
        unit=unit,
        version=version,
        form=form,
        tool_width=width,
        leave_alone_depth=leave_alone_depth,
        assumed=words.is_assumed(zones),
    )
    return {**files, "TASKDATA.zip": zip_bytes(files)}


def _shapefile(folder, run, unit) -> dict[str, bytes]:
    zones, boundary = _for_display(folder)
    files = display.shapefile(
        zones, boundary=boundary, unit=unit, date=pd.Timestamp(run["newest_input"])
    )
    return {**files, "SHP.zip": zip_bytes(files)}


def _geojson(zones: gpd.GeoDataFrame) -> bytes:
    """Return GeoJSON in WGS 84 with 7 decimals, 11 mm."""
    import json

    import shapely

    moved = zones.to_crs(4326)
    features = []
    for row, shape in zip(
        moved.drop(columns="geometry").to_dict("records"), moved.geometry, strict=True
    ):
        values = {key: None if pd.isna(v) else v for key, v in row.items()}
        outline = shapely.set_precision(shapely.orient_polygons(shape), 1e-7)
        features.append(
            {
                "type": "Feature",
                "properties": values,
                "geometry": json.loads(shapely.to_geojson(outline)),
            }
        )
    document = {"type": "FeatureCollection", "features": features}
    return (json.dumps(document, ensure_ascii=False) + "\n").encode("utf-8")


def _geotiff(folder: Path, run: dict) -> dict[str, bytes]:
    return {
        Path(layer["file"]).name: (folder / layer["file"]).read_bytes()
        for layer in run["layers"].values()
    }


def _csv(folder: Path, run: dict) -> dict[str, bytes]:
    zones = pd.DataFrame(_zones(folder).drop(columns="geometry"))
    files = {"zones.csv": csv_bytes(zones)}
    if run["plan"]:
        files["plan.csv"] = csv_bytes(_plan_table(run))
    return files


def _plan_table(run: dict) -> pd.DataFrame:
    """Return the plan with hours, litres and the unit in every name."""
    money = (run["prices"].get("currency") or "currency").lower()
    plan = pd.DataFrame(run["plan"])
    out = plan[["order", "zone", "job", "tool"]].copy()
    out["depth_mm"] = (plan["depth"].astype(float) * 1000).round(0)
    out["area_ha"] = (plan["area"].astype(float) / 1e4).round(3)
    for name in ("duration_low", "duration", "duration_high"):
        out[name.replace("duration", "hours")] = (
            plan[name].astype(float) / 3600
        ).round(2)
    for name in ("fuel_low", "fuel", "fuel_high"):
        out[f"{name}_l"] = (plan[name].astype(float) * 1000).round(1)
    for name in ("cost", "net_low", "net", "net_high"):
        out[f"{name}_{money}"] = plan[name].astype(float).round(0)
    probed = {zone["zone"]: zone["probed"] for zone in run["zones"]}
    out["probed"] = plan["zone"].map(probed)
    out["reason"] = [
        f"layer assumed, nobody dug: {reason}" if found == "assumed" else reason
        for reason, found in zip(plan["reason"], out["probed"], strict=True)
    ]
    return out
