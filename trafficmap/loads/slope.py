"""How the ground rises, from heights the receivers logged; NaN where not known."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trafficmap.core.ground import GroundSlope
from trafficmap.core.notes import Note
from trafficmap.core.settings.loads import LoadSettings
from trafficmap.loads._columns import log_spans

_MOST_SIDES = 4000
"""A field longer than so many cells is no field; choice."""

_LEAST_FIXES = 12
_LEAST_CELLS = 5
"""Fixes and cells of a window of 3 by 3 that a slope needs; choice."""

_LEAST_ERROR = 0.002
"""No window of heights tells a slope better than this; choice."""

STEEPEST = 0.40
"""Steeper than farm machines work; such a slope is an error of height; choice."""


def ground_slope(
    fixes: pd.DataFrame, *, settings: LoadSettings
) -> tuple[GroundSlope | None, list[Note]]:
    """Return how the ground rises, None where no log tells heights well enough.

    A plane is laid through the heights of one log in every window of three by three
    cells. Only differences within a log count, so neither the height of the antenna
    nor the zero of the receiver matters. A window counts where the error of its slope
    stays below ``slope_error``: the scatter of its cells about the plane, or that of
    the whole log where that is more, over their spread. Logs are averaged by it.

    Parameters
    ----------
    fixes : DataFrame
        Contract `FIXES`; ``altitude`` as logged. [m]
    settings : LoadSettings

    Returns
    -------
    GroundSlope or None
    list of Note
    """
    height = fixes["altitude"].to_numpy(dtype=float)
    known = np.isfinite(height)
    if known.sum() < _LEAST_FIXES:
        return None, []
    east = fixes["easting"].to_numpy(dtype=float)
    north = fixes["northing"].to_numpy(dtype=float)
    cell = settings.slope_cell
    west, south = east[known].min() - cell, north[known].min() - cell
    cols = int((east[known].max() - west) / cell) + 2
    rows = int((north[known].max() - south) / cell) + 2
    if max(rows, cols) > _MOST_SIDES:
        return None, []
    weight = np.zeros((rows, cols))
    rise = np.zeros((2, rows, cols))
    poor = 0
    logs = 0
    for _, first, last in log_spans(fixes):
        here = np.flatnonzero(known[first:last]) + first
        if here.size < _LEAST_FIXES:
            continue
        logs += 1
        slope, error = _planes(
            east[here] - west, north[here] - south, height[here], cell, (rows, cols)
        )
        good = error <= settings.slope_error
        good &= np.hypot(slope[0], slope[1]) <= STEEPEST
        poor += not good.any()
        mine = np.where(good, 1.0 / np.maximum(error, 1e-3) ** 2, 0.0)
        weight += mine
        rise += mine * np.nan_to_num(slope)
    notes = _notes(poor, logs)
    if not (weight > 0.0).any():
        return None, notes
    rise = np.where(weight > 0.0, rise / np.where(weight > 0.0, weight, 1.0), np.nan)
    return GroundSlope(west, south, cell, rise[0], rise[1]), notes


def _planes(east, north, height, cell: float, shape: tuple[int, int]):
    """Return the plane's rise in each window of 3 by 3 cells, and its error."""
    rows, cols = shape
    row, col = (north / cell).astype(np.int64), (east / cell).astype(np.int64)
    place = row * cols + col
    size = np.bincount(place, minlength=rows * cols)

    def mean(values) -> np.ndarray:
        total = np.bincount(place, weights=values, minlength=rows * cols)
        return total / np.maximum(size, 1)

    # Cells count alike, whatever the number of their fixes: a machine that stood long
    # in one cell says no more about the ground.
    there = (size > 0).astype(float)
    e, n = mean(east - (col + 0.5) * cell), mean(north - (row + 0.5) * cell)
    z = mean(height - height.mean())

    def window(values) -> np.ndarray:
        grid = np.pad((values * there).reshape(shape), 1)
        out = np.zeros(shape)
        for i in range(3):
            for j in range(3):
                out += grid[i : i + rows, j : j + cols]
        return out

    # Places in a window are measured from its own middle cell, to lose no digits.
    i_row, i_col = np.divmod(np.arange(rows * cols), cols)
    e = e + i_col * cell
    n = n + i_row * cell
    count, fixes = window(there), window(size)
    safe = np.maximum(count, 1.0)
    me, mn, mz = window(e) / safe, window(n) / safe, window(z) / safe
    see = window(e * e) / safe - me * me
    snn = window(n * n) / safe - mn * mn
    sen = window(e * n) / safe - me * mn
    sez = window(e * z) / safe - me * mz
    snz = window(n * z) / safe - mn * mz
    szz = window(z * z) / safe - mz * mz
    det = see * snn - sen * sen
    enough = (count >= _LEAST_CELLS) & (fixes >= _LEAST_FIXES)
    enough &= det > 0.02 * cell**4
    det = np.where(enough, det, 1.0)
    a, b = (sez * snn - snz * sen) / det, (snz * see - sez * sen) / det
    rest = np.maximum(szz - a * sez - b * snz, 0.0)
    narrow = np.where(enough, np.minimum(see, snn), 1.0)
    # Heights of one pass drift together, so three passes side by side may fit a plane
    # by chance: no window is surer than the log is on the whole.
    usual = float(rest[enough].mean()) if enough.any() else 0.0
    error = np.sqrt(np.maximum(rest, usual) / np.maximum(narrow, 1e-9))
    error = np.where(enough, np.maximum(error, _LEAST_ERROR), np.inf)
    return np.stack([a, b]), error


def _notes(poor: int, logs: int) -> list[Note]:
    if poor == 0:
        return []
    sentence = (
        f"Heights in {poor} of {logs} logs scatter too much to say how the ground "
        "rises; slopes are taken from the others, or the ground counts as level."
    )
    return [Note("loads.heights_poor", "info", sentence, poor)]
