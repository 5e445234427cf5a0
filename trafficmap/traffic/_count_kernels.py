"""Kernel that takes the heaviest, the sums and the days of each cell."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

# Rows of what `count_cells` fills.
AXLE, WHEEL_LOW, WHEEL, WHEEL_HIGH, DISTANCE, FRESH_WHEEL, FIRST, LAST = range(8)
ROWS = 8


@njit(cache=True)
def count_cells(
    start,
    wheel,
    state,
    time,
    distance,
    fresh,
    slot,
    axle_slot,
    wheel_mass,
    axle_mass,
    out,
):
    """Fill `out` (ROWS, cells); return the events whose load is not known.

    `axle_slot` numbers axles within their machine, as `slot` does wheels. The first
    axis of `wheel_mass` is low, best, high.
    """
    unknown = 0
    for c in range(start.size - 1):
        only_unknown = start[c + 1] > start[c]
        best_fresh = -1.0
        first, last = np.nan, np.nan
        for e in range(start[c], start[c + 1]):
            s, w, a = state[e], slot[wheel[e]], axle_slot[wheel[e]]
            mass = wheel_mass[1, s, w]
            if fresh[e] > best_fresh:
                best_fresh = fresh[e]
                out[FRESH_WHEEL, c] = mass
            # Events without a time come last in their cell.
            if not math.isnan(time[e]):
                if math.isnan(first):
                    first = time[e]
                last = time[e]
            if math.isnan(mass):
                unknown += 1
                continue
            only_unknown = False
            out[WHEEL, c] = max(out[WHEEL, c], mass)
            out[WHEEL_LOW, c] = max(out[WHEEL_LOW, c], wheel_mass[0, s, w])
            out[WHEEL_HIGH, c] = max(out[WHEEL_HIGH, c], wheel_mass[2, s, w])
            out[DISTANCE, c] += mass * distance[e]
            if axle_mass[s, a] > out[AXLE, c]:
                out[AXLE, c] = axle_mass[s, a]
        out[FIRST, c] = first
        out[LAST, c] = last
        if only_unknown:
            for row in (AXLE, WHEEL_LOW, WHEEL, WHEEL_HIGH, DISTANCE, FRESH_WHEEL):
                out[row, c] = np.nan
    return unknown
