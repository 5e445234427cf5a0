"""A machine in words: where its wheels are taken to be and what they carry."""

from __future__ import annotations

import math

from trafficmap.core.units import from_si
from trafficmap.machines.model import Axle, Body, Machine
from trafficmap.machines.validate import AxleReport, axle_report


def wheel_places(machine: Machine, *, units: str = "metric") -> str:
    """Return one line: each axle's place, its wheels, its load empty to full.

    Places along are from the axle of the same body that does not steer, places across
    from its centre line; loads with header on and tools lifted. Where the tyre tells
    its load index, the pressure it needs full stands beside the one set.

    Parameters
    ----------
    machine : Machine
    units : str
        metric or us.
    """
    rows = iter(axle_report(machine))
    bodies = []
    for body in machine.bodies:
        axles = "; ".join(_axle(axle, next(rows), units) for axle in body.axles)
        bodies.append(f"{body.id}: {axles}{_hung(body, units)}")
    return ". ".join([*bodies, _antenna(machine, units)])


def load_words(low: float, high: float, *, units: str = "metric") -> str:
    """Return a span of masses [kg] as a person reads it, as ``18.8 to 27.4 t``."""
    if units == "us":
        a, b = (f"{round(from_si(mass, 'lb'), -2):,.0f}" for mass in (low, high))
        word = "lb"
    else:
        a, b, word = f"{low / 1e3:.1f}", f"{high / 1e3:.1f}", "t"
    return f"{a} {word}" if a == b else f"{a} to {b} {word}"


def length_words(length: float, *, units: str = "metric") -> str:
    """Return a length [m] to the centimetre or the inch."""
    if units != "us":
        return f"{length:.2f} m"
    inches = round(from_si(length, "in"))
    return f"{inches // 12} ft {inches % 12} in"


def _axle(axle: Axle, row: AxleReport, units: str) -> str:
    name = f"{axle.name}, steered," if axle.steered else axle.name
    if abs(axle.x) < 0.005:
        along = "at the origin"
    else:
        side = "ahead" if axle.x > 0 else "behind"
        along = f"{length_words(abs(axle.x), units=units)} {side}"
    contacts = axle.contacts
    if contacts[0].centre:
        across = "one wheel in the middle"
    else:
        places = (0.5 * axle.track_width + c.lateral_offset for c in contacts)
        words = " and ".join(length_words(place, units=units) for place in places)
        kind = "tracks" if contacts[0].kind == "track" else "wheels"
        across = f"{kind} {words} left and right"
    words = f"{name} {along}, {across}, "
    words += load_words(row.lightest, row.heaviest, units=units)
    if math.isfinite(row.needed):
        words += f", needs {_pressure(row.needed, units)} full, "
        words += f"has {_pressure(row.set, units)}"
    return words


def _hung(body: Body, units: str) -> str:
    if body.coupling is None:
        return ""
    return f"; hangs on a hitch {length_words(body.coupling.x, units=units)} ahead"


def _antenna(machine: Machine, units: str) -> str:
    antenna = machine.antenna
    side = "ahead" if antenna.x >= 0 else "behind"
    text = f"Antenna {length_words(abs(antenna.x), units=units)} {side}"
    if abs(antenna.y) >= 0.01:
        side = "right" if antenna.y > 0 else "left"
        text += f", {length_words(abs(antenna.y), units=units)} {side}"
    return text


def _pressure(pressure: float, units: str) -> str:
    if units == "us":
        return f"{from_si(pressure, 'psi'):.0f} psi"
    return f"{pressure / 1e3:.0f} kPa"
