"""Exact area of polygons in square cells by signed-area accumulation.

Coordinates are in cells, x east and y south of the north-west corner of a buffer. An
edge adds to every cell it crosses the signed area between itself and the right-hand
side of that cell, and its signed height to the next cell; the running sum along a row
is then the signed cover of each cell. No sampling, no clipping of polygons.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit


@njit(cache=True)
def add_edge(buffer, low, high, x0, y0, x1, y1, sign):
    """Add one edge; `low` and `high` keep the columns touched in each row."""
    if y0 == y1:
        return
    if y0 > y1:
        x0, y0, x1, y1, sign = x1, y1, x0, y0, -sign
    slope = (x1 - x0) / (y1 - y0)
    for row in range(int(y0), math.ceil(y1)):
        top = max(y0, float(row))
        bottom = min(y1, row + 1.0)
        xa = x0 + (top - y0) * slope
        xb = x0 + (bottom - y0) * slope
        if xa > xb:
            xa, xb = xb, xa
        xa = max(xa, 0.0)
        height = sign * (bottom - top)
        first, last = int(xa), int(xb)
        low[row] = min(low[row], first)
        high[row] = max(high[row], last)
        if first == last:
            part = height * (0.5 * (xa + xb) - first)
            buffer[row, first] += height - part
            buffer[row, first + 1] += part
            continue
        per_x = height / (xb - xa)
        for col in range(first, last + 1):
            left = max(xa, float(col))
            right = min(xb, col + 1.0)
            here = per_x * (right - left)
            part = here * (0.5 * (left + right) - col)
            buffer[row, col] += here - part
            buffer[row, col + 1] += part


@njit(cache=True)
def add_triangle(buffer, low, high, x0, y0, x1, y1, x2, y2):
    """Add a triangle of either orientation; return its area."""
    twice = (x1 - x0) * (y2 - y0) - (x2 - x0) * (y1 - y0)
    sign = -1.0 if twice > 0.0 else 1.0
    add_edge(buffer, low, high, x0, y0, x1, y1, sign)
    add_edge(buffer, low, high, x1, y1, x2, y2, sign)
    add_edge(buffer, low, high, x2, y2, x0, y0, sign)
    return 0.5 * abs(twice)


@njit(cache=True)
def crossing(ax, ay, bx, by, cx, cy, dx, dy):
    """Return the share of a-b at which c-d crosses it, -1 where it does not."""
    side_a = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
    side_b = (bx - ax) * (dy - ay) - (by - ay) * (dx - ax)
    side_c = (dx - cx) * (ay - cy) - (dy - cy) * (ax - cx)
    side_d = (dx - cx) * (by - cy) - (dy - cy) * (bx - cx)
    if side_a * side_b < 0.0 and side_c * side_d < 0.0:
        return side_c / (side_c - side_d)
    return -1.0


@njit(cache=True)
def add_swept(buffer, low, high, q):
    """Add the ground swept by an edge moving from q[0]-q[1] to q[3]-q[2].

    `q` runs round the piece: left and right end before, right and left end after.
    Where the two edges cross, as for a wheel about whose patch the machine turns, the
    piece is two triangles, and where the two sides cross likewise. Returns the area.
    """
    share = crossing(
        q[0, 0], q[0, 1], q[1, 0], q[1, 1], q[3, 0], q[3, 1], q[2, 0], q[2, 1]
    )
    if share >= 0.0:
        x = q[0, 0] + share * (q[1, 0] - q[0, 0])
        y = q[0, 1] + share * (q[1, 1] - q[0, 1])
        return add_triangle(
            buffer, low, high, q[0, 0], q[0, 1], q[3, 0], q[3, 1], x, y
        ) + add_triangle(buffer, low, high, q[1, 0], q[1, 1], q[2, 0], q[2, 1], x, y)
    share = crossing(
        q[0, 0], q[0, 1], q[3, 0], q[3, 1], q[1, 0], q[1, 1], q[2, 0], q[2, 1]
    )
    if share >= 0.0:
        x = q[0, 0] + share * (q[3, 0] - q[0, 0])
        y = q[0, 1] + share * (q[3, 1] - q[0, 1])
        return add_triangle(
            buffer, low, high, q[0, 0], q[0, 1], q[1, 0], q[1, 1], x, y
        ) + add_triangle(buffer, low, high, q[3, 0], q[3, 1], q[2, 0], q[2, 1], x, y)
    twice = (q[2, 0] - q[0, 0]) * (q[3, 1] - q[1, 1]) - (q[3, 0] - q[1, 0]) * (
        q[2, 1] - q[0, 1]
    )
    sign = -1.0 if twice > 0.0 else 1.0
    for k in range(4):
        n = (k + 1) % 4
        add_edge(buffer, low, high, q[k, 0], q[k, 1], q[n, 0], q[n, 1], sign)
    return 0.5 * abs(twice)


@njit(cache=True)
def ring_cover(x, y, ring_start, buffer, low, high):
    """Add closed rings, exteriors clockwise on the map and holes the other way."""
    for ring in range(ring_start.size - 1):
        for k in range(ring_start[ring], ring_start[ring + 1] - 1):
            add_edge(buffer, low, high, x[k], y[k], x[k + 1], y[k + 1], -1.0)


@njit(cache=True)
def row_sums(buffer, out):
    """Write the running sum of each row of `buffer` to `out`."""
    for row in range(out.shape[0]):
        total = 0.0
        for col in range(out.shape[1]):
            total += buffer[row, col]
            out[row, col] = total


def empty_rows(rows):
    """Return `low` and `high` for rows that nothing has touched yet."""
    return np.full(rows, 2**30, dtype=np.int64), np.full(rows, -1, dtype=np.int64)
