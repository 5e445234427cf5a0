"""Pieces of marked ground: cut where its kind changes, joined where they are many."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from trafficmap.core.layers import get_layer

if TYPE_CHECKING:
    import xarray as xr

_OTHER_SOIL = 1e-6  # how little a border to another soil counts beside one to the same


def kinds_of_soil(tray: xr.Dataset, *, slope_limit: float) -> np.ndarray | None:
    """Return a number for each soil unit, and for what is too steep in it.

    Parameters
    ----------
    tray : xarray.Dataset
        With soil_unit and slope, or one of them.
    slope_limit : float
        Steeper ground stands under another row of the table. [fraction]

    Returns
    -------
    ndarray of int32, shape (rows, cols), or None
        None where neither soil nor slope is known.
    """
    soil = None
    if "soil_unit" in tray:
        soil = get_layer(tray, "soil_unit").astype(np.int32)
    if "slope" in tray:
        steep = np.nan_to_num(get_layer(tray, "slope")) > slope_limit
        soil = steep.astype(np.int32) if soil is None else 2 * soil + steep
    return soil


def kinds_of_ground(soil: np.ndarray | None, tray: xr.Dataset) -> np.ndarray | None:
    """Return a number for each kind of ground: soil, and liquid or none.

    Parameters
    ----------
    soil : ndarray of int32, shape (rows, cols), or None
        From `kinds_of_soil`.
    tray : xarray.Dataset
        With liquid and liquid_once if there was any.

    Returns
    -------
    ndarray of int32, shape (rows, cols), or None
        None where neither soil nor liquid is known.
    """
    ground = soil
    if "liquid" in tray and "liquid_once" in tray:
        # Half a rate tells ground of the strip from the cells its edge only grazes.
        once = np.nan_to_num(get_layer(tray, "liquid_once"))
        wet = np.nan_to_num(get_layer(tray, "liquid")) > 0.5 * once
        ground = wet.astype(np.int32) if ground is None else 2 * ground + wet
    return ground


def nearest_kind(kinds: np.ndarray) -> np.ndarray:
    """Give ground without a kind (0) that of the nearest which has one.

    Examples
    --------
    >>> nearest_kind(np.array([[0, 2, 0, 0, 3]])).tolist()
    [[2, 2, 2, 3, 3]]
    """
    if not kinds.any() or kinds.all():
        return kinds
    place = ndimage.distance_transform_edt(
        kinds == 0, return_distances=False, return_indices=True
    )
    return kinds[place[0], place[1]]


def by_ground(
    mask: np.ndarray, ground: np.ndarray | None, least: int
) -> tuple[np.ndarray, int]:
    """Number the connected parts of `mask`, cut where the kind of ground changes.

    What is smaller than `least` cells after the cut stays with the nearest larger
    piece of its own part.

    Parameters
    ----------
    mask : ndarray of bool, shape (rows, cols)
    ground : ndarray of int or None
    least : int

    Returns
    -------
    ndarray of int32, shape (rows, cols)
        From 1; 0 where not marked.
    int
        How many.
    """
    whole, found = ndimage.label(mask)
    if ground is None:
        return whole, found
    out = np.zeros(mask.shape, dtype=np.int32)
    count = 0
    for part, box in enumerate(ndimage.find_objects(whole), start=1):
        mine = whole[box] == part
        here = ground[box]
        cut = np.zeros(mine.shape, dtype=np.int32)
        pieces = 0
        kinds = np.unique(here[mine])
        for kind in kinds if kinds.size > 1 else ():
            numbered, _ = ndimage.label(mine & (here == kind))
            large = np.bincount(numbered.ravel()) >= least
            large[0] = False
            number = np.cumsum(large)
            cut += np.where(large, number + pieces, 0).astype(np.int32)[numbered]
            pieces += int(number[-1])
        if pieces < 2:
            pieces, cut = 1, mine.astype(np.int32)
        else:
            cut = nearest_kind(np.where(mine, cut, 0))
        out[box][mine] = cut[mine] + count
        count += pieces
    return out, count


def at_most(
    pieces: tuple[np.ndarray, int], most: int, *, soil: np.ndarray | None = None
) -> tuple[np.ndarray, int]:
    """Join the smallest pieces to a neighbour until there are at most `most`.

    To the one with the longest common border, on the same soil if there is one. Pieces
    without a neighbour stay, so there may be more in the end.

    Parameters
    ----------
    pieces : tuple of ndarray of int32 and int
        From `by_ground`.
    most : int
    soil : ndarray of int, shape (rows, cols), optional

    Returns
    -------
    tuple of ndarray of int32 and int

    Examples
    --------
    >>> numbered = np.array([[1, 1, 1, 2, 3, 3]])
    >>> at_most((numbered, 3), 2)[0].tolist()
    [[1, 1, 1, 1, 2, 2]]
    """
    numbered, count = pieces
    if count <= most:
        return numbered, count
    border = _borders(numbered, count)
    size = np.bincount(numbered.ravel(), minlength=count + 1).astype(float)
    kind = _soil_of(numbered, count, soil)
    into = np.arange(count + 1)
    left = count
    for _ in range(count - most):
        open_pieces = np.flatnonzero(border.any(axis=1))
        if not open_pieces.size:
            break
        piece = int(open_pieces[np.argmin(size[open_pieces])])
        worth = border[piece] * np.where(kind == kind[piece], 1.0, _OTHER_SOIL)
        other = int(np.argmax(worth))
        into[into == piece] = other
        border[other] += border[piece]
        border[:, other] += border[:, piece]
        border[piece] = border[:, piece] = 0.0
        border[other, other] = 0.0
        if size[piece] > size[other]:
            kind[other] = kind[piece]
        size[other] += size[piece]
        left -= 1
    number = np.zeros(count + 1, dtype=np.int32)
    kept = np.unique(into[1:])
    number[kept] = np.arange(1, kept.size + 1)
    return number[into][numbered], left


def _borders(numbered: np.ndarray, count: int) -> np.ndarray:
    """Return how many cell edges each two pieces share."""
    border = np.zeros((count + 1, count + 1))
    for one, two in (
        (numbered[1:], numbered[:-1]),
        (numbered[:, 1:], numbered[:, :-1]),
    ):
        touch = (one != two) & (one > 0) & (two > 0)
        np.add.at(border, (one[touch], two[touch]), 1.0)
    return border + border.T


def _soil_of(numbered: np.ndarray, count: int, soil: np.ndarray | None) -> np.ndarray:
    """Return the commonest soil of each piece."""
    out = np.zeros(count + 1, dtype=np.int64)
    if soil is None:
        return out
    for piece, box in enumerate(ndimage.find_objects(numbered), start=1):
        if box is None:
            continue
        found, many = np.unique(soil[box][numbered[box] == piece], return_counts=True)
        out[piece] = found[np.argmax(many)]
    return out
