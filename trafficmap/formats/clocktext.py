"""Dates and times of one column of text: the order of day and month, zones, halves.

Nothing is guessed in silence: what can be read two ways is settled by evidence in the
column, or refused with both readings.
"""

from __future__ import annotations

import re
from datetime import UTC, date, datetime

import numpy as np
import pandas as pd

from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.formats.epochs import DAY, LogClock, finished, from_told_epoch
from trafficmap.formats.rawlog import ClockKind, Finding
from trafficmap.formats.sampling import sample

_ISO = r"^\s*\d{4}[-/]\d{1,2}[-/]\d{1,2}([T ]\s*\d{1,2}:\d{2}.*)?\s*$"
_ZONE = r":.*(?:Z|[+-]\d{2}:?\d{2})\s*$"
_OTHER = re.compile(r"^\s*(\d{1,2})([./-])(\d{1,2})[./-](\d{4}|\d{2})(?:[T ,]+(.*))?$")
_COMPACT = re.compile(r"^\d{8}$")
_TIME_OF_DAY = r"^\s*\d{1,2}:\d{2}(:\d{2}([.,]\d+)?)?\s*([AaPp]\.?[Mm]\.?)?\s*$"
_CLOCK = re.compile(r"^\d{1,2}:\d{2}(:\d{2})?(\.\d+)?(\s?)([AaPp][Mm])?$")
# Longer than any time a log writes.
_WIDEST = 40


def no_clock(name: str, n_rows: int) -> LogClock:
    """Return the order of the rows for a log without a clock."""
    sentence = (
        f"{name}: has no clock; rows are taken in the order of the file, and soil "
        "moisture and pairing with other machines cannot be used."
    )
    note = Note("log.no_clock", "check", sentence, where=name)
    seconds = np.arange(n_rows, dtype=np.float64)
    finding = Finding("time", "", "", "no clock in the file", True)
    return LogClock(seconds, "order", (finding,), (note,))


def from_text(
    text: pd.Series,
    column: str,
    name: str,
    date_format: str | None,
    epoch: str | date | None = None,
) -> LogClock:
    """Read a column of text as a clock, in whatever form its cells show.

    Raises
    ------
    InputError
        Dates that can be read two ways, a zone in some cells only, or no date at all.
    """
    some = sample(text)
    if some.empty:
        return no_clock(name, len(text))
    if share_matching(some, _TIME_OF_DAY) > 0.9:
        return _from_time_of_day(text, column, name, epoch)
    if share_matching(some, _ISO) > 0.9 or date_format == "ymd":
        return _from_iso(text, column, name)
    return _from_ordered(text, some, column, name, date_format)


def _from_iso(text: pd.Series, column: str, name: str) -> LogClock:
    if sample(text).str.contains("/", regex=False).any():
        text = text.str.replace("/", "-", regex=False)
    share = float(_zoned(text)[text.notna().to_numpy()].mean())
    if 0.01 < share < 0.99:
        msg = f"{name}: in {column!r} {share:.0%} of the times have a zone, the others "
        msg += "have none; need all or none."
        raise InputError(msg, "export the log again with one kind of time")
    moments = pd.to_datetime(text, format="ISO8601", errors="coerce", utc=True)
    kind: ClockKind = "utc" if share > 0.5 else "wall"
    why = "times with a zone" if kind == "utc" else "times without a zone"
    seconds = seconds_of(moments.dt.tz_localize(None))
    return finished(seconds, kind, column, "date and time", why)


def _from_ordered(
    text: pd.Series, some: pd.Series, column: str, name: str, date_format: str | None
) -> LogClock:
    """Read dates whose month and day can stand in either order."""
    if share_matching(some, _OTHER) < 0.5:
        msg = f"{name}: the times in {column!r}, as {some.iloc[0]!r}, are not "
        msg += "understood."
        raise InputError(msg, "export them as 2026-10-20 15:30:00")
    order, why = date_order(_where_days_change(text), date_format)
    if order is None:
        msg = f"{name}: the dates in {column!r}, as {some.iloc[0]!r}, can be read as "
        msg += "month/day or day/month."
        hint = 'write date_format = "mdy" or "dmy" at this log'
        raise InputError(msg, hint, choices=_two_readings(some))
    seconds = _by_format(text, some, order)
    if np.isnan(seconds).sum() > text.isna().sum():  # more than one way of writing
        seconds = _ordered_seconds(text.str.extract(_OTHER), order)
    assumed = date_format is None and "dots" in why
    return finished(seconds, "wall", column, "date and time", why, assumed)


