"""What grows on the ground: water use by date, bare share, and roots by depth."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trafficmap.core.notes import Note
from trafficmap.soil.columns import LAYER_CENTRES, LAYER_EDGES

if TYPE_CHECKING:
    from trafficmap.core.settings.soil import SoilSettings
    from trafficmap.field.model import Crop

_SOD = ("grass", "pasture", "hay", "alfalfa", "sod", "clover")
_HEIGHT = {"corn": 2.0, "silage corn": 2.0, "soybean": 0.8, "soybeans": 0.8}
_FROST = -2.0
"""Night that kills grass for the year [degC] (choice)."""


@dataclass(frozen=True)
class GroundCover:
    """Cover by day.

    Parameters
    ----------
    basal : ndarray, shape (n_days,)
        Basal crop coefficient Kcb. [1]
    bare : ndarray, shape (n_days,)
        Share of the ground that is bare and lies open to evaporation. [1]
    by_bare_share : bool
        The bare share dries by itself (FAO-56 equation 77), as between rows.
    root_base : float
        Base of the power law of roots; see `root_shares`.
    """

    basal: np.ndarray
    bare: np.ndarray
    by_bare_share: bool
    root_base: float


def ground_cover(
    dates: pd.DatetimeIndex,
    t_min: np.ndarray,
    *,
    crop: Crop | None = None,
    settings: SoilSettings,
) -> tuple[GroundCover, list[Note]]:
    """Return what covers the ground on each day.

    A row crop uses water from 1 May to 10 September, most from 30 June to 10 August
    (dates a choice; coefficients FAO-56 Table 17, from memory), and none after its
    harvest. Sod uses water all year, least when dormant.

    Parameters
    ----------
    dates : DatetimeIndex
    t_min : ndarray, shape (n_days,)
        Lowest temperature; ends the year of sod. [degC]
    crop : Crop, optional
    settings : SoilSettings

    Returns
    -------
    GroundCover
    list of Note
    """
    name = (crop.now if crop is not None else "").strip().lower()
    kind = settings.cover or ("sod" if name in _SOD else "crop")
    notes: list[Note] = []
    if kind == "sod":
        basal = _sod(dates, t_min)
        cover = GroundCover(basal, np.full(len(dates), 0.1), False, 0.943)
        return cover, notes
    if name not in _HEIGHT:
        said = f"'{name}'" if name else "nothing"
        sentence = (
            f"The crop is given as {said}; its water use was taken as that of corn. "
            "How dry the subsoil is in autumn depends on it."
        )
        notes.append(Note("soil.crop_assumed", "check", sentence))
    basal = _row_crop(dates)
    if crop is not None and crop.harvested:
        harvest = pd.Timestamp(crop.harvested)
        gone = (dates >= harvest) & (dates.year == harvest.year)
        basal = np.where(gone, 0.0, basal)
    height = _HEIGHT.get(name, 2.0)
    covered = np.clip((basal - 0.15) / (1.20 - 0.15), 0.0, 1.0)
    covered = covered ** (1.0 + 0.5 * height)
    return GroundCover(basal, 1.0 - covered, True, 0.961), notes


def root_shares(base: float, *, kind: str = "power") -> np.ndarray:
    """Return the share of water uptake of each layer, summing to 1.

    Power: base^z1 - base^z2 with depths in cm; 0.961 for crops, 0.943 for temperate
    grassland (Jackson et al. 1996, Oecologia 108:389-411, values from memory).
    Exponential: exp(-2 z / 1 m).

    Parameters
    ----------
    base : float
        Used by the power law.
    kind : {"power", "exponential"}

    Returns
    -------
    ndarray, shape (n_layers,)
    """
    if kind == "power":
        left = base ** (100.0 * LAYER_EDGES)
        share = left[:-1] - left[1:]
    else:
        share = np.exp(-2.0 * LAYER_CENTRES) * np.diff(LAYER_EDGES)
    return share / share.sum()


def _row_crop(dates: pd.DatetimeIndex) -> np.ndarray:
    """Return Kcb of a row crop by day of the year."""
    day = _day(dates)
    knots = [_at(5, 1), _at(6, 30), _at(8, 10), _at(9, 10)]
    return np.interp(day, knots, [0.15, 1.10, 1.10, 0.15], left=0.0, right=0.0)


def _sod(dates: pd.DatetimeIndex, t_min: np.ndarray) -> np.ndarray:
    """Return Kcb of sod: dormant, green, then dying within 10 days of a hard frost."""
    day = _day(dates)
    out = np.empty(len(dates))
    for year in np.unique(dates.year):
        mine = np.flatnonzero(dates.year == year)
        cold = (day[mine] >= _at(9, 1)) & (t_min[mine] <= _FROST)
        killed = day[mine][cold][0] if cold.any() else 366.0
        knots = [_at(4, 1), _at(5, 15), killed, killed + 10.0]
        out[mine] = np.interp(day[mine], knots, [0.30, 0.90, 0.80, 0.30])
    return out


def _day(dates: pd.DatetimeIndex) -> np.ndarray:
    return dates.day_of_year.to_numpy(dtype=np.float64)


def _at(month: int, day: int) -> float:
    return float(pd.Timestamp(2023, month, day).day_of_year)
