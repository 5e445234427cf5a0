"""What grows on the ground: water use by date, bare share, and roots by depth."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trafficmap.core.notes import Note
from trafficmap.soil.columns import LAYER_CENTRES, LAYER_EDGES
from trafficmap.soil.crops import (
    BARE,
    CROPS,
    SOD,
    SOUTH_DAYS,
    CropUse,
    day_number,
)

if TYPE_CHECKING:
    from trafficmap.core.settings.soil import SoilSettings
    from trafficmap.field.model import Crop

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
    surface : str
        What was taken to grow, in words.
    """

    basal: np.ndarray
    bare: np.ndarray
    by_bare_share: bool
    root_base: float
    surface: str = ""


def ground_cover(
    dates: pd.DatetimeIndex,
    t_min: np.ndarray,
    *,
    crop: Crop | None = None,
    southern: bool = False,
    settings: SoilSettings,
) -> tuple[GroundCover, list[Note]]:
    """Return what covers the ground on each day.

    A crop uses water by the dates of `crops.CROPS` and none after its harvest. Sod
    uses water all year, least when dormant. A cover crop sown after the harvest grows
    to 0.60 in 45 days and drops to 0.30 with the first hard frost (choice). South of
    the equator all dates lie half a year later.

    Parameters
    ----------
    dates : DatetimeIndex
    t_min : ndarray, shape (n_days,)
        Lowest temperature; ends the year of sod. [degC]
    crop : Crop, optional
    southern : bool
        South of the equator.
    settings : SoilSettings

    Returns
    -------
    GroundCover
    list of Note
    """
    name = (crop.now if crop is not None else "").strip().lower()
    kind = settings.cover or _kind_of(name)
    notes: list[Note] = []
    months = northern_days(dates) if southern else dates
    if kind == "sod":
        basal = _sod(months, t_min)
        surface = "sod, alive or dormant all year"
        cover = GroundCover(basal, np.full(len(dates), 0.1), False, 0.943, surface)
        return cover, notes
    if kind == "bare":
        use, basal, surface = CROPS["corn"], np.zeros(len(dates)), "bare all year"
    else:
        if name not in CROPS:
            said = f"'{name}'" if name else "nothing"
            sentence = (
                f"The crop is given as {said}; its water use was taken as that of "
                "corn. How dry the subsoil is in autumn depends on it."
            )
            notes.append(Note("soil.crop_assumed", "check", sentence))
        use = CROPS.get(name, CROPS["corn"])
        basal = use.on(_day(months))
        surface = _season_words(use, southern)
    harvested = crop.harvested if crop is not None and kind == "crop" else None
    if harvested:
        gone = (dates >= pd.Timestamp(harvested)) & (
            months.year == _year(pd.Timestamp(harvested), southern)
        )
        basal = np.where(gone, 0.0, basal)
        surface += f", bare from its harvest on {harvested}"
    sown = crop.cover_sown if crop is not None else None
    if sown and kind != "sod":
        grown = _cover_crop(dates, t_min, pd.Timestamp(sown))
        basal = np.maximum(basal, grown)
        surface += f", a cover crop from {sown}"
    covered = np.clip((basal - 0.15) / (1.20 - 0.15), 0.0, 1.0)
    covered = covered ** (1.0 + 0.5 * use.height)
    return GroundCover(basal, 1.0 - covered, True, 0.961, surface), notes


def northern_days(dates: pd.DatetimeIndex) -> pd.DatetimeIndex:
    """Return the days that have the same season north of the equator."""
    return dates - pd.Timedelta(days=SOUTH_DAYS)


def season_start(day: dt.date, *, southern: bool) -> pd.Timestamp:
    """Return the day on which soil is taken to be at field capacity.

    1 May of the year of `day`; south of the equator 1 November of its growing year.

    Examples
    --------
    >>> import datetime as dt
    >>> season_start(dt.date(2026, 4, 20), southern=True).date().isoformat()
    '2025-11-01'
    """
    shift = pd.Timedelta(days=SOUTH_DAYS if southern else 0)
    year = (pd.Timestamp(day) - shift).year
    return pd.Timestamp(year, 5, 1) + shift


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


def _kind_of(name: str) -> str:
    """Return sod, bare or crop."""
    if name in SOD:
        return "sod"
    return "bare" if name in BARE else "crop"


def _season_words(use: CropUse, southern: bool) -> str:
    """Return the crop and the dates its water use was taken to have."""
    first, last = use.season
    if southern:
        first += pd.Timedelta(days=SOUTH_DAYS)
        last += pd.Timedelta(days=SOUTH_DAYS)
    begin = f"{first.day} {first:%B}"
    if use.winter:
        begin = f"the autumn before, growing from {begin}"
    return f"{use.name}, taking water from {begin} to {last.day} {last:%B}"


def _cover_crop(dates: pd.DatetimeIndex, t_min, sown: pd.Timestamp) -> np.ndarray:
    """Return Kcb of a cover crop: up in 45 days, dormant after a hard frost."""
    age = (dates - sown).days.to_numpy(dtype=np.float64)
    out = np.interp(age, [0.0, 45.0], [0.15, 0.60], left=0.0)
    cold = (age >= 0.0) & (np.asarray(t_min) <= _FROST)
    if cold.any():
        after = age >= age[cold][0]
        out[after] = np.minimum(out[after], 0.30)
    return np.where(age > 250.0, 0.0, out)


def _year(day: pd.Timestamp, southern: bool) -> int:
    """Return the growing year of a day."""
    return (day - pd.Timedelta(days=SOUTH_DAYS)).year if southern else day.year


def _sod(dates: pd.DatetimeIndex, t_min: np.ndarray) -> np.ndarray:
    """Return Kcb of sod: dormant, green, then dying within 10 days of a hard frost."""
    day = _day(dates)
    out = np.empty(len(dates))
    for year in np.unique(dates.year):
        mine = np.flatnonzero(dates.year == year)
        cold = (day[mine] >= day_number(9, 1)) & (t_min[mine] <= _FROST)
        killed = day[mine][cold][0] if cold.any() else 366.0
        knots = [day_number(4, 1), day_number(5, 15), killed, killed + 10.0]
        out[mine] = np.interp(day[mine], knots, [0.30, 0.90, 0.80, 0.30])
    return out


def _day(dates: pd.DatetimeIndex) -> np.ndarray:
    return dates.day_of_year.to_numpy(dtype=np.float64)
