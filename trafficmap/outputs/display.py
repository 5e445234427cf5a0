"""Files for displays: task data and a shapefile that says the same."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import geopandas as gpd
import numpy as np
import shapely

from trafficmap import __version__
from trafficmap.core.errors import InputError
from trafficmap.formats import _gdal  # noqa: F401
from trafficmap.formats._files import write_bytes
from trafficmap.formats.isoxml.write import millimetres, short_text, task_data_files
from trafficmap.outputs import words
from trafficmap.outputs.words import half_up, is_ripped

if TYPE_CHECKING:
    import pandas as pd
    from shapely import Polygon
    from shapely.geometry.base import BaseGeometry

    from trafficmap.pipeline import Result

Unit = Literal["in", "cm", "mm"]
_SHAPE_PARTS = ("zones.shp", "zones.shx", "zones.dbf", "zones.prj", "zones.cpg")
_WHY_LENGTH = 120


def write_display(result: Result, folder: Path, *, date: pd.Timestamp) -> list[Path]:
    """Write ``TASKDATA/`` and ``SHP/`` under `folder`; nothing where no zone is."""
    if not len(result.zones):
        return []
    field = result.field
    files = taskdata(
        result.zones,
        boundary=field.boundary,
        field_name=field.name,
        unit="in" if field.units == "us" else "cm",
        tool_width=widest_tool(result),
        assumed=words.is_assumed(result.zones),
    )
    files |= shapefile(
        result.zones,
        boundary=field.boundary,
        unit="in" if field.units == "us" else "cm",
        date=date,
    )
    return [write_bytes(Path(folder) / name, files[name]) for name in sorted(files)]


def taskdata(
    zones: gpd.GeoDataFrame,
    *,
    boundary: BaseGeometry,
    field_name: str,
    unit: Unit = "in",
    version: int = 3,
    form: Literal["grid", "polygons"] = "grid",
    tool_width: float | None = None,
    leave_alone_depth: int = 0,
    assumed: bool = False,
) -> dict[str, bytes]:
    """Return the TASKDATA folder for zones that keep the `ZONES` contract.

    Where layers are ``assumed`` the names of field and task say so on the screen.
    """
    return task_data_files(
        depths_for_display(zones),
        boundary=boundary,
        version=version,
        form=form,
        field_name=f"ASSUMED {field_name}" if assumed else field_name,
        task_name="ASSUMED, nobody dug" if assumed else "depth of work",
        unit=unit,
        tool_width=tool_width,
        leave_alone_depth=leave_alone_depth,
        software_version=__version__,
    )


def shapefile(
    zones: gpd.GeoDataFrame,
    *,
    boundary: BaseGeometry,
    unit: Unit = "in",
    date: pd.Timestamp,
) -> dict[str, bytes]:
    """Return the parts of a shapefile a display can open, by name ``SHP/zones.*``.

    Polygons in WGS 84, one part each, no holes, no overlap, from west to east; they
    fill the whole boundary so that the display never meets ground without a value.

    Parameters
    ----------
    zones : GeoDataFrame
        Contract `core.tables.ZONES`, in a metric system.
    boundary : geometry
        In the system of `zones`.
    unit : {"in", "cm", "mm"}
        Unit of the whole number in RATE.
    date : Timestamp
        Written into the table's head in place of today.
    """
    import pyogrio

    rows = _single_parts(depths_for_display(zones), boundary)
    table = gpd.GeoDataFrame(
        {
            "ZONE": rows["zone"].astype("int32"),
            "RATE": np.array([_rate(d, unit) for d in rows["depth"]], dtype=np.int32),
            "UNIT": unit,
            "RISK_TXT": [short_text(text) for text in rows["risk"]],
            "WHY": [_ascii(text, _WHY_LENGTH) for text in rows["reason"]],
        },
        geometry=rows.geometry,
        crs=rows.crs,
    ).to_crs(4326)
    west = [shape.bounds for shape in table.geometry]
    table = table.iloc[sorted(range(len(west)), key=west.__getitem__)]
    with tempfile.TemporaryDirectory() as name:
        made = Path(name) / "zones.shp"
        pyogrio.write_dataframe(
            table,
            made,
            driver="ESRI Shapefile",
            geometry_type="Polygon",
            encoding="UTF-8",
            layer_options={"DBF_DATE_LAST_UPDATE": f"{date:%Y-%m-%d}"},
        )
        return {
            f"SHP/{part}": (Path(name) / part).read_bytes() for part in _SHAPE_PARTS
        }


def depths_for_display(zones: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return the zones with the depth a tool may be sent to: 0 unless "rip".

    Returns
    -------
    GeoDataFrame
        Columns zone, depth [m], keep_out, risk, reason, geometry.

    Raises
    ------
    InputError
        A zone says "rip" without a depth.
    """
    rip = is_ripped(zones)
    depth = zones["depth"].to_numpy(dtype=np.float64)
    if (rip & ~(np.nan_to_num(depth) > 0)).any():
        bad = zones["zone"][rip & ~(np.nan_to_num(depth) > 0)].iloc[0]
        msg = f"zone {bad}: says rip but has no depth, need one."
        raise InputError(msg, "look at the notes of that zone")
    return gpd.GeoDataFrame(
        {
            "zone": zones["zone"].to_numpy(),
            "depth": np.where(rip, depth, 0.0),
            "keep_out": (zones["kind"] == "keep_out").to_numpy(),
            "risk": zones["risk"].to_numpy(),
            "reason": zones["reason"].to_numpy(),
        },
        geometry=zones.geometry.to_numpy(),
        crs=zones.crs,
    )


