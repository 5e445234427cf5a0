"""What ripping costs with a tool of one's own: hours, fuel, driver, and the tool."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from trafficmap.core.notes import Note
from trafficmap.plan.capacity import run_lines, runs_time
from trafficmap.plan.cost import capital_recovery, repair_by_hour
from trafficmap.plan.fuel import Range, fuel_range
from trafficmap.plan.power import drawbar_share
from trafficmap.plan.tool import tool_draft

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    from trafficmap.core.settings.plan import PlanSettings
    from trafficmap.field.model import Prices, Tool


@dataclass(frozen=True)
class OwnRates:
    """What an hour of an own tool costs, and a volume of fuel.

    Parameters
    ----------
    tool : float
        Capital of the tool: paid whether or not it works here. [currency/s]
    repair, tractor, driver : float
        [currency/s]
    fuel : float
        With oil and grease. [currency/m3]
    """

    tool: float
    repair: float
    tractor: float
    driver: float
    fuel: float

    @property
    def by_time(self) -> float:
        """All that runs with the clock [currency/s]."""
        return self.tool + self.repair + self.tractor + self.driver


@dataclass(frozen=True)
class Effort:
    """What working one piece takes.

    Parameters
    ----------
    duration, fuel : Range
        Machine time [s] and fuel [m3].
    efficiency : float
        Share of the time in work.
    runs : int
        Runs over the piece; one turn each, or a lift over a gap.
    gaps : tuple of float
        Where a run leaves the piece and comes back. [m]
    length : float
        Of all runs together. [m]
    speed : Range
        Low is the slowest. [m/s]
    draft : Range
        [N]
    depth, width : float
        Working depth, and width that is new in each run. [m]
    soil : str
        fine, medium or coarse.
    """

    duration: Range
    fuel: Range
    efficiency: float
    runs: int
    gaps: tuple[float, ...]
    length: float
    speed: Range
    draft: Range
    depth: float
    width: float
    soil: str


def own_rates(
    tool: Tool | None, *, prices: Prices, settings: PlanSettings
) -> tuple[OwnRates | None, list[Note]]:
    """Return the hourly rates of an own tool, or None and why not.

    A price of ripping that was given goes first: it is the owner's word. Otherwise a
    tool marked as owned, with any of its figures given, needs all of them.

    Parameters
    ----------
    tool : Tool or None
    prices : Prices
    settings : PlanSettings

    References
    ----------
    .. [1] W. Edwards, Estimating Farm Machinery Costs, Iowa State extension A3-29.
    """
    if tool is None or not tool.owned:
        return None, []
    figures = {
        "price": tool.price,
        "salvage_pct": tool.salvage,
        "keep_years": tool.keep_years,
        "hours_a_year": tool.hours_a_year,
    }
    rates = {
        "driver_per_h": prices.driver,
        "tractor_per_h": prices.tractor,
        "interest_pct": prices.interest,
        "diesel_per_l": prices.fuel,
    }
    if all(value is None for value in figures.values()):
        return None, []
    missing = [f"tool.{name}" for name, value in figures.items() if value is None]
    missing += [f"price.{name}" for name, value in rates.items() if value is None]
    if prices.ripping is not None:
        sentence = (
            f"{tool.name}: a price of ripping is given, so its own cost is not worked "
            "out. Leave price.ripping_per_ha out to count hours, fuel and driver."
        )
        return None, [Note("plan.quote_counts", "info", sentence, where=tool.name)]
    if missing:
        sentence = (
            f"{tool.name}: its own cost cannot be worked out, "
            f"{', '.join(missing)} {'is' if len(missing) == 1 else 'are'} missing in "
            "field.toml; a usual price of ripping stands in."
        )
        return None, [
            Note("plan.own_cost_missing", "check", sentence, len(missing), tool.name)
        ]
    price, salvage = float(tool.price or 0.0), float(tool.salvage or 0.0)
    years, hours = float(tool.keep_years or 1.0), float(tool.hours_a_year or 1.0)
    yearly = capital_recovery(
        price, salvage=salvage * price, rate=float(prices.interest or 0.0), years=years
    )
    repair = repair_by_hour(price, factors=settings.repair, hours=hours * years)
    return (
        OwnRates(
            tool=yearly / hours / 3600.0,
            repair=repair / 3600.0,
            tractor=float(prices.tractor or 0.0),
            driver=float(prices.driver or 0.0) * settings.driver_factor,
            fuel=float(prices.fuel or 0.0) * (1.0 + settings.lube),
        ),
        [],
    )


def effort(
    shape: BaseGeometry,
    *,
    area: float,
    depth: float,
    tool: Tool,
    soil: str,
    heading: float,
    settings: PlanSettings,
) -> Effort:
    """Return hours and fuel for a piece, from its real runs.

    Parameters
    ----------
    shape : Polygon or MultiPolygon
        Metric coordinates.
    area : float
        On the ellipsoid. [m2]
    depth : float
        [m]
    tool : Tool
    soil : {"fine", "medium", "coarse"}
    heading : float
        Direction of the runs. [rad]
    settings : PlanSettings
    """
    speed = tool.speed or settings.speed
    paces = (
        max(settings.speed_window[1], speed),
        speed,
        min(settings.speed_window[0], speed),
    )
    width = tool.width * settings.overlap
    lengths, gaps = run_lines(shape, width=width, heading=heading)
    times, shares = zip(
        *(
            runs_time(
                lengths,
                gaps=gaps,
                area=shape.area,
                width=tool.width,
                speed=pace,
                turn_time=settings.turn_time,
            )
            for pace in paces
        ),
        strict=True,
    )
    draft = Range(
        *tool_draft(
            tool, depth=depth, soil=soil, speed=speed, spread=settings.draft_spread
        )
    )
    fuel = fuel_range(
        (draft.low, draft.high),
        width=width,
        share=drawbar_share(tool.drive or "front_assist", ground="tilled"),
        depth=depth,
        load=settings.load_share,
        efficiency=max(shares[1], 0.1),
    )
    return Effort(
        duration=Range(*times),
        fuel=Range(*(part * area for part in fuel)),
        efficiency=shares[1],
        runs=int(lengths.size),
        gaps=tuple(float(gap) for gap in gaps),
        length=float(lengths.sum()),
        speed=Range(*reversed(paces)),
        draft=draft,
        depth=depth,
        width=width,
        soil=soil,
    )


def own_ripping(rates: OwnRates, work: Effort, *, area: float) -> Range:
    """Return the own cost of ripping by area [currency/m2], low, best and high."""
    return Range(
        *(
            (time * rates.by_time + fuel * rates.fuel) / area
            for time, fuel in zip(work.duration, work.fuel, strict=True)
        )
    )
