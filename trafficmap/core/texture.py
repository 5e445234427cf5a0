"""The twelve USDA texture classes: their middles, and the class of a soil."""

from __future__ import annotations

import math

from trafficmap.core.errors import InputError

TEXTURE_CENTROIDS: dict[str, tuple[float, float]] = {
    "sand": (0.88, 0.05),
    "loamy sand": (0.80, 0.05),
    "sandy loam": (0.65, 0.10),
    "loam": (0.40, 0.20),
    "silt loam": (0.20, 0.15),
    "silt": (0.10, 0.05),
    "sandy clay loam": (0.60, 0.25),
    "clay loam": (0.30, 0.35),
    "silty clay loam": (0.10, 0.35),
    "sandy clay": (0.50, 0.40),
    "silty clay": (0.10, 0.45),
    "clay": (0.25, 0.50),
}
"""Sand and clay [mass fraction] in the middle of each class.

Eight rows are those of Saxton & Rawls 2006, Soil Sci. Soc. Am. J. 70:1569-1578,
Table 3. Silt, sandy clay loam, sandy clay and silty clay are a choice: points well
inside the class."""


def texture_class(sand: float, clay: float) -> str:
    """Return the USDA texture class of a fine earth.

    Parameters
    ----------
    sand, clay : float
        Mass fractions, 0 to 1, together at most 1; the rest is silt. [kg/kg]

    Returns
    -------
    str
        A key of `TEXTURE_CENTROIDS`.

    Raises
    ------
    InputError
        A fraction is missing, outside 0 to 1, or the two sum to more than 1.

    References
    ----------
    .. [1] USDA Soil Survey Manual, Handbook 18 (2017), chapter 3, texture classes
       (limits from memory).

    Examples
    --------
    >>> texture_class(0.40, 0.20)
    'loam'
    """
    inside = (
        math.isfinite(sand) and math.isfinite(clay) and min(sand, clay) >= 0.0
    ) and sand + clay <= 1.0 + 1e-6
    if not inside:
        msg = (
            f"texture: got sand {sand:g} and clay {clay:g}, need fractions from 0 to 1 "
            "that sum to 1 at most."
        )
        raise InputError(msg, "check the soil table; 20 percent is 0.20")
    # Rounding first: 0.27 + 0.28 must not miss a limit by the last bit.
    sand, clay = round(100.0 * sand, 6), round(100.0 * clay, 6)
    silt = round(100.0 - sand - clay, 6)
    if silt + 1.5 * clay < 15:
        return "sand"
    if silt + 2.0 * clay < 30:
        return "loamy sand"
    if clay >= 27:
        return _fine(sand, silt, clay)
    if clay >= 20 and silt < 28 and sand > 45:
        return "sandy clay loam"
    if silt >= 80 and clay < 12:
        return "silt"
    if silt >= 50:
        return "silt loam"
    if clay >= 7 and sand <= 52 and silt >= 28:
        return "loam"
    return "sandy loam"


def _fine(sand: float, silt: float, clay: float) -> str:
    """Return the class where clay is 27 % or more."""
    if sand > 45:
        return "sandy clay" if clay >= 35 else "sandy clay loam"
    if clay < 40:
        return "silty clay loam" if sand <= 20 else "clay loam"
    return "silty clay" if silt >= 40 else "clay"