def without_holes(polygon: Polygon) -> list[Polygon]:
    """Return pieces of a polygon that have no holes and cover the same ground.

    A piece with a hole is cut north to south through the middle of its first hole,
    and the pieces again, until no hole is left.
    """
    done, waiting = [], [polygon]
    while waiting:
        piece = waiting.pop()
        if not piece.interiors:
            done.append(piece)
            continue
        west, south, east, north = piece.bounds
        middle = shapely.Polygon(piece.interiors[0]).centroid.x
        for left, right in ((west - 1, middle), (middle, east + 1)):
            half = piece.intersection(shapely.box(left, south - 1, right, north + 1))
            waiting += polygons_of(half)
    return sorted(done, key=lambda piece: piece.bounds)


def polygons_of(geometry: BaseGeometry) -> list[Polygon]:
    """Return the polygons a geometry is made of; lines and points are dropped."""
    parts = shapely.get_parts(geometry)
    found = []
    for part in parts:
        if part.geom_type == "Polygon" and part.area > 0:
            found.append(part)
        elif part.geom_type == "MultiPolygon" or part.geom_type == "GeometryCollection":
            found += polygons_of(part)
    return found


def widest_tool(result: Result) -> float | None:
    """Return the width of the widest tool [m], None when none is named."""
    return max((tool.width for tool in result.field.tools), default=None)


def _single_parts(zones: gpd.GeoDataFrame, boundary: BaseGeometry) -> gpd.GeoDataFrame:
    """Return single polygons without holes that fill the boundary."""
    rest = boundary.difference(zones.geometry.union_all())
    rows = []
    for row in zones.itertuples():
        for polygon in polygons_of(row.geometry):
            for piece in without_holes(polygon):
                rows.append((row.zone, row.depth, row.risk, row.reason, piece))
    for polygon in polygons_of(rest):
        # Narrower than a hand: borders that do not meet exactly, not ground.
        if polygon.buffer(-0.05).is_empty:
            continue
        for piece in without_holes(polygon):
            rows.append((0, 0.0, "not assessed", "ground in no zone", piece))
    zone, depth, risk, reason, pieces = zip(*rows, strict=True)
    return gpd.GeoDataFrame(
        {"zone": zone, "depth": depth, "risk": risk, "reason": reason},
        geometry=[shapely.orient_polygons(shapely.force_2d(p)) for p in pieces],
        crs=zones.crs,
    )


def _rate(depth: float, unit: str) -> int:
    if unit == "mm":
        return millimetres(depth)
    return half_up(depth / 0.0254) if unit == "in" else half_up(depth * 100)


def _ascii(text: str, length: int) -> str:
    """Return plain letters; too long, they lose what stands in brackets, then words."""
    if len(str(text)) > length:
        text = str(text).partition(" (")[0]
    pieces = [short_text(word) for word in str(text).split()]
    line = ""
    for piece in pieces:
        if len(line) + len(piece) + 1 > length:
            break
        line = f"{line} {piece}".strip()
    return line
