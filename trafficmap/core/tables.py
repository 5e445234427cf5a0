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


def shared_text(column: pd.Series) -> np.ndarray:
    """Return a column of text as an array of objects, equal words being one object.

    A million fixes name a dozen machines; a string of its own for each of them would
    take 60 MB and longer than the comparison it is made for.
    """
    code, words = pd.factorize(column)
    return np.asarray([*map(str, words), None], dtype=object)[code]


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
        (
            "probed",
            "text",
            "",
            False,
            "none, no layer, confirmed, inconclusive, or "
            "assumed where the settings say so and nobody dug",
        ),
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
    optional=_columns(
        ("run_heading", "float", "deg", True, "which way to drive, either end"),
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

PROBE_VALUE = TableContract(
    "probe_value",
    _columns(
        ("zone", "int", "1", False, "zone number"),
        ("unit", "int", "1", False, "piece of ground the zone was drawn from"),
        ("probability", "float", "1", True, "damage under the wheels by the model"),
        ("chance", "float", "1", False, "chance of a layer in reach before probing"),
        ("break_even", "float", "1", True, "chance from which on ripping pays"),
        ("gain", "float", "currency", True, "net of ripping where the layer is there"),
        ("waste", "float", "currency", True, "cost of ripping where it is not"),
        ("stops", "int", "1", False, "stops in the plan, each with its twin"),
        ("value", "float", "currency", True, "what these stops are worth together"),
        ("by_stop", "float", "currency", True, "what one of them is worth"),
        ("why", "text", "", False, "why no finding would change what is done"),
    ),
)
"""What a probe is worth, one row a zone that nobody has settled."""

PROBE_PAIRS = TableContract(
    "probe_pairs",
    _columns(
        ("point", "text", "", False, "name of the stop in the track"),
        ("easting", "float", "m", False, "place"),
        ("northing", "float", "m", False, "place"),
        ("date", "day", "", True, "day of both readings"),
        ("beside", "text", "", False, "name of its twin"),
        ("found", "bool", "1", False, "hard enough, thick enough, above its twin"),
        ("top", "float", "m", True, "where the hard stretch begins"),
        ("bottom", "float", "m", True, "where it ends; infinite where not reached"),
        ("ratio", "float", "1", True, "cone index against the twin"),
    ),
)
"""Stops with their twin and what the pair says, one row a stop."""

PROBE_CLASSES = TableContract(
    "probe_classes",
    _columns(
        ("soil_unit", "int", "1", False, "position of the soil unit in run.json"),
        ("risk", "text", "", False, "what the model said there"),
        ("stops", "int", "1", False, "stops with a twin"),
        ("found", "int", "1", False, "stops that found a layer"),
        ("before", "float", "1", True, "chance of a layer by the model alone"),
        ("after", "float", "1", True, "the same after these counts"),
    ),
)
"""How often the model was right, by soil and class of risk."""

PROBE_UPDATE = TableContract(
    "probe_update",
    _columns(
        ("zone", "int", "1", False, "zone number now"),
        ("advice_before", "text", "", False, "what to do before the readings"),
        ("advice", "text", "", False, "what to do now"),
        ("area", "float", "m2", False, "area"),
        ("stops", "int", "1", False, "stops with a twin in this ground"),
        ("found", "int", "1", False, "of these found a layer"),
        ("chance_before", "float", "1", True, "chance of a layer in reach before"),
        ("chance", "float", "1", True, "the same now"),
        ("net_before", "float", "currency", True, "expected net of ripping it, before"),
        ("net", "float", "currency", True, "the same now"),
        ("reason", "text", "", False, "why that is to be done now"),
    ),
)
"""What readings changed, one row a zone."""

ORDER = TableContract(
    "order",
    _columns(
        ("place", "int", "1", False, "place in the order of work, from 1"),
        ("done", "bool", "1", False, "it is worked; otherwise it is cut"),
        ("finished", "bool", "1", False, "the zone is done at the end of this stint"),
        ("start", "text", "", False, "from when, with its offset; empty where cut"),
        ("end", "text", "", False, "until when"),
        ("hours", "float", "h", True, "machine time of the stint, or of what is cut"),
        ("way", "float", "min", True, "drive and set up before it"),
        ("field", "text", "", False, "field"),
        ("zone", "int", "1", False, "zone number in that field"),
        ("job", "text", "", False, "what to do there"),
        ("tool", "text", "", False, "tool"),
        ("depth", "float", "m", True, "working depth"),
        ("area", "float", "m2", False, "area of the zone"),
        ("net_low", "float", "currency", True, "net gain where finished, low"),
        ("net", "float", "currency", True, "net gain where finished, best"),
        ("net_high", "float", "currency", True, "net gain where finished, high"),
        ("reason", "text", "", False, "why here in the order, or why it is cut"),
    ),
)
"""One row a stint, in time; then what is cut."""

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
        (
            "crust_kg",
            "float",
            "kg",
            True,
            "whole vehicle the crust would hold by itself at its thickest, over ground "
            "that holds nothing; empty where it is thawed on top",
        ),
        (
            "crust_word",
            "text",
            "",
            False,
            "the same for the heaviest vehicle of the season by both rules: carries, "
            "may rut, does not carry; empty where its mass is not known",
        ),
    ),
)
"""Of a whole field also: unit_index, column (int), soil_unit, most_liquid."""

