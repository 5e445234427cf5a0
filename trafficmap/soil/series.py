"""Soil water and strength at the time of a pass."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtri

from trafficmap.core.constants import COMPUTE_DEPTHS
from trafficmap.core.notes import Note
from trafficmap.soil.columns import LAYER_CENTRES, LAYER_EDGES
from trafficmap.soil.retention import suction
from trafficmap.soil.strength import ln_strength, strength_18
from trafficmap.soil.water import local_days

if TYPE_CHECKING:
    from trafficmap.core.settings.soil import SoilSettings
    from trafficmap.soil.columns import SoilColumns
    from trafficmap.soil.water import SoilSeries

WETNESS_WORDS = ((10e3, "very wet"), (33e3, "wet"), (100e3, "moist"), (800e3, "dry"))
"""Suction [Pa] below which a word holds; 'very dry' beyond (choice)."""

_STEPS = ndtri((np.arange(15) + 0.5) / 15.0)
_STEPS /= np.sqrt((_STEPS**2).mean())
"""Equally likely steps of a normal spread, of variance 1."""


@dataclass(frozen=True)
class Strength:
    """State of the soil at each hour in which a machine drove, at all depths.

    Parameters
    ----------
    times : ndarray, shape (n_times,)
        Start of the hour, rising. [s since 1970 UTC]
    ln_strength : ndarray, shape (n_times, n_columns, n_depths)
        ln of strength in Pa, the mean over what the water may be; NaN where the weather
        is not known or the soil is frozen deeper than the law holds.
    ln_spread : ndarray, same shape
        Standard deviation of `ln_strength` from not knowing the water. [1]
    theta, theta_sd : ndarray, same shape
        Water content and its standard deviation. [m3/m3]
    suction : ndarray, same shape
        [Pa]
    frozen : ndarray, shape (n_times, n_columns)
        Frozen thickness; NaN outside the weather. [m]
    depths : ndarray
        `COMPUTE_DEPTHS`. [m]
    notes : tuple of Note
    """

    times: np.ndarray
    ln_strength: np.ndarray
    ln_spread: np.ndarray
    theta: np.ndarray
    theta_sd: np.ndarray
    suction: np.ndarray
    frozen: np.ndarray
    depths: np.ndarray
    notes: tuple[Note, ...] = ()

    def row_of(self, times) -> np.ndarray:
        """Return the row of each time [s since 1970 UTC], -1 where there is none."""
        times = np.asarray(times, dtype=np.float64)
        out = np.full(times.shape, -1, dtype=np.int64)
        known = np.isfinite(times)
        if self.times.size:
            hour = np.floor(times[known] / 3600.0) * 3600.0
            row = np.searchsorted(self.times, hour)
            row = np.minimum(row, self.times.size - 1)
            out[known] = np.where(self.times[row] == hour, row, -1)
        return out


def moisture_at(series: SoilSeries, times) -> tuple[np.ndarray, np.ndarray]:
    """Return water content and its spread in every layer at some times.

    Rain is known by the day only, so a pass sees the mean of the states before and
    after its day, with half their difference added to the spread.

    Parameters
    ----------
    series : SoilSeries
    times : ndarray, shape (n_times,)
        Seconds since 1970 UTC, NaN where not known. [s]

    Returns
    -------
    theta, theta_sd : ndarray, shape (n_times, n_columns, n_layers)
        NaN where the time or the weather is not known. [m3/m3]
    """
    return _between_days(series, times, series.theta, series.theta_sd)


def drying_at(series: SoilSeries, times) -> tuple[np.ndarray, np.ndarray]:
    """Return the water that decides suction, and its spread, as `moisture_at` does.

    On the curve of the columns, and without what is not known of the curve itself,
    see `spread.WaterSpread.drying`.

    Returns
    -------
    theta, theta_sd : ndarray, shape (n_times, n_columns, n_layers)
        NaN where the time or the weather is not known. [m3/m3]
    """
    own = series.theta if series.theta_own is None else series.theta_own
    spread = series.theta_sd if series.drying_sd is None else series.drying_sd
    return _between_days(series, times, own, spread)


def strength_at(
    series: SoilSeries,
    times,
    *,
    columns: SoilColumns | None = None,
    last_tillage_depth: float | None = None,
    settings: SoilSettings,
) -> Strength:
    """Return the strength of the soil in each distinct hour among `times`.

    Frozen ground gets no credit: strength is that of the thawed soil, and not known
    where it is frozen thicker than ``settings.frozen_limit``. Both ``ln_strength``
    and ``ln_spread`` are taken over what the water may be, in fifteen equally likely
    steps of its spread (choice), never below what a crop can take: retention and law
    are bent, so the best value alone and a slope through it would both mislead. Against
    the exact mixture the chance of damage is then off by 0.08 at most for a spread of
    0.05 m3/m3, by 0.10 for 0.10.

    Parameters
    ----------
    series : SoilSeries
    times : ndarray
        Seconds since 1970 UTC; NaN is left out. [s]
    columns : SoilColumns, optional
        Those of `series` when empty.
    last_tillage_depth : float, optional
        Soil above it counts as tilled, 0 for no-till; ``settings.tillage_depth`` with
        a Note where not known. [m]
    settings : SoilSettings

    Returns
    -------
    Strength
    """
    columns = series.columns if columns is None else columns
    depths = np.asarray(COMPUTE_DEPTHS)
    times = np.asarray(times, dtype=np.float64).ravel()
    hours = np.unique(np.floor(times[np.isfinite(times)] / 3600.0) * 3600.0)
    theta, spread = moisture_at(series, hours)
    own, own_spread = drying_at(series, hours)
    # Suction changes by powers of ten with depth, so its logarithm is interpolated.
    at_depth = np.exp(by_depth(np.log(suction(own, columns.curve)), depths))
    notes = []
    if last_tillage_depth is None or not np.isfinite(last_tillage_depth):
        last_tillage_depth = settings.tillage_depth
        sentence = (
            f"How deep the ground was last tilled is not known; "
            f"{100 * last_tillage_depth:g} cm was used. Soil above that counts as "
            "weaker."
        )
        notes.append(Note("soil.tillage_assumed", "check", sentence))
    base = strength_18(
        depths,
        by_depth(columns.clay, depths),
        last_tillage_depth=last_tillage_depth,
        settings=settings,
    )
    strong, spread_of_ln = _over_water(
        own, own_spread, columns=columns, depths=depths, base=base, settings=settings
    )
    frozen = np.full((hours.size, columns.size), np.nan)
    day = local_days(hours, series.dates, series.time_zone)
    inside = day >= 1
    # The thicker of evening before and evening after: thaw at noon is not seen.
    thickness = series.frozen
    frozen[inside] = np.maximum(thickness[day[inside] - 1], thickness[day[inside]])
    strong[frozen > settings.frozen_limit] = np.nan
    return Strength(
        times=hours,
        ln_strength=strong,
        ln_spread=spread_of_ln,
        theta=by_depth(theta, depths),
        theta_sd=by_depth(spread, depths),
        suction=at_depth,
        frozen=frozen,
        depths=depths,
        notes=tuple(notes),
    )


def _over_water(
    theta: np.ndarray,
    spread: np.ndarray,
    *,
    columns: SoilColumns,
    depths: np.ndarray,
    base: np.ndarray,
    settings: SoilSettings,
) -> tuple[np.ndarray, np.ndarray]:
    """Return mean and standard deviation of ln strength over what the water may be."""
    curve = columns.curve
    # No crop dries soil beyond its wilting point; what bare soil loses is on top.
    least = np.minimum(theta, curve.theta_1500)
    total = square = 0.0
    for step in _STEPS:
        water = np.maximum(theta + step * spread, least)
        tension = np.exp(by_depth(np.log(suction(water, curve)), depths))
        value = ln_strength(tension, base, settings=settings)
        total, square = total + value, square + value**2
    mean = total / _STEPS.size
    return mean, np.sqrt(np.maximum(square / _STEPS.size - mean**2, 0.0))


def _between_days(
    series: SoilSeries, times, water: np.ndarray, error: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return the mean of evening before and after, and its spread, at some times."""
    times = np.asarray(times, dtype=np.float64)
    day = local_days(times, series.dates, series.time_zone)
    # The state before the first day is the start of the run, which nobody knows.
    known = day >= 1
    shape = (times.size, *water.shape[1:])
    theta, spread = np.full(shape, np.nan), np.full(shape, np.nan)
    before, after = water[day[known] - 1], water[day[known]]
    theta[known] = 0.5 * (before + after)
    spread[known] = error[day[known]] + 0.5 * np.abs(after - before)
    return theta, spread


