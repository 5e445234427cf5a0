"""run.json: what went in, what was chosen, what came out; no clock, no places."""

from __future__ import annotations

import hashlib
import json
import math
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec
import numpy as np
import pandas as pd

from trafficmap import __version__
from trafficmap.core.notes import worst_first
from trafficmap.core.settings import settings_as_dict
from trafficmap.formats import _gdal  # noqa: F401
from trafficmap.outputs.words import sentence_of_the_day
from trafficmap.plan.when_words import LAST

if TYPE_CHECKING:
    from trafficmap.field.model import LogSource
    from trafficmap.pipeline import Result

SCHEMA = 1

_PACKAGES = (
    "folium",
    "geopandas",
    "jinja2",
    "msgspec",
    "numba",
    "numpy",
    "pandas",
    "pyet",
    "pyogrio",
    "pyproj",
    "rasterio",
    "scipy",
    "shapely",
    "xarray",
    "xstatic-leaflet",
)


def run_document(
    result: Result, *, mark: str, date: pd.Timestamp, outputs: dict[str, str]
) -> dict[str, Any]:
    """Return run.json as plain values; the same input gives the same bytes.

    Parameters
    ----------
    result : Result
    mark : str
        From `run_mark`.
    date : Timestamp
        Time of the newest input, from `newest_input`.
    outputs : dict
        SHA-256 of every file by its name in the folder.
    """
    field, grid = result.field, result.grid
    document = {
        "program": "trafficmap",
        "schema": SCHEMA,
        "version": __version__,
        "run": mark,
        "newest_input": f"{date:%Y-%m-%dT%H:%M:%SZ}",
        "sentence": sentence_of_the_day(result.zones, result.stops, field.units),
        "field": {
            "name": field.name,
            "season": field.season,
            "invented": field.invented,
            "units": field.units,
            "time_zone": field.time_zone,
            "epsg": field.epsg,
            "area_m2": field.area,
            "utilities": field.utilities,
            "tile": field.tile,
            "crop": field.crop,
            "rows_heading_deg": field.rows_heading,
        },
        "inputs": list(field.inputs),
        "settings": settings_as_dict(result.settings),
        "versions": versions(),
        "grid": grid,
        "layers": {
            name: {
                "unit": str(layer.attrs.get("units", "")),
                "meaning": str(layer.attrs.get("long_name", "")),
                "file": f"layers/{name}.tif",
            }
            for name, layer in sorted(result.tray.data_vars.items())
        },
        "totals": result.totals,
        "notes": [note.as_dict() for note in worst_first(result.notes)],
        "traffic": _traffic(result),
        "axle_damage": [] if result.axles is None else _records(result.axles),
        "zones": _records(result.zones),
        "stops": _records(result.stops),
        "carrying": [] if result.carrying is None else _records(result.carrying),
        "nights": [] if result.nights is None else _records(result.nights),
        "when": _when(result),
        "odds": [] if result.odds is None else _records(result.odds),
        "ledger": [] if result.ledger is None else result.ledger.table,
        "draws": _draws(result),
        "plan": _records(result.plan),
        "money": getattr(result, "money", None),
        "machines": field.machines,
        "tools": field.tools,
        "prices": field.prices,
        "logs": [_log(log) for log in field.logs],
        "soil": _soil(result),
        "outputs": outputs,
    }
    return _plain(document, _places(field.folder))


def run_mark(result: Result) -> str:
    """Return 12 hex digits that name the inputs, the settings and our version."""
    told = _plain(
        {
            "version": __version__,
            "inputs": list(result.field.inputs),
            "settings": settings_as_dict(result.settings),
            "grid": result.grid,
        },
        _places(result.field.folder),
    )
    text = json.dumps(told, sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:12]


def newest_input(result: Result) -> pd.Timestamp:
    """Return the newest time in the inputs, which stands in files as their date.

    Falls back from the fixes to the harvest, then to the first day of the season, so
    that the clock of the computer never gets into a file.
    """
    times = result.fixes["time"] if "time" in result.fixes else pd.Series([], dtype="O")
    newest = times.max() if len(times) else pd.NaT
    if pd.isna(newest):
        day = result.field.crop.harvested or f"{result.field.season}-01-01"
        newest = pd.Timestamp(str(day))
    newest = pd.Timestamp(newest)
    newest = newest.tz_localize("UTC") if newest.tz is None else newest
    return newest.tz_convert("UTC").floor("s")


