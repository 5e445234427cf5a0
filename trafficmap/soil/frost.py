"""Frost: how deep the ground is frozen, and what the frozen crust carries."""

from __future__ import annotations

import math

import numpy as np

from trafficmap.core.errors import ModelRangeError
from trafficmap.soil._frost import berggren, grow_front


def frost_depth_stefan(
    freezing_degree_days, *, conductivity, theta, resistance=0.0
) -> float:
    """Return how deep frost goes from a freezing index at the surface.

    X = sqrt((k R)^2 + 2 k F / (L theta)) - k R: the Stefan equation with the cover in
    series, quasi-steady (our derivation). Too deep by some 10 % for thin frost; see
    `berggren_factor`.

    Parameters
    ----------
    freezing_degree_days : float
        Sum of frost at the surface. [degC d]
    conductivity : float
        Of frozen soil. [W/m/K]
    theta : float
        Water content, at least 0.02 is used. [m3/m3]
    resistance : float
        Of residue and snow, thickness over conductivity. [m2 K/W]

    Returns
    -------
    float
        Depth. [m]

    Examples
    --------
    >>> round(100 * frost_depth_stefan(35.0, conductivity=1.8, theta=0.30), 1)
    33.0
    """
    return grow_front(
        0.0,
        float(freezing_degree_days) * 86400.0,
        float(conductivity),
        float(theta),
        float(resistance),
    )


def berggren_factor(alpha: float, mu: float) -> float:
    """Return what the Stefan depth is multiplied by for the heat of the soil itself.

    The exact two-phase solution with equal properties in place of the chart of
    Aldrich 1956: exp(-g2) / erf(g) - alpha exp(-g2) / erfc(g) = sqrt(pi) g / mu.

    Parameters
    ----------
    alpha : float
        Mean yearly temperature above freezing over mean frost at the surface. [1]
    mu : float
        Heat of the soil, C v_s / L, above 0. [1]

    Returns
    -------
    float
        Factor, from 0 to 1. [1]

    Examples
    --------
    >>> round(berggren_factor(0.33, 0.20), 4)
    0.8976
    """
    if not (alpha >= 0.0 and mu > 0.0):
        msg = f"frost: got alpha {alpha:g} and mu {mu:g}, need 0 or more and above 0."
        raise ModelRangeError(msg, "check the mean temperatures")
    return float(berggren(float(alpha), float(mu)))


def frozen_ground_index(mean_temperature, *, snow_depth=None, start=0.0) -> np.ndarray:
    """Return the continuous frozen ground index by day.

    A plausibility flag: above 56 to 83 the ground sheds water. It says nothing of
    bearing.

    Parameters
    ----------
    mean_temperature : ndarray, shape (n_days,)
        [degC]
    snow_depth : ndarray, optional
        [m]
    start : float
        Index of the day before. [degC d]

    Returns
    -------
    ndarray, shape (n_days,)

    References
    ----------
    .. [1] M. Molnau & V. C. Bissell (1983), Western Snow Conf. 51:109-119; constants
       as in a public groundwater recharge code, the factor 0.4 from memory.
    """
    temperature = np.asarray(mean_temperature, dtype=np.float64)
    snow = np.zeros_like(temperature) if snow_depth is None else np.asarray(snow_depth)
    out = np.empty_like(temperature)
    index = start
    for day, t in enumerate(temperature):
        damping = 0.08 if t < 0.0 else 0.5
        index = 0.97 * index - t * math.exp(-0.4 * damping * 100.0 * snow[day])
        index = max(0.0, index)
        out[day] = index
    return out
