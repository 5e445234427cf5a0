"""Units cut where people found different things in different parts of them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import ndimage
from scipy.spatial import cKDTree

from trafficmap.core.notes import Note
from trafficmap.zones.pairs import pairs
from trafficmap.zones.units import REST, Units, summarise

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

    from trafficmap.core.settings.zones import ZoneSettings

_NONE, _LAYER, _DEEP = 0, 1, 2
_NEIGHBOURS = 3
"""Stops that vote on what is found at a place, itself included; choice."""


def split_by_findings(
    units: Units,
    dug: pd.DataFrame,
    *,
    tray: xr.Dataset,
    settings: ZoneSettings,
    columns: Any = None,
) -> tuple[Units, list[Note]]:
    """Cut units whose stops found a layer here and none, or a deeper one, there.

    Ground belongs to its nearest stop. Of each stop the three nearest, itself
    included, decide what is found there, so that a single stray reading cuts nothing.
    Pieces with fewer than ``min_probes`` stops or smaller than ``min_area`` go to
    their neighbour; what is left in one piece is not cut. A choice.

    Parameters
    ----------
    units : Units
        From `candidates`.
    dug : DataFrame
        Contract `DUG`.
    tray : xarray.Dataset
    settings : ZoneSettings
    columns : SoilColumns, optional

    Returns
    -------
    Units
    list of Note
    """
    found = pairs(dug, settings=settings) if len(dug) else None
    if found is None or len(found) < 2 * settings.min_probes:
        return units, []
    grid = units.grid
    place = found[["easting", "northing"]].to_numpy()
    cell = grid.cell_index(place[:, 0], place[:, 1])
    own = np.where(cell >= 0, units.label.ravel()[np.maximum(cell, 0)], -1)
    says = _says(found, settings)
    label = units.label.copy()
    kinds = units.table[["kind", "leave_why", "located"]].to_dict("records")
    cut = 0
    for unit in units.table["unit"]:
        mine = own == unit
        if unit == REST or kinds[unit]["kind"] == "keep_out" or not mine.any():
            continue
        pieces = _pieces(label == unit, place[mine], says[mine], units, settings)
        if pieces is None:
            continue
        cut += 1
        for piece in range(2, int(pieces.max()) + 1):
            label[pieces == piece] = len(kinds)
            kinds.append(dict(kinds[unit]))
    if not cut:
        return units, []
    table = summarise(
        label,
        kinds,
        tray=tray,
        grid=grid,
        settings=settings,
        column_of_cell=None if columns is None else columns.column_of_cell,
    )
    sentence = (
        f"in {cut} zones people found a layer in one part and none, or a deeper one, "
        "in another; they were cut between the stops."
    )
    note = Note("zones.split_by_findings", "info", sentence, cut)
    return Units(table, label, grid, units.heading), [note]


def _says(found: pd.DataFrame, settings: ZoneSettings) -> np.ndarray:
    """Return what each pair found: none, a layer, or one that ends out of reach."""
    deep = ~(found["bottom"].to_numpy() <= settings.reach)
    return np.where(found["found"].to_numpy(), np.where(deep, _DEEP, _LAYER), _NONE)


def _pieces(
    mask: np.ndarray,
    place: np.ndarray,
    says: np.ndarray,
    units: Units,
    settings: ZoneSettings,
) -> np.ndarray | None:
    """Return the pieces of one unit from 1 on, 0 elsewhere; None where it is whole."""
    least = settings.min_probes
    if len(says) < 2 * least or np.unique(says).size < 2:
        return None
    tree = cKDTree(place)
    _, near = tree.query(place, k=min(_NEIGHBOURS, len(says)))
    voted = np.array([_most(says[group]) for group in near])
    if np.unique(voted).size < 2:
        return None
    grid = units.grid
    rows, cols = np.nonzero(mask)
    middle = np.column_stack(
        (
            grid.west + (cols + 0.5) * grid.cell,
            grid.north - (rows + 0.5) * grid.cell,
        )
    )
    nearest = tree.query(middle)[1]
    what = np.full(mask.shape, -1)
    what[rows, cols] = voted[nearest]
    stop_of = np.full(mask.shape, -1)
    stop_of[rows, cols] = nearest
    pieces = np.zeros(mask.shape, dtype=np.int32)
    kept_says: list[int] = []
    for finding in np.unique(voted):
        numbered, _ = ndimage.label(what == finding)
        sizes = np.bincount(numbered.ravel()) * grid.cell_area
        for part in range(1, sizes.size):
            inside = numbered == part
            stops = np.unique(stop_of[inside]).size
            if sizes[part] >= settings.min_area and stops >= least:
                kept_says.append(int(finding))
                pieces[inside] = len(kept_says)
    if np.unique(kept_says).size < 2:
        return None
    at = ndimage.distance_transform_edt(
        pieces == 0, return_distances=False, return_indices=True
    )
    return np.where(mask, pieces[at[0], at[1]], 0)


def _most(says: np.ndarray) -> int:
    """Return the commonest finding; the stop's own, which is first, where tied."""
    values, counts = np.unique(says, return_counts=True)
    if (counts == counts.max()).sum() > 1:
        return int(says[0])
    return int(values[np.argmax(counts)])
