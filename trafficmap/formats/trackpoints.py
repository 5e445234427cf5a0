"""Tracks of GPX and KML as logs: points with times, points in order, lines drawn."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from pathlib import Path

import numpy as np
import pandas as pd

from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note, Severity
from trafficmap.formats.bindings import SIGNALS
from trafficmap.formats.epochs import from_told_epoch
from trafficmap.formats.headers import (
    LOG_FIELDS,
    Heading,
    plain_name,
    read_heading,
    score,
)
from trafficmap.formats.pointlog import Told, logs_from_points
from trafficmap.formats.rawlog import Finding, RawLog

DRAWN_SPEED = 2.5
"""Speed along a way that says nothing of time [m/s]; choice, 9 km/h."""

# Radius of a sphere with the earth's volume [m].
_EARTH = 6_371_000.0

_DRAWN_STEP = 2.0
"""Places are put this close together on a line that was drawn [m]; choice."""

_MOST_DRAWN = 500_000
_NO_PLACE = 1e10
_NOON = 43_200.0
_PAUSE = 60.0
"""Between parts of a track that do not hang together [s]; longer than any gap that
is bridged."""

_WEAK_HDOP = 5.0
"""Satellites stand badly above this; choice, common practice, no source."""

_ALWAYS = ("longitude", "latitude", "time")
_ACCURACY = ("accuracy", "hacc", "acc", "horizontalaccuracy", "horizontal_accuracy")
_ZONED = re.compile(r"(?:[Zz]|[+-]\d{2}:?\d{2})\s*$")
_DAY = re.compile(r"^\s*\d{4}-\d{1,2}-\d{1,2}\s*$")


@dataclass(frozen=True)
class TrackTable:
    """One track as found in a file.

    Parameters
    ----------
    frame : DataFrame
        ``longitude``, ``latitude`` [deg] and ``segment``; ``time`` as UTC; whatever
        else stands at the points.
    headings : mapping
        Column to how it is read, as "speed (m/s)".
    name : str
        As written in the file, or "".
    drawn : bool
        A line that somebody drew or planned, not one that a receiver wrote.
    naive : int
        How many of its times carry no zone.
    notes : list of Note
    """

    frame: pd.DataFrame
    headings: Mapping[str, str]
    name: str = ""
    drawn: bool = False
    naive: int = 0
    notes: list[Note] = field(default_factory=list)


def logs_from_tracks(
    tables: Sequence[TrackTable], *, path: Path, kind: str, told: Told
) -> list[RawLog]:
    """Turn tracks into logs under our names and in SI.

    Parameters
    ----------
    tables : sequence of TrackTable
    path : Path
    kind : str
        What the logs are called in the record.
    told : Told
        With ``epoch``, a track without times becomes one of that day, laid along at
        `DRAWN_SPEED`.

    Returns
    -------
    list of RawLog
        One a track. Names that stand there twice get a number.

    Raises
    ------
    InputError
        A line that was drawn has no day, or as `pointlog.logs_from_points`.
    """
    logs: list[RawLog] = []
    names = _parts(tables, path.name)
    for table, part in zip(tables, names, strict=True):
        said = path.name if not part else f"{path.name}, {part}"
        timed = "time" in table.frame and bool(table.frame["time"].notna().any())
        if timed:
            found = _timed(table, path, kind, told, said)
        elif table.drawn or told.epoch is not None:
            found = _laid_along(table, path, kind, told, said)
        else:
            found = _in_order(table, path, kind, told)
        for log in found:
            both = " ".join(filter(None, (part, log.part)))
            notes = (*log.notes, *_quality_notes(log.table, said))
            logs.append(replace(log, part=both, notes=notes))
    return logs


def numbers_of(texts: Sequence[object] | np.ndarray) -> np.ndarray:
    """Return texts as numbers, NaN for what is none."""
    whole = np.asarray(texts, dtype=object)
    try:
        return whole.astype(np.float64)
    except (TypeError, ValueError):
        numbers = pd.to_numeric(pd.Series(whole), errors="coerce")
        return numbers.to_numpy(dtype=np.float64)


def times_of(texts: Sequence[object] | np.ndarray) -> pd.Series:
    """Return texts as UTC times, empty where they are none or only a day.

    A time without a zone is UTC, as GPX says of its times. The 60 of a leap second
    becomes the second after it.
    """
    whole = pd.Series(np.asarray(texts, dtype=object))
    clocked = whole.where(whole.map(lambda t: isinstance(t, str) and ":" in t))
    moments = pd.to_datetime(clocked, format="ISO8601", errors="coerce", utc=True)
    leap = moments.isna() & clocked.notna()
    if leap.any():
        again = clocked[leap].str.replace(r":60(?=[.Zz+-]|$)", ":59", regex=True)
        fixed = pd.to_datetime(again, format="ISO8601", errors="coerce", utc=True)
        was = clocked[leap].str.contains(r":60(?:[.Zz+-]|$)", regex=True)
        moments[leap] = fixed.where(~was, fixed + pd.Timedelta(seconds=1))
    return moments.astype("datetime64[us, UTC]")


def without_zone(texts: Sequence[object]) -> int:
    """Return how many times carry no zone."""
    known = (text for text in texts if isinstance(text, str) and ":" in text)
    return sum(1 for text in known if not _ZONED.search(text))


def drawn_table(name: str, lines: Sequence[np.ndarray]) -> TrackTable:
    """Return lines of longitude and latitude, shape (n, 2), as one drawn track."""
    frame = pd.DataFrame(np.vstack(lines), columns=["longitude", "latitude"])
    segment = [np.full(len(line), k, dtype=np.int64) for k, line in enumerate(lines)]
    frame["segment"] = np.concatenate(segment)
    return TrackTable(frame, {c: c for c in frame.columns}, name, True)


def way_along(longitude: np.ndarray, latitude: np.ndarray) -> np.ndarray:
    """Return the way from the first place to each place along a track [m]."""
    across = np.radians(np.diff(longitude)) * np.cos(np.radians(latitude[1:]))
    step = _EARTH * np.hypot(across, np.radians(np.diff(latitude)))
    return np.concatenate(([0.0], np.cumsum(step)))


def _points(table: TrackTable, path: Path, kind: str, told: Told) -> list[RawLog]:
    """Return the points under our names; what no name speaks for stays beside them.

    Both formats name what they hold, so nothing is guessed from values here.
    """
    frame = table.frame.reset_index(drop=True)
    for axis in ("longitude", "latitude"):  # no place on earth, in any unit
        frame[axis] = frame[axis].where(frame[axis].abs() < _NO_PLACE)
    headings = {
        str(c): read_heading(table.headings.get(str(c), str(c))) for c in frame.columns
    }
    said = {
        text for wanted in told.columns.values() for text in (wanted, wanted.lower())
    }
    taken: dict[str, str] = {}
    for column, heading in headings.items():
        plain = plain_name(heading.text)
        known = column in _ALWAYS or column.lower() in said or _is_signal(heading)
        if known and plain not in taken and column != "segment":
            taken[plain] = column
    bound = list(taken.values())
    logs = logs_from_points(
        frame[bound],
        tuple(headings[column] for column in bound),
        line=np.arange(1, len(frame) + 1),
        path=path,
        kind=kind,
        # Both formats are in degrees of WGS 84 and in nothing else.
        told=replace(told, epsg=None),
        notes=tuple(table.notes),
    )
    rest = [column for column in headings if column not in bound]
    return [_with_rest(log, frame, headings, rest) for log in logs]


def _is_signal(heading: Heading) -> bool:
    fields = (*SIGNALS, "machine", "crop", "field")
    return any(score(heading, LOG_FIELDS[name]) == 3 for name in fields)


def _with_rest(
    log: RawLog, frame: pd.DataFrame, headings: Mapping[str, Heading], rest: list[str]
) -> RawLog:
    """Return a log with the columns that were not taken, under names of their own."""
    index = log.table["row"].to_numpy() - 1
    table = log.table
    for column in rest:
        base = name = f"extra_{plain_name(headings[column].text) or 'column'}"
        number = 1
        while name in table:
            number += 1
            name = f"{base}_{number}"
        values = frame[column].iloc[index].reset_index(drop=True)
        if not pd.api.types.is_numeric_dtype(values.dtype):
            values = values.astype("str").where(values.notna()).astype("category")
        table = table.assign(**{name: values})
    return replace(log, table=table)


def _timed(
    table: TrackTable, path: Path, kind: str, told: Told, said: str
) -> list[RawLog]:
    """Return a track whose points have times."""
    logs = _points(table, path, kind, told)
    if not table.naive:
        return logs
    sentence = (
        f"{said}: {table.naive:,} of its times say no zone; they were taken as UTC, as "
        "the format asks. If they are local times, write clock_offset_s = 18000 (for "
        "five hours behind UTC) at this log."
    )
    note = Note("log.assumed_utc", "check", sentence, table.naive, said)
    why = "times without a zone are UTC by the rules of the format"
    marked = []
    for log in logs:
        findings = tuple(
            replace(f, why=why, assumed=True) if f.field == "time" else f
            for f in log.findings
        )
        marked.append(replace(log, findings=findings, notes=(*log.notes, note)))
    return marked


def _in_order(table: TrackTable, path: Path, kind: str, told: Told) -> list[RawLog]:
    """Return a track without times: the order of its points stands for the clock."""
    return [
        log
        if log.clock != "order"
        else replace(log, table=log.table.assign(seconds=_seconds_along(log.table)))
        for log in _points(_without_time(table), path, kind, told)
    ]


def _laid_along(
    table: TrackTable, path: Path, kind: str, told: Told, said: str
) -> list[RawLog]:
    """Return a way without times as driven on the day that a person told."""
    what = "a line" if table.drawn else "a track"
    if told.epoch is None:
        msg = f"{said}: is {what} without times, need a time at each place or the day "
        msg += "it was driven."
        line = 'epoch = "2026-10-14"'
        meaning = "the day it was driven, or the moment it began; then it counts as "
        meaning += "driven slowly along the line"
        hint = f"write {line}, the day it was driven, at this log; or export a track"
        raise InputError(msg, hint, choices=[(line, meaning)])
    if table.drawn:
        table = replace(table, frame=_densified(table.frame, said))
    only_day = isinstance(told.epoch, date) and not isinstance(told.epoch, datetime)
    only_day |= isinstance(told.epoch, str) and bool(_DAY.match(told.epoch))
    sentence = (
        f"{said}: is {what} without times; it was laid along at "
        f"{3.6 * DRAWN_SPEED:.0f} km/h from {'12:00 on ' if only_day else ''}the "
        f"{'day' if only_day else 'moment'} you told. Where it ran is as good as the "
        f"{'drawing' if table.drawn else 'track'}; the hour, and who drove there "
        "first, is assumed."
    )
    note = Note("log.drawn", "check", sentence, where=path.name)
    found = Finding("time", "epoch", "s", "no time in the file; the day as told", True)
    logs = []
    for log in _points(_without_time(table), path, kind, replace(told, epoch=None)):
        along = _seconds_along(log.table) + (_NOON if only_day else 0.0)
        clock = from_told_epoch(along, "the day as told", told.epoch)
        logs.append(
            replace(
                log,
                table=log.table.assign(seconds=clock.seconds),
                clock=clock.kind,
                findings=(*(f for f in log.findings if f.field != "time"), found),
                notes=(*(n for n in log.notes if n.code != "log.no_clock"), note),
            )
        )
    return logs


def _without_time(table: TrackTable) -> TrackTable:
    return replace(table, frame=table.frame.drop(columns="time", errors="ignore"))


def _seconds_along(table: pd.DataFrame) -> np.ndarray:
    """Return seconds by the way at a slow speed, a pause between parts."""
    way = way_along(table["longitude"].to_numpy(), table["latitude"].to_numpy())
    part = table["extra_segment"].to_numpy(dtype=np.int64)
    pauses = np.concatenate(([0], np.cumsum(np.diff(part) != 0)))
    return way / DRAWN_SPEED + _PAUSE * pauses


def _densified(frame: pd.DataFrame, said: str) -> pd.DataFrame:
    """Return a drawn line with places as close together as a log has them."""
    pieces = []
    left = _MOST_DRAWN
    for number, part in frame.groupby("segment", sort=False):
        lon, lat = part["longitude"].to_numpy(), part["latitude"].to_numpy()
        good = np.isfinite(lon) & np.isfinite(lat)
        lon, lat = lon[good], lat[good]
        if lon.size < 2:
            continue
        way = way_along(lon, lat)
        count = way[-1] / _DRAWN_STEP + lon.size
        left -= count
        if not left > 0:
            longest = _MOST_DRAWN * _DRAWN_STEP / 1000.0
            msg = f"{said}: the line is more than {longest:,.0f} km long."
            raise InputError(msg, "draw only the way on this field")
        # To the millimetre, so that a corner on the step is not there twice.
        steps = np.concatenate((np.arange(0.0, way[-1], _DRAWN_STEP), way))
        at = np.unique(np.round(steps, 3))
        piece = {
            "longitude": np.interp(at, way, lon),
            "latitude": np.interp(at, way, lat),
            "segment": np.full(at.size, number, dtype=np.int64),
        }
        pieces.append(pd.DataFrame(piece))
    if not pieces:
        msg = f"{said}: the line has less than two places."
        raise InputError(msg, "draw the whole way that was driven")
    return pd.concat(pieces, ignore_index=True)


def _quality_notes(table: pd.DataFrame, said: str) -> list[Note]:
    notes = []
    if "extra_hdop" in table:
        notes += weak_fix_notes(_as_numbers(table["extra_hdop"]), said)
    for column in _ACCURACY:
        if f"extra_{column}" in table:
            values = _as_numbers(table[f"extra_{column}"])
            known = values[np.isfinite(values)]
            if known.size:
                middle = float(np.median(known))
                sentence = f"{said}: the receiver itself puts half of its places "
                sentence += f"within {middle:.1f} m."
                notes.append(Note("log.accuracy", "info", sentence, known.size, said))
            break
    return notes


def weak_fix_notes(hdop: np.ndarray, said: str) -> list[Note]:
    """Return a note on places taken while the satellites stood badly."""
    known = np.isfinite(hdop)
    weak = int((hdop[known] > _WEAK_HDOP).sum())
    if not weak:
        return []
    severity: Severity = "check" if weak > 0.2 * known.sum() else "info"
    sentence = (
        f"{said}: {weak:,} of {int(known.sum()):,} places were taken while satellites "
        f"stood badly (HDOP above {_WEAK_HDOP:g}); they may be many metres off."
    )
    return [Note("log.weak_fix", severity, sentence, weak, said)]


def _as_numbers(column: pd.Series) -> np.ndarray:
    texts = column.astype("object") if column.dtype == "category" else column
    return pd.to_numeric(texts, errors="coerce").to_numpy(dtype=np.float64)


def _parts(tables: Sequence[TrackTable], file: str) -> list[str]:
    """Return a name for each track of a file with several, each name once."""
    if len(tables) == 1:
        return [""]
    names: list[str] = []
    for k, table in enumerate(tables, start=1):
        base = name = table.name or f"track {k}"
        number = 1
        while name in names or name == file:
            number += 1
            name = f"{base} ({number})"
        names.append(name)
    return names
