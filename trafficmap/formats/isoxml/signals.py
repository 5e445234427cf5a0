"""Pick the signals of a time log that mean what we want, all in one walk of it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from trafficmap.core import limits
from trafficmap.core.notes import Note
from trafficmap.formats.isoxml.ddi import (
    CAN_MESSAGE_VALUE,
    COUNTERS,
    SPEED_MESSAGES,
    VALUE_AGE,
    WIDTHS,
    item,
)
from trafficmap.formats.isoxml.geometry import boom_of, device_width
from trafficmap.formats.isoxml.model import Device, Task, TaskData
from trafficmap.formats.isoxml.timelog import TimeLog, Wanted
from trafficmap.formats.rawlog import Finding

_WIDTH, _WORK_STATE, _SECTION_STATES, _DISTANCE = WIDTHS[0], 0x008D, 0x00A1, 0x0075
_FLOW, _VOLUME_FLOW, _BY_AREA, _VOLUME_BY_AREA = 0x0057, 0x0056, 0x0054, 0x0053
_DENSITY, _SPEED = 0x0079, 0x018D
_TANK, _MOISTURE, _RATE = (0x004B, 0x00E5), (0x0063,), (0x0002,)
EXTRAS = (0x0034, 0x0048, 0x00E8, 0x00F0, 0x0140, 0x0141, 0x01AC, 0x01AD, 0x027F)

# The value of the whole machine comes before that of its parts.
_KIND_RANK = {1: 0, 2: 1, 5: 2, 4: 3, 3: 4}
_SECTION = 4
_SECTION_BITS = tuple(range(0, 32, 2))
# The top of the range marks errors and gaps in messages of the machine's network.
_MESSAGE_ERROR = 0xFB00
_ANY = -(2**31)


@dataclass
class Story:
    """What was found while a task was turned into a table."""

    findings: dict[str, Finding] = field(default_factory=dict)
    notes: list[Note] = field(default_factory=list)

    def add(self, finding: Finding) -> None:
        """Keep the first finding on a column."""
        self.findings.setdefault(finding.field, finding)


class LogSignals:
    """The columns of one log, in SI; NaN where nothing holds.

    Parameters
    ----------
    data : TaskData
    task : Task
    log : TimeLog
    rig : list of Device
        Machines of the task.
    story : Story
        Gets a finding for each column, and notes.
    """

    def __init__(
        self, data: TaskData, task: Task, log: TimeLog, rig: list[Device], story: Story
    ) -> None:
        self._task, self._log, self._rig, self._story = task, log, rig, story
        self._elements = {
            element.id: (device, element)
            for device in data.devices
            for element in device.elements
        }
        self._by_number: dict[int, list[int]] = {}
        for place in sorted(log.heard):
            self._by_number.setdefault(log.signals[place].number, []).append(place)
        for places in self._by_number.values():
            places.sort(key=self._rank)
        self._decode()

    def columns(self) -> dict[str, np.ndarray]:
        """Return the columns of the contract that hold signals, and extras."""
        width, speed = self._width(), self._speed()
        columns = {
            "speed": speed,
            "width": width,
            "work_state": self._work_state(),
            "mass_flow": self._mass_flow(width, speed),
            "tank_mass": self._first("tank_mass", _TANK),
            "moisture": self._first("moisture", _MOISTURE),
            "application_rate": self._first("application_rate", _RATE),
        }
        for number in EXTRAS:
            values = self._value(number)
            if values is not None:
                columns[f"extra_ddi_{number:04x}"] = values
        self._report_unknown()
        return columns

    def counters(self) -> dict[int, float]:
        """Return how far each running counter went in this log [SI]."""
        grown = {}
        for number in COUNTERS.values():
            places, known = self._by_number.get(number), item(number)
            if not places or known is None:
                continue
            count, first, latest = self._sent.get(places[0], (0, 0, 0))
            if count:
                grown[number] = (latest - first) * known.factor
        return grown

    def _decode(self) -> None:
        """Carry everything that may be asked for, in one walk of the log."""
        wanted, watched = self._wish()
        carried = self._log.carry(wanted, watched)
        self._column = {wish.index: carried.values[k] for k, wish in enumerate(wanted)}
        self._share = {
            wish.index: float(carried.shares[k]) for k, wish in enumerate(wanted)
        }
        self._sent = carried.sent
        n = self._log.seconds.size
        for place, signal in enumerate(self._log.signals):
            if signal.constant is not None:
                wish = self._rule(place, in_si=self._is_in_si(signal.number))
                good = wish.lowest <= signal.constant < 0x7FFFFFFF
                value = signal.constant * wish.factor if good else math.nan
                self._column[place] = np.full(n, value)
                self._share[place] = float(good)

    def _wish(self) -> tuple[list[Wanted], list[int]]:
        asked = [self._places(_WIDTH), self._same_rank(_WORK_STATE)]
        if not self._places(_WORK_STATE):
            asked.append(self._places(_SECTION_STATES))
        if not asked[-1]:
            asked.append(self._places(_DISTANCE)[:1])
        flow = next(
            (n for n in (_FLOW, _VOLUME_FLOW, _BY_AREA, _VOLUME_BY_AREA)
             if self._places(n)), _FLOW,
        )  # fmt: skip
        numbers = [flow, _DENSITY, _SPEED, *_TANK, *_MOISTURE, *_RATE, *EXTRAS]
        asked += [self._places(number)[:1] for number in numbers]
        asked.append(self._speed_messages())
        places = dict.fromkeys(place for some in asked for place in some)
        signals = self._log.signals
        wanted = [
            self._rule(place, in_si=self._is_in_si(signals[place].number))
            for place in places
            if signals[place].constant is None
        ]
        counted = [self._places(number)[:1] for number in COUNTERS.values()]
        watched = [p for some in counted for p in some if signals[p].constant is None]
        return wanted, watched

    @staticmethod
    def _is_in_si(number: int) -> bool:
        """States, counters and network values are wanted as they were sent."""
        raw = (_WORK_STATE, _SECTION_STATES, _DISTANCE, CAN_MESSAGE_VALUE)
        return number not in raw

    def _rule(self, place: int, *, in_si: bool) -> Wanted:
        signal = self._log.signals[place]
        known = item(signal.number)
        kind = known.kind if known else "rate"
        lasting = kind in ("state", "total", "geometry") or self._on_change(place)
        signed = not in_si or (known is not None and known.signed)
        return Wanted(
            place,
            factor=known.factor if known and in_si else 1.0,
            lowest=_ANY if signed else 0,
            max_age=math.inf if lasting else VALUE_AGE,
            max_gap=limits.RATE_GAP_SECONDS if kind == "rate" else math.inf,
        )

    def _value(self, number: int, *, field_name: str = "") -> np.ndarray | None:
        """Return a quantity in SI at each row, None when the log does not hold it."""
        places = self._places(number)
        if not places or places[0] not in self._column:
            return None
        if field_name:
            self._found(field_name, places[0])
        return self._column[places[0]]

    def _first(self, field_name: str, numbers: tuple[int, ...]) -> np.ndarray:
        """Return the first of several quantities that the log holds, else NaN."""
        for number in numbers:
            values = self._value(number, field_name=field_name)
            if values is not None:
                return values
        return self._nothing()

    def _width(self) -> np.ndarray:
        places = self._places(_WIDTH)
        if len(places) > 1 and all(self._kind(p) == _SECTION for p in places):
            return self._width_of_sections(places)
        values = self._value(_WIDTH, field_name="width")
        return self._described_width() if values is None else values

    def _width_of_sections(self, places: list[int]) -> np.ndarray:
        """Add up the sections of each boom; the widest boom is the machine."""
        booms: dict[tuple[str, int], list[np.ndarray]] = {}
        for place in places:
            device, element = self._elements[self._log.signals[place].element]
            boom = (device.id, boom_of(device, element))
            booms.setdefault(boom, []).append(self._column[place])
        totals = []
        for columns in booms.values():
            known = np.zeros(self._log.seconds.size, dtype=bool)
            total = np.zeros(self._log.seconds.size)
            for column in columns:
                good = np.isfinite(column)
                total[good] += column[good]
                known |= good
            total[~known] = np.nan
            totals.append(total)
        widest = totals[0]
        for other in totals[1:]:
            widest = np.fmax(widest, other)
        why = f"sum over {len(places)} sections"
        if len(booms) > 1:
            why = f"widest of {len(booms)} rows of tools, {len(places)} sections"
        self._story.add(Finding("width", "0043", "mm", why))
        return widest

    def _described_width(self) -> np.ndarray:
        width = max(
            (w for device in self._rig if (w := device_width(device)) > 0),
            default=math.nan,
        )
        if math.isnan(width):
            return self._nothing()
        why = "the log holds no width; the machine describes itself so"
        self._story.add(Finding("width", "description", "mm", why, True))
        return np.full(self._log.seconds.size, width)

    def _speed(self) -> np.ndarray:
        values = self._value(_SPEED, field_name="speed")
        if values is not None:
            return values
        for place in self._speed_messages():
            self._found("speed", place)
            raw = self._column[place]
            bad = ~((raw >= 0) & (raw < _MESSAGE_ERROR))
            return np.where(bad, np.nan, raw) * 1e-3
        return self._nothing()

    def _speed_messages(self) -> list[int]:
        places = self._by_number.get(CAN_MESSAGE_VALUE, [])
        messages = {p: self._log.signals[p].message for p in places}
        return [
            p for p, m in messages.items()
            if m is not None and m[0] in SPEED_MESSAGES and m[1:] == (0, 15)
        ][:1]  # fmt: skip

    def _work_state(self) -> np.ndarray:
        same = self._same_rank(_WORK_STATE)
        if same:
            self._found("work_state", same[0])
            if len(same) == 1:
                raw = self._column[same[0]]
                raw[~((raw == 0) | (raw == 1))] = np.nan
                return raw
            raws = np.vstack([self._column[p] for p in same])
            on, known = (raws == 1).any(axis=0), np.isin(raws, (0, 1)).any(axis=0)
            return np.where(known, on.astype(float), np.nan)
        places = self._places(_SECTION_STATES)
        if places:
            return self._any_section_on(places)
        return self._state_from_counter()

    def _any_section_on(self, places: list[int]) -> np.ndarray:
        """Tell work from the states of the sections, sixteen a value."""
        on = np.zeros(self._log.seconds.size, dtype=bool)
        known = on.copy()
        for place in places:
            raw = self._column[place]
            here = np.isfinite(raw)
            known |= here
            # Unsigned in the record; two bits a section, 1 is on.
            bits = np.where(here, raw, 0).astype(np.int64) & 0xFFFFFFFF
            for shift in _SECTION_BITS:
                on |= here & ((bits >> shift) & 3 == 1)
        self._story.add(Finding("work_state", "00A1", "1", "any section on"))
        return np.where(known, on.astype(float), np.nan)

    def _state_from_counter(self) -> np.ndarray:
        """Tell work from the machine's own distance counter growing."""
        places = self._places(_DISTANCE)
        if not places:
            return self._nothing()
        reading = self._column[places[0]]
        grown = np.zeros(reading.size)
        grown[1:] = np.where(np.diff(reading) > 0, 1.0, 0.0)
        grown[np.isnan(reading)] = np.nan
        why = "no work state in the log; working where its worked distance grows"
        self._story.add(Finding("work_state", "0075", "mm", why, True))
        return grown

    def _mass_flow(self, width: np.ndarray, speed: np.ndarray) -> np.ndarray:
        values = self._value(_FLOW, field_name="mass_flow")
        if values is not None:
            return values
        density = self._value(_DENSITY)
        volume = self._value(_VOLUME_FLOW)
        if volume is not None and density is not None:
            why = "yield volume by time times the logged density"
            self._story.add(Finding("mass_flow", "0056", "ml/s", why))
            return volume * density
        by_area, number, unit = self._value(_BY_AREA), "0054", "mg/m2"
        if by_area is None and density is not None:
            volume = self._value(_VOLUME_BY_AREA)
            by_area = None if volume is None else volume * density
            number, unit = "0053", "ml/m2"
        if by_area is None or np.isnan(speed).all() or np.isnan(width).all():
            return self._nothing()
        why = "yield by area times width and speed"
        self._story.add(Finding("mass_flow", number, unit, why, True))
        return by_area * width * speed

    def _report_unknown(self) -> None:
        numbers = {s.number for s in self._log.signals if item(s.number) is None}
        if numbers:
            sentence = (
                f"task {self._task.name}: {len(numbers)} further values in its log are "
                "not used; most are the maker's own."
            )
            note = Note("iso.values_unused", "info", sentence, len(numbers))
            self._story.notes.append(note)

    def _places(self, number: int) -> list[int]:
        """Return the indices of a number, the whole machine's before its parts'."""
        return self._by_number.get(number, [])

    def _same_rank(self, number: int) -> list[int]:
        """Return the indices of a number that speak for parts of the first's kind."""
        places = self._places(number)
        return [p for p in places if self._rank(p) == self._rank(places[0])]

    def _kind(self, place: int) -> int:
        found = self._elements.get(self._log.signals[place].element)
        return found[1].kind if found else 0

    def _rank(self, place: int) -> int:
        return _KIND_RANK.get(self._kind(place), 5)

    def _on_change(self, place: int) -> bool:
        signal = self._log.signals[place]
        found = self._elements.get(signal.element)
        described = found is not None and signal.number in found[1].on_change
        return described or signal.number in self._task.on_change

    def _found(self, field_name: str, place: int) -> None:
        signal = self._log.signals[place]
        known = item(signal.number)
        unit = "as in the data dictionary"
        why = f"{known.name if known else 'network message'}, of {signal.element}"
        column = f"{signal.number:04X}"
        share = self._share.get(place, 1.0)
        self._story.add(Finding(field_name, column, unit, why, share=share))

    def _nothing(self) -> np.ndarray:
        return np.full(self._log.seconds.size, np.nan)