WINDOWS = TableContract(
    "windows",
    _columns(
        ("zone", "int", "1", False, "zone number"),
        ("start", "text", "", False, "from when, farm's time with its offset"),
        ("end", "text", "", False, "until when"),
        ("hours", "float", "h", False, "length"),
        ("lasts", "bool", "1", False, "still so when the forecast ends"),
        ("verdict", "text", "", False, "fit, test by hand, not fit, not known"),
        (
            "shatters",
            "text",
            "",
            False,
            "shatters, hard, trial pass, test by hand, too wet, too hard, frozen, "
            "rain, snow, unknown: every depth down to the shank tip",
        ),
        ("shatters_why", "text", "", False, "what stops it, or empty"),
        (
            "carries",
            "text",
            "",
            False,
            "carries, may rut, does not carry, rain, snow, unknown",
        ),
        ("carries_why", "text", "", False, "what stops it, or empty"),
        ("tip_depth", "float", "m", False, "depth of the shank tip it is told for"),
        ("worst_depth", "float", "m", True, "depth least likely to shatter"),
        ("p_fit_low", "float", "1", True, "least chance to shatter in that time"),
        ("p_fit_high", "float", "1", True, "highest chance to shatter"),
        ("frozen", "float", "m", True, "thickest frost in that time"),
        ("rain", "float", "m", False, "rain of the forecast in that time"),
    ),
)
"""Hours ahead in which a zone is fit, or why not; rows of a zone follow each other."""

WHEN = TableContract(
    "when",
    _columns(
        ("zone", "int", "1", False, "zone number"),
        ("kind", "text", "", False, "body, end_rows, overlap, ..."),
        ("job", "text", "", False, "deep work, or level ruts"),
        ("tip_depth", "float", "m", False, "depth of the work it is told for"),
        ("fit_hours", "float", "h", False, "hours fit in the forecast"),
        ("test_hours", "float", "h", False, "hours in which the hand test decides"),
        ("first", "text", "", False, "start of the first of these, or empty"),
        ("carry_hours", "float", "h", False, "hours in which the ground carries"),
        ("closed", "bool", "1", False, "the season for deep work has closed"),
        ("shatter", "text", "", False, "will it shatter, in one sentence"),
        ("carry", "text", "", False, "will it carry, in one sentence"),
        ("look", "text", "", False, "when to look next, in one sentence"),
    ),
)
"""One row a zone that may be worked: what the hours ahead add up to."""

ODDS = TableContract(
    "odds",
    _columns(
        ("soil_unit", "text", "", False, "key of the soil unit"),
        ("tip_depth", "float", "m", False, "depth of the shank tip it is told for"),
        ("day", "text", "", False, "day of this season, as 2026-11-14"),
        ("years", "int", "count", False, "years whose weather is known that far"),
        ("fit", "int", "count", False, "years fit to carry and to shatter that day"),
        ("share", "float", "fraction", True, "the same by the years"),
        ("share_low", "float", "fraction", True, "90 % interval, low"),
        ("share_high", "float", "fraction", True, "90 % interval, high"),
        (
            "from_now",
            "int",
            "count",
            True,
            "years fit that day, starting as wet as now",
        ),
        ("from_now_share", "float", "fraction", True, "the same by the years"),
    ),
)
"""In how many past years a day was fit for deep work, by the weather of each."""

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

DRAWS = TableContract(
    "draws",
    _columns(
        ("zone", "int", "1", False, "zone number, -1 for the whole field"),
        ("depth", "float", "m", False, "depth"),
        ("low", "float", "m2", False, "5 of 100 seasons had less damaged"),
        ("middle", "float", "m2", False, "half of the seasons had less"),
        ("high", "float", "m2", False, "95 of 100 seasons had less"),
        ("mean", "float", "m2", False, "mean of all seasons"),
    ),
)
"""Ground under wheels damaged in seasons that could have been."""

