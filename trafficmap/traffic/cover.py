"""Exact cover: the share of every cell each wheel ran over, pass by pass."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from trafficmap.traffic._path_kernels import cell_starts, join_passes, order_by_cell
from trafficmap.traffic._strip_kernels import strip_events
from trafficmap.traffic.events import PassEvents
from trafficmap.traffic.stations import (
    DEFAULTS,
    Stations,
    parts_of_bodies,
    ready_stations,
)

if TYPE_CHECKING:
    from trafficmap.core.grid import FieldGrid
    from trafficmap.core.settings.traffic import TrafficSettings
    from trafficmap.loads.paths import WheelPaths


def cover(
    paths: WheelPaths,
    *,
    grid: FieldGrid,
    settings: TrafficSettings = DEFAULTS,
) -> PassEvents:
    """Return one event for each wheel, pass and cell the wheel ran over.

    A wheel sweeps the strip between the edges of its width at consecutive stations,
    across its heading; the area of the strip in each cell is exact for stations
    joined by straight lines. Where the wheel turns about a point under itself the
    piece crosses over and both halves count. Pieces of one event are added and cut at
    the whole cell.

    Parameters
    ----------
    paths : WheelPaths
    grid : FieldGrid
    settings : TrafficSettings
        ``simplify``, ``simplify_time``, ``return_distance``, ``join_distance``.

    Returns
    -------
    PassEvents

    Raises
    ------
    InputError
        A place or heading is not finite, or the arrays do not fit together.

    Notes
    -----
    A wheel that is back in a cell after less than ``return_distance`` and one and a
    half cells of travel never left it; after more it is a new event. A pass that goes
    on where the last one ended does not start a new event in the cell under the
    wheel, and all wheels of a rig keep the pass its first wheel came in. Linear in
    stations, wheels and cells swept.
    """
    wheels = WheelTable(paths.wheels, grid.cell)
    stations = ready_stations(paths, grid=grid, settings=settings)
    cell, wheel, path, state, time, travel, share, distance = strip_events(
        stations.begin,
        stations.chain,
        stations.x,
        stations.y,
        stations.fx,
        stations.fy,
        stations.time,
        stations.state,
        stations.travel,
        wheel_runs(stations, wheels.body_id),
        wheels.forward,
        wheels.right,
        wheels.half,
        grid.rows,
        grid.cols,
        grid.cell,
        settings.return_distance + 1.5 * grid.cell,
        wheels.cells_wide,
    )
    start = np.empty(grid.size + 1, dtype=np.int64)
    cell_starts(cell, start)
    pass_id = stations.pass_id[path]
    order = np.empty(cell.size, dtype=np.int64)
    order_by_cell(cell, time, pass_id, wheels.axle_id[wheel], wheel, start, order)
    pass_id = pass_id[order]
    wheel = wheel[order]
    join_passes(
        start,
        wheel,
        pass_id,
        stations.chain[path[order]],
        travel[order],
        stations.span,
    )
    return PassEvents(
        cell=cell[order],
        wheel=wheel,
        pass_id=pass_id,
        state=state[order],
        time=time[order],
        cover=np.minimum(share[order], 1.0),
        distance=distance[order].astype(np.float32),
        cell_start=start,
    )


class WheelTable:
    """Columns of the `WHEELS` table as the kernels want them, in cells."""

    def __init__(self, wheels, cell: float) -> None:
        self.body_id = wheels["body_id"].to_numpy(np.int64)
        self.axle_id = wheels["axle_id"].to_numpy(np.int32)
        self.forward = wheels["forward"].to_numpy(np.float64) / cell
        self.right = wheels["right"].to_numpy(np.float64) / cell
        self.half = wheels["width"].to_numpy(np.float64) / (2.0 * cell)
        widest = self.half.max() if self.half.size else 0.0
        self.cells_wide = math.ceil(2.0 * widest)


def wheel_runs(stations: Stations, body_of_part: np.ndarray) -> np.ndarray:
    """Return (part, first path, path after the last) of every part of every body."""
    order, start = parts_of_bodies(body_of_part)
    bodies = np.unique(stations.body_id)
    first = np.searchsorted(stations.body_id, bodies)
    after = np.searchsorted(stations.body_id, bodies, side="right")
    rows = [
        (part, a, b)
        for body, a, b in zip(bodies, first, after, strict=True)
        if body < start.size - 1
        for part in order[start[body] : start[body + 1]]
    ]
    return np.array(rows, dtype=np.int64).reshape(-1, 3)
