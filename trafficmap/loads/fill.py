"""How far a tank lasts, and what grain weighs wet: plain formulas."""

from __future__ import annotations

STANDARD_MOISTURE = {
    # Rankin, Univ. Wisconsin Extension, "Bushels, Test Weight, Shrink, and Storage".
    "corn": 0.155,
    "soybean": 0.13,
    "wheat": 0.135,
    "oats": 0.14,
    "barley": 0.145,
}
"""Moisture at which a yield is stated, wet basis [fraction]."""


def wet_mass(standard_mass, moisture, *, standard_moisture):
    """Mass at field moisture of a mass stated at standard moisture [kg].

    m (1 - M_std) / (1 - M): the dry matter is the same.

    Parameters
    ----------
    standard_mass : float or ndarray
        [kg], or any unit of mass.
    moisture, standard_moisture : float or ndarray
        Wet basis, below 1. [fraction]

    Examples
    --------
    A bushel of corn, 56 lb at 15.5 %, cut at 20 % [lb]:

    >>> round(wet_mass(56.0, 0.20, standard_moisture=0.155), 2)
    59.15
    """
    return standard_mass * (1.0 - standard_moisture) / (1.0 - moisture)


def run_length(amount, *, rate, width):
    """Distance after which a tank is full, or empty [m].

    Parameters
    ----------
    amount : float or ndarray
        What fits. [kg] or [m3]
    rate : float
        Yield or application. [kg/m2] or [m]
    width : float
        Working width. [m]
    """
    return amount / (rate * width)
