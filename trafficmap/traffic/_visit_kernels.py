"""Kernel that finds when each axle comes past the centre of each cell."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from trafficmap.traffic._path_kernels import grown
from trafficmap.traffic._strip_kernels import off_grid, span, wheel_edge

# The longest stretch looked at in one go, in cells: bounds the cells tried in vain.
STRETCH = 16
# Cells this far outside are looked at, lest rounding drop one on the very edge.
SLACK = 1e-6


@njit(cache=True)
def axle_visits(
    begin,
    chain,
    opens,
    closes,
    x,
    y,
    fx,
    fy,
    time,
    state,
    travel,
    runs,
    forward,
    half,
    rows,
    cols,
    away,
    overhang,
):
    """Return the visits of every axle to every cell within `half` of its centre.

    An axle comes past a cell when the line across the machine through the axle sweeps
    over the centre of the cell. Where nothing goes before or after, the path is drawn
    out straight by `overhang`, so that cells under its very end are visited too.
    """
    cell = np.empty(4096, dtype=np.int64)
    axle = np.empty(4096, dtype=np.int32)
    path = np.empty(4096, dtype=np.int64)
    vi_state = np.empty(4096, dtype=np.int32)
    vi_time = np.empty(4096, dtype=np.float64)
    vi_travel = np.empty(4096, dtype=np.float64)
    offset = np.empty(4096, dtype=np.float64)
    heading = np.empty(4096, dtype=np.float64)
    left_at = np.empty(4096, dtype=np.float64)
    count = 0
    last = np.full(rows * cols, -1, dtype=np.int64)
    quad = np.empty((4, 2))
    for run in range(runs.shape[0]):
        a = runs[run, 0]
        first_visit = count
        for p in range(runs[run, 1], runs[run, 2]):
            final = begin[p + 1] - 2
            for k in range(begin[p], final + 1):
                n = k + 1
                ax = x[k] + forward[a] * fx[k]
                ay = y[k] + forward[a] * fy[k]
                bx = x[n] + forward[a] * fx[n]
                by = y[n] + forward[a] * fy[n]
                base = math.hypot(bx - ax, by - ay)
                back = overhang if opens[p] and k == begin[p] else 0.0
                ahead = overhang if closes[p] and k == final else 0.0
                # Reversing, the path is drawn out the way it went.
                way = 1.0 if (bx - ax) * fx[k] + (by - ay) * fy[k] >= 0.0 else -1.0
                ax -= way * back * fx[k]
                ay -= way * back * fy[k]
                bx += way * ahead * fx[n]
                by += way * ahead * fy[n]
                parts = _parts(ax, ay, bx, by, fx, fy, k, half[a])
                for m in range(parts):
                    # Both ends of the stretch, by straight interpolation; the same
                    # numbers for the end of one and the start of the next.
                    u, v = m / parts, (m + 1) / parts
                    fux, fuy = _between(fx[k], fy[k], fx[n], fy[n], u)
                    fvx, fvy = _between(fx[k], fy[k], fx[n], fy[n], v)
                    ux, uy = _along(ax, ay, bx, by, u)
                    vx, vy = _along(ax, ay, bx, by, v)
                    wheel_edge(ux, uy, fux, fuy, 0.0, 0.0, half[a], quad, 0, 1)
                    wheel_edge(vx, vy, fvx, fvy, 0.0, 0.0, half[a], quad, 3, 2)
                    if off_grid(quad, rows, cols):
                        continue
                    north, south = span(quad, 1)
                    top = max(0, math.ceil(north - 0.5 - SLACK))
                    bottom = min(rows - 1, math.floor(south - 0.5 + SLACK))
                    for r in range(top, bottom + 1):
                        cy = r + 0.5
                        low, high = _row_range(quad, cy, north, south)
                        c0 = max(0, math.ceil(low - 0.5 - SLACK))
                        c1 = min(cols - 1, math.floor(high - 0.5 + SLACK))
                        for c in range(c0, c1 + 1):
                            cx = c + 0.5
                            before = (cx - ux) * fux + (cy - uy) * fuy
                            after = (cx - vx) * fvx + (cy - vy) * fvy
                            if (before >= 0.0) == (after >= 0.0):
                                continue
                            at = before / (before - after)
                            hx, hy = _between(fux, fuy, fvx, fvy, at)
                            px, py = ux + at * (vx - ux), uy + at * (vy - uy)
                            side = -(cx - px) * hy + (cy - py) * hx
                            if abs(side) > half[a]:
                                continue
                            share = u + at * (v - u)
                            if back + ahead > 0.0:
                                share = _own_share(share, back, base, ahead)
                            gone = travel[k] + share * (travel[n] - travel[k])
                            target = r * cols + c
                            e = last[target]
                            if (
                                e < first_visit
                                or chain[path[e]] != chain[p]
                                or abs(gone - left_at[e]) > away
                            ):
                                if count == cell.size:
                                    room = 2 * count
                                    cell = grown(cell, room)
                                    axle = grown(axle, room)
                                    path = grown(path, room)
                                    vi_state = grown(vi_state, room)
                                    vi_time = grown(vi_time, room)
                                    vi_travel = grown(vi_travel, room)
                                    offset = grown(offset, room)
                                    heading = grown(heading, room)
                                    left_at = grown(left_at, room)
                                e = count
                                count += 1
                                last[target] = e
                                cell[e] = target
                                axle[e] = a
                                offset[e] = np.inf
                            left_at[e] = gone
                            if abs(side) < abs(offset[e]):
                                offset[e] = side
                                path[e] = p
                                vi_state[e] = state[k]
                                vi_time[e] = time[k] + share * (time[n] - time[k])
                                vi_travel[e] = gone
                                # y runs south, so north is minus.
                                heading[e] = math.atan2(hx, -hy) % (2.0 * math.pi)
    return (
        cell[:count],
        axle[:count],
        path[:count],
        vi_state[:count],
        vi_time[:count],
        vi_travel[:count],
        offset[:count],
        heading[:count],
    )


@njit(cache=True)
def _parts(ax, ay, bx, by, fx, fy, k, half):
    swing = half * math.hypot(fx[k + 1] - fx[k], fy[k + 1] - fy[k])
    length = math.hypot(bx - ax, by - ay) + swing
    return max(1, math.ceil(length / STRETCH))


@njit(cache=True)
def _own_share(share, back, base, ahead):
    """Return the share of the way between the stations, without the overhang."""
    if base == 0.0:
        return 0.0
    return min(1.0, max(0.0, (share * (back + base + ahead) - back) / base))


@njit(cache=True)
def _along(ax, ay, bx, by, share):
    if share == 1.0:
        return bx, by
    return ax + share * (bx - ax), ay + share * (by - ay)


@njit(cache=True)
def _between(ax, ay, bx, by, share):
    """Return the direction between two, as a unit vector."""
    if share == 0.0:
        return ax, ay
    if share == 1.0:
        return bx, by
    x = ax + share * (bx - ax)
    y = ay + share * (by - ay)
    length = math.hypot(x, y)
    if length == 0.0:
        return ax, ay
    return x / length, y / length


@njit(cache=True)
def _row_range(quad, y, north, south):
    """Return the span of the hull of four points along one row."""
    edge = 1e-9 * (south - north)
    y = min(max(y, north + edge), south - edge)
    low, high = np.inf, -np.inf
    for i in range(4):
        for j in range(i + 1, 4):
            yi, yj = quad[i, 1], quad[j, 1]
            if (yi <= y) == (yj <= y):
                continue
            x = quad[i, 0] + (y - yi) / (yj - yi) * (quad[j, 0] - quad[i, 0])
            low = min(low, x)
            high = max(high, x)
    if low > high:
        return 0.0, -2.0
    return low, high
