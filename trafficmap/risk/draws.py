"""Many seasons that could have been: how much ground was damaged, taken together.

Where wheels ran is shared by all draws; what they carried, how it spreads, where
the receiver really was, and how strong the soil was are drawn again each time. A
cell's own chance comes from `assess`; only draws say how chances hang together.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.special import ndtri

from trafficmap.core.constants import COMPUTE_DEPTHS
from trafficmap.core.errors import SettingsError
from trafficmap.risk._draws import damage_by_draw, sort_pairs
from trafficmap.risk.assess import (
    _resets,
    _rows,
    _strength_tables,
    _swelling,
    _tables,
    _windows,
    load_ratios,
)

if TYPE_CHECKING:
    import pandas as pd

    from trafficmap.core.grid import FieldGrid
    from trafficmap.core.settings.risk import RiskSettings
    from trafficmap.traffic.events import Visits

_UNIT = 2.0**20
"""Parts a cell is counted in, so that areas add up exactly."""

_DAY = 86400.0


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
    high as in `assess.load_spread`; one factor of the patch for each machine and one
    of propagation for all, which share ``spread_stress`` evenly; one shift of position
    for each run of a receiver; and one factor of strength from the law, one from
    moisture, one for each soil unit from texture, which share ``spread_strength`` as
    ``strength_parts`` say. All lognormal or normal, alike at every depth, so that one
    pass over one cell has the chance `assess` gives it. Ground is damaged where
    stress of any pass exceeds strength. The floor for heavy wheels on swelling clay
    holds in the draws in which the soil is weakest.

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

    Raises
    ------
    SettingsError
        ``strength_parts`` do not add up to 1.
    """
    parts = np.asarray(settings.strength_parts)
    if abs(parts.sum() - 1.0) > 1e-6:
        msg = f"settings: risk.strength_parts: got a sum of {parts.sum():g}, need 1."
        raise SettingsError(msg, "say which part of the variance each one has")
    if profiles is None or strength is None or columns is None or not visits.cell.size:
        return None
    depths = np.asarray(COMPUTE_DEPTHS)
    weight, zone, n_zones = _ground(tray, inside, visits.cell_start)
    cells = np.flatnonzero(weight)
    if not cells.size:
        return None
    row, best, floored = _passes(
        visits, profiles, strength, columns, settings, resets, grid.size
    )
    who = _owners(visits, passes, sessions, columns)
    drawn = _Drawn(who, depths, settings)
    stress, first, step, _ = _tables(profiles, depths.size, settings)
    window, size, pad = _windows(stress, grid.cell / step)
    ratios = load_ratios(profiles)
    low, high = (np.ones((len(stress), depths.size)),) * 2 if ratios is None else ratios
    ways = (
        row,
        best,
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
        drawn.weak,
        out,
    )
    area = out * (grid.cell_area / _UNIT)
    return Draws(
        seed=settings.draw_seed,
        area=area,
        assessed=float(weight.sum()) * grid.cell_area / _UNIT,
        kept=float((status == 2).mean()),
        table=_table(area, depths),
        sensitivity=_sensitivity(area.sum(axis=1), depths, drawn.scores()),
    )


def spans(values: np.ndarray) -> tuple[float, float, float]:
    """Return what 5, 50 and 95 of 100 values stay below."""
    low, middle, high = np.quantile(values, (0.05, 0.5, 0.95))
    return float(low), float(middle), float(high)


@dataclass(frozen=True)
class _Owners:
    """Which drawn number a visit takes, and how many of each there are."""

    group: np.ndarray
    session: np.ndarray
    machine: np.ndarray
    unit: np.ndarray
    sigma: np.ndarray
    names: list[str]
    machine_of_group: np.ndarray
    n_units: int
    unit_weight: np.ndarray


