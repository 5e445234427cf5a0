"""When to work each zone: the hours ahead in which it shatters and carries."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from trafficmap.core.notes import Note, worst_first
from trafficmap.core.tables import WHEN, WINDOWS, require_table
from trafficmap.plan import when_words
from trafficmap.plan.fit import USUAL_TIP
from trafficmap.soil.fitness import HAND_ROLL_WORDS
from trafficmap.soil.hours import FitHours, closed, fit_hours
from trafficmap.soil.nights import hourly_ground, local_text
from trafficmap.zones.depths import tip_depth

if TYPE_CHECKING:
    import geopandas as gpd

    from trafficmap.core.settings import Settings
    from trafficmap.core.settings.soil import SoilSettings
    from trafficmap.field.model import Field
    from trafficmap.soil.ahead import Ahead
    from trafficmap.soil.columns import SoilColumns
    from trafficmap.zones.units import Units

ASKED = ("rip", "wait", "carry only", "stop", "probe first", "not assessed")
"""Advice of zones that may come to deep work; the others wait for no weather."""
LEVEL = "level ruts only"
"""Advice of zones that wait for a dry top."""
TOP = 0.10
"""Depth to which the top must be dry before ruts are levelled, 4 in [m]; choice."""
_LONGEST = 1.0


@dataclass(frozen=True)
class When:
    """Hours ahead.

    Parameters
    ----------
    windows : DataFrame
        Contract `core.tables.WINDOWS`.
    zones : DataFrame
        Contract `core.tables.WHEN`.
    until : str
        End of what is told, in the farm's time; empty where nothing is.
    """

    windows: pd.DataFrame
    zones: pd.DataFrame
    until: str


def when(
    zones: gpd.GeoDataFrame,
    *,
    units: Units,
    ahead: Ahead,
    field: Field,
    settings: Settings,
) -> tuple[When, list[Note]]:
    """Return for each zone that may be worked when it is fit, and when to look next.

    Two questions, never merged: does the soil shatter at every depth down to the
    shank tip, and does the ground carry. A zone is fit in the hours in which both
    hold; where the model alone cannot say, the hand test decides.

    Parameters
    ----------
    zones : GeoDataFrame
        Contract `ZONES`, with ``unit``.
    units : Units
        From `zones.confirm`, with what people found in the ground.
    ahead : Ahead
        From `soil.coming_water`.
    field : Field
    settings : Settings

    Returns
    -------
    When
    list of Note
    """
    table = units.table.set_index("unit")
    grounds: dict[int, Any] = {}
    rows: list[dict] = []
    told: list[dict] = []
    until = ""
    unknown = 0
    for zone in pd.DataFrame(zones).to_dict("records"):
        if zone["advice"] not in (*ASKED, LEVEL) or zone["kind"] in (
            "strip",
            "keep_out",
        ):
            continue
        unit = table.loc[zone["unit"]]
        column = int(unit["column"])
        if column >= 0 and column not in grounds:
            grounds[column] = hourly_ground(
                ahead.series,
                column=column,
                forecast=ahead.forecast,
                latitude=field.latitude,
                weather=field.weather,
                settings=settings.soil,
            )
        if column < 0 or grounds[column] is None:
            unknown += 1
            continue
        level = zone["advice"] == LEVEL
        tip = TOP if level else _tip(zone, field.units)
        rolls = [r for r in unit["rolls"] if r[1] in HAND_ROLL_WORDS]
        asked: dict[str, Any] = {
            "column": column,
            "tip_depth": tip,
            "hand_rolls": rolls,
            "rolled_on": unit["rolled_on"] if rolls else None,
            "settings": settings.soil,
        }
        hours = fit_hours(
            ahead,
            ground=grounds[column],
            packed=unit["kind"] == "end_rows" and not rolls,
            top_only=level,
            **asked,
        )
        if not hours.start.size:
            unknown += 1
            continue
        if not level:
            _by_trial(hours, unit, settings.soil)
        mine = _spells(hours, zone, tip, field)
        rows += mine
        shut, at, dry_on = (False, math.nan, None) if level else closed(ahead, **asked)
        told.append(_told(mine, zone, tip, shut, at, dry_on, field, settings.soil))
        until = local_text(hours.start[-1] + pd.Timedelta(hours=1), _zone(field))
    notes = []
    if unknown:
        sentence = (
            f"Of {unknown} zones it is not known how wet the soil will be, so hours "
            "fit for work are not told there."
        )
        notes.append(Note("when.unknown", "check", sentence, unknown))
    found = When(_table(rows, WINDOWS), _table(told, WHEN), until)
    return found, worst_first([*notes, *_notes(found, unknown)])


_OPEN = ("shatters", "hard", "trial pass", "test by hand")
_TRIALS = {
    "slot": "too wet",
    "smear": "too wet",
    "clods": "too wet",
    "dry clods": "too hard",
    "rides out": "too hard",
    "shatters": "shatters",
}
"""What a dug trial pass says of the hours it holds for."""


def _by_trial(hours: FitHours, unit: pd.Series, settings: SoilSettings) -> None:
    """Let a dug trial pass speak in the hours after it, before the model.

    It holds as long as a hand roll, and one that shattered only until rain stops the
    work. Shanks that ride out are stopped, not made shallower in silence.
    """
    word = _TRIALS.get(str(unit.get("trial", "")))
    day = unit.get("trial_on")
    if word is None or day is None or pd.isna(day):
        return
    age = (hours.start.normalize() - pd.Timestamp(day).normalize()).days
    holds = np.asarray((age >= 0) & (age <= settings.hand_roll_days))
    holds &= np.isin(hours.shatters, (*_OPEN, "too wet", "too hard"))
    if word == "shatters":
        holds &= np.cumsum(hours.rain) <= settings.work_rain_day
        holds &= hours.shatters != "trial pass"
    hours.shatters[holds] = word


def _tip(zone: dict, units: str) -> float:
    """Return the depth of the shank tip a zone is asked for [m]."""
    if zone["advice"] == "rip" and zone["depth"] > 0:
        return min(float(zone["depth"]), _LONGEST)
    tip = tip_depth(float(zone["layer_bottom"]), units=units)
    return USUAL_TIP if math.isnan(tip) else min(tip, _LONGEST)


def tips_by_soil(
    found: When, zones: gpd.GeoDataFrame, units: Units, columns: SoilColumns
) -> dict[str, tuple[float, ...]]:
    """Return the depths the zones ask for, by the key of their soil unit.

    Parameters
    ----------
    found : When
    zones : GeoDataFrame
        Contract `ZONES`, with ``unit``.
    units : Units
    columns : SoilColumns
    """
    unit = dict(zip(zones["zone"], zones["unit"], strict=True))
    column = dict(zip(units.table["unit"], units.table["column"], strict=True))
    out: dict[str, set[float]] = {}
    row: Any
    for row in found.zones.itertuples(index=False):
        if row.job != "deep work":
            continue
        place = int(column[unit[row.zone]])
        key = str(columns.units[int(columns.unit_of_column[place])])
        out.setdefault(key, set()).add(round(row.tip_depth, 4))
    return {key: tuple(sorted(tips)) for key, tips in out.items()}


def verdict(shatters: str, carries: str) -> str:
    """Return fit, test by hand, not fit or not known, from the two answers.

    Examples
    --------
    >>> verdict("shatters", "carries"), verdict("shatters", "does not carry")
    ('fit', 'not fit')
    >>> verdict("test by hand", "may rut"), verdict("too wet", "unknown")
    ('test by hand', 'not fit')
    """
    if shatters in _OPEN and carries in ("carries", "may rut"):
        if shatters == "shatters" and carries == "carries":
            return "fit"
        return "test by hand"
    known = shatters not in (*_OPEN, "unknown")
    if known or carries not in ("carries", "may rut", "unknown"):
        return "not fit"
    return "not known"


def _spells(hours: FitHours, zone: dict, tip: float, field: Field) -> list[dict]:
    """Return runs of hours with the same answers and the same reasons."""
    reasons = [
        when_words.carry_why(word, ground)
        for word, ground in zip(hours.carries, hours.ground, strict=True)
    ]
    keys = list(
        zip(hours.shatters, hours.carries, reasons, hours.worst_depth, strict=True)
    )
    clock = _zone(field)
    rows = []
    begin = 0
    for h in range(1, len(keys) + 1):
        if h < len(keys) and _same(keys[h], keys[begin]):
            continue
        span = slice(begin, h)
        shatters, carries, why, worst = keys[begin]
        chance = hours.probability[span]
        frozen = float(np.nanmax(hours.frozen[span]))
        rows.append(
            {
                "zone": int(zone["zone"]),
                "start": local_text(hours.start[begin], clock),
                "end": local_text(hours.start[h - 1] + pd.Timedelta(hours=1), clock),
                "hours": float(h - begin),
                "lasts": h == len(keys),
                "verdict": verdict(shatters, carries),
                "shatters": shatters,
                "shatters_why": when_words.shatter_why(
                    shatters, at=worst, tip=tip, units=field.units
                ),
                "carries": carries,
                "carries_why": why,
                "tip_depth": tip,
                "worst_depth": float(worst),
                "p_fit_low": float(np.min(chance)),
                "p_fit_high": float(np.max(chance)),
                "frozen": frozen,
                "rain": float(hours.rain[span].sum()),
            }
        )
        begin = h
    return rows


def _same(one: tuple, other: tuple) -> bool:
    """Return whether two hours have one answer; the depth counts where it stops."""
    deciding = one[0] in ("too wet", "test by hand")
    return one[:3] == other[:3] and (not deciding or one[3] == other[3])


def _told(
    rows: list[dict],
    zone: dict,
    tip: float,
    shut: bool,
    at: float,
    dry_on: pd.Timestamp | None,
    field: Field,
    settings: SoilSettings,
) -> dict:
    """Return what the hours of one zone add up to."""
    hours = {
        word: sum(row["hours"] for row in rows if row["verdict"] == word)
        for word in ("fit", "test by hand")
    }
    good = [row for row in rows if row["verdict"] in hours]
    shut = shut and not good
    return {
        "zone": int(zone["zone"]),
        "kind": zone["kind"],
        "job": "level ruts" if zone["advice"] == LEVEL else "deep work",
        "tip_depth": tip,
        "fit_hours": float(hours["fit"]),
        "test_hours": float(hours["test by hand"]),
        "first": good[0]["start"] if good else "",
        "carry_hours": float(
            sum(row["hours"] for row in rows if row["carries"] == "carries")
        ),
        "closed": shut,
        "shatter": when_words.answer(
            rows, "shatters", units=field.units, tip=tip, level=zone["advice"] == LEVEL
        ),
        "carry": when_words.answer(rows, "carries", tip=tip, units=field.units),
        "look": when_words.look(
            rows, closed_at=at if shut else math.nan, dry_on=dry_on,
            days=settings.closed_dry_days, units=field.units,
        ),
    }  # fmt: skip


def _table(rows: list[dict], contract: Any) -> pd.DataFrame:
    """Return rows as a table that keeps its contract."""
    if not rows:
        return contract.empty()
    return require_table(pd.DataFrame(rows)[contract.names()], contract)


def _zone(field: Field) -> str:
    return field.time_zone or "UTC"


def _notes(found: When, unknown: int) -> list[Note]:
    """Say what the hours ahead mean for the whole field."""
    told = found.zones[found.zones["job"] == "deep work"]
    if not len(told):
        return [] if unknown else [Note("when.none", "info", when_words.NONE)]
    shut = told[told["closed"]]
    open_ = told[(told["fit_hours"] > 0) | (told["test_hours"] > 0)]
    notes = []
    if len(shut):
        sentence = (
            f"The season for deep work has closed in {_names(shut)}: waiting for dry "
            "days does not open it again this fall."
        )
        notes.append(Note("when.closed", "check", sentence, len(shut)))
    if len(open_):
        first = open_.sort_values("first", kind="stable").iloc[0]
        sentence = (
            f"Hours worth a look come in {_names(open_)}, first in zone "
            f"{first['zone']} from {when_words.moment(first['first'])}. "
            f"{when_words.LAST}"
        )
    else:
        sentence = (
            "No hour of the forecast is fit for deep work in any zone. "
            f"{when_words.LAST}"
        )
    notes.append(Note("when.hours", "info", sentence, len(open_)))
    return notes


def _names(rows: pd.DataFrame) -> str:
    """Return the zones of a table in words."""
    numbers = [str(zone) for zone in rows["zone"]]
    if len(numbers) == 1:
        return f"zone {numbers[0]}"
    return f"zones {', '.join(numbers[:-1])} and {numbers[-1]}"
