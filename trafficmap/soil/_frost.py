"""Kernels of frost: conductivity, the exact root of a front, and one day of it."""

import math

from numba import njit

LATENT = 334e6
"""Heat that freezes one cubic metre of water [J/m3]."""


@njit(cache=True)
def thermal_conductivity(theta, theta_s, density, quartz, frozen):
    """Johansen 1975: conductivity of soil, thawed or frozen [W/m/K]."""
    filled = min(1.0, max(1e-6, theta / theta_s))
    dry = (0.135 * density + 64.7) / (2700.0 - 0.947 * density)
    solid = 7.7**quartz * 2.0 ** (1.0 - quartz)
    if frozen:
        full = solid ** (1.0 - theta_s) * 2.2**theta_s
        return dry + (full - dry) * filled
    full = solid ** (1.0 - theta_s) * 0.57**theta_s
    return dry + (full - dry) * max(0.05, math.log10(filled) + 1.0)


@njit(cache=True)
def grow_front(front, degree_seconds, conductivity, theta, resistance):
    """Move a freezing or thawing front on: the exact root of the Stefan equation.

    d front / d t = k T / (L theta (front + k R)).
    """
    cover = conductivity * resistance
    push = 2.0 * conductivity * degree_seconds / (LATENT * max(theta, 0.02))
    return math.sqrt((front + cover) ** 2 + push) - cover


@njit(cache=True)
def berggren(alpha, mu):
    """Factor on the Stefan depth, the root of the exact two-phase solution.

    exp(-g2) / erf(g) - alpha exp(-g2) / erfc(g) = sqrt(pi) g / mu, by bisection: the
    left side falls and the right side rises with g, so there is one root.
    """
    low, high = 1e-9, 5.0
    for _ in range(60):
        g = 0.5 * (low + high)
        fall = math.exp(-g * g)
        left = fall / math.erf(g) - alpha * fall / math.erfc(g)
        if left > math.sqrt(math.pi) * g / mu:
            low = g
        else:
            high = g
        if high - low < 1e-12:
            break
    return 0.5 * (low + high) * math.sqrt(2.0 / mu)


@njit(cache=True)
def frost_day(
    state,
    temperature,
    snow,
    theta,
    theta_s,
    density,
    quartz,
    resistance,
    freeze_factor,
    thaw_factor,
    path,
):
    """Move the fronts of one column on by a day; ``state`` is changed.

    ``state`` holds the depth of the front [m], the depth thawed above it [m], the
    crust frozen anew on thawed ground [m], the frost of this spell [degC d] and its
    days, and the warmth of the ground before it froze [degC]. ``snow`` is its water
    [m], ``path`` the way heat has to come up from below [m].
    """
    front, thawed, crust = state[0], state[1], state[2]
    if front <= 0.0:
        # What the air was like in the month before is what the ground below still is.
        state[5] += (temperature - state[5]) / 30.0
    if temperature < 0.0:
        cover = resistance + snow / 0.1 / 0.15
        at_surface = -temperature * freeze_factor
        state[3] += at_surface
        state[4] += 1.0
        mean = state[3] / state[4]
        heat = 2.0e6 * density / 2650.0 + 3.03e6 * theta
        mu = heat * mean / (LATENT * max(theta, 0.02))
        factor = berggren(max(state[5], 0.0) / mean, mu)
        # The depth takes the factor, so what drives its square takes it twice.
        push = factor * factor * at_surface * 86400.0
        k = thermal_conductivity(theta, theta_s, density, quartz, True)
        if thawed > 0.0:
            # New frost first closes the thawed ground above the old one.
            grown = grow_front(crust, push, k, theta, cover)
            thawed -= grown - crust
            crust = grown
            if thawed <= 0.0:
                thawed = 0.0
                crust = 0.0
        else:
            front = grow_front(front, push, k, theta, cover)
    elif front > 0.0:
        k = thermal_conductivity(theta, theta_s, density, quartz, False)
        crust = 0.0
        if snow < 1e-3:
            push = temperature * thaw_factor * 86400.0
            thawed = grow_front(thawed, push, k, theta, resistance)
        warmth = k * max(state[5], 0.0) / path * 86400.0
        front -= warmth / (LATENT * max(theta, 0.02))
    if thawed >= front:
        front = thawed = crust = 0.0
    if front <= 0.0 and temperature >= 0.0:
        state[3] = state[4] = 0.0
    state[0], state[1], state[2] = front, thawed, crust
