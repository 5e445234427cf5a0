"""What the error of the position leaves of a map of wheel tracks."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import ndtr, ndtri

from trafficmap.core.layers import put_layer
from trafficmap.core.notes import Note
from trafficmap.core.tables import PASSES, SESSIONS, require_table
from trafficmap.traffic._strip_kernels import SAMPLES, sample_union
from trafficmap.traffic.cover import WheelTable, wheel_runs
from trafficmap.traffic.stations import DEFAULTS, ready_stations

if TYPE_CHECKING:
    import xarray as xr

    from trafficmap.core.grid import FieldGrid
    from trafficmap.core.settings.traffic import TrafficSettings
    from trafficmap.loads.paths import WheelPaths

# A rank-1 lattice: along both axes the points lie 1/64 of a cell apart, so strips that
# run along the grid, as rows often do, are sampled as finely as any other. 19 and 27
# undo each other: 19 x 27 = 8 x 64 + 1.
SAMPLE_LATTICE = (np.outer((19, 27), np.arange(SAMPLES)) % SAMPLES + 0.5) / SAMPLES


def cover_chance(offset, *, width: float, sigma: float):
    """Return the chance that a point beside a wheel's logged path was under it.

    Parameters
    ----------
    offset : float or ndarray
        Distance of the point from the middle of the wheel's path. [m]
    width : float
        Width of the wheel. [m]
    sigma : float
        Error of the position across the path, one sigma; 0 for none. [m]

    Returns
    -------
    float or ndarray
        Integrated over `offset` it is `width`, whatever `sigma`: the area run over
        stays what it was, which ground it was does not.

    Examples
    --------
    >>> round(float(cover_chance(0.0, width=0.8, sigma=0.3)), 4)
    0.8176
    """
    offset = np.asarray(offset, dtype=float)
    if sigma <= 0.0:
        return np.where(np.abs(offset) <= width / 2.0, 1.0, 0.0)
    half = width / 2.0
    return ndtr((offset + half) / sigma) - ndtr((offset - half) / sigma)


def run_over_chance(
    paths: WheelPaths,
    *,
    grid: FieldGrid,
    inside: np.ndarray,
    tray: xr.Dataset,
    passes: pd.DataFrame,
    sessions: pd.DataFrame,
    settings: TrafficSettings = DEFAULTS,
) -> list[Note]:
    """Put the expected share run over, position error counted, into `tray`.

    Parameters
    ----------
    paths : WheelPaths
    grid : FieldGrid
    inside : ndarray, shape (rows, cols)
    tray : xarray.Dataset
        Takes ``run_over_chance`` where ``settings.position_draws`` is above 0.
    passes : DataFrame
        Contract `PASSES`, with the column ``session``.
    sessions : DataFrame
        Contract `SESSIONS`: ``sigma_shift`` is the error all passes of a session
        share, ``sigma_within`` the one each pass has of its own. [m]
    settings : TrafficSettings
        ``position_draws`` and ``position_seed``.

    Returns
    -------
    list of Note
        Machines whose tracks are known less well than their wheels are wide.

    Notes
    -----
    Errors within a pass hang together, so a pass is moved as a whole, and all passes
    of a session together. Each draw is a whole map with every pass at a place it may
    have had; the layer is the mean of the draws. Ground two passes of a session share
    stays shared but for their own errors, while sessions move against one another.
    Each draw keeps the length and width of every strip, so the expected
    area of each pass is what was driven. Shifts are Latin hypercube samples of normal
    errors; each draw is sampled at 64 points a cell.
    """
    require_table(passes, PASSES)
    require_table(sessions, SESSIONS)
    notes = _too_wide(paths, sessions)
    draws = settings.position_draws
    if draws == 0:
        return notes
    stations = ready_stations(paths, grid=grid, settings=settings)
    wheels = WheelTable(paths.wheels, grid.cell)
    runs = wheel_runs(stations, wheels.body_id)
    shifts = _shifts(stations.pass_id, passes, sessions, settings)
    number = np.diff(stations.begin)
    total = np.zeros(grid.size)
    for k in range(draws):
        moved = np.repeat(shifts[:, k] / grid.cell, number, axis=1)
        hit = np.zeros(grid.size, dtype=np.uint64)
        sample_union(
            stations.begin,
            stations.x + moved[0],
            stations.y - moved[1],
            stations.fx,
            stations.fy,
            runs,
            wheels.forward,
            wheels.right,
            wheels.half,
            grid.rows,
            grid.cols,
            SAMPLE_LATTICE,
            hit,
        )
        total += np.bitwise_count(hit)
    chance = (total / (SAMPLES * draws)).reshape(grid.shape)
    put_layer(tray, "run_over_chance", np.where(inside > 0.0, chance, np.nan))
    return notes


def _shifts(
    pass_id: np.ndarray,
    passes: pd.DataFrame,
    sessions: pd.DataFrame,
    settings: TrafficSettings,
) -> np.ndarray:
    """Return east and north shift (2, draws, paths) of the path of each pass [m]."""
    of_pass = pd.Series(
        passes["session"].to_numpy(np.int64), index=passes["pass_id"].to_numpy(np.int64)
    )
    session = of_pass.reindex(pass_id).to_numpy(np.int64)
    # The bodies of a rig and the pieces of a pass move together.
    names, own = np.unique(pass_id, return_inverse=True)
    generator = np.random.default_rng(settings.position_seed)
    draws = settings.position_draws
    shared = _normal(generator, len(sessions), draws)[:, :, session]
    alone = _normal(generator, names.size, draws)[:, :, own]
    between = sessions["sigma_shift"].to_numpy(float)[session]
    within = sessions["sigma_within"].to_numpy(float)[session]
    return shared * between + alone * within


def _normal(generator: np.random.Generator, count: int, draws: int) -> np.ndarray:
    """Return standard normal shifts (2, draws, count), spread evenly over the draws."""
    place = np.argsort(generator.random((2, draws, count)), axis=1)
    return ndtri((place + 0.5) / draws)


def _too_wide(paths: WheelPaths, sessions: pd.DataFrame) -> list[Note]:
    """Return a note on machines whose error is more than their wheels are wide."""
    error = pd.Series(
        np.hypot(
            sessions["sigma_shift"].to_numpy(float),
            sessions["sigma_within"].to_numpy(float),
        ),
        index=sessions.index,
    )
    worst = error.groupby(sessions["machine_id"].astype(str)).max()
    widest = paths.wheels.groupby(paths.wheels["machine_id"].astype(str))["width"].max()
    found = worst[worst > widest.reindex(worst.index)]
    if not len(found):
        return []
    listed = ", ".join(f"{name} (to {sigma:.1f} m)" for name, sigma in found.items())
    sentence = (
        f"The place of {listed} is known less well than its wheels are wide. Areas and "
        "counts hold; which square it was does not: do not read single tracks."
    )
    return [Note("traffic.position_wide", "info", sentence, len(found))]
