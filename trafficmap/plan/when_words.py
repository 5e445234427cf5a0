"""The hours ahead in plain words: what stops the work, and when to look next."""

from __future__ import annotations

import math
from collections.abc import Sequence

import pandas as pd

_INCH = 0.0254
_MONTHS = (
    "Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec",
)  # fmt: skip

LAST = (
    "Whatever stands here, roll the soil by hand at every depth down to the shank tip, "
    "in the zone itself; then make a trial pass of 100 ft (30 m), dig across it, and "
    "go on only if it broke from shank to shank."
)
"""What always stands at the end: the model opens no field by itself."""


NONE = "No zone of this field waits for deep work, so hours fit for it are not told."
"""What stands where every zone is left, kept out or only levelled."""


def shatter_why(word: str, *, at: float, tip: float, units: str) -> str:
    """Return what keeps the soil from shattering, empty where nothing does.

    Parameters
    ----------
    word : str
        Of `soil.hours.FitHours.shatters`, or too hard by a trial pass.
    at : float
        Depth that decides. [m]
    tip : float
        Depth of the shank tip. [m]
    units : {"us", "metric"}
    """
    where, end = depth(at, units), depth(tip, units)
    return {
        "too wet": f"too wet at {where}: it would smear",
        "test by hand": f"may be dry enough at {where}, the model alone cannot say",
        "too hard": f"too hard at {end}: shanks would ride out; stop there, a "
        "shallower pass does not reach the layer",
        "hard": f"dry and hard at {end}, only after a dug trial pass: if the shanks "
        "ride out stop there, a shallower pass does not reach the layer",
        "frozen": "frozen",
        "trial pass": "a frozen crust of 1 to 3 in (2.5 to 7.5 cm) is in the way: only "
        "after a dug trial pass",
        "rain": "rain",
        "snow": "snow lies",
        "unknown": "how wet the soil is then is not known",
    }.get(word, "")


def carry_why(word: str, ground: str) -> str:
    """Return what keeps the ground from carrying, empty where nothing does.

    Parameters
    ----------
    word : str
        Of `soil.hours.FitHours.carries`.
    ground : str
        not frozen, frozen crust, or thawed over frozen.
    """
    if word in ("may rut", "does not carry"):
        if ground == "thawed over frozen":
            return "thawed mud over frozen ground: slick"
        if ground == "frozen crust":
            return "a thin crust over wet soil"
        return "wet near the top" if word == "may rut" else "wet soil, ruts"
    return {
        "rain": "rain",
        "snow": "snow lies",
        "unknown": "how wet the soil is then is not known",
    }.get(word, "")


def answer(
    rows: Sequence[dict], question: str, *, tip: float, units: str, level: bool = False
) -> str:
    """Return the answer to one question over all hours of a zone, in one sentence.

    Parameters
    ----------
    rows : sequence of dict
        Windows of one zone in order, contract `core.tables.WINDOWS`.
    question : {"shatters", "carries"}
    tip : float
        [m]
    units : {"us", "metric"}
    level : bool
        Ruts are levelled: the question is whether the top is dry.
    """
    shatter = question == "shatters"
    yes = ("shatters",) if shatter else ("carries",)
    maybe = ("hard", "trial pass", "test by hand") if shatter else ("may rut",)
    ask = f"Will it shatter to {depth(tip, units)}?" if shatter else "Will it carry?"
    if shatter and level:
        ask = f"Is the top dry to {depth(tip, units)}, for levelling?"
    said = dict.fromkeys(yes, "Yes") | dict.fromkeys(
        maybe, "Perhaps" if shatter else "It may rut"
    )
    said["unknown"] = "Not known"
    groups: dict[tuple[str, str], list[dict]] = {}
    for run in _runs(rows, question):
        # What stops the shanks is told apart; of the surface the answer is enough.
        key = (said.get(run["word"], "No"), run["why"] if shatter else "")
        groups.setdefault(key, []).append(run)
    order = ("Yes", "Perhaps", "It may rut", "No", "Not known")
    parts = []
    for key in sorted(groups, key=lambda key: order.index(key[0])):
        whys = "; ".join(dict.fromkeys(r["why"] for r in groups[key] if r["why"]))
        parts.append(f"{key[0]} {_spans(groups[key])}" + (f": {whys}" if whys else ""))
    return f"{ask} {'. '.join(parts)}."


def look(
    rows: Sequence[dict],
    *,
    closed_at: float,
    dry_on: pd.Timestamp | None,
    days: int,
    units: str,
) -> str:
    """Return when to look next, in one sentence.

    Parameters
    ----------
    rows : sequence of dict
        Windows of one zone in order.
    closed_at : float
        Depth that stays too wet where the season has closed, else NaN. [m]
    dry_on : Timestamp or None
        First day drier than the plastic limit if it stays dry.
    days : int
        Dry days that were tried.
    units : {"us", "metric"}
    """
    if not math.isnan(closed_at):
        return (
            "The season for deep work has closed here: at "
            f"{depth(closed_at, units)} the soil is too wet, and {days} days without "
            "rain would not dry it, because nothing grows that drinks from there. Look "
            "again after the next crop has dried the ground, best after small grain."
        )
    good = [row for row in rows if row["verdict"] in ("fit", "test by hand")]
    if good:
        best = (
            "fit"
            if any(row["verdict"] == "fit" for row in good)
            else good[0]["verdict"]
        )
        run = next(run for run in _runs(rows, "verdict") if run["word"] == best)
        how = "it looks fit" if best == "fit" else "the hand test decides"
        return f"Look next on {_from(run['start'])}: {how} {_until(run)}."
    end = rows[-1]["end"]
    unknown = any(row["verdict"] == "not known" for row in rows)
    if unknown:
        return f"Look again with a new forecast, at the latest at {last_moment(end)}."
    if dry_on is not None and pd.Timestamp(dry_on) > _plain(end):
        return (
            f"Look again on {day(dry_on)} if no more rain falls than the forecast "
            "says; after more rain take a new forecast."
        )
    return f"Look again when the forecast ends, {last_moment(end)}."


