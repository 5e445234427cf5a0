"""Visits: which axle came past which cell, how far to the side, and when."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from trafficmap.traffic._path_kernels import cell_starts, join_passes, order_by_cell
from trafficmap.traffic._visit_kernels import axle_visits
from trafficmap.traffic.cover import wheel_runs
from trafficmap.traffic.events import Visits
from trafficmap.traffic.stations import DEFAULTS, ready_stations

if TYPE_CHECKING:
    import pandas as pd

    from trafficmap.core.grid import FieldGrid
    from trafficmap.core.settings.traffic import TrafficSettings
    from trafficmap.loads.paths import WheelPaths

OVERHANG = 0.71
"""How far a path is drawn out where it starts or ends, in cells: half a diagonal, so
that no cell a wheel stands on is left without a visit."""


def visits(
    paths: WheelPaths,
    *,
    grid: FieldGrid,
    reach: float,
    settings: TrafficSettings = DEFAULTS,
) -> Visits:
    """Return one visit for each axle, pass and cell near the axle's path.

    Parameters
    ----------
    paths : WheelPaths
    grid : FieldGrid
    reach : float
        Cells whose centre is at most this far outside the outermost wheel edge of the
        axle are visited; all cells between its wheels are. [m]
    settings : TrafficSettings
        As in `cover`.

    Returns
    -------
    Visits

    Raises
    ------
    InputError
        A place or heading is not finite, or the arrays do not fit together.

    Notes
    -----
    The offset is that of the cell centre from the centre of the axle, at the moment
    the line across the machine through the axle sweeps over the cell centre; in a
    turn this is the nearest approach. Coming back within ``return_distance`` is the
    same visit, at its smaller offset.
    """
    axles = _axles(paths.wheels)
    stations = ready_stations(paths, grid=grid, settings=settings, reach=reach)
    cell, axle, path, state, time, travel, offset, heading = axle_visits(
        stations.begin,
        stations.chain,
        stations.opens,
        stations.closes,
        stations.x,
        stations.y,
        stations.fx,
        stations.fy,
        stations.time,
        stations.state,
        stations.travel,
        wheel_runs(stations, axles["body_id"].to_numpy(np.int64)),
        axles["forward"].to_numpy(np.float64) / grid.cell,
        (axles["edge"].to_numpy(np.float64) + reach) / grid.cell,
        grid.rows,
        grid.cols,
        settings.return_distance + 1.5 * grid.cell,
        OVERHANG,
    )
    start = np.empty(grid.size + 1, dtype=np.int64)
    cell_starts(cell, start)
    axle_id = axles["axle_id"].to_numpy(np.int32)[axle]
    pass_id = stations.pass_id[path]
    order = np.empty(cell.size, dtype=np.int64)
    order_by_cell(cell, time, pass_id, axle_id, axle_id, start, order)
    pass_id, axle_id = pass_id[order], axle_id[order]
    join_passes(
        start,
        axle_id,
        pass_id,
        stations.chain[path[order]],
        travel[order],
        stations.span,
    )
    return Visits(
        cell=cell[order],
        axle_id=axle_id,
        pass_id=pass_id,
        state=state[order],
        time=time[order],
        offset=(offset[order] * grid.cell).astype(np.float32),
        heading=heading[order].astype(np.float32),
        cell_start=start,
    )


def _axles(wheels: pd.DataFrame) -> pd.DataFrame:
    """Return one row an axle: body, place along the body, outermost wheel edge."""
    edge = wheels["right"].abs() + wheels["width"] / 2.0
    table = wheels.assign(edge=edge).groupby("axle_id", sort=True)
    return table.agg(
        body_id=("body_id", "first"),
        forward=("forward", "first"),
        edge=("edge", "max"),
    ).reset_index()
