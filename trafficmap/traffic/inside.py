"""Exact share of every cell inside a polygon."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely

from trafficmap.core.errors import InputError
from trafficmap.traffic._area import empty_rows, ring_cover, row_sums

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    from trafficmap.core.grid import FieldGrid


def inside_share(boundary: BaseGeometry, *, grid: FieldGrid) -> np.ndarray:
    """Return the share of each cell inside `boundary`.

    Parameters
    ----------
    boundary : Polygon or MultiPolygon
        In the system of `grid`; holes are outside.
    grid : FieldGrid

    Returns
    -------
    ndarray of float64, shape (rows, cols)
        0 to 1, exact to rounding: the sum times the area of a cell is the area of the
        polygon on the grid.

    Raises
    ------
    InputError
        The boundary is not an area, or is not valid.

    Examples
    --------
    >>> from shapely.geometry import box
    >>> from trafficmap.core.grid import FieldGrid
    >>> grid = FieldGrid(32615, 0.0, 2.0, 1.0, 2, 2)
    >>> inside_share(box(0.0, 0.0, 1.5, 1.0), grid=grid)
    array([[0. , 0. ],
           [1. , 0.5]])
    """
    parts = _parts(boundary, grid)
    buffer = np.zeros((grid.rows, grid.cols + 2))
    if parts:
        x, y, start = _rings(parts, grid)
        ring_cover(x, y, start, buffer, *empty_rows(grid.rows))
    out = np.empty(grid.shape)
    row_sums(buffer, out)
    # Rounding leaves 1e-16 beside edges; a cell not touched is exactly 0 or 1.
    out[np.abs(out) < 1e-12] = 0.0
    return np.minimum(np.maximum(out, 0.0), 1.0)


def _parts(boundary: BaseGeometry, grid: FieldGrid) -> list[BaseGeometry]:
    if boundary.geom_type not in ("Polygon", "MultiPolygon"):
        msg = f"boundary: got a {boundary.geom_type}, need an area."
        raise InputError(msg, "hand in the closed outline of the field")
    if not boundary.is_valid:
        msg = f"boundary: is not valid ({shapely.is_valid_reason(boundary)})."
        raise InputError(msg, "repair the outline first")
    frame = shapely.box(*grid.bounds)
    if not frame.covers(boundary):
        boundary = shapely.intersection(boundary, frame)
    parts = shapely.get_parts(shapely.get_parts(boundary))
    return [part for part in parts if part.geom_type == "Polygon" and part.area > 0]


def _rings(parts, grid: FieldGrid) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the vertices in cells and where each ring starts."""
    oriented = [shapely.orient_polygons(part, exterior_cw=True) for part in parts]
    rings = shapely.get_rings(oriented)
    place, ring = shapely.get_coordinates(rings, return_index=True)
    start = np.searchsorted(ring, np.arange(len(rings) + 1))
    x = np.clip((place[:, 0] - grid.west) / grid.cell, 0.0, grid.cols)
    y = np.clip((grid.north - place[:, 1]) / grid.cell, 0.0, grid.rows)
    return x, y, start
