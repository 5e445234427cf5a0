"""Density and sinkage under load: for comparison only, no map rests on them.

Two published lines for one texture differ by 0.28 Mg/m3 at 100 kPa, so a density
without calibration on the field would not be honest.
"""

from __future__ import annotations

import numpy as np

from trafficmap.core.constants import PARTICLE_DENSITY


def density_virgin_line(mean_stress, *, intercept, slope):
    """Return the dry bulk density soil is pressed to, from specific volume.

    v = N - lambda ln p, density = particle density / v.

    Parameters
    ----------
    mean_stress : float or ndarray
        Mean normal stress p, between 1 and 100 kPa for the lines of [1]_. [Pa]
    intercept, slope : float
        N and lambda, for p in kPa. [1]

    Returns
    -------
    float or ndarray
        [kg/m3]

    References
    ----------
    .. [1] D. Ansorge (2007), PhD thesis, Cranfield University, p. 107 and 117.

    Examples
    --------
    >>> round(density_virgin_line(100e3, intercept=2.4221, slope=0.123))
    1428
    """
    volume = intercept - slope * np.log(np.asarray(mean_stress) / 1e3)
    return PARTICLE_DENSITY / volume


def sinkage_bekker(load, *, width, diameter, power, modulus):
    """Return how deep a rigid wheel sinks.

    z = [3 W / ((3 - n) b k sqrt(D))]^(2 / (2 n + 1)) (form from memory).

    Parameters
    ----------
    load : float or ndarray
        Wheel load. [N]
    width, diameter : float
        Of the wheel. [m]
    power : float
        n of pressure against sinkage, below 3. [1]
    modulus : float
        k of pressure against sinkage. [N/m^(n+2)]

    Returns
    -------
    float or ndarray
        Sinkage; for medium and dense soil, too far off on soft. [m]
    """
    push = 3.0 * load / ((3.0 - power) * width * modulus * np.sqrt(diameter))
    return push ** (2.0 / (2.0 * power + 1.0))
