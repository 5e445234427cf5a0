"""Contracts of what was handed in, and of where wheels ran."""

from __future__ import annotations

from trafficmap.core.contract import TableContract, columns

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
    columns(
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
    columns(
        ("machine_id", "text", "", False, "name of the machine in field.toml"),
        ("log_id", "int", "1", False, "position of the log in field.toml, from 0"),
        ("time", "utc", "UTC", True, "time; empty when the clock cannot be trusted"),
        ("seconds", "float", "s", False, "the log's own clock"),
        ("easting", "float", "m", False, "antenna, field grid system"),
        ("northing", "float", "m", False, "antenna, field grid system"),
        ("row", "int", "1", False, "row in the file, from 1"),
        *_SIGNALS,
    ),
    optional=columns(
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
    + columns(
        ("state", "text", "", False, "working turning hauling loading idle road"),
        ("pass_id", "int", "1", False, "pass the fix belongs to, -1 for none"),
    ),
    optional=FIXES.optional
    + columns(
        ("reverse", "bool", "1", False, "the step into the fix was driven backward"),
        ("session", "int", "1", False, "row of the sessions table"),
    ),
)

SESSIONS = TableContract(
    "sessions",
    columns(
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
    columns(
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
    columns(
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
    optional=columns(("session", "int", "1", False, "row of the sessions table")),
)
"""One row a stretch driven without a gap in one state."""

WHEELS = TableContract(
    "wheels",
    columns(
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
    columns(
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
    columns(
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
    columns(
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
    columns(
        ("machine_id", "text", "", False, "machine that put it down"),
        ("rate", "float", "m", False, "depth of liquid where driven once"),
        ("dry_matter", "float", "fraction", False, "share that is not water"),
        ("depth", "float", "m", False, "depth of injection, 0 at the surface"),
        ("width", "float", "m", False, "working width"),
    ),
)

TICKETS = TableContract(
    "tickets",
    columns(
        ("day", "day", "", True, "day the load was weighed"),
        ("mass", "float", "kg", False, "net mass by the scale"),
        ("name", "text", "", False, "number or name of the ticket, or empty"),
    ),
)
"""What was hauled off the field, wet, as the scale says; one row a ticket or a sum."""

TRAFFIC = TableContract(
    "traffic",
    columns(
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
    columns(
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
    columns(
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
    columns(
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
    columns(
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
    columns(
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
    columns(
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
