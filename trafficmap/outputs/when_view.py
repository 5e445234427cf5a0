"""When to work, as the page, README.txt and the tables of a run folder tell it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from trafficmap.core.tables import NIGHTS, ODDS, WHEN, WINDOWS
from trafficmap.outputs import words
from trafficmap.outputs.traffic_tables import FOLDER
from trafficmap.plan import when_words
from trafficmap.plan.odds import deepest, sentence

if TYPE_CHECKING:
    from trafficmap.core.tables import TableContract
    from trafficmap.pipeline import Result

LAST = when_words.LAST
KIND_WORDS = {
    "body": "",
    "end_rows": "end rows",
    "overlap": "liquid put down twice",
    "rest": "rest of the field",
}
"""What kind of ground a zone is, where that says something about when."""
_ANSWER = {
    "shatters": "yes", "carries": "yes", "hard": "half", "trial pass": "half",
    "test by hand": "half", "may rut": "half", "unknown": "open",
}  # fmt: skip
_STEP = 7
"""Days between the rows of the odds the page shows."""
_DIGITS = 4


def csv_files(result: Result) -> dict[str, str]:
    """Return the text of the tables about the days ahead by their name, or nothing."""
    when = result.when
    made: dict[str, tuple[pd.DataFrame | None, TableContract]] = {
        "nights.csv": (result.nights, NIGHTS),
        "windows.csv": (None if when is None else when.windows, WINDOWS),
        "when.csv": (None if when is None else when.zones, WHEN),
        "odds.csv": (result.odds, ODDS),
    }
    return {
        f"{FOLDER}/{name}": flat(table, contract).to_csv(
            index=False, lineterminator="\n"
        )
        for name, (table, contract) in made.items()
        if table is not None
    }


def flat(table: pd.DataFrame, contract: TableContract) -> pd.DataFrame:
    """Return a table as files hold it: units in the names, numbers rounded."""
    out: dict[str, Any] = {}
    for column in contract.columns:
        name = column.name
        if column.unit in ("m", "h") and not name.endswith(("_m", "hours")):
            name = f"{name}_{column.unit}"
        values = table[column.name]
        if column.dtype == "float":
            values = values.round(_DIGITS)
        elif column.dtype == "bool":
            values = values.astype("int32")
        out[name] = values.to_numpy()
    for name in ("soil_unit", "most_liquid"):
        if name in table and name not in out:
            out[name] = table[name].to_numpy()
    return pd.DataFrame(out)


def zones(result: Result) -> list[dict[str, Any]]:
    """Return both answers, when to look next, and the hours behind them.

    Zones of one kind with the same answers stand together.
    """
    if result.when is None:
        return []
    windows = result.when.windows
    found = []
    same = ["kind", "shatter", "look"]
    for _, alike in result.when.zones.groupby(same, sort=False):
        told = alike.iloc[0]
        rows = windows[windows["zone"] == told["zone"]].to_dict("records")
        level = told["job"] != "deep work"
        found.append(
            {
                "zone": _listed(alike["zone"].tolist()),
                "kind": KIND_WORDS.get(told["kind"], told["kind"].replace("_", " ")),
                "shatter": told["shatter"],
                "look": told["look"],
                "hours": int(sum(row["hours"] for row in rows)),
                "bars": [
                    {"name": name, "parts": _bar(rows, column)}
                    for name, column in (
                        ("Dry top" if level else "Shatters", "shatters"),
                        ("Carries", "carries"),
                    )
                ],
                "ends": _ends(rows),
                "rows": [_row(row, level=level) for row in rows],
            }
        )
    return found


def carrying(result: Result) -> list[tuple[str, str]]:
    """Return whether the ground carries: the zones, and the answer they share."""
    if result.when is None:
        return []
    return [
        (words.first_up(_listed(alike["zone"].tolist())), str(carry))
        for carry, alike in result.when.zones.groupby("carry", sort=False)
    ]


def nights(result: Result) -> list[dict[str, str]]:
    """Return the frozen spells ahead in words, soil by soil.

    Where liquid was put down only what differs from the rest of that soil.
    """
    table = result.nights
    if table is None or not len(table):
        return []
    units = result.field.units
    rows = []
    seen = set()
    for row in table.to_dict("records"):
        soil = str(row["soil_unit"])
        spell = (soil, row["start"], row["end"], row["ground"], row["word"])
        if spell in seen:
            continue
        seen.add(spell)
        if row["most_liquid"]:
            soil += ", most liquid"
        until = "on beyond the forecast" if row["lasts"] else _to(row)
        rows.append(
            {
                "soil": soil,
                "when": f"{when_words.moment(row['start'])} {until}",
                "depth": f"{_frost(row['depth_start_m'], units)} at the start, "
                f"{_frost(row['depth_end_m'], units)} at the end",
                "ground": row["ground"],
                "word": row["word"],
                "below": row["unfrozen_state"],
                "holds": words.mass_words(row["crust_kg"], units)
                if row["crust_kg"] > 0.0
                else "",
            }
        )
    return rows


def nights_asked(result: Result) -> bool:
    """Tell whether a forecast was followed for frozen nights, whatever came out."""
    return result.nights is not None


def odds_told(result: Result) -> list[str]:
    """Return the odds of past years, a sentence a soil, for the deepest work."""
    if result.odds is None:
        return []
    return [
        sentence(deepest(rows), result.field.units)
        for _, rows in result.odds.groupby("soil_unit", sort=False)
    ]


def odds_rows(result: Result) -> list[dict[str, str]]:
    """Return the odds of one day a week, soil by soil, for the deepest work."""
    if result.odds is None:
        return []
    units = result.field.units
    rows = []
    for unit, table in result.odds.groupby("soil_unit", sort=False):
        deep = deepest(table)
        rows += [
            {
                "soil": f"{unit}, {when_words.depth(row['tip_depth'], units)}",
                "day": when_words.day(pd.Timestamp(row["day"])),
                "fit": f"{row['fit']} of {row['years']}",
                "now": f"{row['from_now']} of {row['years']}",
            }
            for row in deep.iloc[::_STEP].to_dict("records")
        ]
    return rows


def lines(result: Result) -> list[str]:
    """Return what README.txt says of when; the hand test stands last, always."""
    told = []
    for zone in zones(result):
        kind = f" ({zone['kind']})" if zone["kind"] else ""
        name = words.first_up(zone["zone"])
        told.append(f"{name}{kind}. {zone['shatter']} {zone['look']}")
    told += [f"{who}. {carry}" for who, carry in carrying(result)]
    for night in nights(result):
        told.append(
            f"{words.first_up(night['ground'])}, soil {night['soil']}: "
            f"{night['when']}, frost to {night['depth']}: {night['word']}. Soil below: "
            f"{night['below']}."
            + (
                f" By itself the crust would hold {night['holds']} of vehicle."
                if night["holds"]
                else ""
            )
        )
    told += odds_told(result)
    if result.when is not None and not len(result.when.zones):
        told.insert(0, when_words.NONE)
    if result.when is None and not told:
        return []
    return [*told, LAST]


def _listed(numbers: list[int]) -> str:
    """Return zones by their number, as zones 6, 8 and 9."""
    if len(numbers) == 1:
        return f"zone {numbers[0]}"
    text = ", ".join(map(str, numbers[:-1]))
    return f"zones {text} and {numbers[-1]}"


def _bar(rows: list[dict], column: str) -> list[dict[str, Any]]:
    """Return stretches of one answer as parts of a bar, in hours."""
    parts: list[dict[str, Any]] = []
    at = 0
    for row in rows:
        word = _ANSWER.get(row[column], "no")
        hours = int(row["hours"])
        if parts and parts[-1]["word"] == word:
            parts[-1]["hours"] += hours
        else:
            parts.append({"word": word, "at": at, "hours": hours})
        at += hours
    return parts


def _frost(depth: float, units: str) -> str:
    """Return a depth of frost, fine enough to tell a crust from none."""
    inches, metric = f"{depth / 0.0254:.1f} in", f"{100 * depth:.1f} cm"
    return f"{inches} ({metric})" if units == "us" else f"{metric} ({inches})"


def _ends(rows: list[dict]) -> tuple[str, str]:
    """Return begin and end of what a bar shows."""
    first, last = rows[0]["start"], rows[-1]["end"]
    return when_words.moment(first), when_words.last_moment(last)


def _row(row: dict, *, level: bool) -> dict[str, str]:
    """Return one stretch of hours in words."""
    dry = level and row["shatters"] == "shatters"
    return {
        "when": when_words.span(row["start"], row["end"]),
        "verdict": row["verdict"],
        "shatters": _with("dry" if dry else row["shatters"], row["shatters_why"]),
        "carries": _with(row["carries"], row["carries_why"]),
    }


def _with(word: str, why: str) -> str:
    if why.startswith(word):
        return why
    return f"{word}: {why}" if why else word


def _to(row: dict) -> str:
    begin, end = pd.Timestamp(row["start"]), pd.Timestamp(row["end"])
    if begin.date() == end.date():
        return f"to {end:%H:%M}"
    return f"to {when_words.last_moment(row['end'])}"
