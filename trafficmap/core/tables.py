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
    """A named table: the columns it must have; more columns are allowed."""

    name: str
    columns: tuple[Column, ...]

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
    for column in contract.columns:
        if column.name not in frame.columns:
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
)

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
        ("kind", "text", "", False, "probe, spade, hand_roll, rut or trial"),
        ("wheeled", "float", "1", True, "1 in a wheel track, 0 in the unwheeled twin"),
        ("depth", "float", "m", True, "depth of the reading"),
        ("value", "float", "Pa or m", True, "cone index [Pa]; rut depth [m]"),
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
    ZONES,
    PLAN,
)
