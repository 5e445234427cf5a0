"""What earlier seasons left under the ground of a unit, beside this season's risk."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from trafficmap.core.constants import COMPUTE_DEPTHS
from trafficmap.core.layers import get_layer
from trafficmap.risk.assess import WORST_DEPTHS

if TYPE_CHECKING:
    import xarray as xr

    from trafficmap.core.settings.zones import ZoneSettings


def left_from_earlier(tray: xr.Dataset) -> np.ndarray | None:
    """Return the largest chance left from earlier seasons in every cell.

    Of the depths that stand for a cell; what is not known there counts as nothing
    found, because this season's own answer stands beside it. None where no earlier
    season was given.

    Returns
    -------
    ndarray, shape (rows, cols), or None
    """
    if "carried_over" not in tray:
        return None
    left = np.nan_to_num(get_layer(tray, "carried_over"))
    return left[[COMPUTE_DEPTHS.index(depth) for depth in WORST_DEPTHS]].max(axis=0)


def left_in_unit(
    tray: xr.Dataset, mask: np.ndarray, *, settings: ZoneSettings
) -> tuple[float, float]:
    """Return the chance that earlier seasons left damage in a unit, and its depth [m].

    The mean over the cells that reach ``seed`` where these make up ``seed_share`` of
    the unit, otherwise over all of it, at the depth where that is largest. Where
    wheels ran in earlier years is not known to part of a cell, so cells count whole.

    Parameters
    ----------
    tray : xarray.Dataset
    mask : ndarray of bool, shape (rows, cols)
        Cells of the unit.
    settings : ZoneSettings
    """
    if "carried_over" not in tray or not mask.any():
        return float("nan"), float("nan")
    left = get_layer(tray, "carried_over")
    best, where = 0.0, WORST_DEPTHS[-1]
    for depth in WORST_DEPTHS:
        values = np.nan_to_num(left[COMPUTE_DEPTHS.index(depth)][mask])
        seeds = values[values >= settings.seed]
        enough = seeds.size >= settings.seed_share * values.size > 0
        chance = float((seeds if enough else values).mean())
        if chance > best:
            best, where = chance, depth
    return best, where


def earlier_words(chance: float, depth: float) -> str:
    """Return what is told of a unit, in a few words.

    Parameters
    ----------
    chance : float
        From `left_in_unit`. [1]
    depth : float
        [m]

    Examples
    --------
    >>> earlier_words(0.7, 0.35)
    'an earlier season left damage at 14 in (35 cm), about 7 in 10'
    """
    where = f"{depth / 0.0254:.0f} in ({100 * depth:.0f} cm)"
    tenths = min(max(round(10 * chance), 1), 9)
    about = "over 9" if chance > 0.95 else f"about {tenths}"
    return f"an earlier season left damage at {where}, {about} in 10"