class _Drawn:
    """All random numbers of all draws, from one seed."""

    def __init__(self, who: _Owners, depths: np.ndarray, settings: RiskSettings):
        random = np.random.default_rng(settings.draw_seed)
        n = settings.draws
        self.who = who
        self.rank = random.random((n, who.machine_of_group.size))
        self.tyre = random.standard_normal((n, len(who.names)))
        self.spreading = random.standard_normal(n)
        self.east, self.north = (
            random.standard_normal((2, n, who.sigma.size)) * who.sigma
        )
        self.law, self.moisture = random.standard_normal((2, n))
        self.texture = random.standard_normal((n, who.n_units))
        each = np.interp(depths, settings.spread_depths, settings.spread_stress)
        normal = (self.tyre + self.spreading[:, None]) * np.sqrt(0.5)
        self.patch = np.exp(normal[:, :, None] * each)
        law, texture, moisture = np.sqrt(settings.strength_parts)
        score = (law * self.law + moisture * self.moisture)[:, None]
        score = score + texture * self.texture
        self.soil = np.exp(settings.spread_strength * score)
        floor = settings.floor
        self.weak = score < (ndtri(floor) if floor > 0.0 else -np.inf)

    def ends(self) -> tuple[np.ndarray, ...]:
        """Return least and most over all draws of rank, shift, patch and soil."""
        reach = np.hypot(self.east, self.north).max(axis=0)
        return (
            np.stack([self.rank.min(axis=0), self.rank.max(axis=0)], axis=-1),
            reach,
            np.stack([self.patch.min(axis=0), self.patch.max(axis=0)], axis=-1),
            np.stack([self.soil.min(axis=0), self.soil.max(axis=0)], axis=-1),
        )

    def scores(self) -> list[tuple[str, str | None, np.ndarray]]:
        """Return name, machine and numbers [draw, ...] of every unknown."""
        out: list[tuple[str, str | None, np.ndarray]] = []
        for m, name in enumerate(self.who.names):
            mine = self.rank[:, self.who.machine_of_group == m]
            if mine.shape[1]:
                out.append(("load", name, mine.mean(axis=1)))
            out.append(("patch", name, self.tyre[:, m]))
        out += [
            ("spreading", None, self.spreading),
            ("strength", None, self.law),
            ("moisture", None, self.moisture),
            ("texture", None, self.texture @ self.who.unit_weight),
            ("position", None, np.hypot(self.east, self.north).mean(axis=1)),
        ]
        return out


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
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return row, best strength [visit, depth], NaN where none counts, and floors."""
    depths = np.asarray(COMPUTE_DEPTHS)
    row, when, column = _rows(visits, profiles, strength, columns)
    ln_strength, _ = _strength_tables(strength, depths.size)
    _, _, _, heavy = _tables(profiles, depths.size, settings)
    swells = _swelling(columns.swelling, ln_strength.shape[1])
    kind, since, loosened = _resets(resets, n_cells, depths.size, ln_strength.shape[1])
    best = np.full((row.size, depths.size), np.nan)
    counts = (row >= 0) & (when >= 0) & (column >= 0)
    ln_s = ln_strength[when[counts], column[counts]]
    again = since[kind[visits.cell[counts]]]
    ln_s = ln_s + np.where(again > -np.inf, loosened[column[counts]], 0.0)
    ln_s[visits.time[counts][:, None] < again] = np.nan
    best[counts] = np.exp(ln_s)
    floored = (heavy[row] & counts & swells[column])[:, None] & (
        depths <= settings.floor_depth + 1e-9
    )
    return row, best, floored


def _owners(
    visits: Visits, passes: pd.DataFrame, sessions: pd.DataFrame | None, columns: Any
) -> _Owners:
    """Return machine and day, receiver session, machine and soil unit of a visit."""
    ids = passes["pass_id"].to_numpy()
    order = np.argsort(ids, kind="stable")
    at = order[np.searchsorted(ids[order], visits.pass_id)]
    names, of_pass = np.unique(
        passes["machine_id"].to_numpy().astype(str), return_inverse=True
    )
    machine = of_pass[at].astype(np.int64)
    day = np.floor(np.nan_to_num(visits.time, nan=-1.0) / _DAY).astype(np.int64)
    pairs, group = np.unique(
        np.stack([machine, day], axis=1), axis=0, return_inverse=True
    )
    session = np.zeros(at.size, dtype=np.int64)
    sigma = np.zeros(1)
    if sessions is not None and len(sessions) and "session" in passes:
        numbers = sessions["session"].to_numpy()
        told = passes["session"].to_numpy()[at]
        rank = np.argsort(numbers, kind="stable")
        found = np.minimum(np.searchsorted(numbers[rank], told), numbers.size - 1)
        matched = numbers[rank[found]] == told
        session = np.where(matched, rank[found], numbers.size)
        sigma = np.append(np.nan_to_num(sessions["sigma_shift"].to_numpy(float)), 0.0)
    column = columns.column_of_cell[visits.cell]
    unit_of = np.asarray(getattr(columns, "unit_of_column", None))
    if unit_of.dtype == object or unit_of.ndim == 0:
        unit_of = np.zeros(max(int(column.max(initial=0)) + 1, 1), dtype=np.int64)
    unit = np.where(column >= 0, unit_of[np.maximum(column, 0)], 0).astype(np.int64)
    unit = np.maximum(unit, 0)
    n_units = int(unit.max(initial=0)) + 1
    return _Owners(
        group=group.reshape(-1).astype(np.int64),
        session=session.astype(np.int64),
        machine=machine,
        unit=unit,
        sigma=sigma,
        names=[str(name) for name in names],
        machine_of_group=pairs[:, 0],
        n_units=n_units,
        unit_weight=np.bincount(unit, minlength=n_units) / max(unit.size, 1),
    )


def _table(area: np.ndarray, depths: np.ndarray) -> list[dict[str, Any]]:
    """Return the joint interval of the field and of each zone, by depth."""
    own: list[tuple[int | None, np.ndarray]] = [(None, area.sum(axis=1))]
    own += [(zone, area[:, zone]) for zone in range(area.shape[1] - 1)]
    out = []
    for zone, values in own:
        for d, depth in enumerate(depths):
            low, middle, high = spans(values[:, d])
            out.append(
                {
                    "zone": zone,
                    "depth": float(depth),
                    "low": low,
                    "middle": middle,
                    "high": high,
                    "mean": float(values[:, d].mean()),
                }
            )
    return out


def _sensitivity(
    area: np.ndarray,
    depths: np.ndarray,
    scores: list[tuple[str, str | None, np.ndarray]],
) -> list[dict[str, Any]]:
    """Return what knowing each unknown would take from the interval, largest first.

    Area is fitted to each unknown by a parabola; what the fit explains is the share
    (less what chance alone would explain), what it leaves is the interval when known.
    The depth is the one below the topsoil with the widest interval.
    """
    below = np.flatnonzero(depths >= 0.25)
    widths = [np.subtract(*np.quantile(area[:, d], (0.95, 0.05))) for d in below]
    d = int(below[int(np.argmax(widths))])
    values = area[:, d]
    low, middle, high = spans(values)
    out = []
    for name, machine, score in scores:
        share, rest = _explained(values, score)
        known_low, _, known_high = spans(middle + rest)
        if share <= 0.0:
            known_low, known_high = low, high
        out.append(
            {
                "unknown": name,
                "machine": machine,
                "depth": float(depths[d]),
                "share": share,
                "low": low,
                "high": high,
                "known_low": max(known_low, 0.0),
                "known_high": min(known_high, high) if high > middle else known_high,
            }
        )
    return sorted(out, key=lambda row: -row["share"])


def _explained(values: np.ndarray, score: np.ndarray) -> tuple[float, np.ndarray]:
    """Return the share of the variance a parabola explains, and what it leaves."""
    centred = values - values.mean()
    whole = float(centred @ centred)
    if whole <= 0.0 or np.ptp(score) <= 0.0 or values.size < 5:
        return 0.0, centred
    plain = (score - score.mean()) / score.std()
    design = np.stack([np.ones(plain.size), plain, plain**2], axis=1)
    fit, *_ = np.linalg.lstsq(design, values, rcond=None)
    rest = values - design @ fit
    free = (values.size - 1) / (values.size - 3)
    return max(0.0, 1.0 - free * float(rest @ rest) / whole), rest
