"""Kernels of heat in the topsoil: an explicit enthalpy scheme with ice."""

import numpy as np
from numba import njit

from trafficmap.soil._frost import LATENT, thermal_conductivity

_SIGMA = 5.67e-8  # W/m2/K4


@njit(cache=True)
def temperature_of(enthalpy, theta, density):
    """Temperature [degC] from heat above ice-cold dry frozen soil at 0 [J/m3]."""
    melt = LATENT * theta
    if enthalpy > melt:
        return (enthalpy - melt) / (2.0e6 * density / 2650.0 + 4.18e6 * theta)
    if enthalpy < 0.0:
        return enthalpy / (2.0e6 * density / 2650.0 + 1.88e6 * theta)
    return 0.0


@njit(cache=True)
def enthalpy_of(temperature, theta, density):
    """Heat content at a temperature; at 0 the soil is thawed [J/m3]."""
    if temperature >= 0.0:
        heat = 2.0e6 * density / 2650.0 + 4.18e6 * theta
        return LATENT * theta + heat * temperature
    return (2.0e6 * density / 2650.0 + 1.88e6 * theta) * temperature


@njit(cache=True)
def moved_enthalpy(enthalpy, theta, now, density):
    """Heat content after the water changed, at the same temperature and ice share."""
    if theta == now:
        return enthalpy
    melt = LATENT * theta
    if 0.0 <= enthalpy <= melt:
        return enthalpy / melt * LATENT * now
    return enthalpy_of(temperature_of(enthalpy, theta, density), now, density)


@njit(cache=True)
def ice_share(enthalpy, theta):
    """Share of the water that is ice."""
    return min(1.0, max(0.0, 1.0 - enthalpy / (LATENT * theta)))


@njit(cache=True)
def surface_temperature(
    below, conductance, air, absorbed, emissivity, exchange, latent, guess
):
    """Surface temperature that balances heat [degC], by Newton's method.

    absorbed + 0.97 s (e Ta^4 - Ts^4) - h (Ts - Ta) - LE = g (Ts - T1).
    """
    ts = guess
    sky = 0.97 * _SIGMA * emissivity * (air + 273.16) ** 4
    for _ in range(20):
        kelvin = ts + 273.16
        rest = (
            absorbed
            + sky
            - 0.97 * _SIGMA * kelvin**4
            - exchange * (ts - air)
            - latent
            - conductance * (ts - below)
        )
        slope = -4.0 * 0.97 * _SIGMA * kelvin**3 - exchange - conductance
        change = rest / slope
        ts -= change
        if abs(change) < 1e-4:
            break
    return ts


@njit(cache=True)
def heat_column(
    enthalpy,
    theta,
    theta_s,
    density,
    quartz,
    thickness,
    resistance,
    fixed_surface,
    surface,
    air,
    absorbed,
    emissivity,
    exchange,
    latent,
    step,
    steps_an_hour,
    k_frozen,
    k_thawed,
    out_frozen,
    out_thawed,
    out_temperature,
    out_heat,
    out_inflow,
):
    """Step heat through a column hour by hour, no flow at its foot.

    ``theta`` has a row a day and ``resistance`` a value a day, held from midnight on:
    water that comes or goes brings its own temperature and share of ice along. Else one
    value a cell or an hour. With ``fixed_surface`` the surface has the temperature
    ``surface``; else it balances its heat. ``k_frozen`` and ``k_thawed`` of 0 are
    computed from the soil. ``enthalpy`` is changed.
    """
    n = enthalpy.size
    water = theta[0].copy()
    conductivity = np.empty(n)
    temperature = np.empty(n)
    low = np.empty(n)
    high = np.empty(n)
    skin = 0.0
    before = 0.0
    cover = 0.0
    for hour in range(air.size):
        if hour % 24 == 0:
            day = min(hour // 24, theta.shape[0] - 1)
            for i in range(n):
                enthalpy[i] = moved_enthalpy(
                    enthalpy[i], water[i], theta[day, i], density
                )
                water[i] = theta[day, i]
                low[i] = k_thawed
                high[i] = k_frozen
                if k_thawed <= 0.0:
                    low[i] = thermal_conductivity(
                        water[i], theta_s, density, quartz, False
                    )
                if k_frozen <= 0.0:
                    high[i] = thermal_conductivity(
                        water[i], theta_s, density, quartz, True
                    )
            cover = resistance[min(hour // 24, resistance.size - 1)]
            before = 0.0
            for i in range(n):
                before += enthalpy[i] * thickness[i]
        inflow = 0.0
        for _ in range(steps_an_hour):
            for i in range(n):
                temperature[i] = temperature_of(enthalpy[i], water[i], density)
                ice = ice_share(enthalpy[i], water[i])
                conductivity[i] = low[i] + (high[i] - low[i]) * ice
            half = 0.5 * thickness[0] / conductivity[0]
            conductance = 1.0 / (half + cover)
            if fixed_surface:
                skin = surface[hour]
            else:
                skin = surface_temperature(
                    temperature[0],
                    conductance,
                    air[hour],
                    absorbed[hour],
                    emissivity[hour],
                    exchange[hour],
                    latent[hour],
                    skin,
                )
            flux = conductance * (skin - temperature[0])
            inflow += step * flux
            for i in range(n):
                if i < n - 1:
                    gap = (
                        0.5 * thickness[i] / conductivity[i]
                        + 0.5 * thickness[i + 1] / conductivity[i + 1]
                    )
                    down = (temperature[i] - temperature[i + 1]) / gap
                else:
                    down = 0.0
                enthalpy[i] += step * (flux - down) / thickness[i]
                flux = down
        frozen = 0.0
        thawed = 0.0
        heat = 0.0
        for i in range(n):
            ice = ice_share(enthalpy[i], water[i])
            if frozen == 0.0 and ice < 0.05:
                thawed += thickness[i]
            frozen += ice * thickness[i]
            if frozen < 0.05 * thickness[0]:
                frozen = 0.0
            heat += enthalpy[i] * thickness[i]
            out_temperature[hour, i] = temperature_of(enthalpy[i], water[i], density)
        out_frozen[hour] = frozen
        out_thawed[hour] = thawed if frozen > 0.0 else 0.0
        out_heat[hour] = heat - before
        out_inflow[hour] = inflow
        before = heat
