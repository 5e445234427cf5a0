"""Contracts of the tables that travel between rooms, checked at each door."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from trafficmap.core.errors import TableError


@dataclass(frozen=True)
class Column:
    """One column: its type, unit, whether it may be empty, and its meaning.

    ``dtype`` is one of float, int, bool, text, utc (zone-aware time) or day.
    """

    name: str
    dtype: str
    unit: str
    nullable: bool
    meaning: str


@dataclass(frozen=True)
class TableContract:
    """A named table: the columns it must have; more columns are allowed.

    ``optional`` columns may be left out, but keep their type where they are there.
    """

    name: str
    columns: tuple[Column, ...]
    optional: tuple[Column, ...] = ()

    def names(self) -> list[str]:
        """Return the column names in order."""
        return [column.name for column in self.columns]

    def empty(self) -> pd.DataFrame:
        """Return a table with no rows that keeps the contract."""
        return pd.DataFrame(
            {c.name: pd.Series([], dtype=_EMPTY[c.dtype]) for c in self.columns}
        )


_EMPTY = {
    "float": "float64",
    "int": "int64",
    "bool": "bool",
    "text": "object",
    "utc": "datetime64[ms, UTC]",
    "day": "datetime64[s]",
}


def require_table(frame: pd.DataFrame, contract: TableContract) -> pd.DataFrame:
    """Return `frame` unchanged when it keeps `contract`, else refuse it.

    Raises
    ------
    TableError
        A column is missing, has the wrong type, or holds gaps it may not have.
    """
    for column in (*contract.columns, *contract.optional):
        if column.name not in frame.columns:
            if column in contract.optional:
                continue
            msg = (
                f"{contract.name}: column {column.name!r} is missing, "
                f"need {column.meaning.rstrip('.')} [{column.unit}]."
            )
            raise TableError(msg, "add the column")
        series = frame[column.name]
        if not _fits(series, column.dtype):
            msg = (
                f"{contract.name}: column {column.name!r} holds {series.dtype}, "
                f"need {column.dtype}."
            )
            raise TableError(msg, "convert the column at the door it came in by")
        if not column.nullable and series.isna().any():
            msg = (
                f"{contract.name}: column {column.name!r} is empty in "
                f"{int(series.isna().sum())} of {len(series)} rows, need every row."
            )
            raise TableError(msg, "drop those rows or fill them")
    return frame


def _fits(series: pd.Series, dtype: str) -> bool:
    kind = series.dtype
    if dtype == "float":
        return pd.api.types.is_float_dtype(kind)
    if dtype == "int":
        return pd.api.types.is_integer_dtype(kind)
    if dtype == "bool":
        return pd.api.types.is_bool_dtype(kind)
    if dtype == "utc":
        return isinstance(kind, pd.DatetimeTZDtype) and str(kind.tz) == "UTC"
    if dtype == "day":
        return isinstance(kind, np.dtype) and np.issubdtype(kind, np.datetime64)
    return (
        pd.api.types.is_string_dtype(kind)
        or pd.api.types.is_object_dtype(kind)
        or isinstance(kind, pd.CategoricalDtype)
    )


def _columns(*rows: tuple[str, str, str, bool, str]) -> tuple[Column, ...]:
    return tuple(Column(*row) for row in rows)


_SIGNALS = (
    ("speed", "float", "m/s", True, "speed over ground as logged"),
    ("heading", "float", "deg", True, "course or heading as logged, from north"),
    ("altitude", "float", "m", True, "height as logged; use differences only"),
    ("fix_quality", "float", "1", True, "0 none, 1 single, 2 DGNSS, 4 RTK, 5 float"),
    ("width", "float", "m", True, "working width in use"),
    ("work_state", "float", "1", True, "1 working, 0 not working"),
    ("mass_flow", "float", "kg/s", True, "crop mass flow as logged (wet)"),
    ("tank_mass", "float", "kg", True, "mass in tank, bin or cart as logged"),
    ("moisture", "float", "fraction", True, "grain moisture, wet basis"),
    ("application_rate", "float", "m", True, "liquid put down, m3 a m2"),
)

RAW_FIXES = TableContract(
    "raw fixes",
    _columns(
        ("longitude", "float", "deg", False, "WGS 84 longitude of the antenna"),
        ("latitude", "float", "deg", False, "WGS 84 latitude of the antenna"),
        ("seconds", "float", "s", False, "the log's own clock; see RawLog.clock"),
        ("row", "int", "1", False, "row or record number in the file, from 1"),
        *_SIGNALS,
    ),
)
"""What a reader returns, in file order, before any cleaning."""

FIXES = TableContract(
    "fixes",
    _columns(
        ("machine_id", "text", "", False, "name of the machine in field.toml"),
        ("log_id", "int", "1", False, "position of the log in field.toml, from 0"),
        ("time", "utc", "UTC", True, "time; empty when the clock cannot be trusted"),
        ("seconds", "float", "s", False, "the log's own clock"),
        ("easting", "float", "m", False, "antenna, field grid system"),
        ("northing", "float", "m", False, "antenna, field grid system"),
        ("row", "int", "1", False, "row in the file, from 1"),
        *_SIGNALS,
    ),
    optional=_columns(
        ("source_log", "int", "1", False, "log the fix came from, before joining"),
        ("begins", "bool", "1", False, "the track starts anew here"),
        ("inferred", "bool", "1", False, "drawn over a gap, never logged"),
    ),
)
"""Fixes of all logs on the field's metric system, a block a log.

