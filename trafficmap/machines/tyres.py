"""Tyre strings, their nominal size, load index, and load against inflation."""

from __future__ import annotations

import re
from dataclasses import dataclass

from trafficmap.core.constants import GRAVITY
from trafficmap.core.errors import SettingsError

LOAD_EXPONENT = 0.585
"""Load a tyre carries grows as pressure to this power: exponent of the older form for
farm tyres (from memory; usual range 0.5 to 0.7)."""

_ASPECT_INCH = 0.82
"""Section height over width of an inch size, 0.80 to 0.85 (from memory; choice)."""

_ASPECT_LOW = 0.72
"""Section height over width of a low section "L" inch size (from memory; choice)."""

_PRESSURE_FACTOR = {"": 1.0, "IF": 0.8, "VF": 0.6, "NRO": 0.6}
"""Pressure at equal load against a standard tyre: 20 and 40 % lower (a tyre trade
page)."""

_TAIL = r"(?P<tail>(?:\s+.*)?)$"
_METRIC = re.compile(
    r"^(?P<prefix>IF|VF|NRO)?\s*(?P<width>\d{2,4})\s*/\s*(?P<aspect>\d{2,3})\s*"
    r"(?P<build>[RBD-])\s*(?P<rim>\d{1,2}(?:\.\d+)?)" + _TAIL,
    re.IGNORECASE,
)
_INCH = re.compile(
    r"^(?P<prefix>IF|VF)?\s*(?P<width>\d{1,2}(?:\.\d+)?)(?P<low>L)?\s*"
    r"(?P<build>[RB-])\s*(?P<rim>\d{1,2}(?:\.\d+)?)" + _TAIL,
    re.IGNORECASE,
)
_FLOTATION = re.compile(
    r"^(?P<prefix>IF|VF)?\s*(?P<diameter>\d{2}(?:\.\d+)?)\s*[xX]\s*"
    r"(?P<width>\d{1,2}(?:\.\d+)?)\s*(?P<build>[RB-])\s*"
    r"(?P<rim>\d{1,2}(?:\.\d+)?)" + _TAIL,
    re.IGNORECASE,
)
_SERVICE = re.compile(
    r"\b(?P<index>\d{2,3})\s*(?P<speed>A[1-8]|[BDE])\b", re.IGNORECASE
)


@dataclass(frozen=True)
class Tyre:
    """Nominal size of a tyre.

    Parameters
    ----------
    width, diameter, section_height, rim : float
        Nominal, unloaded. [m]
    build : str
        radial, bias or bias-belted.
    prefix : str
        IF, VF, NRO or empty.
    load_index : int or None
    speed : str
        Speed symbol, or empty.
    """

    width: float
    diameter: float
    section_height: float
    rim: float
    build: str
    prefix: str
    load_index: int | None
    speed: str


def parse_tyre(designation: str) -> Tyre:
    """Return the nominal size behind a designation.

    Metric ``IF710/70R42 179D``, inch ``18.4R38`` and ``30.5L-32``, flotation
    ``66x43.00R25``. The overall diameter is the rim plus twice the section height;
    data books differ by up to 1.5 % (from memory).

    Raises
    ------
    SettingsError
        The text is none of these forms.

    Examples
    --------
    >>> round(parse_tyre("710/70R42").diameter, 4)
    2.0608
    """
    text = designation.strip()
    inch = 0.0254
    if match := _METRIC.match(text):
        width = float(match["width"]) / 1000
        height = width * float(match["aspect"]) / 100
        diameter = float(match["rim"]) * inch + 2 * height
    elif match := _FLOTATION.match(text):
        width = float(match["width"]) * inch
        diameter = float(match["diameter"]) * inch
        height = (diameter - float(match["rim"]) * inch) / 2
    elif match := _INCH.match(text):
        width = float(match["width"]) * inch
        height = width * (_ASPECT_LOW if match["low"] else _ASPECT_INCH)
        diameter = float(match["rim"]) * inch + 2 * height
    else:
        msg = f"tyre: got {designation!r}, need a size as on the side wall."
        raise SettingsError(msg, "write it as 710/70R42, 18.4R38 or 66x43.00R25")
    if not (0.05 <= height <= 0.9 and 0.1 <= width <= 1.6 and diameter <= 3.0):
        msg = f"tyre: {designation!r} would be {width:.2f} m wide and {diameter:.2f} m "
        msg += "high, which no tyre is."
        raise SettingsError(msg, "read the size from the side wall again")
    service = _SERVICE.search(match["tail"])
    build = {"R": "radial", "B": "bias-belted"}.get(match["build"].upper(), "bias")
    return Tyre(
        width=width,
        diameter=diameter,
        section_height=height,
        rim=float(match["rim"]) * inch,
        build=build,
        prefix=(match["prefix"] or "").upper(),
        load_index=int(service["index"]) if service else None,
        speed=service["speed"].upper() if service else "",
    )


