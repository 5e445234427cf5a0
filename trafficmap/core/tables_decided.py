"""Contracts of what was decided, when it is fit, and what next year could spare."""

from __future__ import annotations

from trafficmap.core.contract import TableContract, columns

ZONES = TableContract(
    "zones",
    columns(
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
    optional=columns(
        ("run_heading", "float", "deg", True, "which way to drive, either end"),
    ),
)
"""A GeoDataFrame: one row a drivable piece; all rows together fill the boundary."""

PLAN = TableContract(
    "plan",
    columns(
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
    columns(
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
    columns(
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
    columns(
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
    columns(
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
    columns(
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
    columns(
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
    columns(
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
    columns(
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
    columns(
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
    columns(
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

COMPARISON = TableContract(
    "comparison",
    columns(
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
    columns(
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
