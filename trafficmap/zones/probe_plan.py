"""The probe plan: which few spots would change the decision most, in walking order."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from trafficmap.core.notes import Note
from trafficmap.core.tables import PROBE_VALUE, require_table
from trafficmap.zones.advise import unit_inputs
from trafficmap.zones.decide import UnitInputs, decide
from trafficmap.zones.probe import probe_stops, stop_places
from trafficmap.zones.probe_value import (
    Earlier,
    Stake,
    finding_odds,
    precision_of,
    readings_needed,
    share_out,
    value_of_probing,
)
from trafficmap.zones.probe_walk import walking_order
from trafficmap.zones.units import REST

if TYPE_CHECKING:
    import geopandas as gpd
    import xarray as xr

    from trafficmap.core.grid import FieldGrid
    from trafficmap.core.settings.zones import ZoneSettings
    from trafficmap.field.model import Field, Tool
    from trafficmap.zones.units import Units

_OPEN = ("none", "inconclusive")


@dataclass(frozen=True)
class ProbePlan:
    """Where to probe, what each zone's stops are worth, and how far it is to walk.

    Parameters
    ----------
    stops : GeoDataFrame
        Contract as `zones.probe_stops`, in walking order, with ``value`` of a stop.
    value : DataFrame
        Contract `PROBE_VALUE`, what pays most first.
    walk : float
        From the first to the last stop, twins included. [m]
    time : float
        Walking and probing. [s]
    precision : float
        Of the mean of the stops of a zone, nine times in ten. [fraction]
    whole : float
        What it would be worth to probe every zone in full. [currency]
    """

    stops: gpd.GeoDataFrame
    value: pd.DataFrame
    walk: float
    time: float
    precision: float
    whole: float = 0.0


def probe_plan(
    zones: gpd.GeoDataFrame,
    units: Units,
    *,
    tray: xr.Dataset,
    grid: FieldGrid,
    field: Field,
    settings: ZoneSettings,
    price: pd.DataFrame,
    fit: pd.DataFrame | None,
    chance: dict[int, float],
    earlier: dict[int, Earlier] | None = None,
    tool: Tool | None = None,
    most: int | None = None,
    within: float | None = None,
    every_zone: bool = False,
) -> tuple[ProbePlan, list[Note]]:
    """Return the probe plan of a field.

    A zone gets stops when a finding there would change what is done: with a layer
    found at the usual depth and dry soil the decision table would rip it. What the
    stops are worth is the expected value of what they show, `value_of_probing`, with
    the rule that confirms a layer and the money rule of the decision: ground that would
    not be ripped even then is worth none. The `most` stops are shared out so that they
    are worth the most, up to as many a zone as the wanted precision needs; with
    `within` alone every zone worth a stop gets that many. Stops made there before
    count towards both.

    Parameters
    ----------
    zones : GeoDataFrame
        Contract `ZONES`.
    units : Units
        Those the zones were drawn from.
    tray : xarray.Dataset
    grid : FieldGrid
    field : Field
    settings : ZoneSettings
    price, fit : DataFrame
        From `plan.price` and `plan.fit_states`.
    chance : dict
        Chance of a layer in reach by unit. [fraction]
    earlier : dict, optional
        Stops made before by unit; new ones add to them.
    tool : Tool, optional
    most : int, optional
        Stops to spend in the whole field; ``settings.probe_stops`` where neither this
        nor `within` is given.
    within : float, optional
        Wanted precision of the mean of a zone; ``settings.stops`` a zone if not given.
        [fraction]
    every_zone : bool
        Stops also where money says that no finding would pay.

    Returns
    -------
    ProbePlan
    list of Note
    """
    if most is None and within is None and not every_zone:
        most = settings.probe_stops
    full = settings.stops
    if within is not None:
        full = readings_needed(settings.probe_spread, within=within)
    full = max(full, settings.min_probes)
    rows: list[dict[str, Any]] = []
    for row in _candidates(zones, units):
        given = unit_inputs(
            row, field=field, tool=tool, settings=settings, price=price, fit=fit
        )
        # A stop is as sure in the money as in the decision: both are of the unit.
        stake = _stake(row["unit"], price, chance)
        blocked = would_not_change(given, settings)
        before = (earlier or {}).get(row["unit"], Earlier())
        least = max(1, settings.min_probes - before.stops)
        wanted = max(full - before.stops, least)
        values = [0.0] * (wanted + 1)
        if not blocked and math.isfinite(stake.gain):
            # Fewer than the rule needs to say anything can change nothing.
            values = [
                value_of_probing(
                    stake, odds=finding_odds(k, settings=settings, earlier=before)
                )
                for k in range(wanted + 1)
            ]
        rows.append(
            {
                "zone": int(row["zone"]),
                "unit": int(row["unit"]),
                "probability": float(row["probability"]),
                "chance": stake.prior,
                "break_even": stake.break_even,
                "gain": stake.gain,
                "waste": stake.waste,
                "stops": 0,
                "value": math.nan if math.isnan(stake.gain) else values[-1],
                "by_stop": math.nan,
                "why": blocked,
                "values": values,
                "least": least,
                "before": before.stops,
            }
        )
    whole = sum(_number(row["value"]) for row in rows)
    _spend(rows, most=most, every_zone=every_zone)
    rows.sort(key=lambda row: (-_number(row["by_stop"]), -_number(row["value"])))
    value = pd.DataFrame(rows, columns=PROBE_VALUE.names())
    types: dict[str, Any] = {c.name: _DTYPES[c.dtype] for c in PROBE_VALUE.columns}
    value = value.astype(types)
    require_table(value, PROBE_VALUE)
    counts = {row["zone"]: row["stops"] for row in rows if row["stops"]}
    stops, notes = probe_stops(zones, tray, grid=grid, settings=settings, counts=counts)
    stops, walk = _in_order(stops, grid)
    worth_of = dict(zip(value["zone"], value["by_stop"], strict=True))
    stops["value"] = stops["zone"].map(worth_of).astype(float)
    readings = [row["stops"] + row["before"] for row in rows if row["stops"]]
    plan = ProbePlan(
        stops=stops,
        value=value,
        walk=walk,
        time=walk / settings.walking_speed
        + settings.stop_time * float((stops["wheeled"] == 1).sum()),
        precision=precision_of(
            settings.probe_spread, readings=min(readings, default=full)
        ),
        whole=whole,
    )
    return plan, [*notes, *_notes(rows, plan, most)]


def would_not_change(unit: UnitInputs, settings: ZoneSettings) -> str:
    """Return why no finding would change what is done, or nothing.

    The table is asked twice: what it says if a layer is found that ends at
    ``layer_assumed``, in soil that is fit to shatter, with the lines located. Frost and
    water of today do not count, they pass; nor do lines that can still be located.
    Ground without an answer from the model is one piece whatever lies in it, and what
    is found in a part of it confirms nothing for the whole.
    """
    if not unit.assessed:
        known = unit.open_why or "loads, soil water or dates of it are not known"
        return f"{known}, so a finding in one place would not speak for all of it"
    found = replace(
        unit,
        probed="confirmed",
        layer_bottom=settings.layer_assumed,
        moisture="fit",
        frost=0.0,
        tip_frozen=False,
        # Unknown money ranks nothing, but it does not make a finding idle either.
        net=1.0 if math.isnan(unit.net) else unit.net,
        utilities="located" if unit.utilities == "unsaid" else unit.utilities,
    )
    advice = decide(found, settings=settings)
    if advice.word == "rip":
        return ""
    if advice.row == "D19":
        sure = " for sure" if unit.net > 0 else ""
        return f"it would not pay{sure}, even with a layer found"
    return advice.reason


def _candidates(zones: gpd.GeoDataFrame, units: Units) -> list[dict]:
    """Return unit rows with their zone number, of ground nobody has settled."""
    rows = []
    table = units.table.set_index("unit", drop=False)
    for zone in zones.to_dict("records"):
        unit = int(zone["unit"])
        if unit == REST or zone["kind"] in ("keep_out", "strip", "rest"):
            continue
        row = table.loc[unit].to_dict()
        if row["probed"] in _OPEN:
            rows.append(row | {"zone": zone["zone"]})
    return rows


def _stake(unit: int, price: pd.DataFrame, chance: dict[int, float]) -> Stake:
    """Return what hangs on a unit; NaN where the money is not known."""
    row = price.iloc[int(unit)]
    return Stake(
        prior=chance.get(int(unit), 0.0),
        gain=float(row["net"]),
        waste=float(row["extra_cost"]),
    )


def _spend(rows: list[dict], *, most: int | None, every_zone: bool) -> None:
    """Put the number of stops, and what one of them is worth, into `rows`."""
    worth = [row for row in rows if _number(row["value"]) > 0]
    unknown = [row for row in rows if math.isnan(row["value"]) and not row["why"]]
    if every_zone:
        unknown = [row for row in rows if row not in worth]
    if most is None:
        for row in (*worth, *unknown):
            row["stops"] = len(row["values"]) - 1
    else:
        left = most
        shares = share_out([row["values"] for row in worth], most)
        for row, count in zip(worth, shares, strict=True):
            row["stops"] = count
            row["value"] = row["values"][count] if count else row["value"]
            left -= count
        # Where no money is known the likelier ground comes first.
        unknown.sort(key=lambda row: -row["chance"])
        for row in unknown:
            count = min(len(row["values"]) - 1, left)
            if count >= row["least"]:
                row["stops"] = count
                left -= count
    for row in rows:
        if row["stops"] and math.isfinite(row["value"]):
            row["by_stop"] = row["value"] / row["stops"]


def _in_order(
    stops: gpd.GeoDataFrame, grid: FieldGrid
) -> tuple[gpd.GeoDataFrame, float]:
    """Return the stops in walking order, each twin after its stop, and the way [m]."""
    if not len(stops):
        return stops, 0.0
    own = np.flatnonzero(stops["wheeled"].to_numpy() == 1)
    place = stop_places(stops)
    start = np.array([grid.bounds[0], grid.bounds[1]])
    order = own[walking_order(place[own], start=start)]
    twin_at = {of: k for k, of in enumerate(stops["twin_of"].tolist()) if of}
    walk: list[int] = []
    for k in order:
        walk.append(int(k))
        twin = twin_at.get(stops["point"].iloc[int(k)])
        if twin is not None:
            walk.append(twin)
    out = stops.iloc[walk].reset_index(drop=True)
    out["stop"] = np.arange(1, len(out) + 1)
    way = np.hypot(*np.diff(stop_places(out), axis=0).T)
    return out, float(way.sum())


def _notes(rows: list[dict], plan: ProbePlan, most: int | None) -> list[Note]:
    notes = []
    blocked = [row for row in rows if row["why"]]
    if blocked:
        sentence = (
            f"in {_zones(len(blocked))} no finding would change what is done; the "
            "table says why."
        )
        notes.append(Note("probe.no_change", "info", sentence, len(blocked)))
    if not len(plan.stops):
        sentence = (
            "no spot is worth a probe: nothing that could be found would change what "
            "is done."
        )
        needed = [row["least"] for row in rows if not row["why"]]
        if most is not None and needed and most < min(needed):
            sentence = (
                f"{most} stops are too few to say anything: give {min(needed)} or more."
            )
        notes.append(Note("probe.no_stop", "check", sentence))
    unknown = sum(1 for row in rows if row["stops"] and math.isnan(row["value"]))
    if unknown:
        sentence = (
            f"in {_zones(unknown)} no money is known, so their stops are not ranked; "
            "give crop, yield and price in field.toml."
        )
        notes.append(Note("probe.no_money", "check", sentence, unknown))
    return notes


def _zones(count: int) -> str:
    return "1 zone" if count == 1 else f"{count} zones"


def _number(value: float) -> float:
    return value if math.isfinite(value) else 0.0


_DTYPES: dict[str, Any] = {"int": "int64", "float": "float64", "text": object}
