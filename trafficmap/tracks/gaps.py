"""The gap report: what share of each machine's working time has no track."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trafficmap.core import limits
from trafficmap.core.notes import Note, Severity
from trafficmap.core.tables import GAPS, require_table, shared_text

if TYPE_CHECKING:
    from collections.abc import Collection

    from trafficmap.core.settings.tracks import TrackSettings

MOVED = 20.0
"""A machine found this far from where its track ended has moved meanwhile; nearer, it
is taken to have stood [m]; choice."""

TOLD, MUCH = 0.01, 0.05
"""Share of a day's moving time without a track that is told, and that asks for a look;
choice."""

_DAY = 86_400_000
_EPOCH = dt.date(1970, 1, 1).toordinal()

LARGEST = 3
"""How many of the largest gaps are named; choice."""


def gap_report(
    fixes: pd.DataFrame,
    *,
    time_zone: str | None,
    settings: TrackSettings,
    clockless: Collection[int] = (),
) -> tuple[pd.DataFrame, list[Note]]:
    """Return how much of each machine's time on each day has no track.

    Parameters
    ----------
    fixes : DataFrame
        Contract `FIXES`: as read, as `clean` returns them, or split.
    time_zone : str or None
        Days and clock times are told in it; UTC without.
    settings : TrackSettings
        ``session_gap`` and ``idle_speed``.
    clockless : collection of int
        Numbers of the logs whose clock is the order of their rows: how long those
        took, and what they lack, nobody can tell, so they are left out.

    Returns
    -------
    DataFrame
        Contract `GAPS`, by machine and day.
    list of Note
        One a machine with more than 1 % of a day's moving time missing.

    Notes
    -----
    Between two fixes of a machine at most `limits.GAP_SECONDS` apart it has a track;
    between two further apart it has none, in one log or from one log to the next of the
    same day. If it was elsewhere afterwards it had moved: at most for as long as the
    gap lasted, at least for as long as the straight line takes at its usual speed. A
    gap of more than ``session_gap`` is a rest. What `clean` drew over gaps counts by
    itself. The share is of all time moving, with and without a track. Traffic of a
    machine that has no log at all is in no report.
    """
    if len(clockless):
        column = "source_log" if "source_log" in fixes else "log_id"
        fixes = fixes[~fixes[column].isin(list(clockless))]
    if not len(fixes):
        return GAPS.empty(), []
    rows = []
    notes = []
    for name, mine in _by_machine(fixes):
        days = [_day(name, day, part, settings) for day, part in _days(mine, time_zone)]
        rows += days
        notes += _notes(name, days)
    return require_table(pd.DataFrame(rows, columns=GAPS.names()), GAPS), notes


def _by_machine(fixes: pd.DataFrame):
    """Return each machine's fixes by the best clock there is, with that clock."""
    number = shared_text(fixes["machine_id"])
    for name, mine in fixes.groupby(number, sort=True):
        good = np.isfinite(mine["easting"]) & np.isfinite(mine["northing"])
        good &= ~((mine["easting"] == 0.0) & (mine["northing"] == 0.0))
        yield str(name), mine[good & np.isfinite(mine["seconds"])]


def _days(mine: pd.DataFrame, time_zone: str | None):
    """Return (day, fixes with their ``clock``) in order; logs without a day apart."""
    dated = mine["time"].notna()
    known = mine[dated]
    if len(known):
        moment = known["time"].dt.as_unit("ms")
        local = moment.dt.tz_convert(time_zone or "UTC").dt.tz_localize(None)
        number, shown = np.divmod(local.to_numpy().astype(np.int64), _DAY)
        clock = moment.astype("int64").to_numpy() / 1000.0
        table = known.assign(clock=clock, shown=shown / 1000.0)
        for day, part in table.groupby(number, sort=True):
            name = str(dt.date.fromordinal(_EPOCH + int(str(day))))
            yield name, part.sort_values("clock", kind="stable")
    for _, part in mine[~dated].groupby("log_id", sort=True):
        seconds = part["seconds"].to_numpy(dtype=float)
        # Without a day the clock of the log itself counts, from its first fix.
        table = part.assign(clock=seconds, shown=seconds - seconds.min())
        yield "", table.sort_values("clock", kind="stable")


