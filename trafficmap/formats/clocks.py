"""The clock of a text log: found from its words and numbers, never guessed silently.

Times come out as seconds since 1970. A time with a zone is UTC; one without is kept
as written ("wall"), for the farm's own zone to settle later.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date

import numpy as np
import pandas as pd

from trafficmap.core.errors import InputError
from trafficmap.formats.clocktext import (
    as_text,
    from_text,
    has_dates,
    no_clock,
    seconds_of,
    share_matching,
    time_of_day,
)
from trafficmap.formats.epochs import (
    DAY,
    SERIAL_DAYS,
    WEEK,
    LogClock,
    epoch_start,
    finished,
    from_count,
    from_gps_week,
    from_serial_days,
    gps_to_unix,
)
from trafficmap.formats.headers import plain_name
from trafficmap.formats.rawlog import ClockKind
from trafficmap.formats.sampling import is_mostly_numbers, sample

__all__ = [
    "ClockColumns",
    "LogClock",
    "epoch_start",
    "gps_to_unix",
    "parse_days",
    "read_clock",
]

_ZONED_TIME = r"^\s*\d{1,2}:.*(?:[Zz]|[+-]\d{2}:?\d{2})\s*$"
_SATELLITE = {"gps", "gnss", "gpstime", "gpsseconds", "gpssec"}
# A leap second makes 60, a sloppy writer 61.
_PAST_THE_MINUTE = 61
_PARTS = {"year", "month", "hour", "minute"}
_SIX_DIGITS = {"dmy": "%d%m%y", "mdy": "%m%d%y", "ymd": "%y%m%d"}
_FORMATS = {"mdy": "month first", "dmy": "day first", "ymd": "year first"}


@dataclass(frozen=True)
class ClockColumns:
    """The columns a clock may be read from, each None where the log has none.

    ``time`` holds the time or date and time, ``date`` the day alone; ``gps_week`` and
    ``gps_seconds`` a satellite clock; ``parts`` year, month, hour, minute and second
    in columns of their own.
    """

    time: pd.Series | None = None
    date: pd.Series | None = None
    gps_week: pd.Series | None = None
    gps_seconds: pd.Series | None = None
    parts: Mapping[str, pd.Series] = field(default_factory=dict)


def read_clock(
    time: pd.Series | None,
    day: pd.Series | None,
    *,
    name: str,
    n_rows: int,
    date_format: str | None = None,
    epoch: str | date | None = None,
    more: ClockColumns | None = None,
) -> LogClock:
    """Turn the time columns of a log into seconds.

    Trusted in this order: a satellite week and its seconds; day and hour in columns
    of their own; date and time in one column; a count of seconds.

    Parameters
    ----------
    time, day : Series or None
        The column with the time (or date and time), and one with the date alone.
    name : str
        Name of the file; a year in it is evidence for a count without an epoch.
    n_rows : int
        Rows of the log, for one without a clock.
    date_format : {"mdy", "dmy", "ymd"}, optional
        Order of month and day, where the dates can be read both ways.
    epoch : str or date, optional
        Where a count of seconds starts: "unix", "gps", or a date as "1999-01-01",
        with a zone if it has one.
    more : ClockColumns, optional
        What else the log holds on its clock.

    Raises
    ------
    InputError
        Dates that can be read two ways; some times with a zone and some without; an
        unknown `date_format` or `epoch`.
    """
    if date_format is not None and date_format not in _FORMATS:
        msg = f"date_format: got {date_format!r}, need one of {', '.join(_FORMATS)}."
        raise InputError(msg, 'write date_format = "mdy" for month/day/year')
    more = _with_seconds_of_week(more, time)
    if time is None and day is None:
        time = _counted_seconds(more)
    if more is not None and epoch is None:
        if more.gps_week is not None and more.gps_seconds is not None:
            both = f"{more.gps_week.name} + {more.gps_seconds.name}"
            return from_gps_week(
                more.gps_week, more.gps_seconds, name=name, column=both
            )
        if time is None and day is not None and set(more.parts) >= _PARTS:
            return _from_parts(day, more.parts)
    column = day if time is None else time
    if column is None:
        return no_clock(name, n_rows)
    if day is not None and time is not None and not has_dates(time):
        clock = _from_two(day, time, name, date_format)
        return _named_utc(clock, f"{day.name} {time.name}")
    if isinstance(column.dtype, pd.DatetimeTZDtype) or column.dtype.kind == "M":
        return _named_utc(_from_datetimes(column), column.name)
    if is_mostly_numbers(column):
        numbers = pd.to_numeric(column, errors="coerce")
        return from_count(numbers, str(column.name), name, epoch)
    clock = from_text(as_text(column), str(column.name), name, date_format, epoch)
    return _named_utc(clock, column.name)


def _with_seconds_of_week(
    more: ClockColumns | None, time: pd.Series | None
) -> ClockColumns | None:
    """Take a column of time beside a satellite week as the seconds of that week.

    Where its heading says that it is the satellites' and its numbers lie within a
    week; not where they read as hours, minutes and seconds run together.
    """
    if more is None or more.gps_week is None or more.gps_seconds is not None:
        return more
    if time is None or not is_mostly_numbers(time):
        return more
    if not set(plain_name(str(time.name)).split("_")) & _SATELLITE:
        return more
    value = pd.to_numeric(time, errors="coerce").dropna().to_numpy(dtype=np.float64)
    if not value.size or value.min() < 0 or value.max() > WEEK:
        return more
    if _run_together(value):
        return more
    return replace(more, gps_seconds=time)


def _counted_seconds(more: ClockColumns | None) -> pd.Series | None:
    """Return a column of seconds that runs past the minute: a count, not a part."""
    if more is None or set(more.parts) & {"hour", "minute"}:
        return None
    seconds = more.parts.get("second")
    if seconds is None:
        return None
    value = pd.to_numeric(seconds, errors="coerce").dropna()
    return seconds if len(value) and value.max() > _PAST_THE_MINUTE else None


def _named_utc(clock: LogClock, column: object) -> LogClock:
    """Take times without a zone as UTC where the heading says that they are."""
    words = set(plain_name(str(column)).split("_"))
    if clock.kind != "wall" or not words & {"utc", "gmt", "zulu"}:
        return clock
    why = "times without a zone; the column's name says UTC"
    findings = tuple(replace(finding, why=why) for finding in clock.findings)
    return replace(clock, kind="utc", findings=findings)


def parse_days(
    column: pd.Series, *, name: str, date_format: str | None = None
) -> pd.Series:
    """Return a column of calendar days as datetime64[s], NaT where none is written.

    Raises
    ------
    InputError
        The days can be read two ways and `date_format` does not say how.
    """
    if column.dtype.kind == "M":
        return column.astype("datetime64[s]")
    text = as_text(column)
    clock = from_text(text, str(column.name), name, date_format)
    seconds = np.floor(clock.seconds / DAY) * DAY
    days = pd.to_datetime(pd.Series(seconds, index=column.index), unit="s")
    return days.astype("datetime64[s]")


def _from_parts(day: pd.Series, parts: Mapping[str, pd.Series]) -> LogClock:
    """Read year, month, day, hour, minute and second that stand each for itself."""
    number = {
        part: pd.to_numeric(column, errors="coerce")
        for part, column in {**parts, "day": day}.items()
    }
    dates = pd.DataFrame({part: number[part] for part in ("year", "month", "day")})
    dates["year"] += np.where(dates["year"] < 100, 2000, 0)
    seconds = seconds_of(pd.to_datetime(dates, errors="coerce"))
    for part, size in (("hour", 3600.0), ("minute", 60.0), ("second", 1.0)):
        if part in number:
            seconds = seconds + size * number[part].to_numpy(dtype=np.float64)
    columns = " + ".join(str(column.name) for column in (day, *parts.values()))
    why = "year, month, day and time in columns of their own"
    return finished(seconds, "wall", columns, "date and time", why)


def _from_two(
    day: pd.Series, time: pd.Series, name: str, date_format: str | None
) -> LogClock:
    """Read a column of days and one of the time of day."""
    columns = f"{day.name} + {time.name}"
    if not pd.api.types.is_numeric_dtype(time.dtype):
        some = sample(time).astype("str")
        if share_matching(some, _ZONED_TIME) > 0.5:
            dated = day.dtype.kind == "M"
            text = day.dt.strftime("%Y-%m-%d") if dated else as_text(day)
            joined = text + " " + as_text(time)
            return from_text(joined, columns, name, date_format)
    since_midnight = seconds_of_day(time)
    # A spreadsheet's day goes with its share of a day or with text, not with hhmmss.
    serial = (
        not is_mostly_numbers(time) or pd.to_numeric(time, errors="coerce").max() < 1
    )
    midnight, why, assumed = _days(day, name, date_format, serial=bool(serial))
    seconds = midnight + since_midnight
    return finished(seconds, "wall", columns, "date and time", why, assumed)


def _days(
    day: pd.Series, name: str, date_format: str | None, *, serial: bool
) -> tuple[np.ndarray, str, bool]:
    """Return the midnight of each row, why, and whether it is a guess."""
    if day.dtype.kind == "M":
        return seconds_of(day), "times without a zone", False
    codes, words = pd.factorize(day)
    few = pd.Series(words, name=day.name)
    if not len(few):
        return np.full(len(day), np.nan), "no date in any row", True
    if is_mostly_numbers(few):
        number = pd.to_numeric(few, errors="coerce")
        digits = few.astype("int64").astype("str")
        if serial and number.between(*SERIAL_DAYS).all():
            clock = from_serial_days(number, str(day.name))
        elif share_matching(digits, r"^\d{5,6}$") > 0.9:
            text = digits.str.zfill(6)
            clock = _from_six_digits(text, str(day.name), name, date_format)
        else:
            clock = from_text(as_text(few), str(day.name), name, date_format)
    else:
        clock = from_text(as_text(few), str(day.name), name, date_format)
    midnight = np.append(np.floor(clock.seconds / DAY) * DAY, np.nan)
    finding = clock.findings[0]
    return midnight[codes], finding.why, finding.assumed


def _from_six_digits(
    text: pd.Series, column: str, name: str, date_format: str | None
) -> LogClock:
    """Read dates of six digits, as 141026: whichever order alone gives real days."""
    readings = {
        order: pd.to_datetime(text, format=pattern, errors="coerce")
        for order, pattern in _SIX_DIGITS.items()
    }
    if date_format is not None:
        readings = {date_format: readings[date_format]}
    possible = {o: r for o, r in readings.items() if r.notna().all()}
    if len(possible) > 1:  # a log runs forward within a season
        steps = {o: r.diff().dropna().dt.days for o, r in possible.items()}
        forward = {o: r for o, r in possible.items() if steps[o].between(0, 20).all()}
        possible = forward if len(text) > 1 and forward else possible
    if len(possible) != 1:
        choices = [
            (
                f'date_format = "{order}"',
                f"{text.iloc[0]} is then {day.iloc[0]:%d %B %Y}",
            )
            for order, day in (possible or readings).items()
            if pd.notna(day.iloc[0])
        ]
        msg = f"{name}: the dates in {column!r}, as {text.iloc[0]!r}, can be read in "
        msg += "several orders."
        hint = 'write date_format = "dmy", "mdy" or "ymd" at this log'
        raise InputError(msg, hint, choices=choices)
    order, days = next(iter(possible.items()))
    why = "as told" if date_format else f"six digits, {_FORMATS[order]}: only so real"
    return finished(seconds_of(days), "wall", column, "date", why, date_format is None)


def seconds_of_day(time: pd.Series) -> np.ndarray:
    """Return seconds since midnight of text, hhmmss, a share of a day, or seconds."""
    if not is_mostly_numbers(time):
        return time_of_day(as_text(time))
    value = pd.to_numeric(time, errors="coerce").to_numpy(dtype=np.float64)
    known = value[np.isfinite(value)]
    if known.size and known.max() < 1.0:
        return np.round(value * DAY, 3)
    if _run_together(known):
        hours = np.floor(value / 10_000)
        return hours * 3600 + np.floor(value / 100) % 100 * 60 + value % 100
    return value


def _run_together(known: np.ndarray) -> bool:
    """Tell whether numbers can be hours, minutes and seconds run together."""
    minute, second = known // 100 % 100, known % 100
    return bool(((minute < 60) & (second < 60) & (known < 240_000)).all())


def _from_datetimes(column: pd.Series) -> LogClock:
    zoned = isinstance(column.dtype, pd.DatetimeTZDtype)
    if zoned and str(column.dt.tz) != "UTC":
        column = column.dt.tz_convert("UTC")
    moments = column.dt.tz_localize(None) if zoned else column
    kind: ClockKind = "utc" if zoned else "wall"
    why = "times with a zone" if zoned else "times without a zone"
    return finished(seconds_of(moments), kind, str(column.name), "date and time", why)
