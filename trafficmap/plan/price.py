"""What each unit would bring and cost if it were ripped."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pandas as pd

from trafficmap.core.notes import Note
from trafficmap.plan.benefit import break_even_limits, net_by_area
from trafficmap.plan.cost import AreaCost, ripping_cost

if TYPE_CHECKING:
    from trafficmap.core.settings.plan import PlanSettings
    from trafficmap.field.model import Crop, Prices
    from trafficmap.zones.units import Units


def price(
    units: Units, *, crop: Crop, prices: Prices, settings: PlanSettings
) -> tuple[pd.DataFrame, list[Note]]:
    """Return the money of each unit, as if its layer were confirmed and reachable.

    The gain comes from the run-over share of the unit: yield x price x reachable loss
    x chance that the layer limits yield x chance that it breaks. The cost is the
    difference to what would be done there anyway, on all of the unit. Losses count
    once a wheeled area and season, never once a pass.

    Parameters
    ----------
    units : Units
    crop : Crop
    prices : Prices
    settings : PlanSettings

    Returns
    -------
    DataFrame
        One row a unit: unit, net_low, net, net_high [currency], cost and extra_cost
        [currency], by_area (net) [currency/m2], break_even (chance that a layer must
        limit yield for ripping to pay). Money is NaN where the next crop, its yield
        or price is not known.
    list of Note
    """
    value, loss, notes = crop_value(crop, settings)
    cost, more = area_cost(crop, prices, settings)
    notes += more
    rows = []
    for row in units.table.to_dict("records"):
        money = net_by_area(
            value,
            wheeled=row["run_over"],
            loss=loss,
            limits=settings.limits,
            fracture=settings.fracture,
            years=settings.years,
            cost=cost.extra,
            response=(settings.response_low, settings.response_high),
        )
        known = not math.isnan(value)
        rows.append(
            {
                "unit": row["unit"],
                "net_low": money.low * row["area"] if known else math.nan,
                "net": money.best * row["area"] if known else math.nan,
                "net_high": money.high * row["area"] if known else math.nan,
                "cost": cost.whole * row["area"],
                "extra_cost": cost.extra * row["area"],
                "by_area": money.best if known else math.nan,
                "break_even": break_even_limits(
                    cost.extra,
                    reachable=value * loss * row["run_over"],
                    fracture=settings.fracture,
                    years=settings.years,
                ),
            }
        )
    return pd.DataFrame(rows), notes


def area_cost(
    crop: Crop, prices: Prices, settings: PlanSettings
) -> tuple[AreaCost, list[Note]]:
    """Return what ripping costs by area here, and what had to be assumed.

    Parameters
    ----------
    crop : Crop
    prices : Prices
    settings : PlanSettings
    """
    assumed = []
    ripping = prices.ripping
    if ripping is None:
        ripping = settings.ripping
        assumed.append(f"ripping {_per_area(ripping)}")
    levelling = prices.levelling
    spring = bool(crop.spring_pass)
    if levelling is None:
        levelling = settings.levelling
        if not spring:
            assumed.append(f"levelling {_per_area(levelling)}")
    fall = prices.fall_pass
    replaces = bool(crop.fall_pass)
    if fall is None:
        fall = settings.fall_pass
        if replaces:
            assumed.append(f"the fall pass it replaces {_per_area(fall)}")
    notes = []
    if assumed:
        sentence = (
            f"no price was given for {', '.join(assumed)}: survey figures of 2019 and "
            "later stand in. Put your quote into field.toml."
        )
        notes.append(Note("plan.price_assumed", "check", sentence, len(assumed)))
    if crop.spring_pass is None:
        sentence = (
            "nothing was said about a usual spring pass: levelling after ripping is "
            "charged in full."
        )
        notes.append(Note("plan.spring_pass_unsaid", "check", sentence))
    cost = ripping_cost(
        ripping,
        levelling=levelling,
        fall_pass=fall,
        spring_pass=spring,
        replaces_fall_pass=replaces,
    )
    return cost, notes


def crop_value(crop: Crop, settings: PlanSettings) -> tuple[float, float, list[Note]]:
    """Return yield x price [currency/m2], reachable loss [fraction], and notes.

    NaN when they cannot be known. Only corn has figures to fall back on.

    Parameters
    ----------
    crop : Crop
    settings : PlanSettings
    """
    corn = crop.next == "corn"
    loss = crop.loss_reachable
    if loss is None and corn:
        loss = settings.loss_reachable
    harvest, unit_price = crop.yield_expected, crop.price
    assumed = []
    if corn and harvest is None:
        harvest = settings.corn_yield
        assumed.append(f"a corn yield of {harvest * 10:.1f} t/ha")
    if corn and unit_price is None:
        unit_price = settings.corn_price
        assumed.append(f"a corn price of {unit_price * 1000:.0f} a tonne")
    if loss is None or harvest is None or unit_price is None:
        sentence = (
            f"no money can be worked out for {crop.next or 'an unknown next crop'}: "
            "yield, price and reachable loss are needed. Nothing is ripped without."
        )
        return math.nan, math.nan, [Note("plan.crop_unknown", "check", sentence)]
    notes = []
    if assumed:
        sentence = (
            f"{' and '.join(assumed)} was assumed; write your own into field.toml."
        )
        notes.append(Note("plan.crop_assumed", "check", sentence, len(assumed)))
    return harvest * unit_price, loss, notes


def _per_area(by_m2: float) -> str:
    return f"({by_m2 * 4046.8564224:.0f} an acre, {by_m2 * 1e4:.0f} a hectare)"
