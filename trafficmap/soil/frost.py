"""Frost: how deep the ground is frozen, and what the frozen crust carries."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.special import erf, erfc

from trafficmap.core.errors import ModelRangeError
from trafficmap.soil._heat import enthalpy_of, heat_column
from trafficmap.soil._kernels import grow_front, thermal_conductivity
from trafficmap.soil.evapotranspiration import (
    extraterrestrial_radiation,
    saturation_pressure,
)

BEARING_WET = 0.86e6
"""C in load = C z^2 over wet ground [N/m2]; CRREL Report 95-1, Table A4 (excerpt)."""
BEARING_DRY = 0.35e6
"""The same over drier ground [N/m2]."""


def frost_depth_stefan(
    freezing_degree_days, *, conductivity, theta, resistance=0.0
) -> float:
    """Return how deep frost goes from a freezing index at the surface.

    X = sqrt((k R)^2 + 2 k F / (L theta)) - k R: the Stefan equation with the cover in
    series, quasi-steady (our derivation). Too deep by some 10 % for thin frost; see
    `berggren_factor`.

    Parameters
    ----------
    freezing_degree_days : float
        Sum of frost at the surface. [degC d]
    conductivity : float
        Of frozen soil. [W/m/K]
    theta : float
        Water content, at least 0.02 is used. [m3/m3]
    resistance : float
        Of residue and snow, thickness over conductivity. [m2 K/W]

    Returns
    -------
    float
        Depth. [m]

    Examples
    --------
    >>> round(100 * frost_depth_stefan(35.0, conductivity=1.8, theta=0.30), 1)
    33.0
    """
    return grow_front(
        0.0,
        float(freezing_degree_days) * 86400.0,
        float(conductivity),
        float(theta),
        float(resistance),
    )


def berggren_factor(alpha: float, mu: float) -> float:
    """Return what the Stefan depth is multiplied by for the heat of the soil itself.

    The exact two-phase solution with equal properties in place of the chart of
    Aldrich 1956: exp(-g2) / erf(g) - alpha exp(-g2) / erfc(g) = sqrt(pi) g / mu.

    Parameters
    ----------
    alpha : float
        Mean yearly temperature above freezing over mean frost at the surface. [1]
    mu : float
        Heat of the soil, C v_s / L, above 0. [1]

    Returns
    -------
    float
        Factor, from 0 to 1. [1]

    Examples
    --------
    >>> round(berggren_factor(0.33, 0.20), 4)
    0.8976
    """
    if not (alpha >= 0.0 and mu > 0.0):
        msg = f"frost: got alpha {alpha:g} and mu {mu:g}, need 0 or more and above 0."
        raise ModelRangeError(msg, "check the mean temperatures")

    def balance(g: float) -> float:
        fall = math.exp(-g * g)
        left = fall / erf(g) - alpha * fall / erfc(g)
        return float(left - math.sqrt(math.pi) * g / mu)

    g = brentq(balance, 1e-9, 5.0, xtol=1e-13)
    return g * math.sqrt(2.0 / mu)


def frozen_ground_index(mean_temperature, *, snow_depth=None, start=0.0) -> np.ndarray:
    """Return the continuous frozen ground index by day.

    A plausibility flag: above 56 to 83 the ground sheds water. It says nothing of
    bearing.

    Parameters
    ----------
    mean_temperature : ndarray, shape (n_days,)
        [degC]
    snow_depth : ndarray, optional
        [m]
    start : float
        Index of the day before. [degC d]

    Returns
    -------
    ndarray, shape (n_days,)

    References
    ----------
    .. [1] M. Molnau & V. C. Bissell (1983), Western Snow Conf. 51:109-119; constants
       as in a public groundwater recharge code, the factor 0.4 from memory.
    """
    temperature = np.asarray(mean_temperature, dtype=np.float64)
    snow = np.zeros_like(temperature) if snow_depth is None else np.asarray(snow_depth)
    out = np.empty_like(temperature)
    index = start
    for day, t in enumerate(temperature):
        damping = 0.08 if t < 0.0 else 0.5
        index = 0.97 * index - t * math.exp(-0.4 * damping * 100.0 * snow[day])
        index = max(0.0, index)
        out[day] = index
    return out


def bearing_load(frozen, *, wet=True):
    """Return the load a frozen crust carries over ground that carries nothing.

    W = C z^2 (Shoop 1995, Can. Geotech. J. 32:552-556, abstract). A crust stops
    ruts; it does not spare the subsoil from stress.

    Parameters
    ----------
    frozen : float or ndarray
        Frozen thickness. [m]
    wet : bool
        The ground below is wet.

    Returns
    -------
    float or ndarray
        Weight force of the vehicle. [N]

    Examples
    --------
    >>> round(bearing_load(0.10))
    8600
    """
    return (BEARING_WET if wet else BEARING_DRY) * np.square(frozen)


def frozen_thickness_needed(load, *, wet=True):
    """Return the frozen thickness [m] that carries a load [N]; see `bearing_load`."""
    return np.sqrt(np.asarray(load) / (BEARING_WET if wet else BEARING_DRY))


def frost_word(frozen: float, *, load: float, drier_than_plastic: bool) -> str:
    """Return what frozen ground carries: carries, may rut, or does not carry.

    Parameters
    ----------
    frozen : float
        Frozen thickness. [m]
    load : float
        Weight force of the heaviest vehicle. [N]
    drier_than_plastic : bool
        The ground below the crust is drier than its plastic limit.

    Notes
    -----
    5 cm over ground that is only moderately soft usually allows travel (CRREL
    SR-04-1, section 5.2, excerpt); the rest is a choice. Less than 5 cm never counts.
    """
    if frozen >= float(frozen_thickness_needed(load)):
        return "carries"
    if frozen >= 0.05:
        return "carries" if drier_than_plastic else "may rut"
    return "does not carry"


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
    theta : ndarray, shape (n_cells,)
        [m3/m3]
    theta_s, bulk_density, quartz : float
        [m3/m3], [kg/m3], [1]
    resistance : float
        Of residue and snow. [m2 K/W]
    """

    thickness: np.ndarray
    theta: np.ndarray
    theta_s: float
    bulk_density: float
    quartz: float
    resistance: float = 0.0


