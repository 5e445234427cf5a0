"""Where to probe: stops spread over a zone, each with its unwheeled twin."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.spatial import cKDTree
from shapely import points

import trafficmap.formats._gdal  # noqa: F401 - process settings before GDAL and PROJ

import geopandas as gpd  # isort: skip

from trafficmap.core.layers import get_layer
from trafficmap.core.notes import Note
from trafficmap.risk.assess import worst_depth

if TYPE_CHECKING:
    import xarray as xr

    from trafficmap.core.grid import FieldGrid
    from trafficmap.core.settings.zones import ZoneSettings

_LLOYD = 12
"""Times the middles are moved; more changes nothing to see; choice."""

_COLUMNS = (
    "stop", "zone", "point", "wheeled", "twin_of", "probability", "easting", "northing",
)  # fmt: skip


def probe_stops(
    zones: gpd.GeoDataFrame,
    tray: xr.Dataset,
    *,
    grid: FieldGrid,
    settings: ZoneSettings,
    advice: tuple[str, ...] = ("probe first",),
    counts: dict[int, int] | None = None,
) -> tuple[gpd.GeoDataFrame, list[Note]]:
    """Return probe stops in walking order for every zone that needs probing.

    Stops lie on run-over cells of the likelier half of the zone, each in the middle of
    an even share of it; the twin is the nearest ground no wheel touched, in the same
    soil unit and within ``twin_reach``. The order goes to the nearest stop not yet
    visited, zone by zone, the twin right after its stop.

    Parameters
    ----------
    zones : GeoDataFrame
        Contract `ZONES`.
    tray : xarray.Dataset
    grid : FieldGrid
    settings : ZoneSettings
    advice : tuple of str
        Zones with one of these words get ``settings.stops``.
    counts : dict, optional
        Stops by zone instead, as the probe plan shares them out.

    Returns
    -------
    GeoDataFrame
        stop (from 1), zone, point (name for the record sheet), wheeled (1 or 0),
        twin_of (name), probability, easting, northing, geometry.
    list of Note
    """
    label = get_layer(tray, "zone")
    chance = worst_depth(get_layer(tray, "probability"))
    wheeled = np.nan_to_num(get_layer(tray, "run_over")) > 0
    soil = get_layer(tray, "soil_unit") if "soil_unit" in tray else np.zeros_like(label)
    inside = np.nan_to_num(get_layer(tray, "inside")) > 0.5
    keep_out = np.isin(label, zones.loc[zones["kind"] == "keep_out", "zone"])
    free = np.flatnonzero((~wheeled & inside & ~keep_out).ravel())
    rows: list[dict] = []
    lonely = 0
    chosen_zones = zones.loc[zones["advice"].isin(advice), "zone"]
    if counts is None:
        counts = dict.fromkeys(chosen_zones, settings.stops)
    for zone, count in counts.items():
        cells = np.flatnonzero(
            (label == zone).ravel() & wheeled.ravel() & inside.ravel()
        )
        if not cells.size:
            cells = np.flatnonzero((label == zone).ravel() & inside.ravel())
        chosen = _walk(_spread(cells, chance.ravel(), grid, count), grid)
        for k, cell in enumerate(chosen, start=1):
            name = f"{zone}-{k}"
            rows.append(_stop(zone, name, 1, "", cell, chance, grid))
            twin = _twin(cell, free, soil.ravel(), grid, settings.twin_reach)
            if twin < 0:
                lonely += 1
                continue
            rows.append(_stop(zone, f"{name} beside", 0, name, twin, chance, grid))
    frame = pd.DataFrame(rows, columns=[c for c in _COLUMNS if c != "stop"])
    frame.insert(0, "stop", np.arange(1, len(frame) + 1))
    shape = points(frame["easting"].to_numpy(float), frame["northing"].to_numpy(float))
    out = gpd.GeoDataFrame(frame, geometry=shape, crs=zones.crs)
    notes = []
    if lonely:
        sentence = (
            f"{lonely} probe {'stop has' if lonely == 1 else 'stops have'} no ground "
            f"within {settings.twin_reach:g} m "
            "that no wheel touched; compare with the least driven ground you know."
        )
        notes.append(Note("zones.no_twin", "check", sentence, lonely))
    return out, notes


def stop_places(stops: pd.DataFrame) -> np.ndarray:
    """Return eastings and northings of stops, shape (n, 2) [m]."""
    return stops[["easting", "northing"]].to_numpy(dtype=float)


def _spread(
    cells: np.ndarray, chance: np.ndarray, grid: FieldGrid, count: int
) -> np.ndarray:
    """Return cells of the likelier half, spread evenly over it."""
    value = np.nan_to_num(chance[cells], nan=-1.0)
    if not cells.size:
        return cells
    likely = cells[value >= np.median(value)]
    place = _places(likely, grid)
    first = int(np.argmax(np.nan_to_num(chance[likely], nan=-1.0)))
    chosen = [first]
    distance = np.hypot(*(place - place[first]).T)
    while len(chosen) < min(count, likely.size):
        following = int(np.argmax(distance))
        chosen.append(following)
        distance = np.minimum(distance, np.hypot(*(place - place[following]).T))
    return likely[_middles(place, np.array(chosen))]


def _middles(place: np.ndarray, seeds: np.ndarray) -> np.ndarray:
    """Return the place nearest to the middle of the ground of each seed, each once.

    Places farthest from each other lie on the edge, where a step aside leaves the
    zone; the middles of what is nearest to them (Lloyd) speak for the ground around.
    """
    centre = place[seeds]
    for _ in range(_LLOYD):
        own = cKDTree(centre).query(place)[1]
        size = np.bincount(own, minlength=len(centre))
        sums = np.column_stack(
            [np.bincount(own, place[:, k], minlength=len(centre)) for k in (0, 1)]
        )
        some = size > 0
        centre[some] = sums[some] / size[some, None]
    found: list[int] = []
    taken = np.zeros(len(place), dtype=np.bool_)
    for middle in centre:
        away = np.hypot(*(place - middle).T)
        away[taken] = np.inf
        nearest = int(np.argmin(away))
        taken[nearest] = True
        found.append(nearest)
    return np.array(found)


def _walk(cells: np.ndarray, grid: FieldGrid) -> list[int]:
    """Return the cells from the south-west on, always the nearest one next."""
    place = _places(cells, grid)
    left = list(range(cells.size))
    order: list[int] = []
    here = np.array([grid.bounds[0], grid.bounds[1]])
    while left:
        nearest = min(left, key=lambda k: float(np.hypot(*(place[k] - here))))
        left.remove(nearest)
        order.append(int(cells[nearest]))
        here = place[nearest]
    return order


def _twin(
    cell: int, free: np.ndarray, soil: np.ndarray, grid: FieldGrid, reach: float
) -> int:
    """Return the nearest unwheeled cell on the same soil, -1 where there is none."""
    # Only rows within reach can hold it; free cells are in order.
    row, rows = cell // grid.cols, math.ceil(reach / grid.cell) + 1
    first, last = np.searchsorted(
        free, ((row - rows) * grid.cols, (row + rows + 1) * grid.cols)
    )
    free = free[first:last]
    same = free[soil[free] == soil[cell]]
    if not same.size:
        return -1
    distance = np.hypot(*(_places(same, grid) - _places(np.array([cell]), grid)).T)
    nearest = int(np.argmin(distance))
    return int(same[nearest]) if distance[nearest] <= reach else -1


def _places(cells: np.ndarray, grid: FieldGrid) -> np.ndarray:
    """Return eastings and northings of cell centres, shape (n, 2) [m]."""
    row, col = np.divmod(cells, grid.cols)
    return np.column_stack(
        (
            grid.west + (col + 0.5) * grid.cell,
            grid.north - (row + 0.5) * grid.cell,
        )
    )


def _stop(
    zone: int,
    name: str,
    wheeled: int,
    twin_of: str,
    cell: int,
    chance: np.ndarray,
    grid: FieldGrid,
) -> dict:
    easting, northing = _places(np.array([cell]), grid)[0]
    return {
        "zone": int(zone),
        "point": name,
        "wheeled": wheeled,
        "twin_of": twin_of,
        "probability": float(chance.ravel()[cell]),
        "easting": float(easting),
        "northing": float(northing),
    }
