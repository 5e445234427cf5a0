"""The plan of work as a person reads it: what, how deep, when, how long, what it costs.

One place for the map page and README.txt, so that both say the same.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from trafficmap.core.units import from_si
from trafficmap.outputs import words

if TYPE_CHECKING:
    import geopandas as gpd

    from trafficmap.pipeline import Result

HAND_ROLL = (
    "In each zone to be ripped dig in a wheel track, down to the depth of the shank "
    "tip.",
    "Take soil from every 2 to 4 in (5 to 10 cm) on the way down and knead it.",
    "Roll it between your hands to a thread 1/8 in (3 mm) thick.",
    "It rolls: too wet, wait. It cracks into short pieces: fit, go. It crumbles: go, "
    "with more pull and clods. The wettest depth decides.",
)
"""The test that decides on the day, in four steps; the 3 mm thread as in the deep
ripping guide of the Tasmanian department of primary industries (from memory)."""


NET = (
    "Net is the value of the yield gained less what the work costs beyond the usual "
    "passes, with every uncertain figure between its low and its high end. Ripping "
    "waits for the hand test, whatever the day."
)
"""What the money in `jobs` means."""


@dataclass(frozen=True)
class Job:
    """One job of the plan in words; empty where there is nothing to say."""

    order: int
    zone: int
    title: str
    area: str
    effort: str
    money: str
    when: str
    why: str


def jobs(result: Result) -> list[Job]:
    """Return the jobs of the plan in the order to do them."""
    units, currency = result.field.units, result.field.prices.currency or ""
    zones = result.zones.set_index("zone")
    areas = dict(
        zip(
            result.zones["zone"],
            words.shown_areas(result.zones, units),
            strict=True,
        )
    )
    day = fit_day(result)
    ahead = result.when.zones if result.when is not None else None
    looks = (
        {} if ahead is None else dict(zip(ahead["zone"], ahead["look"], strict=True))
    )
    found = []
    row: Any
    for row in result.plan.itertuples(index=False):
        fit = str(zones["fit"].get(row.zone, "unknown"))
        rip = words.is_rip(row.job)
        title = words.advice_words(row.job, row.depth, units)
        if rip and math.isfinite(row.depth):
            title += f" ({words.other_depth_words(row.depth, units)})"
        found.append(
            Job(
                order=int(row.order),
                zone=int(row.zone),
                title=title,
                area=f"{areas.get(row.zone, '')} {words.area_unit(units)}".strip(),
                effort=_effort(row, units, rip=rip),
                money=_money(row, currency),
                when=_when(fit, day, looks.get(int(row.zone), "")) if rip else "",
                why=words.as_sentence(row.reason),
            )
        )
    return found


def total(result: Result) -> str:
    """Return the sum over what is ripped in one sentence, empty where nothing is."""
    units, currency = result.field.units, result.field.prices.currency or ""
    plan = result.plan
    ripped = plan[[words.is_rip(str(job)) for job in plan["job"]]]
    if not len(ripped):
        return ""
    shown = words.shown_areas(result.zones, units)
    ground = [
        area
        for zone, area in zip(result.zones["zone"], shown, strict=True)
        if zone in set(ripped["zone"])
    ]
    row = ripped.select_dtypes("number").sum(skipna=False)
    parts = [
        f"{words.added(*ground)} {words.area_unit(units)}" if ground else "",
        _effort(row, units, rip=False),
    ]
    told = ", ".join(part for part in parts if part)
    money = _money(row, currency)
    return f"Ripping in all: {told}." + (f" {money}" if money else "")


def fit_day(result: Result) -> str:
    """Return the day the fit was judged for, as `plan.fit_states` picks it.

    The newest day anybody rolled soil by hand, else the last day with weather.
    """
    dug = result.field.dug
    rolled: pd.Series = pd.Series([], dtype="datetime64[ns]")
    if "kind" in dug:
        rolled = pd.to_datetime(dug.loc[dug["kind"] == "hand_roll", "date"]).dropna()
    series = getattr(result, "series", None)
    if len(rolled):
        day = rolled.max()
    elif series is not None and len(series.dates):
        day = series.dates[-1]
    else:
        return ""
    return words.date_words(pd.Timestamp(day).date())


def asks_for_work(result: Result) -> bool:
    """Tell whether soil has to be rolled by hand anywhere."""
    asked = ("rip", "wait", "carry only", "probe first")
    return any(str(advice).startswith(asked) for advice in result.zones["advice"])


@dataclass(frozen=True)
class ProbeZone:
    """Where to probe in one zone, likeliest damage first in the list of zones."""

    zone: int
    told: str
    spots: list[tuple[str, str, str]]


def probe_zones(result: Result) -> list[ProbeZone]:
    """Return the zones with places to probe, the most ground at risk first."""
    stops, zones, units = result.stops, result.zones, result.field.units
    if not len(stops):
        return []
    areas = dict(zip(zones["zone"], words.shown_areas(zones, units), strict=True))
    chance = dict(zip(zones["zone"], zones["probability"], strict=True))
    size = dict(zip(zones["zone"], zones["area"], strict=True))
    points = stops.geometry.to_crs(4326)
    found = []
    owner = stops["zone"] if "zone" in stops else pd.Series(0, index=stops.index)
    for zone, rows in stops.groupby(owner, sort=True):
        n, _ = words.probe_places(rows)
        told = [f"{n} place{'s' if n != 1 else ''}"]
        if zone in areas:
            told.append(f"{areas[zone]} {words.area_unit(units)}")
            damage = words.chance_words(float(chance[zone]))
            told.append(f"chance of damage {damage}")
        found.append(
            ProbeZone(
                zone=int(zone),
                told=", ".join(told),
                spots=[
                    (_point_name(stops, k), f"{place.y:.6f}", f"{place.x:.6f}")
                    for k, place in points[rows.index].items()
                ],
            )
        )

    def at_risk(one: ProbeZone) -> float:
        return float(np.nan_to_num(chance.get(one.zone, 0.0))) * size.get(one.zone, 0.0)

    return sorted(found, key=lambda one: (-at_risk(one), one.zone))


def _point_name(stops: gpd.GeoDataFrame, label) -> str:
    return str(stops.at[label, "point"]) if "point" in stops else str(label + 1)


def _effort(row, units: str, *, rip: bool) -> str:
    """Return tool, machine time and fuel as ranges."""
    parts = [str(row.tool)] if rip and row.tool else []
    if math.isfinite(row.duration):
        parts.append(words.hours_range(row.duration_low, row.duration_high))
    if math.isfinite(row.fuel):
        unit = "gal" if units == "us" else "L"
        low, high = (from_si(value, unit) for value in (row.fuel_low, row.fuel_high))
        parts.append(f"{words.whole_range(low, high)} {unit} of fuel")
    return ", ".join(parts)


def _money(row, currency: str) -> str:
    """Return cost, and the net gain as an interval."""
    if not (math.isfinite(row.cost) and math.isfinite(row.net)):
        return ""
    cost = f"{words.amount(row.cost)} {currency}".strip()
    span = words.money_range(row.net_low, row.net_high, currency)
    return f"Costs {cost}. Net {span}, best guess {words.amount(row.net)}."


def _when(fit: str, day: str, look: str) -> str:
    """Return what the soil was like on the day it was judged, and when to look next."""
    told = "Go when soil rolled by hand cracks or crumbles at every depth."
    if fit == "shatters":
        told = "Soil shatters" + (f" on {day}." if day else ".")
    return f"{told} {look}".rstrip()
