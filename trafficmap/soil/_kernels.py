"""Kernels of the water balance: one soil column after another, day by day."""

import numpy as np
from numba import njit

from trafficmap.soil._frost import frost_day


@njit(cache=True)
def drain_layer(theta, theta_s, k_sat, power, thickness, seconds):
    """Water content after draining under unit gradient: exact power-law step."""
    if theta <= 0.0:
        return theta
    filled = theta / theta_s
    fall = (power - 1.0) * k_sat * seconds / (thickness * theta_s)
    return theta_s * (filled ** (1.0 - power) + fall) ** (1.0 / (1.0 - power))


@njit(cache=True)
def drain_hour(
    theta, inflow, thickness, theta_s, theta_33, k_sat, power, tile, deep, seconds
):
    """Pass water down a column once; return what left below and what came back up.

    ``tile`` is the rate tile can carry [m/s], 0 for none; ``deep`` the rate the ground
    below takes.
    """
    n = theta.size
    water = inflow
    below = 0.0
    for i in range(n):
        held = theta[i] * thickness[i] + water
        excess = max(0.0, held - theta_s[i] * thickness[i])
        start = (held - excess) / thickness[i]
        end = drain_layer(start, theta_s[i], k_sat[i], power[i], thickness[i], seconds)
        water = (start - end) * thickness[i] + excess
        theta[i] = end
        if i == n - 1:
            # Tile takes drainable water only, so it never dries below 33 kPa.
            drainable = max(0.0, (end - theta_33[i]) * thickness[i] + water)
            below = min(water, max(deep * seconds, min(tile * seconds, drainable)))
            theta[i] += (water - below) / thickness[i]
    for i in range(n - 1, 0, -1):
        excess = (theta[i] - theta_s[i]) * thickness[i]
        if excess > 0.0:
            theta[i] = theta_s[i]
            theta[i - 1] += excess / thickness[i - 1]
    excess = (theta[0] - theta_s[0]) * thickness[0]
    if excess > 0.0:
        theta[0] = theta_s[0]
        return below, excess
    return below, 0.0


@njit(cache=True)
def runoff_curve_number(rain, curve_number):
    """Runoff of a day's rain [m], USDA TR-55 equations 2-1 to 2-4."""
    storage = 0.254 * (100.0 / curve_number - 1.0)
    lost = 0.2 * storage
    if rain <= lost:
        return 0.0
    return (rain - lost) ** 2 / (rain + 0.8 * storage)


@njit(cache=True)
def wetness_curve_number(average, depletion, readily, total):
    """Curve number for today's wetness, between those for dry and wet ground."""
    dry = average / (2.281 - 0.01281 * average)
    wet = average / (0.427 + 0.00573 * average)
    low = 0.5 * readily
    high = 0.7 * readily + 0.3 * total
    if depletion <= low:
        return wet
    if depletion >= high:
        return dry
    return wet + (dry - wet) * (depletion - low) / (high - low)


@njit(cache=True)
def soil_evaporation(eto, depletion, readily, total, basal, top, few, residue):
    """Evaporation of a day from bare and wetted ground [m], FAO-56 chapter 7.

    ``residue`` is the factor of crop residue, in the first stage only.
    """
    if depletion <= readily:
        reduction = residue
    else:
        reduction = max(0.0, (total - depletion) / (total - readily))
    return eto * max(0.0, min(reduction * (top - basal), few * top))


