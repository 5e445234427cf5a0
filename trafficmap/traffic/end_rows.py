"""Which cells are end rows, where machines turn and cross the rows."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import shapely

from trafficmap.core.errors import InputError
from trafficmap.core.layers import layer_spec
from trafficmap.traffic.inside import inside_share

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    from trafficmap.core.grid import FieldGrid

ALONG_ROWS = math.radians(30.0)
"""An edge of the field within this angle of the rows is no row end; choice."""


def end_rows(
    boundary: BaseGeometry,
    *,
    grid: FieldGrid,
    width: float,
    rows_heading: float | None = None,
) -> np.ndarray:
    """Return 1 in the end rows, 0 in the body of the field, nodata outside.

    Parameters
    ----------
    boundary : Polygon or MultiPolygon
    grid : FieldGrid
    width : float
        Width of the end rows. [m]
    rows_heading : float or None
        Direction of the rows, clockwise from north [deg]. None: end rows all round.

    Returns
    -------
    ndarray of uint8, shape (rows, cols)
        The layer ``end_rows``: a cell belongs where its centre lies; a cell the
        boundary only cuts is body or end rows like its centre would be.

    Raises
    ------
    InputError
        The width is not a positive number.
    """
    if not (math.isfinite(width) and width >= 0.0):
        msg = f"end rows: got a width of {width:g} m, need 0 m or more."
        raise InputError(msg, "set end_row_width_m, or leave it out")
    inside = inside_share(boundary, grid=grid)
    out = np.full(grid.shape, int(layer_spec("end_rows").nodata), dtype=np.uint8)
    out[inside > 0.0] = 0
    if width == 0.0:
        return out
    edges = edges_of(boundary, rows_heading)
    if edges.is_empty:
        return out
    near = edges.buffer(width)
    shapely.prepare(near)
    row, col = np.nonzero(inside > 0.0)
    easting, northing = grid.centres()
    hit = shapely.intersects_xy(near, easting[col], northing[row])
    out[row[hit], col[hit]] = 1
    return out


def edges_of(boundary: BaseGeometry, rows_heading: float | None) -> BaseGeometry:
    """Return the parts of the outline that end the rows."""
    if rows_heading is None:
        return boundary.boundary
    place, ring = shapely.get_coordinates(
        shapely.get_rings(shapely.get_parts(boundary)), return_index=True
    )
    same = ring[1:] == ring[:-1]
    start, step = place[:-1][same], np.diff(place, axis=0)[same]
    turn = np.arctan2(step[:, 0], step[:, 1]) - math.radians(rows_heading)
    across = np.abs(np.sin(turn)) > math.sin(ALONG_ROWS)
    lines = np.stack([start[across], start[across] + step[across]], axis=1)
    return shapely.union_all(shapely.linestrings(lines))
