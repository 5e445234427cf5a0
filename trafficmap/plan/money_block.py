"""The money of a run as plain values: inputs, formulas and every term of every zone.

What stands in ``run.json`` and on the money page; each number can be worked out again
from the ones beside it.
"""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from trafficmap.plan.draft import DRAFT_ROWS
from trafficmap.plan.money import FORMULAS
from trafficmap.plan.own import own_rates
from trafficmap.plan.power import drawbar_share
from trafficmap.plan.price import crop_value, field_pricing
from trafficmap.plan.tool import draft_row
from trafficmap.plan.work import PricedZone, zone_money

if TYPE_CHECKING:
    import geopandas as gpd

    from trafficmap.core.settings.plan import PlanSettings
    from trafficmap.field.model import Field, Tool

_EFFORT_FORMULAS = {
    "duration": "run_length / speed + (runs - number of gaps) x turn_time + over each "
    "gap the smaller of gap / speed and turn_time [s]; low at the highest speed",
    "draft": "factor x (a + b x S + c x S^2) x shanks x T [N], S in km/h and T in cm, "
    "and draft_spread either way",
    "fuel": "best: area x the line through 1.75 gal/ac at 9 in and 3.00 at 18 in [m3]; "
    "low and high: area x draft / new_width / drawbar_share x litres a kWh / 3.6e9, by "
    "the lower and the higher of two equations, high also by efficiency",
}
_OWN_FORMULAS = {
    "capital": "(tool_price - salvage x tool_price) x recovery + salvage x "
    "tool_price x interest [currency a year], recovery = i (1 + i)^n / ((1 + i)^n - 1)",
    "tool_by_hour": "capital / hours_a_year; paid whether or not the tool works here",
    "repair_by_hour": "repair 1 x tool_price x (hours / 1000)^(repair 2) / hours, "
    "hours = hours_a_year x keep_years",
    "ripping": "(duration x (tool + repair + tractor + driver, by second) + fuel x "
    "fuel price with oil) / area [currency/m2]",
}


def money_block(
    zones: gpd.GeoDataFrame,
    *,
    field: Field,
    settings: PlanSettings,
    heading: float,
    tool: Tool | None = None,
) -> dict[str, Any]:
    """Return currency, inputs, formulas, zones and total of the money of a run.

    Parameters
    ----------
    zones : GeoDataFrame
        Contract `ZONES`.
    field : Field
    settings : PlanSettings
    heading : float
        Direction of the runs. [rad]
    tool : Tool, optional
        The tool that rips.

    Returns
    -------
    dict
        Plain values. Zones that are ripped, and zones that may yet be: as if their
        layer were confirmed.
    """
    priced = zone_money(
        zones, field=field, settings=settings, heading=heading, tool=tool
    )
    rates, _ = own_rates(tool, prices=field.prices, settings=settings)
    rows = []
    total = {"area": 0.0, "cost": 0.0, "net_low": 0.0, "net": 0.0, "net_high": 0.0}
    for zone in zones.to_dict("records"):
        number = int(zone["zone"])
        if number not in priced:
            continue
        told = priced[number]
        ripped = zone["advice"] == "rip"
        row = {"zone": number, "advice": zone["advice"], "ripped": ripped}
        row |= told.money.terms()
        row |= _effort(told, tool, settings)
        rows.append(row)
        if ripped:
            total["area"] += told.money.area
            total["cost"] += told.money.whole.best
            total["net_low"] += told.money.net.low
            total["net"] += told.money.net.best
            total["net_high"] += told.money.net.high
    formulas = dict(FORMULAS)
    if tool is not None:
        formulas |= _EFFORT_FORMULAS
    if rates is not None:
        formulas |= _OWN_FORMULAS
    return {
        "currency": field.prices.currency or "",
        "inputs": _inputs(field, settings, own=rates is not None),
        "own": None if rates is None else asdict(rates),
        "formulas": formulas,
        "zones": rows,
        "total": total,
    }


def _inputs(field: Field, settings: PlanSettings, *, own: bool) -> dict[str, Any]:
    """Return what the money is worked out from, given or assumed."""
    crop, prices = field.crop, field.prices
    pricing, _ = field_pricing(crop, prices, settings, own=own)
    known = not math.isnan(crop_value(crop, settings)[0])
    harvest = crop.yield_expected
    unit_price = crop.price
    if known:
        harvest = settings.corn_yield if harvest is None else harvest
        unit_price = settings.corn_price if unit_price is None else unit_price
    return {
        "yield_kg_m2": harvest,
        "yield_given": crop.yield_expected is not None,
        "price_per_kg": unit_price,
        "price_given": crop.price is not None,
        "loss": pricing.loss,
        "ripping_from": "own cost"
        if own
        else ("given" if prices.ripping is not None else "assumed"),
        "spring_pass": bool(crop.spring_pass),
        "fall_pass": crop.fall_pass,
        "levelling_given": prices.levelling is not None,
        "fall_pass_given": prices.fall_pass is not None,
        "lanes_kept": crop.lanes_kept,
        **{
            name: getattr(settings, name)
            for name in (
                "loss_spread", "limits", "limits_spread", "fracture",
                "fracture_spread", "topsoil_loss_share", "topsoil_bottom",
                "upper_bottom", "years", "lane_years", "residual", "pays_when",
            )
        },
        "trial_response": [settings.response_low, settings.response_high],
    }  # fmt: skip


def _effort(
    told: PricedZone, tool: Tool | None, settings: PlanSettings
) -> dict[str, Any]:
    """Return hours and fuel of a zone with what they are made from."""
    work = told.effort
    if work is None or tool is None:
        return {"effort": None}
    coefficients = draft_row(tool)
    name = next(key for key, row in DRAFT_ROWS.items() if row == coefficients)
    soils = ("fine", "medium", "coarse")
    ends = ("low", "best", "high")
    return {
        "effort": {
            "runs": work.runs,
            "gaps": list(work.gaps),
            "run_length": work.length,
            "turn_time": settings.turn_time,
            "new_width": work.width,
            "efficiency": work.efficiency,
            "depth": work.depth,
            "soil": work.soil,
            "tool_row": name,
            "a": coefficients.a,
            "b": coefficients.b,
            "c": coefficients.c,
            "factor": coefficients.soil[soils.index(work.soil)],
            "shanks": tool.shanks,
            "draft_spread": settings.draft_spread,
            "drawbar_share": drawbar_share(
                tool.drive or "front_assist", ground="tilled"
            ),
            "load": settings.load_share,
            "speed": dict(zip(ends, work.speed, strict=True)),
            "duration": dict(zip(ends, work.duration, strict=True)),
            "draft": dict(zip(ends, work.draft, strict=True)),
            "fuel": dict(zip(ends, work.fuel, strict=True)),
        }
    }
