"""Working depths: whole steps below a layer, and few classes a field."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import combinations, pairwise

_STEP = {"us": 0.0254, "metric": 0.01}
_BELOW = {"us": 1, "metric": 3}
_MOST_BELOW = {"us": 2, "metric": 5}
_APART = {"us": 2, "metric": 5}


def tip_depth(bottom: float, *, units: str, below: int | None = None) -> float:
    """Return how deep [m] the shank tip goes for a layer ending at `bottom`.

    The bottom is rounded up to a whole inch and 1 in added, so the tip lies 1 to 2 in
    below; metric: up to a whole centimetre and 3 cm. Deeper than 2 in below the layer
    compacts instead of loosening (forest service subsoiling guide); the rounding is a
    choice.

    Parameters
    ----------
    bottom : float
        Measured bottom of the layer. [m]
    units : {"us", "metric"}
    below : int, optional
        Steps added below the bottom; by units if not given.

    Returns
    -------
    float
        NaN where the bottom is.

    Examples
    --------
    >>> round(tip_depth(10.3 * 0.0254, units="us") / 0.0254)
    12
    >>> round(tip_depth(0.281, units="metric"), 3)
    0.32
    """
    if math.isnan(bottom):
        return math.nan
    return (
        _whole(bottom, units) + (_BELOW[units] if below is None else below)
    ) * _STEP[units]


def allowed_depths(
    bottom: float, *, units: str, span: tuple[float, float] = (0.0, math.inf)
) -> range:
    """Return the whole steps a class may have to treat a layer ending at `bottom`.

    Parameters
    ----------
    bottom : float
        [m]
    units : {"us", "metric"}
    span : tuple of float
        Shallowest and deepest the tool and the tile allow. [m]
    """
    base = _whole(bottom, units)
    low, high = span
    step = _STEP[units]
    first = max(base + _BELOW[units], math.ceil(low / step - 1e-6))
    last = base + _MOST_BELOW[units]
    if math.isfinite(high):
        last = min(last, math.floor(high / step + 1e-6))
    return range(first, last + 1)


def fitting_class(
    bottom: float,
    *,
    classes: Sequence[float],
    units: str,
    span: tuple[float, float] = (0.0, math.inf),
) -> float | None:
    """Return the shallowest of `classes` [m] that treats a layer, else None.

    Examples
    --------
    >>> [fitting_class(b * 0.0254, classes=[0.254, 0.3048], units="us")
    ...  for b in (8, 9, 11, 6)]
    [0.254, 0.254, 0.3048, None]
    """
    allowed = allowed_depths(bottom, units=units, span=span)
    for depth in sorted(classes):
        if round(depth / _STEP[units]) in allowed:
            return depth
    return None


def depth_classes(
    bottoms: Sequence[float],
    *,
    nets: Sequence[float],
    units: str,
    most: int = 3,
    spans: Sequence[tuple[float, float]] | None = None,
) -> list[float]:
    """Return the rip depths [m] of a field, at most `most` and 2 in (5 cm) apart.

    Those that treat the most net money; with equal money the fewer, then the
    shallower. A choice: few depths, because displays and drivers trip over many.

    Parameters
    ----------
    bottoms : sequence of float
        Layer bottom of each unit that would be ripped. [m]
    nets : sequence of float
        Net money of each unit, above 0. [currency]
    units : {"us", "metric"}
    most : int
    spans : sequence of tuple of float, optional
        Shallowest and deepest tip allowed in each unit. [m]

    Returns
    -------
    list of float

    Examples
    --------
    >>> inch = 0.0254
    >>> found = depth_classes(
    ...     [8 * inch, 9 * inch, 11 * inch], nets=[1, 1, 1], units="us"
    ... )
    >>> [round(depth / inch) for depth in found]
    [10, 12]
    """
    free = [(0.0, math.inf)] * len(bottoms) if spans is None else spans
    wanted = [
        allowed_depths(bottom, units=units, span=span)
        for bottom, span in zip(bottoms, free, strict=True)
    ]
    offered = sorted({step for steps in wanted for step in steps})
    best: tuple[tuple[float, int, int], tuple[int, ...]] = ((0.0, 0, 0), ())
    for count in range(1, most + 1):
        for chosen in combinations(offered, count):
            gaps = pairwise(chosen)
            if any(later - earlier < _APART[units] for earlier, later in gaps):
                continue
            money = sum(
                net
                for net, steps in zip(nets, wanted, strict=True)
                if any(step in steps for step in chosen)
            )
            rank = (round(money, 6), -count, -sum(chosen))
            if rank > best[0]:
                best = (rank, chosen)
    return [step * _STEP[units] for step in best[1]]


def _whole(bottom: float, units: str) -> int:
    """Round up to a whole step, forgiving the rounding of a unit conversion."""
    return math.ceil(bottom / _STEP[units] - 1e-6)
