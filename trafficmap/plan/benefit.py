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


def net_by_area(
    value: float,
    *,
    wheeled: float,
    loss: float,
    limits: float,
    fracture: float,
    years: float,
    cost: float,
    response: tuple[float, float],
) -> Money:
    """Net gain by area of a zone, with the interval farm trials span.

    The gain comes from the wheeled share only, the cost from all of it. Low and high
    take the lowest and highest response of yield seen in farm trials instead of the
    loss model, so that zero and losses are inside the interval.

    Parameters
    ----------
    value : float
        Yield times price. [currency/m2]
    wheeled : float
        Share of the zone that was wheeled. [fraction]
    loss : float
        Yield loss within reach of tillage on wheeled ground. [fraction]
    limits, fracture, years : float
        See `gain`.
    cost : float
        Beyond what would be done otherwise. [currency/m2]
    response : tuple of float
        Lowest and highest yield response. [fraction]

    Returns
    -------
    Money
        [currency/m2]
    """
    best = wheeled * gain(value * loss, limits=limits, fracture=fracture, years=years)
    low = min(best, wheeled * value * response[0])
    high = max(best, wheeled * value * response[1])
    return Money(low - cost, best - cost, high - cost)
