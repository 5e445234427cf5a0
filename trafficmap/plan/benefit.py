"""What ripping may bring, and what must happen for it to pay."""

from __future__ import annotations

import math
from typing import NamedTuple


def yield_loss(year: int, *, topsoil: float, upper: float, deep: float) -> float:
    """Yield loss by wheels, in crop `year` after the pass.

    T max(0, 1 - (t - 1)/5) + U max(0, 1 - (t - 1)/10) + D: the topsoil part is gone in
    about 5 years, the upper subsoil part in about 10, the lower subsoil part stays.

    Parameters
    ----------
    year : int
        1 for the first crop.
    topsoil, upper, deep : float
        Parts of the first year's loss. [fraction]

    Returns
    -------
    float
        [fraction]

    Notes
    -----
    Axles of 10 to 12 short tons lost about 15 % in the first year and 3 to 5 % ten
    years on [1]_; the straight lines and the share of topsoil are choices.

    References
    ----------
    .. [1] I. Håkansson & R. C. Reeder (1994), Soil Till. Res. 29:277-304, as reported
       in an extension fact sheet on avoiding compaction.

    Examples
    --------
    >>> round(yield_loss(1, topsoil=0.06, upper=0.04, deep=0.05), 3)
    0.15
    >>> round(yield_loss(11, topsoil=0.06, upper=0.04, deep=0.05), 3)
    0.05
    """
    age = year - 1
    return topsoil * max(0.0, 1 - age / 5) + upper * max(0.0, 1 - age / 10) + deep


def gain(
    reachable: float, *, limits: float, fracture: float, years: float = 1.0
) -> float:
    """Gain from ripping wheeled ground: loss within reach x two chances x years.

    Parameters
    ----------
    reachable : float
        Yield loss within reach of tillage, as money by area. [currency/m2]
    limits : float
        Chance that the layer limits yield. [fraction]
    fracture : float
        Chance that the soil breaks up. [fraction]
    years : float
        1 unless wheels keep to lanes; 1.5 counts half of it in a second year.

    Examples
    --------
    >>> round(gain(80.0, limits=0.70, fracture=0.75, years=1.5) - 39.45, 2)
    23.55
    """
    return reachable * limits * fracture * years


def break_even_yield(cost: float, *, price: float) -> float:
    """Yield that pays a cost; both by the same area.

    Examples
    --------
    >>> round(break_even_yield(23.45, price=4.00), 2)
    5.86
    """
    return cost / price


def break_even_response(cost: float, *, crop_yield: float, price: float) -> float:
    """Yield response [fraction] that pays a cost in one year.

    Examples
    --------
    >>> round(break_even_response(25, crop_yield=180, price=4.50), 4)
    0.0309
    """
    return cost / (crop_yield * price)


def break_even_limits(
    cost: float, *, reachable: float, fracture: float, years: float = 1.0
) -> float:
    """Chance of a limiting layer at which ripping just pays; above 1 it never does.

    Parameters
    ----------
    cost : float
        [currency/m2]
    reachable : float
        See `gain`. [currency/m2]
    fracture, years : float
        See `gain`.

    Returns
    -------
    float
        Infinite where there is nothing to gain. [fraction]
    """
    most = reachable * fracture * years
    return cost / most if most > 0 else math.inf


class Money(NamedTuple):
    """Money with its interval."""

    low: float
    best: float
    high: float

    @property
    def sure(self) -> bool:
        """Whether the whole interval lies on one side of zero."""
        return self.low > 0 or self.high < 0


def reached_share(
    bottom: float, *, topsoil: float, topsoil_bottom: float, upper_bottom: float
) -> float:
    """Share of the loss in reach that lies above the bottom of a layer.

    The topsoil part counts whole, of the upper subsoil part as much as the layer goes
    down into it. So a shallow pan brings less than one down to 16 in. A choice.

    Parameters
    ----------
    bottom : float
        Bottom of the layer; NaN, where nobody dug, counts as the deepest in reach. [m]
    topsoil : float
        Share of the loss in the topsoil. [fraction]
    topsoil_bottom, upper_bottom : float
        [m]

    Returns
    -------
    float
        [fraction]

    Examples
    --------
    >>> layers = {"topsoil": 0.6, "topsoil_bottom": 0.25, "upper_bottom": 0.40}
    >>> [round(reached_share(depth, **layers), 2) for depth in (0.20, 0.325, 0.50)]
    [0.6, 0.8, 1.0]
    """
    if math.isnan(bottom):
        return 1.0
    into = (bottom - topsoil_bottom) / (upper_bottom - topsoil_bottom)
    return topsoil + (1.0 - topsoil) * min(1.0, max(0.0, into))


def benefit_years(
    crops: int, *, residual: float, topsoil: float, reached: float
) -> float:
    """How many first years the benefit of one ripping is worth where wheels keep off.

    In crop t the soil would have mended by itself as `yield_loss` says, and of the
    loosening ``residual ** (t - 1)`` is left: the sum of both over the crops counted.

    Parameters
    ----------
    crops : int
        Crops counted.
    residual : float
        Share of the benefit left each year later. [fraction]
    topsoil, reached : float
        Share of the loss in the topsoil, and share that was reached. [fraction]

    Examples
    --------
    >>> round(benefit_years(2, residual=0.5, topsoil=0.6, reached=1.0), 3)
    1.42
    """
    total = 0.0
    for crop in range(1, crops + 1):
        left = yield_loss(crop, topsoil=topsoil, upper=reached - topsoil, deep=0.0)
        total += residual ** (crop - 1) * left / reached
    return total


def break_even_words(chance: float, *, known: bool = True) -> str:
    """Say in plain words what must be true for ripping to pay.

    Parameters
    ----------
    chance : float
        From `break_even_limits`.
    known : bool
        False where money cannot be worked out.

    Examples
    --------
    >>> break_even_words(0.45)
    'pays on balance if more than 45 in 100 such spots really hold back roots'
    >>> break_even_words(1.2)
    'does not pay even if every such spot holds back roots'
    """
    if not known or math.isnan(chance):
        return "nobody can say what it takes to pay: yield, price or loss is missing"
    if chance <= 0:
        return "costs nothing beyond the usual work"
    if chance >= 1:
        return "does not pay even if every such spot holds back roots"
    share = math.ceil(chance * 100 - 1e-9)
    return (
        f"pays on balance if more than {share} in 100 such spots really hold back roots"
    )
