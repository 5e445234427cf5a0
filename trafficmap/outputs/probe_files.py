"""The probe plan on disk: GPX, GeoPackage, a printed sheet, and a table to fill."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import shapely
from markupsafe import Markup

from trafficmap import __version__
from trafficmap.core.errors import InputError
from trafficmap.formats import _files
from trafficmap.outputs import geopackage, inks, probe_words, tables, words
from trafficmap.outputs.gpx import gpx
from trafficmap.outputs.manifest import newest_input, plain, run_mark
from trafficmap.outputs.pages import template

if TYPE_CHECKING:
    from collections.abc import Iterable

    from trafficmap.core.notes import Note
    from trafficmap.pipeline import Result
    from trafficmap.zones import ProbePlan

NAMES = ("stops.gpx", "stops.gpkg", "record.csv", "record.html", "plan.json")
"""What a probe plan is made of."""

_DEPTHS = {"us": tuple(range(4, 19, 2)), "metric": tuple(range(10, 50, 5))}
_ROLLS = {"us": (4, 8, 12, 16), "metric": (10, 20, 30, 40)}
_DRAWN = 760.0
"""Width of the map on the sheet [px]."""


def write_probe_plan(
    plan: ProbePlan,
    result: Result,
    folder: Path,
    *,
    notes: Iterable[Note] = (),
    out: str = "OUT",
    overwrite: bool = False,
) -> list[Path]:
    """Write a probe plan into a folder; return what was written.

    Parameters
    ----------
    plan : ProbePlan
    result : Result
        What the plan was made from.
    folder : Path
        Made when missing.
    notes : iterable of Note
        Printed on the sheet.
    out : str
        Name of the run folder, for the last line of the sheet.
    overwrite : bool
        Replace an earlier plan. A record.csv that holds readings always stays.

    Raises
    ------
    InputError
        A plan stands there already, or its record holds readings.
    OutputError
        The disk refuses.
    """
    folder = Path(folder)
    _require_free(folder, overwrite=overwrite)
    mark, date = run_mark(result), newest_input(result)
    units = result.field.units
    made = []
    stops = plan.stops.to_crs(4326) if len(plan.stops) else plan.stops
    record = _record(stops, units)
    made.append(_files.write_text(folder / "record.csv", record))
    if len(stops):
        text = gpx(
            f"probe {result.field.name}",
            longitude=stops.geometry.x.tolist(),
            latitude=stops.geometry.y.tolist(),
            names=[_name(row) for row in stops.itertuples()],
            told=[_told(row) for row in stops.itertuples()],
        )
        made.append(_files.write_text(folder / "stops.gpx", text))
        layers = {
            "stops": (tables.stop_table(plan.stops), "Point"),
            "walk": (_walk(plan.stops), "LineString"),
        }
        path = folder / "stops.gpkg"
        made.append(geopackage.write_layers(layers, path, mark=mark, date=date))
    else:
        for name in ("stops.gpx", "stops.gpkg"):
            (folder / name).unlink(missing_ok=True)
    page = _page(plan, result, notes=list(notes), out=out, mark=mark)
    made.append(_files.write_text(folder / "record.html", page))
    document = {
        "run": mark,
        "walk_m": plan.walk,
        "time_s": plan.time,
        "precision": plan.precision,
        "settings": result.settings.zones,
        "value": plan.value.to_dict("records"),
        "stops": plan.stops.drop(columns="geometry").to_dict("records"),
        "notes": [note.as_dict() for note in notes],
    }
    text = json.dumps(plain(document), indent=1, ensure_ascii=False, allow_nan=False)
    made.append(_files.write_text(folder / "plan.json", text + "\n"))
    return sorted(made)


def is_filled(path: Path) -> bool:
    """Tell whether somebody wrote readings into a record."""
    try:
        text = Path(path).read_text(encoding="utf-8-sig")
    except (OSError, ValueError):
        return Path(path).exists()
    for row in csv.DictReader(io.StringIO(text)):
        for name, value in row.items():
            told = str(name).startswith(("value", "finding", "date"))
            if told and str(value or "").strip():
                return True
    return False


def _require_free(folder: Path, *, overwrite: bool) -> None:
    there = [name for name in NAMES if (folder / name).exists()]
    if there and not overwrite:
        msg = f"{folder.name}: holds a probe plan ({there[0]}), need an empty folder."
        raise InputError(msg, "add --overwrite, or choose another folder with -o")
    if is_filled(folder / "record.csv"):
        msg = f"{folder.name}/record.csv: holds readings, they are not overwritten."
        raise InputError(msg, "move it away, or choose another folder with -o")


def _record(stops: gpd.GeoDataFrame, units: str) -> str:
    """Return the table to fill: one row a stop and depth, values left open."""
    us = units == "us"
    depth = "depth_in" if us else "depth_cm"
    value = "value_psi" if us else "value_kpa"
    lines = io.StringIO()
    write = csv.writer(lines, lineterminator="\n")
    write.writerow(
        ["point", "longitude", "latitude", "date", "kind", "wheeled", depth, value,
         "finding", "cone_mm"]
    )  # fmt: skip
    holes: set[int] = set()
    for row in stops.itertuples():
        place = [row.point, f"{row.geometry.x:.7f}", f"{row.geometry.y:.7f}", ""]
        side = int(row.wheeled)
        for step in _DEPTHS[units]:
            write.writerow([*place, "probe", side, step, "", "", ""])
        if side and int(row.zone) not in holes:
            holes.add(int(row.zone))
            write.writerow([*place, "spade", side, "", "", "", ""])
            write.writerow([*place, "rut", side, "", "", "", ""])
            for step in _ROLLS[units]:
                write.writerow([*place, "hand roll", side, step, "", "", ""])
    return lines.getvalue()


def _name(row: Any) -> str:
    return str(row.point)


def _told(row: Any) -> str:
    if not row.wheeled:
        return f"stop {row.stop}, zone {row.zone}: twin of {row.twin_of}, no wheel ran"
    return f"stop {row.stop}, zone {row.zone}: in the wheel track"


def _walk(stops: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    line = shapely.LineString(shapely.get_coordinates(stops.geometry.to_numpy()))
    return gpd.GeoDataFrame(
        {"length_m": [round(float(line.length), 1)]}, geometry=[line], crs=stops.crs
    )


def _page(
    plan: ProbePlan, result: Result, *, notes: list[Note], out: str, mark: str
) -> str:
    field, zone_settings = result.field, result.settings.zones
    units, currency = field.units, field.prices.currency
    us = units == "us"
    length = "in" if us else "cm"
    sheets: dict[int, dict] = {}
    for row in plan.stops.itertuples():
        sheet = sheets.setdefault(
            int(row.zone), {"zone": int(row.zone), "stops": [], "hole": row.point}
        )
        sheet["stops"].append({"name": row.point, "beside": not row.wheeled})
    return template("probe_record.html.j2").render(
        name=field.name,
        season=field.season,
        invented=field.invented,
        sentence=probe_words.plan_sentence(plan, currency=currency, units=units),
        precision=words.share_words(plan.precision),
        spread=words.share_words(zone_settings.probe_spread),
        ratio=f"{zone_settings.confirm_ratio:g}",
        map=Markup(_map(plan, result)),
        value=probe_words.value_rows(plan, currency=currency),
        idle=probe_words.idle_rows(plan),
        notes=[words.as_sentence(note.sentence) for note in notes],
        steps=probe_words.STEPS,
        sheets=list(sheets.values()),
        unit="psi" if us else "kPa",
        depths=[f"{step} {length}" for step in _DEPTHS[units]],
        rolls=[f"{step} {length}" for step in _ROLLS[units]],
        out=out,
        mark=mark,
        version=__version__,
        light=inks.css_variables(inks.LIGHT),
        dark=inks.css_variables(inks.DARK),
    )


def _map(plan: ProbePlan, result: Result) -> str:
    """Return the walk as a drawing: boundary, zones, stops with their names."""
    boundary: Any = result.field.boundary
    west, south, east, north = boundary.bounds
    scale = (_DRAWN - 40.0) / max(east - west, 1.0)
    height = (north - south) * scale + 60.0

    def at(place: np.ndarray) -> np.ndarray:
        return np.column_stack(
            (20.0 + (place[:, 0] - west) * scale, 20.0 + (north - place[:, 1]) * scale)
        )

    def path(shape: Any, kind: str) -> str:
        text = ""
        for part in shapely.get_parts(shapely.boundary(shape)):
            for line in shapely.get_parts(shapely.simplify(part, 1.0)):
                text += "M" + "L".join(
                    f"{e:.0f},{n:.0f}" for e, n in at(shapely.get_coordinates(line))
                )
        return f'<path class="{kind}" d="{text}"/>'

    parts = []
    asked = set(plan.stops["zone"].astype(int))
    for zone in result.zones.itertuples():
        kind = "zone"
        if zone.kind == "keep_out":
            kind = "keep"
        elif int(zone.zone) in asked:
            kind = "probe"
        if zone.kind != "rest":
            parts.append(path(zone.geometry, kind))
    parts.append(path(boundary, "boundary"))
    if len(plan.stops):
        place = at(plan.stops[["easting", "northing"]].to_numpy(float))
        way = "L".join(f"{e:.0f},{n:.0f}" for e, n in place)
        parts.append(f'<path class="walk" d="M{way}"/>')
        for row, (e, n) in zip(plan.stops.itertuples(), place, strict=True):
            kind = "stop" if row.wheeled else "twin"
            size = 4 if row.wheeled else 2.5
            parts.append(
                f'<circle class="{kind}" cx="{e:.0f}" cy="{n:.0f}" r="{size}"/>'
            )
        for row, (e, n) in zip(plan.stops.itertuples(), place, strict=True):
            if row.wheeled:
                parts.append(
                    f'<text x="{e + 6:.0f}" y="{n - 4:.0f}">{row.point}</text>'
                )
    us = result.field.units == "us"
    bar = 60.96 if us else 50.0
    foot = height - 16.0
    parts.append(
        f'<path class="boundary" d="M20,{foot:.0f}h{bar * scale:.0f}"/>'
        f'<text x="{26 + bar * scale:.0f}" y="{foot + 4:.0f}">'
        f"{'200 ft' if us else '50 m'}, north is up</text>"
    )
    return (
        f'<svg viewBox="0 0 {_DRAWN:.0f} {height:.0f}" role="img" '
        f'aria-label="Map of the stops">{"".join(parts)}</svg>'
    )