def versions() -> dict[str, str]:
    """Return the versions of everything a number can depend on."""
    import platform

    import pyogrio
    import pyproj
    import rasterio
    import shapely

    found = {"python": platform.python_version()}
    for name in _PACKAGES:
        found[name] = metadata.version(name)
    found["gdal (rasterio)"] = rasterio.__gdal_version__
    found["gdal (pyogrio)"] = pyogrio.__gdal_version_string__
    found["proj (pyproj)"] = pyproj.proj_version_str
    found["geos"] = shapely.geos_version_string
    return found


def _traffic(result: Result) -> dict[str, Any] | None:
    """Return the tables of the traffic without what each machine did by the way."""
    driven = result.driven
    if driven is None:
        return None
    table = driven.traffic
    return {
        "by_machine_and_part": _records(table[table["doing"] == "any"]),
        "by_doing": _records(
            table[(table["doing"] != "any") & (table["part"] == "field")]
        ),
        "depth": _records(driven.depth[driven.depth["part"] == "field"]),
        "axles": _records(driven.axles),
        "loading_spots": _records(driven.spots),
    }


def _records(frame: pd.DataFrame) -> list[dict]:
    """Return a table as rows of plain values, without its geometry."""
    kept = frame.drop(columns=frame.columns.intersection(["geometry"]))
    return pd.DataFrame(kept).to_dict("records")


def _log(log: LogSource) -> dict[str, Any]:
    return {
        "log_id": log.log_id,
        "file": log.path.name,
        "part": log.part,
        "machine": log.machine_id,
        "kind": log.kind,
        "sha256": log.sha256,
        "rows": log.rows,
        "clock": log.clock,
        "counters": dict(sorted(log.counters.items())),
        "findings": list(log.findings),
        "receiver": log.facts,
    }


def told_ahead(result: Result) -> dict[str, Any]:
    """Return nights, hours and odds as plain values, as run.json holds them."""
    return _plain(
        {
            "nights": [] if result.nights is None else _records(result.nights),
            "when": _when(result),
            "odds": [] if result.odds is None else _records(result.odds),
        },
        _places(result.field.folder),
    )


def _when(result: Result) -> dict[str, Any] | None:
    """Return the hours ahead, and what always stands below them."""
    if result.when is None:
        return None
    return {
        "until": result.when.until,
        "zones": _records(result.when.zones),
        "windows": _records(result.when.windows),
        "last": LAST,
    }


def _draws(result: Result) -> dict[str, Any] | None:
    drawn = result.draws
    if drawn is None:
        return None
    return {
        "draws": len(drawn.area),
        "seed": drawn.seed,
        "assessed_m2": drawn.assessed,
        "kept_share": drawn.kept,
        "damaged_m2": drawn.table,
        "sensitivity": drawn.sensitivity,
    }


def _soil(result: Result) -> dict[str, Any] | None:
    soil = result.field.soil
    if soil is None:
        return None
    return {
        "units": _records(soil.units),
        "horizons": _records(soil.horizons),
        "assumed": soil.assumed,
        "swelling": soil.swelling,
        "plastic_limit": soil.plastic_limit,
        "hydrologic_group": soil.hydrologic_group,
    }


def _places(folder: Path) -> tuple[str, ...]:
    """Return the whole paths that stand for the field's folder.

    Never a relative one: the folder "corn" must not be cut out of "corn.csv".
    """
    folder = Path(folder)
    whole = {folder, folder.resolve()}
    return tuple(
        sorted(
            str(path) for path in whole if len(path.parts) > 1 and path.is_absolute()
        )
    )


def plain(value: Any) -> Any:
    """Return `value` as JSON can hold it; NaN is null."""
    return _plain(value, ())


def _plain(value: Any, places: tuple[str, ...]) -> Any:
    """Return `value` as JSON can hold it: NaN is null, `places` on disk are cut."""
    if isinstance(value, dict):
        return {str(key): _plain(item, places) for key, item in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [_plain(item, places) for item in value]
    if isinstance(value, np.ndarray):
        return [_plain(item, places) for item in value.tolist()]
    if value is None or value is pd.NaT or value is pd.NA:
        return None
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, Path):
        return value.name
    if isinstance(value, pd.Timestamp):
        zone = "Z" if value.tz is not None else ""
        return f"{value:%Y-%m-%dT%H:%M:%S}{zone}"
    if isinstance(value, str):
        for place in places:
            value = value.replace(f"{place}/", "").replace(place, "")
        return value
    return _plain(msgspec.to_builtins(value, enc_hook=_hook), places)


def _hook(value: Any) -> Any:
    """Turn what msgspec does not know into values it does."""
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, np.ndarray):
        return value.tolist()
    return str(value)