As read, a log stands in the order of its file; after `tracks.clean` by its clock.
"""

SPLIT_FIXES = TableContract(
    "split fixes",
    FIXES.columns
    + _columns(
        ("state", "text", "", False, "working turning hauling loading idle road"),
        ("pass_id", "int", "1", False, "pass the fix belongs to, -1 for none"),
    ),
    optional=FIXES.optional
    + _columns(
        ("reverse", "bool", "1", False, "the step into the fix was driven backward"),
        ("session", "int", "1", False, "row of the sessions table"),
    ),
)

SESSIONS = TableContract(
    "sessions",
    _columns(
        ("session", "int", "1", False, "number, equal to the row position"),
        ("machine_id", "text", "", False, "machine"),
        ("log_id", "int", "1", False, "log"),
        ("start", "utc", "UTC", True, "first fix"),
        ("end", "utc", "UTC", True, "last fix"),
        ("correction", "text", "", False, "rtk, ppp, submetre, sbas or phone"),
        ("sigma_within", "float", "m", False, "error within the session, 1 sigma"),
        ("sigma_shift", "float", "m", False, "shift all of it shares, 1 sigma"),
        ("assumed", "bool", "1", False, "nobody told the correction"),
    ),
)
"""One row a run of a receiver: its fixes share one unknown shift in place."""

GAPS = TableContract(
    "gaps",
    _columns(
        ("machine_id", "text", "", False, "machine"),
        ("day", "text", "", False, "as 2026-10-20, farm's zone; empty if not known"),
        ("logs", "int", "count", False, "logs of that day"),
        ("start", "text", "", False, "first fix on the clock, as 14:10"),
        ("end", "text", "", False, "last fix on the clock"),
        ("span", "float", "s", False, "from the first fix to the last"),
        ("tracked", "float", "s", False, "moving, with a track"),
        ("standing", "float", "s", False, "standing, with or without fixes"),
        ("inferred", "float", "s", False, "drawn over gaps, never logged"),
        ("missing_least", "float", "s", False, "driven without a track, at least"),
        ("missing", "float", "s", False, "without a track, moved meanwhile"),
        ("share", "float", "fraction", False, "missing in all time moving"),
        ("largest", "text", "", False, "largest gaps, as 14:10 to 14:38 (28 min)"),
    ),
)
"""One row a machine and day: how much of its working time has no track."""

PASSES = TableContract(
    "passes",
    _columns(
        ("pass_id", "int", "1", False, "number, unique in the run, from 0"),
        ("machine_id", "text", "", False, "machine"),
        ("log_id", "int", "1", False, "log"),
        ("state", "text", "", False, "working turning hauling loading"),
        ("start", "utc", "UTC", True, "first fix"),
        ("end", "utc", "UTC", True, "last fix"),
        ("first", "int", "1", False, "position of the first fix in the fixes table"),
        ("last", "int", "1", False, "position after the last fix"),
        ("length", "float", "m", False, "length of the antenna path"),
        ("inferred", "bool", "1", False, "path bridged over a gap, not logged"),
    ),
    optional=_columns(("session", "int", "1", False, "row of the sessions table")),
)
"""One row a stretch driven without a gap in one state."""

WHEELS = TableContract(
    "wheels",
    _columns(
        ("wheel", "int", "1", False, "number, equal to the row position"),
        ("machine_id", "text", "", False, "machine (rig)"),
        ("body", "text", "", False, "body in the rig, as 'grain_cart_single'"),
        ("body_id", "int", "1", False, "number of the body, unique over machines"),
        ("axle", "text", "", False, "axle name"),
        ("axle_id", "int", "1", False, "number of the axle, unique over machines"),
        ("slot", "int", "1", False, "column of the wheel in LoadStates arrays"),
        ("forward", "float", "m", False, "axle ahead of the body's reference axle"),
        ("right", "float", "m", False, "wheel centre right of the body's centre line"),
        ("width", "float", "m", False, "tyre section or track width"),
        ("diameter", "float", "m", True, "tyre overall diameter"),
        ("kind", "text", "", False, "tyre or track"),
        ("contact_length", "float", "m", True, "ground length of a track"),
        ("rollers", "int", "1", False, "load-carrying rollers of a track, else 0"),
        ("pressure", "float", "Pa", False, "inflation pressure (track: mean contact)"),
        ("pressure_assumed", "bool", "1", False, "pressure is a class value"),
        ("contact_area", "float", "m2", True, "told contact: its part without load"),
        ("contact_slope", "float", "m2/N", True, "told contact: area a newton"),
    ),
)

WEATHER = TableContract(
    "weather",
    _columns(
        ("date", "day", "", False, "calendar day, farm's zone"),
        ("rain", "float", "m", False, "rain and melted snow of the day"),
        ("t_min", "float", "degC", False, "lowest air temperature"),
        ("t_max", "float", "degC", False, "highest air temperature"),
    ),
)
"""Optional further columns: wind [m/s], radiation [J/m2], humidity_min,
humidity_max [fraction], eto [m], snow_depth [m]."""

HORIZONS = TableContract(
    "soil horizons",
    _columns(
        ("soil_unit", "text", "", False, "key of the soil unit"),
        ("share", "float", "fraction", False, "share of the component in the unit"),
        ("top", "float", "m", False, "upper depth"),
        ("bottom", "float", "m", False, "lower depth"),
        ("sand", "float", "fraction", False, "sand of the fine earth"),
        ("clay", "float", "fraction", False, "clay of the fine earth"),
        ("organic_matter", "float", "fraction", False, "organic matter by mass"),
        ("bulk_density", "float", "kg/m3", True, "dry bulk density"),
    ),
)

DUG = TableContract(
    "dug",
    _columns(
        ("point", "text", "", False, "name of the spot"),
        ("easting", "float", "m", False, "place"),
        ("northing", "float", "m", False, "place"),
        ("date", "day", "", True, "day it was dug"),
        (
            "kind",
            "text",
            "",
            False,
            "probe, spade, hand_roll, rut, trial, moisture, feel",
        ),
        ("wheeled", "float", "1", True, "1 in a wheel track, 0 in the unwheeled twin"),
        ("depth", "float", "m", True, "depth of the reading"),
        (
            "value",
            "float",
            "Pa, m or fraction",
            True,
            "cone index [Pa]; rut depth [m]; moisture, share of the volume; feel, "
            "share of the water a crop can take",
        ),
        ("finding", "text", "", True, "rolls, cracks, crumbles, plates, slot, ..."),
    ),
)
"""Readings taken by people; one row a depth for probe and hand roll."""

LIQUID = TableContract(
    "liquid",
    _columns(
        ("machine_id", "text", "", False, "machine that put it down"),
        ("rate", "float", "m", False, "depth of liquid where driven once"),
        ("dry_matter", "float", "fraction", False, "share that is not water"),
        ("depth", "float", "m", False, "depth of injection, 0 at the surface"),
        ("width", "float", "m", False, "working width"),
    ),
)

TICKETS = TableContract(
    "tickets",
    _columns(
        ("day", "day", "", True, "day the load was weighed"),
        ("mass", "float", "kg", False, "net mass by the scale"),
        ("name", "text", "", False, "number or name of the ticket, or empty"),
    ),
)
"""What was hauled off the field, wet, as the scale says; one row a ticket or a sum."""

ZONES = TableContract(
    "zones",
    _columns(
        ("zone", "int", "1", False, "number, 0 for ground left alone"),
        ("kind", "text", "", False, "body, end_rows, overlap, keep_out, strip, rest"),
        ("advice", "text", "", False, "the word a person reads, as 'probe first'"),
        ("row", "text", "", False, "row of the decision table, as 'D5'"),
        ("depth", "float", "m", True, "working depth where the advice is rip"),
        ("layer_bottom", "float", "m", True, "bottom of the confirmed layer"),
        ("risk", "text", "", False, "risk word at the worst of 10, 14 and 20 in"),
        ("probability", "float", "1", True, "under-wheel probability there"),
        ("probed", "text", "", False, "none, no layer, confirmed or inconclusive"),
        (
            "fit",
            "text",
            "",
            False,
            "shatters, test by hand, too wet, too hard, unknown",
        ),
        ("area", "float", "m2", False, "area on the ellipsoid"),
        ("run_over", "float", "fraction", False, "share of the zone run over"),
        ("passes", "float", "count", False, "90th percentile of passes"),
        ("heaviest_axle", "float", "kg", True, "heaviest axle seen"),
        ("reason", "text", "", False, "why, in one sentence"),
        ("further", "text", "", False, "other reasons that also apply, or empty"),
    ),
)
"""A GeoDataFrame: one row a drivable piece; all rows together fill the boundary."""

PLAN = TableContract(
    "plan",
    _columns(
        ("order", "int", "1", False, "place in the order of work, from 1"),
        ("zone", "int", "1", False, "zone number"),
        ("job", "text", "", False, "what to do there"),
        ("tool", "text", "", False, "tool"),
        ("depth", "float", "m", True, "working depth"),
        ("area", "float", "m2", False, "area"),
        ("duration_low", "float", "s", True, "machine time, low"),
        ("duration", "float", "s", True, "machine time, best"),
        ("duration_high", "float", "s", True, "machine time, high"),
        ("fuel_low", "float", "m3", True, "fuel, low"),
        ("fuel", "float", "m3", True, "fuel, best"),
        ("fuel_high", "float", "m3", True, "fuel, high"),
        ("cost", "float", "currency", True, "whole cost"),
        ("net_low", "float", "currency", True, "gain less extra cost, low"),
        ("net", "float", "currency", True, "gain less extra cost, best"),
        ("net_high", "float", "currency", True, "gain less extra cost, high"),
        ("reason", "text", "", False, "why in this place in the order"),
    ),
)

CARRYING = TableContract(
    "carrying",
    _columns(
        ("unit_index", "int", "1", False, "position of the soil unit in run.json"),
        ("soil_unit", "text", "", False, "key of the soil unit"),
        ("day", "text", "", False, "day the soil water is of, as 2026-11-14"),
        ("machine_id", "text", "", False, "machine (rig)"),
        ("body", "text", "", False, "body in the rig"),
        ("axle", "text", "", False, "axle name; its tires as set are used"),
        ("depth", "float", "m", False, "depth"),
        ("strength", "float", "Pa", True, "strength there, weakest of the unit"),
        ("mass_even", "float", "kg", True, "on a wheel: damage as likely as not"),
        ("mass_unlikely", "float", "kg", True, "on a wheel: damage just unlikely"),
        ("no_limit", "bool", "1", False, "no load reaches that strength"),
        ("wheel_lightest", "float", "kg", True, "least on its wheels this season"),
        ("wheel_heaviest", "float", "kg", True, "most on its wheels this season"),
    ),
)

NIGHTS = TableContract(
    "nights",
    _columns(
        ("start", "text", "", False, "from when, farm's time with its offset"),
        ("end", "text", "", False, "until when"),
        ("depth_start_m", "float", "m", False, "depth of frost at the start"),
        ("depth_end_m", "float", "m", False, "depth of frost at the end"),
        ("depth_most_m", "float", "m", False, "deepest in between"),
        ("lasts", "bool", "1", False, "still so when the forecast ends"),
        ("ground", "text", "", False, "frozen crust, or thawed over frozen"),
        ("unfrozen_state", "text", "", False, "soil below the crust"),
        ("word", "text", "", False, "carries, may rut, does not carry, unknown"),
    ),
)
"""Of a whole field also: unit_index, column (int), soil_unit, most_liquid."""

TRAFFIC = TableContract(
    "traffic",
    _columns(
        ("machine_id", "text", "", False, "machine, or 'all'"),
        ("doing", "text", "", False, "working, turning, hauling, loading, or 'any'"),
        (
            "part",
            "text",
            "",
            False,
            "inner, transition, headland, turning, access, road, or 'field'",
        ),
        ("area", "float", "m2", True, "ground of the part"),
        ("run_over", "float", "m2", True, "ground run over at least once"),
        ("run_over_share", "float", "fraction", True, "the same by the area"),
        ("run_over_first", "float", "m2", True, "ground this machine was first on"),
        ("run_over_again", "float", "m2", True, "run over in two passes or more"),
        ("same_track", "float", "m2", True, "again along the same track"),
        ("under_3", "float", "m2", True, "run over by wheels over 3 Mg"),
        ("under_3_low", "float", "m2", True, "the same by the low end of the loads"),
        ("under_3_high", "float", "m2", True, "the same by the high end"),
        ("under_5", "float", "m2", True, "run over by wheels over 5 Mg"),
        ("under_5_low", "float", "m2", True, "the same by the low end of the loads"),
        ("under_5_high", "float", "m2", True, "the same by the high end"),
        ("passes", "int", "count", False, "passes that came there"),
        ("distance", "float", "m", False, "driven there, mean over the wheels"),
        ("load_distance_low", "float", "Mg km/ha", True, "load-distance, low"),
        ("load_distance", "float", "Mg km/ha", True, "mass times distance by area"),
        ("load_distance_high", "float", "Mg km/ha", True, "load-distance, high"),
        ("wheel_low", "float", "kg", True, "heaviest wheel by the low end"),
        ("wheel", "float", "kg", True, "mass on the heaviest wheel"),
        ("wheel_high", "float", "kg", True, "heaviest wheel by the high end"),
        ("axle_low", "float", "kg", True, "heaviest axle by the low end"),
        ("axle", "float", "kg", True, "mass on the heaviest axle"),
        ("axle_high", "float", "kg", True, "heaviest axle by the high end"),
        ("first", "utc", "UTC", True, "first wheel there"),
        ("last", "utc", "UTC", True, "last wheel there"),
    ),
)
"""Where machines drove, by machine, by what they did and by part of the field; the
road is driven on and has no ground of its own."""

TRAFFIC_DEPTH = TableContract(
    "traffic depth",
    _columns(
        ("part", "text", "", False, "part of the field, or 'field'"),
        ("times", "int", "count", False, "so many times or more, from 1"),
        ("passes", "float", "m2", False, "ground that saw so many passes"),
        ("wheel_passes", "float", "m2", False, "ground that saw so many wheel passes"),
        ("wheel_passes_3", "float", "m2", False, "of wheels over 3 Mg"),
        ("wheel_passes_5", "float", "m2", False, "of wheels over 5 Mg"),
    ),
)
"""How often ground was run over."""

TRAFFIC_AXLES = TableContract(
    "traffic axles",
    _columns(
        ("machine_id", "text", "", False, "machine"),
        ("body", "text", "", False, "body in the rig"),
        ("axle", "text", "", False, "axle name"),
        ("order", "int", "1", False, "place of the axle in the rig, front first"),
        ("run_over", "float", "m2", False, "wheel tracks of the axle, pass by pass"),
        ("run_over_first", "float", "m2", False, "ground it was the first on"),
        ("first_share", "float", "fraction", True, "the same by its tracks"),
        ("wheel", "float", "kg", True, "mean mass on a wheel on that fresh ground"),
    ),
)
"""Which axle rolled over fresh ground, and which in the track of one before it."""

LOADING_SPOTS = TableContract(
    "loading spots",
    _columns(
        ("spot", "int", "1", False, "number, from 1"),
        ("machines", "text", "", False, "machines that stood there"),
        ("kind", "text", "", False, "filled, emptied, both, or not known"),
        ("stops", "int", "count", False, "how often"),
        ("standing", "float", "s", False, "how long in all"),
        ("mass_in", "float", "kg", True, "taken on there"),
        ("mass_out", "float", "kg", True, "given off there"),
        ("easting", "float", "m", False, "place"),
        ("northing", "float", "m", False, "place"),
        ("in_field", "bool", "1", False, "inside the boundary"),
        ("first", "utc", "UTC", True, "first stop"),
        ("last", "utc", "UTC", True, "end of the last stop"),
    ),
)
"""Where machines were filled or emptied standing."""

CONTRACTS = (
    RAW_FIXES,
    FIXES,
    SPLIT_FIXES,
    PASSES,
    WHEELS,
    WEATHER,
    HORIZONS,
    DUG,
    LIQUID,
    TICKETS,
    ZONES,
    PLAN,
    CARRYING,
    NIGHTS,
    SESSIONS,
    GAPS,
    TRAFFIC,
    TRAFFIC_DEPTH,
    TRAFFIC_AXLES,
    LOADING_SPOTS,
)