def by_depth(layers: np.ndarray, depths: np.ndarray) -> np.ndarray:
    """Return values at depths [m] from layers (last axis), straight between centres.

    Constant above the first and below the last centre.
    """
    place = np.interp(depths, LAYER_CENTRES, np.arange(LAYER_CENTRES.size))
    low = np.minimum(place.astype(np.int64), LAYER_CENTRES.size - 2)
    part = place - low
    # Weights of exactly 0 must not spread a NaN or an infinity.
    upper, lower = layers[..., low], layers[..., low + 1]
    mixed = upper + part * (lower - upper)
    return np.where(part == 0.0, upper, np.where(part == 1.0, lower, mixed))


def wetness_word(suction: float) -> str:
    """Return the word for how wet a layer is, from its suction [Pa].

    Examples
    --------
    >>> wetness_word(20e3)
    'wet'
    """
    if not np.isfinite(suction):
        return "not known"
    for limit, word in WETNESS_WORDS:
        if suction < limit:
            return word
    return "very dry"


def layer_of(depth: float) -> int:
    """Return the layer a depth [m] lies in; a border belongs to the layer below."""
    last = LAYER_EDGES.size - 2
    return int(np.clip(np.searchsorted(LAYER_EDGES, depth, side="right") - 1, 0, last))
