"""Counts: passes, wheel passes, loads and load-distance of every cell."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trafficmap.core.constants import GRAVITY
from trafficmap.core.errors import GridMismatchError
from trafficmap.core.layers import layer_spec, put_layer
from trafficmap.core.notes import Note
from trafficmap.traffic._count_kernels import count_cells, join_cover
from trafficmap.traffic._strip_kernels import SAMPLES, sample_union
from trafficmap.traffic.cover import WheelTable, wheel_runs
from trafficmap.traffic.stations import DEFAULTS, ready_stations

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

    from trafficmap.core.grid import FieldGrid
    from trafficmap.core.settings.traffic import TrafficSettings
    from trafficmap.loads.paths import WheelPaths
    from trafficmap.traffic.events import PassEvents

WHEEL_MASS_LIMITS = (3000.0, 5000.0)
"""Mass on a wheel counted apart [kg]: the classes of a four-season study of 63
operations (Augustin, Kuhwald, Brunotte & Duttmann 2020, Agriculture 10 (authors from
memory); area with more than five passes, wheel loads over 3 Mg and over 5 Mg)."""

# A rank-1 lattice: along both axes the points lie 1/64 of a cell apart, so strips that
# run along the grid, as rows often do, are sampled as finely as any other. 19 and 27
# undo each other: 19 x 27 = 8 x 64 + 1.
_LATTICE = (np.outer((19, 27), np.arange(SAMPLES)) % SAMPLES + 0.5) / SAMPLES


def count(
    events: PassEvents,
    paths: WheelPaths,
    *,
    grid: FieldGrid,
    inside: np.ndarray,
    tray: xr.Dataset,
    settings: TrafficSettings = DEFAULTS,
) -> list[Note]:
    """Put the layers of facts into `tray`; return what was found.

    Parameters
    ----------
    events : PassEvents
        From `cover` on `grid`.
    paths : WheelPaths
        The paths `events` were made of.
    grid : FieldGrid
    inside : ndarray, shape (rows, cols)
        Share of each cell inside the boundary; where 0 the layers say not known.
    tray : xarray.Dataset
        Takes inside, run_over, run_over_again, passes, wheel_passes, wheel_passes_3,
        wheel_passes_5, heaviest_axle, heaviest_wheel and load_distance.
    settings : TrafficSettings
        As given to `cover`.

    Returns
    -------
    list of Note

    Raises
    ------
    GridMismatchError
        `events` or `inside` belong to another grid.

    Notes
    -----
    The share run over is exact where one wheel passed once. Where more did, strips
    overlap in ways their areas do not tell; it is then sampled at 64 points a cell,
    corrected by the exact areas, and held between the largest strip and the sum of
    all. Against polygons that leaves 0.01 in such a cell (1 sigma) and 0.1 to 0.6 %
    of the area. What the passes cover one by one less what they cover together is
    run over again; a count of passes alone would take two that merely touch the same
    cell for one on the other.

    Load-distance is the sum of mass on a wheel times distance over the area of the
    cell [1]_: its sum over cells times cell area is the sum over all wheels.

    References
    ----------
    .. [1] I. Håkansson, definition of traffic intensity in Mg km/ha (from memory).
    """
    _require_grid(events, inside, grid)
    wheels = paths.wheels
    wheel_mass, axle_mass, axle_slot = _masses(paths)
    # Passes by number in any order; much quicker than to sort the events of a field.
    pass_index, known = pd.factorize(events.pass_id)
    size = grid.size
    passes = np.zeros(size, dtype=np.int64)
    wheel_passes = np.zeros((1 + len(WHEEL_MASS_LIMITS), size), dtype=np.int64)
    heaviest_axle, heaviest_wheel = np.zeros(size), np.zeros(size)
    mass_distance = np.zeros(size)
    unknown = count_cells(
        events.cell_start,
        pass_index.astype(np.int64),
        events.wheel.astype(np.int64),
        events.state.astype(np.int64),
        events.distance.astype(np.float64),
        wheels["slot"].to_numpy(np.int64),
        axle_slot,
        wheel_mass,
        axle_mass,
        np.array((-1.0, *WHEEL_MASS_LIMITS)),
        known.size,
        passes,
        wheel_passes,
        heaviest_axle,
        heaviest_wheel,
        mass_distance,
    )
    run_over = _run_over(events, paths, grid, settings)
    # kg m / m2 = 1e-3 Mg * 1e-3 km / 1e-4 ha = 1e-2 Mg km/ha
    load_distance = mass_distance / grid.cell_area * 1e-2
    layers = {
        "run_over": run_over,
        "run_over_again": _run_over_again(events, wheels, passes, run_over),
        "passes": passes,
        "wheel_passes": wheel_passes[0],
        "wheel_passes_3": wheel_passes[1],
        "wheel_passes_5": wheel_passes[2],
        "heaviest_axle": heaviest_axle,
        "heaviest_wheel": heaviest_wheel,
        "load_distance": load_distance,
    }
    put_layer(tray, "inside", inside)
    for name, values in layers.items():
        _put_inside(tray, name, values.reshape(grid.shape), inside)
    return _notes(unknown, events, passes.reshape(grid.shape), inside)


def _run_over(events, paths, grid, settings) -> np.ndarray:
    """Return the share of each cell run over at least once, shape (size,)."""
    wheels = WheelTable(paths.wheels, grid.cell)
    stations = ready_stations(paths, grid=grid, settings=settings)
    hit = np.zeros(grid.size, dtype=np.uint64)
    hits = np.zeros(grid.size, dtype=np.int64)
    sample_union(
        stations.begin,
        stations.x,
        stations.y,
        stations.fx,
        stations.fy,
        wheel_runs(stations, wheels.body_id),
        wheels.forward,
        wheels.right,
        wheels.half,
        grid.rows,
        grid.cols,
        np.diff(events.cell_start) > 1,
        _LATTICE,
        hit,
        hits,
    )
    out = np.zeros(grid.size)
    join_cover(events.cell_start, events.cover, hit, hits, SAMPLES, out)
    return out


def _run_over_again(
    events: PassEvents, wheels: pd.DataFrame, passes: np.ndarray, run_over: np.ndarray
) -> np.ndarray:
    """Return the share of each cell run over in two passes or more, shape (size,).

    Exact for two passes whose wheels keep to their lanes; for more it counts ground
    run over three times twice, up to all that was run over.
    """
    number = np.diff(events.cell_start)
    often = np.repeat(passes > 1, number)
    cell = np.repeat(np.arange(passes.size), number)[often]
    if not cell.size:
        return np.zeros(passes.size)
    pass_id, cover = events.pass_id[often], events.cover[often].astype(np.float64)
    lane = _lanes(wheels)[events.wheel[often]]
    order = np.lexsort((lane, pass_id, cell))
    cell, pass_id, lane = cell[order], pass_id[order], lane[order]
    new = np.ones(cell.size, dtype=np.bool_)
    new[1:] = (np.diff(cell) != 0) | (np.diff(pass_id) != 0) | (np.diff(lane) != 0)
    start = np.flatnonzero(new)
    # The axles of one pass roll in each other's track; its lanes lie side by side.
    covered = np.maximum.reduceat(cover[order], start)
    alone = np.bincount(cell[start], weights=covered, minlength=passes.size)
    return np.where(passes > 1, np.clip(alone - run_over, 0.0, run_over), 0.0)


def _lanes(wheels: pd.DataFrame) -> np.ndarray:
    """Return a number for each wheel, the same where wheels track each other."""
    right, half = wheels["right"].to_numpy(float), wheels["width"].to_numpy(float) / 2
    machine = wheels["machine_id"].to_numpy().astype(str)
    lanes = np.zeros(len(wheels), dtype=np.int64)
    number, edge, before = -1, -np.inf, ""
    for k in np.lexsort((right - half, machine)):
        if machine[k] != before or right[k] - half[k] >= edge - 1e-9:
            number, edge = number + 1, -np.inf
        lanes[k] = number
        edge, before = max(edge, right[k] + half[k]), machine[k]
    return lanes


def _masses(paths: WheelPaths) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return mass by state and wheel slot, by state and axle, and each wheel's axle.

    Axles are numbered within their machine, as slots are.
    """
    wheels = paths.wheels
    axle_slot = (
        wheels.groupby("machine_id")["axle_id"]
        .rank(method="dense")
        .to_numpy()
        .astype(np.int64)
        - 1
    )
    wheel_mass = paths.states.load / GRAVITY
    n_axles = int(axle_slot.max()) + 1 if axle_slot.size else 0
    axle_mass = np.zeros((wheel_mass.shape[0], n_axles))
    machine = wheels["machine_id"].to_numpy().astype(str)
    slot = wheels["slot"].to_numpy(np.int64)
    for name in np.unique(machine):
        rows = np.flatnonzero(paths.states.machine_id.astype(str) == name)
        for wheel in np.flatnonzero(machine == name):
            axle_mass[rows, axle_slot[wheel]] += wheel_mass[rows, slot[wheel]]
    return wheel_mass, axle_mass, axle_slot


