"""What the error of the position leaves of a map of wheel tracks."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtr, ndtri

from trafficmap.core.layers import put_layer
from trafficmap.core.notes import Note
from trafficmap.traffic._strip_kernels import SAMPLES, sample_union
from trafficmap.traffic.cover import WheelTable, wheel_runs
from trafficmap.traffic.stations import DEFAULTS, ready_stations

if TYPE_CHECKING:
    import xarray as xr

    from trafficmap.core.grid import FieldGrid
    from trafficmap.core.settings.traffic import TrafficSettings
    from trafficmap.loads.paths import WheelPaths
    from trafficmap.machines.model import Machine
    from trafficmap.traffic.stations import Stations

# A rank-1 lattice: along both axes the points lie 1/64 of a cell apart, so strips that
# run along the grid, as rows often do, are sampled as finely as any other. 19 and 27
# undo each other: 19 x 27 = 8 x 64 + 1.
SAMPLE_LATTICE = (np.outer((19, 27), np.arange(SAMPLES)) % SAMPLES + 0.5) / SAMPLES

DAY = 86_400.0


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
    machines: dict[str, Machine],
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
    machines : dict of str to Machine
        ``sigma_between`` is the error all passes of a machine share in a day,
        ``sigma_within`` the one each pass has of its own. [m]
    settings : TrafficSettings
        ``position_draws`` and ``position_seed``.

    Returns
    -------
    list of Note
        Machines whose tracks are not known to the width of their wheels.

    Notes
    -----
    Errors within a pass hang together, so a pass is moved as a whole, and with it all
    passes of the machine on that day. Each draw is a whole map with every pass at a
    place it may have had; the layer is the mean of the draws. Ground two passes of a
    day share stays shared, whatever the receiver, while machines and days move against
    one another. Each draw keeps the length and width of every strip, so the expected
    area of each pass is what was driven. Shifts are Latin hypercube samples of normal
    errors; each draw is sampled at 64 points a cell.
    """
    notes = _too_wide(paths, machines)
    draws = settings.position_draws
    if draws == 0:
        return notes
    stations = ready_stations(paths, grid=grid, settings=settings)
    wheels = WheelTable(paths.wheels, grid.cell)
    runs = wheel_runs(stations, wheels.body_id)
    shifts = _shifts(stations, paths, machines, draws, settings.position_seed)
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
    stations: Stations,
    paths: WheelPaths,
    machines: dict[str, Machine],
    draws: int,
    seed: int,
) -> np.ndarray:
    """Return east and north shift (2, draws, paths) of every path [m]."""
    names = dict(
        zip(
            paths.wheels["body_id"], paths.wheels["machine_id"].astype(str), strict=True
        )
    )
    machine = np.array([names.get(body, "") for body in stations.body_id], dtype=str)
    first = stations.time[stations.begin[:-1]] if machine.size else np.empty(0)
    day = np.where(np.isfinite(first), first // DAY, -1.0)
    # The bodies of a rig move together, and so do the pieces of a pass.
    sessions, session = _numbers(machine, day)
    passes, pass_ = _numbers(machine, stations.pass_id.astype(float))
    generator = np.random.default_rng(seed)
    shared = _normal(generator, sessions, draws)
    own = _normal(generator, passes, draws)
    between = np.array([_sigma(machines, name, "sigma_between") for name in machine])
    within = np.array([_sigma(machines, name, "sigma_within") for name in machine])
    return shared[:, :, session] * between + own[:, :, pass_] * within


def _numbers(machine: np.ndarray, of: np.ndarray) -> tuple[int, np.ndarray]:
    """Return how many different pairs there are, and which each path has."""
    keys: dict[tuple[str, float], int] = {}
    pairs = zip(machine.tolist(), of.tolist(), strict=True)
    place = [keys.setdefault(pair, len(keys)) for pair in pairs]
    return len(keys), np.array(place, dtype=np.int64)


def _normal(generator: np.random.Generator, count: int, draws: int) -> np.ndarray:
    """Return standard normal shifts (2, draws, count), spread evenly over the draws."""
    place = np.argsort(generator.random((2, draws, count)), axis=1)
    return ndtri((place + 0.5) / draws)


def _sigma(machines: dict[str, Machine], name: str, which: str) -> float:
    value = getattr(machines.get(name), which, 0.0)
    return float(value) if math.isfinite(value) else 0.0


def _too_wide(paths: WheelPaths, machines: dict[str, Machine]) -> list[Note]:
    """Return a note on machines whose error is more than their wheels are wide."""
    found = {}
    for name, wheels in paths.wheels.groupby("machine_id", sort=True):
        sigma = math.hypot(
            _sigma(machines, str(name), "sigma_within"),
            _sigma(machines, str(name), "sigma_between"),
        )
        if sigma > float(wheels["width"].max()):
            found[str(name)] = sigma
    if not found:
        return []
    listed = ", ".join(f"{name} (to {sigma:.1f} m)" for name, sigma in found.items())
    sentence = (
        f"The place of {listed} is known less well than its wheels are wide. Areas and "
        "counts hold; which square it was does not: do not read single tracks. Say in "
        "field.toml which correction the receiver had."
    )
    return [Note("traffic.position_wide", "info", sentence, len(found))]