def load_of_index(load_index: float) -> float:
    """Mass a tyre of a load index may carry [kg].

    800 x 10^((LI - 100) / 80), the preferred-number step behind the table (from
    memory); up to 1.6 % above the table between 150 and 200.

    Examples
    --------
    >>> round(load_of_index(180))
    8000
    """
    return 800.0 * 10.0 ** ((load_index - 100.0) / 80.0)


def pressure_needed(
    mass, *, ref_mass: float, ref_pressure: float, exponent: float = LOAD_EXPONENT
):
    """Inflation pressure at which a tyre carries `mass` [Pa].

    P = P_ref (m / m_ref)^(1/n), from one pair printed on the tyre.

    Parameters
    ----------
    mass : float or ndarray
        Mass on the tyre. [kg]
    ref_mass, ref_pressure : float
        The pair of the tyre. [kg], [Pa]
    exponent : float
        0.5 to 0.7, see `LOAD_EXPONENT`.

    Examples
    --------
    Half the load needs 31 % of the pressure:

    >>> round(pressure_needed(0.5, ref_mass=1.0, ref_pressure=1.0), 2)
    0.31
    """
    return ref_pressure * (mass / ref_mass) ** (1.0 / exponent)


def mass_carried(
    pressure, *, ref_mass: float, ref_pressure: float, exponent: float = LOAD_EXPONENT
):
    """Mass a tyre carries at `pressure` [kg]; the way back from `pressure_needed`."""
    return ref_mass * (pressure / ref_pressure) ** exponent


def flexible_pressure(pressure: float, prefix: str) -> float:
    """Pressure a tyre with prefix IF or VF needs where a standard one needs `pressure`.

    IF 20 % and VF 40 % less at equal load (a tyre trade page). [Pa]
    """
    return pressure * _PRESSURE_FACTOR[prefix]


def contact_line(
    area: float | tuple[float, ...], mass: float | tuple[float, ...]
) -> tuple[float, float]:
    """Return the straight line of contact area over load through measured pairs.

    The published forms of the area are straight in the load at one pressure; a line
    that would leave a patch without a load, or shrink under load, goes through zero
    instead, as does that of a single pair.

    Parameters
    ----------
    area : float or tuple of float
        Areas on the ground. [m2]
    mass : float or tuple of float
        Masses on the wheel they belong to, as many. [kg]

    Returns
    -------
    tuple of float
        Area without load [m2] and area a newton [m2/N].

    Examples
    --------
    >>> intercept, slope = contact_line((0.50, 0.60), (4000.0, 6000.0))
    >>> round(intercept, 3), round(slope * 9.81 * 1000, 3)
    (0.3, 0.05)
    """
    areas = area if isinstance(area, tuple) else (area,)
    masses = mass if isinstance(mass, tuple) else (mass,)
    load = [GRAVITY * value for value in masses]
    middle, mean = sum(load) / len(load), sum(areas) / len(areas)
    wide = sum((value - middle) ** 2 for value in load)
    if wide > 0.0:
        pairs = zip(load, areas, strict=True)
        slope = sum((x - middle) * (y - mean) for x, y in pairs) / wide
        if 0.0 <= slope <= mean / middle:
            return mean - slope * middle, slope
    squares = sum(value * value for value in load)
    return 0.0, sum(x * y for x, y in zip(load, areas, strict=True)) / squares


def rolling_radius(diameter: float, static_loaded_radius: float) -> float:
    """Rolling radius from free diameter and static loaded radius [m].

    r = 2.5 a s / (1.5 a + s) with a = d/2: reconstructed from lecture notes on
    traction; gives d/2 for an undeflected tyre.

    Examples
    --------
    >>> round(rolling_radius(2.060, 0.938), 4)
    0.9728
    """
    half = 0.5 * diameter
    return 2.5 * half * static_loaded_radius / (1.5 * half + static_loaded_radius)
