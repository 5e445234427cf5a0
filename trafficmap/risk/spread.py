"""How far stress over strength may be off: the law, texture, water, patch and load."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from trafficmap.core.settings.risk import RiskSettings

_LEAST_RATIO = 0.05


def joint_spread(depths: np.ndarray, *, settings: RiskSettings) -> np.ndarray:
    """Return the standard deviation of ln(stress / strength) at `depths` [m].

    With load and soil water known; what is not known of those comes on top.

    Examples
    --------
    >>> from trafficmap.core.settings.risk import RiskSettings
    >>> joint_spread(np.array([0.1, 0.35, 0.5]), settings=RiskSettings()).round(3)
    array([0.502, 0.502, 0.45 ])
    """
    stress = np.interp(depths, settings.spread_depths, settings.spread_stress)
    return np.hypot(stress, soil_spread(settings))


def soil_spread(settings: RiskSettings) -> float:
    """Return the standard deviation of ln strength at a known suction [1]."""
    return math.hypot(settings.spread_law, settings.spread_texture)


def load_spread(
    profiles: Any, depths: np.ndarray, *, settings: RiskSettings
) -> tuple[np.ndarray, np.ndarray]:
    """Return what the interval of the load adds to ln stress, and the whole spread.

    The load lies as likely below its best value as above, evenly between it and
    either end: an unknown load (empty to full, best half full) is even over all it
    can be, and one from a signal has the narrow interval of its scale. Over it the
    peak stress is a straight line from end to best to end. Mean and variance of ln
    stress are taken by Gauss points and put into the one lognormal law; against the
    exact mixture the chance is off by 0.02 at most from 0.4 to 1.6 times the stress.

    Parameters
    ----------
    profiles : Profiles or None
        With ``peak_low`` and ``peak_high`` [Pa] (rows, depths); where they are None
        the load counts as known.
    depths : ndarray
        Depths. [m]
    settings : RiskSettings

    Returns
    -------
    ndarray, shape (rows, depths)
        Mean of ln(stress / best stress). [1]
    ndarray, shape (rows, depths)
        Standard deviation of ln(stress / strength), soil water known. [1]
    """
    spread = joint_spread(depths, settings=settings)
    ratios = load_ratios(profiles)
    if ratios is None:
        rows = 1 if profiles is None else max(1, profiles.stress.shape[0])
        shape = (rows, depths.size)
        return np.zeros(shape), np.ascontiguousarray(np.broadcast_to(spread, shape))
    nodes, weights = np.polynomial.legendre.leggauss(4)
    share, weights = 0.5 * (nodes + 1.0), 0.25 * weights
    below, above = (np.log(1.0 + (ratio[..., None] - 1.0) * share) for ratio in ratios)
    mean = (below + above) @ weights
    square = (below**2 + above**2) @ weights
    return mean, np.sqrt(spread**2 + np.maximum(square - mean**2, 0.0))


def load_ratios(profiles: Any) -> tuple[np.ndarray, np.ndarray] | None:
    """Return peak stress at the low and the high load over that at the best one.

    None where the ends are not known. An empty body still presses: a ratio is not
    taken below a twentieth (choice).
    """
    low = getattr(profiles, "peak_low", None)
    high = getattr(profiles, "peak_high", None)
    if low is None or high is None or profiles.stress.shape[0] == 0:
        return None
    best = profiles.stress.max(axis=1)
    some = best > 0.0
    out = [
        np.divide(end, best, out=np.ones_like(best), where=some) for end in (low, high)
    ]
    return np.clip(out[0], _LEAST_RATIO, 1.0), np.maximum(out[1], 1.0)
