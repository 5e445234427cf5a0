"""Kernels that thin stations and put events of one cell in order."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

# Longest stretch without a kept station: bounds the work of the search.
MAX_SKIP = 128


@njit(cache=True)
def keep_stations(
    begin, x, y, fx, fy, time, state, travel, lever, tolerance, time_tolerance, keep
):
    """Mark the stations without which the path would move by more than `tolerance`.

    A station may go when its place, its heading at the end of `lever`, and its time
    are those of the straight line between its kept neighbours, and the load state
    does not change. The stretch is doubled until it fails, so the search is linear.
    """
    for path in range(begin.size - 1):
        first, end = begin[path], begin[path + 1]
        if end <= first:
            continue
        keep[first] = True
        keep[end - 1] = True
        here = first
        while here < end - 1:
            good = here + 1
            step = 2
            while step <= MAX_SKIP and here + step <= end - 1:
                if not _straight(
                    here,
                    here + step,
                    x,
                    y,
                    fx,
                    fy,
                    time,
                    state,
                    travel,
                    lever[path],
                    tolerance,
                    time_tolerance,
                ):
                    break
                good = here + step
                step *= 2
            keep[good] = True
            here = good


@njit(cache=True)
def _straight(
    a, b, x, y, fx, fy, time, state, travel, lever, tolerance, time_tolerance
):
    length = travel[b] - travel[a]
    if length <= 0.0:
        return False
    for k in range(a + 1, b):
        if state[k] != state[a]:
            return False
        t = (travel[k] - travel[a]) / length
        off = math.hypot(
            x[a] + t * (x[b] - x[a]) - x[k], y[a] + t * (y[b] - y[a]) - y[k]
        )
        swing = math.hypot(
            fx[a] + t * (fx[b] - fx[a]) - fx[k], fy[a] + t * (fy[b] - fy[a]) - fy[k]
        )
        if off + lever * swing > tolerance:
            return False
        late = time[a] + t * (time[b] - time[a]) - time[k]
        if abs(late) > time_tolerance:  # False where time is NaN, as it should be
            return False
    return True


@njit(cache=True)
def cell_starts(cell, start):
    """Fill `start` so that things of cell c are start[c] .. start[c + 1]."""
    start[:] = 0
    for k in range(cell.size):
        start[cell[k] + 1] += 1
    for c in range(start.size - 1):
        start[c + 1] += start[c]


@njit(cache=True)
def order_by_cell(cell, time, pass_id, axle, wheel, start, out):
    """Fill `out` with positions sorted by cell, then time, pass, axle, wheel.

    A counting sort by cell, then insertion within each cell: few things share a cell
    and each wheel's come in order of time.
    """
    fill = start[:-1].copy()
    for k in range(cell.size):
        c = cell[k]
        here = fill[c]
        while here > start[c] and _before(k, out[here - 1], time, pass_id, axle, wheel):
            out[here] = out[here - 1]
            here -= 1
        out[here] = k
        fill[c] += 1


@njit(cache=True)
def _before(a, b, time, pass_id, axle, wheel):
    # Things without a time come after those with one.
    known_a, known_b = not math.isnan(time[a]), not math.isnan(time[b])
    if known_a != known_b:
        return known_a
    if known_a and time[a] != time[b]:
        return time[a] < time[b]
    if pass_id[a] != pass_id[b]:
        return pass_id[a] < pass_id[b]
    if axle[a] != axle[b]:
        return axle[a] < axle[b]
    return wheel[a] < wheel[b]


@njit(cache=True)
def join_passes(start, part, pass_id, chain, travel, span):
    """Give all parts of a rig that roll over a cell the pass of the first of them.

    `part` is the wheel or axle, `chain` numbers passes driven without a break, and
    `span[chain]` is the length of the rig: two parts of a rig within it of each other
    along the way belong together although a pass was cut between them.
    """
    for c in range(start.size - 1):
        for e in range(start[c] + 1, start[c + 1]):
            for b in range(e - 1, max(start[c], e - 64) - 1, -1):
                if (
                    chain[b] == chain[e]
                    and pass_id[b] != pass_id[e]
                    and part[b] != part[e]
                    and abs(travel[e] - travel[b]) <= span[chain[e]]
                ):
                    pass_id[e] = pass_id[b]
                    break


@njit(cache=True)
def number_entries(start, wheel, chain, travel, span, out):
    """Number, within each cell, the times a rig came through.

    All wheels of a rig that roll over a cell within the length of the rig of one
    another came through together; a wheel that is back has come through again.
    """
    for c in range(start.size - 1):
        count = 0
        for e in range(start[c], start[c + 1]):
            out[e] = -1
            tried = -1
            for b in range(e - 1, start[c] - 1, -1):
                if (
                    chain[b] != chain[e]
                    or out[b] == tried
                    or abs(travel[e] - travel[b]) > span[chain[e]]
                ):
                    continue
                tried = out[b]
                back = False
                for a in range(start[c], e):
                    if out[a] == tried and wheel[a] == wheel[e]:
                        back = True
                        break
                if not back:
                    out[e] = tried
                    break
            if out[e] < 0:
                out[e] = count
                count += 1


@njit(cache=True)
def refs_by_event(ref_event, rank, start, order):
    """Fill `start` and `order` so that the pieces of event e are start[e] onwards.

    `rank` tells at which place the event of a piece stands once sorted.
    """
    start[:] = 0
    for r in range(ref_event.size):
        start[rank[ref_event[r]] + 1] += 1
    for e in range(start.size - 1):
        start[e + 1] += start[e]
    fill = start[:-1].copy()
    for r in range(ref_event.size):
        e = rank[ref_event[r]]
        order[fill[e]] = r
        fill[e] += 1


@njit(cache=True)
def grown(values, size):
    """Return a copy of `values` with room for `size`."""
    out = np.empty(size, dtype=values.dtype)
    out[: values.size] = values
    return out
