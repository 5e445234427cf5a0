"""Which clock the records of a task were stamped with.

The standard's record clock is documented nowhere as UTC and real machines differ:
some log local time, some the satellites' own time. So the offset is measured where the
file holds evidence, and nothing is guessed where it does not.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np

from trafficmap.core.notes import Note
from trafficmap.formats.isoxml.timelog import TimeLog
from trafficmap.formats.rawlog import ClockKind

QUARTER_HOUR = 900.0
"""Time zones differ by whole quarters of an hour [s]."""

START_TOLERANCE = 120.0
"""A log begins at most this long after its task was started [s] (choice)."""

OLDEST_YEAR = 2010
"""Task data logs older than this come from clocks that were never set (choice)."""


LATE_JUMP = 50.0
"""A clock set while driving: the places before and after are this near [m] (choice)."""


@dataclass(frozen=True)
class RecordClock:
    """How the records of one task are to be read.

    ``offset`` [s] is to be taken off the record clock; ``error`` [s] is what remains
    of the measured offset after rounding to a quarter of an hour.
    """

    kind: ClockKind
    offset: float
    error: float
    why: str


def settle_clock(
    logs: list[TimeLog], starts: list[str], *, name: str, as_logged: bool = False
) -> tuple[RecordClock, list[Note]]:
    """Return the clock of a task's logs by the best evidence there is.

    Parameters
    ----------
    logs : list of TimeLog
    starts : list of str
        Start of the task beside each log, as written; empty where not known.
    name : str
        Task, for sentences.
    as_logged : bool
        The person says that the dates are right, however old they look.
    """
    first = min(log.seconds[0] for log in logs)
    year = datetime.fromtimestamp(first, UTC).year
    if year < OLDEST_YEAR and not as_logged:
        sentence = (
            f"task {name}: its clock says {year}, so it was never set; times within "
            "the log hold, but soil moisture and pairing with other machines do not. "
            'If the year is right, write epoch = "as logged" at this log.'
        )
        note = Note("iso.clock_unset", "check", sentence, where=name)
        return RecordClock("no_epoch", 0.0, 0.0, f"the clock says {year}"), [note]
    notes = _day_notes(logs, starts, name)
    offsets = np.array([log.utc_offset for log in logs])
    if np.isfinite(offsets).all():
        offset = float(np.median(offsets))
        rounded = round(offset / QUARTER_HOUR) * QUARTER_HOUR
        why = (
            f"the receiver's UTC is in the records; the record clock runs "
            f"{offset:.1f} s ahead of it"
        )
        return RecordClock("utc", rounded, offset - rounded, why), notes
    found = [_offset_from_start(log, s) for log, s in zip(logs, starts, strict=True)]
    measured = [m for m in found if m is not None]
    if len(measured) == len(logs):
        zones = {round(m / QUARTER_HOUR) * QUARTER_HOUR for m in measured}
        offset = zones.pop()
        remainders = [m - offset for m in measured]
        if not zones and max(abs(r) for r in remainders) <= START_TOLERANCE:
            why = (
                "the task's start is written with its zone; the record clock runs "
                f"{offset / 3600:g} h ahead of UTC"
            )
            return RecordClock("utc", offset, float(np.median(remainders)), why), notes
    why = "the records carry no zone and no UTC"
    return RecordClock("wall", 0.0, 0.0, why), notes


def mend_late_clock(log: TimeLog, task: str) -> tuple[TimeLog, list[Note]]:
    """Return a log whose clock was set while it ran, on that clock from the start.

    Some machines count from 1980 until the satellites give them the time. The rows
    before are moved to end one step before the first set one, but only where the
    track goes on without a jump; otherwise the log stays as it is.

    Parameters
    ----------
    log : TimeLog
    task : str
        For sentences.
    """
    unset = log.seconds < datetime(OLDEST_YEAR, 1, 1, tzinfo=UTC).timestamp()
    if not unset[0] or unset.all():
        return log, []
    count = int(np.argmin(unset))
    if unset[count:].any() or not _goes_on(log, count):
        return log, []
    steps = np.diff(log.seconds)
    usual = steps[(steps > 0) & (steps < 60.0)]
    step = float(np.median(usual)) if usual.size else 1.0
    moved = log.seconds.copy()
    moved[:count] += log.seconds[count] - step - log.seconds[count - 1]
    year = datetime.fromtimestamp(log.seconds[0], UTC).year
    sentence = (
        f"task {task}: the clock of {log.name} was set only after {count:,} rows, "
        f"which say {year}; they were moved to end {step:g} s before the first row "
        "with a true date."
    )
    note = Note("iso.clock_late", "check", sentence, count, log.name)
    return replace(log, seconds=moved), [note]


def _goes_on(log: TimeLog, count: int) -> bool:
    """Tell whether the track goes on where the clock jumps."""
    good = np.isfinite(log.longitude)
    before, after = np.flatnonzero(good[:count]), np.flatnonzero(good[count:]) + count
    if not before.size:
        return True
    if not after.size:
        return False
    one, two = before[-1], after[0]
    north = np.radians(log.latitude[two] - log.latitude[one])
    east = np.radians(log.longitude[two] - log.longitude[one])
    east *= np.cos(np.radians(log.latitude[one]))
    return bool(6_371_000.0 * np.hypot(east, north) <= LATE_JUMP)


def _offset_from_start(log: TimeLog, start: str) -> float | None:
    """Return record clock less task start [s], None when the start has no zone."""
    moment = _moment(start)
    if moment is None or moment.tzinfo is None:
        return None
    return float(log.seconds[0] - moment.timestamp())


def _day_notes(logs: list[TimeLog], starts: list[str], name: str) -> list[Note]:
    for log, start in zip(logs, starts, strict=True):
        moment = _moment(start)
        if moment is None:
            continue
        written = moment.replace(tzinfo=moment.tzinfo or UTC).timestamp()
        if abs(log.seconds[0] - written) > 86_400:
            sentence = (
                f"task {name}: {log.name} begins more than a day away from the start "
                "of the task; its clock is in doubt."
            )
            return [Note("iso.clock_day", "check", sentence, where=name)]
    return []


def _moment(text: str) -> datetime | None:
    try:
        return datetime.fromisoformat(text) if text else None
    except ValueError:
        return None
