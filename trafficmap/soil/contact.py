"""Contact patch of a tyre, and the pressure under a track."""

from __future__ import annotations

import math

import numpy as np

_LOOSE = 2.0
"""Patch on loose soil over load / pressure where the tyre's size is not known; choice.
"""


def patch_area(load, pressure, *, width=None, diameter=None, area_max=1.2):
    """Return the contact area of a tyre on soil: load over inflation pressure, capped.

    The mean contact pressure equals the inflation pressure at the pressure
    recommended for the load [1]_; a tyre with too little pressure is carried by its
    carcass, which the cap stands for.

    Parameters
    ----------
    load, pressure : float or ndarray
        Wheel load, 0 or more, and inflation pressure, above 0. [N], [Pa]
    width, diameter : float or ndarray, optional
        Size of the tyre; NaN or None where not known. [m]
    area_max : float
        Largest area where the size is not known; no single tyre carries more load at
        that pressure (choice). [m2]

    Returns
    -------
    float or ndarray
        Area. [m2]

    References
    ----------
    .. [1] J. Arvidsson & T. Keller (2007), Soil Till. Res. 96:284-291 (abstract).
    """
    area = load / pressure
    if width is None or diameter is None:
        return np.minimum(area, area_max)
    cap = patch_area_osullivan(load, pressure, width=width, diameter=diameter)
    return np.minimum(area, np.where(np.isfinite(cap), cap, area_max))


def patch_interval(
    load,
    pressure,
    *,
    width=math.nan,
    diameter=math.nan,
    told=(math.nan, math.nan),
    area_max=1.2,
):
    """Return the smallest, best and largest contact area of a tyre.

    For a patch from pressure the ends are three quarters of the best, the poorer of
    the published matches between computed and measured areas [1]_, and what the same
    tyre covers on loose soil, 2.0 times the best where its size is not known (the
    middle of 1.7 to 2.3 worked for five tyres; choice). A told area is good to a fifth
    either way, the match of areas from measured axes [1]_. The interval is shown; the
    spread of ln stress holds it already, so it is not added again.

    Parameters
    ----------
    load, pressure : float
        Wheel load and inflation pressure. [N], [Pa]
    width, diameter : float
        Size of the tyre; NaN where not known. [m]
    told : tuple of float
        Line of a told contact: area without load [m2] and area a newton [m2/N]; NaN
        where nothing is told.
    area_max : float
        As for `patch_area`. [m2]

    Returns
    -------
    tuple of float
        Low, best, high. [m2]

    References
    ----------
    .. [1] P. Marusiak et al. (2024), J. Forest Sci. 70:144-159 (abstract): measured
       areas and super-ellipses matched by 81 % with measured, 75 % with computed axes.

    Examples
    --------
    >>> ends = patch_interval(60e3, 200e3, width=0.8, diameter=1.85)
    >>> [round(area, 3) for area in ends]
    [0.225, 0.3, 0.688]
    """
    best = float(contact_area(load, pressure, width=width, diameter=diameter,
                              told=told, area_max=area_max))  # fmt: skip
    if math.isfinite(told[1]):
        return best / 1.2, best, best * 1.2
    loose = patch_area_osullivan(load, pressure, width=width, diameter=diameter)
    high = loose if math.isfinite(loose) else _LOOSE * best
    return 0.75 * best, best, max(best, float(high))


def contact_area(
    load, pressure, *, width=None, diameter=None, told=(math.nan, math.nan), area_max
):
    """Return the contact area: as told where told, else from pressure and size.

    Parameters as for `patch_interval`; the area in m2.
    """
    intercept, slope = told
    if slope >= 0.0:
        return intercept + slope * load
    return patch_area(load, pressure, width=width, diameter=diameter, area_max=area_max)


def patch_area_osullivan(load, pressure, *, width, diameter):
    """Return the contact area of a tyre of known size on loose soil.

    A = 0.310 b d + 0.00263 F + 0.239 F / p with F in kN and p in kPa (coefficients
    from memory).

    Parameters
    ----------
    load, pressure : float or ndarray
        Wheel load and inflation pressure. [N], [Pa]
    width, diameter : float or ndarray
        Width and overall diameter of the tyre. [m]

    Returns
    -------
    float or ndarray
        Area. [m2]

    References
    ----------
    .. [1] M. F. O'Sullivan, J. K. Henshall & J. W. Dickson (1999), Soil Till. Res.
       49:325-335.

    Examples
    --------
    >>> round(patch_area_osullivan(30e3, 100e3, width=0.65, diameter=1.85), 3)
    0.523
    """
    return 0.310 * width * diameter + 2.63e-6 * load + 0.239 * load / pressure


def super_ellipse_area(length, width, *, power):
    """Return the area inside |2x/l|^n + |2y/w|^n = 1.

    Examples
    --------
    >>> round(super_ellipse_area(1.0, 1.0, power=2), 6)
    0.785398
    """
    rounding = math.gamma(1.0 + 1.0 / power) ** 2 / math.gamma(1.0 + 2.0 / power)
    return length * width * rounding


def track_load_along(places, *, length, rollers, roller_share, roller_spread):
    """Return how the load of a track is spread along travel.

    Rollers carry `roller_share` in bands around their places, (i - 0.5) length /
    rollers from the front, cut at the ends; the belt between carries the rest evenly.
    With 3 rollers, 0.8 and 0.10 m on a 1.9 m track the peak is 2.2 times the mean
    (choice: shares are assumed, not measured).

    Parameters
    ----------
    places : ndarray, shape (n,)
        Evenly spaced places from the front to the rear, cell centres. [m]
    length : float
        Length on the ground. [m]
    rollers : int
        Rollers that carry.
    roller_share, roller_spread : float
        Share on rollers; standard deviation of a band. [1], [m]

    Returns
    -------
    ndarray, shape (n,)
        Share of the load on each place; sums to 1.
    """
    stand = (np.arange(rollers) + 0.5) * length / rollers
    bands = np.exp(-0.5 * ((places[:, None] - stand) / roller_spread) ** 2).sum(axis=1)
    even = np.full(places.size, 1.0 / places.size)
    return roller_share * bands / bands.sum() + (1.0 - roller_share) * even
