"""Exact cover: the share of every cell each wheel ran over, pass by pass."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from trafficmap.traffic._overlap_kernels import union_of_events
from trafficmap.traffic._path_kernels import (
    cell_starts,
    join_passes,
    number_entries,
    order_by_cell,
    refs_by_event,
)
from trafficmap.traffic._strip_kernels import strip_events
from trafficmap.traffic.events import PassEvents, Pieces
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
    piece crosses over and both halves count. Ground that one event sweeps more than
    once, as where the wheel shunts or turns on the spot, counts once.

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
    swept = strip_events(
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
    cell, wheel, path, state, time, travel, share, distance, knot = swept[:9]
    start = np.empty(grid.size + 1, dtype=np.int64)
    cell_starts(cell, start)
    pass_id = stations.pass_id[path]
    order = np.empty(cell.size, dtype=np.int64)
    order_by_cell(cell, time, pass_id, wheels.axle_id[wheel], wheel, start, order)
    pass_id = pass_id[order]
    wheel = wheel[order]
    chain, travel = stations.chain[path[order]], travel[order]
    join_passes(start, wheel, pass_id, chain, travel, stations.span)
    entry = np.empty(order.size, dtype=np.int32)
    number_entries(start, wheel, chain, travel, stations.span, entry)
    cell, share, knot = cell[order], share[order], knot[order]
    pieces = _pieces(stations, order, *swept[9:])
    # A knot may sweep the same ground more than once, which counts once.
    knots = np.flatnonzero(knot | (share > 1.0 + 1e-9))
    union_of_events(
        knots, wheel, cell, grid.cols, pieces.refs, stations.line, wheels.place, share
    )
    return PassEvents(
        cell=cell,
        wheel=wheel,
        pass_id=pass_id,
        state=state[order],
        time=time[order],
        cover=np.minimum(share, 1.0),
        distance=distance[order].astype(np.float32),
        cell_start=start,
        entry=entry,
        pieces=pieces,
    )


def _pieces(stations, order, ref_event, ref_station, ref_part) -> Pieces:
    """Return the pieces in the order of the sorted events."""
    rank = np.empty(order.size, dtype=np.int64)
    rank[order] = np.arange(order.size)
    start = np.empty(order.size + 1, dtype=np.int64)
    by_event = np.empty(ref_event.size, dtype=np.int64)
    refs_by_event(ref_event, rank, start, by_event)
    return Pieces(stations, start, ref_station[by_event], ref_part[by_event])


class WheelTable:
    """Columns of the `WHEELS` table as the kernels want them, in cells."""

    def __init__(self, wheels, cell: float) -> None:
        self.body_id = wheels["body_id"].to_numpy(np.int64)
        self.axle_id = wheels["axle_id"].to_numpy(np.int32)
        self.forward = wheels["forward"].to_numpy(np.float64) / cell
        self.right = wheels["right"].to_numpy(np.float64) / cell
        self.half = wheels["width"].to_numpy(np.float64) / (2.0 * cell)
        self.place = (self.forward, self.right, self.half)
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
