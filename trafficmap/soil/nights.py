"""The frozen crust of the coming nights: from when until when, and what it carries."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trafficmap.core.constants import GRAVITY, WATER_DENSITY
from trafficmap.core.errors import InputError
from trafficmap.core.tables import NIGHTS, require_table
from trafficmap.soil.columns import LAYER_CENTRES, LAYER_EDGES
from trafficmap.soil.crust import (
    bearing_load,
    carries_over_frost,
    frost_word,
    ground_word,
)
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
    heaviest: float | None = None,
    settings: SoilSettings,
) -> pd.DataFrame:
    """Return when the ground is frozen in the hours of a forecast, and what it carries.

    Heat is followed hour by hour through the top 2 m, from the last days of known
    weather into the forecast. A row is a run of hours with one state and one word, so
    a night may have several. The crust is given no credit as strength of the soil
    below: it stops ruts, it does not spare the subsoil. What it would hold by itself
    is told beside the word and changes nothing in it, see `crust.bearing_load`.

    Parameters
    ----------
    series : SoilSeries
        Gives the water of each day, see `hourly_ground`.
    column : int
        Soil column.
    forecast : DataFrame
        By day: date, t_min, t_max [degC]; or by hour: time (UTC, start of the hour),
        temperature [degC]. Either may have wind [m/s]; days may have radiation [J/m2].
    latitude : float
        North positive. [deg]
    weather : DataFrame, optional
        Contract `core.tables.WEATHER`: the days before, from which the ground starts.
    heaviest : float, optional
        Weight force of the heaviest vehicle. [N]
    settings : SoilSettings

    Returns
    -------
    DataFrame
        Contract `core.tables.NIGHTS`: start and end, frost depth at both and the
        deepest [m], whether the forecast ends first, state of the ground, state of the
        unfrozen soil below, the word, and what the crust holds by itself. Empty where
        nothing freezes.

    Raises
    ------
    InputError
        No such column, an empty forecast, or one with a hole.
    """
    ground = hourly_ground(
        series, column=column, forecast=forecast, latitude=latitude, weather=weather,
        settings=settings,
    )  # fmt: skip
    if ground is None:
        return NIGHTS.empty()
    limit = plastic_by_layer(series.columns, column, settings=settings)
    below = [
        _below(series, column, int(row), limit, settings)
        for row in np.unique(ground.row)
    ]
    told = dict(zip(np.unique(ground.row).tolist(), below, strict=True))
    return _spells(
        ground, told, zone=series.time_zone or "UTC", heaviest=heaviest,
        settings=settings,
    )  # fmt: skip


@dataclass(frozen=True)
class HourlyGround:
    """Frost in one soil column hour by hour, arrays of shape (n_hours,).

    Parameters
    ----------
    ends : DatetimeIndex
        End of each hour, counted from local midnight of the first day followed.
    frozen, thawed : ndarray
        Frozen thickness, and the depth thawed above it, at the end of the hour. [m]
    asked : ndarray of bool
        The hour belongs to the forecast.
    row : ndarray of int
        Row of the series whose water the hour has.
    """

    ends: pd.DatetimeIndex
    frozen: np.ndarray
    thawed: np.ndarray
    asked: np.ndarray
    row: np.ndarray


def hourly_ground(
    series: SoilSeries,
    *,
    column: int,
    forecast: pd.DataFrame,
    latitude: float,
    weather: pd.DataFrame | None = None,
    settings: SoilSettings,
) -> HourlyGround | None:
    """Return frost hour by hour through a forecast; None where water is not known.

    Each day has the water and the snow of the last known day before it. Where the
    series ends before the forecast they stay as on its last day;
    `ahead.coming_water` follows them through the forecast. Parameters and errors are
    those of `nights`.
    """
    columns = series.columns
    if not 0 <= column < columns.size:
        msg = f"soil column: got {column}, need 0 to {columns.size - 1}."
        raise InputError(msg, "ask for a place inside the soil map")
    zone = series.time_zone or "UTC"
    days, hourly = _days_of(forecast, zone)
    first = days.index[0]
    days, asked = _with_past(days, weather, first)
    row = np.searchsorted(series.dates, pd.DatetimeIndex(days.index), side="left") - 1
    start = max(int(np.searchsorted(series.dates, first, side="left")) - 1, 0)
    row = np.clip(row, start, len(series.dates) - 1)
    # Over days nobody knows the soil stays as it was last known.
    known = np.isfinite(series.theta[:, column]).all(axis=1)
    last = np.maximum.accumulate(np.where(known, np.arange(known.size), 0))
    row = last[row]
    theta, snow = series.theta[row, column], series.snow[row, column]
    if np.isnan(theta).any():
        return None
    forcing = _forcing(days, latitude, snow=snow)
    if hourly is not None:
        forcing, asked = _by_hour(forcing, hourly, days.index[0], zone)
    run = ground_heat(
        columns,
        column=column,
        theta=theta,
        snow=snow,
        forcing=forcing,
        means=days[["t_min", "t_max"]].mean(axis=1).to_numpy(),
        settings=settings,
    )
    ends = days.index[0] + _HOURS * np.arange(1, forcing.air.size + 1)
    return HourlyGround(ends, run.frozen, run.thawed, asked, np.repeat(row, 24))


def _below(
    series: SoilSeries, column: int, row: int, limit: np.ndarray, settings: SoilSettings
) -> tuple[str, bool, str]:
    """Return what unfrozen soil carries, whether it is dry enough, and its words."""
    own = Retention(**{k: v[column] for k, v in vars(series.columns.curve).items()})
    theta, tension = series.theta[row, column], series.suction[row, column]
    water = theta * WATER_DENSITY / own.bulk_density
    base = carries_word(
        water, limit, tension, theta, theta_s=own.theta_s, settings=settings
    )
    drier = below_plastic(water, limit)
    told = wetness_word(float(tension[2]))
    return base, drier, told + (", does not smear" if drier else ", smears")


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


def _forcing(days: pd.DataFrame, latitude: float, *, snow: np.ndarray) -> HourlyForcing:
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
    # By the wall clock, as days, rain and every answer are: on the day the clock goes
    # back the later of two like hours counts, on the other the lost one is drawn.
    wall = pd.DatetimeIndex(hours["time"]).tz_convert(zone).tz_localize(None)
    at = ((wall - midnight) / _HOURS).to_numpy().round().astype(int)
    inside = (at >= 0) & (at < forcing.air.size)
    air, exchange = forcing.air.copy(), forcing.exchange.copy()
    air[at[inside]] = hours["temperature"].to_numpy(float)[inside]
    if "wind" in hours:
        wind = np.maximum(hours["wind"].fillna(2.0).to_numpy(float), 0.1)
        exchange[at[inside]] = 1.2 * 1013.0 * wind[inside] / 208.0
    asked = np.zeros(forcing.air.size, dtype=bool)
    if inside.any():
        asked[at[inside].min() : at[inside].max() + 1] = True
    return replace(forcing, air=air, exchange=exchange), asked


def _spells(
    hours: HourlyGround,
    below: dict[int, tuple[str, bool, str]],
    *,
    zone: str,
    heaviest: float | None,
    settings: SoilSettings,
) -> pd.DataFrame:
    """Return runs of hours with one state and one word."""
    states: list[tuple[str, str, str] | None] = []
    ends, asked = hours.ends, hours.asked
    for frozen, thawed, ask, row in zip(
        hours.frozen, hours.thawed, asked, hours.row, strict=True
    ):
        base, drier, told = below[int(row)]
        ground = ground_word(float(frozen), float(thawed), settings=settings)
        word = carries_over_frost(
            base,
            frozen=float(frozen),
            thawed=float(thawed),
            drier_than_plastic=drier,
            settings=settings,
        )
        there = ask and ground != "not frozen"
        states.append((ground, word, told) if there else None)
    depth = hours.frozen + hours.thawed
    rows = []
    begin = 0
    for h in range(1, len(states) + 1):
        if h < len(states) and states[h] == states[begin]:
            continue
        state = states[begin]
        # A state that is there at a single full hour only has no length.
        if state is not None and h - 1 > begin:
            span = slice(begin, h)
            drier = all(below[int(row)][1] for row in np.unique(hours.row[span]))
            rows.append(
                {
                    "start": local_text(pd.Timestamp(ends[begin]), zone),
                    "end": local_text(pd.Timestamp(ends[h - 1]), zone),
                    "depth_start_m": float(depth[begin]),
                    "depth_end_m": float(depth[h - 1]),
                    "depth_most_m": float(depth[span].max()),
                    "lasts": h == len(states) or not asked[h],
                    "ground": state[0],
                    "unfrozen_state": state[2],
                    "word": state[1],
                    **_crust(
                        float(hours.frozen[span].max()),
                        state[0],
                        drier=drier,
                        heaviest=heaviest,
                    ),
                }
            )
        begin = h
    if not rows:
        return NIGHTS.empty()
    return require_table(pd.DataFrame(rows), NIGHTS)


def _crust(
    frozen: float, ground: str, *, drier: bool, heaviest: float | None
) -> dict[str, object]:
    """Return what a crust holds by itself, and its word for the heaviest vehicle."""
    if ground != "frozen crust":
        # Slick, though it bears below: no credit for the ice.
        return {"crust_kg": np.nan, "crust_word": ""}
    word = ""
    if heaviest is not None:
        word = frost_word(frozen, load=heaviest, drier_than_plastic=drier)
    alone = float(bearing_load(frozen, wet=not drier)) / GRAVITY
    return {"crust_kg": alone, "crust_word": word}


def local_text(time: pd.Timestamp, zone: str) -> str:
    """Return local time as text with its offset, as 2026-11-21T05:00-06:00."""
    stamp = time.tz_localize(zone, ambiguous=False, nonexistent="shift_forward")
    return str(stamp.isoformat(timespec="minutes"))
