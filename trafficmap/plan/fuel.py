"""Fuel for ripping: two equations and a measured pair, given as a range."""

from __future__ import annotations

import math
from typing import NamedTuple

from trafficmap.core.units import to_si

AVERAGE_USE = 0.223
"""Yearly average use [L/h a rated kW]; ASAE EP496.3 in Virginia extension 442-073."""

_INCH = 0.0254
# Wisconsin trial at two depths: 1.75 gal/ac at 9 in and 3.00 gal/ac at 18 in, reported
# in a farm paper of 11 December 2014.
_PAIR = ((9 * _INCH, 1.75), (18 * _INCH, 3.00))


class Range(NamedTuple):
    """A quantity with its interval."""

    low: float
    best: float
    high: float


def fuel_use_d497(load: float) -> float:
    """Specific fuel use of the older standard, at a share of full load.

    2.64 X + 3.91 - 0.203 sqrt(738 X + 173), on PTO power; multiplying it by drawbar
    power is a known mistake.

    Parameters
    ----------
    load : float
        Share of full load, above 0 to 1. [fraction]

    Returns
    -------
    float
        [L/kWh]

    References
    ----------
    .. [1] ASABE D497 as of 2001, quoted in public code.

    Examples
    --------
    >>> round(fuel_use_d497(0.8), 4)
    0.4132
    """
    return 2.64 * load + 3.91 - 0.203 * math.sqrt(738 * load + 173)


def fuel_use_grisso(load: float) -> float:
    """Specific fuel use by the newer equation (coefficients from memory).

    Q = (0.22 X + 0.096) P, so (0.22 X + 0.096) / X a kWh of work delivered.

    Parameters
    ----------
    load : float
        Share of full load, above 0 to 1. [fraction]

    Returns
    -------
    float
        [L/kWh]

    References
    ----------
    .. [1] R. D. Grisso, M. F. Kocher, D. H. Vaughan (2004), Predicting tractor fuel
       consumption, Appl. Eng. Agric. 20:553-561; the form in Virginia extension
       442-073.

    Examples
    --------
    >>> round(fuel_use_grisso(0.8), 3)
    0.34
    """
    return (0.22 * load + 0.096) / load


def fuel_measured(depth: float) -> float:
    """Fuel by area from the measured pair, on the line through both ends.

    Parameters
    ----------
    depth : float
        Working depth; the trial covers 9 to 18 in. [m]

    Returns
    -------
    float
        Fuel by area, at least 0. [m3/m2]

    Examples
    --------
    >>> from trafficmap.core.units import from_si
    >>> round(from_si(fuel_measured(13.5 * 0.0254), "gal/ac"), 3)
    2.375
    """
    (shallow, less), (deep, more) = _PAIR
    slope = (more - less) / (deep - shallow)
    return to_si(max(0.0, less + slope * (depth - shallow)), "gal/ac")


def fuel_range(
    draft: tuple[float, float],
    *,
    width: float,
    share: float,
    depth: float,
    load: float,
    efficiency: float,
) -> Range:
    """Fuel by area: lowest and highest of both equations, centre on the measured pair.

    Parameters
    ----------
    draft : tuple of float
        Low and high draft of the tool. [N]
    width : float
        Working width that is new in each run. [m]
    share : float
        Drawbar power as share of PTO power. [fraction]
    depth : float
        [m]
    load : float
        Share of full load. [fraction]
    efficiency : float
        Share of time in work; turning burns fuel as well. [fraction]

    Returns
    -------
    Range
        [m3/m2]
    """
    low_use = min(fuel_use_d497(load), fuel_use_grisso(load))
    high_use = max(fuel_use_d497(load), fuel_use_grisso(load))
    measured = fuel_measured(depth)
    low = fuel_of_draft(draft[0], width=width, share=share, use=low_use)
    high = fuel_of_draft(draft[1], width=width, share=share, use=high_use) / efficiency
    return Range(min(low, measured), measured, max(high, measured))


def fuel_of_draft(draft: float, *, width: float, share: float, use: float) -> float:
    """Fuel by area [m3/m2] for a draft [N] over a width [m]; `use` in L/kWh of PTO."""
    work = draft / width / share  # joule of PTO work a m2
    return work / 3.6e6 * use / 1000.0
