"""Check strips: untreated lanes through ripped ground, so that someone can compare."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from shapely import Polygon

if TYPE_CHECKING:
    from trafficmap.zones.units import Units

_LEAST_WIDTHS = 3


def check_strips(units: Units, *, width: float, most: int) -> list[tuple[int, Polygon]]:
    """Return strips along the rows as (unit, polygon), `most` in the whole field.

    They are shared out over the ripped units by area and lie evenly across each. A
    unit narrower than three strips gets none. Extension trials leave three to five
    untreated strips through a treated field; how they are shared out is a choice.

    Parameters
    ----------
    units : Units
        From `decide_units`.
    width : float
        Working width, one strip wide. [m]
    most : int

    Returns
    -------
    list of (int, Polygon)
        Polygons reach beyond their unit; cut them with it.
    """
    table, grid = units.table, units.grid
    ripped = table[(table["advice"] == "rip")].sort_values("area", ascending=False)
    if most == 0 or not len(ripped):
        return []
    easting, northing = grid.centres()
    sin, cos = math.sin(units.heading), math.cos(units.heading)
    places = []
    for unit in ripped["unit"]:
        rows, cols = np.nonzero(units.label == unit)
        right = easting[cols] * cos - northing[rows] * sin
        along = easting[cols] * sin + northing[rows] * cos
        if np.ptp(right) + grid.cell >= _LEAST_WIDTHS * width:
            places.append((int(unit), right, along))
    if not places:
        return []
    shares = _share_out([right.size for _, right, _ in places], most)
    strips = []
    for (unit, right, along), count in zip(places, shares, strict=True):
        low, high = along.min() - grid.cell, along.max() + grid.cell
        for k in range(count):
            middle = float(np.quantile(right, (k + 1) / (count + 1)))
            corners = [
                (middle - width / 2, low),
                (middle + width / 2, low),
                (middle + width / 2, high),
                (middle - width / 2, high),
            ]
            strips.append(
                (
                    unit,
                    Polygon(
                        [(r * cos + a * sin, a * cos - r * sin) for r, a in corners]
                    ),
                )
            )
    return strips


def _share_out(sizes: list[int], most: int) -> list[int]:
    """Share `most` out by size, one each first while they last."""
    shares = [1 if k < most else 0 for k in range(len(sizes))]
    while sum(shares) < most:
        neediest = max(range(len(sizes)), key=lambda k: sizes[k] / (shares[k] + 1))
        shares[neediest] += 1
    return shares
