"""Readings people took: which unit they belong to, and where they open a new one."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import ndimage
from scipy.spatial import cKDTree
from shapely import MultiPoint, Point, contains_xy

import trafficmap.formats._gdal  # noqa: F401 - process settings before rasterio

from rasterio.features import rasterize  # isort: skip
from rasterio.transform import Affine  # isort: skip

from trafficmap.core.notes import Note
from trafficmap.zones.units import REST

if TYPE_CHECKING:
    from collections.abc import Sequence

    from trafficmap.core.grid import FieldGrid
    from trafficmap.core.settings.zones import ZoneSettings
    from trafficmap.field.model import Tillage
    from trafficmap.soil.water import SoilSeries

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
    A push beside a track goes with its stop, the nearest of the same day, also where
    it lies across the edge of the unit.

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
        return _with_their_stop(dug, own, reach)
    distance, place = ndimage.distance_transform_edt(label <= REST, return_indices=True)
    nearest = label[place[0], place[1]].ravel()[cell[outside]]
    near = distance.ravel()[cell[outside]] * grid.cell <= reach
    own[outside] = np.where(near, nearest, own[outside])
    return _with_their_stop(dug, own, reach)


def _with_their_stop(dug: pd.DataFrame, own: np.ndarray, reach: float) -> np.ndarray:
    """Return `own` with every unwheeled push given to the unit of its stop."""
    probe = (dug["kind"] == "probe").to_numpy()
    wheeled = dug["wheeled"].to_numpy(dtype=float)
    stops, twins = probe & (wheeled == 1.0), probe & (wheeled == 0.0)
    if not stops.any() or not twins.any():
        return own
    place = dug[["easting", "northing"]].to_numpy(dtype=float)
    day = dug["date"].astype("datetime64[s]").astype("int64").to_numpy()
    out = own.copy()
    for date in np.unique(day[twins]):
        here = np.flatnonzero(stops & (day == date))
        beside = np.flatnonzero(twins & (day == date))
        if here.size:
            away, nearest = cKDTree(place[here]).query(place[beside])
            near = away <= reach
            out[beside[near]] = own[here[nearest[near]]]
    return out


def still_good(
    dug: pd.DataFrame,
    *,
    grid: FieldGrid,
    settings: ZoneSettings,
    last_day: np.ndarray | None = None,
    tillage: Sequence[Tillage] = (),
    series: SoilSeries | None = None,
) -> tuple[pd.DataFrame, list[Note]]:
    """Return the readings that still say something of their ground as it is now.

    A probe, a spade or a rut read before a wheel or a tool passed there says nothing of
    the ground as it is now, and a cone pushed through a frozen crust (``probe_frost``
    or more by the water balance of that day) says nothing of the soil below. Readings
    without a day stay: nobody can tell.

    Parameters
    ----------
    dug : DataFrame
        Contract `DUG`.
    grid : FieldGrid
    settings : ZoneSettings
        ``reading_reach``: wheels this near count.
    last_day : ndarray of int, optional
        Layer ``last_day``: day of the last pass as 20261014, 0 where none was.
    tillage : sequence of Tillage
    series : SoilSeries, optional
        Gives the frost of each day.

    Returns
    -------
    DataFrame
    list of Note

    Notes
    -----
    A cone index read through 12 cm of frost had no meaning (excerpt of a report of an
    army laboratory for cold regions, 2004); the limit is a choice.
    """
    lasting = dug["kind"].isin(("probe", "spade", "rut")).to_numpy()
    dated = dug["date"].notna().to_numpy()
    if not (lasting & dated).any():
        return dug, []
    day = np.zeros(len(dug), dtype=np.int64)
    moments = dug.loc[dated, "date"].dt
    day[dated] = moments.year * 10_000 + moments.month * 100 + moments.day
    place = dug[["easting", "northing"]].to_numpy(dtype=float)
    old = np.zeros(len(dug), dtype=np.bool_)
    if last_day is not None:
        side = 2 * int(np.ceil(settings.reading_reach / grid.cell)) + 1
        near = ndimage.maximum_filter(last_day, size=side, mode="nearest")
        cell = grid.cell_index(place[:, 0], place[:, 1])
        passed = np.where(cell >= 0, near.ravel()[np.maximum(cell, 0)], 0)
        old |= day < passed
    for work in tillage:
        worked = int(str(work.date).replace("-", "")[:8])
        under = np.ones(len(dug), dtype=np.bool_)
        if work.area is not None:
            under = contains_xy(work.area, place[:, 0], place[:, 1])
        old |= under & (day < worked)
    old &= lasting & dated
    through = (dug["kind"] == "probe").to_numpy() & dated & ~old
    through &= _frost(dug, series, grid) >= settings.probe_frost
    notes = []
    if old.any():
        count = len(np.unique(place[old], axis=0))
        sentence = (
            f"at {_places(count)} what was dug or probed is older than the last wheel "
            "or tool that passed there; it no longer counts. Probe there again."
        )
        notes.append(Note("dug.too_old", "check", sentence, count))
    if through.any():
        count = len(np.unique(place[through], axis=0))
        sentence = (
            f"at {_places(count)} the ground was frozen on the day it was probed; a "
            "cone pushed through frost tells nothing. Probe again when it is open."
        )
        notes.append(Note("dug.frozen", "check", sentence, count))
    if not notes:
        return dug, []
    return dug[~(old | through)].reset_index(drop=True), notes


def _places(count: int) -> str:
    return "1 place" if count == 1 else f"{count} places"


def _frost(dug: pd.DataFrame, series: SoilSeries | None, grid: FieldGrid) -> np.ndarray:
    """Return how thick the ground was frozen where and when it was read [m].

    Zero where nobody knows: without weather the note about missing weather stands.
    """
    out = np.zeros(len(dug))
    if series is None:
        return out
    at = series.dates.get_indexer(pd.DatetimeIndex(dug["date"]).normalize())
    cell = grid.cell_index(dug["easting"].to_numpy(), dug["northing"].to_numpy())
    known = dug["date"].notna().to_numpy() & (at >= 0) & (cell >= 0)
    column = np.full(len(dug), -1)
    column[known] = series.columns.column_of_cell.ravel()[cell[known]]
    known &= column >= 0
    out[known] = np.nan_to_num(series.frozen[at[known], column[known]])
    return out


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
