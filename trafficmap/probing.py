"""Where to probe a finished run, and what the readings change in it.

In comes what a run made; out go the plan of stops with what they are worth, or the
same run with a record put to it and the answers before and after side by side.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import msgspec
import numpy as np
import pandas as pd

from trafficmap import pipeline, plan, zones
from trafficmap.core.errors import InputError
from trafficmap.core.layers import get_layer
from trafficmap.core.notes import Note, worst_first
from trafficmap.core.progress import Progress, silent
from trafficmap.core.tables import PROBE_UPDATE, require_table
from trafficmap.field.readings import Told, with_readings
from trafficmap.zones.probe_value import Stake
from trafficmap.zones.units import REST

if TYPE_CHECKING:
    from pathlib import Path

    from trafficmap.field.model import Tool
    from trafficmap.pipeline import Result
    from trafficmap.zones import Chances, ProbePlan, Units

_MEASURED = ("moisture", "feel")
"""Readings that move the water of the model, so that the line is run again."""


@dataclass(frozen=True)
class ProbeReading:
    """What a record of readings changed.

    Parameters
    ----------
    before, after : Result
    table : DataFrame
        Contract `PROBE_UPDATE`.
    chances : Chances
        Of layers, with the readings.
    readings : DataFrame
        Contract `DUG`, what was new in the record.
    areas_before, areas : dict
        Area by advice. [m2]
    net_before, net : float
        Best net of all that is ripped, NaN where not known. [currency]
    spread : float
        Coefficient of variation of the ratios within one finding, NaN where too few
        pairs say it. [fraction]
    notes : tuple of Note
        Of reading the record and of what it shows, worst first.
    """

    before: Result
    after: Result
    table: pd.DataFrame
    chances: Chances
    readings: pd.DataFrame
    areas_before: dict[str, float]
    areas: dict[str, float]
    net_before: float
    net: float
    spread: float
    notes: tuple[Note, ...]


def plan_probes(
    result: Result,
    *,
    most: int | None = None,
    within: float | None = None,
    every_zone: bool = False,
) -> tuple[ProbePlan, list[Note]]:
    """Return the few spots of a run that would change the decision most.

    Parameters
    ----------
    result : Result
    most : int, optional
        Stops to spend in the whole field.
    within : float, optional
        Wanted precision of the mean of a zone. [fraction]
    every_zone : bool
        Stops also where no finding would pay.

    Returns
    -------
    ProbePlan
    list of Note
    """
    units, price = _units(result), _price(result)
    chances, notes = _chances(result)
    planned, more = zones.probe_plan(
        result.zones,
        units,
        tray=result.tray,
        grid=result.grid,
        field=result.field,
        settings=result.settings.zones,
        price=price,
        fit=result.fit,
        chance=chances.of_unit,
        earlier=chances.earlier,
        tool=_tool(result),
        most=most,
        within=within,
        every_zone=every_zone,
    )
    return planned, worst_first([*notes, *more])


def read_probes(
    before: Result,
    path: Path,
    *,
    told: Told | None = None,
    progress: Progress = silent,
) -> ProbeReading:
    """Put a record of readings to a run and decide anew.

    Zones are cut, confirmed and priced again with all readings; tracks, loads and
    risk stand. Only where the record holds soil moisture the whole line is run again,
    because the water of the model moves with it.

    Parameters
    ----------
    before : Result
    path : Path
        The record.
    told : Told, optional
    progress : callable, optional

    Returns
    -------
    ProbeReading

    Raises
    ------
    InputError
        The record cannot be used; the sentence says why.
    """
    before, dropped = without_assumption(before)
    field, readings, notes = with_readings(before.field, path, told=told)
    field = replace(field, notes=tuple(worst_first([*field.notes, *notes])))
    progress(0.1, "decide with the readings")
    if readings["kind"].isin(_MEASURED).any():
        after = pipeline.run(field, before.settings, progress=progress)
    else:
        after = pipeline.redraw(before, field=field)
    progress(0.8, "compare before and after")
    first, _ = _chances(before)
    chances, more = _chances(after)
    table = what_changed(before, after, chance_before=first, chance=chances)
    return ProbeReading(
        before=before,
        after=after,
        table=table,
        chances=chances,
        readings=readings,
        areas_before=before.areas(),
        areas=after.areas(),
        net_before=_net(before),
        net=_net(after),
        spread=ratio_spread(chances.pairs),
        notes=tuple(worst_first([*notes, *dropped, *more])),
    )


def what_changed(
    before: Result, after: Result, *, chance_before: Chances, chance: Chances
) -> pd.DataFrame:
    """Return what readings changed, one row a zone of the new map.

    Zones may be cut elsewhere than before, so what was said of a zone before is that
    of most of its cells, and its chance before their mean.

    Returns
    -------
    DataFrame
        Contract `PROBE_UPDATE`.
    """
    units, price = _units(after), _price(after)
    said = dict(zip(before.zones["zone"], before.zones["advice"], strict=True))
    old_zone = get_layer(before.tray, "zone")
    old_unit = _units(before).label
    new_unit = units.label
    chance_at = np.full(max(int(old_unit.max()) + 1, 1), np.nan)
    for unit, value in chance_before.of_unit.items():
        chance_at[unit] = value
    rows = []
    for zone in after.zones.to_dict("records"):
        unit = int(zone["unit"])
        if unit == REST or zone["kind"] in ("keep_out", "strip", "rest"):
            continue
        mine = new_unit == unit
        words = pd.Series(old_zone[mine]).map(said).dropna()
        earlier = np.nanmean(chance_at[old_unit[mine]]) if mine.any() else np.nan
        stake = Stake(
            prior=chance.of_unit[unit],
            gain=float(price["net"].iloc[unit]),
            waste=float(price["extra_cost"].iloc[unit]),
        )
        rows.append(
            {
                "zone": int(zone["zone"]),
                "advice_before": str(words.mode().iloc[0]) if len(words) else "",
                "advice": str(zone["advice"]),
                "area": float(zone["area"]),
                "stops": chance.stops[unit],
                "found": chance.found[unit],
                "chance_before": float(earlier),
                "chance": float(stake.prior),
                "net_before": stake.net(float(earlier)),
                "net": stake.net(stake.prior),
                "reason": _reason(zone, units),
            }
        )
    if not rows:
        return PROBE_UPDATE.empty()
    return require_table(pd.DataFrame(rows), PROBE_UPDATE)


def _reason(zone: dict, units: Units) -> str:
    """Return why, without what drove there where the unit's own words hold."""
    row = units.table.iloc[int(zone["unit"])]
    return str(row["reason"] if row["advice"] == zone["advice"] else zone["reason"])


