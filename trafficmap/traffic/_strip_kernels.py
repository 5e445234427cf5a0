"""Kernels that lay strips of ground swept by wheels over the cells."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from trafficmap.traffic._area import add_swept
from trafficmap.traffic._path_kernels import grown

# Longest piece laid in one go, in cells: bounds the buffer.
PIECE = 16
# A smaller share of a cell than this is rounding.
TINY = 1e-12
# Sample points of a cell, one bit each.
SAMPLES = 64
# Cosine of how far a wheel may swing round within one event and still be no knot.
SWUNG = math.cos(math.pi / 4.0)


@njit(cache=True)
def wheel_edge(x, y, fx, fy, forward, right, half, out, left_row, right_row):
    """Write both ends of a wheel's width at a station to two rows of `out`."""
    # The right-hand side of heading (fx, fy) is (-fy, fx) with y to the south.
    mx = x + forward * fx - right * fy
    my = y + forward * fy + right * fx
    out[left_row, 0] = mx + half * fy
    out[left_row, 1] = my - half * fx
    out[right_row, 0] = mx - half * fy
    out[right_row, 1] = my + half * fx


@njit(cache=True)
def pieces(quad):
    """Return into how many pieces the ground between two edges is cut."""
    left = math.hypot(quad[3, 0] - quad[0, 0], quad[3, 1] - quad[0, 1])
    right = math.hypot(quad[2, 0] - quad[1, 0], quad[2, 1] - quad[1, 1])
    return max(1, math.ceil(max(left, right) / PIECE))


@njit(cache=True)
def cut_piece(quad, a, b, out):
    """Write the part of `quad` between shares `a` and `b` of the way to `out`."""
    for axis in range(2):
        left, right = quad[0, axis], quad[1, axis]
        dl, dr = quad[3, axis] - left, quad[2, axis] - right
        out[0, axis] = left + a * dl
        out[1, axis] = right + a * dr
        out[2, axis] = right + b * dr if b < 1.0 else quad[2, axis]
        out[3, axis] = left + b * dl if b < 1.0 else quad[3, axis]


@njit(cache=True)
def off_grid(piece, rows, cols):
    """Return True where `piece` lies wholly outside the grid."""
    west, east = span(piece, 0)
    north, south = span(piece, 1)
    return east <= 0.0 or south <= 0.0 or west >= cols or north >= rows


@njit(cache=True)
def span(piece, axis):
    """Return the least and the largest coordinate of the four corners.

    Written out: over a slice of four, min and max cost more than the rest of a piece.
    """
    a, b, c, d = piece[0, axis], piece[1, axis], piece[2, axis], piece[3, axis]
    return min(min(a, b), min(c, d)), max(max(a, b), max(c, d))


@njit(cache=True)
def lay_piece(piece, rows, cols, buffer, low, high, moved, cells, shares):
    """List the cells a piece sweeps and the share of each; return count and area."""
    west, _ = span(piece, 0)
    north, south = span(piece, 1)
    row0, col0 = math.floor(north), math.floor(west)
    for k in range(4):
        moved[k, 0] = piece[k, 0] - col0
        moved[k, 1] = piece[k, 1] - row0
    area = add_swept(buffer, low, high, moved)
    count = 0
    for row in range(min(low.size, int(south - row0) + 1)):
        if high[row] < 0:
            continue
        total = 0.0
        r = row + row0
        for col in range(low[row], high[row] + 2):
            total += buffer[row, col]
            buffer[row, col] = 0.0
            c = col + col0
            if total > TINY and 0 <= r < rows and 0 <= c < cols:
                cells[count] = r * cols + c
                shares[count] = total
                count += 1
        low[row] = 2**30
        high[row] = -1
    return count, area


