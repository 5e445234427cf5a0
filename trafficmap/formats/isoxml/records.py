"""The bytes of a binary time log, viewed and never copied."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np

from trafficmap.formats.isoxml import _kernels

if TYPE_CHECKING:
    from trafficmap.formats.isoxml.layout import Layout

EPOCH_1980 = datetime(1980, 1, 1, tzinfo=UTC).timestamp()
"""Start of the day count in time logs, as seconds since 1970 [s]."""

RESUME_CHAIN = 5
"""After a damaged stretch so many records in a row must be sound (choice)."""

RESUME_PAUSE = 3600.0
"""After a damaged stretch sound records follow no later than this [s] (choice)."""

_MAX_RUNS = 1000


@dataclass(frozen=True)
class Walk:
    """What walking a log once showed.

    Parameters
    ----------
    runs : ndarray of int64, shape (n, 2)
        First byte of each sound stretch and the byte after it.
    n_records, n_rows, n_values, n_timeless : int
        Records, runs of one time stamp, values, records without a time.
    stop : int
        Byte at which the first stretch ended.
    reason : int
        Why it ended: `_kernels.ENDED`, ``CUT_OFF`` or ``BAD_INDEX``.
    heard : ndarray of bool, shape (256,)
        Which indices carry a value.
    """

    runs: np.ndarray
    n_records: int
    n_rows: int
    n_values: int
    n_timeless: int
    stop: int
    reason: int
    heard: np.ndarray

    @property
    def sound_bytes(self) -> int:
        """Bytes that could be read."""
        return int((self.runs[:, 1] - self.runs[:, 0]).sum())


@dataclass(frozen=True)
class Wanted:
    """One signal to be carried forward.

    Parameters
    ----------
    index : int
        Place of the signal in the header.
    factor : float
        Raw number times this is what is wanted.
    lowest : int
        A raw number below this is none.
    max_age, max_gap : float
        How long a value holds, and over how long a pause of the log [s].
    """

    index: int
    factor: float = 1.0
    lowest: int = -(2**31)
    max_age: float = np.inf
    max_gap: float = np.inf


@dataclass(frozen=True)
class Carried:
    """Wanted signals at each row, and what was sent of every asked one.

    Parameters
    ----------
    values : ndarray, shape (wanted, rows)
        NaN where no value holds.
    shares : ndarray
        Share of the rows with a value, a wanted signal each.
    sent : dict
        Index of the signal -> how often it was sent, first and last raw number.
    """

    values: np.ndarray
    shares: np.ndarray
    sent: dict[int, tuple[int, int, int]]


class Records:
    """Views of one log's bytes: as bytes, and as numbers that begin at any byte."""

    def __init__(self, content: bytes | np.ndarray) -> None:
        if isinstance(content, np.ndarray):
            self.data = content
        else:
            self.data = np.frombuffer(content, dtype=np.uint8)
        size = self.data.size
        # A stride of one byte: number k begins at byte k. Records have odd lengths,
        # so any other view would have to be copied first.
        self._ints = self._view("<i4", max(0, size - 3))
        self._words = self._view("<u2", max(0, size - 1))

    @property
    def size(self) -> int:
        """Bytes."""
        return int(self.data.size)

    def probe(self, layout: Layout, limit: int) -> tuple[int, int, np.ndarray]:
        """Return how many of the first records line up, why it stopped, their days."""
        _, fixed = layout.offsets()
        heard, state = np.zeros(256, dtype=np.bool_), _state()
        days, at = [], 0
        for _ in range(limit):
            before = int(state[_kernels.RECORDS])
            self._scan(at, fixed, layout.n_signals, 1, heard, state)
            if int(state[_kernels.RECORDS]) == before:
                break
            stamp = int(_kernels.stamp_at(self._ints, self._words, at))
            days.append(stamp // _kernels.DAY_MS if stamp >= 0 else -1)
            at = int(state[_kernels.STOP])
        count, reason = int(state[_kernels.RECORDS]), int(state[_kernels.REASON])
        return count, reason, np.array(days, dtype=np.int64)

    def walk(self, layout: Layout, *, resume: bool = False) -> Walk:
        """Walk all records; with `resume` go on after a damaged stretch."""
        _, fixed = layout.offsets()
        n_signals = layout.n_signals
        heard, state = np.zeros(256, dtype=np.bool_), _state()
        runs: list[tuple[int, int]] = []
        at = 0
        stop = reason = None
        while len(runs) < _MAX_RUNS:
            self._scan(at, fixed, n_signals, np.iinfo(np.int64).max, heard, state)
            end = int(state[_kernels.STOP])
            if end > at:
                runs.append((at, end))
            if stop is None:
                stop, reason = end, int(state[_kernels.REASON])
            if not resume or int(state[_kernels.REASON]) == _kernels.ENDED:
                break
            longest = round(RESUME_PAUSE * 1000)
            at = int(
                _kernels.resume(
                    self.data, self._ints, self._words, end + 1, fixed, n_signals,
                    state[_kernels.STAMP], longest, RESUME_CHAIN,
                )
            )  # fmt: skip
            if at < 0:
                break
        return Walk(
            runs=np.array(runs, dtype=np.int64).reshape(-1, 2),
            n_records=int(state[_kernels.RECORDS]),
            n_rows=int(state[_kernels.ROWS]),
            n_values=int(state[_kernels.VALUES]),
            n_timeless=int(state[_kernels.TIMELESS]),
            stop=stop or 0,
            reason=reason or _kernels.ENDED,
            heard=heard,
        )

    def rows(self, layout: Layout, walk: Walk) -> tuple[np.ndarray, ...]:
        """Return second, last record, longitude, latitude and details of each row."""
        offsets, fixed = layout.offsets()
        constants = layout.raw_constants()
        n = walk.n_rows
        seconds, longitude, latitude = (np.empty(n) for _ in range(3))
        record = np.empty(n, dtype=np.int64)
        told = [k for k in range(2, 7) if offsets[k] >= 0 or np.isfinite(constants[k])]
        # Only as many as the log has: most hold the status and nothing else.
        details = np.empty((max(told, default=1) - 1, n))
        _kernels.fill_rows(
            self.data, self._ints, self._words, walk.runs, fixed, offsets, constants,
            EPOCH_1980, seconds, record, longitude, latitude, details,
        )  # fmt: skip
        return seconds, record, longitude, latitude, details

    def clock_ahead(self, layout: Layout, walk: Walk) -> float:
        """Return the median of record clock less the receiver's UTC [s], or NaN."""
        offsets, fixed = layout.offsets()
        if offsets[7] < 0 or offsets[8] < 0 or walk.n_records == 0:
            return float("nan")
        ahead = np.empty(walk.n_records)
        _kernels.clock_ahead(
            self.data, self._ints, self._words, walk.runs, fixed, offsets[7],
            offsets[8], ahead,
        )  # fmt: skip
        known = ahead[np.isfinite(ahead)]
        return float(np.median(known)) / 1000.0 if known.size else float("nan")

    def carry(
        self, layout: Layout, walk: Walk, wanted: list[Wanted], watched: list[int]
    ) -> Carried:
        """Return wanted signals at each row, all in one walk; only watch the others."""
        _, fixed = layout.offsets()
        asked = [w.index for w in wanted] + [
            k for k in watched if k not in {w.index for w in wanted}
        ]
        slots = np.full(256, -1, dtype=np.int16)
        slots[asked] = np.arange(len(asked))
        out = np.empty((len(wanted), walk.n_rows))
        known = np.zeros(len(wanted), dtype=np.int64)
        sent = np.zeros(len(asked), dtype=np.int64)
        first, latest = (np.zeros(len(asked), dtype=np.int32) for _ in range(2))
        _kernels.carry_values(
            self.data, self._ints, self._words, walk.runs, fixed, slots,
            np.array([w.factor for w in wanted], dtype=float),
            np.array([w.lowest for w in wanted], dtype=np.int64),
            np.array([w.max_age for w in wanted], dtype=float),
            np.array([w.max_gap for w in wanted], dtype=float),
            out, known, sent, first, latest,
        )  # fmt: skip
        counts = zip(sent.tolist(), first.tolist(), latest.tolist(), strict=True)
        return Carried(
            values=out,
            shares=known / max(1, walk.n_rows),
            sent=dict(zip(asked, counts, strict=True)),
        )

    def listed(self, layout: Layout, walk: Walk) -> tuple[np.ndarray, ...]:
        """Return row, index and raw number of every value as sent."""
        _, fixed = layout.offsets()
        n = walk.n_values
        row, index = np.empty(n, dtype=np.int64), np.empty(n, dtype=np.uint8)
        value = np.empty(n, dtype=np.int32)
        _kernels.list_values(
            self.data, self._ints, self._words, walk.runs, fixed, row, index, value
        )
        return row, index, value

    def _scan(self, at, fixed, n_signals, limit, heard, state) -> None:
        _kernels.scan(
            self.data, self._ints, self._words, at, fixed, n_signals, limit, heard,
            state,
        )  # fmt: skip

    def _view(self, kind: str, count: int) -> np.ndarray:
        return np.ndarray(count, dtype=kind, buffer=self.data, strides=(1,))


def _state() -> np.ndarray:
    state = np.zeros(7, dtype=np.int64)
    state[_kernels.STAMP] = -1
    return state
