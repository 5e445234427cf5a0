"""Many seasons that could have been: how much ground was damaged, taken together.

Where wheels ran is shared by all draws; what they carried, how it spreads, where
the receiver really was, and how strong the soil was are drawn again each time. A
cell's own chance comes from `assess`; only draws say how chances hang together.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from trafficmap.core.constants import COMPUTE_DEPTHS
from trafficmap.risk._draws import damage_by_draw, sort_pairs
from trafficmap.risk.inputs import (
    reset_tables,
    strength_tables,
    stress_tables,
    swelling_of,
    visit_rows,
    windows,
)
from trafficmap.risk.sensitivity import joint_table, sensitivity
from trafficmap.risk.spread import load_ratios
from trafficmap.risk.unknowns import Drawn, owners_of

if TYPE_CHECKING:
    import pandas as pd

    from trafficmap.core.grid import FieldGrid
    from trafficmap.core.settings.risk import RiskSettings
    from trafficmap.traffic.events import Visits

_UNIT = 2.0**20
"""Parts a cell is counted in, so that areas add up exactly."""


@dataclass(frozen=True)
class Draws:
    """Area damaged in every draw, and what each unknown has to do with it.

    Parameters
    ----------
    seed : int
    area : ndarray, shape (draws, zones + 1, depths)
        Ground under wheels that was damaged, by zone number; last where no zone is.
        [m2]
    assessed : float
        Ground under wheels that could be assessed at every depth. [m2]
    kept : float
        Share of cells and depths whose answer hangs on the draw. [1]
    table : list of dict
        zone (None for the field), depth [m], low, middle, high and mean [m2]: what 5,
        50 and 95 of 100 draws stay below.
    sensitivity : list of dict
        unknown, machine (None where of the field), depth [m], share of the variance,
        low and high [m2] now, and known_low and known_high [m2] if it were known.
        Largest share first.
    """

    seed: int
    area: np.ndarray
    assessed: float
    kept: float
    table: list[dict[str, Any]]
    sensitivity: list[dict[str, Any]]


def draw(
    visits: Visits,
    passes: pd.DataFrame,
    *,
    profiles: Any,
    strength: Any,
    columns: Any,
    grid: FieldGrid,
    inside: np.ndarray,
    tray: Any,
    sessions: pd.DataFrame | None,
    settings: RiskSettings,
    resets: Any = None,
    prune: bool = True,
) -> Draws | None:
    """Draw the season ``settings.draws`` times; None where nothing can be assessed.

    A draw has one rank of the load for each machine and day, between low, best and
    high as in `spread.load_spread`; one factor of the patch for each machine and one
    of propagation for all, which share ``spread_stress`` evenly; one shift of position
    for each run of a receiver; one factor of strength from the law
    (``spread_law``), one for each soil unit from texture (``spread_texture``); and one
    number for the water, which all hours, depths and units share, each by its own
    ``strength.ln_spread``. All lognormal or normal, alike at every depth, so that one
    pass over one cell has the chance `assess` gives it. Ground is damaged where
    stress of any pass exceeds strength. The floor for heavy wheels on swelling clay
    holds in the draws in which law and texture are weakest.

    Cells that come out the same in every draw are found first, from the least and the
    most of all that was drawn, and counted once: the result is the same to the bit.

    Parameters
    ----------
    visits : Visits
    passes : DataFrame
        Contract `PASSES`; with ``session`` where there is one.
    profiles, strength, columns, grid, inside, tray, resets
        As for `assess`, which filled the tray before.
    sessions : DataFrame or None
        Contract `SESSIONS`; its ``sigma_shift`` [m] is used.
    settings : RiskSettings
        ``draws`` and ``draw_seed``; the same seed gives the same numbers.
    prune : bool
        False counts every visit in every draw: slower, the same result.

    Returns
    -------
    Draws or None
    """
    if profiles is None or strength is None or columns is None or not visits.cell.size:
        return None
    depths = np.asarray(COMPUTE_DEPTHS)
    weight, zone, n_zones = _ground(tray, inside, visits.cell_start)
    cells = np.flatnonzero(weight)
    if not cells.size:
        return None
    row, best, doubt, floored = _passes(
        visits, profiles, strength, columns, settings, resets, grid.size
    )
    who = owners_of(visits, passes, sessions, columns)
    drawn = Drawn(who, depths, settings)
    stress, first, step, _ = stress_tables(profiles, depths.size, settings)
    window, size, pad = windows(stress, grid.cell / step)
    ratios = load_ratios(profiles)
    low, high = (np.ones((len(stress), depths.size)),) * 2 if ratios is None else ratios
    ways = (
        row,
        best,
        doubt,
        who.group,
        who.session,
        who.machine,
        who.unit,
        visits.offset.astype(np.float64),
        visits.heading.astype(np.float64),
        floored,
        window,
        size,
        pad,
        settings.unwheeled_share * stress.max(axis=1),
        first,
        step,
        grid.cell / 2,
        np.ascontiguousarray(low),
        np.ascontiguousarray(high),
    )
    status = np.zeros(cells.size * depths.size, dtype=np.uint8)
    start = np.zeros(status.size + 1, dtype=np.int64)
    visit = np.empty(int(np.isfinite(best).sum()), dtype=np.int64)
    asked: tuple[Any, ...] = (
        *(cells, visits.cell_start, *ways),
        *(*drawn.ends(), prune, status, start, visit),
    )
    kept = sort_pairs(*asked)
    out = np.zeros((settings.draws, n_zones + 1, depths.size), dtype=np.int64)
    damage_by_draw(
        status,
        start,
        visit[:kept],
        weight[cells],
        zone[cells],
        *ways,
        drawn.rank,
        drawn.east,
        drawn.north,
        drawn.patch,
        drawn.soil,
        drawn.water,
        drawn.weak,
        out,
    )
    area = out * (grid.cell_area / _UNIT)
    return Draws(
        seed=settings.draw_seed,
        area=area,
        assessed=float(weight.sum()) * grid.cell_area / _UNIT,
        kept=float((status == 2).mean()),
        table=joint_table(area, depths),
        sensitivity=sensitivity(area.sum(axis=1), depths, drawn.scores()),
    )


def _ground(
    tray: Any, inside: np.ndarray, cell_start: np.ndarray
) -> tuple[np.ndarray, np.ndarray, int]:
    """Return what is wheeled of each cell, its zone, and the number of zones."""
    share = np.where(inside > 0, np.nan_to_num(tray["run_over"].values), 0.0)
    known = np.isfinite(tray["probability"].values).all(axis=0)
    share = np.where(known, share, 0.0).ravel()
    share[np.diff(cell_start) == 0] = 0.0
    weight = np.rint(share * _UNIT).astype(np.int64)
    zone = np.full(share.size, -1, dtype=np.int64)
    if "zone" in tray:
        zone = tray["zone"].values.ravel().astype(np.int64)
    n_zones = int(zone.max(initial=-1)) + 1
    return weight, np.where(zone < 0, n_zones, zone), n_zones


def _passes(
    visits: Visits,
    profiles: Any,
    strength: Any,
    columns: Any,
    settings: RiskSettings,
    resets: Any,
    n_cells: int,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return row, best strength, its spread by the water, and floors.

    All but the row of shape (visits, depths); strength is NaN where none counts.
    """
    depths = np.asarray(COMPUTE_DEPTHS)
    row, when, column = visit_rows(visits, profiles, strength, columns)
    ln_strength, water, _ = strength_tables(strength, depths.size)
    _, _, _, heavy = stress_tables(profiles, depths.size, settings)
    swells = swelling_of(columns.swelling, ln_strength.shape[1])
    kind, since, loosened = reset_tables(
        resets, n_cells, depths.size, ln_strength.shape[1]
    )
    best = np.full((row.size, depths.size), np.nan)
    doubt = np.zeros((row.size, depths.size), dtype=np.float32)
    counts = (row >= 0) & (when >= 0) & (column >= 0)
    ln_s = ln_strength[when[counts], column[counts]]
    again = since[kind[visits.cell[counts]]]
    ln_s = ln_s + np.where(again > -np.inf, loosened[column[counts]], 0.0)
    ln_s[visits.time[counts][:, None] < again] = np.nan
    best[counts] = np.exp(ln_s)
    doubt[counts] = water[when[counts], column[counts]]
    floored = (heavy[row] & counts & swells[column])[:, None] & (
        depths <= settings.floor_depth + 1e-9
    )
    return row, best, doubt, floored