@njit(cache=True)
def lay_space(width_cells):
    """Return the work arrays of `lay_piece`."""
    size = PIECE + width_cells + 4
    return (
        np.zeros((size, size + 2)),
        np.full(size, 2**30, dtype=np.int64),
        np.full(size, -1, dtype=np.int64),
        np.empty((4, 2)),
        np.empty(size * size, dtype=np.int64),
        np.empty(size * size),
    )


@njit(cache=True)
def quad_at(k, x, y, fx, fy, forward, right, half_a, half_b, quad):
    """Write both edges of the step from station k to k + 1 to `quad`."""
    wheel_edge(x[k], y[k], fx[k], fy[k], forward, right, half_a, quad, 0, 1)
    n = k + 1
    wheel_edge(x[n], y[n], fx[n], fy[n], forward, right, half_b, quad, 3, 2)


@njit(cache=True)
def step_sense(quad, fx, fy, k):
    """Return 1 where both ends of an edge go forward, -1 backward, 0 where they differ.

    Forward is ahead of the edge before and, looked back at, of the edge after: then
    the ground of the step lies between the two lines through its edges, and no step
    before or after it sweeps any of it again.
    """
    forward, backward = True, True
    for at in range(k, k + 2):
        for end in range(2):
            # Corners run left and right before, right and left after.
            dx = quad[3 - end, 0] - quad[end, 0]
            dy = quad[3 - end, 1] - quad[end, 1]
            ahead = dx * fx[at] + dy * fy[at]
            forward &= ahead >= 0.0
            backward &= ahead <= 0.0
    if forward:
        return 1
    return -1 if backward else 0


