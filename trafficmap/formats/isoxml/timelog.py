"""One binary time log: header and records in, rows with places and values out."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from trafficmap.core import limits
from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.formats.isoxml import _kernels
from trafficmap.formats.isoxml.attributes import decimal, number_code, whole
from trafficmap.formats.xml import parse_xml

EPOCH_1980 = datetime(1980, 1, 1, tzinfo=UTC).timestamp()
"""Start of the day count in time logs, as seconds since 1970 [s]."""

# North, east, up, status, PDOP, HDOP, satellites, UTC time, UTC date: the order and
# size in bytes of the position fields of a record (ISO 11783-10, time log layout).
_FIELDS = "ABCDEFGHI"
_SIZES = (4, 4, 4, 1, 2, 2, 1, 4, 2)
_STAMP_BYTES = 6
_NO_INT32 = 0x7FFFFFFF
_NO_FIX = (0, 14)
_STATUS_UNKNOWN = 15
# Receivers write 99.9 or 999.9 where they have no dilution of precision.
_DOP_UNKNOWN = 99.0
_DAY_MS = 86_400_000
_PROBE_RECORDS = 3


@dataclass(frozen=True)
class Signal:
    """One value a log can hold: data dictionary number and device element.

    ``constant`` is a raw value that holds for the whole log; such a signal is in no
    record. ``message`` is the number of the network message a value was cut from,
    with its first and last bit, for dictionary number 0xDFFE.
    """

    number: int
    element: str
    constant: int | None = None
    message: tuple[int, int, int] | None = None


@dataclass(frozen=True)
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
    value_row, value_index, value : ndarray
        Values as sent, in order: row, index of the signal, raw number.
    n_records : int
        Records read.
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
    value_row: np.ndarray
    value_index: np.ndarray
    value: np.ndarray
    n_records: int

    def sent(self, index: int) -> tuple[np.ndarray, np.ndarray]:
        """Return the rows and raw values of one signal, the last of a row only."""
        chosen = self.value_index == index
        rows, values = self.value_row[chosen], self.value[chosen]
        last = np.ones(rows.size, dtype=bool)
        last[:-1] = rows[1:] != rows[:-1]
        return rows[last], values[last]

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
        rows, values = self.sent(index)
        out = np.empty(self.seconds.size)
        _kernels.carry(
            rows, values.astype(np.float64), self.seconds, max_age, max_gap, out
        )
        return out


def read_time_log(
    header: bytes, data: bytes, *, name: str
) -> tuple[TimeLog, list[Note]]:
    """Read one time log from the bytes of its header and of its records.

    Parameters
    ----------
    header : bytes
        Content of the XML file.
    data : bytes
        Content of the binary file; may be empty.
    name : str
        Name for sentences, as "TLG00001".

    Raises
    ------
    InputError
        The header is damaged or has no record layout; or more than
        `limits.DROPPED_SHARE` of the records cannot be read.
    """
    if len(data) > limits.MAX_TIMELOG_BYTES:
        msg = f"{name}: is {len(data) / 2**20:,.0f} MB, the limit is "
        msg += f"{limits.MAX_TIMELOG_BYTES / 2**20:,.0f} MB."
        raise InputError(msg, "export fewer tasks at once")
    layout, notes = _read_header(header, name)
    records = np.frombuffer(data, dtype=np.uint8)
    present, found = _settle_layout(records, layout, name)
    notes += found
    offsets, fixed = _offsets(present)
    sizes = np.zeros(4, dtype=np.int64)
    _kernels.measure(records, fixed, len(layout.signals), np.iinfo(np.int64).max, sizes)
    n_records, n_values, stop, reason = sizes.tolist()
    notes += _stop_notes(name, records.size, stop, reason)
    stamp = np.empty(n_records, dtype=np.int64)
    fields = np.full((8, n_records), np.nan)
    value_record = np.empty(n_values, dtype=np.int64)
    value_index = np.empty(n_values, dtype=np.uint8)
    value = np.empty(n_values, dtype=np.int32)
    _kernels.fill(
        records, offsets, fixed, stamp, fields, value_record, value_index, value
    )
    for k, constant in layout.constants.items():
        fields[k] = constant
    stamp, found = _known_stamps(stamp, fields, name)
    notes += found
    log = _merge(name, layout, stamp, fields, value_record, value_index, value)
    return log, notes


@dataclass(frozen=True)
class _Layout:
    """What the header says: fields written, constant fields (raw), signals."""

    present: tuple[bool, ...]
    constants: dict[int, float]
    signals: tuple[Signal, ...]


def _read_header(header: bytes, name: str) -> tuple[_Layout, list[Note]]:
    root = parse_xml(header, name=f"{name}.xml", root="TIM")
    notes: list[Note] = []
    positions = root.findall("PTN")
    if len(positions) > 1:
        sentence = f"{name}: the header describes the position twice; the first holds."
        notes.append(Note("iso.position_twice", "info", sentence, where=name))
    attributes = positions[0].attrib if positions else {}
    present = tuple(attributes.get(letter) == "" for letter in _FIELDS)
    constants: dict[int, float] = {}
    for k, letter in enumerate(_FIELDS[:7]):
        if attributes.get(letter):
            scale = 1e7 if k < 2 else 10.0 if k in (4, 5) else 1.0
            constants[k] = decimal(positions[0], letter) * scale
    signals = []
    for element in root.findall("DLV"):
        message = None
        if element.get("D"):
            message = (whole(element, "D"), whole(element, "E"), whole(element, "F"))
        raw = whole(element, "B") if element.get("B") else None
        number = number_code(element)
        signals.append(Signal(number, element.get("C", ""), raw, message))
    if len(signals) > 255:
        msg = f"{name}.xml: describes {len(signals)} values, a record can hold 255."
        raise InputError(msg, "copy it again from the machine")
    return _Layout(present, constants, tuple(signals)), notes


def _settle_layout(
    records: np.ndarray, layout: _Layout, name: str
) -> tuple[tuple[bool, ...], list[Note]]:
    """Return which fields the records really hold.

    Some machines write all nine position fields although their header names few. That
    reading is taken only when the first records do not fit the header and do fit it.
    """
    declared, whole = layout.present, (True,) * len(_FIELDS)
    if _lines_up(records, declared, len(layout.signals)) or declared == whole:
        return declared, []
    if not _lines_up(records, whole, len(layout.signals), at_least=2):
        return declared, []
    sentence = (
        f"{name}: the records hold more position fields than the header says; they "
        "were read with all fields, which fits."
    )
    return whole, [Note("iso.header_layout", "check", sentence, where=name)]


def _lines_up(
    records: np.ndarray, present: tuple[bool, ...], n_signals: int, *, at_least: int = 0
) -> bool:
    """Tell whether the first records end where they should and their days agree."""
    _, fixed = _offsets(present)
    sizes = np.zeros(4, dtype=np.int64)
    _kernels.measure(records, fixed, n_signals, _PROBE_RECORDS, sizes)
    count, _, _, reason = sizes.tolist()
    if reason == _kernels.BAD_INDEX or count < at_least:
        return False
    if reason == _kernels.CUT_OFF and count == 0:
        return False
    at, days = 0, []
    for _ in range(count):
        head = records[at : at + _STAMP_BYTES].tobytes()
        if int.from_bytes(head[:4], "little") > _DAY_MS + 1000:
            return False
        days.append(int.from_bytes(head[4:], "little"))
        at += fixed + 5 * int(records[at + fixed - 1])
    return not days or max(days) - min(days) <= 1


def _offsets(present: tuple[bool, ...]) -> tuple[np.ndarray, int]:
    """Return the byte of each field in a record, and the bytes before the values."""
    offsets = np.full(len(_FIELDS), -1, dtype=np.int64)
    at = _STAMP_BYTES
    for k, (written, size) in enumerate(zip(present, _SIZES, strict=True)):
        if written:
            offsets[k] = at
            at += size
    return offsets, at + 1


def _stop_notes(name: str, size: int, stop: int, reason: int) -> list[Note]:
    if reason == _kernels.ENDED:
        return []
    what = "breaks off" if reason == _kernels.CUT_OFF else "does not fit its header"
    lost = (size - stop) / size
    if lost > limits.DROPPED_SHARE:
        msg = f"{name}: {what} at byte {stop:,} of {size:,}; {lost:.0%} is unreadable."
        raise InputError(msg, "copy the task data again from the machine")
    sentence = (
        f"{name}: {what} at byte {stop:,} of {size:,}; what came before was kept."
    )
    return [Note("iso.cut_off", "check", sentence, where=name)]


def _known_stamps(
    stamp: np.ndarray, fields: np.ndarray, name: str
) -> tuple[np.ndarray, list[Note]]:
    """Give records without a time that of the one before; their places fall away."""
    unknown = stamp < 0
    if not unknown.any():
        return stamp, []
    if unknown.all():
        msg = f"{name}: none of its records has a time."
        raise InputError(msg, "copy the task data again from the machine")
    fields[:, unknown] = np.nan
    source = np.where(unknown, 0, np.arange(stamp.size))
    source = np.maximum(np.maximum.accumulate(source), int(np.argmin(unknown)))
    count = int(unknown.sum())
    sentence = f"{name}: {count:,} records without a time were dropped."
    note = Note("iso.no_time", "info", sentence, count, name)
    return stamp[source], [note]


def _merge(name, layout, stamp, fields, value_record, value_index, value) -> TimeLog:
    """Join the records of one time stamp into one row."""
    n = stamp.size
    first = np.ones(n, dtype=bool)
    first[1:] = stamp[1:] != stamp[:-1]
    row_of_record = np.cumsum(first) - 1
    n_rows = int(first.sum())
    last = np.zeros(n_rows, dtype=np.int64)
    last[row_of_record] = np.arange(n)
    has_fix = _has_fix(fields)
    # With repeated rows the last assignment stays, which is the latest fix.
    source = np.full(n_rows, -1, dtype=np.int64)
    source[row_of_record[has_fix]] = np.flatnonzero(has_fix)

    def at_fix(k: int, scale: float) -> np.ndarray:
        column = np.full(n_rows, np.nan)
        column[source >= 0] = fields[k, source[source >= 0]] * scale
        return column

    quality = at_fix(3, 1.0)
    quality[quality == _STATUS_UNKNOWN] = np.nan
    altitude = at_fix(2, 1e-3)
    altitude[altitude >= _NO_INT32 * 1e-3] = np.nan
    pdop, hdop, satellites = at_fix(4, 0.1), at_fix(5, 0.1), at_fix(6, 1.0)
    pdop[pdop > _DOP_UNKNOWN] = np.nan
    hdop[hdop > _DOP_UNKNOWN] = np.nan
    satellites[satellites == 255] = np.nan
    ahead = (stamp - fields[7]) / 1000.0
    known = np.isfinite(ahead) & (fields[7] > 0)
    return TimeLog(
        name=name,
        signals=layout.signals,
        seconds=stamp[last] / 1000.0 + EPOCH_1980,
        record=last + 1,
        longitude=at_fix(1, 1e-7),
        latitude=at_fix(0, 1e-7),
        altitude=altitude,
        quality=quality,
        pdop=pdop,
        hdop=hdop,
        satellites=satellites,
        utc_offset=float(np.median(ahead[known])) if known.any() else float("nan"),
        value_row=row_of_record[value_record],
        value_index=value_index,
        value=value,
        n_records=n,
    )


def _has_fix(fields: np.ndarray) -> np.ndarray:
    north, east, status = fields[0], fields[1], fields[3]
    inside = (np.abs(north) <= 90e7) & (np.abs(east) <= 180e7)
    return inside & ~((north == 0) & (east == 0)) & ~np.isin(status, _NO_FIX)