def _day(name: str, day: str, part: pd.DataFrame, settings: TrackSettings) -> dict:
    clock = part["clock"].to_numpy(dtype=float)
    shown = part["shown"].to_numpy(dtype=float)
    passed = np.diff(clock)
    step = np.hypot(
        np.diff(part["easting"].to_numpy(dtype=float)),
        np.diff(part["northing"].to_numpy(dtype=float)),
    )
    inferred = (
        part["inferred"].to_numpy(dtype=np.bool_)
        if "inferred" in part
        else np.zeros(clock.size, dtype=np.bool_)
    )
    # The step into a fix belongs to it; the one out of a drawn stretch is drawn too.
    drawn = inferred[1:] | inferred[:-1]
    tracked = (passed <= limits.GAP_SECONDS) & ~drawn
    still = tracked & (step < settings.idle_speed * passed)
    moving = tracked & ~still
    gap = (passed > limits.GAP_SECONDS) & ~drawn
    away = gap & (step > MOVED) & (passed <= settings.session_gap)
    rest = gap & (step <= MOVED) & (passed <= settings.session_gap)
    told = float(passed[moving].sum())
    usual = float(step[moving].sum()) / told if told > 0.0 else np.inf
    missing = float(passed[away].sum())
    whole = told + missing + float(passed[drawn].sum())
    return {
        "machine_id": name,
        "day": day,
        "logs": int(part["log_id"].nunique()),
        "start": clock_words(shown[0]) if clock.size else "",
        "end": clock_words(shown[-1]) if clock.size else "",
        "span": float(clock[-1] - clock[0]) if clock.size else 0.0,
        "tracked": told,
        "standing": float(passed[still].sum() + passed[rest].sum()),
        "inferred": float(passed[drawn].sum()),
        "missing_least": float(np.minimum(step[away] / usual, passed[away]).sum()),
        "missing": missing,
        "share": missing / whole if whole > 0.0 else 0.0,
        "largest": _largest(shown, passed, away),
    }


def _largest(shown: np.ndarray, passed: np.ndarray, away: np.ndarray) -> str:
    rows = np.flatnonzero(away)
    rows = rows[np.argsort(-passed[rows], kind="stable")][:LARGEST]
    return "; ".join(
        f"{clock_words(shown[k])} to {clock_words(shown[k + 1])} "
        f"({minute_words(passed[k])})"
        for k in rows
    )


def _notes(name: str, days: list[dict]) -> list[Note]:
    missing = sum(day["missing"] for day in days)
    bad = [day for day in days if day["share"] > TOLD]
    if not bad:
        return []
    whole = sum(day["tracked"] + day["inferred"] + day["missing"] for day in days)
    least = sum(day["missing_least"] for day in days)
    worst = max(bad, key=lambda day: day["missing"])
    share = missing / whole
    on = f" on {worst['day']}" if worst["day"] else " of one log"
    sentence = (
        f"{name}: for {minute_words(missing)} of the {minute_words(whole)} it was on "
        f"its way ({share:.0%}) there is no track, and for {minute_words(least)} at "
        "least it drove; its passes then are on no map. "
        f"The largest gaps{on}: {worst['largest']}."
    )
    severity: Severity = "check" if share > MUCH else "info"
    return [Note("tracks.no_track", severity, sentence, len(bad), name)]


def clock_words(seconds: float) -> str:
    """Return a time of day, or since the first fix, as 14:10."""
    minutes = int(seconds // 60)
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def minute_words(seconds: float) -> str:
    """Return a time in minutes, or in seconds below two minutes."""
    return f"{seconds / 60:.0f} min" if seconds >= 120.0 else f"{seconds:.0f} s"
