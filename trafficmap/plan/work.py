"""The plan of work: jobs, hours, fuel, money, and their order."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import pandas as pd

from trafficmap.core.notes import Note
from trafficmap.core.tables import PLAN, require_table
from trafficmap.plan.capacity import run_heading
from trafficmap.plan.draft import soil_group
from trafficmap.plan.fit import USUAL_TIP
from trafficmap.plan.money import GroundMoney, ground_money
from trafficmap.plan.own import Effort, OwnRates, effort, own_rates, own_ripping
from trafficmap.plan.price import field_pricing
from trafficmap.plan.tool import check_tool
from trafficmap.zones.depths import tip_depth

if TYPE_CHECKING:
    import geopandas as gpd

    from trafficmap.core.settings.plan import PlanSettings
    from trafficmap.field.model import Field, Tool

_ASKED = ("rip", "probe first", "wait", "carry only", "stop")
_JOBS = {"rip": "rip", "level ruts only": "level ruts"}


def work_plan(
    zones: gpd.GeoDataFrame,
    *,
    field: Field,
    settings: PlanSettings,
    heading: float,
    tool: Tool | None = None,
    window: float | None = None,
) -> tuple[pd.DataFrame, list[Note]]:
    """Return the jobs in the order to do them.

    End rows that pass their own test come first (D9); then what pays for sure, by net
    money per machine hour; then what may or may not pay, whose interval spans zero;
    levelling of ruts last, it waits for a dry top. Where the time is shorter than the
    list, the list is cut and not the standards.

    Parameters
    ----------
    zones : GeoDataFrame
        Contract `ZONES`, metric coordinates.
    field : Field
    settings : PlanSettings
    heading : float
        Direction of the runs. [rad]
    tool : Tool, optional
        The tool that rips; the first of the field's if not given.
    window : float, optional
        Machine time there is. [s]

    Returns
    -------
    DataFrame
        Contract `PLAN`.
    list of Note
    """
    if tool is None and field.tools:
        tool = field.tools[0]
    notes: list[Note] = []
    jobs = []
    priced = zone_money(
        zones, field=field, settings=settings, heading=heading, tool=tool
    )
    for zone in zones[zones["advice"].isin(_JOBS)].to_dict("records"):
        job = _job(zone, tool, priced.get(zone["zone"]))
        if zone["advice"] == "rip" and tool is not None:
            notes += check_tool(
                tool, depth=zone["depth"], soil=_soil(zone), settings=settings
            )
        job |= _rank(zone, job)
        jobs.append(job)
    jobs.sort(key=lambda job: (job["class"], -job["rate"], job["zone"]))
    jobs = _travel(jobs, settings)
    jobs, cut = _cut(jobs, window)
    notes += cut
    if jobs and tool is None:
        sentence = (
            "no tool is named: hours and fuel are not known. Name it in field.toml."
        )
        notes.append(Note("plan.no_tool", "check", sentence))
    if not jobs:
        return PLAN.empty(), list(dict.fromkeys(notes))
    for order, job in enumerate(jobs, start=1):
        job["order"] = order
    frame = pd.DataFrame(jobs)[PLAN.names()]
    floats = [column.name for column in PLAN.columns if column.dtype == "float"]
    frame = frame.astype(dict.fromkeys(floats, "float64"))
    return require_table(frame, PLAN), list(dict.fromkeys(notes))


@dataclass(frozen=True)
class PricedZone:
    """Money of a zone were it ripped, and hours and fuel where a tool is known."""

    money: GroundMoney
    effort: Effort | None
    rates: OwnRates | None


def zone_money(
    zones: gpd.GeoDataFrame,
    *,
    field: Field,
    settings: PlanSettings,
    heading: float,
    tool: Tool | None = None,
) -> dict[int, PricedZone]:
    """Return the money of every zone that is or may yet be ripped, by its number.

    Ground that is ripped, that waits, or that is left because it does not pay; ground
    to be probed as if its layer were confirmed. All other ground has none.

    Parameters
    ----------
    zones : GeoDataFrame
        Contract `ZONES`, metric coordinates.
    field : Field
    settings : PlanSettings
    heading : float
        Direction of the runs. [rad]
    tool : Tool, optional
    """
    pricing, _ = field_pricing(field.crop, field.prices, settings)
    rates, _ = own_rates(tool, prices=field.prices, settings=settings)
    found: dict[int, PricedZone] = {}
    for zone in zones.to_dict("records"):
        if not _may_be_ripped(zone):
            continue
        bottom = float(zone.get("layer_bottom", math.nan))
        depth = zone["depth"]
        if math.isnan(depth):
            depth = tip_depth(bottom, units=field.units)
        if math.isnan(depth):
            depth = USUAL_TIP
        work = None
        if tool is not None:
            work = effort(
                zone["geometry"],
                area=zone["area"],
                depth=depth,
                tool=tool,
                soil=_soil(zone),
                heading=run_heading(zone, heading),
                settings=settings,
            )
        own = None
        if rates is not None and work is not None:
            own = own_ripping(rates, work, area=zone["area"])
        money = ground_money(
            pricing,
            area=zone["area"],
            run_over=zone["run_over"],
            bottom=bottom,
            settings=settings,
            ripping=own,
        )
        found[int(zone["zone"])] = PricedZone(money, work, rates if own else None)
    return found


def _may_be_ripped(zone: dict) -> bool:
    """Return whether money is told for a zone: it may come to ripping yet.

    Not for ground out of reach or not to be touched, whatever it would bring.
    """
    if zone.get("kind", "body") not in ("body", "end_rows", "overlap"):
        return False
    return zone["advice"] in _ASKED or zone["row"] in ("D8", "D19")


def _soil(zone: dict) -> str:
    # Without a soil map the middle row of the draft table stands in; its spread of
    # half either way is wider than the difference.
    return soil_group(zone.get("sand", math.nan), zone.get("clay", math.nan))


def _job(zone: dict, tool: Tool | None, priced: PricedZone | None) -> dict[str, Any]:
    """Return one job with its hours and fuel, NaN where no tool is known."""
    job: dict[str, Any] = dict.fromkeys(
        [column.name for column in PLAN.columns if column.dtype == "float"], math.nan
    )
    rip = zone["advice"] == "rip"
    job |= {
        "zone": zone["zone"],
        "job": _JOBS[zone["advice"]],
        "tool": tool.name if tool is not None and rip else "",
        "depth": zone["depth"],
        "area": zone["area"],
        "shape": zone["geometry"],
        "pays": False,
    }
    if not rip or priced is None:
        return job
    money, work = priced.money, priced.effort
    job |= {
        "cost": money.whole.best,
        "net_low": money.net.low,
        "net": money.net.best,
        "net_high": money.net.high,
        "pays": money.verdict == "pays",
    }
    if work is not None:
        job |= {
            "duration_low": work.duration.low,
            "duration": work.duration.best,
            "duration_high": work.duration.high,
            "efficiency": work.efficiency,
            "fuel_low": work.fuel.low,
            "fuel": work.fuel.best,
            "fuel_high": work.fuel.high,
        }
    return job


def _rank(zone: dict, job: dict) -> dict[str, Any]:
    """Return the class a job is sorted by, its money per hour, and why."""
    if job["job"] != "rip":
        reason = "when the top 2 to 4 in (5 to 10 cm) are dry"
        return {"class": 3, "rate": 0.0, "reason": reason}
    hours = job["duration"] / 3600 if job["duration"] > 0 else math.nan
    # Without hours money by area orders the list just as well.
    rate = job["net"] / hours if hours > 0 else job["net"] / zone["area"]
    if zone["row"] == "D9":
        return {"class": 0, "rate": rate, "reason": "end rows first: most to gain"}
    if zone.get("trial"):
        reason = "trial pass first, dig it, then decide"
        return {"class": 1, "rate": rate, "reason": reason}
    if job["pays"] and job["net_low"] > 0:
        return {
            "class": 1,
            "rate": rate,
            "reason": "pays by the hour better than the next",
        }
    reason = "does not pay for sure: the range of the gain spans zero"
    if job["pays"]:
        reason = "pays on balance, not for sure: the range of the gain spans zero"
    return {"class": 2, "rate": rate, "reason": reason}


def _travel(jobs: list[dict], settings: PlanSettings) -> list[dict]:
    """Add the way from one job to the next."""
    for before, job in pairwise(jobs):
        way = before["shape"].distance(job["shape"]) / settings.transport_speed
        for name in ("duration_low", "duration", "duration_high"):
            job[name] += way
    return jobs


def _cut(jobs: list[dict], window: float | None) -> tuple[list[dict], list[Note]]:
    """Drop the jobs the time is too short for, from the end."""
    if window is None:
        return jobs, []
    kept = []
    spent = 0.0
    for job in jobs:
        spent += job["duration"] if math.isfinite(job["duration"]) else 0.0
        if spent > window:
            break
        kept.append(job)
    lost = len(jobs) - len(kept)
    if not lost:
        return jobs, []
    sentence = (
        f"{lost} jobs at the end of the list do not fit into {window / 3600:.0f} hours "
        "and were cut; leave them rather than work wet or in a hurry."
    )
    return kept, [Note("plan.window", "check", sentence, lost)]
