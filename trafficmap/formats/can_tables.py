"""What the bytes of the messages on a machine's network mean, for those we use.

Sources, as far as they could be read openly. SAE J1939-71 by the copies that makers
print in their manuals: compass bearing, speed, pitch and height of 65256 (1/128 deg,
1/256 km/h, -2500 m + 0.125 m); axle location, axle 0.5 kg, trailer and cargo 2 kg of
65258 (also SAE J2735, data elements of J1939-71). NMEA 2000 by the open tables of
the CANboat project: 129025, 129026, 129029, 126992. ISO 11783-7 and -10 by the open
code of AgIsoStack++: 65096, 65097, 61474 (0.001 m/s), 51968. The layouts of 65267
(1e-7 deg - 210 deg), of 65254 and of the hitch messages are from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

PROCESS_DATA = 51_968
GNSS_POSITION = 129_029
"""Sent in several frames."""

AXLES = 65_258

_BIG = {1: 0xFB, 2: 0xFB00, 4: 0xFB00_0000}
_SIGNED = {2: 0x7FFD, 4: 0x7FFF_FFFD, 8: 0x7FFF_FFFF_FFFF_FFFD}


@dataclass(frozen=True)
class Value:
    """One number in a message.

    Parameters
    ----------
    field : str
        Our name of the signal, or "axle", "trailer", "cargo".
    first, size : int
        First byte, from 0, and number of bytes, least first.
    factor, offset : float
        Value is raw x factor + offset, in SI (degrees for places and headings).
    signed : bool
    """

    field: str
    first: int
    size: int
    factor: float
    offset: float = 0.0
    signed: bool = False

    @property
    def limit(self) -> int:
        """Raw numbers from here on say: error, or not available.

        J1939 keeps the top of the range of unsigned numbers for that; NMEA 2000 the
        three largest of signed ones.
        """
        return _SIGNED[self.size] if self.signed else _BIG[self.size]


@dataclass(frozen=True)
class Message:
    """A message of one frame: its number, what people call it, its values."""

    number: int
    name: str
    values: tuple[Value, ...]


_KM_H = 1 / 3.6
MESSAGES: dict[int, Message] = {
    m.number: m
    for m in (
        Message(
            65_267,
            "vehicle position",
            (
                Value("latitude", 0, 4, 1e-7, -210.0),
                Value("longitude", 4, 4, 1e-7, -210.0),
            ),
        ),
        Message(
            129_025,
            "position, rapid update",
            (
                Value("latitude", 0, 4, 1e-7, signed=True),
                Value("longitude", 4, 4, 1e-7, signed=True),
            ),
        ),
        Message(
            129_026,
            "course and speed over ground",
            (
                Value("heading", 2, 2, math.degrees(1e-4)),
                Value("speed", 4, 2, 0.01),
            ),
        ),
        Message(
            65_256,
            "vehicle direction and speed",
            (
                Value("heading", 0, 2, 1 / 128),
                Value("speed", 2, 2, _KM_H / 256),
                Value("altitude", 6, 2, 0.125, -2500.0),
            ),
        ),
        Message(65_097, "ground-based speed", (Value("speed", 0, 2, 1e-3),)),
        Message(61_474, "machine selected speed", (Value("speed", 0, 2, 1e-3),)),
        Message(65_096, "wheel-based speed", (Value("speed", 0, 2, 1e-3),)),
        Message(65_265, "wheel speed", (Value("speed", 1, 2, _KM_H / 256),)),
        Message(
            AXLES,
            "vehicle mass",
            (
                Value("axle", 1, 2, 0.5),
                Value("trailer", 3, 2, 2.0),
                Value("cargo", 5, 2, 2.0),
            ),
        ),
    )
}
"""Messages of one frame that we read, by their parameter group number."""

PREFERRED: dict[str, tuple[int, ...]] = {
    # Over ground comes before wheels, which slip.
    "speed": (129_026, 65_097, 61_474, 65_256, 65_096, 65_265),
    "heading": (129_026, 65_256),
    "altitude": (65_256,),
}
"""Which message a signal is taken from where several carry it."""

POSITIONS = (GNSS_POSITION, 129_025, 65_267)

HITCHES = {65_093: "rear hitch", 65_094: "front hitch"}
"""Byte 2, bits 7 and 8: 1 in work, 0 not, more unknown (from memory)."""

CLOCKS = {126_992: "system time", 65_254: "time and date"}

PROCESS_FIELDS: dict[str, tuple[int, ...]] = {
    "speed": (0x018D,),
    "width": (0x0043,),
    "work_state": (0x008D,),
    "mass_flow": (0x0057,),
    "yield_mass": (0x0054,),
    "tank_mass": (0x004B, 0x00E5),
    "moisture": (0x0063,),
    "application_rate": (0x0002,),
}
"""Our signals and the data dictionary numbers they come from, best first."""

AGES: dict[str, float] = {
    # A value holds no longer than this [s]; choices, states hold until the next.
    "speed": 2.0,
    "heading": 2.0,
    "altitude": 10.0,
    "mass_flow": 10.0,
    "application_rate": 10.0,
    "tank_mass": 60.0,
    "moisture": 60.0,
    "fix_quality": 10.0,
}


def group_of(ident: int) -> int:
    """Return the parameter group number in a 29-bit identifier.

    Below 240 the third byte is the receiver and no part of the number (SAE J1939-21;
    from memory, the same in every open decoder).

    Examples
    --------
    >>> group_of(0x18FEEA1C), group_of(0x0CCBF71C), group_of(0x09F8011C)
    (65258, 51968, 129025)
    """
    page, form = ident >> 24 & 3, ident >> 16 & 0xFF
    specific = ident >> 8 & 0xFF if form >= 240 else 0
    return page << 16 | form << 8 | specific
