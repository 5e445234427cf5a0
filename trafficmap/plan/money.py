"""The money of a piece of ground: every term, low, best and high, by one formula.

Both the decision and the plan ask here, so that what is called paying is so everywhere.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from trafficmap.plan.benefit import (
    Money,
    benefit_years,
    break_even_limits,
    break_even_words,
    reached_share,
)
from trafficmap.plan.fuel import Range

if TYPE_CHECKING:
    from trafficmap.core.settings.plan import PlanSettings

FORMULAS = {
    "value": "yield x price [currency/m2]",
    "reached": "topsoil_loss_share + (1 - topsoil_loss_share) x how far the layer goes "
    "from topsoil_bottom to upper_bottom, 0 to 1; 1 where no layer is known",
    "gain": "best: area x run_over x value x loss x reached x limits x fracture x "
    "years [currency], all at best; low: best x exp(-sqrt(sum of ln(best / low)^2 over "
    "loss, limits, fracture)); high: best x exp(sqrt(sum of ln(high / best)^2))",
    "extra_by_area": "ripping + levelling - credit [currency/m2]",
    "extra": "area x extra_by_area [currency]",
    "net": "gain - extra; low takes the low gain and the high extra, high the other "
    "way round [currency]",
    "one_year": "area x run_over x value x trial_response - extra, low and high "
    "[currency]",
    "break_even": "extra / (area x run_over x value x loss x reached x fracture x "
    "years), all at best",
    "pays": "net low > 0 where pays_when is sure, net best > 0 where it is on balance",
}
"""How each number of the money block is made from the ones beside it."""


@dataclass(frozen=True)
class Pricing:
    """What holds for all ground of a field.

    Parameters
    ----------
    value : float
        Yield times price; NaN where not known. [currency/m2]
    loss : float
        Yield lost on wheeled ground within reach of tillage. [fraction]
    ripping : Range
        Price of ripping. [currency/m2]
    levelling, credit : float
        Levelling charged, and the fall pass that is saved. [currency/m2]
    lanes_kept : bool
        Wheels keep to lanes in the years after.
    """

    value: float
    loss: float
    ripping: Range
    levelling: float
    credit: float
    lanes_kept: bool = False


@dataclass(frozen=True)
class GroundMoney:
    """The money of one piece of ground were it ripped; see `FORMULAS`."""

    area: float
    run_over: float
    bottom: float
    value: float
    reached: float
    years: float
    loss: Range
    limits: Range
    fracture: Range
    ripping: Range
    levelling: float
    credit: float
    gain: Money
    whole: Money
    extra: Money
    net: Money
    one_year: tuple[float, float]
    break_even: float
    pays: bool

    @property
    def known(self) -> bool:
        """Whether yield, price and loss were there to work it out."""
        return not math.isnan(self.net.best)

    @property
    def verdict(self) -> str:
        """One word for one truth: pays, does not pay, not known."""
        if not self.known:
            return "not known"
        return "pays" if self.pays else "does not pay"

    def terms(self) -> dict[str, Any]:
        """Return every term as plain values, intervals as low, best, high."""
        spread = ("loss", "limits", "fracture", "ripping", "gain", "extra", "net")
        plain = ("area", "run_over", "value", "reached", "years", "levelling", "credit")
        out: dict[str, Any] = {name: getattr(self, name) for name in plain}
        out["layer_bottom"] = self.bottom
        for name in (*spread, "whole"):
            out[name] = dict(
                zip(("low", "best", "high"), getattr(self, name), strict=True)
            )
        out["one_year"] = dict(zip(("low", "high"), self.one_year, strict=True))
        out["break_even"] = self.break_even
        out["verdict"] = self.verdict
        out["break_even_words"] = break_even_words(self.break_even, known=self.known)
        return out


def ground_money(
    pricing: Pricing,
    *,
    area: float,
    run_over: float,
    bottom: float,
    settings: PlanSettings,
    ripping: Range | None = None,
    limits: float | None = None,
) -> GroundMoney:
    """Return the money of a piece of ground were it ripped.

    The gain comes from the wheeled share only, the cost from all of it. Loss, chance
    that the layer limits yield and chance that it breaks are taken as independent:
    the logarithms of their distances to the low ends add up by squares, and to the
    high ends likewise (a choice). What is above zero at its low end pays. The interval
    is of what is to be expected; what a single year may do beside it is ``one_year``,
    from the lowest and highest response of farm trials.

    Parameters
    ----------
    pricing : Pricing
    area : float
        [m2]
    run_over : float
        Share of it that was wheeled. [fraction]
    bottom : float
        Bottom of the layer, NaN where none is known. [m]
    settings : PlanSettings
    ripping : Range, optional
        Price of ripping this ground instead of the field's, as own cost. [currency/m2]
    limits : float, optional
        Chance that the layer limits yield here, where probes have updated it.
    """
    reached = reached_share(
        bottom,
        topsoil=settings.topsoil_loss_share,
        topsoil_bottom=settings.topsoil_bottom,
        upper_bottom=settings.upper_bottom,
    )
    years = settings.years
    if pricing.lanes_kept:
        years = max(
            years,
            benefit_years(
                settings.lane_years,
                residual=settings.residual,
                topsoil=settings.topsoil_loss_share,
                reached=reached,
            ),
        )
    loss = Range(*(min(1.0, part) for part in _spread(pricing.loss, settings)))
    chance = _around(settings.limits, settings.limits_spread)
    if limits is not None:
        chance = Range(limits, limits, limits)
    fracture = _around(settings.fracture, settings.fracture_spread)
    price = ripping if ripping is not None else pricing.ripping
    ground = area * run_over * pricing.value * reached * years
    best = ground * loss.best * chance.best * fracture.best
    down, up = (_together((loss, chance, fracture), end) for end in ("low", "high"))
    gain = Money(best * down, best, best * up)
    whole = Money(*(area * (part + pricing.levelling) for part in price))
    extra = Money(*(part - area * pricing.credit for part in whole))
    net = Money(gain.low - extra.high, gain.best - extra.best, gain.high - extra.low)
    trials = (
        area * run_over * pricing.value * settings.response_low - extra.best,
        area * run_over * pricing.value * settings.response_high - extra.best,
    )
    return GroundMoney(
        area=area,
        run_over=run_over,
        bottom=bottom,
        value=pricing.value,
        reached=reached,
        years=years,
        loss=loss,
        limits=chance,
        fracture=fracture,
        ripping=price,
        levelling=pricing.levelling,
        credit=pricing.credit,
        gain=gain,
        whole=whole,
        extra=extra,
        net=net,
        one_year=trials,
        break_even=math.nan
        if math.isnan(pricing.value)
        else break_even_limits(
            extra.best, reachable=ground * loss.best, fracture=fracture.best
        ),
        pays=(net.low if settings.pays_when == "sure" else net.best) > 0,
    )


def _together(terms: tuple[Range, ...], end: str) -> float:
    """Return the low or high end of a product of independent terms, as share of best.

    Factors are seldom all at their low end at once: their distances from best, as
    logarithms, add up like the sides of a right angle.
    """
    total = 0.0
    for term in terms:
        value = getattr(term, end)
        if value <= 0.0 or term.best <= 0.0:
            return 0.0 if end == "low" else 1.0
        total += math.log(value / term.best) ** 2
    distance = math.sqrt(total)
    return math.exp(-distance if end == "low" else distance)


def _around(best: float, spread: tuple[float, float]) -> Range:
    """Return an interval that holds its best value, whatever was set."""
    return Range(min(best, spread[0]), best, max(best, spread[1]))


def _spread(loss: float, settings: PlanSettings) -> Range:
    low, high = settings.loss_spread
    return Range(loss * low, loss, loss * high)