@njit(cache=True)
def run_column(
    theta,
    thickness,
    theta_s,
    theta_33,
    theta_1500,
    k_sat,
    power,
    roots,
    rain,
    mean_temperature,
    eto,
    basal,
    bare,
    by_bare_share,
    liquid_surface,
    liquid_layer,
    curve_number,
    tile,
    deep,
    readily,
    total,
    residue,
    melt_factor,
    density,
    quartz,
    resistance,
    freeze_factor,
    thaw_factor,
    thaw_path,
    out_theta,
    out_frost,
    out_flux,
):
    """Follow the water of one column; return the worst daily closure error [m].

    Arrays are SI, one value a layer or a day; ``liquid_layer`` has shape (days,
    layers). ``theta`` is the start and is changed. ``out_theta`` (days, layers);
    ``out_frost`` (days, 2): frozen down to, thawed from the top down to [m];
    ``out_flux`` (days, 6): snow lying as water, runoff, evaporation, uptake, drained
    below, water that came in [m].
    """
    n_days = rain.size
    n = theta.size
    snow = 0.0
    depletion = 0.0
    frost = np.zeros(6)
    frost[5] = mean_temperature[0]
    worst = 0.0
    for day in range(n_days):
        before = snow
        for i in range(n):
            before += theta[i] * thickness[i]
        t = mean_temperature[day]
        falls_as_snow = min(1.0, max(0.0, 1.0 - 0.5 * t)) * rain[day]
        snow += falls_as_snow
        melt = min(snow, melt_factor * max(t, 0.0))
        snow -= melt
        reaching = rain[day] - falls_as_snow + melt + liquid_surface[day]
        came_in = rain[day] + liquid_surface[day]
        number = wetness_curve_number(curve_number, depletion, readily, total)
        if frost[0] - frost[1] >= 0.05 and theta[0] > theta_33[0]:
            number = 98.0
        lost = runoff_curve_number(reaching, number)
        soaked = reaching - lost
        runoff = lost
        for i in range(n):
            theta[i] += liquid_layer[day, i] / thickness[i]
            came_in += liquid_layer[day, i]
        below = 0.0
        for _ in range(24):
            out, back = drain_hour(
                theta,
                soaked / 24.0,
                thickness,
                theta_s,
                theta_33,
                k_sat,
                power,
                tile,
                deep,
                3600.0,
            )
            below += out
            runoff += back
        demand = eto[day] if snow < 1e-3 else 0.0
        depletion = min(total, max(0.0, depletion - soaked))
        evaporated = soil_evaporation(
            demand,
            depletion,
            readily,
            total,
            basal[day],
            max(1.2, basal[day] + 0.05),
            bare[day],
            residue,
        )
        # The account cannot pay out more than is left in it; without this a day's
        # demand is taken in full from the last millimetre, which sands show.
        left = total - depletion
        evaporated = min(evaporated, left * bare[day] if by_bare_share else left)
        hold_0 = max(0.0, (theta[0] - 0.5 * theta_1500[0]) * thickness[0])
        hold_1 = max(0.0, (theta[1] - 0.5 * theta_1500[1]) * thickness[1])
        from_0 = min(0.7 * evaporated, hold_0)
        from_1 = min(evaporated - from_0, hold_1)
        from_0 = min(evaporated - from_1, hold_0)
        evaporated = from_0 + from_1
        theta[0] -= from_0 / thickness[0]
        theta[1] -= from_1 / thickness[1]
        taken = 0.0
        taken_top = 0.0
        if basal[day] > 0.0 and demand > 0.0:
            stress = np.zeros(n)
            supply = 0.0
            for i in range(n):
                easy = 0.45 * (theta_33[i] - theta_1500[i])
                stress[i] = min(1.0, max(0.0, (theta[i] - theta_1500[i]) / easy))
                supply += roots[i] * stress[i]
            for i in range(n):
                use = basal[day] * demand * roots[i] * stress[i] / max(supply, 0.5)
                use = min(use, max(0.0, (theta[i] - theta_1500[i]) * thickness[i]))
                theta[i] -= use / thickness[i]
                taken += use
                if i == 0:
                    taken_top = use
        dried = evaporated / max(bare[day], 0.01) if by_bare_share else evaporated
        depletion = min(total, depletion + dried + taken_top)
        wet = 0.25 * theta[0] + 0.25 * theta[1] + 0.5 * theta[2]
        frost_day(
            frost,
            t,
            snow,
            wet,
            theta_s[1],
            density,
            quartz,
            resistance,
            freeze_factor,
            thaw_factor,
            thaw_path,
        )
        after = snow
        for i in range(n):
            after += theta[i] * thickness[i]
            out_theta[day, i] = theta[i]
        out_frost[day, 0] = frost[0]
        out_frost[day, 1] = frost[1]
        out_flux[day, 0] = snow
        out_flux[day, 1] = runoff
        out_flux[day, 2] = evaporated
        out_flux[day, 3] = taken
        out_flux[day, 4] = below
        out_flux[day, 5] = came_in
        spent = runoff + evaporated + taken + below
        worst = max(worst, abs(before + came_in - spent - after))
    return worst
