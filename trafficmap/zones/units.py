"""Units: pieces of ground that get one advice each, before they are drawn."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trafficmap.core.constants import COMPUTE_DEPTHS
from trafficmap.core.layers import get_layer
from trafficmap.risk.assess import WORST_DEPTHS, worst_depth
from trafficmap.risk.classes import NOT_ASSESSED
from trafficmap.zones.earlier import left_in_unit
from trafficmap.zones.unanswered import CAUSES, open_causes

if TYPE_CHECKING:
    import xarray as xr

    from trafficmap.core.grid import FieldGrid
    from trafficmap.core.settings.zones import ZoneSettings

REST = 0
"""Unit number of ground that is in no other unit."""


@dataclass(frozen=True)
class Units:
    """Pieces of ground that get one advice each.

    Parameters
    ----------
    table : DataFrame
        One row a unit, row position equal to the unit number; unit 0 is the rest.
        Columns: unit, kind, leave_why, located (bool), probability, worst_depth [m],
        assessed (bool), open_share (run-over ground without an answer), open_why (what
        is not known on most of it), seeded (share that may be damaged), run_over and
        damaged_share [fraction of the unit], slope (median, NaN where no map was
        given) [fraction], passes (90th percentile),
        heaviest_axle [kg], earlier (chance left from earlier seasons, NaN where none
        was given), earlier_depth [m], area [m2], column (commonest soil column, -1
        for none);
        `zones.confirm` adds probed, layer_top, layer_bottom, rut, rolls, trial, dug;
        `zones.decide_units` adds advice, row, depth, fit, reason and further.
    label : ndarray of int32, shape (rows, cols)
        Unit of each cell, -1 outside the boundary.
    grid : FieldGrid
    heading : float
        Direction of the rows, clockwise from north. [rad]
    """

    table: pd.DataFrame
    label: np.ndarray
    grid: FieldGrid
    heading: float

    def with_table(self, table: pd.DataFrame) -> Units:
        """Return the same ground with another table."""
        return replace(self, table=table)


def summarise(
    label: np.ndarray,
    kinds: list[dict],
    *,
    tray: xr.Dataset,
    grid: FieldGrid,
    settings: ZoneSettings,
    column_of_cell: np.ndarray | None = None,
) -> pd.DataFrame:
    """Return the table of units: what was driven there and how likely damage is.

    The chance of a unit at a depth is the mean, weighted by the area run over, of the
    chance under the wheel: over the cells that reach ``seed`` when these make up at
    least ``seed_share`` of its run-over ground, otherwise over all of them. So light
    wheels between the tracks of heavy ones do not talk a unit down (a choice: the
    model may release ground, so it must not do so by averaging). The worst depth is
    the one of 0.25, 0.35 and 0.50 m where that mean is largest.

    Parameters
    ----------
    label : ndarray of int32, shape (rows, cols)
    kinds : list of dict
        kind, leave_why and located of each unit, in order.
    tray : xarray.Dataset
    grid : FieldGrid
    settings : ZoneSettings
    column_of_cell : ndarray of int, shape (grid.size,), optional
    """
    inside = np.nan_to_num(get_layer(tray, "inside"))
    run_over = np.nan_to_num(get_layer(tray, "run_over"))
    probability = get_layer(tray, "probability")
    damaged = get_layer(tray, "damaged_share")
    passes = get_layer(tray, "passes")
    axle = np.nan_to_num(get_layer(tray, "heaviest_axle"))
    chance = worst_depth(probability)
    causes = open_causes(tray)
    slope = get_layer(tray, "slope") if "slope" in tray else None
    rows = []
    for unit, kind in enumerate(kinds):
        mask = label == unit
        weight = inside[mask] * run_over[mask]
        mean = {
            depth: _chance(
                probability[COMPUTE_DEPTHS.index(depth)][mask], weight, settings
            )
            for depth in WORST_DEPTHS
        }
        worst = _worst(mean)
        where = worst if worst is not None else WORST_DEPTHS[-1]
        share = damaged[COMPUTE_DEPTHS.index(where)][mask]
        open_ground = np.isnan(chance[mask])
        area = float(inside[mask].sum())
        driven = float(weight.sum())
        left = left_in_unit(tray, mask, settings=settings)
        open_share = float(weight[open_ground].sum()) / driven if driven else 0.0
        rows.append(
            {
                "unit": unit,
                **kind,
                "probability": mean[worst] if worst is not None else np.nan,
                "worst_depth": worst if worst is not None else np.nan,
                "assessed": open_share <= settings.not_assessed_share,
                "open_share": open_share,
                "open_why": CAUSES[_most(causes[mask], weight)],
                "seeded": _mean(
                    (chance[mask] >= settings.seed).astype(float), inside[mask]
                ),
                "run_over": driven / area if area else 0.0,
                "damaged_share": _mean(share, inside[mask]),
                "passes": _high(passes[mask]),
                "heaviest_axle": float(axle[mask].max()) if mask.any() else 0.0,
                "slope": _middle(slope, mask),
                "area": area * grid.cell_area,
                "earlier": left[0],
                "earlier_depth": left[1],
                "column": _commonest(column_of_cell, mask),
            }
        )
    return pd.DataFrame(rows)


def open_ground(tray: xr.Dataset) -> np.ndarray:
    """Return True where the risk at the worst depth is not assessed."""
    return get_layer(tray, "risk_worst") == NOT_ASSESSED


def _mean(values: np.ndarray, weight: np.ndarray) -> float:
    """Return the weighted mean of what is known; 0 where nothing was driven."""
    known = ~np.isnan(values)
    total = weight[known].sum()
    if total > 0:
        return float((values[known] * weight[known]).sum() / total)
    return 0.0 if known.all() else float("nan")


def _chance(chance: np.ndarray, weight: np.ndarray, settings: ZoneSettings) -> float:
    """Return the chance of a unit at one depth, see `summarise`."""
    seeds = weight * (chance >= settings.seed)
    if seeds.sum() >= settings.seed_share * weight.sum() > 0:
        return _mean(chance, seeds)
    return _mean(chance, weight)


def _worst(mean: dict[float, float]) -> float | None:
    """Return the depth with the largest mean, the shallower where equal."""
    known = [(value, -depth) for depth, value in mean.items() if not np.isnan(value)]
    return -max(known)[1] if known else None


def _most(causes: np.ndarray, weight: np.ndarray) -> int:
    """Return the cause most of the run-over ground without an answer has, or 0."""
    share = np.bincount(causes, weights=weight, minlength=len(CAUSES))
    share[0] = 0.0
    return int(np.argmax(share)) if share.any() else 0


def _middle(values: np.ndarray | None, mask: np.ndarray) -> float:
    """Return the median of what is known of a unit, NaN where nothing is."""
    if values is None:
        return float("nan")
    known = values[mask][np.isfinite(values[mask])]
    return float(np.median(known)) if known.size else float("nan")


def _high(passes: np.ndarray) -> float:
    """Return the 90th percentile of passes over cells that were driven on."""
    driven = passes[(passes > 0) & (passes < 65535)]
    return float(np.percentile(driven, 90)) if driven.size else 0.0


def _commonest(column_of_cell: np.ndarray | None, mask: np.ndarray) -> int:
    """Return the soil column most cells of the unit have."""
    if column_of_cell is None or not mask.any():
        return -1
    found, counts = np.unique(
        np.asarray(column_of_cell).reshape(mask.shape)[mask], return_counts=True
    )
    return int(found[np.argmax(counts)])