@njit(cache=True)
def strip_events(
    begin,
    chain,
    x,
    y,
    fx,
    fy,
    time,
    state,
    travel,
    runs,
    forward,
    right,
    half,
    rows,
    cols,
    side,
    away,
    width_cells,
):
    """Return the events of every wheel over every cell, and the pieces of each.

    `runs` holds (wheel, first path, path after the last): all paths of the wheel's
    body in order of time, so that the last event of the wheel in a cell is at hand.
    An event is a knot where its pieces may lie over one another: the wheel turned on
    the spot, went back and forth, swung round by more than 45 degrees, or left the
    cell and came back. The pieces of all others lie side by side.
    """
    cell = np.empty(4096, dtype=np.int64)
    wheel = np.empty(4096, dtype=np.int32)
    path = np.empty(4096, dtype=np.int64)
    ev_state = np.empty(4096, dtype=np.int32)
    ev_time = np.empty(4096, dtype=np.float64)
    ev_travel = np.empty(4096, dtype=np.float64)
    cover = np.empty(4096, dtype=np.float64)
    distance = np.empty(4096, dtype=np.float64)
    nearest = np.empty(4096, dtype=np.float64)
    left_at = np.empty(4096, dtype=np.float64)
    knot = np.empty(4096, dtype=np.bool_)
    sense = np.empty(4096, dtype=np.int8)
    began = np.empty(4096, dtype=np.int32)
    latest = np.empty(4096, dtype=np.int32)
    ref_event = np.empty(4096, dtype=np.int32)
    ref_station = np.empty(4096, dtype=np.int32)
    ref_part = np.empty(4096, dtype=np.int32)
    count, refs = 0, 0
    last = np.full(rows * cols, -1, dtype=np.int64)
    buffer, low, high, moved, cells, shares = lay_space(width_cells)
    quad = np.empty((4, 2))
    piece = np.empty((4, 2))
    for run in range(runs.shape[0]):
        w = runs[run, 0]
        first_event = count
        for p in range(runs[run, 1], runs[run, 2]):
            for k in range(begin[p], begin[p + 1] - 1):
                quad_at(k, x, y, fx, fy, forward[w], right[w], half[w], half[w], quad)
                if off_grid(quad, rows, cols):
                    continue
                went = step_sense(quad, fx, fy, k)
                n = pieces(quad)
                for m in range(n):
                    a, b = m / n, (m + 1) / n
                    cut_piece(quad, a, b, piece)
                    if off_grid(piece, rows, cols):
                        continue
                    found, area = lay_piece(
                        piece, rows, cols, buffer, low, high, moved, cells, shares
                    )
                    x0 = 0.5 * (piece[0, 0] + piece[1, 0])
                    y0 = 0.5 * (piece[0, 1] + piece[1, 1])
                    dx = 0.5 * (piece[2, 0] + piece[3, 0]) - x0
                    dy = 0.5 * (piece[2, 1] + piece[3, 1]) - y0
                    square = dx * dx + dy * dy
                    length = math.sqrt(square) * side
                    if count + found > cell.size:
                        room = 2 * cell.size + found
                        cell = grown(cell, room)
                        wheel = grown(wheel, room)
                        path = grown(path, room)
                        ev_state = grown(ev_state, room)
                        ev_time = grown(ev_time, room)
                        ev_travel = grown(ev_travel, room)
                        cover = grown(cover, room)
                        distance = grown(distance, room)
                        nearest = grown(nearest, room)
                        left_at = grown(left_at, room)
                        knot = grown(knot, room)
                        sense = grown(sense, room)
                        began = grown(began, room)
                        latest = grown(latest, room)
                    if refs + found > ref_event.size:
                        room = 2 * ref_event.size + found
                        ref_event = grown(ref_event, room)
                        ref_station = grown(ref_station, room)
                        ref_part = grown(ref_part, room)
                    for f in range(found):
                        target = cells[f]
                        cx = target % cols + 0.5 - x0
                        cy = target // cols + 0.5 - y0
                        at = 0.0
                        if square > 0.0:
                            at = min(1.0, max(0.0, (cx * dx + cy * dy) / square))
                        off = (cx - at * dx) ** 2 + (cy - at * dy) ** 2
                        share = a + at * (b - a)
                        gone = travel[k] + share * (travel[k + 1] - travel[k])
                        e = last[target]
                        if (
                            e < first_event
                            or chain[path[e]] != chain[p]
                            or abs(gone - left_at[e]) > away
                        ):
                            e = count
                            count += 1
                            last[target] = e
                            cell[e] = target
                            wheel[e] = w
                            cover[e] = 0.0
                            distance[e] = 0.0
                            nearest[e] = np.inf
                            sense[e] = went
                            knot[e] = went == 0
                            began[e] = k
                        # A path that goes on from another starts two stations later.
                        elif (
                            went != sense[e]
                            or k - latest[e] > 2
                            or fx[k] * fx[began[e]] + fy[k] * fy[began[e]] < SWUNG
                        ):
                            knot[e] = True
                        latest[e] = k
                        ref_event[refs] = e
                        ref_station[refs] = k
                        ref_part[refs] = m
                        refs += 1
                        cover[e] += shares[f]
                        distance[e] += length * shares[f] / area
                        left_at[e] = gone
                        if off < nearest[e]:
                            nearest[e] = off
                            path[e] = p
                            ev_state[e] = state[k]
                            ev_time[e] = time[k] + share * (time[k + 1] - time[k])
                            ev_travel[e] = gone
    return (
        cell[:count],
        wheel[:count],
        path[:count],
        ev_state[:count],
        ev_time[:count],
        ev_travel[:count],
        cover[:count],
        distance[:count],
        knot[:count],
        ref_event[:refs],
        ref_station[:refs],
        ref_part[:refs],
    )


@njit(cache=True)
def strip_sum(begin, x, y, fx, fy, half, value, rows, cols, width_cells, out):
    """Add `value` of each step times the share of the cell its strip sweeps to `out`.

    The strip is centred on the path; step k leads from station k to k + 1 and is as
    wide as its later station says.
    """
    buffer, low, high, moved, cells, shares = lay_space(width_cells)
    quad = np.empty((4, 2))
    piece = np.empty((4, 2))
    for p in range(begin.size - 1):
        for k in range(begin[p], begin[p + 1] - 1):
            if value[k] == 0.0:
                continue
            quad_at(k, x, y, fx, fy, 0.0, 0.0, half[k + 1], half[k + 1], quad)
            n = pieces(quad)
            for m in range(n):
                cut_piece(quad, m / n, (m + 1) / n, piece)
                if off_grid(piece, rows, cols):
                    continue
                found, _ = lay_piece(
                    piece, rows, cols, buffer, low, high, moved, cells, shares
                )
                for f in range(found):
                    out[cells[f]] += value[k] * shares[f]


