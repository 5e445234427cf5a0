"""Which axles did the damage: for each, the ground where nothing weighed more."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from trafficmap.core.constants import COMPUTE_DEPTHS, GRAVITY
from trafficmap.core.tables import AXLE_DAMAGE, require_table
from trafficmap.risk._kernels import heaviest_visits
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
) -> np.ndarray:
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
    out = np.full((len(WORST_DEPTHS), grid.size), -1, dtype=np.int64)
    heaviest_visits(
        visits.cell_start,
        row,
        when,
        column,
        visits.offset,
        visits.heading,
        visits.time,
        window,
        size,
        pad,
        first,
        step,
        ln_strength,
        0.5 * grid.cell,
        kind,
        since,
        np.array([COMPUTE_DEPTHS.index(depth) for depth in WORST_DEPTHS]),
        out,
    )
    return out
