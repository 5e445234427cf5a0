"""The frozen crust of the coming nights: from when until when, and what it carries."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trafficmap.core.constants import WATER_DENSITY
from trafficmap.core.errors import InputError
from trafficmap.core.tables import NIGHTS, require_table
from trafficmap.soil.columns import LAYER_CENTRES, LAYER_EDGES
from trafficmap.soil.crust import carries_over_frost, ground_word
from trafficmap.soil.fitness import below_plastic, carries_word, plastic_by_layer
from trafficmap.soil.heat import (
    HeatRun,
    HourlyForcing,
    TopsoilHeat,
    albedo_with_snow,
    heat_by_hour,
    hourly_forcing,
)
from trafficmap.soil.retention import Retention
from trafficmap.soil.series import wetness_word

if TYPE_CHECKING:
    from trafficmap.core.settings.soil import SoilSettings
    from trafficmap.soil.water import SoilSeries

CELLS = np.concatenate([np.full(30, 0.01), np.full(17, 0.10)])
"""Thickness of the cells of the heat column down to 2 m [m]; choice."""
WARM_UP = 10
"""Days of known weather the heat is followed through before the forecast; choice."""
_SPREAD = 0.6e-6
"""Heat diffusivity of moist soil the starting profile is made with [m2/s]; choice."""
_HOURS = pd.Timedelta(hours=1)


def nights(
    series: SoilSeries,
    *,
    column: int,
    forecast: pd.DataFrame,
    latitude: float,
    weather: pd.DataFrame | None = None,
    settings: SoilSettings,
) -> pd.DataFrame:
    """Return when the ground is frozen in the hours of a forecast, and what it carries.

    Heat is followed hour by hour through the top 2 m, from the last days of known
    weather into the forecast. A row is a run of hours with one state and one word, so
    a night may have several. The crust is given no credit as strength of the soil
    below: it stops ruts, it does not spare the subsoil.

    Parameters
    ----------
    series : SoilSeries
        Its newest day up to the one before the forecast gives the water, which stays.
    column : int
        Soil column.
    forecast : DataFrame
        By day: date, t_min, t_max [degC]; or by hour: time (UTC, start of the hour),
        temperature [degC]. Either may have wind [m/s]; days may have radiation [J/m2].
    latitude : float
        North positive. [deg]
    weather : DataFrame, optional
        Contract `core.tables.WEATHER`: the days before, from which the ground starts.
    settings : SoilSettings

    Returns
    -------
    DataFrame
        Contract `core.tables.NIGHTS`: start and end, frost depth at both and the
        deepest [m], whether the forecast ends first, state of the ground, state of the
        unfrozen soil below, and the word. Empty where nothing freezes.

    Raises
    ------
    InputError
        No such column, an empty forecast, or one with a hole.
    """
    columns = series.columns
    if not 0 <= column < columns.size:
        msg = f"soil column: got {column}, need 0 to {columns.size - 1}."
        raise InputError(msg, "ask for a place inside the soil map")
    zone = series.time_zone or "UTC"
    days, hourly = _days_of(forecast, zone)
    first = days.index[0]
    days, asked = _with_past(days, weather, first)
    row = int(np.searchsorted(series.dates, first, side="left")) - 1
    row = max(row, 0)
    own = Retention(**{k: v[column] for k, v in vars(columns.curve).items()})
    theta = series.theta[row, column]
    if np.isnan(theta).any():
        return NIGHTS.empty()
    forcing = _forcing(days, latitude, snow=float(series.snow[row, column]))
    if hourly is not None:
        forcing, asked = _by_hour(forcing, hourly, days.index[0], zone)
    run = ground_heat(
        columns,
        column=column,
        theta=theta,
        snow=float(series.snow[row, column]),
        forcing=forcing,
        means=days[["t_min", "t_max"]].mean(axis=1).to_numpy(),
        settings=settings,
    )
    water = theta * WATER_DENSITY / own.bulk_density
    limit = plastic_by_layer(columns, column, settings=settings)
    base = carries_word(
        water, limit, series.suction[row, column], theta,
        theta_s=own.theta_s, settings=settings,
    )  # fmt: skip
    drier = below_plastic(water, limit)
    told = wetness_word(float(series.suction[row, column, 2]))
    told += ", does not smear" if drier else ", smears"
    ends = days.index[0] + _HOURS * np.arange(1, forcing.air.size + 1)
    return _spells(run, ends, asked, base, drier, told, zone, settings)


def ground_heat(
    columns,
    *,
    column: int,
    theta: np.ndarray,
    forcing: HourlyForcing,
    means: np.ndarray,
    snow: float | np.ndarray = 0.0,
    settings: SoilSettings,
) -> HeatRun:
    """Follow heat through one soil column from a start made of daily means.

    Parameters
    ----------
    columns : SoilColumns
    column : int
    theta : ndarray, shape (n_layers,) or (n_days, n_layers)
        [m3/m3]
    forcing : HourlyForcing
    means : ndarray, shape (n_days,)
        Daily mean air temperature, the first days of the forcing. [degC]
    snow : float or ndarray, shape (n_days,)
        Water of the snow on the ground. [m]
    settings : SoilSettings

    Returns
    -------
    HeatRun
        On the cells of `CELLS`.
    """
    middle = np.cumsum(CELLS) - 0.5 * CELLS
    layer = np.searchsorted(LAYER_EDGES, middle, side="right") - 1
    layer = np.minimum(layer, LAYER_CENTRES.size - 1)
    curve = columns.curve
    topsoil = TopsoilHeat(
        CELLS,
        np.asarray(theta)[..., layer],
        float(curve.theta_s[column, :3].max()),
        float(curve.bulk_density[column, :3].mean()),
        float(columns.quartz[column]),
        # Snow of 100 kg/m3 that leads 0.15 W/m/K, as in the daily front.
        settings.frost_resistance + np.asarray(snow) / 0.1 / 0.15,
    )
    return heat_by_hour(
        topsoil, start_temperature=start_profile(means, middle), forcing=forcing
    )


def start_profile(means: np.ndarray, depth: np.ndarray) -> np.ndarray:
    """Return a temperature at each depth [degC] to start from.

    The first day's mean at the surface, and the mean of the first days below, more of
    them the deeper: the square of the depth over twice the heat diffusivity (choice).
    Never below 0.5 degC, so that no ice is made up.

    Parameters
    ----------
    means : ndarray, shape (n_days,)
        Daily mean air temperature. [degC]
    depth : ndarray
        [m]
    """
    span = np.clip(depth**2 / (2.0 * _SPREAD) / 86400.0, 1.0, means.size)
    summed = np.concatenate([[0.0], np.cumsum(means)])
    return np.maximum(0.5, np.interp(span, np.arange(means.size + 1), summed) / span)


def _days_of(
    forecast: pd.DataFrame, zone: str
) -> tuple[pd.DataFrame, pd.DataFrame | None]:
    """Return the forecast by local day, and by hour where it is given so."""
    if not len(forecast):
        msg = "forecast: holds no row, need days or hours with temperatures."
        raise InputError(msg, "write at least one night into the forecast")
    if "time" not in forecast:
        days = forecast.set_index(pd.DatetimeIndex(forecast["date"]).normalize())
        days = days.sort_index()
        stamps = pd.DatetimeIndex(days.index)
        _no_hole(days[["t_min", "t_max"]], stamps, pd.Timedelta(days=1))
        return days, None
    hours = forecast.sort_values("time").reset_index(drop=True)
    times = pd.DatetimeIndex(pd.to_datetime(hours["time"], utc=True))
    _no_hole(hours[["temperature"]], times, _HOURS)
    local = times.tz_convert(zone).tz_localize(None)
    grouped = hours.groupby(local.normalize())
    air = grouped["temperature"]
    days = pd.DataFrame({"t_min": air.min(), "t_max": air.max()})
    if "wind" in hours:
        days["wind"] = grouped["wind"].mean()
    days.index = pd.DatetimeIndex(days.index)
    hours["time"] = times
    return days, hours


def _no_hole(values: pd.DataFrame, index: pd.DatetimeIndex, step: pd.Timedelta) -> None:
    """Refuse a forecast that leaves out a day or an hour."""
    gaps = np.flatnonzero(np.diff(index) != step)
    empty = np.flatnonzero(values.isna().any(axis=1).to_numpy())
    if gaps.size or empty.size:
        at = index[int(gaps[0])] if gaps.size else index[int(empty[0])]
        msg = f"forecast: a value is missing at or after {at:%Y-%m-%d %H:%M}."
        raise InputError(msg, "fill it from the same forecast, one row a day or hour")


def _with_past(
    days: pd.DataFrame, weather: pd.DataFrame | None, first: pd.Timestamp
) -> tuple[pd.DataFrame, np.ndarray]:
    """Put the days before the forecast in front; return which hours are asked for."""
    past = days.iloc[:0]
    if weather is not None and len(weather):
        known = weather.set_index(pd.DatetimeIndex(weather["date"]).normalize())
        known = known.dropna(subset=["t_min", "t_max"])
        wanted = pd.date_range(end=first - pd.Timedelta(days=1), periods=WARM_UP)
        there = wanted.isin(known.index)
        # Only the days without a gap right before: older ones say nothing any more.
        whole = there[::-1].cumprod()[::-1].astype(bool)
        past = known.loc[wanted[whole]]
    asked = np.arange((len(past) + len(days)) * 24) >= len(past) * 24
    frames = [part for part in (past, days) if len(part)]
    return pd.concat(frames), asked


def _forcing(days: pd.DataFrame, latitude: float, *, snow: float) -> HourlyForcing:
    """Return weather at the surface from local midnight of the first day."""
    low, high = days["t_min"].to_numpy(float), days["t_max"].to_numpy(float)
    doy = pd.DatetimeIndex(days.index).day_of_year.to_numpy()
    given = hourly_forcing(low, high, day_of_year=doy, latitude=latitude)
    wind = np.full(low.size, 2.0)
    if "wind" in days:
        told = days["wind"].to_numpy(dtype=float)
        wind = np.where(np.isfinite(told), told, wind)
    albedo = albedo_with_snow(snow)
    sun = (given.absorbed.reshape(-1, 24).sum(axis=1) * 3600.0) / 0.80
    if "radiation" in days:
        told = days["radiation"].to_numpy(dtype=float)
        sun = np.where(np.isfinite(told), told, sun)
    return hourly_forcing(
        low, high, day_of_year=doy, latitude=latitude, radiation=sun, wind=wind,
        albedo=albedo,
    )  # fmt: skip


def _by_hour(
    forcing: HourlyForcing, hours: pd.DataFrame, midnight: pd.Timestamp, zone: str
) -> tuple[HourlyForcing, np.ndarray]:
    """Put the air of an hourly forecast in place of the one drawn from days."""
    begin = midnight.tz_localize(zone)
    at = ((hours["time"] - begin) / _HOURS).round().astype(int).to_numpy()
    inside = (at >= 0) & (at < forcing.air.size)
    air, exchange = forcing.air.copy(), forcing.exchange.copy()
    air[at[inside]] = hours["temperature"].to_numpy(float)[inside]
    if "wind" in hours:
        wind = np.maximum(hours["wind"].fillna(2.0).to_numpy(float), 0.1)
        exchange[at[inside]] = 1.2 * 1013.0 * wind[inside] / 208.0
    asked = np.zeros(forcing.air.size, dtype=bool)
    asked[at[inside]] = True
    return replace(forcing, air=air, exchange=exchange), asked


def _spells(
    run: HeatRun,
    ends: pd.DatetimeIndex,
    asked: np.ndarray,
    base: str,
    drier: bool,
    told: str,
    zone: str,
    settings: SoilSettings,
) -> pd.DataFrame:
    """Return runs of hours with one state and one word."""
    states = []
    for frozen, thawed, ask in zip(run.frozen, run.thawed, asked, strict=True):
        ground = ground_word(float(frozen), float(thawed), settings=settings)
        word = carries_over_frost(
            base,
            frozen=float(frozen),
            thawed=float(thawed),
            drier_than_plastic=drier,
            settings=settings,
        )
        states.append((ground, word) if ask and ground != "not frozen" else None)
    depth = run.frozen + run.thawed
    rows = []
    begin = 0
    for h in range(1, len(states) + 1):
        if h < len(states) and states[h] == states[begin]:
            continue
        state = states[begin]
        # A state that is there at a single full hour only has no length.
        if state is not None and h - 1 > begin:
            span = slice(begin, h)
            rows.append(
                {
                    "start": _local(pd.Timestamp(ends[begin]), zone),
                    "end": _local(pd.Timestamp(ends[h - 1]), zone),
                    "depth_start_m": float(depth[begin]),
                    "depth_end_m": float(depth[h - 1]),
                    "depth_most_m": float(depth[span].max()),
                    "lasts": h == len(states) or not asked[h],
                    "ground": state[0],
                    "unfrozen_state": told,
                    "word": state[1],
                }
            )
        begin = h
    if not rows:
        return NIGHTS.empty()
    return require_table(pd.DataFrame(rows), NIGHTS)


def _local(time: pd.Timestamp, zone: str) -> str:
    """Return local time as text with its offset, as 2026-11-21T05:00-06:00."""
    stamp = time.tz_localize(zone, ambiguous=False, nonexistent="shift_forward")
    return str(stamp.isoformat(timespec="minutes"))
