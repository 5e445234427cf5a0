"""Time logs of a task as one `RawLog` under our names and in SI."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from trafficmap.core import limits
from trafficmap.core.notes import Note, Severity
from trafficmap.formats.isoxml.clock import RecordClock, settle_clock
from trafficmap.formats.isoxml.ddi import (
    CAN_MESSAGE_VALUE,
    COUNTERS,
    OFFSETS,
    SPEED_MESSAGES,
    VALUE_AGE,
    item,
)
from trafficmap.formats.isoxml.model import Device, Task, TaskData
from trafficmap.formats.isoxml.timelog import TimeLog
from trafficmap.formats.rawlog import Finding, RawLog

KIND = "ISO 11783-10 time log"

_NOT_AVAILABLE = 0x7FFFFFFF
# The value of the whole machine comes before that of its parts.
_KIND_RANK = {1: 0, 2: 1, 5: 2, 4: 3, 3: 4}
_SECTION = 4
_SECTION_BITS = tuple(range(0, 32, 2))
_COUNTER_SHARE = 0.01
_EXTRAS = (0x0034, 0x0048, 0x00E8, 0x00F0, 0x0140, 0x0141, 0x01AC, 0x01AD, 0x027F)


def task_logs(data: TaskData, *, as_logged: bool = False) -> list[RawLog]:
    """Return one log for each task that drove: its time logs joined in order of time.

    Joined, because the machine's own counters run on over the logs of one task, and
    so the worked area and distance of a task can be held against them.

    Parameters
    ----------
    data : TaskData
        From `read_task_data`.
    as_logged : bool
        Believe dates that look as if the clock had never been set.

    Returns
    -------
    list of RawLog
        ``part`` is the name of the task, with its id where two share a name; ``row``
        counts the records of the joined logs.
    """
    names = [task.name for task in data.tasks]
    logs = []
    for task in data.tasks:
        if not task.logs:
            continue
        single = names.count(task.name) == 1
        part = task.name if single else f"{task.name} ({task.id})"
        logs.append(_task_log(data, task, part, as_logged))
    return [log for log in logs if log is not None]


@dataclass
class _Story:
    """What was found while a task was turned into a table."""

    findings: dict[str, Finding] = field(default_factory=dict)
    notes: list[Note] = field(default_factory=list)

    def add(self, finding: Finding) -> None:
        self.findings.setdefault(finding.field, finding)


def _task_log(data: TaskData, task: Task, part: str, as_logged: bool) -> RawLog | None:
    pairs = sorted(
        zip(task.logs, task.log_starts, strict=True), key=lambda p: p[0].seconds[0]
    )
    logs, starts = [p[0] for p in pairs], [p[1] for p in pairs]
    story = _Story()
    clock, found = settle_clock(logs, starts, name=part, as_logged=as_logged)
    story.notes += found
    story.add(Finding("time", "record clock", "ms", clock.why))
    frames, done = [], 0
    for log in logs:
        frame = _frame(data, task, log, clock, story)
        frame["row"] += done
        done += log.n_records
        frames.append(frame)
    table = pd.concat(frames, ignore_index=True)
    has_place = table["longitude"].notna().to_numpy()
    lost = int((~has_place).sum())
    if lost == len(table):
        sentence = f"task {part}: its log holds no position at all and was left out."
        story.notes.append(Note("iso.no_position", "stop", sentence, where=part))
        return None
    if lost:
        sentence = f"task {part}: {lost:,} rows without a position were dropped."
        severity: Severity = (
            "check" if lost > limits.DROPPED_SHARE * len(table) else "info"
        )
        story.notes.append(Note("iso.no_fix", severity, sentence, lost, part))
    field_of_task = data.partfield(task.partfield)
    device = _device(data, task)
    return RawLog(
        table=table[has_place].reset_index(drop=True),
        kind=KIND,
        path=data.path,
        part=part,
        clock=clock.kind,
        clock_error=clock.error,
        findings=tuple(story.findings.values()),
        notes=tuple(dict.fromkeys(story.notes)),
        crop=field_of_task.crop if field_of_task else "",
        field_name=field_of_task.name if field_of_task else "",
        counters=_counters(data, task, logs, part, story),
        antenna=_antenna(data, logs, device),
        machine=device.name if device else "",
    )


def _frame(
    data: TaskData, task: Task, log: TimeLog, clock: RecordClock, story: _Story
) -> pd.DataFrame:
    reader = _Reader(data, task, log, story)
    width = reader.width()
    speed = reader.speed()
    columns = {
        "longitude": log.longitude,
        "latitude": log.latitude,
        "seconds": log.seconds - clock.offset,
        "row": log.record.astype(np.int64),
        "speed": speed,
        "heading": np.full(log.seconds.size, np.nan),
        "altitude": log.altitude,
        "fix_quality": log.quality,
        "width": width,
        "work_state": reader.work_state(),
        "mass_flow": reader.mass_flow(width, speed),
        "tank_mass": reader.first("tank_mass", (0x004B, 0x00E5)),
        "moisture": reader.first("moisture", (0x0063,)),
        "application_rate": reader.first("application_rate", (0x0002,)),
    }
    for number in _EXTRAS:
        values = reader.value(number)
        if values is not None:
            columns[f"extra_ddi_{number:04x}"] = values
    reader.report_unknown()
    return pd.DataFrame(columns)


@dataclass
class _Reader:
    """Picks the signals of one log that mean what we want to know."""

    data: TaskData
    task: Task
    log: TimeLog
    story: _Story

    def value(self, number: int, *, field_name: str = "") -> np.ndarray | None:
        """Return a quantity in SI at each row, None when the log does not hold it."""
        places = self._places(number)
        if not places:
            return None
        raw = self._carried(places[0])
        known = item(number)
        factor = known.factor if known else 1.0
        if field_name:
            self._found(field_name, places[0])
        return np.where((raw < 0) | (raw == _NOT_AVAILABLE), np.nan, raw) * factor

    def first(self, field_name: str, numbers: tuple[int, ...]) -> np.ndarray:
        """Return the first of several quantities that the log holds, else NaN."""
        for number in numbers:
            values = self.value(number, field_name=field_name)
            if values is not None:
                return values
        return self._nothing()

    def width(self) -> np.ndarray:
        places = self._places(0x0043)
        kinds = [self._kind(place) for place in places]
        if places and all(kind == _SECTION for kind in kinds) and len(places) > 1:
            raw = np.vstack([self._carried(place) for place in places])
            total = np.where(np.isnan(raw).all(axis=0), np.nan, np.nansum(raw, axis=0))
            self.story.add(
                Finding("width", "0043", "mm", f"sum over {len(places)} sections")
            )
            return total * 1e-3
        values = self.value(0x0043, field_name="width")
        if values is not None:
            return values
        return self._described_width()

    def _described_width(self) -> np.ndarray:
        for number in (0x0043, 0x0046, 0x0044):
            for device in self.data.devices:
                if self.task.devices and device.id not in self.task.devices:
                    continue
                for element in device.elements:
                    width = element.constants.get(number, 0.0)
                    if width > 0:
                        why = "the log holds no width; the machine describes itself so"
                        found = Finding("width", f"{number:04X}", "mm", why, True)
                        self.story.add(found)
                        return np.full(self.log.seconds.size, width)
        return self._nothing()

    def speed(self) -> np.ndarray:
        values = self.value(0x018D, field_name="speed")
        if values is not None:
            return values
        for k, signal in enumerate(self.log.signals):
            if signal.number == CAN_MESSAGE_VALUE and signal.message is not None:
                group, low, high = signal.message
                if group in SPEED_MESSAGES and (low, high) == (0, 15):
                    self._found("speed", k)
                    raw = self._carried(k)
                    # The top of the range marks errors and gaps in such messages.
                    return np.where((raw < 0) | (raw >= 0xFB00), np.nan, raw) * 1e-3
        return self._nothing()

    def work_state(self) -> np.ndarray:
        places = self._places(0x008D)
        if places:
            rank = self._rank(places[0])
            same = [p for p in places if self._rank(p) == rank]
            raw = np.vstack([self._carried(p) for p in same])
            on, known = (raw == 1).any(axis=0), np.isin(raw, (0, 1)).any(axis=0)
            self._found("work_state", places[0])
            return np.where(known, on.astype(float), np.nan)
        places = self._places(0x00A1)
        if places:
            raw = self._carried(places[0])
            known = np.isfinite(raw)
            # Unsigned in the record; two bits a section, 1 is on.
            bits = np.where(known, raw, 0).astype(np.int64) & 0xFFFFFFFF
            on = np.zeros(raw.size, dtype=bool)
            for shift in _SECTION_BITS:
                on |= (bits >> shift) & 3 == 1
            why = "any section on"
            self.story.add(Finding("work_state", "00A1", "1", why))
            return np.where(known, on.astype(float), np.nan)
        return self._state_from_counter()

    def _state_from_counter(self) -> np.ndarray:
        """Tell work from the machine's own distance counter growing."""
        places = self._places(0x0075)
        if not places:
            return self._nothing()
        reading = self._carried(places[0])
        grown = np.zeros(reading.size)
        grown[1:] = np.where(np.diff(reading) > 0, 1.0, 0.0)
        grown[np.isnan(reading)] = np.nan
        why = "no work state in the log; working where its worked distance grows"
        self.story.add(Finding("work_state", "0075", "mm", why, True))
        return grown

    def mass_flow(self, width: np.ndarray, speed: np.ndarray) -> np.ndarray:
        values = self.value(0x0057, field_name="mass_flow")
        if values is not None:
            return values
        by_area = self.value(0x0054)
        if by_area is None or np.isnan(speed).all() or np.isnan(width).all():
            return self._nothing()
        why = "yield by area times width and speed"
        self.story.add(Finding("mass_flow", "0054", "mg/m2", why, True))
        return by_area * width * speed

    def report_unknown(self) -> None:
        numbers = {s.number for s in self.log.signals if item(s.number) is None}
        if numbers:
            sentence = (
                f"task {self.task.name}: {len(numbers)} further values in its log are "
                "not used; most are the maker's own."
            )
            note = Note("iso.values_unused", "info", sentence, len(numbers))
            self.story.notes.append(note)

    def counter(self, number: int) -> float | None:
        """Return how far a running counter went in this log [SI]."""
        places = self._places(number)
        known = item(number)
        if not places or known is None:
            return None
        _, values = self.log.sent(places[0])
        if values.size == 0:
            return None
        return float(int(values[-1]) - int(values[0])) * known.factor

    def _places(self, number: int) -> list[int]:
        """Return the indices of a number, the whole machine's before its parts'."""
        found = [k for k, s in enumerate(self.log.signals) if s.number == number]
        heard = [k for k in found if self._is_heard(k)]
        return sorted(heard, key=self._rank)

    def _is_heard(self, place: int) -> bool:
        constant = self.log.signals[place].constant is not None
        return constant or bool((self.log.value_index == place).any())

    def _kind(self, place: int) -> int:
        found = self.data.element(self.log.signals[place].element)
        return found[1].kind if found else 0

    def _rank(self, place: int) -> int:
        return _KIND_RANK.get(self._kind(place), 5)

    def _carried(self, place: int) -> np.ndarray:
        signal = self.log.signals[place]
        known = item(signal.number)
        kind = known.kind if known else "rate"
        lasting = kind in ("state", "total", "geometry") or self._on_change(place)
        return self.log.carried(
            place,
            max_age=math.inf if lasting else VALUE_AGE,
            max_gap=limits.RATE_GAP_SECONDS if kind == "rate" else math.inf,
        )

    def _on_change(self, place: int) -> bool:
        signal = self.log.signals[place]
        found = self.data.element(signal.element)
        described = found is not None and signal.number in found[1].on_change
        return described or signal.number in self.task.on_change

    def _found(self, field_name: str, place: int) -> None:
        signal = self.log.signals[place]
        known = item(signal.number)
        unit = "as in the data dictionary"
        why = f"{known.name if known else 'network message'}, of {signal.element}"
        column = f"{signal.number:04X}"
        share = float(np.isfinite(self._carried(place)).mean())
        finding = Finding(field_name, column, unit, why, share=share)
        self.story.add(finding)

    def _nothing(self) -> np.ndarray:
        return np.full(self.log.seconds.size, np.nan)


