"""Factors to SI. Numbers inside are SI; other units live at the edge only."""

from __future__ import annotations

from trafficmap.core.errors import InputError

# unit -> (quantity, factor to SI, offset added after multiplying)
_UNITS: dict[str, tuple[str, float, float]] = {
    "m": ("length", 1.0, 0.0),
    "mm": ("length", 1e-3, 0.0),
    "cm": ("length", 1e-2, 0.0),
    "km": ("length", 1e3, 0.0),
    "in": ("length", 0.0254, 0.0),
    "ft": ("length", 0.3048, 0.0),
    "mi": ("length", 1609.344, 0.0),
    "m2": ("area", 1.0, 0.0),
    "ha": ("area", 1e4, 0.0),
    "ac": ("area", 4046.8564224, 0.0),
    "L": ("volume", 1e-3, 0.0),
    "m3": ("volume", 1.0, 0.0),
    "gal": ("volume", 3.785411784e-3, 0.0),
    "ft3": ("volume", 0.028316846592, 0.0),
    "kg": ("mass", 1.0, 0.0),
    "g": ("mass", 1e-3, 0.0),
    "t": ("mass", 1e3, 0.0),
    "Mg": ("mass", 1e3, 0.0),
    "lb": ("mass", 0.45359237, 0.0),
    "short_ton": ("mass", 907.18474, 0.0),
    "m/s": ("speed", 1.0, 0.0),
    "km/h": ("speed", 1 / 3.6, 0.0),
    "mph": ("speed", 0.44704, 0.0),
    "kn": ("speed", 1852 / 3600, 0.0),
    "s": ("time", 1.0, 0.0),
    "ms": ("time", 1e-3, 0.0),
    "min": ("time", 60.0, 0.0),
    "h": ("time", 3600.0, 0.0),
    "Pa": ("pressure", 1.0, 0.0),
    "kPa": ("pressure", 1e3, 0.0),
    "MPa": ("pressure", 1e6, 0.0),
    "bar": ("pressure", 1e5, 0.0),
    "psi": ("pressure", 6894.757293168, 0.0),
    "kg/s": ("mass flow", 1.0, 0.0),
    "lb/s": ("mass flow", 0.45359237, 0.0),
    "t/h": ("mass flow", 1 / 3.6, 0.0),
    "L/ha": ("application", 1e-7, 0.0),
    "m3/ha": ("application", 1e-4, 0.0),
    "gal/ac": ("application", 3.785411784e-3 / 4046.8564224, 0.0),
    "kg/m2": ("areal mass", 1.0, 0.0),
    "t/ha": ("areal mass", 0.1, 0.0),
    "lb/ac": ("areal mass", 0.45359237 / 4046.8564224, 0.0),
    "fraction": ("share", 1.0, 0.0),
    "%": ("share", 0.01, 0.0),
    "ppm": ("share", 1e-6, 0.0),
    "deg": ("angle", 1.0, 0.0),
    "degC": ("temperature", 1.0, 0.0),
    "degF": ("temperature", 5 / 9, -160 / 9),
    "K": ("temperature", 1.0, -273.15),
    "g/cm3": ("density", 1000.0, 0.0),
    "kg/m3": ("density", 1.0, 0.0),
    "J/m2": ("energy by area", 1.0, 0.0),
    "MJ/m2": ("energy by area", 1e6, 0.0),
    "um/s": ("speed", 1e-6, 0.0),
    "mm/h": ("speed", 1e-3 / 3600, 0.0),
    "cm/h": ("speed", 1e-2 / 3600, 0.0),
    "N": ("force", 1.0, 0.0),
    "kN": ("force", 1e3, 0.0),
    "lbf": ("force", 4.4482216152605, 0.0),
    "W": ("power", 1.0, 0.0),
    "kW": ("power", 1e3, 0.0),
    "hp": ("power", 745.69987158227, 0.0),
}

MASS_PER_BUSHEL = {
    # Mass of one standard bushel [kg]: 56 lb maize, 60 lb soybean and wheat, 32 lb
    # oats, 48 lb barley, 56 lb sorghum and rye (Rankin, Univ. Wisconsin Extension,
    # "Bushels, Test Weight, Shrink, and Storage").
    "corn": 56 * 0.45359237,
    "silage_corn": float("nan"),
    "soybean": 60 * 0.45359237,
    "wheat": 60 * 0.45359237,
    "oats": 32 * 0.45359237,
    "barley": 48 * 0.45359237,
    "sorghum": 56 * 0.45359237,
    "rye": 56 * 0.45359237,
}
VOLUME_BUSHEL = 0.03523907016688
"""2 150.42 cubic inches [m3]."""


def known_units() -> tuple[str, ...]:
    """Return every unit name that can be converted."""
    return tuple(_UNITS)


def quantity(unit: str) -> str:
    """Return what `unit` measures, as ``length`` or ``pressure``."""
    return _lookup(unit)[0]


def to_si(value, unit: str):
    """Return `value` given in `unit` as SI (temperatures as degrees Celsius).

    Parameters
    ----------
    value : float or ndarray
        Number or array in `unit`.
    unit : str
        A name from `known_units`.

    Returns
    -------
    float or ndarray

    Raises
    ------
    InputError
        The unit is not known.

    Examples
    --------
    >>> round(to_si(14, "in"), 4)
    0.3556
    """
    _, factor, offset = _lookup(unit)
    return value * factor + offset


def from_si(value, unit: str):
    """Return SI `value` in `unit`; the way back from `to_si`.

    Examples
    --------
    >>> round(from_si(2_068_427.0, "psi"))
    300
    """
    _, factor, offset = _lookup(unit)
    return (value - offset) / factor


def _lookup(unit: str) -> tuple[str, float, float]:
    try:
        return _UNITS[unit]
    except KeyError:
        msg = f"unit: got {unit!r}, need one of {', '.join(_UNITS)}."
        raise InputError(msg, "write the unit as in the list") from None
