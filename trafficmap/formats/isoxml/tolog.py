"""Time logs of a task as `RawLog` under our names and in SI."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from trafficmap.core import limits
from trafficmap.core.notes import Note, Severity
from trafficmap.formats.isoxml.align import Piece, join_pieces, split_by_machine
from trafficmap.formats.isoxml.clock import RecordClock, mend_late_clock, settle_clock
from trafficmap.formats.isoxml.ddi import COUNTERS, item
from trafficmap.formats.isoxml.geometry import describe, rig
from trafficmap.formats.isoxml.model import Task, TaskData
from trafficmap.formats.isoxml.signals import LogSignals, Story
from trafficmap.formats.isoxml.timelog import TimeLog
from trafficmap.formats.rawlog import Finding, RawLog

KIND = "ISO 11783-10 time log"

_COUNTER_SHARE = 0.01


def task_logs(data: TaskData, *, as_logged: bool = False) -> list[RawLog]:
    """Return one log for each task and machine that drove, its time logs joined.

    Joined, because the machine's own counters run on over the logs of one task, and
    so the worked area and distance of a task can be held against them. Logs of one
    task that run at the same time are laid beside each other by their clocks when
    they were driven together, and stay apart when two machines shared the task.

    Parameters
    ----------
    data : TaskData
        From `read_task_data`.
    as_logged : bool
        Believe dates that look as if the clock had never been set.

    Returns
    -------
    list of RawLog
        ``part`` is the name of the task, with its id where two share a name, and with
        the names of the logs where several machines shared it; ``row`` counts the
        records of the joined logs.
    """
    names = [task.name for task in data.tasks]
    logs = []
    for task in data.tasks:
        if not task.logs:
            continue
        single = names.count(task.name) == 1
        part = task.name if single else f"{task.name} ({task.id})"
        logs += _task_logs(data, task, part, as_logged)
    return logs


def _task_logs(data: TaskData, task: Task, part: str, as_logged: bool) -> list[RawLog]:
    notes: list[Note] = []
    mended, starts = [], []
    order = np.argsort([log.seconds[0] for log in task.logs], kind="stable")
    for k in order:
        log, found = mend_late_clock(task.logs[k], part)
        notes += found
        mended.append(log)
        starts.append(task.log_starts[k])
    groups = split_by_machine(mended)
    made = []
    for group in groups:
        logs = [mended[k] for k in group]
        named = part
        if len(groups) > 1:
            named = f"{part}, {' and '.join(log.name for log in logs)}"
        clock, found = settle_clock(
            logs, [starts[k] for k in group], name=named, as_logged=as_logged
        )
        story = Story(notes=[*notes, *found])
        if len(groups) > 1:
            sentence = (
                f"task {part}: {len(groups)} machines drove in it at the same time; "
                "each is a log of its own."
            )
            story.notes.append(Note("iso.machines_apart", "info", sentence, where=part))
        one = _one_log(data, task, _Group(named, logs, clock), story)
        if one is not None:
            made.append(one)
            notes = []
    return made


@dataclass(frozen=True)
class _Group:
    """Time logs of one machine in one task, and the clock they share."""

    part: str
    logs: list[TimeLog]
    clock: RecordClock


def _one_log(data: TaskData, task: Task, group: _Group, story: Story) -> RawLog | None:
    story.add(Finding("time", "record clock", "ms", group.clock.why))
    devices = rig(data, task, group.logs)
    pieces: list[Piece] = []
    grown: list[dict[int, float]] = []
    done = 0
    for log in group.logs:
        signals = LogSignals(data, task, log, devices, story)
        pieces.append(_piece(log, signals, group.clock, done))
        grown.append(signals.counters())
        done += log.n_records
    columns, found = join_pieces(pieces, part=group.part)
    story.notes += found
    has_place = np.isfinite(columns["longitude"])
    lost = int(has_place.size - np.count_nonzero(has_place))
    if lost == has_place.size:
        sentence = f"task {group.part}: its log holds no position at all; left out."
        story.notes.append(Note("iso.no_position", "stop", sentence, where=group.part))
        return None
    if lost:
        sentence = f"task {group.part}: {lost:,} rows without a position were dropped."
        severity: Severity = (
            "check" if lost > limits.DROPPED_SHARE * has_place.size else "info"
        )
        note = Note("iso.no_fix", severity, sentence, lost, group.part)
        story.notes.append(note)
        columns = {name: values[has_place] for name, values in columns.items()}
    field_of_task = data.partfield(task.partfield)
    described = describe(devices, task)
    counters = _counters(task, grown, group.part, story)
    return RawLog(
        # The columns were made for this table alone.
        table=pd.DataFrame(columns, copy=False),
        kind=KIND,
        path=data.path,
        part=group.part,
        clock=group.clock.kind,
        clock_error=group.clock.error,
        findings=tuple(story.findings.values()),
        notes=tuple(dict.fromkeys(story.notes)),
        crop=field_of_task.crop if field_of_task else "",
        field_name=field_of_task.name if field_of_task else "",
        counters=counters,
        antenna=described.antenna if described else None,
        machine=devices[0].name if devices else "",
        described=described,
    )


def _piece(log: TimeLog, signals: LogSignals, clock: RecordClock, done: int) -> Piece:
    picked = signals.columns()
    seconds = log.seconds if clock.offset == 0.0 else log.seconds - clock.offset
    columns = {
        "longitude": log.longitude,
        "latitude": log.latitude,
        "seconds": seconds,
        "row": log.record if done == 0 else log.record + done,
        "speed": picked.pop("speed"),
        "heading": np.full(log.seconds.size, np.nan),
        "altitude": log.altitude,
        "fix_quality": log.quality,
        **picked,
    }
    return Piece(log.name, columns)


def _counters(
    task: Task, grown: list[dict[int, float]], part: str, story: Story
) -> dict[str, float]:
    """Return the machine's own totals of a task [SI].

    A reading in the records runs on over the logs of a task and may start above zero,
    so what was done is the sum over the logs of last less first. A TIM's total runs on
    too: the last one counts, never the sum.
    """
    counters: dict[str, float] = {}
    for name, number in COUNTERS.items():
        known = [log[number] for log in grown if number in log]
        stated = _last_total(task, number)
        if not known:
            if stated is not None:
                counters[name] = stated
            continue
        read = counters[name] = sum(known)
        if stated is not None and stated > 0:
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
