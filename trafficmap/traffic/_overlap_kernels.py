"""Kernels that find, exactly, what the strips in a cell cover together.

The outline of what polygons cover is made of those stretches of their own outlines
that no other polygon covers, and the integral of x dy along it is the area. By asking
what else covers a stretch the same walk tells ground run over twice, ground under
heavy wheels, and which wheel was on it first, all at once.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from trafficmap.traffic._polygon_kernels import (
    CORNERS,
    LATTICE,
    convex_parts,
    covered_stretch,
    cut_space,
    cut_to_cell,
)
from trafficmap.traffic._strip_kernels import cut_piece, pieces, quad_at

# Rows of `maps`: share of the cell run over, run over again, again along the same
# track, under wheels over 3 Mg, under wheels over 5 Mg.
RUN_OVER, AGAIN, SAME_TRACK, OVER_3, OVER_5 = range(5)
# Kinds of depth: passes; wheel passes; wheel passes over 3 Mg; over 5 Mg.
KINDS = 4
# The first sets of wheels in every run: all, and those over 3 and 5 Mg at best.
ANY, BEST_3, BEST_5 = range(3)
# Directions a cell can tell apart: 180 degrees by the smallest angle allowed.
DIRECTIONS = 18
# Rows of what is counted over a stretch: polygons of each event; of each pass, axle,
# axle over 3 and over 5 Mg, as the kinds of depth; of each class; and of each pass by
# direction.
EVENT, PASS, AXLE, AXLE_3, AXLE_5, CLASS, WAY = range(7)
# Columns of what an event is: its place, pass, axle, class as above, the limits it is
# over as bits, and the row of its direction.
HEAVY, TRACK, COLUMNS = 3, 4, 6
# Later than any event.
NOBODY = 2**40


@njit(cache=True, nogil=True)
def cell_overlaps(
    first_cell, last_cell, cell_start, events, classes, refs, stations, wheels, cols,
    threshold, track_cosine, part, weight, maps, counts, fresh, areas, depths,
):  # fmt: skip
    """Fill what the events of some cells cover together.

    Parameters
    ----------
    events : tuple of arrays
        Wheel; entry, which numbers within its cell the times a rig came through;
        axle; class; and cover of each event.
    classes : tuple of arrays
        Whether a class is in a set of wheels (class, set); the sets of a class filled
        up with -1; and the same as bits (class, word).
    part : ndarray
        Part of the field of each cell, -1 for none.
    weight : ndarray
        Share of each cell that counts; where it is 0 nothing is filled.
    maps, counts, fresh, areas, depths : ndarray
        Filled: (5, cells), (KINDS, cells), by event, (set, part) and (KINDS, times,
        part), the last two in cells.
    """
    wheel, entry, axle, kind, cover = events
    flags, members, bits = classes
    deepest = depths.shape[1] - 1
    room, space = 8, 8
    shapes, ends = shape_space(room)
    is_a, tally = event_space(space, flags.shape[0])
    different = np.zeros(WAY + DIRECTIONS, dtype=np.int32)
    by_set = np.zeros(areas.shape[0], dtype=np.int32)
    active = np.zeros(bits.shape[1], dtype=np.uint64)
    groups = (is_a, tally, different, by_set, active)
    depth = np.zeros((KINDS, space + 2))
    way = np.empty((DIRECTIONS, 2))
    set_area = np.zeros(areas.shape[0])
    same = np.zeros(1)
    work = (np.empty((4, 2)), np.empty((4, 2)), *cut_space())
    for c in range(first_cell, last_cell):
        e0, e1 = cell_start[c], cell_start[c + 1]
        if e1 == e0 or not weight[c] > 0.0:
            continue
        n_events = e1 - e0
        if n_events > space:
            space = 2 * n_events
            is_a, tally = event_space(space, flags.shape[0])
            groups = (is_a, tally, different, by_set, active)
            depth = np.zeros((KINDS, space + 2))
        need = 2 * (refs[0][e1] - refs[0][e0])
        if need > room:
            room = 2 * need
            shapes, ends = shape_space(room)
        depth[:, : n_events + 2] = 0.0
        set_area[:] = 0.0
        same[0] = 0.0
        if n_events == 1:
            # Nothing to lay over one another.
            own, fresh[e0] = kind[e0], cover[e0]
            for f in range(set_area.size):
                set_area[f] = cover[e0] if flags[own, f] else 0.0
            depth[0, 1] = depth[1, 1] = cover[e0]
            depth[2, 1], depth[3, 1] = set_area[BEST_3], set_area[BEST_5]
        else:
            ways = 0
            for e in range(e0, e1):
                fresh[e] = 0.0
                k = refs[1][refs[0][e]]
                ways, mine = _direction(
                    stations[2][k], stations[3][k], way, ways, track_cosine
                )
                at = e - e0
                is_a[at, PASS], is_a[at, CLASS] = entry[e], kind[e]
                # The wheels of one axle that came through together are one.
                is_a[at, AXLE] = at
                for b in range(e0, e):
                    if entry[b] == entry[e] and axle[b] == axle[e]:
                        is_a[at, AXLE] = is_a[b - e0, AXLE]
                        break
                is_a[at, HEAVY] = flags[kind[e], BEST_3] + 2 * flags[kind[e], BEST_5]
                is_a[at, TRACK] = WAY + mine
            n = add_polygons(
                e0, e1, wheel, c // cols, c % cols, refs, stations, wheels, work, shapes
            )
            _walk_round(
                n, e0, n_events, ways, members, bits, shapes, ends, groups, set_area,
                depth, same, fresh,
            )  # fmt: skip
        maps[RUN_OVER, c] = _share(set_area[ANY])
        maps[AGAIN, c] = _share(depth[0, 2])
        maps[SAME_TRACK, c] = _share(same[0])
        maps[OVER_3, c] = _share(set_area[BEST_3])
        maps[OVER_5, c] = _share(set_area[BEST_5])
        for k in range(KINDS):
            # Touched at all is once; more only on a share of the cell worth the name.
            times = 1 if depth[k, 1] > 0.0 else 0
            while times < n_events and depth[k, times + 1] >= threshold:
                times += 1
            counts[k, c] = times
        if part[c] < 0:
            continue
        for f in range(set_area.size):
            areas[f, part[c]] += weight[c] * _share(set_area[f])
        for k in range(KINDS):
            for times in range(1, min(n_events, deepest) + 1):
                depths[k, times, part[c]] += weight[c] * _share(depth[k, times])


@njit(cache=True, nogil=True)
def _walk_round(
    n, e0, n_events, ways, members, bits, shapes, ends, groups, set_area, depth, same,
    fresh,
):  # fmt: skip
    """Walk along the outlines of `n` polygons and add what each stretch bounds."""
    polygon, corners, inner, wests, easts, norths, souths, owner, close = shapes
    at, who, hit = ends
    is_a, tally, different, by_set, active = groups
    for i in range(n):
        event = owner[i]
        pass_, axle = is_a[event, PASS], is_a[event, AXLE]
        own, heavy, row = is_a[event, CLASS], is_a[event, HEAVY], is_a[event, TRACK]
        for edge in range(corners[i]):
            ax, ay, bx, by = _edge(polygon, i, corners[i], edge)
            if inner[i, edge] or ay == by or (ax == 0.0 and bx == 0.0):
                continue  # the next piece, or no part of the integral of x dy
            west, east = min(ax, bx), max(ax, bx)
            north, south = min(ay, by), max(ay, by)
            near = 0
            for j in range(n):
                # No branch: which polygons are near is anybody's guess.
                close[near] = j
                near += (
                    (wests[j] <= east)
                    & (easts[j] >= west)
                    & (norths[j] <= south)
                    & (souths[j] >= north)
                    & (j != i)
                )
            found, hits, hidden = 0, 0, False
            for k in range(near):
                j = close[k]
                low, high = covered_stretch(
                    ax, ay, bx, by, polygon, j, corners[j], j < i
                )
                if low >= high:
                    continue
                if low <= 0.0 and high >= 1.0 and owner[j] == event:
                    hidden = True
                    break
                # Ends of stretches in order; where one begins, as ~j.
                if low > 0.0:
                    found = _put(at, who, found, low, ~j)
                else:
                    hit[hits] = j
                    hits += 1
                if high < 1.0:
                    found = _put(at, who, found, high, j)
            if hidden:
                continue
            low, first = 0.0, NOBODY
            for k in range(hits):
                e = owner[hit[k]]
                first = min(first, e)
                if _change(is_a, e, 1, tally, different):
                    _switch(members, is_a[e, CLASS], 1, by_set, active)
            for b in range(found + 1):
                high = at[b] if b < found else 1.0
                if high > low and tally[EVENT, event] == 0:
                    area = _slice(ax, ay, bx, by, low, high)
                    for word in range(active.size):
                        if bits[own, word] & ~active[word]:
                            for k in range(members.shape[1]):
                                f = members[own, k]
                                if f < 0:
                                    break
                                if f // 64 == word and by_set[f] == 0:
                                    set_area[f] += area
                    if first > event:
                        fresh[e0 + event] += area
                        if first != NOBODY:
                            fresh[e0 + first] -= area
                    if tally[PASS, pass_] == 0:
                        depth[0, different[PASS] + 1] += area
                    if tally[AXLE, axle] == 0:
                        depth[1, different[AXLE] + 1] += area
                    if heavy & 1 and tally[AXLE_3, axle] == 0:
                        depth[2, different[AXLE_3] + 1] += area
                    if heavy & 2 and tally[AXLE_5, axle] == 0:
                        depth[3, different[AXLE_5] + 1] += area
                    if different[row] == 1 and tally[row, pass_] == 0:
                        # Outline of what this direction ran over twice; inside what
                        # another one did it is none.
                        alone = True
                        for k in range(WAY, WAY + ways):
                            alone &= k == row or different[k] < 2
                        if alone:
                            same[0] += area
                low = max(low, high)
                if b == found:
                    break
                begins = who[b] < 0
                e = owner[~who[b]] if begins else owner[who[b]]
                step = 1 if begins else -1
                if _change(is_a, e, step, tally, different):
                    _switch(members, is_a[e, CLASS], step, by_set, active)
                if begins:
                    first = min(first, e)
                elif e == first and tally[EVENT, e] == 0:
                    first = NOBODY
                    for k in range(e + 1, n_events):
                        if tally[EVENT, k] > 0:
                            first = k
                            break
            if found + hits:
                for k in range(WAY + ways):
                    tally[k, :n_events] = 0
                tally[CLASS, :] = 0
                by_set[:] = 0
                active[:] = np.uint64(0)
                different[:] = 0


@njit(cache=True, nogil=True)
def _change(is_a, e, step, tally, different):
    """Count one polygon more or less; tell whether its class came or went."""
    tally[EVENT, e] += step
    heavy, pass_, axle = is_a[e, HEAVY], is_a[e, PASS], is_a[e, AXLE]
    own = is_a[e, CLASS]
    _group(tally, different, PASS, pass_, step)
    _group(tally, different, AXLE, axle, step)
    if heavy & 1:
        _group(tally, different, AXLE_3, axle, step)
    if heavy & 2:
        _group(tally, different, AXLE_5, axle, step)
    _group(tally, different, is_a[e, TRACK], pass_, step)
    before = tally[CLASS, own]
    tally[CLASS, own] = before + step
    return before == 0 or before + step == 0


@njit(cache=True, nogil=True)
def _group(tally, different, row, number, step):
    before = tally[row, number]
    tally[row, number] = before + step
    if before == 0:
        different[row] += 1
    elif before + step == 0:
        different[row] -= 1


@njit(cache=True, nogil=True)
def _switch(members, own, step, by_set, active):
    """Take note that a class began or ceased to cover a stretch."""
    for k in range(members.shape[1]):
        f = members[own, k]
        if f < 0:
            break
        by_set[f] += step
        bit = np.uint64(1) << np.uint64(f % 64)
        if by_set[f]:
            active[f // 64] |= bit
        else:
            active[f // 64] &= ~bit


@njit(cache=True, nogil=True)
def union_of_events(events, wheel, cell, cols, refs, stations, wheels, out):
    """Write the exact share of its cell each of `events` swept, overlaps once."""
    room = 8
    shapes, ends = shape_space(room)
    work = (np.empty((4, 2)), np.empty((4, 2)), *cut_space())
    for e in events:
        need = 2 * (refs[0][e + 1] - refs[0][e])
        if need > room:
            room = 2 * need
            shapes, ends = shape_space(room)
        n = add_polygons(
            e, e + 1, wheel, cell[e] // cols, cell[e] % cols, refs, stations, wheels,
            work, shapes,
        )  # fmt: skip
        polygon, corners, inner, at, who = shapes[0], shapes[1], shapes[2], *ends[:2]
        area = 0.0
        for i in range(n):
            for edge in range(corners[i]):
                ax, ay, bx, by = _edge(polygon, i, corners[i], edge)
                if inner[i, edge] or ay == by or (ax == 0.0 and bx == 0.0):
                    continue
                found = 0
                for j in range(n):
                    if j == i:
                        continue
                    low, high = covered_stretch(
                        ax, ay, bx, by, polygon, j, corners[j], j < i
                    )
                    if low < high:
                        found = _put(at, who, found, low, 1)
                        found = _put(at, who, found, high, -1)
                low, over = 0.0, 0
                for b in range(found):
                    if over == 0 and at[b] > low:
                        area += _slice(ax, ay, bx, by, low, at[b])
                    low = at[b]
                    over += who[b]
                if over == 0 and low < 1.0:
                    area += _slice(ax, ay, bx, by, low, 1.0)
        out[e] = _share(area)


@njit(cache=True, nogil=True)
def add_polygons(
    e0, e1, wheel, row, col, refs, stations, wheels, work, shapes
):  # fmt: skip
    """Make the convex parts of the events of one cell; return how many there are.

    Parts know their event by its place after `e0`, the first of the cell.
    """
    ref_start, ref_station, ref_part = refs
    x, y, fx, fy = stations
    forward, right, half = wheels
    quad, piece, parts, spare = work
    polygon, corners, inner, wests, easts, norths, souths, owner, _ = shapes
    count = 0
    for e in range(e0, e1):
        before, w = count, wheel[e]
        for r in range(ref_start[e], ref_start[e + 1]):
            k = ref_station[r]
            quad_at(k, x, y, fx, fy, forward[w], right[w], half[w], half[w], quad)
            n, m = pieces(quad), ref_part[r]
            if n > 1:
                cut_piece(quad, m / n, (m + 1) / n, piece)
            for p in range(convex_parts(piece if n > 1 else quad, parts)):
                size = cut_to_cell(parts, p, row, col, spare, polygon, count)
                if not size:
                    continue
                corners[count] = size
                owner[count] = e - e0
                wests[count], easts[count] = _bounds(polygon, count, size, 0)
                norths[count], souths[count] = _bounds(polygon, count, size, 1)
                for edge in range(size):
                    inner[count, edge] = False
                if count > before:
                    _mark_inner(polygon, corners, count, inner)
                count += 1
    return count


@njit(cache=True, nogil=True)
def _mark_inner(polygon, corners, i, inner):
    """Mark the edges a piece shares with the one before, the other way round.

    They bound nothing: what one piece adds along them the other takes away.
    """
    b = i - 1
    for k in range(corners[i]):
        ax, ay, bx, by = _edge(polygon, i, corners[i], k)
        for m in range(corners[b]):
            cx, cy, dx, dy = _edge(polygon, b, corners[b], m)
            if ax == dx and ay == dy and bx == cx and by == cy:
                inner[i, k] = True
                inner[b, m] = True


@njit(cache=True, nogil=True)
def shape_space(room):
    """Return arrays for so many polygons, and for the ends of stretches."""
    shapes = (
        np.empty((room + 1, CORNERS, 2)),
        np.empty(room + 1, dtype=np.int64),
        np.empty((room + 1, CORNERS), dtype=np.bool_),
        np.empty(room),
        np.empty(room),
        np.empty(room),
        np.empty(room),
        np.empty(room, dtype=np.int64),
        np.empty(room + 1, dtype=np.int64),
    )
    ends = (
        np.empty(2 * room),
        np.empty(2 * room, dtype=np.int64),
        np.empty(room, dtype=np.int64),
    )
    return shapes, ends


@njit(cache=True, nogil=True)
def event_space(space, n_classes):
    """Return arrays for what so many events are, and for what covers a stretch."""
    return (
        np.empty((space, COLUMNS), dtype=np.int32),
        np.zeros((WAY + DIRECTIONS, max(space, n_classes)), dtype=np.int32),
    )


@njit(cache=True, nogil=True)
def _direction(fx, fy, way, ways, cosine):
    """Return how many directions are known by now, and which one this is."""
    for k in range(ways):
        if abs(fx * way[k, 0] + fy * way[k, 1]) >= cosine:
            return ways, k
    if ways < DIRECTIONS:
        way[ways, 0], way[ways, 1] = fx, fy
        return ways + 1, ways
    return ways, DIRECTIONS - 1


@njit(cache=True, nogil=True)
def _put(at, who, found, value, name):
    """Put an end of a stretch in order; return how many there are."""
    k = found
    while k > 0 and at[k - 1] > value:
        at[k], who[k] = at[k - 1], who[k - 1]
        k -= 1
    at[k], who[k] = value, name
    return found + 1


@njit(cache=True, nogil=True)
def _edge(polygon, i, n, k):
    m = k + 1 if k + 1 < n else 0
    return polygon[i, k, 0], polygon[i, k, 1], polygon[i, m, 0], polygon[i, m, 1]


@njit(cache=True, nogil=True)
def _slice(ax, ay, bx, by, low, high):
    """Return the integral of x dy along a stretch of an edge, in cells."""
    middle = ax + 0.5 * (low + high) * (bx - ax)
    return (high - low) * ((by - ay) / LATTICE) * (middle / LATTICE)


@njit(cache=True, nogil=True)
def _bounds(polygon, i, n, axis):
    low = high = polygon[i, 0, axis]
    for k in range(1, n):
        value = polygon[i, k, axis]
        low, high = min(low, value), max(high, value)
    return low, high


@njit(cache=True, nogil=True)
def _share(area):
    return min(max(area, 0.0), 1.0)
