"""The plan of work: jobs, hours, fuel, money, and their order."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import pandas as pd

from trafficmap.core.notes import Note
from trafficmap.core.tables import PLAN, require_table
from trafficmap.plan.benefit import Money, net_by_area
from trafficmap.plan.capacity import zone_time
from trafficmap.plan.draft import soil_group
from trafficmap.plan.fuel import fuel_range
from trafficmap.plan.power import drawbar_share
from trafficmap.plan.price import area_cost, crop_value
from trafficmap.plan.tool import check_tool, tool_draft

if TYPE_CHECKING:
    import geopandas as gpd

    from trafficmap.core.settings.plan import PlanSettings
    from trafficmap.field.model import Field, Tool

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
    cost, _ = area_cost(field.crop, field.prices, settings)
    value, loss, _ = crop_value(field.crop, settings)
    notes: list[Note] = []
    jobs = []
    for zone in zones[zones["advice"].isin(_JOBS)].to_dict("records"):
        # Without a soil map the middle row of the draft table stands in; its spread
        # of half either way is wider than the difference.
        soil = soil_group(zone.get("sand", math.nan), zone.get("clay", math.nan))
        job = _job(zone, tool, soil, settings, heading)
        if zone["advice"] == "rip":
            by_area = net_by_area(
                value,
                wheeled=zone["run_over"],
                loss=loss,
                limits=settings.limits,
                fracture=settings.fracture,
                years=settings.years,
                cost=cost.extra,
                response=(settings.response_low, settings.response_high),
            )
            money = Money(*(part * zone["area"] for part in by_area))
            job |= {
                "cost": cost.whole * zone["area"],
                "net_low": money.low,
                "net": money.best,
                "net_high": money.high,
            }
            if tool is not None:
                notes += check_tool(
                    tool, depth=zone["depth"], soil=soil, settings=settings
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


def _job(
    zone: dict, tool: Tool | None, soil: str, settings: PlanSettings, heading: float
) -> dict[str, Any]:
    """Return one job with its hours and fuel, NaN where no tool is known."""
    job: dict[str, Any] = dict.fromkeys(
        [column.name for column in PLAN.columns if column.dtype == "float"], math.nan
    )
    job |= {
        "zone": zone["zone"],
        "job": _JOBS[zone["advice"]],
        "tool": tool.name if tool is not None and zone["advice"] == "rip" else "",
        "depth": zone["depth"],
        "area": zone["area"],
        "shape": zone["geometry"],
    }
    if tool is None or zone["advice"] != "rip":
        return job
    speed = tool.speed or settings.speed
    slow, fast = (
        min(settings.speed_window[0], speed),
        max(settings.speed_window[1], speed),
    )
    for name, pace in (("_low", fast), ("", speed), ("_high", slow)):
        job[f"duration{name}"], efficiency = zone_time(
            zone["geometry"],
            width=tool.width,
            heading=heading,
            speed=pace,
            turn_time=settings.turn_time,
            overlap=settings.overlap,
        )
        if name == "":
            job["efficiency"] = efficiency
    low, _, high = tool_draft(
        tool, depth=zone["depth"], soil=soil, speed=speed, spread=settings.draft_spread
    )
    fuel = fuel_range(
        (low, high),
        width=tool.width * settings.overlap,
        share=drawbar_share(tool.drive or "front_assist", ground="tilled"),
        depth=zone["depth"],
        load=settings.load_share,
        efficiency=max(job["efficiency"], 0.1),
    )
    job["fuel_low"] = fuel.low * zone["area"]
    job["fuel"] = fuel.best * zone["area"]
    job["fuel_high"] = fuel.high * zone["area"]
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
    if job["net_low"] > 0:
        return {
            "class": 1,
            "rate": rate,
            "reason": "pays by the hour better than the next",
        }
    reason = "not sure to pay: the range of the gain spans zero"
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