def ratio_spread(pairs: pd.DataFrame, *, least: int = 8) -> float:
    """Return how far readings of one finding spread, from the ratios of pairs.

    The logarithm of a ratio of two readings spreads by sqrt(2) times the coefficient
    of variation of one; around the mean of its unit and finding.

    Parameters
    ----------
    pairs : DataFrame
        Contract `PROBE_PAIRS` with unit.
    least : int
        Fewer pairs say nothing.

    Returns
    -------
    float
        NaN with fewer. [fraction]
    """
    known = pairs[pairs["ratio"] > 0]
    if len(known) < least:
        return math.nan
    logs = np.log(known["ratio"].to_numpy(float))
    groups = known.groupby(["unit", "found"]).ngroup().to_numpy()
    count = int(groups.max()) + 1
    free = len(logs) - count
    if free < least - 1:
        return math.nan
    mean = np.bincount(groups, logs) / np.bincount(groups)
    return float(np.sqrt(np.sum((logs - mean[groups]) ** 2) / free / 2.0))


def without_assumption(result: Result) -> tuple[Result, list[Note]]:
    """Return a run as it is where nobody takes a layer as confirmed undug.

    A run made with ``--assume-confirmed`` would ask for no probe and believe none.
    """
    use = result.settings
    if use.zones.assume_confirmed is None:
        return result, []
    bare = msgspec.structs.replace(
        use, zones=msgspec.structs.replace(use.zones, assume_confirmed=None)
    )
    sentence = (
        "the run took a layer as confirmed that nobody dug; here that is dropped, and "
        "only what was dug counts."
    )
    note = Note("probe.assumption_dropped", "check", sentence)
    return pipeline.redraw(result, settings=bare), [note]


def _units(result: Result) -> Units:
    """Return the units, which every result of `pipeline.decide` has."""
    if result.units is None:
        msg = "result: holds no units, need those its zones were drawn from."
        raise InputError(msg, "take the result of pipeline.run or pipeline.decide")
    return result.units


def _price(result: Result) -> pd.DataFrame:
    """Return the money of each unit, with the usual bottom where nobody found one.

    A pan brings less the shallower it lies, so ground nobody dug is priced for the
    layer people may find and not for the deepest in reach.
    """
    units, field = _units(result), result.field
    table = units.table.copy()
    usual = result.settings.zones.layer_assumed
    table["layer_bottom"] = table["layer_bottom"].fillna(usual)
    priced, _ = plan.price(
        units.with_table(table),
        crop=field.crop,
        prices=field.prices,
        settings=result.settings.plan,
        tool=_tool(result),
        words=field.units,
        columns=result.columns,
    )
    return priced


def _tool(result: Result) -> Tool | None:
    return max(result.field.tools, key=lambda tool: tool.depth_max, default=None)


def _chances(result: Result) -> tuple[Chances, list[Note]]:
    units = _units(result)
    dug, _ = zones.still_good(
        result.field.dug,
        grid=result.grid,
        settings=result.settings.zones,
        last_day=get_layer(result.tray, "last_day")
        if "last_day" in result.tray
        else None,
        tillage=result.field.tillage,
        series=result.series,
    )
    return zones.layer_chances(units, dug, tray=result.tray, settings=result.settings)


def _net(result: Result) -> float:
    """Return the best net of all that is ripped, 0 where nothing is."""
    jobs = result.plan[result.plan["job"] == "rip"]
    return float(jobs["net"].sum()) if jobs["net"].notna().all() else math.nan