def _counters(
    data: TaskData, task: Task, logs: list[TimeLog], part: str, story: _Story
) -> dict[str, float]:
    """Return the machine's own totals of a task [SI].

    A reading in the records runs on over the logs of a task and may start above zero,
    so what was done is the sum over the logs of last less first. A TIM's total runs on
    too: the last one counts, never the sum.
    """
    counters: dict[str, float] = {}
    for name, number in COUNTERS.items():
        grown = [_Reader(data, task, log, story).counter(number) for log in logs]
        known = [g for g in grown if g is not None]
        read = sum(known) if known else None
        stated = _last_total(task, number)
        if read is None and stated is None:
            continue
        counters[name] = read if read is not None else stated  # type: ignore[assignment]
        if read is not None and stated is not None and stated > 0:
            off = abs(read - stated) / stated
            if off > _COUNTER_SHARE:
                sentence = (
                    f"task {part}: the machine's {name.replace('_', ' ')} counter "
                    f"differs by {off:.0%} between its records and the task's total."
                )
                story.notes.append(Note("iso.counter", "info", sentence, where=part))
    return counters


def _last_total(task: Task, number: int) -> float | None:
    known = item(number)
    for span in reversed(task.spans):
        values = [raw for (n, _), raw in span.totals.items() if n == number]
        if values and known is not None:
            return values[0] * known.factor
    return None


def _device(data: TaskData, task: Task) -> Device | None:
    for device in data.devices:
        if device.id in task.devices:
            return device
    spoken = {s.element for log in task.logs for s in log.signals}
    for device in data.devices:
        if any(element.id in spoken for element in device.elements):
            return device
    return None


def _antenna(
    data: TaskData, logs: list[TimeLog], device: Device | None
) -> tuple[float, float, float] | None:
    """Return the antenna's offset from the description, else from the records."""
    if device is not None and device.antenna is not None:
        return device.antenna
    for log in logs:
        offset = [math.nan] * 3
        for k, signal in enumerate(log.signals):
            found = data.element(signal.element)
            if found is None or found[1].kind != 7 or signal.number not in OFFSETS:
                continue
            raw = signal.constant
            if raw is None:
                _, values = log.sent(k)
                raw = int(values[-1]) if values.size else None
            if raw is not None:
                offset[OFFSETS.index(signal.number)] = raw * 1e-3
        if not all(math.isnan(o) for o in offset):
            forward, right, down = np.nan_to_num(offset).tolist()
            return forward, right, -down
    return None
