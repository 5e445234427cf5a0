"""From a log's own clock to UTC, or the reason why that cannot be done."""

from __future__ import annotations

import datetime as dt
import difflib
import zoneinfo
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trafficmap.core import limits
from trafficmap.core.errors import InputError, SettingsError
from trafficmap.core.notes import Note
from trafficmap.field.strict import FILE
from trafficmap.formats.clocks import epoch_start

ROLLOVER = 1024 * 7 * 86_400.0
"""Satellite weeks were counted in 10 bits: an old receiver falls back 1 024 weeks [s]
(IS-GPS-200, 20.3.3.3.1.1; from memory)."""

_HOUR = 3600.0
_BACK = 1800.0
"""A clock set back for winter jumps by more than this [s]; choice."""


@dataclass(frozen=True)
class ClockKeys:
    """What field.toml says about the clock of one log."""

    zone: str | None = None
    epoch: str | dt.date | None = None
    offset: float = 0.0
    season: int | None = None


def require_zone(name: str | None, key: str) -> str | None:
    """Return `name` when it is a known time zone.

    Raises
    ------
    SettingsError
    """
    if name is None:
        return None
    try:
        zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        known = sorted(zoneinfo.available_timezones())
        near = difflib.get_close_matches(name, known, n=1)
        msg = f'{FILE}: {key} is "{name}", need a zone such as "America/Chicago".'
        raise SettingsError(
            msg, f'write "{near[0]}"' if near else "look the zone of the farm up"
        ) from None
    return name


def to_utc(
    seconds: np.ndarray, *, clock: str, keys: ClockKeys, name: str, today: dt.date
) -> tuple[np.ndarray, np.ndarray, list[Note]]:
    """Return UTC seconds since 1970 of every fix, which fixes to keep, and notes.

    Parameters
    ----------
    seconds : ndarray
        The log's own clock in file order. [s]
    clock : str
        Kind of clock, see `formats.rawlog.ClockKind`.
    keys : ClockKeys
        What field.toml says.
    name : str
        What the log is called in sentences.
    today : date
        Read once at the door; a later stamp cannot be true when no season is given.

    Returns
    -------
    utc : ndarray
        NaN everywhere when the clock cannot be trusted. [s]
    keep : ndarray of bool
        False where a date before `limits.FIRST_YEAR` or in the future shows that the
        receiver had no time yet.
    notes : list of Note

    Raises
    ------
    InputError
        Dates are 1 024 weeks off, or too many are impossible.
    """
    seconds = np.asarray(seconds, dtype=float)
    nothing = np.full(seconds.size, np.nan)
    everything = np.ones(seconds.size, dtype=bool)
    told, notes = _absolute(seconds, clock, keys, name)
    if told is None:
        return nothing, everything, notes
    utc = told + keys.offset
    first = _stamp(limits.FIRST_YEAR)
    finite = np.isfinite(utc)
    if finite.any() and (utc[finite] < first).all():
        return nothing, everything, [*notes, _never_set(utc[finite], name)]
    _refuse_rollover(utc[finite], keys.season, name)
    last = _stamp(keys.season + 2) if keys.season else _day(today) + 2 * 86_400.0
    bad = finite & ((utc < first) | (utc >= last))
    lost = int(bad.sum())
    if lost:
        share = lost / seconds.size
        if share > limits.DROPPED_SHARE:
            worst = dt.datetime.fromtimestamp(float(utc[bad][0]), dt.UTC)
            msg = (
                f"{name}: {100 * share:.0f} % of the fixes carry a date that cannot "
                f"be true, as {worst:%Y-%m-%d}."
            )
            raise InputError(
                msg, "look at season in [field], or set clock_offset_s for this log"
            )
        sentence = f"{name}: {lost} fixes dropped, their date cannot be true."
        notes.append(Note("clock.impossible", "info", sentence, lost, name))
    notes += _season_note(utc[finite & ~bad], keys.season, name)
    return utc, ~bad, notes


def as_time(utc: np.ndarray) -> pd.Series:
    """Return UTC seconds as zone-aware times, empty where not finite."""
    milliseconds = np.where(np.isfinite(utc), np.round(utc * 1000.0), 0.0)
    stamps = milliseconds.astype("int64").astype("datetime64[ms]")
    stamps[~np.isfinite(utc)] = np.datetime64("NaT")
    return pd.Series(stamps).dt.tz_localize("UTC")


def _absolute(
    seconds: np.ndarray, clock: str, keys: ClockKeys, name: str
) -> tuple[np.ndarray | None, list[Note]]:
    """Return the clock as UTC seconds, or None and a Note that asks for the fact."""
    if clock == "utc":
        return seconds, []
    if clock == "wall":
        if keys.zone is None:
            return None, [_ask_zone(name)]
        return _from_wall(seconds, keys.zone, name)
    if clock == "no_epoch":
        if keys.epoch is None and keys.offset:
            return seconds, []  # whoever knows the offset knows the start
        if keys.epoch is None:
            return None, [_ask_epoch(name)]
        return _from_counter(seconds, keys.epoch, keys.zone, name)
    sentence = (
        f"{name}: has no clock at all. The traffic map is made in the order of the "
        "rows; soil water at each pass and loads between machines are not known. "
        "Export the log again with a column of time."
    )
    return None, [Note("clock.none", "stop", sentence, 1, name)]


def _from_counter(
    seconds: np.ndarray, told: str | dt.date, zone: str | None, name: str
) -> tuple[np.ndarray | None, list[Note]]:
    """Return a counter plus its start; a start without a zone needs the farm's."""
    epoch = epoch_start(told)
    if epoch.tzinfo is None:
        if zone is None:
            return None, [_ask_zone(name)]
        epoch = epoch.replace(tzinfo=zoneinfo.ZoneInfo(zone))
    return seconds + epoch.timestamp(), []


