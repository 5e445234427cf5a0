"""The season as it was, each change alone, and all together, side by side."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from trafficmap import pipeline
from trafficmap.core.constants import COMPUTE_DEPTHS
from trafficmap.core.notes import Note, worst_first
from trafficmap.core.progress import Progress, silent
from trafficmap.core.settings import Settings
from trafficmap.core.tables import COMPARISON, require_table
from trafficmap.plan.price import crop_value
from trafficmap.season.changes import AS_IT_WAS, Change, added_cost, together
from trafficmap.season.replay import Replay, replay
from trafficmap.season.suggest import Suggestion, suggest

if TYPE_CHECKING:
    from trafficmap.field.model import Field
    from trafficmap.pipeline import Measured

DEEP = (0.25, 0.35, 0.50)
"""Depths at which damage counts for the deep area: 10, 14 and 20 in [m]."""

_DEEP_NAMES = ("deep", "deep_low", "deep_high", "deep_likely")
_LIKELY, _VERY_LIKELY, _POSSIBLE, _UNKNOWN = 3, 4, 2, 5


@dataclass(frozen=True)
class Comparison:
    """What each change would have done to the season.

    Parameters
    ----------
    field : Field
    table : DataFrame
        Contract `COMPARISON`, the season as it was first.
    notes : dict of str to tuple of Note
        What must be known of each change, by its name.
    alone : str
        Why the changes were not driven together; empty where they were.
    money : dict
        What the money comes from: value [currency/m2], loss [fraction], currency.
    suggestion : Suggestion or None
        Lanes and loading places from the season as it was.
    settings : Settings
    """

    field: Field
    table: pd.DataFrame
    notes: dict[str, tuple[Note, ...]]
    alone: str
    money: dict[str, Any]
    suggestion: Suggestion | None
    settings: Settings


def compare(
    field: Field,
    changes: list[Change],
    *,
    settings: Settings | None = None,
    suggestions: bool = True,
    progress: Progress = silent,
) -> Comparison:
    """Drive the season as it was, with each change alone, and with all together.

    Parameters
    ----------
    field : Field
    changes : list of Change
        From `read_changes`; may be empty where only suggestions are wanted.
    settings : Settings, optional
        Those of the run the changes are compared with.
    suggestions : bool
        Look for lanes and loading places as well.
    progress : callable

    Returns
    -------
    Comparison

    Raises
    ------
    TrafficmapError
        A change does not fit this field; the sentence names it.

    Notes
    -----
    Every row is a whole run: tracks, loads, stress, soil water and strength at the
    changed time, probability. Money is the crop the wheels may take from next year's
    harvest: yield x price x reachable loss x the expected damaged area at the worst of
    10, 14 and 20 in; low counts only ground where damage is very likely, high all
    ground under those wheels where it is at least possible. What is saved is the loss
    of the season as it was less that of the change, less what the change was told to
    cost.
    """
    use = settings if settings is not None else Settings()
    whole, alone = together(changes) if len(changes) > 1 else (None, "")
    wanted: list[Change | None] = [None, *changes, *([whole] if whole else [])]
    value, loss, more = crop_value(field.crop, use.plan)
    rows: list[dict[str, Any]] = []
    notes: dict[str, tuple[Note, ...]] = {AS_IT_WAS: tuple(more)}
    found = None
    known: set[tuple[str, str]] = set()
    # Without ground there is nothing to follow; the first replay says so.
    followed = None if field.boundary is None else pipeline.follow(field, use)
    for k, change in enumerate(wanted):
        name = AS_IT_WAS if change is None else change.name
        one = replay(
            field,
            change,
            settings=use,
            progress=_part(progress, k, len(wanted), name),
            followed=followed,
        )
        row = _measured(one, change, value=value, loss=loss)
        if change is None:
            known = {(n.code, n.where) for n in one.result.found}
            if suggestions:
                found = suggest(one.driven, field=field, settings=use)
        else:
            first = rows[0]
            hours = max(row["driven"] - first["driven"], 0.0) / _speed(one) / 3600.0
            row |= _saved(first, row, added_cost(change, hours=hours))
            # What the line newly says: an axle too heavy, soil water not known, ...
            fresh = [
                n
                for n in one.result.found
                if n.severity == "stop" and (n.code, n.where) not in known
            ]
            notes[name] = tuple(worst_first([*one.notes, *fresh]))
        rows.append(row)
    table = pd.DataFrame(rows)[COMPARISON.names()]
    table["trips_added"] = table["trips_added"].astype(np.int64)
    return Comparison(
        field=field,
        table=require_table(table, COMPARISON),
        notes=notes,
        alone=alone,
        money={"value": value, "loss": loss, "currency": field.prices.currency},
        suggestion=found,
        settings=use,
    )


def _measured(
    one: Replay, change: Change | None, *, value: float, loss: float
) -> dict[str, Any]:
    """Return the row of one season; money as if it cost nothing."""
    result = one.result
    totals = result.totals
    deep = deep_areas(result)
    lost = {
        name: value * loss * deep[key]
        for name, key in (
            ("loss_low", "deep_low"),
            ("loss", "deep"),
            ("loss_high", "deep_high"),
        )
    }
    area = totals["grid_area_m2"]
    return {
        "change": AS_IT_WAS if change is None else change.name,
        "words": "" if change is None else change.words,
        "run_over": totals["run_over_share"] * area,
        "run_over_share": totals["run_over_share"],
        "run_over_again": totals["run_over_again_share"] * area,
        **deep,
        **lost,
        "extra_cost": math.nan,
        "saved_low": math.nan,
        "saved": math.nan,
        "saved_high": math.nan,
        "load_distance": totals["load_distance_mg_km_ha"],
        "heaviest_axle": totals["heaviest_axle_kg"],
        "heaviest_wheel": totals["heaviest_wheel_kg"][1],
        "driven": float(result.passes["length"].sum()),
        "trips_added": one.trips,
    }


def deep_areas(result: Measured) -> dict[str, float]:
    """Return how much ground a season damaged deep, in several ways [m2].

    NaN where nothing of it could be assessed.
    """
    tray, cell = result.tray, result.grid.cell_area
    inside = np.nan_to_num(tray["inside"].values)
    run_over = np.nan_to_num(tray["run_over"].values) * inside
    names = ("damaged_25cm", "damaged_35cm", "damaged_50cm")
    if "damaged_share" not in tray:
        return {
            **dict.fromkeys((*_DEEP_NAMES, *names), math.nan),
            "not_assessed": float(run_over.sum() * cell),
        }
    word = tray["risk_worst"].values
    layers = [COMPUTE_DEPTHS.index(depth) for depth in DEEP]
    share = np.nan_to_num(tray["damaged_share"].values[layers])
    chance = np.nan_to_num(tray["probability"].values[layers])
    each = (share * inside).sum(axis=(1, 2)) * cell
    if not ((word != _UNKNOWN) & (run_over > 0.0)).any():
        return {
            **dict.fromkeys((*_DEEP_NAMES, *names), math.nan),
            "not_assessed": float(run_over.sum() * cell),
        }
    worst = share.argmax(axis=0)[None]
    share = np.take_along_axis(share, worst, axis=0)[0] * inside
    chance = np.take_along_axis(chance, worst, axis=0)[0]
    # The ground the damaging wheels stood on: what would be damaged were it sure.
    under = np.divide(share, chance, out=np.zeros_like(share), where=chance > 0.0)
    under = np.minimum(under, run_over)

    def over(values: np.ndarray, least: int) -> float:
        """Sum up over ground of at least a class, not assessed ground left out."""
        mine = (word >= least) & (word < _UNKNOWN)
        return float(values[mine].sum() * cell)

    best = over(share, 0)
    return {
        "deep": best,
        "deep_low": over(share, _VERY_LIKELY),
        "deep_high": max(over(under, _POSSIBLE), best),
        "deep_likely": over(under, _LIKELY),
        **dict(zip(names, (float(v) for v in each), strict=True)),
        "not_assessed": float(run_over[word == _UNKNOWN].sum() * cell),
    }


def _saved(first: dict, row: dict, cost: float) -> dict[str, float]:
    """Return what a change saves, less what it was told to cost.

    Both seasons lean on the same soil, so low goes with low and high with high.
    """
    paid = 0.0 if math.isnan(cost) else cost
    saved = [first[k] - row[k] for k in ("loss_low", "loss", "loss_high")]
    low, high = min(saved), max(saved)
    return {
        "extra_cost": cost,
        "saved_low": low - paid,
        "saved": saved[1] - paid,
        "saved_high": high - paid,
    }


def _speed(one: Replay) -> float:
    """Return how fast things were hauled [m/s], for the hours of added way."""
    from trafficmap.season.carts import carts_of
    from trafficmap.season.driven import speed_of

    carts = carts_of(one.result.field, one.driven)
    return speed_of(one.driven, carts[0]) if carts else 3.0


def _part(progress: Progress, k: int, count: int, name: str) -> Progress:
    def told(share: float, message: str) -> None:
        progress((k + share) / count, f"{name}: {message}")

    return told
