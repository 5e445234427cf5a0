"""Machines as they describe themselves: parts, offsets, widths."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from trafficmap.core.notes import Note
from trafficmap.formats.isoxml.attributes import number_code, whole
from trafficmap.formats.isoxml.ddi import OFFSETS, item
from trafficmap.formats.isoxml.model import Device, DeviceElement

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

_SETTABLE = 2
_ON_CHANGE = 8
_NO_PARENT = 0


def read_device(element: Element) -> tuple[Device, list[Note]]:
    """Return a machine of a task data set, with notes."""
    device = _read_device(element)
    orphans = _orphans(device)
    if not orphans:
        return device, []
    sentence = (
        f"{device.name}: {orphans} parts of the machine hang on a part that is not "
        "described."
    )
    return device, [Note("iso.device_parts", "info", sentence, orphans, device.name)]


def ground_offset(
    forward: float, right: float, *, heading: float
) -> tuple[float, float]:
    """Turn an offset on the machine into one on the ground.

    Parameters
    ----------
    forward, right : float
        Offset from the reference point in the machine's own frame: forward along it,
        right across it. [m]
    heading : float
        Clockwise from north. [deg]

    Returns
    -------
    tuple of float
        East, north. [m]

    Examples
    --------
    >>> east, north = ground_offset(2.0, 1.0, heading=90.0)
    >>> round(east, 6), round(north, 6)
    (2.0, -1.0)
    """
    angle = math.radians(heading)
    east = forward * math.sin(angle) + right * math.cos(angle)
    north = forward * math.cos(angle) - right * math.sin(angle)
    return east, north


def _read_device(element: Element) -> Device:
    properties = {
        whole(p, "A", -1): (number_code(p, "B"), whole(p, "C"))
        for p in element.findall("DPT")
    }
    process = {
        whole(p, "A", -1): (number_code(p, "B"), whole(p, "C"), whole(p, "D"))
        for p in element.findall("DPD")
    }
    parts = [_read_element(e, properties, process) for e in element.findall("DET")]
    return Device(
        id=element.get("A", ""),
        name=element.get("B", "").strip() or element.get("A", ""),
        serial=element.get("E", ""),
        elements=tuple(parts),
    )


def _read_element(element: Element, properties: dict, process: dict) -> DeviceElement:
    referred = [whole(r, "A", -1) for r in element.findall("DOR")]
    constants: dict[int, float] = {}
    for number, raw in (properties[r] for r in referred if r in properties):
        known = item(number)
        constants[number] = raw * known.factor if known else float(raw)
    data = [process[r] for r in referred if r in process]
    forward, right, down = (constants.get(n, math.nan) for n in OFFSETS)
    return DeviceElement(
        id=element.get("A", ""),
        kind=whole(element, "C"),
        number=whole(element, "E"),
        name=element.get("D", ""),
        object_number=whole(element, "B"),
        parent=whole(element, "F"),
        # The standard counts downwards; up is how everything else here counts.
        offset=(forward, right, -down),
        constants=constants,
        settable=frozenset(n for n, bits, _ in data if bits & _SETTABLE),
        on_change=frozenset(n for n, _, trigger in data if trigger & _ON_CHANGE),
    )


def _orphans(device: Device) -> int:
    known = {e.object_number for e in device.elements}
    return sum(1 for e in device.elements if e.parent not in known | {_NO_PARENT})