def _from_wall(
    seconds: np.ndarray, zone: str, name: str
) -> tuple[np.ndarray, list[Note]]:
    """Return wall-clock seconds as UTC, the repeated hour settled by order."""
    finite = np.isfinite(seconds)
    stamps = (np.where(finite, seconds, 0.0) * 1000.0).round().astype("int64")
    wall = pd.DatetimeIndex(stamps.astype("datetime64[ms]"))
    probe = wall.tz_localize(zone, ambiguous="NaT", nonexistent="shift_forward")
    twice = np.asarray(probe.isna()) & finite
    notes: list[Note] = []
    summer = np.ones(seconds.size, dtype=bool)
    if twice.any():
        summer, unsure = _summer_time(seconds, twice)
        count = int(twice.sum())
        sentence = f"{name}: {count} fixes lie in the hour that came twice when the "
        sentence += "clock went back to winter time; settled by the order of the rows."
        if unsure:
            sentence += f" For {unsure} of them the first of the two hours is assumed."
        severity = "check" if unsure else "info"
        notes.append(Note("clock.hour_twice", severity, sentence, count, name))  # type: ignore[arg-type]
    local = wall.tz_localize(zone, ambiguous=summer, nonexistent="NaT")
    missing = np.asarray(local.isna()) & finite
    if missing.any():
        count = int(missing.sum())
        sentence = (
            f"{name}: {count} fixes lie in the hour that is skipped in spring in "
            f"{zone}; look whether this is the right time zone."
        )
        notes.append(Note("clock.hour_skipped", "check", sentence, count, name))
        local = wall.tz_localize(zone, ambiguous=summer, nonexistent="shift_forward")
    utc = local.tz_convert("UTC").tz_localize(None).to_numpy().astype("datetime64[ms]")
    return np.where(finite, utc.astype("int64") / 1000.0, np.nan), notes


def _summer_time(seconds: np.ndarray, twice: np.ndarray) -> tuple[np.ndarray, int]:
    """Return whether summer time still held, by the order of rows, and doubts."""
    summer = np.ones(seconds.size, dtype=bool)
    unsure = 0
    edges = np.flatnonzero(np.diff(np.concatenate(([0], twice.view(np.int8), [0]))))
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        run = seconds[start:stop]
        back = np.flatnonzero(np.diff(run) < -_BACK)
        if back.size:
            summer[start + back[0] + 1 : stop] = False
            continue
        before = run[0] - seconds[start - 1] if start else np.inf
        after = seconds[stop] - run[-1] if stop < seconds.size else np.inf
        before = before if before >= 0 else np.inf
        after = after if after >= 0 else np.inf
        if min(before, after) > _HOUR:
            unsure += int(stop - start)
        elif after < before:
            summer[start:stop] = False
    return summer, unsure


def _refuse_rollover(utc: np.ndarray, season: int | None, name: str) -> None:
    """Refuse dates that fit the season only when 1 024 weeks are added."""
    if season is None or not utc.size:
        return
    middle = float(np.median(utc))
    logged = dt.datetime.fromtimestamp(middle, dt.UTC)
    true = dt.datetime.fromtimestamp(middle + ROLLOVER, dt.UTC)
    if abs(logged.year - season) > 1 and abs(true.year - season) <= 1:
        msg = (
            f"{name}: is dated {logged:%Y-%m-%d}, which is 1024 weeks before "
            f"{true:%Y-%m-%d}: the receiver's week counter ran over."
        )
        raise InputError(msg, f"add clock_offset_s = {ROLLOVER:.0f} to this log")


def _season_note(utc: np.ndarray, season: int | None, name: str) -> list[Note]:
    if season is None or not utc.size:
        return []
    year = dt.datetime.fromtimestamp(float(np.median(utc)), dt.UTC).year
    if abs(year - season) <= 1:
        return []
    sentence = (
        f"{name}: is from {year}, but season in [field] is {season}; weather of that "
        "year will be missed. Correct season, or leave this log out."
    )
    return [Note("clock.other_season", "check", sentence, 1, name)]


def _ask_zone(name: str) -> Note:
    sentence = (
        f"{name}: its clock says no time zone. The traffic map is made; soil water at "
        "each pass and loads between machines are not known until you add "
        'time_zone = "America/Chicago" (the zone the clock was set to) to [field].'
    )
    return Note("clock.zone_missing", "stop", sentence, 1, name)


def _ask_epoch(name: str) -> Note:
    sentence = (
        f"{name}: its clock counts seconds from a start that is not in the file. The "
        "traffic map is made; soil water at each pass and loads between machines are "
        "not known until you add epoch = 2026-01-01, the day the count starts, to its "
        "[[log]]."
    )
    return Note("clock.epoch_missing", "stop", sentence, 1, name)


def _never_set(utc: np.ndarray, name: str) -> Note:
    stamp = dt.datetime.fromtimestamp(float(utc[0]), dt.UTC)
    sentence = (
        f"{name}: its clock was never set, it starts at {stamp:%Y-%m-%d %H:%M}. The "
        "traffic map is made; soil water at each pass and loads between machines are "
        "not known until you add clock_offset_s = ... (seconds to add) to its [[log]]."
    )
    return Note("clock.never_set", "stop", sentence, 1, name)


def _stamp(year: int) -> float:
    return dt.datetime(year, 1, 1, tzinfo=dt.UTC).timestamp()


def _day(day: dt.date) -> float:
    return dt.datetime(day.year, day.month, day.day, tzinfo=dt.UTC).timestamp()
