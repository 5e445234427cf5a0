"""Kernels that cut swept pieces to one cell, on whole numbers.

Corners are put on a lattice of `LATTICE` steps a cell. Cross products of such corners
are whole numbers no larger than 2**53, so which side of an edge a corner lies on is
decided exactly, and edges that coincide are known to. The price is an area wrong by at
most half a step times the length of the outline: 1e-8 of a cell a piece.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from trafficmap.traffic._area import crossing

# Steps of the lattice along the side of a cell.
LATTICE = 2.0**26
# Corners a triangle or a four-sided piece can have once it is cut to a cell.
CORNERS = 8


@njit(cache=True, nogil=True)
def cut_space():
    """Return the work arrays of `convex_parts` and `cut_to_cell`."""
    return np.zeros((2, 5, 2)), np.zeros((2, 2 * CORNERS + 2, 2))


@njit(cache=True, nogil=True)
def convex_parts(q, parts):
    """Write `q`, the ground swept by an edge, as convex parts; return how many.

    `q` runs round the piece: left and right end before, right and left end after. The
    first three or four rows of ``parts[k]`` are corners, ``parts[k, 4, 0]`` says how
    many. Where the two edges or the two sides cross, and where a corner is re-entrant,
    the piece is two triangles.
    """
    left = right = 0
    for k in range(4):
        a, c = (k + 3) % 4, (k + 1) % 4
        turn = (q[k, 0] - q[a, 0]) * (q[c, 1] - q[k, 1]) - (q[k, 1] - q[a, 1]) * (
            q[c, 0] - q[k, 0]
        )
        left += turn > 0.0
        right += turn < 0.0
    if not (left and right):
        for k in range(4):
            parts[0, k, 0] = q[k, 0]
            parts[0, k, 1] = q[k, 1]
        parts[0, 4, 0] = 4.0
        return 1
    share = crossing(
        q[0, 0], q[0, 1], q[1, 0], q[1, 1], q[3, 0], q[3, 1], q[2, 0], q[2, 1]
    )
    if share >= 0.0:
        x = q[0, 0] + share * (q[1, 0] - q[0, 0])
        y = q[0, 1] + share * (q[1, 1] - q[0, 1])
        _triangle(q[0, 0], q[0, 1], q[3, 0], q[3, 1], x, y, parts, 0)
        _triangle(q[1, 0], q[1, 1], q[2, 0], q[2, 1], x, y, parts, 1)
        return 2
    share = crossing(
        q[0, 0], q[0, 1], q[3, 0], q[3, 1], q[1, 0], q[1, 1], q[2, 0], q[2, 1]
    )
    if share >= 0.0:
        x = q[0, 0] + share * (q[3, 0] - q[0, 0])
        y = q[0, 1] + share * (q[3, 1] - q[0, 1])
        _triangle(q[0, 0], q[0, 1], q[1, 0], q[1, 1], x, y, parts, 0)
        _triangle(q[3, 0], q[3, 1], q[2, 0], q[2, 1], x, y, parts, 1)
        return 2
    # Simple, with one corner re-entrant: the one that turns the other way.
    for k in range(4):
        a, b, c, d = (k + 3) % 4, k, (k + 1) % 4, (k + 2) % 4
        turn = (q[b, 0] - q[a, 0]) * (q[c, 1] - q[b, 1]) - (q[b, 1] - q[a, 1]) * (
            q[c, 0] - q[b, 0]
        )
        if (turn < 0.0) if right == 1 else (turn > 0.0):
            break
    _triangle(q[a, 0], q[a, 1], q[b, 0], q[b, 1], q[d, 0], q[d, 1], parts, 0)
    _triangle(q[b, 0], q[b, 1], q[c, 0], q[c, 1], q[d, 0], q[d, 1], parts, 1)
    return 2


@njit(cache=True, nogil=True)
def _triangle(ax, ay, bx, by, cx, cy, parts, p):
    parts[p, 0, 0], parts[p, 0, 1] = ax, ay
    parts[p, 1, 0], parts[p, 1, 1] = bx, by
    parts[p, 2, 0], parts[p, 2, 1] = cx, cy
    parts[p, 4, 0] = 3.0


@njit(cache=True, nogil=True)
def cut_to_cell(parts, p, row, col, spare, out, place):
    """Write convex part `p` cut to a cell to ``out[place]``; return its corners.

    Corners come out on the lattice, origin in the north-west corner of the cell,
    turning the way that makes the integral of x dy the area; 0 where nothing is left.
    Work arrays are indexed and never sliced: a slice costs more than a corner.
    """
    n = int(parts[p, 4, 0])
    for k in range(n):
        spare[0, k, 0] = parts[p, k, 0] - col
        spare[0, k, 1] = parts[p, k, 1] - row
    here = 0
    for side in range(4):
        axis = side % 2
        upper = side >= 2
        out_here = False
        for k in range(n):
            value = spare[here, k, axis]
            out_here |= value > 1.0 if upper else value < 0.0
        if not out_here:
            continue
        n = _cut(spare, here, n, axis, upper)
        here = 1 - here
        if n < 3:
            return 0
    for k in range(n):
        spare[here, k, 0] = np.rint(spare[here, k, 0] * LATTICE)
        spare[here, k, 1] = np.rint(spare[here, k, 1] * LATTICE)
    if _copy_if_convex(spare, here, n, out, place):
        return n
    return _hull(spare, here, n, out, place)


@njit(cache=True, nogil=True)
def _cut(spare, here, n, axis, upper):
    """Keep the part of a polygon at 0 or more, or at 1 or less, along an axis."""
    count, there, other = 0, 1 - here, 1 - axis
    for k in range(n):
        m = k + 1 if k + 1 < n else 0
        a, b = spare[here, k, axis], spare[here, m, axis]
        if upper:
            a, b = 1.0 - a, 1.0 - b
        if a >= 0.0:
            spare[there, count, 0] = spare[here, k, 0]
            spare[there, count, 1] = spare[here, k, 1]
            count += 1
        if (a > 0.0 and b < 0.0) or (a < 0.0 and b > 0.0):
            share = a / (a - b)
            start = spare[here, k, other]
            spare[there, count, axis] = 1.0 if upper else 0.0
            spare[there, count, other] = start + share * (spare[here, m, other] - start)
            count += 1
    return count


@njit(cache=True, nogil=True)
def _copy_if_convex(spare, here, n, out, place):
    """Copy a polygon whose corners all turn one way; return False where they do not."""
    turn = 0.0
    ax, ay = spare[here, n - 1, 0], spare[here, n - 1, 1]
    bx, by = spare[here, 0, 0], spare[here, 0, 1]
    for k in range(n):
        m = k + 1 if k + 1 < n else 0
        cx, cy = spare[here, m, 0], spare[here, m, 1]
        corner = (bx - ax) * (cy - by) - (by - ay) * (cx - bx)
        if corner == 0.0 or corner * turn < 0.0:
            return False
        turn = corner
        ax, ay, bx, by = bx, by, cx, cy
    for k in range(n):
        m = k if turn > 0.0 else n - 1 - k
        out[place, k, 0], out[place, k, 1] = spare[here, m, 0], spare[here, m, 1]
    return True


@njit(cache=True, nogil=True)
def _hull(spare, here, n, out, place):
    """Write the convex hull of lattice points to ``out[place]``; return its corners.

    Putting corners on the lattice can turn a short edge the wrong way; of the hull
    every edge is right by construction.
    """
    points, chain = spare[here], spare[1 - here]
    for k in range(1, n):
        x, y = points[k, 0], points[k, 1]
        m = k
        while m > 0 and (
            points[m - 1, 0] > x or (points[m - 1, 0] == x and points[m - 1, 1] > y)
        ):
            points[m, 0], points[m, 1] = points[m - 1, 0], points[m - 1, 1]
            m -= 1
        points[m, 0], points[m, 1] = x, y
    count = 0
    for k in range(n):
        count = _push(points[k, 0], points[k, 1], chain, count, 1)
    lower = count
    for k in range(n - 2, -1, -1):
        count = _push(points[k, 0], points[k, 1], chain, count, lower)
    count -= 1  # the first point came round again
    if count < 3:
        return 0
    for k in range(count):
        out[place, k, 0], out[place, k, 1] = chain[k, 0], chain[k, 1]
    return count


@njit(cache=True, nogil=True)
def _push(x, y, chain, count, floor):
    """Take back corners that the new one makes re-entrant, then add it."""
    while count > floor:
        ax, ay = chain[count - 1, 0], chain[count - 1, 1]
        bx, by = chain[count - 2, 0], chain[count - 2, 1]
        if (ax - bx) * (y - by) - (ay - by) * (x - bx) > 0.0:
            break
        count -= 1
    chain[count, 0], chain[count, 1] = x, y
    return count + 1


@njit(cache=True, nogil=True)
def covered_stretch(ax, ay, bx, by, polygon, j, n, first):
    """Return from where to where on a-b convex polygon `j` covers it, as shares.

    An edge that runs along the polygon's own, the same way round, counts as covered
    only where `first` says that the polygon comes first of the two; the other way
    round, as between neighbours, it does not. (1, 0) where nothing is covered.
    """
    low, high = 0.0, 1.0
    cx, cy = polygon[j, n - 1, 0], polygon[j, n - 1, 1]
    for k in range(n):
        dx, dy = polygon[j, k, 0], polygon[j, k, 1]
        ex, ey = dx - cx, dy - cy
        before = ex * (ay - cy) - ey * (ax - cx)
        after = ex * (by - cy) - ey * (bx - cx)
        if before <= 0.0 and after <= 0.0:
            if before < 0.0 or after < 0.0:
                return 1.0, 0.0
            if not (first and ex * (bx - ax) + ey * (by - ay) > 0.0):
                return 1.0, 0.0
        elif before < 0.0:
            low = max(low, before / (before - after))
        elif after < 0.0:
            high = min(high, before / (before - after))
        cx, cy = dx, dy
    if low >= high:
        return 1.0, 0.0
    return low, high
