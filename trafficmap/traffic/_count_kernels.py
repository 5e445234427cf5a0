"""Kernel that counts and sums the events of each cell."""

from __future__ import annotations

import math

import numpy as np
from numba import njit


@njit(cache=True)
def count_cells(
    start,
    pass_index,
    wheel,
    state,
    distance,
    slot,
    axle_slot,
    wheel_mass,
    axle_mass,
    limits,
    n_passes,
    passes,
    wheel_passes,
    heaviest_axle,
    heaviest_wheel,
    mass_distance,
):
    """Fill the counts of each cell; return the events whose load is not known.

    `axle_slot` numbers axles within their machine, as `slot` does wheels. Wheels of
    one axle in one pass are one wheel pass, as often as the wheel that came most
    often. `wheel_passes` has a row for each limit: wheel passes with more than that
    mass on the wheel.
    """
    n_limits = limits.size
    # What was seen of a pass holds for the cell in `seen`; no clearing between cells.
    seen = np.full(n_passes, -1, dtype=np.int64)
    by_wheel = np.zeros((n_passes, wheel_mass.shape[1], n_limits), dtype=np.int32)
    by_axle = np.zeros((n_passes, axle_mass.shape[1], n_limits), dtype=np.int32)
    unknown = 0
    for c in range(start.size - 1):
        only_unknown = start[c + 1] > start[c]
        for e in range(start[c], start[c + 1]):
            p, s = pass_index[e], state[e]
            if seen[p] != c:
                seen[p] = c
                passes[c] += 1
                by_wheel[p] = 0
                by_axle[p] = 0
            w, a = slot[wheel[e]], axle_slot[wheel[e]]
            mass = wheel_mass[s, w]
            if math.isnan(mass):
                unknown += 1
            else:
                only_unknown = False
                heaviest_wheel[c] = max(heaviest_wheel[c], mass)
                mass_distance[c] += mass * distance[e]
                if axle_mass[s, a] > heaviest_axle[c]:
                    heaviest_axle[c] = axle_mass[s, a]
            for k in range(n_limits):
                # A wheel of unknown load passed, whatever it carried.
                if mass > limits[k] or (k == 0 and math.isnan(mass)):
                    by_wheel[p, w, k] += 1
                    if by_wheel[p, w, k] > by_axle[p, a, k]:
                        by_axle[p, a, k] += 1
                        wheel_passes[k, c] += 1
        if only_unknown:
            heaviest_axle[c] = np.nan
            heaviest_wheel[c] = np.nan
            mass_distance[c] = np.nan
    return unknown


@njit(cache=True)
def join_cover(start, cover, hit, hits, samples, out):
    """Fill `out` with the share of each cell run over at least once.

    One event: its own cover. More: the sampled union, and of what the samples missed
    of the exact areas the part that falls on ground not run over; held between the
    largest single cover and their sum.
    """
    for c in range(start.size - 1):
        largest, total = 0.0, 0.0
        for e in range(start[c], start[c + 1]):
            largest = max(largest, cover[e])
            total += cover[e]
        if start[c + 1] - start[c] < 2 or hits[c] == 0:
            out[c] = largest
            continue
        marked = 0
        bits = hit[c]
        while bits != np.uint64(0):
            bits &= bits - np.uint64(1)
            marked += 1
        union = marked / samples
        sampled = hits[c] / samples
        # Where no sample was hit twice nothing overlaps, and the areas are exact.
        free = 1.0 if marked == hits[c] else 1.0 - union
        union += free * (total - sampled)
        out[c] = min(max(union, largest), min(total, 1.0))
