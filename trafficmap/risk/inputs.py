"""Visits, stress, strength and tillage as the plain arrays the kernels ask for."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from trafficmap.core.constants import GRAVITY

if TYPE_CHECKING:
    from trafficmap.core.settings.risk import RiskSettings
    from trafficmap.traffic.events import Visits


def visit_rows(
    visits: Visits, profiles: Any, strength: Any, columns: Any
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return, a visit, its row in the profiles, its hour and its soil column."""
    n = visits.cell.size
    row = np.full(n, -1, dtype=np.int32)
    when = np.full(n, -1, dtype=np.int32)
    column = np.full(n, -1, dtype=np.int32)
    if profiles is not None:
        known = (visits.axle_id >= 0) & (visits.state >= 0)
        row[known] = profiles.row_of[visits.axle_id[known], visits.state[known]]
    if strength is not None:
        when[:] = strength.row_of(visits.time)
    if columns is not None:
        column[:] = columns.column_of_cell[visits.cell]
    return row, when, column


def stress_tables(
    profiles: Any, n_depths: int, settings: RiskSettings
) -> tuple[np.ndarray, float, float, np.ndarray]:
    """Return stress table, first offset, step and which rows are heavy wheels."""
    if profiles is None or profiles.stress.shape[0] == 0:
        return np.zeros((1, 1, n_depths)), 0.0, 1.0, np.zeros(1, dtype=np.bool_)
    stress = np.ascontiguousarray(profiles.stress, dtype=np.float64)
    heavy = np.asarray(profiles.wheel_load) >= settings.floor_mass * GRAVITY
    return stress, float(profiles.first_offset), float(profiles.step), heavy


def ln_or_none(stress: np.ndarray) -> np.ndarray:
    """Return ln stress, -inf where there is none."""
    out = np.full(stress.shape, -np.inf)
    return np.log(stress, out=out, where=stress > 0)


def windows(stress: np.ndarray, steps: float) -> tuple[np.ndarray, int, int]:
    """Return the largest stress in windows of offsets, their size and the padding.

    A cell shows `steps` to sqrt(2) times as many offsets by its heading; two windows
    of one less than `steps`, one from each end, cover them all and nothing else.
    """
    size = max(1, math.floor(steps) - 1)
    pad = 2 * size + 4
    window = np.pad(stress, ((0, 0), (pad, pad), (0, 0)))
    reach = 1
    while reach < size:
        ahead = min(reach, size - reach)
        np.maximum(window[:, :-ahead], window[:, ahead:], out=window[:, :-ahead])
        reach += ahead
    return window, size, pad


def strength_tables(
    strength: Any, n_depths: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return ln strength, its spread by the water and suction of the top depth.

    One row of NaN without strength. Where ``ln_spread`` is not there the water counts
    as known.
    """
    if strength is None or strength.times.size == 0:
        nothing = np.full((1, 1, n_depths), np.nan)
        return nothing, np.zeros_like(nothing), np.full((1, 1), np.nan)
    suction = np.ascontiguousarray(strength.suction[:, :, 0], dtype=np.float64)
    ln_strength = np.ascontiguousarray(strength.ln_strength, dtype=np.float64)
    spread = getattr(strength, "ln_spread", None)
    if spread is None:
        return ln_strength, np.zeros_like(ln_strength), suction
    return ln_strength, np.ascontiguousarray(spread, dtype=np.float64), suction


def reset_tables(
    resets: Any, n_cells: int, n_depths: int, n_columns: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return kind of cell, since when passes count, and how much weaker soil is."""
    if resets is None:
        never = np.full((1, n_depths), -np.inf)
        return np.zeros(n_cells, np.int16), never, np.zeros((n_columns, n_depths))
    weaker = np.broadcast_to(resets.loosened, (n_columns, n_depths))
    return resets.kind_of_cell, resets.since, np.ascontiguousarray(weaker)


def swelling_of(swelling: bool | np.ndarray | None, n_columns: int) -> np.ndarray:
    """Return swelling clay by soil column."""
    if swelling is None:
        return np.zeros(n_columns, dtype=np.bool_)
    return np.array(np.broadcast_to(swelling, n_columns), dtype=np.bool_)
