"""What tillage between passes undoes: down to the tool's depth, where it ran."""

from __future__ import annotations

import datetime as dt
import zoneinfo
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

import trafficmap.formats._gdal  # noqa: F401 - process settings before rasterio

from rasterio.features import geometry_mask  # isort: skip
from rasterio.transform import Affine  # isort: skip

from trafficmap.core.constants import COMPUTE_DEPTHS
from trafficmap.soil.series import by_depth
from trafficmap.soil.strength import strength_18

if TYPE_CHECKING:
    from trafficmap.core.grid import FieldGrid
    from trafficmap.core.settings.soil import SoilSettings
    from trafficmap.field.model import Tillage
    from trafficmap.soil.columns import SoilColumns


@dataclass(frozen=True)
class Resets:
    """From when on passes count, by place and depth, and how much weaker soil is then.

    Parameters
    ----------
    kind_of_cell : ndarray of int16, shape (grid.size,)
        Row of `since`; cells with the same history of tillage share one.
    since : ndarray, shape (n_kinds, n_depths)
        Passes before count no more; -inf where no tool reached. [s since 1970 UTC]
    loosened : ndarray, shape (n_columns, n_depths)
        Added to ln strength once a tool has reached that depth, 0 or less.
    """

    kind_of_cell: np.ndarray
    since: np.ndarray
    loosened: np.ndarray


def resets(
    tillage: Sequence[Tillage],
    *,
    grid: FieldGrid,
    columns: SoilColumns | None,
    last_tillage_depth: float | None,
    time_zone: str | None,
    settings: SoilSettings,
) -> Resets | None:
    """Return what the tillage of this season undid, None where there was none.

    Above the tool's depth the count of passes begins anew, in weaker soil; at its
    depth and below nothing changes. Only cells whose middle was tilled count. Which
    passes of that very day came before nobody said, so they all count as after it.

    Parameters
    ----------
    tillage : sequence of Tillage
        From `Field.tillage`.
    grid : FieldGrid
    columns : SoilColumns or None
    last_tillage_depth : float or None
        As for `strength_at`. [m]
    time_zone : str or None
        Zone of the dates; UTC where not said.
    settings : SoilSettings

    Returns
    -------
    Resets or None
    """
    if not tillage:
        return None
    depths = np.asarray(COMPUTE_DEPTHS)
    masks = np.stack([tilled_cells(entry, grid).ravel() for entry in tillage])
    kinds, kind_of_cell = np.unique(masks, axis=1, return_inverse=True)
    since = np.full((kinds.shape[1], depths.size), -np.inf)
    for mask, entry in zip(kinds, tillage, strict=True):
        begin = day_start(entry.date, time_zone)
        reached = depths < entry.depth - 1e-9
        since = np.where(mask[:, None] & reached[None], np.maximum(since, begin), since)
    loosened = np.zeros((1, depths.size))
    if columns is not None:
        before = last_tillage_depth
        if before is None or not np.isfinite(before):
            before = settings.tillage_depth
        base = strength_18(
            depths,
            by_depth(columns.clay, depths),
            last_tillage_depth=before,
            settings=settings,
        )
        loosened = np.minimum(0.0, np.log(settings.strength_tilled / base))
    return Resets(kind_of_cell.ravel().astype(np.int16), since, loosened)


def tilled_cells(entry: Tillage, grid: FieldGrid) -> np.ndarray:
    """Return True for cells whose middle was tilled, all where no shape was given."""
    if entry.area is None:
        return np.ones(grid.shape, dtype=np.bool_)
    return ~geometry_mask([entry.area], grid.shape, Affine(*grid.transform))


def day_start(day: str, time_zone: str | None) -> float:
    """Return the local midnight a day begins with [s since 1970 UTC]."""
    zone = zoneinfo.ZoneInfo(time_zone) if time_zone else dt.UTC
    return dt.datetime.fromisoformat(day).replace(tzinfo=zone).timestamp()
