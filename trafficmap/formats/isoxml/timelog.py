"""One binary time log: header and records in, rows with places and values out."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from trafficmap.core import limits
from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note, Severity
from trafficmap.formats.isoxml import _kernels
from trafficmap.formats.isoxml.layout import (
    Layout,
    Signal,
    read_header,
    settle_layout,
    work_out_layout,
)
from trafficmap.formats.isoxml.records import (
    EPOCH_1980,
    Carried,
    Records,
    Walk,
    Wanted,
)

__all__ = ["EPOCH_1980", "Signal", "TimeLog", "Wanted", "read_time_log"]

_NO_INT32 = 0x7FFFFFFF
_STATUS_UNKNOWN = 15
_NO_SATELLITES = 255
# Receivers write 99.9 or 999.9 where they have no dilution of precision.
_DOP_UNKNOWN = 99.0
_NOT_DRIVEN = {6: "dead reckoning", 7: "typed in by hand", 8: "simulated"}


@dataclass(frozen=True, eq=False)
class TimeLog:
    """Rows of one time log, one row a time stamp; values are kept as sent.

    Parameters
    ----------
    name : str
        As "TLG00001".
    signals : tuple of Signal
        In index order.
    seconds : ndarray
        The record clock as if it were UTC, since 1970 [s].
    record : ndarray of int64
        Number of the last record of each row, from 1.
    longitude, latitude : ndarray
        WGS 84 [deg], NaN where there was no fix.
    altitude : ndarray
        [m]
    quality, pdop, hdop, satellites : ndarray
        NaN where unknown.
    utc_offset : float
        Median of record clock less the receiver's UTC [s], NaN when not logged.
    n_records : int
        Records read.
    heard : frozenset of int
        Indices of the signals that a record carries, or that are constant.
    layout : Layout
        How the records are laid out.
    """

    name: str
    signals: tuple[Signal, ...]
    seconds: np.ndarray
    record: np.ndarray
    longitude: np.ndarray
    latitude: np.ndarray
    altitude: np.ndarray
    quality: np.ndarray
    pdop: np.ndarray
    hdop: np.ndarray
    satellites: np.ndarray
    utc_offset: float
    n_records: int
    heard: frozenset[int]
    layout: Layout
    _records: Records = field(repr=False)
    _walk: Walk = field(repr=False)

    @property
    def value_row(self) -> np.ndarray:
        """Row of each value as sent."""
        return self._listed[0]

    @property
    def value_index(self) -> np.ndarray:
        """Index of the signal of each value as sent."""
        return self._listed[1]

    @property
    def value(self) -> np.ndarray:
        """Raw number of each value as sent."""
        return self._listed[2]

    def sent(self, index: int) -> tuple[np.ndarray, np.ndarray]:
        """Return the rows and raw values of one signal, the last of a row only."""
        chosen = self.value_index == index
        rows, values = self.value_row[chosen], self.value[chosen]
        last = np.ones(rows.size, dtype=bool)
        last[:-1] = rows[1:] != rows[:-1]
        return rows[last], values[last]

    def carry(self, wanted: Sequence[Wanted], watched: Sequence[int] = ()) -> Carried:
        """Return signals carried forward to every row, read in one walk.

        Parameters
        ----------
        wanted : sequence of Wanted
            What to carry, and by which rule.
        watched : sequence of int
            Indices of which only the first and last value are of interest.
        """
        return self._records.carry(self.layout, self._walk, list(wanted), list(watched))

    def carried(
        self, index: int, *, max_age: float = np.inf, max_gap: float = np.inf
    ) -> np.ndarray:
        """Return the raw value of a signal that holds at each row, NaN where none.

        Parameters
        ----------
        index : int
            Place in `signals`.
        max_age : float
            A value holds no longer than this [s].
        max_gap : float
            A value does not hold across a longer pause of the log [s].
        """
        constant = self.signals[index].constant
        if constant is not None:
            return np.full(self.seconds.size, float(constant))
        rule = Wanted(index, max_age=max_age, max_gap=max_gap)
        return self.carry([rule]).values[0]

    @cached_property
    def _listed(self) -> tuple[np.ndarray, ...]:
        return self._records.listed(self.layout, self._walk)


def read_time_log(
    header: bytes | None,
    data: bytes | np.ndarray,
    *,
    name: str,
    siblings: Callable[[], Sequence[Layout]] = tuple,
) -> tuple[TimeLog, list[Note]]:
    """Read one time log from the bytes of its header and of its records.

    Where records are damaged, those before are kept, and reading goes on where five
    sound records follow each other again; the bytes are named.

    Parameters
    ----------
    header : bytes or None
        Content of the XML file; None when it is lost.
    data : bytes or ndarray of uint8
        Content of the binary file, as a view of the file where it can be; may be
        empty.
    name : str
        Name for sentences, as "TLG00001".
    siblings : callable
        Returns the layouts of the other logs of the set; asked only by a log that
        lost its header.

    Raises
    ------
    InputError
        Nothing in it can be read: the header is damaged and the records do not show
        their layout, or no record has a time.
    """
    records = Records(data)
    if records.size > limits.MAX_TIMELOG_BYTES:
        msg = f"{name}: is {records.size / 2**20:,.0f} MB, the limit is "
        msg += f"{limits.MAX_TIMELOG_BYTES / 2**20:,.0f} MB."
        raise InputError(msg, "export fewer tasks at once")
    layout, notes = _layout(header, records, name, siblings)
    walk = records.walk(layout, resume=True)
    notes += _damage_notes(name, records.size, walk)
    if walk.n_records and walk.n_timeless == walk.n_records:
        msg = f"{name}: none of its records has a time."
        raise InputError(msg, "copy the task data again from the machine")
    if walk.n_timeless:
        count = walk.n_timeless
        sentence = f"{name}: {count:,} records without a time were dropped."
        notes.append(Note("iso.no_time", "info", sentence, count, name))
    log = _rows(name, layout, records, walk)
    return log, notes + _place_notes(log)


def _layout(
    header: bytes | None,
    records: Records,
    name: str,
    siblings: Callable[[], Sequence[Layout]],
) -> tuple[Layout, list[Note]]:
    if header is not None:
        try:
            layout, notes = read_header(header, name)
        except InputError:
            if not records.size:
                raise
            try:
                return work_out_layout(records, siblings(), name=name)
            except InputError:
                pass
            raise
        settled, found = settle_layout(records, layout, name)
        return settled, notes + found
    return work_out_layout(records, siblings(), name=name)


def _damage_notes(name: str, size: int, walk: Walk) -> list[Note]:
    """Say at which byte reading stopped, where it went on, and what that costs."""
    if walk.reason == _kernels.ENDED:
        return []
    cut = walk.reason == _kernels.CUT_OFF
    what = "breaks off" if cut else "does not fit its header"
    lost = size - walk.sound_bytes
    if not walk.n_records:
        msg = f"{name}: {what} at byte {walk.stop:,} of {size:,}; nothing is readable."
        raise InputError(msg, "copy the task data again from the machine")
    severity: Severity = "stop" if lost > limits.DROPPED_SHARE * size else "check"
    later = walk.runs[walk.runs[:, 0] > walk.stop]
    if len(later):
        what = "is damaged"
    sentence = f"{name}: {what} at byte {walk.stop:,} of {size:,}; "
    if len(later):
        sentence += (
            f"reading went on at byte {later[0, 0]:,}, and {lost:,} bytes in all were "
            "left out"
        )
    else:
        sentence += "what came before was kept"
    if severity == "stop":
        sentence += f"; {lost / size:.0%} of it is missing from the map"
    return [Note("iso.cut_off", severity, sentence + ".", where=name)]


def _place_notes(log: TimeLog) -> list[Note]:
    """Say which places no receiver measured."""
    notes = []
    for status, words in _NOT_DRIVEN.items():
        count = int((log.quality == status).sum())
        if count:
            sentence = (
                f"{log.name}: {count:,} rows say that their place is {words}; "
                + (
                    "they may lie beside the true track."
                    if status == 6
                    else "leave the log out if no machine drove there."
                )
            )
            severity: Severity = "info" if status == 6 else "check"
            notes.append(Note("iso.place_status", severity, sentence, count, log.name))
    return notes


def _rows(name: str, layout: Layout, records: Records, walk: Walk) -> TimeLog:
    seconds, record, longitude, latitude, details = records.rows(layout, walk)

    def detail(field_number: int, scale: float, none_from: float) -> np.ndarray:
        k = field_number - 2
        if k >= len(details):
            return np.full(walk.n_rows, np.nan)
        # The kernel wrote these for us alone, so they are scaled where they stand.
        column = details[k]
        column[column >= none_from] = np.nan
        if scale != 1.0:
            column *= scale
        return column

    constant = {k for k, s in enumerate(layout.signals) if s.constant is not None}
    heard = set(np.flatnonzero(walk.heard[: len(layout.signals)]).tolist())
    return TimeLog(
        name=name,
        signals=layout.signals,
        seconds=seconds,
        record=record,
        longitude=longitude,
        latitude=latitude,
        altitude=detail(2, 1e-3, _NO_INT32),
        quality=detail(3, 1.0, _STATUS_UNKNOWN),
        pdop=detail(4, 0.1, _DOP_UNKNOWN * 10 + 0.5),
        hdop=detail(5, 0.1, _DOP_UNKNOWN * 10 + 0.5),
        satellites=detail(6, 1.0, _NO_SATELLITES),
        utc_offset=records.clock_ahead(layout, walk),
        n_records=walk.n_records,
        heard=frozenset(heard | constant),
        layout=layout,
        _records=records,
        _walk=walk,
    )
