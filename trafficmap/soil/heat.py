"""Heat in the topsoil hour by hour, and the weather at its surface."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from trafficmap.core.errors import ModelRangeError
from trafficmap.soil._frost import thermal_conductivity
from trafficmap.soil._heat import enthalpy_of, heat_column
from trafficmap.soil.evapotranspiration import (
    extraterrestrial_radiation,
    saturation_pressure,
)


def conductivity_johansen(theta, *, theta_s, bulk_density, quartz, frozen=False):
    """Return the thermal conductivity of soil.

    Parameters
    ----------
    theta, theta_s : float
        Water content, and when full. [m3/m3]
    bulk_density : float
        Dry. [kg/m3]
    quartz : float
        Share of the solids. [1]
    frozen : bool

    Returns
    -------
    float
        [W/m/K]

    References
    ----------
    .. [1] Ø. Johansen (1975), Thermal conductivity of soils, PhD thesis, Trondheim
       (form from memory).

    Examples
    --------
    >>> round(conductivity_johansen(0.30, theta_s=0.46, bulk_density=1430.0,
    ...                             quartz=0.3), 2)
    1.17
    """
    return thermal_conductivity(
        float(theta), float(theta_s), float(bulk_density), float(quartz), frozen
    )


@dataclass(frozen=True)
class TopsoilHeat:
    """Soil for the hourly heat solver: one water content a cell, from the top down.

    Parameters
    ----------
    thickness : ndarray, shape (n_cells,)
        1 cm near the surface. [m]
    theta : ndarray, shape (n_cells,) or (n_days, n_cells)
        One for the whole run or one a day, from its midnight on. [m3/m3]
    theta_s, bulk_density, quartz : float
        [m3/m3], [kg/m3], [1]
    resistance : float or ndarray, shape (n_days,)
        Of residue and snow. [m2 K/W]
    """

    thickness: np.ndarray
    theta: np.ndarray
    theta_s: float
    bulk_density: float
    quartz: float
    resistance: float | np.ndarray = 0.0


@dataclass(frozen=True)
class HeatRun:
    """State of the topsoil at the end of every hour, arrays of shape (n_hours,).

    Parameters
    ----------
    frozen : ndarray
        Ice share summed over thickness. [m]
    thawed : ndarray
        Ground without ice above the first ice, 0 where there is no ice. [m]
    temperature : ndarray, shape (n_hours, n_cells)
        [degC]
    stored, inflow : ndarray
        Heat the column gained in the hour, and what came in at the surface; equal but
        for rounding. [J/m2]
    """

    frozen: np.ndarray
    thawed: np.ndarray
    temperature: np.ndarray
    stored: np.ndarray
    inflow: np.ndarray


def frozen_by_hour(
    soil: TopsoilHeat, *, start_temperature, **given
) -> tuple[np.ndarray, np.ndarray]:
    """Return frozen thickness and temperatures hour by hour, see `heat_by_hour`.

    Parameters
    ----------
    soil : TopsoilHeat
    start_temperature : ndarray, shape (n_cells,)
        [degC]
    **given
        As for `heat_by_hour`.

    Returns
    -------
    frozen : ndarray, shape (n_hours,)
        Ice share summed over thickness, at the end of the hour. [m]
    temperature : ndarray, shape (n_hours, n_cells)
        [degC]
    """
    run = heat_by_hour(soil, start_temperature=start_temperature, **given)
    return run.frozen, run.temperature


def heat_by_hour(
    soil: TopsoilHeat,
    *,
    start_temperature,
    surface_temperature=None,
    forcing=None,
    k_frozen=0.0,
    k_thawed=0.0,
) -> HeatRun:
    """Follow heat through the topsoil hour by hour.

    An explicit enthalpy scheme with ice, no flow of heat at the foot: use 1 m for a
    night, 2 m or more for weeks. It came within 1 % of the exact solution of Neumann.

    Parameters
    ----------
    soil : TopsoilHeat
    start_temperature : ndarray, shape (n_cells,)
        [degC]
    surface_temperature : ndarray, shape (n_hours,), optional
        Given surface; else the surface balances its heat. [degC]
    forcing : HourlyForcing, optional
        From `hourly_forcing`; needed where no surface temperature is given.
    k_frozen, k_thawed : float
        Fixed conductivities; 0 takes them from the soil. [W/m/K]

    Returns
    -------
    HeatRun

    Raises
    ------
    ModelRangeError
        Neither a surface temperature nor forcing is given.
    """
    fixed = surface_temperature is not None
    if not fixed and forcing is None:
        msg = "frost: got neither a surface temperature nor weather, need one of them."
        raise ModelRangeError(msg, "make the weather with hourly_forcing")
    hours = len(surface_temperature) if fixed else forcing.air.size
    zero = np.zeros(hours)
    theta = np.maximum(np.atleast_2d(np.asarray(soil.theta, np.float64)), 0.02)
    start = np.asarray(start_temperature, dtype=np.float64)
    enthalpy = np.array(
        [
            enthalpy_of(float(t), float(w), soil.bulk_density)
            for t, w in zip(start, theta[0], strict=True)
        ]
    )
    thickness = np.asarray(soil.thickness, dtype=np.float64)
    highest = k_frozen or conductivity_johansen(
        float(theta.max()),
        theta_s=soil.theta_s,
        bulk_density=soil.bulk_density,
        quartz=soil.quartz,
        frozen=True,
    )
    heat = 2.0e6 * soil.bulk_density / 2650.0 + 1.88e6 * float(theta.min())
    stable = float(thickness.min()) ** 2 * heat / (3.0 * highest)
    per_hour = max(1, math.ceil(3600.0 / (0.9 * stable)))
    frozen, thawed = np.empty(hours), np.empty(hours)
    stored, inflow = np.empty(hours), np.empty(hours)
    temperature = np.empty((hours, thickness.size))
    heat_column(
        enthalpy,
        theta,
        soil.theta_s,
        soil.bulk_density,
        soil.quartz,
        thickness,
        np.atleast_1d(np.asarray(soil.resistance, dtype=np.float64)),
        fixed,
        np.asarray(surface_temperature, dtype=np.float64) if fixed else zero,
        zero if fixed else forcing.air,
        zero if fixed else forcing.absorbed,
        zero if fixed else forcing.emissivity,
        zero if fixed else forcing.exchange,
        zero if fixed else forcing.latent,
        3600.0 / per_hour,
        per_hour,
        float(k_frozen),
        float(k_thawed),
        frozen,
        thawed,
        temperature,
        stored,
        inflow,
    )
    return HeatRun(frozen, thawed, temperature, stored, inflow)


@dataclass(frozen=True)
class HourlyForcing:
    """Weather at the surface by hour, all arrays of shape (n_hours,).

    Parameters
    ----------
    air : ndarray
        [degC]
    absorbed : ndarray
        Sun taken in. [W/m2]
    emissivity : ndarray
        Of the sky. [1]
    exchange : ndarray
        Heat exchange with the air. [W/m2/K]
    latent : ndarray
        Heat spent on evaporation. [W/m2]
    """

    air: np.ndarray
    absorbed: np.ndarray
    emissivity: np.ndarray
    exchange: np.ndarray
    latent: np.ndarray


def hourly_forcing(
    t_min,
    t_max,
    *,
    day_of_year,
    latitude,
    radiation=None,
    evaporation=None,
    vapour_pressure=None,
    wind=2.0,
    albedo=0.20,
    start_hour=0,
) -> HourlyForcing:
    """Return weather by hour from days (choice: quarter sines and a sine of sun).

    Temperature goes from the lowest at sunrise to the highest at 15 h and on to the
    next lowest; radiation and evaporation follow the sun with their daily sum kept.

    Parameters
    ----------
    t_min, t_max : ndarray, shape (n_days,)
        [degC]
    day_of_year : ndarray of int, shape (n_days,)
    latitude : float
        [deg]
    radiation : ndarray, optional
        Daily sum; from the temperature range after FAO-56 equation 50 where not
        given. [J/m2]
    evaporation : ndarray, optional
        Daily sum; 0.3 of the sun taken in where not given. [m]
    vapour_pressure : ndarray, optional
        Of the air; saturated at the lowest temperature where not given. [Pa]
    wind : float or ndarray, shape (n_days,)
        At 2 m. [m/s]
    albedo : float or ndarray, shape (n_days,)
        0.20 bare, 0.23 grass, 0.60 snow. [1]
    start_hour : int
        Hour of the first day at which the result starts.

    Returns
    -------
    HourlyForcing
        From `start_hour` of the first day, 24 values a day.
    """
    low = np.atleast_1d(np.asarray(t_min, dtype=np.float64))
    high = np.atleast_1d(np.asarray(t_max, dtype=np.float64))
    doy = np.atleast_1d(np.asarray(day_of_year))
    top = extraterrestrial_radiation(doy, latitude=latitude)
    if radiation is None:
        radiation = 0.16 * np.sqrt(np.maximum(high - low, 0.0)) * top
    sun = np.atleast_1d(np.asarray(radiation, dtype=np.float64))
    declination = 0.409 * np.sin(2.0 * math.pi * doy / 365.0 - 1.39)
    turn = -math.tan(math.radians(latitude)) * np.tan(declination)
    length = 24.0 / math.pi * np.arccos(np.clip(turn, -1.0, 1.0))
    cloud = np.clip(1.0 - (1.35 * sun / (0.75 * top) - 0.35), 0.0, 1.0)
    moist = (
        saturation_pressure(low)
        if vapour_pressure is None
        else np.atleast_1d(np.asarray(vapour_pressure, dtype=np.float64)) / 1e3
    )
    clear = 0.34 - 0.14 * np.sqrt(moist)
    sky = 1.0 - clear * (1.0 - 0.75 * cloud)
    n = low.size * 24
    hour = (np.arange(n) + 0.5) % 24.0
    day = np.arange(n) // 24
    rise = 12.0 - 0.5 * length
    shape = np.sin(math.pi * (hour - rise[day]) / length[day])
    shape = np.where((hour > rise[day]) & (hour < 24 - rise[day]), shape, 0.0)
    total = np.bincount(day, weights=shape) * 3600.0
    absorbed = (
        (1.0 - np.broadcast_to(albedo, low.shape)[day]) * sun[day] * shape / total[day]
    )
    if evaporation is None:
        latent = 0.3 * absorbed
    else:
        spent = np.atleast_1d(np.asarray(evaporation, dtype=np.float64)) * 2.45e9
        latent = spent[day] * shape / total[day]
    # Heat capacity of air 1.2 kg/m3 x 1013 J/kg/K, resistance 208 / u2 s/m (FAO-56).
    blows = np.maximum(np.broadcast_to(wind, low.shape)[day], 0.1)
    exchange = 1.2 * 1013.0 * blows / 208.0
    air = _air(low, high, rise, hour, day)
    return HourlyForcing(
        *(part[start_hour:] for part in (air, absorbed, sky[day], exchange, latent))
    )


def albedo_with_snow(snow, *, bare=0.20, whole=0.02):
    """Return the albedo of ground that snow covers in part.

    It rises straight to 0.60 where ``whole`` of snow water hides the ground, 0.02 m
    over bare soil and 0.04 m over grass, as in a public land-surface scheme (values
    from memory).

    Parameters
    ----------
    snow : float or ndarray
        Water of the snow. [m]
    bare : float
        Albedo without snow. [1]
    whole : float
        [m]

    Returns
    -------
    float or ndarray

    Examples
    --------
    >>> round(float(albedo_with_snow(0.01)), 2)
    0.4
    """
    covered = np.minimum(1.0, np.asarray(snow) / whole)
    return bare + (0.60 - bare) * covered


def _air(low, high, rise, hour, day) -> np.ndarray:
    """Return air temperature: quarter sines between lowest and highest."""
    after = np.minimum(day + 1, low.size - 1)
    before = np.maximum(day - 1, 0)
    up = np.sin(0.5 * math.pi * np.clip((hour - rise[day]) / (15.0 - rise[day]), 0, 1))
    climbing = low[day] + (high[day] - low[day]) * up
    span = 24.0 + rise[after] - 15.0
    fall = np.sin(0.5 * math.pi * np.clip((hour - 15.0) / span, 0.0, 1.0))
    evening = high[day] + (low[after] - high[day]) * fall
    span = 24.0 + rise[day] - 15.0
    fall = np.sin(0.5 * math.pi * np.clip((hour + 9.0) / span, 0.0, 1.0))
    night = high[before] + (low[day] - high[before]) * fall
    return np.where(hour < rise[day], night, np.where(hour < 15.0, climbing, evening))
