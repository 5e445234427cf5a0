"""Which axles did the damage: for each, the ground where nothing weighed more."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from trafficmap.core.constants import COMPUTE_DEPTHS, GRAVITY
from trafficmap.core.tables import AXLE_DAMAGE, require_table
from trafficmap.risk.assess import WORST_DEPTHS
from trafficmap.risk.inputs import (
    reset_tables,
    strength_tables,
    stress_tables,
    visit_rows,
    windows,
)

if TYPE_CHECKING:
    import xarray as xr

    from trafficmap.core.grid import FieldGrid
    from trafficmap.core.settings.risk import RiskSettings
    from trafficmap.loads.paths import WheelPaths
    from trafficmap.traffic.events import Visits


def worst_axles(
    visits: Visits,
    paths: WheelPaths,
    *,
    profiles: Any,
    strength: Any,
    columns: Any,
    grid: FieldGrid,
    tray: xr.Dataset,
    settings: RiskSettings,
    resets: Any = None,
) -> pd.DataFrame:
    """Give every axle the expected damage of the cells where it weighed most.

    At each depth a cell's expected damage (``damaged_share`` times its area inside
    the boundary) goes to the axle with the largest stress for the strength the soil
    had just then. So the areas of all axles add up to the damage of the field; damage
    that several passes did together goes whole to the worst of them.

    Parameters
    ----------
    visits, paths
        Axles coming past cells; wheels and their loads.
    profiles, strength, columns
        As for `assess`.
    grid : FieldGrid
    tray : xarray.Dataset
        Holds ``damaged_share`` and ``inside``.
    settings : RiskSettings
    resets : Resets or None
        Passes before tillage are left out down to the tool's depth.

    Returns
    -------
    DataFrame
        Contract `AXLE_DAMAGE`, largest area at 0.35 m first; empty where nothing was
        assessed.
    """
    if profiles is None or strength is None or columns is None:
        return AXLE_DAMAGE.empty()
    wheels = paths.wheels
    axles = int(wheels["axle_id"].max()) + 1 if len(wheels) else 0
    worst = _most_stressed(visits, profiles, strength, columns, grid, settings, resets)
    inside = np.nan_to_num(tray["inside"].values).ravel() * grid.cell_area
    area = {}
    for depth, top in zip(WORST_DEPTHS, worst, strict=True):
        share = tray["damaged_share"].values[COMPUTE_DEPTHS.index(depth)].ravel()
        damaged = np.nan_to_num(share) * inside
        found = top >= 0
        who = visits.axle_id[top[found]]
        area[depth] = np.bincount(who, weights=damaged[found], minlength=axles)
    rows = []
    told = wheels.groupby("axle_id", sort=True)
    for number, group in told:
        axle_id = int(str(number))
        # Only loads the axle was seen with: a state of another machine has none.
        seen = np.unique(visits.state[visits.axle_id == axle_id])
        slots = group["slot"].to_numpy()
        if not seen.size:
            continue
        states = paths.states
        loads = states.load[np.ix_(seen, slots)]
        if not np.isfinite(loads).any():
            continue
        state, wheel = np.unravel_index(np.nanargmax(loads), loads.shape)
        at = (seen[state], slots[wheel])
        heaviest = group.iloc[wheel]
        rows += [
            {
                "machine_id": str(heaviest["machine_id"]),
                "body": str(heaviest["body"]),
                "axle": str(heaviest["axle"]),
                "depth": depth,
                "damaged": float(area[depth][axle_id]),
                "wheel_low": states.load_low[at] / GRAVITY,
                "wheel": states.load[at] / GRAVITY,
                "wheel_high": states.load_high[at] / GRAVITY,
                "axle_mass": float(np.nansum(loads[state])) / GRAVITY,
                "pressure": float(heaviest["pressure"]),
                "pressure_assumed": bool(heaviest["pressure_assumed"]),
            }
            for depth in WORST_DEPTHS
        ]
    table = pd.DataFrame(rows, columns=AXLE_DAMAGE.names())
    middle = table["depth"] == WORST_DEPTHS[1]
    rank = table[middle].set_index(["machine_id", "body", "axle"])["damaged"]
    keys = pd.MultiIndex.from_frame(table[["machine_id", "body", "axle"]])
    order = np.lexsort((table["depth"], -rank.reindex(keys).to_numpy()))
    return require_table(table.iloc[order].reset_index(drop=True), AXLE_DAMAGE)


def _most_stressed(
    visits: Visits,
    profiles: Any,
    strength: Any,
    columns: Any,
    grid: FieldGrid,
    settings: RiskSettings,
    resets: Any,
) -> list[np.ndarray]:
    """Return, for each of the worst depths, the visit that weighed most on a cell.

    -1 where no visit of known load on soil of known strength reached that depth.
    """
    row, when, column = visit_rows(visits, profiles, strength, columns)
    stress, first, step, _ = stress_tables(profiles, len(COMPUTE_DEPTHS), settings)
    window, size, pad = windows(stress, grid.cell / step)
    ln_strength, _, _ = strength_tables(strength, len(COMPUTE_DEPTHS))
    kind, since, _ = reset_tables(
        resets, grid.size, len(COMPUTE_DEPTHS), ln_strength.shape[1]
    )
    out = [np.full(grid.size, -1, dtype=np.int64) for _ in WORST_DEPTHS]
    half = 0.5 * grid.cell
    last = window.shape[1] - 1
    # Cell by cell nothing hangs together, and a season has millions of visits.
    for a, b in _blocks(visits.cell_start):
        known = a + np.flatnonzero(
            (row[a:b] >= 0) & (when[a:b] >= 0) & (column[a:b] >= 0)
        )
        cell = visits.cell[known]
        heading = visits.heading[known].astype(np.float64)
        reach = half * (np.abs(np.cos(heading)) + np.abs(np.sin(heading)))
        offset = visits.offset[known].astype(np.float64)
        low = np.ceil((offset - reach - first) / step - 1e-9).astype(np.int64) + pad
        high = np.floor((offset + reach - first) / step + 1e-9).astype(np.int64)
        low, high = np.clip(low, 0, last), np.clip(high - size + 1 + pad, 0, last)
        for depth, top in zip(WORST_DEPTHS, out, strict=True):
            d = COMPUTE_DEPTHS.index(depth)
            at = row[known]
            largest = np.maximum(window[at, low, d], window[at, high, d])
            met = ln_strength[when[known], column[known], d]
            with np.errstate(divide="ignore"):
                score = np.log(largest) - met
            undone = visits.time[known] < since[kind[cell], d]
            order = np.flatnonzero(np.isfinite(score) & ~undone)
            order = order[np.lexsort((score[order], cell[order]))]
            ends = np.flatnonzero(np.diff(cell[order], append=-1))  # last of a cell
            top[cell[order][ends]] = known[order[ends]]
    return out


def _blocks(cell_start: np.ndarray) -> list[tuple[int, int]]:
    """Return stretches of about `_BLOCK` visits that cut no cell in two."""
    total = int(cell_start[-1])
    cuts = np.searchsorted(cell_start, np.arange(_BLOCK, total, _BLOCK))
    edges = np.unique(np.concatenate([[0], cell_start[cuts], [total]])).tolist()
    return list(itertools.pairwise(edges))


_BLOCK = 200_000
