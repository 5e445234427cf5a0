"""Texture to water retention and conductivity (Saxton & Rawls 2006)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trafficmap.core.constants import PARTICLE_DENSITY
from trafficmap.core.errors import ModelRangeError

FIELD_SUCTION = 33e3
"""Suction at which the curve bends, taken as field capacity. [Pa]"""
WILTING_SUCTION = 1500e3
"""Suction at which crops wilt for good. [Pa]"""
_MM_PER_HOUR = 1e-3 / 3600.0


@dataclass(frozen=True)
class Retention:
    """The curve of one soil or of many; all fields broadcast together.

    Parameters
    ----------
    theta_s, theta_33, theta_1500 : ndarray
        Water content when full, at 33 kPa and at 1500 kPa. [m3/m3]
    exponent : ndarray
        B of the power law between 33 and 1500 kPa. [1]
    air_entry : ndarray
        Suction below which the soil stays full. [Pa]
    k_sat : ndarray
        Hydraulic conductivity when full. [m/s]
    bulk_density : ndarray
        Dry. [kg/m3]
    """

    theta_s: np.ndarray
    theta_33: np.ndarray
    theta_1500: np.ndarray
    exponent: np.ndarray
    air_entry: np.ndarray
    k_sat: np.ndarray
    bulk_density: np.ndarray

    @property
    def k_power(self) -> np.ndarray:
        """Power of the conductivity law, 3 + 2 B [1]."""
        return 3.0 + 2.0 * self.exponent


def retention_saxton_rawls(
    sand, clay, *, organic_matter, bulk_density=None, density_factor=1.0
) -> Retention:
    """Return the retention curve of a soil from its texture and organic matter.

    Valid for organic matter below 8 % and clay below 60 % (limits from memory).

    Parameters
    ----------
    sand, clay, organic_matter : float or ndarray
        Shares of the dry mass. [kg/kg]
    bulk_density : float or ndarray, optional
        Measured dry bulk density; NaN where not measured. [kg/m3]
    density_factor : float or ndarray
        Density over the density the equations give, 0.9 to 1.3; used where no
        `bulk_density` is given. [1]

    Returns
    -------
    Retention

    Raises
    ------
    ModelRangeError
        So dense that fewer than 0.01 of water lie between 33 and 1500 kPa.

    Notes
    -----
    Differs from the source in two guards: the air entry is at least 0.5 kPa (the
    regression goes below zero for sands), and water at 33 kPa stays 0.01 below the
    pore space of dense soil. The air entry does not change with density.

    References
    ----------
    .. [1] K. E. Saxton & W. J. Rawls (2006), Soil Sci. Soc. Am. J. 70:1569-1578,
       Table 1 (coefficients as they stand in public packages that reproduce Table 3).

    Examples
    --------
    >>> loam = retention_saxton_rawls(0.40, 0.20, organic_matter=0.025)
    >>> round(float(loam.theta_33), 2), round(float(loam.theta_s), 2)
    (0.28, 0.46)
    """
    normal = _normal_density(sand, clay, organic_matter)
    th1500, th33, ths, air_entry, own_density = normal
    factor = np.asarray(density_factor, dtype=np.float64) + np.zeros_like(ths)
    if bulk_density is not None:
        measured = np.asarray(bulk_density, dtype=np.float64)
        factor = np.where(np.isfinite(measured), measured / own_density, factor)
    density = own_density * factor
    ths_dense = 1.0 - density / PARTICLE_DENSITY
    th33_dense = np.minimum(th33 - 0.2 * (ths - ths_dense), ths_dense - 0.01)
    if np.any(~(th33_dense >= th1500 + 0.01)):
        worst = float(np.max(factor))
        msg = (
            f"bulk density: {worst:.2f} times what this texture has by itself leaves "
            "no pores that drain, need less."
        )
        raise ModelRangeError(msg, "check the bulk density, or leave it empty")
    exponent = np.log(1500.0 / 33.0) / np.log(th33_dense / th1500)
    k_sat = 1930.0 * (ths_dense - th33_dense) ** (3.0 - 1.0 / exponent) * _MM_PER_HOUR
    return Retention(
        theta_s=ths_dense,
        theta_33=th33_dense,
        theta_1500=th1500,
        exponent=exponent,
        air_entry=air_entry,
        k_sat=k_sat,
        bulk_density=density,
    )


def density_factor_limit(sand, clay, *, organic_matter):
    """Return the largest density factor the equations can take for a texture.

    Returns
    -------
    float or ndarray
        Never above 1.3, the end of the range of the source. [1]
    """
    th1500, th33, ths, _, own = _normal_density(sand, clay, organic_matter)
    least = np.maximum(th1500 + 0.0201, ths - (th33 - th1500 - 0.0101) / 0.2)
    return np.minimum(1.3, PARTICLE_DENSITY * (1.0 - least) / own)


def suction(theta, curve: Retention):
    """Return the suction that belongs to a water content.

    A power law where drier than 33 kPa, a straight line up to the air entry where
    wetter, the air entry when full; drier than 1500 kPa it is extrapolated.

    Parameters
    ----------
    theta : float or ndarray
        Water content. [m3/m3]
    curve : Retention

    Returns
    -------
    float or ndarray
        Suction, positive. [Pa]
    """
    theta = np.asarray(theta, dtype=np.float64)
    dry = np.maximum(theta, 1e-3) / curve.theta_33
    power = FIELD_SUCTION * dry**-curve.exponent
    line = FIELD_SUCTION - (theta - curve.theta_33) * (
        FIELD_SUCTION - curve.air_entry
    ) / (curve.theta_s - curve.theta_33)
    wet = np.maximum(line, curve.air_entry)
    return np.where(theta <= curve.theta_33, power, wet)


def water_content(tension, curve: Retention):
    """Return the water content at a tension [Pa]; the inverse of `suction`.

    Returns
    -------
    float or ndarray
        Water content. [m3/m3]
    """
    tension = np.maximum(np.asarray(tension, dtype=np.float64), curve.air_entry)
    power = curve.theta_33 * (FIELD_SUCTION / tension) ** (1.0 / curve.exponent)
    line = curve.theta_33 + (FIELD_SUCTION - tension) * (
        curve.theta_s - curve.theta_33
    ) / (FIELD_SUCTION - curve.air_entry)
    return np.where(tension >= FIELD_SUCTION, power, line)


def conductivity(theta, curve: Retention):
    """Return the hydraulic conductivity [m/s] at a water content [m3/m3]."""
    theta = np.asarray(theta, dtype=np.float64)
    return curve.k_sat * (theta / curve.theta_s) ** curve.k_power


def field_capacity(sand, curve: Retention):
    """Return the water content a layer drains to within days.

    Water at 33 kPa, except on more than 65 % sand, which drains slower than that
    suction suggests: there it is the content at which 1 mm a day still leaves (choice).

    Returns
    -------
    float or ndarray
        Water content. [m3/m3]
    """
    slow = curve.theta_s * (1e-3 / 86400 / curve.k_sat) ** (1.0 / curve.k_power)
    return np.where(
        np.asarray(sand) > 0.65, np.maximum(slow, curve.theta_33), curve.theta_33
    )


def _normal_density(sand, clay, organic_matter):
    """Return water at 1500 and 33 kPa, when full, air entry and density as given."""
    s = np.asarray(sand, dtype=np.float64)
    c = np.asarray(clay, dtype=np.float64)
    # The paper takes sand and clay as fractions but organic matter in percent.
    om = 100.0 * np.asarray(organic_matter, dtype=np.float64)
    t1500 = (-0.024 * s + 0.487 * c + 0.006 * om + 0.005 * s * om - 0.013 * c * om) + (
        0.068 * s * c + 0.031
    )
    th1500 = t1500 + (0.14 * t1500 - 0.02)
    t33 = (-0.251 * s + 0.195 * c + 0.011 * om + 0.006 * s * om - 0.027 * c * om) + (
        0.452 * s * c + 0.299
    )
    th33 = t33 + (1.283 * t33**2 - 0.374 * t33 - 0.015)
    ts33 = (0.278 * s + 0.034 * c + 0.022 * om - 0.018 * s * om - 0.027 * c * om) + (
        -0.584 * s * c + 0.078
    )
    ths33 = ts33 + (0.636 * ts33 - 0.107)
    entry = (-21.67 * s - 27.93 * c - 81.97 * ths33 + 71.12 * s * ths33) + (
        8.29 * c * ths33 + 14.05 * s * c + 27.16
    )
    entry = entry + (0.02 * entry**2 - 0.113 * entry - 0.70)
    ths = th33 + ths33 - 0.097 * s + 0.043
    own_density = PARTICLE_DENSITY * (1.0 - ths)
    return th1500, th33, ths, np.clip(entry, 0.5, 30.0) * 1e3, own_density
