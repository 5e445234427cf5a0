"""Clocks that only count: seconds or days from a start that must be known.

A start is taken from what a person told, from the column's or the file's name, or not
at all; a count without a start never becomes a date in silence.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime

import numpy as np
import pandas as pd

from trafficmap.core import limits
from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.formats.headers import plain_name
from trafficmap.formats.rawlog import ClockKind, Finding

DAY = 86_400.0
GPS_EPOCH = datetime(1980, 1, 6, tzinfo=UTC).timestamp()
"""Start of the GPS count, as seconds since 1970 [s]."""

# Days on which a leap second had just been added since the GPS count began; UTC falls
# one second further behind the count on each (IERS, Bulletin C, and the table
# TAI-UTC; compared with the copy that open receiver libraries carry). Bulletins had
# announced none after 2017 when this was written.
_LEAP_DAYS = (
    "1981-07-01", "1982-07-01", "1983-07-01", "1985-07-01", "1988-01-01", "1990-01-01",
    "1991-01-01", "1992-07-01", "1993-07-01", "1994-07-01", "1996-01-01", "1997-07-01",
    "1999-01-01", "2006-01-01", "2009-01-01", "2012-07-01", "2015-07-01", "2017-01-01",
)  # fmt: skip
_LEAPS = np.array([datetime.fromisoformat(d + "T00Z").timestamp() for d in _LEAP_DAYS])

WEEK = 7 * DAY
_ROUND = 1024

_SPREADSHEET_EPOCH = datetime(1899, 12, 30, tzinfo=UTC).timestamp()
SERIAL_DAYS = (20_000.0, 80_000.0)
"""Days of a spreadsheet from 1954 to 2119."""
# A serial day steps by 1/86 400 a second; a counter of seconds by 0.05 or more.
_SERIAL_STEP = 0.01
_OLDEST = datetime(limits.FIRST_YEAR, 1, 1, tzinfo=UTC).timestamp()
_NEWEST = datetime(2100, 1, 1, tzinfo=UTC).timestamp()
_SUBSECOND = ((1e11, 1e14, 1e3), (1e14, 1e17, 1e6), (1e17, 1e20, 1e9))


@dataclass(frozen=True)
class LogClock:
    """Seconds of each row (NaN where unreadable), what kind they are, and why."""

    seconds: np.ndarray
    kind: ClockKind
    findings: tuple[Finding, ...]
    notes: tuple[Note, ...]


def from_count(
    numbers: pd.Series, column: str, name: str, epoch: str | date | None
) -> LogClock:
    """Read a clock column of numbers.

    Parameters
    ----------
    numbers : Series
    column : str
        Its heading; "unix" or "gps" in it is evidence.
    name : str
        Name of the file; a year in it is evidence too.
    epoch : str, date or None
        Start of the count as told.
    """
    value = numbers.to_numpy(dtype=np.float64)
    value = np.where(np.isfinite(value), value, np.nan)
    known = value[np.isfinite(value)]
    middle = float(np.median(known))
    for low, high, factor in _SUBSECOND:
        if low <= middle < high:
            value, middle = value / factor, middle / factor
            break
    if epoch is not None:
        return from_told_epoch(value, column, epoch)
    step = np.diff(known)
    step = step[step > 0]
    stride = float(np.median(step)) if step.size else np.inf
    if SERIAL_DAYS[0] < middle < SERIAL_DAYS[1] and stride < _SERIAL_STEP:
        return from_serial_days(pd.Series(value), column)
    if _OLDEST <= middle < _NEWEST:
        return _from_unix_like(value, middle, column, name)
    sentence = (
        f"{name}: the clock column {column!r} counts seconds from a start nobody "
        "wrote down; soil moisture and pairing with other machines cannot be used. "
        'If you know the start, write it as epoch = "1999-01-01" at this log.'
    )
    note = Note("log.no_epoch", "check", sentence, where=name)
    why = "a count of seconds with an unknown start"
    finding = Finding("time", column, "s", why, True)
    return LogClock(value, "no_epoch", (finding,), (note,))


def from_serial_days(days: pd.Series, column: str) -> LogClock:
    """Read days since 1899-12-30, as spreadsheets count them."""
    value = days.to_numpy(dtype=np.float64)
    seconds = np.round(value * DAY + _SPREADSHEET_EPOCH, 3)
    why = "days since 1899-12-30, as spreadsheets count"
    return finished(seconds, "wall", column, "days", why, True)


def _from_unix_like(
    value: np.ndarray, middle: float, column: str, name: str
) -> LogClock:
    """Settle whether large numbers count from 1970 or from the GPS start in 1980."""
    as_unix = datetime.fromtimestamp(middle, UTC)
    as_gps = datetime.fromtimestamp(float(gps_to_unix(np.array([middle]))[0]), UTC)
    years = years_named(name)
    said = "unix" in plain_name(column) or "epoch" in plain_name(column)
    gps_named = "gps" in plain_name(column)
    if said:
        why = "the column's name says seconds since 1970"
        return finished(value, "utc", column, "s since 1970", why)
    if as_gps.year in years and as_unix.year not in years:
        why = f"seconds since 6 January 1980; the file name says {as_gps.year}"
        seconds, unit, date_read = gps_to_unix(value), "s since 1980", as_gps
    elif as_unix.year in years or not gps_named:
        reason = f"; the file name says {as_unix.year}" if as_unix.year in years else ""
        why = f"seconds since 1970 give {as_unix:%d %B %Y}{reason}"
        seconds, unit, date_read = value, "s since 1970", as_unix
    else:
        sentence = (
            f"{name}: the clock column {column!r} reads {as_unix:%d %B %Y} when "
            f"counted from 1970 and {as_gps:%d %B %Y} as GPS time; neither was taken, "
            "so soil moisture and pairing with other machines cannot be used. "
            'Write epoch = "unix" or epoch = "gps" at this log.'
        )
        note = Note("log.two_epochs", "check", sentence, where=name)
        finding = Finding("time", column, "s", "two readings are possible", True)
        return LogClock(value, "no_epoch", (finding,), (note,))
    sentence = (
        f"{name}: the clock column {column!r} was read as {unit}, "
        f"{date_read:%d %B %Y}; it is assumed. If that is wrong, write "
        'epoch = "gps", "unix" or a date.'
    )
    note = Note("log.epoch_assumed", "check", sentence, where=name)
    clock = finished(seconds, "utc", column, unit, why, True)
    return LogClock(clock.seconds, clock.kind, clock.findings, (*clock.notes, note))


def from_told_epoch(value: np.ndarray, column: str, epoch: str | date) -> LogClock:
    """Read a count of seconds from a start that a person told."""
    if epoch == "unix":
        return finished(value, "utc", column, "s since 1970", "as told")
    if epoch == "gps":
        return finished(gps_to_unix(value), "utc", column, "s since 1980", "as told")
    start = epoch_start(epoch)
    kind: ClockKind = "utc" if start.tzinfo is not None else "wall"
    base = start.replace(tzinfo=start.tzinfo or UTC).timestamp()
    return finished(value + base, kind, column, f"s since {epoch}", "as told")


def from_gps_week(
    week: pd.Series, seconds: pd.Series, *, name: str, column: str
) -> LogClock:
    """Read a GPS week and the seconds of the week as UTC, leap seconds taken off.

    Old receivers send the week in 10 bits, so that 1 024 weeks (19.6 years) later the
    count begins again (IS-GPS-200, 20.3.3.3.1.1; from memory); a year in the name of
    the file settles which round it is.

    Parameters
    ----------
    week, seconds : Series
        Seconds [s], or milliseconds where they pass the length of a week.
    name : str
        Name of the file.
    column : str
        What the columns are called, for the Finding.
    """
    of_week = pd.to_numeric(seconds, errors="coerce").to_numpy(dtype=np.float64)
    number = pd.to_numeric(week, errors="coerce").to_numpy(dtype=np.float64)
    unit = "week, s"
    if np.isfinite(of_week).any() and np.nanmax(of_week) > WEEK:
        of_week, unit = of_week / 1000.0, "week, ms"
    utc = gps_to_unix(number * WEEK + of_week)
    leap = float(np.nanmedian(number * WEEK + of_week + GPS_EPOCH - utc))
    why = f"GPS week and time of the week; {leap:.0f} leap seconds taken off"
    if not np.nanmedian(number) < _ROUND:
        return finished(utc, "utc", column, unit, why)
    rounds = [gps_to_unix((number + k * _ROUND) * WEEK + of_week) for k in (1, 2)]
    years = years_named(name)
    fits = [r for r in rounds if _year(r) in years]
    if len(fits) == 1:
        why += f"; the week counts in rounds of {_ROUND}, the file name says "
        return finished(fits[0], "utc", column, unit, f"{why}{_year(fits[0])}", True)
    lines = " or ".join(
        f"clock_offset_s = {np.nanmedian(r - utc):.0f} ({_year(r)})" for r in rounds
    )
    sentence = (
        f"{name}: its GPS week counts in rounds of {_ROUND} weeks and nothing says "
        f"which round it is. Write {lines} at this log."
    )
    note = Note("log.gps_round", "check", sentence, where=name)
    finding = Finding("time", column, unit, why, True)
    return LogClock(utc, "no_epoch", (finding,), (note,))


def years_named(name: str) -> set[int]:
    """Return the years a file name speaks of."""
    return {int(y) for y in re.findall(r"(?<!\d)(19[89]\d|20\d\d)(?!\d)", name)}


def _year(seconds: np.ndarray) -> int:
    return datetime.fromtimestamp(float(np.nanmedian(seconds)), UTC).year


def epoch_start(epoch: str | date) -> datetime:
    """Return the start of a count as a moment, with a zone only where one was told."""
    try:
        if isinstance(epoch, datetime):
            return epoch
        text = epoch.isoformat() if isinstance(epoch, date) else epoch
        return datetime.fromisoformat(text)
    except (ValueError, TypeError):
        msg = f'epoch: got {epoch!r}, need "unix", "gps" or a date as "1999-01-01".'
        raise InputError(msg, "write the day the count starts") from None


def gps_to_unix(seconds: np.ndarray) -> np.ndarray:
    """Return GPS seconds since 6 January 1980 as UTC seconds since 1970."""
    raw = np.asarray(seconds, dtype=np.float64) + GPS_EPOCH
    # Each leap day in the GPS count stands as many seconds later as leaps came before.
    return raw - np.searchsorted(_LEAPS + np.arange(_LEAPS.size), raw, side="right")


def finished(
    seconds: np.ndarray,
    kind: ClockKind,
    column: str,
    unit: str,
    why: str,
    assumed: bool = False,
) -> LogClock:
    """Drop moments before clocks were set, and say how much could be read."""
    wrong = (seconds < _OLDEST) | (seconds > _NEWEST)
    share = float(np.isfinite(seconds).mean()) if seconds.size else 0.0
    notes: list[Note] = []
    if wrong.any() and wrong.sum() * 2 > np.isfinite(seconds).sum():
        sentence = (
            f"clock column {column!r}: says years before {limits.FIRST_YEAR} or after "
            "2100, so it was never set. The traffic map is made; soil water at each "
            "pass and loads between machines are not known until you add "
            "clock_offset_s = ... (seconds to add) to its [[log]]."
        )
        notes.append(Note("log.clock_unset", "check", sentence))
        kind = "no_epoch"
    elif wrong.any():
        seconds = np.where(wrong, np.nan, seconds)
    finding = Finding("time", column, unit, why, assumed, share)
    return LogClock(seconds, kind, (finding,), tuple(notes))
