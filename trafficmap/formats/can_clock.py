"""The clock of a network log: the satellites' where it is on the network."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trafficmap.core import limits
from trafficmap.core.notes import Note
from trafficmap.formats._can_kernels import COUNT, DATE
from trafficmap.formats.epochs import from_told_epoch
from trafficmap.formats.rawlog import ClockKind, Finding

if TYPE_CHECKING:
    from trafficmap.formats.can import Frames
    from trafficmap.formats.can_fast import Gnss

_DAY = 86_400.0
_FIRST = pd.Timestamp(f"{limits.FIRST_YEAR}-01-01").timestamp()
# A computer's clock this close to the satellites' is as good as theirs [s]; choice.
_CLOSE = 1.0
# Satellite stamps scatter by the time a message waits; more is a clock that jumped.
_STEADY = 5.0


@dataclass(frozen=True)
class StampClock:
    """Seconds of every frame, what they count from, and why."""

    seconds: np.ndarray
    kind: ClockKind
    finding: Finding
    notes: tuple[Note, ...] = ()


def settle_stamps(
    frames: Frames, gnss: Gnss, *, name: str, epoch: object = None
) -> StampClock:
    """Return the clock of all frames by the best evidence in the log.

    The satellites' time on the network comes first, then what was told, then the
    stamps of the computer that logged.
    """
    stamp, kind, why = _stamps(frames)
    moments, utc, message = _satellite_time(frames, gnss)
    if moments.size and kind == "order":
        # Frames without stamps: between two satellite times they follow each other.
        seconds = np.interp(np.arange(stamp.size), moments, utc)
        why = f"no stamps; {message} on the network, the frames between it in order"
        return StampClock(seconds, "utc", Finding("time", message, "s", why, True))
    if moments.size:
        offset = utc - stamp[moments]
        middle = float(np.median(offset))
        steady = np.median(np.abs(offset - middle)) <= _STEADY
        if steady:
            why = f"{message} on the network"
            set_right: tuple[Note, ...] = ()
            if abs(middle) > _CLOSE and kind == "utc":
                why += f"; the computer's clock was {abs(middle):,.1f} s "
                why += "behind" if middle > 0 else "ahead"
                sentence = f"{name}: {why}; it was set right."
                set_right = (Note("can.clock_set", "info", sentence, where=name),)
            found = Finding("time", message, "s since 1970", why)
            return StampClock(stamp + middle, "utc", found, set_right)
    if epoch not in (None, "as logged") and kind in ("no_epoch", "utc"):
        told = from_told_epoch(stamp, "stamp", epoch)  # type: ignore[arg-type]
        return StampClock(told.seconds, told.kind, told.findings[0], told.notes)
    found = Finding("time", "stamp", "s", why, True)
    if kind != "utc":
        return StampClock(stamp, kind, found)
    sentence = (
        f"{name}: no satellite time is in it, so the clock of the computer that logged "
        "was believed. If it was wrong, write clock_offset_s = ... (seconds to add)."
    )
    note = Note("can.computer_clock", "check", sentence, where=name)
    return StampClock(stamp, kind, found, (note,))


def _stamps(frames: Frames) -> tuple[np.ndarray, ClockKind, str]:
    """Return the stamps as seconds, their kind and the reason."""
    kind = frames.kind
    if (kind == DATE).mean() > 0.5:
        return frames.stamp, "wall", "date and time of the computer that logged"
    if (kind == COUNT).mean() <= 0.5:
        order = np.arange(frames.stamp.size, dtype=np.float64)
        return order, "order", "no stamps, the order of the lines"
    stamp = frames.stamp
    known = stamp[np.isfinite(stamp)]
    if np.median(known) > _FIRST:
        return stamp, "utc", "clock of the computer that logged, seconds since 1970"
    if (np.diff(known) < 0).mean() > 0.05:
        # Each stamp tells the time since the frame before.
        return np.cumsum(np.nan_to_num(stamp)), "no_epoch", "times between frames"
    return stamp, "no_epoch", "seconds since the log was begun"


def _satellite_time(frames: Frames, gnss: Gnss) -> tuple[np.ndarray, np.ndarray, str]:
    """Return frames that tell UTC, the UTC they tell [s], and which message it is."""
    known = np.isfinite(gnss.utc)
    if known.any():
        return gnss.rows[known], gnss.utc[known], "satellite time (129029)"
    rows = frames.of(126_992)
    if rows.size:
        data = frames.data[rows]
        day = _number(data[:, 2:4], "<u2")
        time = _number(data[:, 4:8], "<u4")
        good = (day < 0xFFFD) & (time < 0xFFFF_FFFD)
        utc = day[good] * _DAY + time[good] * 1e-4
        return rows[good], utc, "system time (126992)"
    rows = frames.of(65_254)
    if rows.size:
        data = frames.data[rows].astype(np.int64)
        good = (data[:, :6] < 0xFB).all(axis=1)
        data, rows = data[good], rows[good]
        # Quarter seconds, minutes, hours, month, quarter days, years since 1985 (SAE
        # J1939-71, time and date; from memory).
        dates = pd.DataFrame(
            {
                "year": 1985 + data[:, 5],
                "month": data[:, 3],
                "day": np.maximum(1, (data[:, 4] + 3) // 4),
            }
        )
        day = pd.to_datetime(dates, errors="coerce").to_numpy()
        seconds = day.astype("datetime64[s]").astype(np.int64).astype(float)
        seconds = np.where(np.isnat(day), np.nan, seconds)
        seconds += data[:, 2] * 3600.0 + data[:, 1] * 60.0 + data[:, 0] * 0.25
        known = np.isfinite(seconds)
        return rows[known], seconds[known], "time and date (65254)"
    return np.empty(0, dtype=np.int64), np.empty(0), ""


def _number(part: np.ndarray, kind: str) -> np.ndarray:
    return np.ascontiguousarray(part).view(kind)[:, 0].astype(np.int64)
