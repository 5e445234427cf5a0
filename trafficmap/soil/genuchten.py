"""Texture to water retention by the curve of van Genuchten; needs rosetta-soil."""

from __future__ import annotations

import numpy as np

from trafficmap.core.constants import PARTICLE_DENSITY
from trafficmap.core.errors import SettingsError
from trafficmap.soil.retention import FIELD_SUCTION, WILTING_SUCTION, Retention

_CM_PER_PA = 10.2e-3
_CM_PER_DAY = 1e-2 / 86400.0
_DENSITY = (700.0, 2000.0)
"""Range of bulk density handed on [kg/m3] (choice)."""


def retention_van_genuchten(sand, clay, *, bulk_density=None) -> Retention:
    """Return the retention curve of a soil through three points of van Genuchten.

    theta = theta_r + (theta_s - theta_r) [1 + (alpha h)^n]^-m, m = 1 - 1/n, with the
    parameters of the third Rosetta model.

    Parameters
    ----------
    sand, clay : ndarray
        Shares of the dry mass, of one shape. [kg/kg]
    bulk_density : ndarray, optional
        Measured; NaN where not, and then it is that of the pores the curve has.
        [kg/m3]

    Returns
    -------
    Retention

    Raises
    ------
    SettingsError
        The package rosetta-soil is not installed.

    Notes
    -----
    Differs from the source between its points: the balance needs the power law of
    `Retention`, so the curve meets van Genuchten when full, at 33 and at 1500 kPa,
    enters air at 1/alpha but between 0.5 and 30 kPa, and lets conductivity fall by 3 +
    2 B (all choices). Organic matter does not enter.

    References
    ----------
    .. [1] M. Th. van Genuchten (1980), Soil Sci. Soc. Am. J. 44:892-898 (from memory).
    .. [2] Y. Zhang & M. G. Schaap (2017), J. Hydrol. 547:39-53 (from memory).
    """
    sand, clay = np.broadcast_arrays(np.asarray(sand, float), np.asarray(clay, float))
    density = np.full(sand.shape, np.nan)
    if bulk_density is not None:
        density = np.clip(np.asarray(bulk_density, float) + 0.0 * sand, *_DENSITY)
    residual, full, alpha, n, k_sat = parameters_rosetta(
        sand, clay, bulk_density=density
    )
    points = [
        water_content_van_genuchten(
            tension, theta_r=residual, theta_s=full, alpha=alpha, n=n
        )
        for tension in (FIELD_SUCTION, WILTING_SUCTION)
    ]
    theta_33, theta_1500 = points
    exponent = np.log(WILTING_SUCTION / FIELD_SUCTION) / np.log(theta_33 / theta_1500)
    own = PARTICLE_DENSITY * (1.0 - full)
    return Retention(
        theta_s=full,
        theta_33=theta_33,
        theta_1500=theta_1500,
        exponent=exponent,
        air_entry=np.clip(1.0 / alpha, 0.5e3, 30e3),
        k_sat=k_sat,
        bulk_density=np.where(np.isfinite(density), density, own),
    )


def water_content_van_genuchten(tension, *, theta_r, theta_s, alpha, n):
    """Return the water content at a tension [Pa] by van Genuchten.

    Parameters
    ----------
    tension : float or ndarray
        [Pa]
    theta_r, theta_s : float or ndarray
        Water left over, and when full. [m3/m3]
    alpha : float or ndarray
        [1/Pa]
    n : float or ndarray
        Above 1. [1]

    Returns
    -------
    float or ndarray
        [m3/m3]

    Examples
    --------
    >>> round(float(water_content_van_genuchten(
    ...     33e3, theta_r=0.0, theta_s=0.4, alpha=1 / 33e3, n=2.0)), 4)
    0.2828
    """
    return theta_r + (theta_s - theta_r) * (1.0 + (alpha * tension) ** n) ** (
        1.0 / n - 1.0
    )


def parameters_rosetta(sand, clay, *, bulk_density):
    """Return the parameters of van Genuchten by the third Rosetta model.

    Parameters
    ----------
    sand, clay, bulk_density : ndarray, of one shape
        Shares [kg/kg]; density, NaN where not measured. [kg/m3]

    Returns
    -------
    theta_r, theta_s, alpha, n, k_sat : ndarray
        Of that shape. [m3/m3], [m3/m3], [1/Pa], [1], [m/s]

    Raises
    ------
    SettingsError
        The package rosetta-soil is not installed.
    """
    try:
        # Heavy, and optional: only whoever asks for this curve needs it.
        from rosetta import rosetta
    except ImportError:
        msg = (
            "soil.retention: van_genuchten needs the package rosetta-soil, which is "
            "not installed."
        )
        raise SettingsError(
            msg,
            'install trafficmap with its extra "rosetta", or set retention = '
            '"saxton_rawls"',
        ) from None
    percent = 100.0 * np.stack([sand, 1.0 - sand - clay, clay], axis=-1).reshape(-1, 3)
    heavy = np.ravel(bulk_density) / 1000.0
    found = np.empty((len(percent), 5))
    for known in (True, False):
        rows = np.flatnonzero(np.isfinite(heavy) == known)
        if not rows.size:
            continue
        given = percent[rows]
        if known:
            given = np.column_stack([given, heavy[rows]])
        # Plain lists: the package takes no arrays.
        found[rows] = np.asarray(rosetta(3, given.tolist())[0])[:, :5]
    residual, full, alpha, n, k_sat = found.T.reshape(5, *sand.shape)
    return residual, full, alpha * _CM_PER_PA, n, k_sat * _CM_PER_DAY
