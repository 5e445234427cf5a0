"""Lengths, ways and masses in the units of the field, for notes and sentences."""

from __future__ import annotations

from trafficmap.core.units import from_si


def width(value: float, units: str) -> str:
    """Return a width [m] in feet or metres, one decimal."""
    if units == "us":
        return f"{from_si(value, 'ft'):.1f} ft"
    return f"{value:.1f} m"


def way(value: float, units: str) -> str:
    """Return a way [m] in miles or kilometres, one decimal."""
    if units == "us":
        return f"{from_si(value, 'mi'):.1f} miles"
    return f"{value / 1000:.1f} km"


def mass(value: float, units: str) -> str:
    """Return a mass [kg] in short tons or tonnes, one decimal."""
    if units == "us":
        return f"{from_si(value, 'short_ton'):.1f} tons"
    return f"{from_si(value, 't'):.1f} t"


def pressure(value: float, units: str) -> str:
    """Return a pressure [Pa] in whole psi or kPa."""
    if units == "us":
        return f"{from_si(value, 'psi'):.0f} psi"
    return f"{from_si(value, 'kPa'):.0f} kPa"
