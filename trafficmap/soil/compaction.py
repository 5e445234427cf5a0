"""Density and sinkage under load: for comparison only, no map rests on them.

Two published lines for one texture differ by 0.28 Mg/m3 at 100 kPa, so a density
without calibration on the field would not be honest.
"""

from __future__ import annotations

import numpy as np

from trafficmap.core.constants import PARTICLE_DENSITY
from trafficmap.core.errors import SettingsError
from trafficmap.core.notes import Note


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


LINE_STRESS = (1e3, 100e3)
"""Mean normal stress the published lines were drawn over [Pa]; beyond it the end."""


def pressed_density(stress, *, line):
    """Return the density a vertical stress would press the soil to, and what was cut.

    Below the middle of a wheel the stress of a point load is radial, so the mean normal
    stress is a third of the vertical one (from memory, common use).

    Parameters
    ----------
    stress : float or ndarray
        Vertical stress; 0 and NaN give NaN. [Pa]
    line : tuple of float
        N and lambda, for p in kPa. [1]

    Returns
    -------
    density : ndarray
        [kg/m3]
    cut : ndarray of bool
        True where the stress lay beyond `LINE_STRESS`, or the density beyond that of
        solid grains, and the end was taken.

    Raises
    ------
    SettingsError
        The line makes soil lighter under load, or has no density in that range.
    """
    intercept, slope = line
    volume = intercept - slope * np.log(np.asarray(LINE_STRESS) / 1e3)
    if not (slope > 0.0 and volume[1] > 1.0 and volume[0] < 5.3):
        msg = (
            f"settings: soil.density_line: got N {intercept:g} and lambda {slope:g}, "
            "need a line that falls, with densities of soil from 1 to 100 kPa."
        )
        raise SettingsError(msg, "fit it on specific volume over ln of stress in kPa")
    stress = np.asarray(stress, dtype=np.float64)
    mean = stress / 3.0
    inside = np.clip(mean, *LINE_STRESS)
    density = density_virgin_line(inside, intercept=intercept, slope=slope)
    some = stress > 0.0
    return np.where(some, density, np.nan), some & (mean > LINE_STRESS[1])


def density_note(cut: int) -> Note:
    """Return the warning that stands beside every density on a map."""
    sentence = (
        "The density shown is what the line given as soil.density_line makes of the "
        "largest stress; two published lines for one texture differ by 0.28 Mg/m3, so "
        "without rings taken on this field it tells nothing, and no advice rests on it."
    )
    if cut:
        sentence += (
            f" In {cut} cells the stress lay beyond 100 kPa, where no line was drawn; "
            "the end of the line was taken."
        )
    return Note("soil.density_option", "check", sentence, cut)


SINKAGE_SOILS = {
    "loose": {"power": 0.89, "modulus": 700e3},
    "firm": {"power": 0.62, "modulus": 2150e3},
    "dense": {"power": 0.42, "modulus": 2400e3},
}
"""n and k of one sandy loam at 1200, 1400 and 1600 kg/m3: D. Ansorge (2007), PhD
thesis, Cranfield University, Table 8; the unit of k is a guess [N/m^(n+2)]."""


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
