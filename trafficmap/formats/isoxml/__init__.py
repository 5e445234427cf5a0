"""ISO 11783-10 task data: what machines and displays exchange on a stick.

In comes a folder, a zip or a task file; out go fields, tasks, machines and logs as
values, and a log as the `RawLog` every other reader returns.
"""

from __future__ import annotations

from trafficmap.formats.isoxml.links import Link
from trafficmap.formats.isoxml.model import (
    Connection,
    Device,
    DeviceElement,
    Partfield,
    PrescriptionGrid,
    Task,
    TaskData,
    TimeSpan,
    TreatmentZone,
)
from trafficmap.formats.isoxml.read import read_task_data
from trafficmap.formats.isoxml.tolog import task_logs

__all__ = [
    "Connection",
    "Device",
    "DeviceElement",
    "Link",
    "Partfield",
    "PrescriptionGrid",
    "Task",
    "TaskData",
    "TimeSpan",
    "TreatmentZone",
    "read_task_data",
    "task_logs",
]