def frozen_by_hour(
    soil: TopsoilHeat,
    *,
    start_temperature,
    surface_temperature=None,
    forcing=None,
    k_frozen=0.0,
    k_thawed=0.0,
) -> tuple[np.ndarray, np.ndarray]:
    """Return frozen thickness and temperatures hour by hour.

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
    frozen : ndarray, shape (n_hours,)
        Ice share summed over thickness, at the end of the hour. [m]
    temperature : ndarray, shape (n_hours, n_cells)
        [degC]

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
    theta = np.maximum(np.asarray(soil.theta, dtype=np.float64), 0.02)
    start = np.asarray(start_temperature, dtype=np.float64)
    enthalpy = np.array(
        [
            enthalpy_of(float(t), float(w), soil.bulk_density)
            for t, w in zip(start, theta, strict=True)
        ]
    )
    thickness = np.asarray(soil.thickness, dtype=np.float64)
    highest = k_frozen or max(
        conductivity_johansen(
            w,
            theta_s=soil.theta_s,
            bulk_density=soil.bulk_density,
            quartz=soil.quartz,
            frozen=True,
        )
        for w in theta
    )
    heat = 2.0e6 * soil.bulk_density / 2650.0 + 1.88e6 * float(theta.min())
    stable = float(thickness.min()) ** 2 * heat / (3.0 * highest)
    per_hour = max(1, math.ceil(3600.0 / (0.9 * stable)))
    frozen, temperature = np.empty(hours), np.empty((hours, theta.size))
    heat_column(
        enthalpy,
        theta,
        soil.theta_s,
        soil.bulk_density,
        soil.quartz,
        thickness,
        float(soil.resistance),
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
        temperature,
    )
    return frozen, temperature


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
    wind : float
        At 2 m. [m/s]
    albedo : float
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
    clear = 0.34 - 0.14 * np.sqrt(saturation_pressure(low))
    sky = 1.0 - clear * (1.0 - 0.75 * cloud)
    n = low.size * 24
    hour = (np.arange(n) + 0.5) % 24.0
    day = np.arange(n) // 24
    rise = 12.0 - 0.5 * length
    shape = np.sin(math.pi * (hour - rise[day]) / length[day])
    shape = np.where((hour > rise[day]) & (hour < 24 - rise[day]), shape, 0.0)
    total = np.bincount(day, weights=shape) * 3600.0
    absorbed = (1.0 - albedo) * sun[day] * shape / total[day]
    if evaporation is None:
        latent = 0.3 * absorbed
    else:
        spent = np.atleast_1d(np.asarray(evaporation, dtype=np.float64)) * 2.45e9
        latent = spent[day] * shape / total[day]
    # Heat capacity of air 1.2 kg/m3 x 1013 J/kg/K, resistance 208 / u2 s/m (FAO-56).
    exchange = np.full(n, 1.2 * 1013.0 * max(wind, 0.1) / 208.0)
    air = _air(low, high, rise, hour, day)
    return HourlyForcing(
        *(part[start_hour:] for part in (air, absorbed, sky[day], exchange, latent))
    )


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