DRAWS_UNKNOWNS = TableContract(
    "draws unknowns",
    _columns(
        ("unknown", "text", "", False, "what is not known"),
        ("machine_id", "text", "", False, "machine, empty where it is of the field"),
        ("depth", "float", "m", False, "depth the areas are told for"),
        ("share", "float", "fraction", False, "part of the variance it explains"),
        ("low", "float", "m2", False, "5 of 100 seasons had less damaged"),
        ("high", "float", "m2", False, "95 of 100 seasons had less"),
        ("known_low", "float", "m2", False, "the same if it were known"),
        ("known_high", "float", "m2", False, "the same if it were known"),
    ),
)
"""What knowing each unknown would take from the interval."""

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

AXLE_DAMAGE = TableContract(
    "axle damage",
    _columns(
        ("machine_id", "text", "", False, "machine"),
        ("body", "text", "", False, "body in the rig"),
        ("axle", "text", "", False, "axle name"),
        ("depth", "float", "m", False, "depth"),
        ("damaged", "float", "m2", False, "expected damage where it weighed most"),
        ("wheel_low", "float", "kg", True, "low end of the mass on that wheel"),
        ("wheel", "float", "kg", True, "largest mass on one of its wheels"),
        ("wheel_high", "float", "kg", True, "high end of the mass on that wheel"),
        ("axle_mass", "float", "kg", True, "mass on the axle at that moment"),
        ("pressure", "float", "Pa", True, "inflation pressure of that wheel"),
        ("pressure_assumed", "bool", "1", False, "pressure is a class value"),
    ),
)
"""Which axle weighed most for the strength of the soil, where damage is expected."""

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

COMPARISON = TableContract(
    "comparison",
    _columns(
        ("change", "text", "", False, "name of the change, 'as it was' first"),
        ("words", "text", "", False, "what is other, in words"),
        ("run_over", "float", "m2", False, "ground run over at least once"),
        ("run_over_share", "float", "fraction", False, "the same by the field"),
        ("run_over_again", "float", "m2", False, "run over in two passes or more"),
        ("deep", "float", "m2", True, "expected damage, worst of 10, 14 and 20 in"),
        ("deep_low", "float", "m2", True, "of it where damage is very likely"),
        ("deep_high", "float", "m2", True, "under those wheels, at least possible"),
        ("deep_likely", "float", "m2", True, "under those wheels, likely or more"),
        ("damaged_25cm", "float", "m2", True, "expected damage at 25 cm (10 in)"),
        ("damaged_35cm", "float", "m2", True, "expected damage at 35 cm (14 in)"),
        ("damaged_50cm", "float", "m2", True, "expected damage at 50 cm (20 in)"),
        ("not_assessed", "float", "m2", False, "run over, damage not known"),
        ("loss_low", "float", "currency", True, "next crop lost to wheels, low"),
        ("loss", "float", "currency", True, "next crop lost to wheels"),
        ("loss_high", "float", "currency", True, "next crop lost to wheels, high"),
        ("extra_cost", "float", "currency", True, "told cost of the change"),
        ("saved_low", "float", "currency", True, "loss avoided less cost, low"),
        ("saved", "float", "currency", True, "loss avoided less cost"),
        ("saved_high", "float", "currency", True, "loss avoided less cost, high"),
        ("load_distance", "float", "Mg km/ha", True, "mass times distance by area"),
        ("heaviest_axle", "float", "kg", True, "mass on the heaviest axle"),
        ("heaviest_wheel", "float", "kg", True, "mass on the heaviest wheel"),
        ("driven", "float", "m", False, "way of all machines on the field"),
        ("trips_added", "int", "count", False, "trips with a load more than were made"),
    ),
)
"""The season as it was, each change alone, and all of them together; one row each."""

YIELD_PAIRS = TableContract(
    "yield pairs",
    _columns(
        ("strip", "int", "1", False, "number of the check strip, from 1"),
        ("zone", "int", "1", False, "zone the strip was left in"),
        ("treated", "float", "kg/m2", True, "mean yield of treated ground beside it"),
        ("untreated", "float", "kg/m2", True, "mean yield in the strip"),
        ("difference", "float", "kg/m2", True, "treated less untreated"),
        ("readings_treated", "int", "count", False, "yield readings beside it"),
        ("readings_untreated", "int", "count", False, "yield readings in the strip"),
        ("used", "bool", "1", False, "counts in the answer"),
        ("reason", "text", "", False, "why it does not count, or empty"),
    ),
)
"""Check strips against the treated ground beside them; one row a strip."""

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
    ORDER,
    PROBE_VALUE,
    PROBE_PAIRS,
    PROBE_CLASSES,
    PROBE_UPDATE,
    CARRYING,
    NIGHTS,
    WINDOWS,
    WHEN,
    ODDS,
    SESSIONS,
    GAPS,
    TRAFFIC,
    TRAFFIC_DEPTH,
    DRAWS,
    DRAWS_UNKNOWNS,
    TRAFFIC_AXLES,
    AXLE_DAMAGE,
    LOADING_SPOTS,
    COMPARISON,
    YIELD_PAIRS,
)
