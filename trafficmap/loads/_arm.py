"""Loops of an arm whose leading end is led along a path: the tractrix, both ways."""

import math

from numba import njit

from trafficmap.loads._kernels import wrap


@njit(cache=True)
def turn_towards(psi, de, dn, arm):
    """Heading of an arm after its leading end moved straight by (de, dn); exact.

    A negative `arm` undoes it: the heading before a push, asked after it.
    """
    step = math.hypot(de, dn)
    if step < 1e-12:
        return psi
    course = math.atan2(de, dn)
    phi = wrap(course - psi)
    # At exactly 180 degrees the arm is balanced; a breath decides the side.
    phi = min(max(phi, -math.pi + 1e-9), math.pi - 1e-9)
    return wrap(course - 2.0 * math.atan(math.tan(0.5 * phi) * math.exp(-step / arm)))


@njit(cache=True)
def error_after(error, psi, de, dn, arm, noise):
    """Error of the heading after the same step; exact slope, noise of the path added.

    Pulled it tends to `noise`, pushed (`arm` negative) it grows as exp(step / arm).
    """
    step = math.hypot(de, dn)
    if step < 1e-12:
        return error
    half = 0.5 * wrap(math.atan2(de, dn) - psi)
    ratio = math.exp(-step / arm)
    slope = ratio / (math.cos(half) ** 2 + (ratio * math.sin(half)) ** 2)
    return math.sqrt((error * slope) ** 2 + 2.0 * noise * noise * step / abs(arm))


@njit(cache=True)
def follow(
    easting, northing, step_sign, arm, guess, doubt, noise, max_angle, out, error
):
    """Heading of an arm whose leading end runs along the path; trailing end rolls.

    Pulled steps (sign 1) are swept forward in time. Pushed ones (-1), between two
    cusps, are swept both ways: forward from the heading the pull left, which is exact
    but loses e-fold for every arm length, and backward in time from `guess` at the
    cusp behind, where that sweep gains e-fold. Each is weighed by its own error; a
    forward sweep that leaves `max_angle` about the guess is no longer believed. After
    a break the arm starts at `guess`. `doubt` is the error of the guess, `noise` that
    of a heading long pulled; `error` returns the error at every station [rad].
    """
    n = easting.size
    if n == 0:
        return
    out[0] = guess[0]
    error[0] = doubt
    i = 0
    while i < n - 1:
        sign = step_sign[i]
        if sign == 0:
            out[i + 1] = guess[i + 1]
            error[i + 1] = doubt
            i += 1
            continue
        j = i
        while j < n - 1 and step_sign[j] == sign:
            j += 1
        if sign > 0:
            for k in range(i, j):
                de = easting[k + 1] - easting[k]
                dn = northing[k + 1] - northing[k]
                later = error_after(error[k], out[k], de, dn, arm, noise)
                out[k + 1] = turn_towards(out[k], de, dn, arm)
                error[k + 1] = min(later, doubt)
        else:
            _push(
                easting,
                northing,
                i,
                j,
                arm,
                guess,
                doubt,
                noise,
                max_angle,
                out,
                error,
            )
        i = j


@njit(cache=True)
def _push(easting, northing, i, j, arm, guess, doubt, noise, max_angle, out, error):
    """Fill stations i to j of a pushed piece; station i holds what the pull left."""
    ahead, ahead_error = out[i], error[i]
    out[j], error[j] = guess[j], doubt
    total = 0.0
    for k in range(j - 1, i - 1, -1):
        de = easting[k] - easting[k + 1]
        dn = northing[k] - northing[k + 1]
        total += math.hypot(de, dn)
        error[k] = error_after(error[k + 1], out[k + 1], de, dn, arm, noise)
        out[k] = turn_towards(out[k + 1], de, dn, arm)
    reach = max(min(arm, total), 1e-9)
    believed = True
    gap = 0.0
    done = 0.0
    for k in range(i, j + 1):
        if k > i:
            # A push undone is a pull the other way.
            de = easting[k - 1] - easting[k]
            dn = northing[k - 1] - northing[k]
            done += math.hypot(de, dn)
            ahead_error = error_after(ahead_error, ahead, de, dn, -arm, noise)
            ahead = turn_towards(ahead, de, dn, -arm)
        bend = wrap(ahead - guess[k]) / max_angle
        trust = max(0.0, 1.0 - bend * bend)
        believed = believed and trust > 0.0 and ahead_error < 1.0
        mine = trust / max(ahead_error, 1e-6) ** 2 if believed else 0.0
        other = 1.0 / max(error[k], 1e-6) ** 2
        value = wrap(out[k] + wrap(ahead - out[k]) * mine / (mine + other))
        if k == i:
            # What a pull left stays; the rest is worked off over one arm length.
            gap = wrap(ahead - value) if ahead_error < 0.9 * doubt else 0.0
        value = wrap(value + gap * max(0.0, 1.0 - done / reach))
        bend = wrap(value - guess[k])
        if bend > max_angle:
            value = wrap(guess[k] + max_angle)
        elif bend < -max_angle:
            value = wrap(guess[k] - max_angle)
        out[k] = value
        error[k] = math.sqrt(1.0 / (mine + other))
