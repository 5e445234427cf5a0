"""What a record of a time log looks like: its header, or what the records show."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.formats.isoxml import _kernels
from trafficmap.formats.isoxml.attributes import decimal, number_code, whole
from trafficmap.formats.isoxml.records import Records
from trafficmap.formats.xml import parse_xml_head

# North, east, up, status, PDOP, HDOP, satellites, UTC time, UTC date: the order and
# size in bytes of the position fields of a record (ISO 11783-10, time log layout).
FIELDS = "ABCDEFGHI"
SIZES = (4, 4, 4, 1, 2, 2, 1, 4, 2)
MAX_SIGNALS = 255

_STAMP_BYTES = 6
_PROBE_RECORDS = 3
_DECLARED_RECORDS = 2
_BARE = (True, True, *(False,) * 7)
_LONGEST_PAUSE = 86_400.0
_STEADY_DEGREES = 0.01
_TIMELESS_SHARE = 0.01


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
class Layout:
    """How the records of a log are laid out.

    Parameters
    ----------
    present : tuple of bool
        Which of the nine position fields stand in every record.
    constants : tuple of pair
        Place and raw value of position fields that hold for the whole log.
    signals : tuple of Signal
        In index order.
    padding : int
        Bytes of a record between east and the number of values whose meaning is
        unknown; only where a lost header was worked out from the records.
    open_ended : bool
        Records may carry indices beyond the signals, since the header is cut off.
    """

    present: tuple[bool, ...]
    constants: tuple[tuple[int, float], ...]
    signals: tuple[Signal, ...]
    padding: int = 0
    open_ended: bool = False

    @property
    def n_signals(self) -> int:
        """How many signals an index may point at."""
        return MAX_SIGNALS if self.open_ended else len(self.signals)

    def offsets(self) -> tuple[np.ndarray, int]:
        """Return the byte of each field in a record, and the bytes before values.

        A field that is not written has -1.
        """
        offsets = np.full(len(FIELDS), -1, dtype=np.int64)
        at = _STAMP_BYTES
        for k, (written, size) in enumerate(zip(self.present, SIZES, strict=True)):
            if written:
                offsets[k] = at
                at += size
        return offsets, at + self.padding + 1

    def raw_constants(self) -> np.ndarray:
        """Return the constant of each field, NaN for none."""
        constants = np.full(len(FIELDS), np.nan)
        for k, raw in self.constants:
            constants[k] = raw
        return constants


def read_header(header: bytes, name: str) -> tuple[Layout, list[Note]]:
    """Return the layout that the header of a log describes.

    A header that breaks off is used as far as it goes; the position comes first in it,
    and values it no longer describes stay without a meaning.

    Raises
    ------
    InputError
        It breaks off before any value, has the wrong root, an attribute that is no
        number, or more than 255 values.
    """
    root, stop = parse_xml_head(header, name=f"{name}.xml", root="TIM")
    notes: list[Note] = []
    positions = root.findall("PTN")
    if stop is not None:
        if not root.findall("DLV"):
            msg = f"{name}.xml: is damaged, it breaks off at byte {stop:,} before it "
            msg += "describes anything."
            raise InputError(msg, "copy it again from the machine or the stick")
        described = len(root.findall("DLV"))
        sentence = (
            f"{name}.xml: is damaged, it breaks off at byte {stop:,} of "
            f"{len(header):,}; what it describes before that was read, "
            f"{described} value{'' if described == 1 else 's'}."
        )
        notes.append(Note("iso.header_cut", "check", sentence, where=name))
    if len(positions) > 1:
        sentence = f"{name}: the header describes the position twice; the first holds."
        notes.append(Note("iso.position_twice", "info", sentence, where=name))
    attributes = positions[0].attrib if positions else {}
    present = tuple(attributes.get(letter, "-").strip() == "" for letter in FIELDS)
    constants: dict[int, float] = {}
    for k, letter in enumerate(FIELDS[:7]):
        if attributes.get(letter, "").strip():
            scale = 1e7 if k < 2 else 10.0 if k in (4, 5) else 1.0
            raw = decimal(positions[0], letter) * scale
            constants[k] = raw if np.isfinite(raw) else np.nan
    signals = []
    for element in root.findall("DLV"):
        message = None
        if element.get("D"):
            message = (whole(element, "D"), whole(element, "E"), whole(element, "F"))
        raw_value = whole(element, "B") if element.get("B", "").strip() else None
        number = number_code(element)
        signals.append(Signal(number, element.get("C", ""), raw_value, message))
    if len(signals) > MAX_SIGNALS:
        msg = f"{name}.xml: describes {len(signals)} values, a record can hold 255."
        raise InputError(msg, "copy it again from the machine")
    layout = Layout(
        present,
        tuple(constants.items()),
        tuple(signals),
        open_ended=stop is not None,
    )
    return layout, notes


def settle_layout(
    records: Records, layout: Layout, name: str
) -> tuple[Layout, list[Note]]:
    """Return the layout that the records really have.

    Some machines write all nine position fields although their header names few. That
    reading is taken only when the first records do not fit the header and do fit it.
    """
    every = replace(layout, present=(True,) * len(FIELDS), constants=())
    if _lines_up(records, layout) or layout.present == every.present:
        return layout, []
    if not _lines_up(records, every, at_least=_DECLARED_RECORDS):
        return layout, []
    sentence = (
        f"{name}: the records hold more position fields than the header says; they "
        "were read with all fields, which fits."
    )
    return every, [Note("iso.header_layout", "check", sentence, where=name)]


def work_out_layout(
    records: Records, siblings: Sequence[Layout], *, name: str
) -> tuple[Layout, list[Note]]:
    """Return the layout of a log whose header is lost, from the records themselves.

    Time, date, north and east always come first, so only the number of bytes before
    the values is open: one under which the records line up to the last byte, with
    rising times and places that hang together. The meaning of the values is taken
    from the headers of the other logs of the same set, when all of those agree and
    fit; else only time and place are read.

    Parameters
    ----------
    records : Records
    siblings : sequence of Layout
        What the sound headers of the same set describe.
    name : str

    Raises
    ------
    InputError
        No reading fits, or several do that differ.
    """
    agree = set(siblings)
    if len(agree) == 1:
        other = agree.pop()
        if _is_drive(records, other):
            sentence = (
                f"{name}: its header is missing or damaged; the headers of the other "
                "logs agree and its records fit them to the last byte, so it was read "
                "like those. Look whether its width and work state are right."
            )
            return other, [Note("iso.header_borrowed", "check", sentence, where=name)]
    bare = Layout(_BARE, (), (), open_ended=True)
    candidates = (
        replace(bare, padding=padding) for padding in range(sum(SIZES[2:]) + 1)
    )
    fits = [candidate for candidate in candidates if _is_drive(records, candidate)]
    # Records of one length can line up under several readings; time and place stand
    # at their beginning, so all that matters is where each record begins.
    tracks = {records.rows(fit, records.walk(fit))[0].tobytes() for fit in fits}
    if len(tracks) != 1:
        what = "no reading fits its records" if not fits else "several readings fit"
        msg = f"{name}.bin: its header is lost and {what}."
        raise InputError(msg, "copy the task data again from the machine")
    sentence = (
        f"{name}: its header is missing or damaged; time and places were worked out "
        "from the records, which line up to the last byte. Width, work state and load "
        "of this log are not known; copy it again from the machine to get them."
    )
    return fits[0], [Note("iso.header_lost", "check", sentence, where=name)]


def _lines_up(records: Records, layout: Layout, *, at_least: int = 0) -> bool:
    """Tell whether the first records end where they should and their days agree."""
    count, reason, days = records.probe(layout, _PROBE_RECORDS)
    if reason == _kernels.BAD_INDEX or count < at_least:
        return False
    if reason == _kernels.CUT_OFF and count == 0:
        return False
    if (days < 0).any():
        return False
    return not days.size or int(days.max() - days.min()) <= 1


def _is_drive(records: Records, layout: Layout) -> bool:
    """Tell whether records line up to the end as a drive: times rise, places hold."""
    whole_log = records.walk(layout)
    if whole_log.reason != _kernels.ENDED or whole_log.n_rows < _DECLARED_RECORDS:
        return False
    if whole_log.n_timeless > _TIMELESS_SHARE * whole_log.n_records:
        return False
    seconds, _, longitude, latitude, _ = records.rows(layout, whole_log)
    step = np.diff(seconds)
    if (step < 0).any() or (step > _LONGEST_PAUSE).any():
        return False
    known = np.isfinite(longitude) & np.isfinite(latitude)
    if known.sum() < _DECLARED_RECORDS:
        return False
    reach = [np.abs(np.diff(axis[known])) for axis in (longitude, latitude)]
    return bool(np.median(reach[0]) < _STEADY_DEGREES > np.median(reach[1]))