def depth(value: float, units: str) -> str:
    """Return a depth in both units, the farm's first, as 14 in (36 cm).

    Examples
    --------
    >>> depth(0.3556, "us"), depth(0.30, "metric")
    ('14 in (36 cm)', '30 cm (12 in)')
    >>> depth(0.025, "us")
    '1 in (2.5 cm)'
    """
    digits = 1 if value < 0.10 else 0
    inches, metric = (
        f"{size:.{digits}f}".removesuffix(".0") for size in (value / _INCH, 100 * value)
    )
    inches, metric = f"{inches} in", f"{metric} cm"
    return f"{inches} ({metric})" if units == "us" else f"{metric} ({inches})"


def day(when: pd.Timestamp) -> str:
    """Return a day as 21 Nov."""
    return f"{when.day} {_MONTHS[when.month - 1]}"


def moment(text: str) -> str:
    """Return a time told with its offset as a person reads it, as 21 Nov 05:00.

    Examples
    --------
    >>> moment("2026-11-21T05:00-06:00")
    '21 Nov 05:00'
    """
    when = _plain(text)
    return f"{day(when)} {when:%H:%M}"


def last_moment(text: str) -> str:
    """Return the end of a stretch; midnight is the end of the day before.

    Examples
    --------
    >>> last_moment("2026-11-21T05:00-06:00"), last_moment("2026-11-21T00:00-06:00")
    ('21 Nov 05:00', 'the end of 20 Nov')
    """
    when = _plain(text)
    if when == when.normalize():
        return f"the end of {day(when - pd.Timedelta(days=1))}"
    return moment(text)


def span(start: str, end: str) -> str:
    """Return a stretch of time, the day said once.

    Examples
    --------
    >>> span("2026-11-21T05:00-06:00", "2026-11-21T09:00-06:00")
    '21 Nov 05:00 to 09:00'
    >>> span("2026-11-21T00:00-06:00", "2026-11-23T00:00-06:00")
    '21 to 22 Nov'
    """
    begin, stop = _plain(start), _plain(end)
    last = stop - pd.Timedelta(days=1)
    if begin == begin.normalize() and stop == stop.normalize():
        if begin == last:
            return day(begin)
        same = (begin.year, begin.month) == (last.year, last.month)
        return f"{begin.day if same else day(begin)} to {day(last)}"
    if begin.date() == stop.date():
        return f"{moment(start)} to {stop:%H:%M}"
    if stop == begin.normalize() + pd.Timedelta(days=1):
        return f"{moment(start)} to 24:00"
    return f"{moment(start)} to {last_moment(end)}"


def _plain(text: str) -> pd.Timestamp:
    """Return the farm's clock time of a text with an offset."""
    return pd.Timestamp(text).tz_localize(None)


def _from(start: str) -> str:
    """Return a start, its time only where it is not midnight."""
    when = _plain(start)
    return day(when) if when == when.normalize() else moment(start)


def _until(run: dict) -> str:
    """Return until when a stretch goes."""
    if run["lasts"]:
        return "to the end of the forecast"
    return f"until {last_moment(run['end'])}"


_TOLD = 3
"""Stretches one answer tells (choice)."""


def _runs(rows: Sequence[dict], question: str) -> list[dict]:
    """Return stretches with one answer to a question, whatever the other one is."""
    runs: list[dict] = []
    for row in rows:
        word, why = row[question], row.get(f"{question}_why", "")
        if runs and runs[-1]["word"] == word and runs[-1]["why"] == why:
            runs[-1] |= {"end": row["end"], "lasts": row["lasts"]}
            continue
        runs.append(
            {
                "word": word, "why": why, "start": row["start"], "end": row["end"],
                "lasts": row["lasts"], "whole": not runs,
            }
        )  # fmt: skip
    return runs


def _spans(runs: list[dict]) -> str:
    """Return stretches of time in words."""
    joined: list[dict] = []
    for run in runs:
        if joined and joined[-1]["end"] == run["start"]:
            joined[-1] = joined[-1] | {"end": run["end"], "lasts": run["lasts"]}
        else:
            joined.append(run)
    if len(joined) == 1 and joined[0]["whole"] and joined[0]["lasts"]:
        return f"through the whole forecast, to {last_moment(joined[0]['end'])}"
    told = [
        f"{_from(run['start'])} to the end of the forecast"
        if run["lasts"]
        else span(run["start"], run["end"])
        for run in joined[:_TOLD]
    ]
    more = len(joined) - len(told)
    if more <= 0:
        return ", ".join(told)
    return ", ".join(told) + (
        " and once more" if more == 1 else f" and {more} times more"
    )
