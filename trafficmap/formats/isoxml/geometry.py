"""What the machines of a task say of themselves: antenna, width, hitch."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from trafficmap.formats.isoxml.ddi import (
    CONNECTOR_TYPE,
    OFFSETS,
    REFERENCE_HEIGHT,
    WIDTHS,
    item,
)
from trafficmap.formats.isoxml.model import Device, DeviceElement, Task, TaskData
from trafficmap.formats.isoxml.timelog import TimeLog
from trafficmap.formats.rawlog import Described

_DEVICE, _FUNCTION, _SECTION, _CONNECTOR, _ANTENNA = 1, 2, 4, 6, 7
GEOMETRY = (*OFFSETS, *WIDTHS, REFERENCE_HEIGHT, CONNECTOR_TYPE)

# Connector types of the data dictionary (from memory): 1 drawbar, 2 and 3 three-point
# hitch semi-mounted and mounted, 4 to 8 and 10 hooks, clevis, piton, ball, pivot wagon
# hitch, all of which pull at one point; 9 is the chassis of a self-propelled machine.
_HITCH_KINDS = {2: "three_point", 3: "three_point"} | dict.fromkeys(
    (1, 4, 5, 6, 7, 8, 10), "drawbar"
)


def rig(data: TaskData, task: Task, logs: Iterable[TimeLog]) -> list[Device]:
    """Return the machines of a task, the one with the antenna first.

    Those the task names, else those whose parts speak in its logs. Geometry that is
    not described but stands in a log completes the description.
    """
    logs = list(logs)
    named = [d for d in data.devices if d.id in task.devices]
    if not named:
        spoken = {s.element for log in logs for s in log.signals}
        named = [d for d in data.devices if any(e.id in spoken for e in d.elements)]
    said = _logged_geometry(logs)
    completed = [_completed(device, said) for device in named]
    return sorted(completed, key=lambda d: d.antenna is None)


def describe(devices: list[Device], task: Task) -> Described | None:
    """Return what the machines of a task say of themselves, None for nothing.

    Parameters
    ----------
    devices : list of Device
        From `rig`.
    task : Task
        Its connections tell which connector the implement hangs on.
    """
    if not devices:
        return None
    first = devices[0]
    widths = [w for d in devices if (w := device_width(d)) > 0]
    hitch = _hitch(first, devices, task)
    found = Described(
        device=first.name,
        antenna=first.antenna,
        reference_height=_reference_height(first),
        width=max(widths, default=math.nan),
        hitch=None if hitch is None else first.place(hitch),
        hitch_kind=""
        if hitch is None
        else _HITCH_KINDS.get(int(hitch.constants.get(CONNECTOR_TYPE, 0)), ""),
    )
    nothing = found.antenna is None and found.hitch is None and math.isnan(found.width)
    return None if nothing else found


def device_width(device: Device) -> float:
    """Return the working width a machine describes [m], NaN for none.

    That of the whole machine, else of its widest boom or toolbar: as written there,
    else from the left end of its sections to the right end, else their sum.
    """
    for element in device.of_kind(_DEVICE):
        width = _stated_width(element)
        if width > 0:
            return width
    booms: dict[int, list[DeviceElement]] = {}
    for section in device.of_kind(_SECTION):
        booms.setdefault(boom_of(device, section), []).append(section)
    widths = [_stated_width(f) for f in device.of_kind(_FUNCTION)]
    widths += [_sections_width(sections) for sections in booms.values()]
    return max((w for w in widths if w > 0), default=math.nan)


def boom_of(device: Device, element: DeviceElement) -> int:
    """Return the object number of the boom or toolbar an element sits on."""
    above = device.ancestry(element)[1:]
    found = next((e for e in above if e.kind == _FUNCTION), None)
    return (found or (above[-1] if above else element)).object_number


def _sections_width(sections: list[DeviceElement]) -> float:
    widths = [_stated_width(s) for s in sections]
    if not all(w > 0 for w in widths):
        return math.nan
    middles = [s.offset[1] for s in sections]
    if len(sections) > 1 and np.isfinite(middles).all():
        right = max(m + w / 2 for m, w in zip(middles, widths, strict=True))
        left = min(m - w / 2 for m, w in zip(middles, widths, strict=True))
        return right - left
    return float(sum(widths))


def _stated_width(element: DeviceElement) -> float:
    known = (element.constants.get(number, math.nan) for number in WIDTHS)
    return next((width for width in known if width > 0), math.nan)


def _hitch(first: Device, devices: list[Device], task: Task) -> DeviceElement | None:
    """Return the connector others hang on: as the task says, else the rearmost."""
    connectors = [e for e in first.of_kind(_CONNECTOR) if first.place(e) is not None]
    others = {d.id for d in devices[1:]}
    for link in task.connections:
        ends = {link.device: link.element, link.other_device: link.other_element}
        if first.id in ends and others & set(ends):
            for element in connectors:
                if element.id == ends[first.id]:
                    return element
    if not connectors or first.antenna is None:
        # A connector of an implement alone is its own end of the coupling.
        return None
    return min(connectors, key=lambda e: (first.place(e) or (0.0,))[0])


def _reference_height(device: Device) -> float:
    known = (e.constants.get(REFERENCE_HEIGHT, math.nan) for e in device.elements)
    return next((abs(height) for height in known if height != 0), math.nan)


def _logged_geometry(logs: list[TimeLog]) -> dict[tuple[str, int], float]:
    """Return the last geometry value of each element that a log holds [SI]."""
    said: dict[tuple[str, int], float] = {}
    for log in logs:
        asked = [k for k in sorted(log.heard) if log.signals[k].number in GEOMETRY]
        # The working width in use changes with every swath and is no description.
        asked = [k for k in asked if log.signals[k].number != WIDTHS[0]]
        if not asked:
            continue
        sent = log.carry([], asked).sent
        for k in asked:
            signal = log.signals[k]
            raw = sent[k][2] if signal.constant is None else signal.constant
            known = item(signal.number)
            if known is not None and abs(raw) < 0x7FFFFFFF:
                said[(signal.element, signal.number)] = raw * known.factor
    return said


def _completed(device: Device, said: dict[tuple[str, int], float]) -> Device:
    elements = []
    for element in device.elements:
        more = {n: v for (who, n), v in said.items() if who == element.id}
        if not more:
            elements.append(element)
            continue
        constants = more | element.constants
        forward, right, down = (constants.get(n, math.nan) for n in OFFSETS)
        offset = (forward, right, -down)
        elements.append(replace(element, constants=constants, offset=offset))
    return replace(device, elements=tuple(elements))