def _two_readings(some: pd.Series) -> list[tuple[str, str]]:
    """Return both lines a person may write, with the day each would make of a date."""
    written = next(text for text in some if _OTHER.match(text))
    parts = pd.Series([written]).str.extract(_OTHER)
    choices = []
    for order in ("mdy", "dmy"):
        seconds = float(_ordered_seconds(parts, order)[0])
        if np.isfinite(seconds):
            day = datetime.fromtimestamp(seconds, UTC)
            meaning = f"{written} is then {day.day} {day:%B %Y}"
            choices.append((f'date_format = "{order}"', meaning))
    return choices


def _where_days_change(text: pd.Series) -> pd.DataFrame:
    """Return the parts of the rows around each change of the written day."""
    letters = _letters(text)
    turns = np.ones(len(text), dtype=bool)
    if letters is not None:
        turns[1:] = (letters[1:, :10] != letters[:-1, :10]).any(axis=1)
        turns[:-1] |= turns[1:]
    return text[turns].dropna().str.extract(_OTHER).dropna(subset=[0])


def day_of(codes: np.ndarray, order: str) -> np.ndarray:
    """Return days since 1970 of dates packed as year, first and second number.

    Parameters
    ----------
    codes : ndarray of int64
        (year 100 + first number) 100 + second number.
    order : {"mdy", "dmy"}
        Which of the two numbers is the month.

    Returns
    -------
    ndarray of int64
        The least integer for what is no day.
    """
    first, second = codes // 100 % 100, codes % 100
    month, day = (first, second) if order == "mdy" else (second, first)
    parts = pd.DataFrame({"year": codes // 10_000, "month": month, "day": day})
    dates = pd.to_datetime(parts, errors="coerce").to_numpy()
    days = dates.astype("datetime64[D]").astype(np.int64)
    return np.where(np.isnat(dates), np.iinfo(np.int64).min, days)


def date_order(parts: pd.DataFrame, date_format: str | None) -> tuple[str | None, str]:
    """Return the order of day and month in some dates, None for no telling, and why.

    Parameters
    ----------
    parts : DataFrame
        Columns 0 to 4 as text: first number, mark, second number, year, time of day.
    date_format : str or None
        As told.
    """
    first, second = pd.to_numeric(parts[0]), pd.to_numeric(parts[2])
    if date_format in ("mdy", "dmy"):
        return date_format, "as told"
    if (first > 12).any() and not (second > 12).any():
        return "dmy", "a first number above 12 is a day"
    if (second > 12).any() and not (first > 12).any():
        return "mdy", "a second number above 12 is a day"
    if (first == second).all():
        return "mdy", "day and month are the same number"
    if (parts[1] == ".").mean() > 0.9:
        return "dmy", "dates with dots are day.month.year (common practice, no source)"
    spans = {}
    for order in ("mdy", "dmy"):
        seconds = _ordered_seconds(parts, order)
        step = np.diff(seconds[np.isfinite(seconds)])
        spans[order] = bool((step >= 0).all() and (step < 20 * DAY).all())
    if spans["mdy"] != spans["dmy"]:
        order = "mdy" if spans["mdy"] else "dmy"
        dates = parts[0] + "/" + parts[2]
        if dates.nunique() > 1:
            return order, "only so do the times run forward without month-long gaps"
    return None, ""


def _by_format(text: pd.Series, some: pd.Series, order: str) -> np.ndarray:
    """Read dates that are all written like one of them, by the compiled parser."""
    written = next(match for match in map(_OTHER.match, some) if match)
    _, mark, _, year, rest = written.groups()
    pattern = mark.join(["%m", "%d"] if order == "mdy" else ["%d", "%m"])
    pattern += mark + ("%Y" if len(year) == 4 else "%y")
    if rest and (clock := _CLOCK.match(rest)):
        second, fraction, gap, half = clock.groups()
        pattern += " %I:%M" if half else " %H:%M"
        pattern += (":%S" if second else "") + (".%f" if fraction else "")
        pattern += f"{gap}%p" if half else ""
    return seconds_of(pd.to_datetime(text, format=pattern, errors="coerce"))


def _ordered_seconds(parts: pd.DataFrame, order: str) -> np.ndarray:
    day, month = (parts[2], parts[0]) if order == "mdy" else (parts[0], parts[2])
    year = parts[3].where(parts[3].str.len() == 4, "20" + parts[3])
    dates = year + "-" + month.str.zfill(2) + "-" + day.str.zfill(2)
    days = pd.to_datetime(dates, format="%Y-%m-%d", errors="coerce")
    clock = time_of_day(parts[4].fillna("00:00:00"))
    return seconds_of(days) + clock


def _from_time_of_day(
    text: pd.Series, column: str, name: str, epoch: str | date | None
) -> LogClock:
    seconds = time_of_day(text)
    known = np.isfinite(seconds)
    step = np.diff(seconds[known])
    nights = np.concatenate(([0], np.cumsum(step < -DAY / 2)))[: int(known.sum())]
    seconds[known] += DAY * nights
    if epoch is not None:
        return from_told_epoch(seconds, column, epoch)
    sentence = (
        f"{name}: its times have no date; soil moisture and pairing with other "
        "machines cannot be used. Add the column with the date, or write the day as "
        'epoch = "2026-10-20" at this log.'
    )
    note = Note("log.no_date", "check", sentence, where=name)
    finding = Finding("time", column, "time of day", "no date in the file", True)
    return LogClock(seconds, "no_epoch", (finding,), (note,))


def time_of_day(text: pd.Series) -> np.ndarray:
    """Return seconds since midnight of 15:30, 15:30:15.2 or 3:30:15 PM."""
    pattern = r"^\s*(\d{1,2}):(\d{2})(?::(\d{2}(?:[.,]\d+)?))?\s*([AaPp])?"
    parts = text.str.extract(pattern)
    hour = pd.to_numeric(parts[0]).to_numpy(dtype=np.float64)
    minute = pd.to_numeric(parts[1]).to_numpy(dtype=np.float64)
    second = pd.to_numeric(parts[2].fillna("0").str.replace(",", ".", regex=False))
    half = parts[3].fillna("").str.lower().to_numpy()
    hour = np.where((half != "") & (hour == 12), 0.0, hour)
    hour = np.where(half == "p", hour + 12, hour)
    return hour * 3600 + minute * 60 + second.to_numpy(dtype=np.float64)


def seconds_of(moments: pd.Series) -> np.ndarray:
    """Return datetimes as seconds since 1970, NaN where there is none."""
    values = moments.to_numpy().astype("datetime64[us]", copy=False)
    seconds = values.view(np.int64) / 1e6
    unknown = np.isnat(values)
    if unknown.any():
        seconds[unknown] = np.nan
    return seconds


def _zoned(text: pd.Series) -> np.ndarray:
    """Tell which times carry a zone: a letter or a sign after the date."""
    letters = _letters(text)
    if letters is None:
        return text.str.contains(_ZONE, na=False).to_numpy(dtype=bool)
    tail = letters[:, 10:]
    marks = np.zeros(256, dtype=bool)
    marks[[ord(letter) for letter in "Zz+-"]] = True
    return np.asarray(marks[tail].any(axis=1))


def _letters(text: pd.Series) -> np.ndarray | None:
    """Return the letters of a column as bytes, one row a cell; None beyond ASCII."""
    cells = text.fillna("").to_numpy(dtype=object)
    try:
        fixed = cells.astype(f"S{_WIDEST}")
    except UnicodeEncodeError:
        return None
    return np.ascontiguousarray(fixed).view(np.uint8).reshape(len(cells), _WIDEST)


def as_text(column: pd.Series) -> pd.Series:
    """Return text; eight digits are year, month, day and six are a time."""
    text = column.astype("str").where(column.notna())
    some = sample(text)
    if (some.str.strip() != some).any():
        text = text.str.strip()
    if column.dtype.kind == "f":
        text = text.str.removesuffix(".0")
        some = sample(text)
    if share_matching(some, _COMPACT) > 0.9:
        return text.str[:4] + "-" + text.str[4:6] + "-" + text.str[6:8]
    if column.dtype.kind in "iuf" and share_matching(some, r"^\d{1,6}$") > 0.9:
        full = text.str.zfill(6)
        return full.str[:2] + ":" + full.str[2:4] + ":" + full.str[4:6]
    return text


def share_matching(text: pd.Series, pattern) -> float:
    """Return the share of the cells that match."""
    return float(text.str.match(pattern, na=False).mean()) if len(text) else 0.0


def has_dates(time: pd.Series) -> bool:
    """Tell whether a column of times holds dates, too."""
    if time.dtype.kind == "M" or isinstance(time.dtype, pd.DatetimeTZDtype):
        return True
    if pd.api.types.is_numeric_dtype(time.dtype):
        return bool(time.median() > 1e7)
    filled = sample(time).astype("str")
    return bool(
        share_matching(filled, _ISO) > 0.5 or share_matching(filled, _OTHER) > 0.5
    )
