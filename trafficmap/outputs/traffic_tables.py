"""Where wheels ran, as files and as words: tables, loading spots, roads."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from trafficmap.core import limits
from trafficmap.core.errors import TableError
from trafficmap.core.tables import (
    LOADING_SPOTS,
    TRAFFIC,
    TRAFFIC_AXLES,
    TRAFFIC_DEPTH,
    TableContract,
)
from trafficmap.core.units import from_si
from trafficmap.outputs import words

if TYPE_CHECKING:
    from trafficmap.pipeline import Result
    from trafficmap.traffic.summary import TrafficTables

FOLDER = "tables"
"""Folder of the tables in a run folder."""

_UNITS = {"m2": "m2", "m": "m", "s": "s", "kg": "kg", "Mg km/ha": "mg_km_ha"}
_DIGITS = {"m2": 1, "m": 1, "s": 0, "kg": 0, "Mg km/ha": 2, "fraction": 4}
_ROAD_TOLERANCE = 0.5
"""Corners of a road this close to a straight line are left out [m]; choice."""


def csv_files(driven: TrafficTables) -> dict[str, str]:
    """Return the text of every table by its name in the run folder.

    Columns carry their unit in their name; what is not known is empty. Areas stand
    in acres as well.
    """
    made = {
        "traffic.csv": (driven.traffic, TRAFFIC),
        "traffic_depth.csv": (driven.depth, TRAFFIC_DEPTH),
        "traffic_axles.csv": (driven.axles, TRAFFIC_AXLES),
        "loading_spots.csv": (driven.spots, LOADING_SPOTS),
    }
    return {
        f"{FOLDER}/{name}": flat(table, contract).to_csv(
            index=False, lineterminator="\n"
        )
        for name, (table, contract) in made.items()
    }


def flat(table: pd.DataFrame, contract: TableContract) -> pd.DataFrame:
    """Return a table as files hold it: units in the names, times as text."""
    out: dict[str, Any] = {}
    for column in contract.columns:
        values = table[column.name]
        unit = _UNITS.get(column.unit)
        name = f"{column.name}_{unit}" if unit else column.name
        if column.dtype == "float":
            # Depths are told in centimetres, lengths on the ground in decimetres.
            deep = column.name.endswith("depth")
            values = values.round(3 if deep else _DIGITS.get(column.unit, 3))
        elif column.dtype == "utc":
            name = f"{column.name}_utc"
            values = values.dt.strftime("%Y-%m-%dT%H:%M:%SZ").fillna("")
        elif column.dtype == "bool":
            values = values.astype("int32")
        out[name] = values.to_numpy()
        if column.name in ("area", "run_over"):
            out[f"{column.name}_ac"] = from_si(
                table[column.name].to_numpy(float), "ac"
            ).round(2)
    return pd.DataFrame(out)


def spot_table(result: Result) -> gpd.GeoDataFrame:
    """Return the loading spots as points."""
    spots = _driven(result).spots
    return gpd.GeoDataFrame(
        flat(spots, LOADING_SPOTS),
        geometry=gpd.points_from_xy(spots["easting"], spots["northing"]),
        crs=f"EPSG:{result.grid.epsg}",
    )


def road_table(result: Result) -> gpd.GeoDataFrame:
    """Return what each machine drove outside the field, as lines."""
    fixes = result.fixes
    empty = gpd.GeoDataFrame(
        {"machine": [], "length_m": []}, geometry=[], crs=f"EPSG:{result.grid.epsg}"
    )
    if "state" not in fixes or not len(fixes):
        return empty
    place = fixes[["easting", "northing"]].to_numpy(dtype=float)
    log, seconds = fixes["log_id"].to_numpy(), fixes["seconds"].to_numpy(float)
    on = (fixes["state"] == "road").to_numpy()
    # The step into a fix has its state, so a stretch begins at the fix before.
    step = np.zeros(len(fixes), dtype=np.bool_)
    passed = np.diff(seconds)
    step[1:] = (
        on[1:] & (log[1:] == log[:-1]) & (passed > 0.0) & (passed <= limits.GAP_SECONDS)
    )
    first = np.flatnonzero(step & ~np.append(False, step[:-1])) - 1
    last = np.flatnonzero(step & ~np.append(step[1:], False))
    machine = fixes["machine_id"].to_numpy().astype(str)
    rows: dict[str, list] = {}
    for a, b in zip(first, last, strict=True):
        line = shapely.LineString(place[a : b + 1])
        rows.setdefault(machine[b], []).append(line)
    if not rows:
        return empty
    lines = {name: shapely.MultiLineString(parts) for name, parts in rows.items()}
    return gpd.GeoDataFrame(
        {
            "machine": list(lines),
            "length_m": [round(float(line.length), 1) for line in lines.values()],
        },
        geometry=[
            shapely.MultiLineString(
                list(shapely.get_parts(shapely.simplify(line, _ROAD_TOLERANCE)))
            )
            for line in lines.values()
        ],
        crs=f"EPSG:{result.grid.epsg}",
    )


def _driven(result: Result) -> TrafficTables:
    """Return the tables of a run that has them."""
    if result.driven is None:
        msg = "the tables of the traffic: got none, need those of a run."
        raise TableError(msg, "run the line again")
    return result.driven


def machine_rows(result: Result) -> list[dict[str, str]]:
    """Return one row a machine and one for all, as the map page shows them."""
    if result.driven is None:
        return []
    units = result.field.units
    table = result.driven.traffic
    table = table[(table["part"] == "field") & (table["doing"] == "any")]
    table = table.sort_values("run_over", ascending=False, kind="stable")
    rows = []
    row: Any
    for row in table.itertuples(index=False):
        if not row.run_over > 0.0:
            continue
        machine = result.field.machines.get(row.machine_id)
        label = (getattr(machine, "label", "") or row.machine_id) if machine else ""
        rows.append(
            {
                "name": label or "all machines",
                "area": words.area_number(row.run_over, units),
                "share": words.share_words(row.run_over_share),
                "wheel": between(row.wheel_low, row.wheel, row.wheel_high, units),
            }
        )
    return rows


def sentences(result: Result) -> list[str]:
    """Return what the traffic comes to, in a few sentences."""
    if result.driven is None:
        return []
    units, table = result.field.units, result.driven.traffic
    every = table[(table["machine_id"] == "all") & (table["doing"] == "any")]
    parts_of: dict[str, Any] = {str(row.part): row for row in every.itertuples()}
    whole = parts_of.get("field")
    if whole is None or not whole.run_over > 0.0:
        return ["No wheel ran inside the field."]

    def area(name: str) -> str:
        return words.area_words(float(getattr(whole, name)), units)

    out = [
        f"Wheels ran over {area('run_over')}, "
        f"{words.share_words(whole.run_over_share)} of the field; over "
        f"{area('run_over_again')} of it in two passes or more, "
        f"{area('same_track')} along the same track."
    ]
    heavy = []
    for limit in (3, 5):
        name = f"under_{limit}"
        low, high = (area(f"{name}_{end}") for end in ("low", "high"))
        told = words.mass_words(1000.0 * limit, units)
        low = low.partition(" ")[0]
        span = (
            ""
            if low == high.partition(" ")[0]
            else f" ({low} to {high}, as loads are known)"
        )
        heavy.append(f"{area(name)} under wheels over {told}{span}")
    out.append(f"{', '.join(heavy)}.")
    parts = [
        f"{name} {words.share_words(parts_of[name].run_over_share)}"
        for name in ("inner", "transition", "headland", "turning")
        if name in parts_of and parts_of[name].area > 0.0
    ]
    if len(parts) > 1:
        named = ", ".join(parts).replace("inner", "inner field", 1)
        out.append(f"Share run over: {named.replace('turning', 'turning ground')}.")
    strip = parts_of.get("access")
    if strip is not None and strip.run_over > 0.0:
        run = words.area_words(float(strip.run_over), units)
        out.append(f"On the strips of access beside the field: {run} run over.")
    out += _spot_sentences(result)
    return out


def _spot_sentences(result: Result) -> list[str]:
    spots = _driven(result).spots
    known = spots[spots["kind"] != "not known"]
    if not len(known):
        return []
    most: Any = next(known.itertuples())
    stops = "once" if most.stops == 1 else f"{most.stops} times"
    mass = np.nanmax([most.mass_in, most.mass_out])
    moved = words.mass_words(float(mass), result.field.units)
    number = "1 place" if len(known) == 1 else f"{len(known)} places"
    return [
        f"Loads changed hands standing at {number}; most often at spot {most.spot}, "
        f"{stops}, {moved} in all (loading_spots in field.gpkg)."
    ]


def between(low: float, best: float, high: float, units: str) -> str:
    """Return a mass with its interval, or "not known"."""
    told = words.mass_words(best, units)
    ends = [words.mass_words(value, units).partition(" ")[0] for value in (low, high)]
    if told == "not known" or ends[0] == ends[1]:
        return told
    return f"{told} ({ends[0]} to {ends[1]})"