@njit(cache=True)
def sample_union(
    begin,
    x,
    y,
    fx,
    fy,
    runs,
    forward,
    right,
    half,
    rows,
    cols,
    lattice,
    hit,
):
    """Mark which sample points of the cells the wheels ran over.

    A cell has one sample on each of `SAMPLES` even lines, whichever way the lines run:
    ``lattice[1, k]`` is how far east it lies on line k from the north, and
    ``lattice[0, k]`` how far south on line k from the west. `hit` takes one bit a
    sample point.
    """
    quad = np.empty((4, 2))
    piece = np.empty((4, 2))
    edges = np.empty((4, 4))
    cuts = np.empty(4)
    for run in range(runs.shape[0]):
        w = runs[run, 0]
        for p in range(runs[run, 1], runs[run, 2]):
            for k in range(begin[p], begin[p + 1] - 1):
                quad_at(k, x, y, fx, fy, forward[w], right[w], half[w], half[w], quad)
                n = pieces(quad)
                for m in range(n):
                    cut_piece(quad, m / n, (m + 1) / n, piece)
                    if not off_grid(piece, rows, cols):
                        mark_samples(piece, rows, cols, lattice, hit, edges, cuts)


@njit(cache=True)
def mark_samples(piece, rows, cols, lattice, hit, edges, cuts):
    """Mark the sample points that lie in `piece`, line by line of samples.

    A point is in the piece by the even-odd rule, which holds for crossed pieces as
    well; pieces that share an edge never both take a point on it, but for rounding.
    """
    west, east = span(piece, 0)
    north, south = span(piece, 1)
    # Lines along the longer side: fewer of them, each with many samples.
    if south - north <= east - west:
        axis, low, high = 1, north, south
        lines, across, line_stride, stride = rows, cols, cols, 1
    else:
        axis, low, high = 0, west, east
        lines, across, line_stride, stride = cols, rows, 1, cols
    for k in range(4):
        # Always from the lower end, so that two pieces agree on a shared edge.
        a, b = k, (k + 1) % 4
        if piece[a, axis] > piece[b, axis]:
            a, b = b, a
        edges[k, 0], edges[k, 1] = piece[a, axis], piece[a, 1 - axis]
        edges[k, 2], edges[k, 3] = piece[b, axis], piece[b, 1 - axis]
    first = max(0, math.floor(low * SAMPLES))
    last = min(lines * SAMPLES - 1, math.ceil(high * SAMPLES))
    for line in range(first, last + 1):
        at = (line + 0.5) / SAMPLES
        found = 0
        for k in range(4):
            if edges[k, 0] <= at < edges[k, 2]:
                share = (at - edges[k, 0]) / (edges[k, 2] - edges[k, 0])
                cut = edges[k, 1] + share * (edges[k, 3] - edges[k, 1])
                place = found
                while place > 0 and cuts[place - 1] > cut:
                    cuts[place] = cuts[place - 1]
                    place -= 1
                cuts[place] = cut
                found += 1
        number = line % SAMPLES
        offset = lattice[axis, number]
        if axis == 0:
            number = int(offset * SAMPLES)
        bit = np.uint64(1) << np.uint64(number)
        start = line // SAMPLES * line_stride
        for pair in range(0, found, 2):
            begin = max(0, math.ceil(cuts[pair] - offset))
            end = min(across, math.ceil(cuts[pair + 1] - offset))
            for place in range(begin, end):
                hit[start + place * stride] |= bit
