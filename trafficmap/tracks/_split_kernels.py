"""Kernels of splitting: shape of the track, short runs, cuts at turns."""

from __future__ import annotations

import math

import numpy as np
from numba import njit


@njit(cache=True)
def track_shape(seconds, start, length, place, reach, before, after, speed):
    """Fill the direction over the last and the next `reach` metres, and the speed.

    Directions clockwise from north [rad], over chords that never cross a start; NaN
    where less than a fifth of `reach` is there. A direction over a distance, not a
    time, does not depend on how often the log has a fix.
    """
    n = seconds.size
    first = 0
    while first < n:
        end = first + 1
        while end < n and not start[end]:
            end += 1
        gone = np.zeros(end - first)
        for k in range(first + 1, end):
            gone[k - first] = gone[k - first - 1] + length[k]
        low, high = first, first
        for k in range(first, end):
            here = gone[k - first]
            while low + 1 <= k and here - gone[low + 1 - first] >= reach:
                low += 1
            high = max(high, k)
            while high < end - 1 and gone[high - first] - here < reach:
                high += 1
            before[k] = _direction(place, low, k, here - gone[low - first], reach)
            after[k] = _direction(place, k, high, gone[high - first] - here, reach)
            passed = seconds[high] - seconds[low]
            way = gone[high - first] - gone[low - first]
            speed[k] = way / passed if passed > 0.0 else 0.0
        first = end


@njit(cache=True)
def _direction(place, a, b, way, reach):
    east = place[b, 0] - place[a, 0]
    north = place[b, 1] - place[a, 1]
    if way < 0.2 * reach or (east == 0.0 and north == 0.0):
        return np.nan
    return math.atan2(east, north)


@njit(cache=True)
def fill_holes(flag, start, seconds, longest):
    """Set `flag` in breaks between two set runs that last no longer than `longest`.

    The step into a fix belongs to it, so a break lasts from the last set fix before
    it to its own last fix.
    """
    n = flag.size
    last = -1
    for k in range(n):
        if start[k]:
            last = -1
        if not flag[k]:
            continue
        if 0 <= last < k - 1 and seconds[k - 1] - seconds[last] <= longest:
            flag[last + 1 : k] = True
        last = k


@njit(cache=True)
def drop_short(flag, start, seconds, length, shortest, nearest):
    """Clear runs of `flag` that last less than `shortest` or reach less far."""
    n = flag.size
    k = 0
    while k < n:
        if not flag[k]:
            k += 1
            continue
        end = k + 1
        while end < n and flag[end] and not start[end]:
            end += 1
        first = k if k == 0 or start[k] else k - 1
        if (
            seconds[end - 1] - seconds[first] < shortest
            or length[k:end].sum() < nearest
        ):
            flag[k:end] = False
        k = end


@njit(cache=True)
def grow_straight(flag, allowed, start, length, place, reach, off):
    """Lead runs of `flag` on along their own line, at most `reach` at each end.

    The line of an end is the chord over the `reach` of the run nearest to it. A run
    goes on while fixes are `allowed`, lie within `off` of that line, and get on.
    """
    n = flag.size
    k = 0
    while k < n:
        if not flag[k]:
            k += 1
            continue
        first = k
        end = k + 1
        while end < n and flag[end] and not start[end]:
            end += 1
        # Ahead.
        inner, way = end - 1, 0.0
        while inner > first and way < reach:
            way += length[inner]
            inner -= 1
        _grow(flag, allowed, start, place, end - 1, inner, 1, reach, off)
        # And before it; the step into a fix belongs to it, so one fix is left alone.
        inner, way = first, 0.0
        while inner < end - 1 and way < reach:
            inner += 1
            way += length[inner]
        _grow(flag, allowed, start, place, first, inner, -1, reach, off)
        k = end
        while k < n and flag[k]:
            if start[k]:
                break
            k += 1


@njit(cache=True)
def _grow(flag, allowed, start, place, edge, inner, step, reach, off):
    east = place[edge, 0] - place[inner, 0]
    north = place[edge, 1] - place[inner, 1]
    way = math.hypot(east, north)
    if way <= 0.0:
        return
    east, north = east / way, north / way
    gone = 0.0
    k = edge
    while True:
        broken = start[k + 1] if step > 0 and k + 1 < flag.size else start[k]
        k += step
        if k < 0 or k >= flag.size or broken or not allowed[k] or flag[k]:
            return
        de, dn = place[k, 0] - place[edge, 0], place[k, 1] - place[edge, 1]
        along = de * east + dn * north
        if along < gone or along > reach or abs(de * north - dn * east) > off:
            return
        gone = along
        flag[k] = True


@njit(cache=True)
def mark_turns(
    working,
    open_to_turn,
    start,
    seconds,
    length,
    before,
    after,
    angle,
    longest,
    far,
    out,
):
    """Mark what lies between two working runs that run in different directions.

    Nothing longer than `longest` [s] or `far` [m] is a turn, and nothing that holds a
    fix that is not `open_to_turn`.
    """
    n = working.size
    last = -1
    for k in range(n):
        if start[k]:
            last = -1
        if not working[k]:
            continue
        if 0 <= last < k - 1:
            whole = True
            for i in range(last + 1, k):
                whole = whole and open_to_turn[i]
            turned = abs(wrap(after[k] - before[last]))
            # Without a direction on both sides it is taken for a turn.
            if (
                whole
                and not turned <= angle
                and seconds[k] - seconds[last] <= longest
                and length[last + 1 : k].sum() <= far
            ):
                out[last + 1 : k] = True
        last = k


@njit(cache=True)
def wrap(angle):
    """Return `angle` between -pi and pi; NaN stays."""
    return math.atan2(math.sin(angle), math.cos(angle))


@njit(cache=True)
def number_runs(kind, start, length, before, after, reach, angle, follow, cut, out):
    """Number runs of one kind without a start inside; cut where they turn.

    The direction of a run follows the track with distance `follow`; where the track
    leaves it by more than `angle` a new run begins, for kinds that `cut` names. The
    first `reach` metres of a run look ahead, lest they see the turn before it.
    Returns the number of runs.
    """
    runs = 0
    east, north, gone = 0.0, 0.0, 0.0
    for k in range(kind.size):
        new = k == 0 or start[k] or kind[k] != kind[k - 1]
        if new:
            east, north, gone = 0.0, 0.0, 0.0
        else:
            gone += length[k]
        course = before[k] if gone >= reach else after[k]
        if cut[kind[k]] and not math.isnan(course):
            fx, fy = math.sin(course), math.cos(course)
            if east == 0.0 and north == 0.0:
                east, north = fx, fy
            elif math.cos(angle) * math.hypot(east, north) > fx * east + fy * north:
                new = True
                east, north = fx, fy
            else:
                share = 1.0 - math.exp(-length[k] / follow)
                east += share * (fx - east)
                north += share * (fy - north)
        if new:
            runs += 1
        out[k] = runs - 1
    return runs
