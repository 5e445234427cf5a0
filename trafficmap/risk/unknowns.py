"""What nobody knows of a season, drawn: which number each visit takes, and which."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.special import ndtri

from trafficmap.risk.spread import soil_spread

if TYPE_CHECKING:
    import pandas as pd

    from trafficmap.core.settings.risk import RiskSettings
    from trafficmap.traffic.events import Visits

_DAY = 86400.0


def owners_of(
    visits: Visits, passes: pd.DataFrame, sessions: pd.DataFrame | None, columns: Any
) -> Owners:
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
    return Owners(
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


@dataclass(frozen=True)
class Owners:
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


class Drawn:
    """All random numbers of all draws, from one seed."""

    def __init__(self, who: Owners, depths: np.ndarray, settings: RiskSettings):
        random = np.random.default_rng(settings.draw_seed)
        n = settings.draws
        self.who = who
        self.rank = random.random((n, who.machine_of_group.size))
        self.tyre = random.standard_normal((n, len(who.names)))
        self.spreading = random.standard_normal(n)
        self.east, self.north = (
            random.standard_normal((2, n, who.sigma.size)) * who.sigma
        )
        self.law, self.water = random.standard_normal((2, n))
        self.texture = random.standard_normal((n, who.n_units))
        each = np.interp(depths, settings.spread_depths, settings.spread_stress)
        normal = (self.tyre + self.spreading[:, None]) * np.sqrt(0.5)
        self.patch = np.exp(normal[:, :, None] * each)
        ln_soil = settings.spread_law * self.law[:, None]
        ln_soil = ln_soil + settings.spread_texture * self.texture
        self.soil = np.exp(ln_soil)
        floor = settings.floor
        limit = ndtri(floor) if floor > 0.0 else -np.inf
        self.weak = ln_soil < limit * soil_spread(settings)

    def ends(self) -> tuple[np.ndarray, ...]:
        """Return least and most of all draws: rank, shift, patch, soil and water."""
        reach = np.hypot(self.east, self.north).max(axis=0)
        return (
            np.stack([self.rank.min(axis=0), self.rank.max(axis=0)], axis=-1),
            reach,
            np.stack([self.patch.min(axis=0), self.patch.max(axis=0)], axis=-1),
            np.stack([self.soil.min(axis=0), self.soil.max(axis=0)], axis=-1),
            np.array([self.water.min(), self.water.max()]),
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
            ("moisture", None, self.water),
            ("texture", None, self.texture @ self.who.unit_weight),
            ("position", None, np.hypot(self.east, self.north).mean(axis=1)),
        ]
        return out
