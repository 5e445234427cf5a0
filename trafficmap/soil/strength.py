"""Strength of the soil from its suction, the chance that stress exceeds it, and passes.

Strength is the precompression stress. The law is a choice: published regressions
explain 40 % of its scatter at best (Schjønning et al. 2023, 584 subsoil cores, R2
0.39, abstract), and the method alone moves its mean from 50 to 130 kPa (Cavalieri et
al. 2008, abstract).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtr

from trafficmap.core.constants import GRAVITY
from trafficmap.core.errors import SettingsError

if TYPE_CHECKING:
    from trafficmap.core.settings.soil import SoilSettings

PASS_GROWTH = (1.0 / 0.75 - 1.0) / math.log(4.0)
"""k in D (1 + k ln N): the first of four passes does 75 % of the change; Taylor et al.
1982, Trans. ASAE 25:1505 (from memory)."""


def pf_of_suction(suction):
    """Return pF, the logarithm of suction in centimetres of water, not below 0.

    Parameters
    ----------
    suction : float or ndarray
        Suction. [Pa]

    Returns
    -------
    float or ndarray
        pF. [1]

    Examples
    --------
    >>> round(float(pf_of_suction(33e3)), 2)
    2.53
    """
    centimetres = 10.2e-3 * np.asarray(suction, dtype=np.float64)
    return np.log10(np.maximum(centimetres, 1.0))


def ln_strength(suction, base, *, settings: SoilSettings):
    """Return the natural logarithm of strength by the law the settings name.

    Parameters
    ----------
    suction : float or ndarray
        Suction; NaN stays NaN. [Pa]
    base : float or ndarray
        Strength at pF 1.8, from `strength_18`. [Pa]
    settings : SoilSettings

    Returns
    -------
    float or ndarray
        ln of strength in Pa.

    Raises
    ------
    SettingsError
        `strength_pairs` do not rise, or slopes do not.
    """
    wet, dry = settings.strength_slopes
    if not (wet >= 0.0 and dry >= 0.0):
        msg = (
            f"settings: soil.strength_slopes: got {wet:g} and {dry:g}, need 0 or more."
        )
        raise SettingsError(msg, "drier soil is never weaker")
    if settings.strength_law == "line":
        return ln_strength_by_suction(
            suction,
            base,
            strength_max=settings.strength_max,
            slopes=settings.strength_slopes,
            bend=settings.strength_bend,
        )
    pairs = np.asarray(settings.strength_pairs, dtype=np.float64).reshape(-1, 2)
    rising = (np.diff(pairs, axis=0) > 0.0).all() and (pairs > 0.0).all()
    if len(pairs) < 2 or not rising:
        msg = (
            f"settings: soil.strength_pairs: got {len(pairs)} pairs, need two or more "
            "whose suction and strength both rise."
        )
        raise SettingsError(msg, "write [[suction, strength], ...] in Pa, drier last")
    return ln_strength_measured(
        suction,
        pairs,
        share=np.minimum(base / settings.strength_normal, 1.0),
        slope=wet,
        strength_max=settings.strength_max,
    )


def ln_strength_measured(suction, pairs, *, share, slope, strength_max):
    """Return ln of strength through measured pairs, straight over pF between them.

    Wetter than the wettest pair strength falls on with `slope`; drier than the driest
    it stays: nobody measured that it rises.

    Parameters
    ----------
    suction : float or ndarray
        [Pa]
    pairs : ndarray, shape (n, 2)
        Suction and strength, both rising. [Pa]
    share : float or ndarray
        Strength of this layer over that of the cores, below 1 where tilled. [1]
    slope : float
        Rise of log10 strength a unit of pF below the first pair. [1]
    strength_max : float
        Highest strength. [Pa]

    Returns
    -------
    float or ndarray
    """
    pf, at = pf_of_suction(suction), pf_of_suction(pairs[:, 0])
    value = np.interp(pf, at, np.log(pairs[:, 1]))
    value = value + math.log(10.0) * slope * np.minimum(pf - at[0], 0.0)
    return np.minimum(value + np.log(share), math.log(strength_max))


def ln_strength_by_suction(
    suction, strength_18, *, strength_max=600e3, slopes=(0.19, 0.40), bend=2.5
):
    """Return the natural logarithm of strength from suction.

    log10 of strength rises by 0.19 a unit of pF up to pF 2.5 and by 0.40 beyond, from
    `strength_18` at pF 1.8 (choice: from pF 1.8 to 4.0 a factor of 5.4, the low side of
    the 5.5 to 12.5 measured between a wet May and a dry August, Trautner & Arvidsson
    2003, abstract). Not for frozen soil.

    Parameters
    ----------
    suction : float or ndarray
        Suction; NaN stays NaN. [Pa]
    strength_18 : float or ndarray
        Strength at pF 1.8. [Pa]
    strength_max : float
        Highest strength. [Pa]
    slopes : tuple of float
        Rise of log10 strength a unit of pF below and above the bend. [1]
    bend : float
        pF of the bend. [1]

    Returns
    -------
    float or ndarray
        ln of strength in Pa.

    Examples
    --------
    >>> round(float(np.exp(ln_strength_by_suction(100e3, 60e3))) / 1e3)
    130
    """
    pf = pf_of_suction(suction)
    rise = slopes[0] * (np.minimum(pf, bend) - 1.8)
    rise = rise + slopes[1] * np.maximum(0.0, pf - bend)
    value = np.log(strength_18) + math.log(10.0) * rise
    return np.minimum(value, math.log(strength_max))


def strength_18(depth, clay, *, last_tillage_depth, settings: SoilSettings):
    """Return the strength at pF 1.8: tilled, firm clay subsoil, or neither.

    Parameters
    ----------
    depth : float or ndarray
        Depth. [m]
    clay : float or ndarray
        Clay there. [kg/kg]
    last_tillage_depth : float
        Soil above it counts as tilled; 0 for no-till. [m]
    settings : SoilSettings

    Returns
    -------
    ndarray
        Strength. [Pa]
    """
    # A depth stored in floats must not become tilled by its last bit.
    tilled = np.asarray(depth) < last_tillage_depth - 1e-9
    firm = np.asarray(clay) >= settings.clay_firm
    below = np.where(firm, settings.strength_clay, settings.strength_normal)
    return np.where(tilled, settings.strength_tilled, below)


def exceedance_probability(stress, strength, *, spread_stress, spread_strength=0.40):
    """Return the chance that stress exceeds strength, both lognormal.

    Parameters
    ----------
    stress, strength : float or ndarray
        Medians; stress 0 gives 0. [Pa]
    spread_stress, spread_strength : float or ndarray
        Standard deviations of the logarithms; 0.40 is a factor of 1.5 (choice). [1]

    Returns
    -------
    float or ndarray
        Probability. [1]

    Examples
    --------
    >>> round(float(exceedance_probability(120e3, 90e3, spread_stress=0.20)), 3)
    0.74
    """
    stress = np.asarray(stress, dtype=np.float64)
    ratio = np.maximum(stress, 1e-300) / strength
    chance = ndtr(np.log(ratio) / np.hypot(spread_stress, spread_strength))
    return np.where(stress > 0.0, chance, np.where(np.isnan(stress), np.nan, 0.0))


def stress_spread(depth):
    """Return the standard deviation of ln stress at a depth [m].

    0.30 down to 0.35 m, 0.20 from 0.5 m, a straight line between (choice); it holds
    load, patch and propagation together.
    """
    return np.interp(depth, (0.35, 0.50), (0.30, 0.20))


def joined_damage(damage, *, growth=PASS_GROWTH):
    """Return the damage of several passes over one place, at one depth.

    D = D_max (1 + k ln N_eff), N_eff = sum(D / D_max), cut at 1 (choice). A light pass
    after a heavy one adds little; N equal passes give D_1 (1 + k ln N). From
    probabilities the result is an index on their scale, not a probability.

    Parameters
    ----------
    damage : ndarray, shape (n,)
        Damage of each pass, 0 to 1. [1]
    growth : float
        k; 0.1 to 0.5 is possible. [1]

    Returns
    -------
    float

    Examples
    --------
    >>> round(joined_damage(np.array([0.6, 0.3])), 4)
    0.6585
    """
    damage = np.asarray(damage, dtype=np.float64)
    largest = float(damage.max(initial=0.0))
    if not largest > 0.0:
        return largest
    effective = float(damage.sum()) / largest
    return min(1.0, largest * (1.0 + growth * math.log(effective)))


def floored_probability(
    probability, *, load, depth, swelling, floor=0.20, heavy=7000.0 * GRAVITY
):
    """Return the probability, not below the floor for heavy wheels on swelling clay.

    Dry is not safe: at 0.5 m more displacement was measured in a dry August than in a
    wet May under wheels up to 7 Mg (Trautner & Arvidsson 2003, abstract). The value
    0.20 has no published source (choice); it holds down to 0.70 m.

    Parameters
    ----------
    probability : float or ndarray
        Chance that stress exceeds strength. [1]
    load : float or ndarray
        Wheel load. [N]
    depth : float or ndarray
        Depth. [m]
    swelling : bool or ndarray of bool
    floor : float
        Least probability. [1]
    heavy : float
        Load from which a wheel is heavy. [N]

    Returns
    -------
    float or ndarray
    """
    heavy_wheel = np.asarray(load) >= heavy
    acts = np.asarray(swelling) & heavy_wheel & (np.asarray(depth) <= 0.70 + 1e-9)
    return np.where(acts, np.maximum(probability, floor), probability)
