"""What the numbers in ISO 11783-11's data dictionary mean to this program.

Numbers, names, units and resolutions as in the data dictionary tables that open task
controller libraries carry (public lists derived from ISO 11783-11). Only what the
program uses is here; the others keep their number and are not interpreted.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["rate", "state", "total", "geometry", "measure"]


@dataclass(frozen=True)
class DataItem:
    """One entry of the data dictionary.

    Parameters
    ----------
    number : int
    name : str
    unit : str
        SI unit after multiplying by `factor`.
    factor : float
        Raw integer times this is SI.
    kind : {"rate", "state", "total", "geometry", "measure"}
        Decides how long a value that is not sent again stays true.
    signed : bool
        True where a number below zero is a value and not a fault.
    """

    number: int
    name: str
    unit: str
    factor: float
    kind: Kind
    signed: bool = False


def _items(*rows: tuple) -> dict[int, DataItem]:
    return {row[0]: DataItem(*row) for row in rows}


DATA_ITEMS: dict[int, DataItem] = _items(
    (0x0002, "actual liquid rate", "m", 1e-11, "rate"),
    (0x0033, "setpoint tillage depth", "m", 1e-3, "state", True),
    (0x0034, "actual tillage depth", "m", 1e-3, "measure", True),
    (0x0043, "actual working width", "m", 1e-3, "geometry"),
    (0x0044, "default working width", "m", 1e-3, "geometry"),
    (0x0046, "maximum working width", "m", 1e-3, "geometry"),
    (0x0048, "actual tank volume", "m3", 1e-6, "measure"),
    (0x004B, "actual bin mass", "kg", 1e-3, "measure"),
    (0x0053, "yield volume by area", "m3/m2", 1e-6, "rate"),
    (0x0054, "yield by area", "kg/m2", 1e-6, "rate"),
    (0x0056, "yield volume by time", "m3/s", 1e-6, "rate"),
    (0x0057, "yield mass by time", "kg/s", 1e-6, "rate"),
    (0x005A, "total yield mass", "kg", 1.0, "total"),
    (0x0063, "crop moisture", "fraction", 1e-6, "measure"),
    (0x0079, "product density", "kg/m3", 1e-3, "measure"),
    (0x0074, "total area", "m2", 1.0, "total"),
    (0x0075, "distance while working", "m", 1e-3, "total"),
    (0x0076, "distance while not working", "m", 1e-3, "total"),
    (0x0077, "time while working", "s", 1.0, "total"),
    (0x0078, "time while not working", "s", 1.0, "total"),
    (0x0086, "offset forward", "m", 1e-3, "geometry", True),
    (0x0087, "offset right", "m", 1e-3, "geometry", True),
    (0x0088, "offset down", "m", 1e-3, "geometry", True),
    (0x008D, "work state", "1", 1.0, "state"),
    (0x009D, "connector type", "1", 1.0, "state"),
    (0x00A1, "work state of sections 1 to 16", "1", 1.0, "state"),
    (0x00B4, "height of the reference point", "m", 1e-3, "geometry", True),
    (0x00E5, "actual net mass", "kg", 1e-3, "measure"),
    (0x00E8, "actual gross mass", "kg", 1e-3, "measure"),
    (0x00F0, "unloading system status", "1", 1.0, "state"),
    (0x0140, "last loaded mass", "kg", 1e-3, "total"),
    (0x0141, "last unloaded mass", "kg", 1e-3, "total"),
    (0x018D, "actual speed", "m/s", 1e-3, "rate"),
    (0x01AC, "total loaded mass", "kg", 1.0, "total"),
    (0x01AD, "total unloaded mass", "kg", 1.0, "total"),
    (0x027F, "actual tyre pressure", "Pa", 0.1, "measure"),
)

CAN_MESSAGE_VALUE = 0xDFFE
"""A value cut out of a message of the machine's own network; its number says which."""

SPEED_MESSAGES = (65096, 65097)
"""Wheel speed and ground speed of the tractor, 0.001 m/s a bit, bits 0 to 15 (from
memory)."""

COUNTERS: dict[str, int] = {
    "mass": 0x005A,
    "area": 0x0074,
    "distance": 0x0075,
    "idle_distance": 0x0076,
    "duration": 0x0077,
    "idle_duration": 0x0078,
}
"""Totals a machine counts itself, under the names in `RawLog.counters`."""

OFFSETS = (0x0086, 0x0087, 0x0088)
"""Forward, right and down offset from the device's reference point.

The data dictionary defines each as an offset of an element "relative to a Device", so
offsets of nested elements do not add up."""

WIDTHS = (0x0043, 0x0046, 0x0044)
"""Actual, maximum and default working width."""

REFERENCE_HEIGHT = 0x00B4
"""Height of the device's reference point above the ground."""

CONNECTOR_TYPE = 0x009D
"""Kind of a connector, as a small number."""

VALUE_AGE = 60.0
"""A value sent by time or distance holds no longer than this [s] (choice)."""


def item(number: int) -> DataItem | None:
    """Return the entry for a number, None when the program does not know it."""
    return DATA_ITEMS.get(number)
