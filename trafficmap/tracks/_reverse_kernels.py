"""Kernels of reversing: where a machine turns back, and which way it drove between."""

from __future__ import annotations

import math

import numpy as np
from numba import njit


@njit(cache=True)
def find_cusps(start, length, duration, place, before, after, reach, slowest, cusp):
    """Mark the fixes after which a machine drives back the way it came.

    There the direction over the way before and the way after differ by more than 120
    degrees, one of the two steps is short and none very long, so that it is no turn
    between two fixes, and one of them is slower than `slowest`. Of the fixes in a row
    for which that holds the farthest one out is marked, the last of several on one
    spot. `cusp` comes cleared.
    """
    n = start.size
    k = 1
    while k < n:
        if start[k] or not _sharp(before[k], after[k]):
            k += 1
            continue
        first = k
        while k < n and not start[k] and _sharp(before[k], after[k]):
            k += 1
        east, north = math.sin(before[first]), math.cos(before[first])
        best = first
        far = -np.inf
        slow, short, long = np.inf, np.inf, 0.0
        for i in range(first, k):
            out = east * place[i, 0] + north * place[i, 1]
            if out >= far - 0.01:
                far = max(far, out)
                best = i
        for i in range(first, min(k + 1, n)):
            if start[i] or duration[i] <= 0.0:
                continue
            slow = min(slow, length[i] / duration[i])
            short = min(short, length[i])
            long = max(long, length[i])
        if slow <= slowest and short <= reach and long <= 3.0 * reach:
            cusp[best] = True


@njit(cache=True)
def _sharp(before, after):
    return math.cos(after - before) < -0.5  # False where either is not known


@njit(cache=True)
def choose_signs(length, fast, lean, opens, free, steep, spin, back):
    """Say which stretches between cusps were driven backward, by least cost.

    Backward costs its length, and `steep` times what is over `free` where it was
    `fast`; going on forward through a cusp costs `spin`, since nothing on wheels turns
    on the spot. `lean` is added to the cost of backward: evidence of the log. Two
    states, one sweep forward and one back (A. J. Viterbi 1967, IEEE Transactions on
    Information Theory 13:260-269, from memory).
    """
    n = length.size
    cost = np.zeros((n, 2))
    came = np.zeros((n, 2), dtype=np.int64)
    for k in range(n):
        own = length[k] + lean[k]
        if fast[k]:
            own += steep * max(0.0, length[k] - free)
        for s in range(2):
            if k == 0:
                best, source = 0.0, 0
            elif opens[k]:
                source = 0 if cost[k - 1, 0] <= cost[k - 1, 1] else 1
                best = cost[k - 1, source]
            else:
                stay, flip = cost[k - 1, s] + spin, cost[k - 1, 1 - s]
                source = 1 - s if flip <= stay else s
                best = min(stay, flip)
            came[k, s] = source
            cost[k, s] = best + (own if s == 1 else 0.0)
    if n == 0:
        return
    s = 0 if cost[n - 1, 0] <= cost[n - 1, 1] else 1
    for k in range(n - 1, -1, -1):
        back[k] = s == 1
        s = came[k, s]
