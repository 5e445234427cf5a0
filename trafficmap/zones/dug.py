"""Readings people took: which unit they belong to, and where they open a new one."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import ndimage
from shapely import MultiPoint, Point

import trafficmap.formats._gdal  # noqa: F401 - process settings before rasterio

from rasterio.features import rasterize  # isort: skip
from rasterio.transform import Affine  # isort: skip

from trafficmap.zones.units import REST

if TYPE_CHECKING:
    from trafficmap.core.grid import FieldGrid
    from trafficmap.core.settings.zones import ZoneSettings

_WORDS = {
    # what people write -> the word of the rules
    "rolls": "rolls",
    "roll": "rolls",
    "thread": "rolls",
    "ribbon": "rolls",
    "snake": "rolls",
    "cracks": "cracks",
    "breaks": "cracks",
    "crumbles": "crumbles",
    "crumbs": "crumbles",
    "plates": "plates",
    "platy": "plates",
    "sideways roots": "plates",
    "slot": "slot",
    "smear": "smear",
    "clods": "clods",
    "dry clods": "dry clods",
    "rides out": "rides out",
    "shatters": "shatters",
}


def finding_word(text: object) -> str:
    """Return the word of the rules for what was written down, or the text itself.

    Examples
    --------
    >>> finding_word(" Sideways roots "), finding_word("granular")
    ('plates', 'granular')
    """
    if text is None or (isinstance(text, float) and np.isnan(text)):
        return ""
    plain = str(text).strip().lower().replace("_", " ")
    return _WORDS.get(plain, plain)


def unit_of_readings(
    dug: pd.DataFrame, label: np.ndarray, *, grid: FieldGrid, reach: float
) -> np.ndarray:
    """Return the unit each reading belongs to, -1 for none.

    A reading belongs to the unit it lies in. One that lies in the rest belongs, as its
    unwheeled twin or as a reading just outside, to the nearest unit within `reach`.

    Parameters
    ----------
    dug : DataFrame
        Contract `DUG`.
    label : ndarray of int, shape (rows, cols)
    grid : FieldGrid
    reach : float
        [m]

    Returns
    -------
    ndarray of int64
    """
    cell = grid.cell_index(dug["easting"].to_numpy(), dug["northing"].to_numpy())
    flat = label.ravel()
    own = np.where(cell >= 0, flat[np.maximum(cell, 0)], -1).astype(np.int64)
    outside = (own <= REST) & (cell >= 0)
    if not outside.any() or not (label > REST).any():
        return own
    distance, place = ndimage.distance_transform_edt(label <= REST, return_indices=True)
    nearest = label[place[0], place[1]].ravel()[cell[outside]]
    near = distance.ravel()[cell[outside]] * grid.cell <= reach
    own[outside] = np.where(near, nearest, own[outside])
    return own


def hulls_of_dug(
    dug: pd.DataFrame,
    label: np.ndarray,
    *,
    grid: FieldGrid,
    width: float,
    settings: ZoneSettings,
) -> np.ndarray:
    """Return the ground around readings in the rest that could confirm a layer.

    People dig where the model saw nothing; what they find there counts. Wheeled
    readings less than ``twin_reach`` apart make one piece: their hull, widened by a
    working width and at least to the smallest zone.

    Returns
    -------
    ndarray of bool, shape (rows, cols)
    """
    out = np.zeros(label.shape, dtype=np.bool_)
    if dug is None or not len(dug):
        return out
    # Twins and stray readings near a unit belong to that unit.
    own = unit_of_readings(dug, label, grid=grid, reach=settings.twin_reach)
    wheeled = dug["kind"].isin(["probe", "spade", "rut"]) & (dug["wheeled"] != 0)
    mine = (own == REST) & wheeled.to_numpy()
    if not mine.any():
        return out
    places = np.unique(dug.loc[mine, ["easting", "northing"]].to_numpy(), axis=0)
    near = MultiPoint(places).buffer(settings.twin_reach / 2)
    least = np.sqrt(settings.min_area / np.pi)
    shapes = []
    for area in getattr(near, "geoms", [near]):
        hull = MultiPoint([p for p in places if area.covers(Point(*p))]).convex_hull
        wide = hull.buffer(width)
        if wide.area < settings.min_area * 1.1:
            wide = hull.buffer(least * 1.1)
        shapes.append(wide)
    burnt = rasterize(shapes, label.shape, transform=Affine(*grid.transform))
    return (burnt == 1) & (label == REST)