def _put_inside(tray, name: str, values: np.ndarray, inside: np.ndarray) -> None:
    """Put a layer with the mark for not known outside the boundary."""
    spec = layer_spec(name)
    if np.issubdtype(np.dtype(spec.dtype), np.integer):
        values = np.minimum(values, int(spec.high))
    put_layer(tray, name, np.where(inside > 0.0, values, spec.nodata))


def _require_grid(events: PassEvents, inside: np.ndarray, grid: FieldGrid) -> None:
    if events.cell_start.size != grid.size + 1:
        msg = (
            f"pass events: are on a grid of {events.cell_start.size - 1} cells, "
            f"need {grid.size}."
        )
        raise GridMismatchError(msg, "make them on the field grid")
    if inside.shape != grid.shape:
        msg = f"inside: got shape {inside.shape}, need {grid.shape}."
        raise GridMismatchError(msg, "make it on the field grid")


def _notes(unknown, events, passes, inside) -> list[Note]:
    notes = []
    if unknown:
        notes.append(
            Note(
                "traffic.load_unknown",
                "check",
                "The load on some wheels is not known; where only such wheels passed, "
                "the heaviest axle and wheel and the load-distance are left open.",
                int(unknown),
            )
        )
    if not (passes[inside > 0.0] > 0).any():
        sentence = (
            "No wheel passed inside the boundary; the traffic maps show no passes. "
            "Look whether the logs belong to this field."
        )
        if events.cell.size:
            sentence = (
                f"{events.cell.size} wheel events lie outside the boundary and none "
                "inside; the traffic maps show no passes. Look whether the logs and "
                "the boundary belong together."
            )
        notes.append(Note("traffic.none", "stop", sentence))
    return notes
