"""How likely a layer in reach is: the model, counts of the same field, own readings."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy import ndimage

from trafficmap.core.layers import get_layer
from trafficmap.core.notes import Note
from trafficmap.core.tables import PROBE_CLASSES, require_table
from trafficmap.risk.assess import worst_depth
from trafficmap.risk.classes import NOT_ASSESSED, RISK_WORDS, risk_class
from trafficmap.zones.confirm import spade_shows
from trafficmap.zones.dug import unit_of_readings
from trafficmap.zones.pairs import pairs
from trafficmap.zones.probe_value import (
    Earlier,
    Odds,
    calibrated,
    counted,
    damage_to_layer,
    stop_odds,
    updated,
)

if TYPE_CHECKING:
    import xarray as xr

    from trafficmap.core.settings import Settings
    from trafficmap.core.settings.zones import ZoneSettings
    from trafficmap.zones.units import Units


_TURNED = 1.15
"""Tracks this much softer than their twins are hardly tracks; choice."""


@dataclass(frozen=True)
class Chances:
    """What is known of layers before and after the readings.

    Parameters
    ----------
    of_unit : dict
        Chance of a layer in reach by unit. [fraction]
    stops, found : dict
        Stops with a twin in each unit, and those that found a layer in reach.
    pairs : DataFrame
        Contract `PROBE_PAIRS` with unit, soil_unit, risk (class), probability (of the
        model there), in_reach and miss: what the model called likely and nobody
        found, or unlikely and somebody did.
    classes : DataFrame
        Contract `PROBE_CLASSES`.
    earlier : dict
        `Earlier` by unit: what new stops there would add to.
    """

    of_unit: dict[int, float]
    stops: dict[int, int]
    found: dict[int, int]
    pairs: pd.DataFrame
    classes: pd.DataFrame
    earlier: dict[int, Earlier]


def layer_chances(
    units: Units, dug: pd.DataFrame, *, tray: xr.Dataset, settings: Settings
) -> tuple[Chances, list[Note]]:
    """Return the chance of a layer in reach in every unit, and how the model fared.

    The model's probability of damage gives the first chance (`damage_to_layer` and
    ``layer_in_reach``). Counts of stops in other units on the same soil and in the
    same class of risk move it (`calibrated`, stops of one unit count as `counted`).
    The unit's own stops and spade then move it by Bayes' rule (`updated`). So a stop
    counts once, and probes win over the model where there are enough of them.

    Parameters
    ----------
    units : Units
        From `confirm`.
    dug : DataFrame
        Contract `DUG`.
    tray : xarray.Dataset
    settings : Settings

    Returns
    -------
    Chances
    list of Note
    """
    use = settings.zones
    found = _placed(pairs(dug, settings=use), units, tray, settings)
    soils = _soil_of_units(units, tray)
    odds = stop_odds(use)
    spade = Odds(use.spade_right, use.spade_right)
    own = (
        unit_of_readings(dug, units.label, grid=units.grid, reach=use.twin_reach)
        if len(dug)
        else np.empty(0, dtype=np.int64)
    )
    of_unit: dict[int, float] = {}
    stops: dict[int, int] = {}
    hits: dict[int, int] = {}
    earlier: dict[int, Earlier] = {}
    for row in units.table.to_dict("records"):
        unit = int(row["unit"])
        chance = _first(row["probability"] if row["assessed"] else math.nan, settings)
        risk = int(
            risk_class(np.array([row["probability"]]), settings=settings.risk)[0]
        )
        like = found[
            (found["unit"] != unit)
            & (found["soil_unit"] == soils[unit])
            & (found["risk"] == risk)
        ]
        weight, hit = _counts(like, use)
        chance = calibrated(chance, found=hit, stops=weight, settings=use)
        mine = found[found["unit"] == unit]
        stops[unit], hits[unit] = len(mine), int(mine["in_reach"].sum())
        chance = updated(chance, found=hits[unit], stops=stops[unit], odds=odds)
        plates = spade_shows(dug[own == unit]) if len(dug) else None
        deep = int(mine["found"].sum()) - hits[unit]
        # Plates of a layer that ends out of reach speak for no layer in reach.
        if plates is not None and stops[unit] and not (plates and deep > hits[unit]):
            chance = updated(chance, found=int(plates), stops=1, odds=spade)
        of_unit[unit] = chance
        middle = float(mine["ratio"].median()) if len(mine) else math.nan
        earlier[unit] = Earlier(len(mine), middle, plates)
    table = _classes(found, settings)
    told = Chances(of_unit, stops, hits, found, table, earlier)
    return told, _notes(found, settings)


def _first(probability: float, settings: Settings) -> float:
    """Return the chance of a layer in reach by the model alone."""
    use = settings.zones
    return damage_to_layer(probability, use) * use.layer_in_reach


def _placed(
    found: pd.DataFrame,
    units: Units,
    tray: xr.Dataset,
    settings: Settings,
) -> pd.DataFrame:
    """Return the pairs with unit, soil, and what the model said there."""
    grid = units.grid
    out = found.copy()
    cell = grid.cell_index(out["easting"].to_numpy(float), out["northing"].to_numpy())
    at = np.maximum(cell, 0)
    # A hand-held receiver is off by a step or two: the likeliest cell around counts.
    worst = np.nan_to_num(worst_depth(get_layer(tray, "probability")), nan=-1.0)
    near = ndimage.maximum_filter(worst, size=3, mode="nearest").ravel()[at]
    chance = np.where((cell >= 0) & (near >= 0), near, np.nan)
    soil = get_layer(tray, "soil_unit").ravel()[at] if "soil_unit" in tray else -1
    out["unit"] = unit_of_readings(
        out.assign(kind="stop", wheeled=1.0),
        units.label,
        grid=grid,
        reach=settings.zones.twin_reach,
    )
    out["soil_unit"] = np.where(cell >= 0, soil, -1)
    out["probability"] = chance
    out["risk"] = risk_class(chance, settings=settings.risk).astype(int)
    bottom = out["bottom"].to_numpy(dtype=float)
    out["in_reach"] = out["found"].to_numpy(bool) & (bottom <= settings.zones.reach)
    likely = out["risk"].isin((3, 4))
    out["miss"] = (likely & ~out["found"]) | ((out["risk"] == 1) & out["found"])
    return out


def _soil_of_units(units: Units, tray: xr.Dataset) -> list[int]:
    """Return the commonest soil unit of each unit, -1 where no soil is known."""
    count = len(units.table)
    if "soil_unit" not in tray:
        return [-1] * count
    label, soil = units.label.ravel(), get_layer(tray, "soil_unit").ravel()
    known = (label >= 0) & (soil >= 0)
    width = int(soil.max(initial=0)) + 1
    table = np.bincount(
        label[known].astype(np.int64) * width + soil[known], minlength=count * width
    ).reshape(count, width)
    return np.where(table.any(axis=1), table.argmax(axis=1), -1).tolist()


def _counts(stops: pd.DataFrame, settings: ZoneSettings) -> tuple[float, float]:
    """Return how many findings the stops count for, and how many found a layer."""
    weight = hit = 0.0
    for _, group in stops.groupby("unit"):
        alike = counted(len(group), settings)
        weight += alike
        hit += alike * float(group["in_reach"].mean())
    return weight, hit


def _classes(found: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    rows = []
    told: Any
    for told, group in found.groupby(["soil_unit", "risk"], sort=True):
        soil, risk = told
        chance = float(np.mean([_first(p, settings) for p in group["probability"]]))
        weight, hit = _counts(group, settings.zones)
        rows.append(
            {
                "soil_unit": int(soil),
                "risk": RISK_WORDS[int(risk)],
                "stops": len(group),
                "found": int(group["in_reach"].sum()),
                "before": chance,
                "after": calibrated(
                    chance, found=hit, stops=weight, settings=settings.zones
                ),
            }
        )
    if not rows:
        return PROBE_CLASSES.empty()
    return require_table(pd.DataFrame(rows), PROBE_CLASSES)


def _notes(found: pd.DataFrame, settings: Settings) -> list[Note]:
    notes = []
    missed = int(found["miss"].sum())
    if missed:
        sentence = (
            f"at {missed} of {len(found)} stops model and probe disagree; the probes "
            "count. Look at loads, dates and soil there."
        )
        notes.append(Note("probe.misses", "check", sentence, missed))
    middle = float(found["ratio"].median()) if len(found) else math.nan
    if len(found) >= settings.zones.min_probes and middle < 1 / _TURNED:
        sentence = (
            f"tracks read {middle:.2f} times the ground beside them, softer where "
            "wheels ran: look whether wheeled 1 and 0 are the wrong way round."
        )
        notes.append(Note("probe.softer_tracks", "check", sentence, len(found)))
    known = found[found["risk"] < NOT_ASSESSED]
    by_class = known.groupby("risk")["found"].agg(["size", "mean"])
    share = by_class[by_class["size"] >= settings.zones.min_probes]["mean"]
    if len(share) > 1 and not share.is_monotonic_increasing:
        sentence = (
            "on this field the probes do not bear the model out: ground it calls less "
            "likely damaged held more layers. Go by what was driven and by the probe, "
            "not by the risk map."
        )
        notes.append(Note("probe.not_supported", "check", sentence, len(share)))
    return notes
