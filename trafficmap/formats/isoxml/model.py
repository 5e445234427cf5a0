"""A task data set as values: fields, tasks, machines and time logs."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from trafficmap.core.notes import Note

if TYPE_CHECKING:
    from shapely.geometry import MultiPolygon
    from shapely.geometry.base import BaseGeometry

    from trafficmap.formats.isoxml.links import Link
    from trafficmap.formats.isoxml.timelog import TimeLog


@dataclass(frozen=True)
class Partfield:
    """A field: its boundary is longitude and latitude, WGS 84.

    ``stated_area`` [m2] is the attribute as written; it is often wrong, so areas are
    always measured from the boundary.
    """

    id: str
    name: str
    code: str
    stated_area: float
    boundary: MultiPolygon | None
    crop: str = ""


@dataclass(frozen=True)
class DeviceElement:
    """Part of a machine, as a section, a connector or the antenna.

    ``kind`` is 1 device, 2 function, 3 bin, 4 section, 5 unit, 6 connector, 7
    navigation (antenna).
    ``offset`` is forward, right, up [m] from the device's reference point, NaN where
    the file does not say. ``constants`` holds fixed values [SI] by data dictionary
    number; ``settable`` and ``on_change`` hold the numbers of process data that can
    be set, and that are sent on change only.
    """

    id: str
    kind: int
    number: int
    name: str
    object_number: int
    parent: int
    offset: tuple[float, float, float]
    constants: dict[int, float]
    settable: frozenset[int] = frozenset()
    on_change: frozenset[int] = frozenset()


@dataclass(frozen=True)
class Device:
    """A machine as it describes itself."""

    id: str
    name: str
    serial: str
    elements: tuple[DeviceElement, ...]

    @property
    def antenna(self) -> tuple[float, float, float] | None:
        """Antenna from the reference point [m]: forward, right, up; None unknown."""
        return self._first_offset(7)

    @property
    def connector(self) -> tuple[float, float, float] | None:
        """First connector from the reference point [m]: forward, right, up."""
        return self._first_offset(6)

    def ancestry(self, element: DeviceElement) -> list[DeviceElement]:
        """Return the element and what it sits on, up to the device itself."""
        by_object = {e.object_number: e for e in self.elements}
        line = [element]
        while len(line) <= len(self.elements):
            above = by_object.get(line[-1].parent)
            if above is None or above in line:
                break
            line.append(above)
        return line

    def place(self, element: DeviceElement) -> tuple[float, float, float] | None:
        """Return an element's offset from the device's reference point [m].

        Forward, right, up. Offsets count from the device and not from the part an
        element sits on; a direction the element does not tell is that of the nearest
        part above which does, else 0. None where nobody tells any.
        """
        found = [np.nan] * 3
        for each in self.ancestry(element):
            for axis, value in enumerate(each.offset):
                if np.isnan(found[axis]):
                    found[axis] = value
        if np.isnan(found).all():
            return None
        forward, right, up = np.nan_to_num(found).tolist()
        return forward, right, up

    def of_kind(self, kind: int) -> list[DeviceElement]:
        """Return the elements of one kind, in the order of their numbers."""
        chosen = [e for e in self.elements if e.kind == kind]
        return sorted(chosen, key=lambda e: e.number)

    def _first_offset(self, kind: int) -> tuple[float, float, float] | None:
        places = (self.place(element) for element in self.of_kind(kind))
        return next((place for place in places if place is not None), None)


@dataclass(frozen=True)
class TimeSpan:
    """One stretch of work of a task.

    ``start`` and ``stop`` are text as written; ``totals`` holds raw counters by (data
    dictionary number, device element).
    """

    start: str
    stop: str
    kind: int
    totals: dict[tuple[int, str], int]


@dataclass(frozen=True)
class TreatmentZone:
    """A zone of a prescription: ``values`` holds raw numbers by dictionary number."""

    code: int
    name: str
    values: dict[int, int]
    geometry: BaseGeometry | None = None


@dataclass(frozen=True)
class PrescriptionGrid:
    """A grid of a prescription, row 0 in the south, column 0 in the west.

    ``values`` has shape (rows, cols) for zone codes (kind 1) and (rows, cols, m) for
    raw values (kind 2), m being the number of values of the zone ``zone_code``.
    """

    kind: int
    south: float
    west: float
    cell_north: float
    cell_east: float
    values: np.ndarray
    zone_code: int | None = None

    def row_col(self, longitude: float, latitude: float) -> tuple[int, int]:
        """Return the row and column of a place [deg]; they may lie outside."""
        row = np.floor((latitude - self.south) / self.cell_north)
        col = np.floor((longitude - self.west) / self.cell_east)
        return int(row), int(col)


@dataclass(frozen=True)
class Connection:
    """Which connector of one machine another machine hangs on, as ids."""

    device: str
    element: str
    other_device: str
    other_element: str


@dataclass(frozen=True)
class Task:
    """One job: the field it was on, its times with totals, and its logs."""

    id: str
    name: str
    partfield: str
    status: int
    spans: tuple[TimeSpan, ...]
    log_names: tuple[str, ...]
    logs: tuple[TimeLog, ...]
    log_starts: tuple[str, ...]
    devices: tuple[str, ...] = ()
    on_change: frozenset[int] = frozenset()
    zones: tuple[TreatmentZone, ...] = ()
    grid: PrescriptionGrid | None = None
    default_zone: int | None = None
    connections: tuple[Connection, ...] = ()


@dataclass(frozen=True)
class TaskData:
    """Everything read from one ISO 11783-10 task data set."""

    path: Path
    version: tuple[int, int] | None
    partfields: tuple[Partfield, ...]
    tasks: tuple[Task, ...]
    devices: tuple[Device, ...]
    notes: tuple[Note, ...] = field(default_factory=tuple)
    links: tuple[Link, ...] = ()

    def partfield(self, identity: str) -> Partfield | None:
        """Return the field with this id, None when there is none."""
        return next((p for p in self.partfields if p.id == identity), None)

    def element(self, identity: str) -> tuple[Device, DeviceElement] | None:
        """Return the machine and its part with this element id."""
        for device in self.devices:
            for element in device.elements:
                if element.id == identity:
                    return device, element
        return None
