"""Reference evapotranspiration of each day, from what the weather table holds."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pyet

from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note

_PENMAN = ("wind", "radiation", "humidity_min", "humidity_max")
_RANGES = {
    "t_min": (-70.0, 50.0, "degrees Celsius"),
    "t_max": (-70.0, 60.0, "degrees Celsius"),
    "rain": (0.0, 1.0, "metres of rain"),
    "wind": (0.0, 60.0, "metres a second"),
    "radiation": (0.0, 5e7, "joules a square metre"),
    "humidity_min": (0.0, 1.0, "a fraction"),
    "humidity_max": (0.0, 1.0, "a fraction"),
    "eto": (0.0, 0.03, "metres a day"),
}


def reference_evapotranspiration(
    weather: pd.DataFrame, *, latitude: float, elevation: float | None = None
) -> tuple[np.ndarray, list[Note]]:
    """Return the reference evapotranspiration of each day.

    A day's own value where the table has a column ``eto``; FAO-56 Penman-Monteith
    where wind, radiation and humidity are known; else Hargreaves from temperatures. A
    guessed wind is never used: at a Kansas station it was worse than Hargreaves.

    Parameters
    ----------
    weather : DataFrame
        Contract `core.tables.WEATHER`, with optional wind [m/s at 2 m],
        radiation [J/m2], humidity_min and humidity_max [fraction], eto [m].
    latitude : float
        North positive, between -66 and 66. [deg]
    elevation : float, optional
        Above sea level; 300 m with a Note when needed and not known. [m]

    Returns
    -------
    eto : ndarray, shape (n_days,)
        NaN where a temperature is missing. [m]
    notes : list of Note

    Raises
    ------
    InputError
        A latitude or a value outside what the unit allows.

    Notes
    -----
    Hargreaves was 0.28 mm a day too high on average in humid Mississippi, with a mean
    error of 0.68 mm (Fisher & Pringle 2013, Agric. Sci. 4(8A), abstract).

    References
    ----------
    .. [1] R. G. Allen et al. (1998), FAO Irrigation and Drainage Paper 56.
    .. [2] G. H. Hargreaves & Z. A. Samani (1985), Appl. Eng. Agric. 1:96-99.
    """
    require_weather(weather)
    if not -66.0 <= latitude <= 66.0:
        msg = f"latitude: got {latitude:g} degrees, need between -66 and 66."
        raise InputError(msg, "check the boundary; longitude and latitude may be mixed")
    days = pd.DatetimeIndex(weather["date"])
    low = pd.Series(weather["t_min"].to_numpy(dtype=np.float64), index=days)
    high = pd.Series(weather["t_max"].to_numpy(dtype=np.float64), index=days)
    mean = 0.5 * (low + high)
    radians = math.radians(latitude)
    notes: list[Note] = []
    # Missing days pass through the library as 0 degrees, and are taken out after.
    known = np.isfinite(mean.to_numpy())
    swing = pyet.hargreaves(
        mean.fillna(0.0), high.fillna(0.0), low.fillna(0.0), radians
    )
    eto = np.where(known, swing.to_numpy() * 1e-3, np.nan)
    if set(_PENMAN) <= set(weather.columns):
        full = known & weather[list(_PENMAN)].notna().all(axis=1).to_numpy()
        if full.any():
            if elevation is None:
                sentence = (
                    "The height above the sea is not known; 300 m was used for "
                    "evaporation. It matters little below 1000 m."
                )
                notes.append(Note("soil.elevation", "info", sentence))
            height = 300.0 if elevation is None else elevation
            eto[full] = _penman(weather[full], height, radians, days[full])
    if "eto" in weather.columns:
        own = weather["eto"].to_numpy(dtype=np.float64)
        eto = np.where(np.isfinite(own), own, eto)
    return eto, notes


def require_weather(weather: pd.DataFrame) -> None:
    """Refuse weather in a wrong unit before it reaches an equation.

    Raises
    ------
    InputError
        A value outside its range, or a night warmer than its day.
    """
    for name, (low, high, unit) in _RANGES.items():
        if name not in weather.columns:
            continue
        values = weather[name].to_numpy(dtype=np.float64)
        bad = np.isfinite(values) & ((values < low) | (values > high))
        if bad.any():
            at = int(np.argmax(bad))
            day = pd.Timestamp(weather["date"].iloc[at]).date()
            msg = (
                f"weather: {name} is {values[at]:g} on {day} and on {bad.sum() - 1} "
                f"more days, need {low:g} to {high:g} {unit}."
            )
            raise InputError(msg, "check the unit in the header of the weather file")
    warmer = (weather["t_min"] > weather["t_max"] + 1e-9).to_numpy()
    if warmer.any():
        day = pd.Timestamp(weather["date"].iloc[int(np.argmax(warmer))]).date()
        msg = (
            f"weather: the lowest temperature is above the highest on {day} and on "
            f"{warmer.sum() - 1} more days."
        )
        raise InputError(msg, "check whether the two columns are exchanged")


def extraterrestrial_radiation(day_of_year, *, latitude: float):
    """Return the radiation that reaches the top of the air in a day [J/m2].

    FAO-56 equation 21 (from memory, confirmed by its example 18).

    Parameters
    ----------
    day_of_year : int or ndarray
        1 to 366.
    latitude : float
        Between -66 and 66. [deg]

    Examples
    --------
    >>> round(float(extraterrestrial_radiation(187, latitude=50.8)) / 1e6, 2)
    41.09
    """
    turn = 2.0 * math.pi * np.asarray(day_of_year) / 365.0
    declination = 0.409 * np.sin(turn - 1.39)
    phi = math.radians(latitude)
    sunset = np.arccos(np.clip(-math.tan(phi) * np.tan(declination), -1.0, 1.0))
    path = sunset * math.sin(phi) * np.sin(declination)
    path = path + math.cos(phi) * np.cos(declination) * np.sin(sunset)
    return 24 * 60 / math.pi * 0.0820e6 * (1.0 + 0.033 * np.cos(turn)) * path


def saturation_pressure(temperature):
    """Return the vapour pressure of saturated air [kPa] at a temperature [degC].

    FAO-56 equation 11.
    """
    temperature = np.asarray(temperature, dtype=np.float64)
    return 0.6108 * np.exp(17.27 * temperature / (temperature + 237.3))


def _penman(
    weather: pd.DataFrame, elevation: float, latitude: float, days: pd.DatetimeIndex
) -> np.ndarray:
    """Return FAO-56 Penman-Monteith [m]; the library takes MJ, percent and radians."""

    def column(name: str, factor: float = 1.0) -> pd.Series:
        return pd.Series(weather[name].to_numpy(dtype=np.float64) * factor, index=days)

    low, high = column("t_min"), column("t_max")
    found = pyet.pm_fao56(
        0.5 * (low + high),
        column("wind"),
        rs=column("radiation", 1e-6),
        tmax=high,
        tmin=low,
        rhmax=column("humidity_max", 100.0),
        rhmin=column("humidity_min", 100.0),
        elevation=elevation,
        lat=latitude,
    )
    return found.to_numpy() * 1e-3
