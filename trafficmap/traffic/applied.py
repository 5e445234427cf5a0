"""Liquid put down: how deep, where and when."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from trafficmap.core import limits
from trafficmap.core.layers import put_layer
from trafficmap.core.notes import Note
from trafficmap.core.tables import LIQUID, PASSES, SPLIT_FIXES, require_table
from trafficmap.traffic._strip_kernels import strip_sum

if TYPE_CHECKING:
    import xarray as xr

    from trafficmap.core.grid import FieldGrid

SECONDS_OF_DAY = 86_400
_LEAST_SHARE = 1e-6  # of a cell under a strip, below it the rate there is rounding


def applied(
    split_fixes: pd.DataFrame,
    passes: pd.DataFrame,
    *,
    liquid: pd.DataFrame,
    grid: FieldGrid,
    inside: np.ndarray | None = None,
    tray: xr.Dataset | None = None,
) -> tuple[list[tuple[float, np.ndarray, float]], list[Note]]:
    """Return the water that working machines put down, one layer a machine and day.

    A working step lays a strip as wide as the log or the liquid table says, centred
    on the antenna's path, at the logged rate or else the table's; overlaps add.

    Parameters
    ----------
    split_fixes : DataFrame
        Contract `SPLIT_FIXES`.
    passes : DataFrame
        Contract `PASSES`.
    liquid : DataFrame
        Contract `LIQUID`; machines not named in it put nothing down.
    grid : FieldGrid
    inside : ndarray, shape (rows, cols), optional
        Share of each cell inside the boundary, for `tray`.
    tray : xarray.Dataset, optional
        Takes the layers ``liquid``: all liquid [m], not only its water; and
        ``liquid_once``: what the machine with the highest rate there puts down in one
        pass [m], 0 where none was.

    Returns
    -------
    list of (float, ndarray, float)
        Middle of the working time [s since 1970 UTC, NaN where not known]; depth of
        water (rows, cols) [m], the liquid less its dry matter; depth of injection [m].
    list of Note

    Notes
    -----
    Days are UTC days. The sum of a layer times the cell area is rate times width
    times length on straights.
    """
    require_table(split_fixes, SPLIT_FIXES)
    require_table(passes, PASSES)
    require_table(liquid, LIQUID)
    layers: list[tuple[float, np.ndarray, float]] = []
    notes: list[Note] = []
    whole, once = np.zeros(grid.size), np.zeros(grid.size)
    job: Any
    for job in liquid.itertuples(index=False):
        driven = passes[
            (passes["machine_id"] == job.machine_id) & (passes["state"] == "working")
        ]
        steps = _steps(split_fixes, driven, job, grid)
        notes += _job_notes(job, steps)
        if steps is None:
            continue
        mine = np.zeros(grid.size)
        for day in np.unique(steps.day):
            today = steps.day == day
            depth = steps.laid(np.where(today, steps.rate, 0.0), grid)
            if not depth.any():
                continue
            mine += depth
            laid = steps.time[today & (steps.rate > 0.0)]
            known = laid[np.isfinite(laid)]
            moment = float(np.median(known)) if known.size else math.nan
            water = (depth * (1.0 - job.dry_matter)).reshape(grid.shape)
            layers.append((moment, water, float(job.depth)))
        whole += mine
        if tray is not None:
            times = steps.laid((steps.rate > 0.0).astype(np.float64), grid)
            there = times > _LEAST_SHARE
            rate = np.divide(mine, times, where=there, out=np.zeros(grid.size))
            once = np.maximum(once, rate)
    if tray is not None:
        for name, values in (("liquid", whole), ("liquid_once", once)):
            shown = values.reshape(grid.shape)
            if inside is not None:
                shown = np.where(inside > 0.0, shown, np.nan)
            put_layer(tray, name, shown)
    return sorted(layers, key=lambda layer: (math.isnan(layer[0]), layer[0])), notes


class _Steps:
    """Stations of one machine's working passes, in cells.

    A step is known by its first station; its rate and width are those of the later
    one. A pass starts at the fix before its first, whose step leads into it.
    """

    def __init__(self, fixes, passes, job, grid: FieldGrid) -> None:
        first = passes["first"].to_numpy(np.int64)
        first = first - _led_into(fixes, first)
        length = passes["last"].to_numpy(np.int64) - first
        self.begin = np.concatenate([[0], np.cumsum(length)]).astype(np.int64)
        take = np.arange(self.begin[-1]) + np.repeat(first - self.begin[:-1], length)
        rows = fixes.iloc[take]
        self.x = (rows["easting"].to_numpy() - grid.west) / grid.cell
        self.y = (grid.north - rows["northing"].to_numpy()) / grid.cell
        self.fx, self.fy = _directions(self.begin, self.x, self.y)
        self.time = utc_seconds(rows["time"])
        width = rows["width"].to_numpy(np.float64)
        width = np.where(np.isfinite(width), width, job.width)
        self.half = width / (2.0 * grid.cell)
        self.cells_wide = math.ceil(2.0 * float(self.half.max(initial=0.0)))
        logged = rows["application_rate"].to_numpy(np.float64)
        self.logged = int(np.isfinite(logged).sum())
        rate = np.where(np.isfinite(logged), logged, job.rate)
        later = np.append(np.arange(1, rate.size), rate.size - 1)
        self.rate = np.maximum(rate[later], 0.0)
        day = np.floor_divide(self.time, SECONDS_OF_DAY)
        self.day = np.where(np.isfinite(day), day, -1.0)

    def laid(self, rate: np.ndarray, grid: FieldGrid) -> np.ndarray:
        """Return the depth `rate` at each station puts on the cells, overlaps added."""
        depth = np.zeros(grid.size)
        strip_sum(
            self.begin,
            self.x,
            self.y,
            self.fx,
            self.fy,
            self.half,
            rate,
            grid.rows,
            grid.cols,
            self.cells_wide,
            depth,
        )
        return depth


def _led_into(fixes: pd.DataFrame, first: np.ndarray) -> np.ndarray:
    """Return 1 where a step leads from the fix before into the first fix of a pass."""
    log = fixes["log_id"].to_numpy()
    before = np.maximum(first - 1, 0)
    passed = fixes["seconds"].to_numpy()[first] - fixes["seconds"].to_numpy()[before]
    step = np.hypot(
        fixes["easting"].to_numpy()[first] - fixes["easting"].to_numpy()[before],
        fixes["northing"].to_numpy()[first] - fixes["northing"].to_numpy()[before],
    )
    whole = (passed > 0.0) & (passed <= limits.GAP_SECONDS)
    whole &= (step <= limits.SPEED_LIMIT * passed) & (log[first] == log[before])
    return whole.astype(np.int64)


def utc_seconds(time: pd.Series) -> np.ndarray:
    """Return times as seconds since 1970 UTC, NaN where empty."""
    stamps = time.dt.tz_convert(None).to_numpy().astype("datetime64[ms]")
    seconds = stamps.astype(np.int64) / 1000.0
    return np.where(np.isnat(stamps), np.nan, seconds)


def _steps(fixes, passes, job, grid: FieldGrid) -> _Steps | None:
    return _Steps(fixes, passes, job, grid) if len(passes) else None


def _directions(begin, x, y) -> tuple[np.ndarray, np.ndarray]:
    """Return the unit direction of travel at each station, within its pass.

    The chord from the station before to the one after; where the machine stands the
    direction it came with.
    """
    n = x.size
    owner = np.repeat(np.arange(begin.size - 1), np.diff(begin))
    before = np.maximum(np.arange(n) - 1, begin[owner])
    after = np.minimum(np.arange(n) + 1, begin[owner + 1] - 1)
    dx, dy = x[after] - x[before], y[after] - y[before]
    length = np.hypot(dx, dy)
    moving = length > 0.0
    last = np.maximum.accumulate(np.where(moving, np.arange(n), begin[owner]))
    scale = np.where(moving, length, 1.0)
    return (dx / scale)[last], (dy / scale)[last]


def _job_notes(job, steps: _Steps | None) -> list[Note]:
    if steps is None:
        sentence = (
            f"Liquid of {job.machine_id}: no working pass of this machine was found, "
            "so no liquid is put on the map. Look at its log or its name."
        )
        return [Note("traffic.liquid_none", "check", sentence, 1, job.machine_id)]
    if steps.logged:
        return []
    sentence = (
        f"Liquid of {job.machine_id}: its log has no rate, so the rate in the field "
        f"file, {job.rate * 1e4:.0f} m3/ha, is taken wherever it worked."
    )
    return [Note("traffic.liquid_rate", "info", sentence, 1, job.machine_id)]
