"""Parts of the field: where machines turn, headland, transition and inner field."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

from trafficmap.core.layers import layer_spec
from trafficmap.core.notes import Note
from trafficmap.core.tables import PASSES, require_table
from trafficmap.traffic.end_rows import edges_of, end_rows
from trafficmap.traffic.stations import DEFAULTS

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    from trafficmap.core.grid import FieldGrid
    from trafficmap.core.settings.traffic import TrafficSettings
    from trafficmap.traffic.events import PassEvents

PARTS = ("inner", "transition", "headland", "turning", "access")
"""Parts of the field in the order of the layer ``field_part``, which counts from 1."""

_INNER, _TRANSITION, _HEADLAND, _TURNING, _ACCESS = range(1, 6)


def field_parts(
    events: PassEvents,
    passes: pd.DataFrame,
    *,
    boundary: BaseGeometry,
    grid: FieldGrid,
    inside: np.ndarray,
    beyond: np.ndarray | None = None,
    width: float | None = None,
    rows_heading: float | None = None,
    settings: TrafficSettings = DEFAULTS,
) -> tuple[np.ndarray, list[Note]]:
    """Return to which part of the field each cell belongs.

    Parameters
    ----------
    events : PassEvents
    passes : DataFrame
        Contract `PASSES`.
    boundary : Polygon or MultiPolygon
    grid : FieldGrid
    inside : ndarray, shape (rows, cols)
        Share of each cell inside the boundary.
    beyond : ndarray, shape (rows, cols), optional
        Share of each cell on strips of access outside the boundary.
    width : float, optional
        Width of the headland, the end rows [m]; from where machines turned if left out.
    rows_heading : float, optional
        Direction of the rows [deg]; edges along them end no rows.
    settings : TrafficSettings
        ``again_share`` and ``transition_width``.

    Returns
    -------
    ndarray of uint8, shape (rows, cols)
        The layer ``field_part``: 1 inner field, 2 transition, 3 headland, 4 ground
        machines turned on, 5 strip of access; nodata elsewhere.
    list of Note

    Notes
    -----
    A cell is turning ground where turning passes ran over at least ``again_share`` of
    it, wherever it lies. The rest of the headland is where its centre lies no further
    than `width` from an edge that ends rows; the transition is ``transition_width``
    further in, where machines lift, lower, speed up and wait; the inner field is the
    rest. A width nobody told is that within which nine tenths of the turning ground
    lie, at most 40 m; without turns there is no headland.
    """
    require_table(passes, PASSES)
    out = np.full(grid.shape, int(layer_spec("field_part").nodata), dtype=np.uint8)
    out[inside > 0.0] = _INNER
    turning = _turned(events, passes, grid) >= settings.again_share
    turning &= inside > 0.0
    notes: list[Note] = []
    told = width is not None
    if width is None:
        width = _width_from_turns(turning, boundary, grid, rows_heading)
    if width > 0.0:
        shape: dict[str, Any] = {"grid": grid, "rows_heading": rows_heading}
        whole = width + settings.transition_width
        out[end_rows(boundary, width=whole, **shape) == 1] = _TRANSITION
        out[end_rows(boundary, width=width, **shape) == 1] = _HEADLAND
        if not told:
            sentence = (
                f"How wide the headland is was not said: {width:.0f} m are taken, "
                "within which nine tenths of the turning ground lie."
            )
            notes.append(Note("traffic.headland_guessed", "info", sentence))
    out[turning] = _TURNING
    if beyond is not None:
        out[(beyond > 0.0) & (inside <= 0.0)] = _ACCESS
    return out, notes


def _turned(events: PassEvents, passes: pd.DataFrame, grid: FieldGrid) -> np.ndarray:
    """Return how much of each cell turning passes ran over, one by one added up."""
    turns = passes.loc[passes["state"] == "turning", "pass_id"].to_numpy(np.int64)
    known = np.zeros(int(max(events.pass_id.max(initial=-1), *turns, -1)) + 1, np.bool_)
    known[turns] = True
    mine = known[events.pass_id]
    share = np.bincount(
        events.cell[mine], weights=events.cover[mine], minlength=grid.size
    )
    return share.reshape(grid.shape)


WIDEST = 40.0
"""No headland is wider unless somebody says so [m]; choice."""


def _width_from_turns(
    turning: np.ndarray,
    boundary: BaseGeometry,
    grid: FieldGrid,
    rows_heading: float | None,
) -> float:
    """Return within how far of the row ends most of the turning ground lies [m]."""
    edges = edges_of(boundary, rows_heading)
    row, col = np.nonzero(turning)
    if not row.size or edges.is_empty:
        return 0.0
    easting, northing = grid.centres()
    shapely.prepare(edges)
    away = shapely.distance(shapely.points(easting[col], northing[row]), edges)
    return min(float(np.quantile(away, 0.9)), WIDEST)
