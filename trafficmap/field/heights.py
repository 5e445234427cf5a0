"""The rise of the ground from a raster of heights, where field.toml names one."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import shapely

from trafficmap.core.ground import GroundSlope
from trafficmap.core.notes import Note

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    from trafficmap.field.inputs import Inputs
    from trafficmap.field.toml import SlopeKeys

WORKED = 0.40
"""Steeper than farm machines work: a ditch, a bank or an error of height; choice."""

_MISSING = 0.05
"""Share of the field without heights that is worth a word; choice."""


def read_rise(
    keys: SlopeKeys | None,
    *,
    epsg: int,
    ground: BaseGeometry | None,
    inputs: Inputs,
) -> tuple[GroundSlope | None, list[Note]]:
    """Return how the ground rises by the raster that [slope] names.

    Parameters
    ----------
    keys : SlopeKeys or None
        Table [slope] of field.toml.
    epsg : int
        Metric system of the field.
    ground : Polygon or MultiPolygon or None
        The field; without one no slope is read.
    inputs : Inputs

    Returns
    -------
    GroundSlope or None
        None where no raster is named.
    list of Note

    Raises
    ------
    InputError
        As `formats.heights.read_heights`.
    """
    if keys is None or ground is None:
        return None, []
    # Not before it is asked for: reading rasters loads a library of its own.
    from trafficmap.formats.heights import read_heights

    path = inputs.find(keys.file, "slope.file")
    inputs.add(path)
    heights = read_heights(
        path, epsg=epsg, bounds=ground.bounds, unit=keys.unit, given_epsg=keys.epsg
    )
    east, north = rise_horn(heights.height, cell=heights.cell)
    slope = GroundSlope(
        heights.west, heights.south, heights.cell, east, north, source=path.name
    )
    steep = np.hypot(east, north)
    here = _in_field(slope, ground)
    return slope, _notes(path.name, heights.unit_said, steep[here])


def rise_horn(height: np.ndarray, *, cell: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the rise to the east and to the north, from the eight neighbours.

    Parameters
    ----------
    height : ndarray, shape (rows, cols), row 0 south
        Heights at the middles of square cells. [m]
    cell : float
        Side of the cells. [m]

    Returns
    -------
    tuple of ndarray, shape (rows, cols)
        Rise over run; NaN at the edge and beside a height that is not known.
        [fraction]

    Notes
    -----
    East: ((c + 2 f + i) - (a + 2 d + g)) / (8 cell), with the window a b c, d e f,
    g h i from north-west to south-east; north alike. B. K. P. Horn 1981, Proceedings
    of the IEEE 69:14-47, page 18 (from memory); the weights are those that common map
    programs use for slopes. Exact on a plane; the middle cell itself has no part in it.

    Examples
    --------
    >>> import numpy as np
    >>> east, north = rise_horn(np.add.outer([0.0, 2.0, 4.0], [0, 1, 2]), cell=10.0)
    >>> float(east[1, 1]), float(north[1, 1])
    (0.1, 0.2)
    """
    east = np.full(height.shape, np.nan)
    north = np.full(height.shape, np.nan)
    if min(height.shape) < 3:
        return east, north
    south, middle, up = height[:-2], height[1:-1], height[2:]
    across = south + 2.0 * middle + up
    along = height[:, :-2] + 2.0 * height[:, 1:-1] + height[:, 2:]
    to_east = (across[:, 2:] - across[:, :-2]) / (8.0 * cell)
    to_north = (along[2:] - along[:-2]) / (8.0 * cell)
    # Half a slope is none: where one of the two is not known neither counts.
    known = np.isfinite(to_east) & np.isfinite(to_north)
    known &= np.isfinite(middle[:, 1:-1])
    east[1:-1, 1:-1] = np.where(known, to_east, np.nan)
    north[1:-1, 1:-1] = np.where(known, to_north, np.nan)
    return east, north


def _in_field(slope: GroundSlope, ground: BaseGeometry) -> np.ndarray:
    """Return which cells have their middle in the field; the nearest if none has."""
    rows, cols = slope.east_rise.shape
    east = slope.west + (np.arange(cols) + 0.5) * slope.cell
    north = slope.south + (np.arange(rows) + 0.5) * slope.cell
    east, north = np.meshgrid(east, north)
    here = shapely.contains_xy(ground, east, north)
    if not here.any():
        spot = ground.representative_point()
        near = np.hypot(east - spot.x, north - spot.y)
        here[np.unravel_index(int(near.argmin()), here.shape)] = True
    return here


def _notes(name: str, unit_said: bool, steep: np.ndarray) -> list[Note]:
    """Say what the heights tell, and what they leave open."""
    notes = []
    if not unit_said:
        sentence = (
            f"{name}: does not say whether its heights are in metres or feet; metres "
            'are assumed. Add unit = "ft" to [slope] if they are in feet.'
        )
        notes.append(Note("slope.unit_assumed", "check", sentence, 1, name))
    missing = float(np.isnan(steep).mean())
    if missing > _MISSING:
        sentence = (
            f"{name}: has no heights on {100 * missing:.0f} % of the field; the ground "
            "counts as level there."
        )
        notes.append(Note("slope.heights_missing", "check", sentence, 1, name))
    bank = float((steep > WORKED).mean())
    if bank > 0.0:
        sentence = (
            f"{name}: {max(1, math.ceil(100 * bank))} % of the field is steeper than "
            f"{100 * WORKED:.0f} %, as a ditch or a bank; loads there are those of "
            "level ground."
        )
        notes.append(Note("slope.banks", "info", sentence, 1, name))
    return notes
