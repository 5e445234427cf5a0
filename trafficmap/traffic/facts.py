"""All facts of the traffic in one step: layers into the tray, tables out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from trafficmap.core.layers import layer_spec, put_layer
from trafficmap.core.notes import Note
from trafficmap.traffic.count import count
from trafficmap.traffic.overlap import overlap
from trafficmap.traffic.parts import field_parts
from trafficmap.traffic.position import run_over_chance
from trafficmap.traffic.spots import loading_spots
from trafficmap.traffic.stations import DEFAULTS
from trafficmap.traffic.summary import (
    TrafficTables,
    axle_table,
    depth_table,
    traffic_table,
)

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr
    from shapely.geometry.base import BaseGeometry

    from trafficmap.core.grid import FieldGrid
    from trafficmap.core.settings.traffic import TrafficSettings
    from trafficmap.loads.paths import WheelPaths
    from trafficmap.traffic.events import PassEvents


def facts(
    events: PassEvents,
    paths: WheelPaths,
    *,
    split_fixes: pd.DataFrame,
    passes: pd.DataFrame,
    payload: pd.DataFrame,
    sessions: pd.DataFrame,
    boundary: BaseGeometry,
    grid: FieldGrid,
    inside: np.ndarray,
    tray: xr.Dataset,
    beyond: np.ndarray | None = None,
    headland: float | None = None,
    rows_heading: float | None = None,
    time_zone: str | None = None,
    settings: TrafficSettings = DEFAULTS,
) -> tuple[TrafficTables, list[Note]]:
    """Put every layer of facts into `tray` and return the tables of the traffic.

    Parameters
    ----------
    events : PassEvents
        From `cover` on `grid`.
    paths : WheelPaths
    split_fixes, passes, sessions : DataFrame
        Contracts `SPLIT_FIXES`, `PASSES` and `SESSIONS`.
    payload : DataFrame
        One row a fix: column ``payload`` [kg].
    boundary : Polygon or MultiPolygon
    grid : FieldGrid
    inside : ndarray, shape (rows, cols)
        Share of each cell inside the boundary.
    tray : xarray.Dataset
        Takes what `count` and `run_over_chance` put there, and ``field_part``.
    beyond : ndarray, shape (rows, cols), optional
        Share of each cell on strips of access outside the boundary.
    headland : float, optional
        Width of the end rows [m].
    rows_heading : float, optional
        Direction of the rows [deg].
    time_zone : str, optional
        Days begin at midnight there; UTC if left out.
    settings : TrafficSettings

    Returns
    -------
    TrafficTables
    list of Note
    """
    layer, notes = field_parts(
        events,
        passes,
        boundary=boundary,
        grid=grid,
        inside=inside,
        beyond=beyond,
        width=headland,
        rows_heading=rows_heading,
        settings=settings,
    )
    put_layer(tray, "field_part", layer)
    nodata = int(layer_spec("field_part").nodata)
    part = np.where(layer == nodata, 0, layer).astype(np.int64) - 1
    weight = inside if beyond is None else np.maximum(inside, beyond)
    laid = overlap(
        events,
        paths,
        grid=grid,
        inside=weight,
        passes=passes,
        part=part,
        settings=settings,
    )
    notes += count(
        events,
        paths,
        grid=grid,
        inside=inside,
        tray=tray,
        settings=settings,
        overlaps=laid,
        time_zone=time_zone or "UTC",
        beyond=beyond,
    )
    notes += run_over_chance(
        paths,
        grid=grid,
        inside=inside,
        tray=tray,
        passes=passes,
        sessions=sessions,
        settings=settings,
    )
    tables = TrafficTables(
        traffic=traffic_table(
            events,
            paths,
            passes,
            overlaps=laid,
            grid=grid,
            weight=weight,
            part=part,
            split_fixes=split_fixes,
        ),
        depth=depth_table(laid),
        axles=axle_table(events, paths, overlaps=laid, grid=grid, weight=weight),
        spots=loading_spots(split_fixes, payload, boundary=boundary, settings=settings),
    )
    return tables, notes
