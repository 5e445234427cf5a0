"""What each unit would bring and cost if it were ripped."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

import trafficmap.formats._gdal  # noqa: F401 - process settings before rasterio

from rasterio.features import shapes  # isort: skip
from rasterio.transform import Affine  # isort: skip

from trafficmap.core.notes import Note
from trafficmap.plan.capacity import run_heading
from trafficmap.plan.cost import AreaCost, ripping_cost
from trafficmap.plan.draft import soil_group
from trafficmap.plan.fit import USUAL_TIP, texture_of
from trafficmap.plan.fuel import Range
from trafficmap.plan.money import GroundMoney, Pricing, ground_money
from trafficmap.plan.own import OwnRates, effort, own_rates, own_ripping
from trafficmap.zones.depths import allowed_depths

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    from trafficmap.core.settings.plan import PlanSettings
    from trafficmap.field.model import Crop, Prices, Tool
    from trafficmap.zones.units import Units


def price(
    units: Units,
    *,
    crop: Crop,
    prices: Prices,
    settings: PlanSettings,
    tool: Tool | None = None,
    words: str = "us",
    columns: Any = None,
) -> tuple[pd.DataFrame, list[Note]]:
    """Return the money of each unit, as if its layer were confirmed and reachable.

    The gain comes from the run-over share of the unit: yield x price x reachable loss
    x chance that the layer limits yield x chance that it breaks. The cost is the
    difference to what would be done there anyway, on all of the unit. Losses count
    once a wheeled area and season, never once a pass. With the figures of an own tool
    the cost is that of the real runs of the unit, at the deepest its layer may be
    worked, so that what pays here still pays once it is drawn.

    Parameters
    ----------
    units : Units
    crop : Crop
    prices : Prices
    settings : PlanSettings
    tool : Tool, optional
        The tool that rips.
    words : {"us", "metric"}
        Whole inches or whole centimetres of depth.
    columns : SoilColumns, optional
        For the draft; the middle of the draft table where not given.

    Returns
    -------
    DataFrame
        One row a unit: unit, net_low, net, net_high [currency], cost and extra_cost
        [currency], by_area (net) [currency/m2], break_even (chance that a layer must
        limit yield for ripping to pay), verdict (pays, does not pay, not known).
        Money is NaN where the next crop, its yield or price is not known.
    list of Note
    """
    rates, notes = own_rates(tool, prices=prices, settings=settings)
    pricing, more = field_pricing(crop, prices, settings, own=rates is not None)
    notes = more + notes
    rows = []
    for row in units.table.to_dict("records"):
        bottom = row.get("layer_bottom", math.nan)
        own = None
        if rates is not None and tool is not None and row.get("kind") != "rest":
            own = _own(
                units,
                row,
                rates=rates,
                tool=tool,
                depth=_deepest(bottom, words),
                soil=soil_group(*texture_of(columns, int(row.get("column", -1)))),
                settings=settings,
            )
        money = ground_money(
            pricing,
            area=row["area"],
            run_over=row["run_over"],
            bottom=bottom,
            settings=settings,
            ripping=own,
        )
        rows.append({"unit": row["unit"]} | _row(money))
    return pd.DataFrame(rows), notes


def field_pricing(
    crop: Crop, prices: Prices, settings: PlanSettings, *, own: bool = False
) -> tuple[Pricing, list[Note]]:
    """Return what money holds for all ground of a field, and what was assumed.

    Parameters
    ----------
    crop : Crop
    prices : Prices
    settings : PlanSettings
    own : bool
        The own cost of a tool stands in for a price of ripping.
    """
    value, loss, notes = crop_value(crop, settings)
    cost, more = area_cost(crop, prices, settings, own=own)
    ripping = cost.whole - cost.levelling
    low, high = ripping, ripping
    if prices.ripping is None:
        low, high = settings.ripping_range
    pricing = Pricing(
        value=value,
        loss=loss,
        ripping=Range(min(low, ripping), ripping, max(high, ripping)),
        levelling=cost.levelling,
        credit=cost.credit,
        lanes_kept=crop.lanes_kept,
    )
    return pricing, notes + more


def area_cost(
    crop: Crop, prices: Prices, settings: PlanSettings, *, own: bool = False
) -> tuple[AreaCost, list[Note]]:
    """Return what ripping costs by area here, and what had to be assumed.

    Parameters
    ----------
    crop : Crop
    prices : Prices
    settings : PlanSettings
    own : bool
        The own cost of a tool stands in for a price of ripping.
    """
    assumed = []
    ripping = prices.ripping
    if ripping is None:
        ripping = settings.ripping
        if not own:
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


def _row(money: GroundMoney) -> dict[str, Any]:
    """Return the columns of `price` for one unit."""
    return {
        "net_low": money.net.low,
        "net": money.net.best,
        "net_high": money.net.high,
        "cost": money.whole.best,
        "extra_cost": money.extra.best,
        "by_area": money.net.best / money.area if money.area else math.nan,
        "break_even": money.break_even,
        "verdict": money.verdict,
    }


def _own(
    units: Units,
    row: dict,
    *,
    rates: OwnRates,
    tool: Tool,
    depth: float,
    soil: str,
    settings: PlanSettings,
) -> Range:
    """Return the own cost of ripping a unit [currency/m2]."""
    work = effort(
        _outline(units, row["unit"]),
        area=row["area"],
        depth=depth,
        tool=tool,
        soil=soil,
        heading=run_heading(row, units.heading),
        settings=settings,
    )
    return own_ripping(rates, work, area=row["area"])


def _deepest(bottom: float, words: str) -> float:
    """Return the deepest tip [m] for a layer, the usual one where none is known."""
    if math.isnan(bottom):
        return USUAL_TIP
    step = 0.01 if words == "metric" else 0.0254
    return allowed_depths(bottom, units=words)[-1] * step


def _outline(units: Units, unit: int) -> BaseGeometry:
    """Return the cells of a unit as one shape, in metres."""
    mask = units.label == unit
    grid = units.grid
    place = Affine(grid.cell, 0.0, grid.west, 0.0, -grid.cell, grid.north)
    parts = [
        shapely.geometry.shape(shape)
        for shape, _ in shapes(mask.astype(np.uint8), mask=mask, transform=place)
    ]
    return shapely.union_all(parts)
