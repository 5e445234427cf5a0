"""One draw after another over the same visits: which cells it damages, by depth."""

import math

import numpy as np
from numba import njit, prange


@njit(cache=True)
def load_factor(rank, low, high):
    """Stress over best stress at a rank of the load: even below and above the best."""
    if rank < 0.5:
        return low + (1.0 - low) * 2.0 * rank
    return 1.0 + (high - 1.0) * (2.0 * rank - 1.0)


@njit(cache=True)
def window_ends(offset, half_width, first_offset, step, size, pad, last):
    """Return the first and the last window of the offsets a cell shows."""
    left = (offset - half_width - first_offset) / step
    right = (offset + half_width - first_offset) / step
    low = min(max(math.ceil(left - 1e-9) + pad, 0), last)
    high = math.floor(right + 1e-9) - size + 1 + pad
    return low, min(max(high, 0), last)


@njit(cache=True)
def sort_pairs(
    cells,
    cell_start,
    row,
    strength,
    doubt,
    group,
    session,
    machine,
    unit,
    offset,
    heading,
    floored,
    window,
    size,
    pad,
    bound,
    first_offset,
    step,
    half_cell,
    low,
    high,
    rank,
    move,
    patch,
    soil,
    water,
    prune,
    out_status,
    out_start,
    out_visit,
):
    """Sort every cell and depth into never (0), always (1) and by the draw (2).

    Pairs of a cell and a depth that hang on the draw get their visits in
    ``out_visit[out_start[c * depths + d] ..]``; returns how many. ``strength``
    [visit, depth] is the best strength [Pa], NaN for a pass that does not count.
    ``rank`` [group], ``move`` [session], ``patch`` [machine, depth], ``soil`` [unit]
    and ``water`` hold least and most over all draws on their last axis; ``doubt``
    [visit, depth] is the spread of ln strength that goes with ``water``.
    Without ``prune`` every visit that counts is kept.
    """
    n_depths = strength.shape[1]
    last = window.shape[1] - 1
    count = 0
    for c in range(cells.size):
        for d in range(n_depths):
            at = c * n_depths + d
            out_start[at] = count
            status = 0
            for k in range(cell_start[cells[c]], cell_start[cells[c] + 1]):
                if math.isnan(strength[k, d]):
                    continue
                if not prune:
                    out_visit[count] = k
                    count += 1
                    status = 2
                    continue
                r = row[k]
                half = half_cell * (
                    abs(math.cos(heading[k])) + abs(math.sin(heading[k]))
                )
                reach = move[session[k]]
                begin, _ = window_ends(
                    offset[k] - reach, half, first_offset, step, size, pad, last
                )
                inner, end = window_ends(
                    offset[k] + reach, half, first_offset, step, size, pad, last
                )
                most = 0.0
                least = np.inf
                for j in range(begin, max(end, inner) + 1):
                    most = max(most, window[r, j, d])
                    if j <= inner:
                        least = min(least, window[r, j, d])
                if not most > 0.0 or most < bound[r, d]:
                    continue
                top = load_factor(rank[group[k], 1], low[r, d], high[r, d])
                top *= patch[machine[k], d, 1] / soil[unit[k], 0]
                top *= math.exp(-doubt[k, d] * water[0])
                base = load_factor(rank[group[k], 0], low[r, d], high[r, d])
                base *= patch[machine[k], d, 0] / soil[unit[k], 1]
                base *= math.exp(-doubt[k, d] * water[1])
                # A millionth to spare: the last bit may not decide.
                if least >= bound[r, d] and least * base > strength[k, d] * 1.000001:
                    status = 1
                    break
                if most * top * 1.000001 > strength[k, d] or floored[k, d]:
                    out_visit[count] = k
                    count += 1
                    status = 2
            if status == 1:
                count = out_start[at]
            out_status[at] = status
    out_start[cells.size * n_depths] = count
    return count


@njit(cache=True, parallel=True)
def damage_by_draw(
    status,
    start,
    visit,
    weight,
    zone,
    row,
    strength,
    doubt,
    group,
    session,
    machine,
    unit,
    offset,
    heading,
    floored,
    window,
    size,
    pad,
    bound,
    first_offset,
    step,
    half_cell,
    low,
    high,
    rank,
    east,
    north,
    patch,
    soil,
    water,
    weak,
    out,
):
    """Fill ``out`` [draw, zone, depth] with the weight of ground that was damaged.

    Weights are whole numbers, so that no order of adding makes a difference. Each draw
    owns its outputs.
    """
    n_depths = strength.shape[1]
    last = window.shape[1] - 1
    for n in prange(out.shape[0]):
        for at in range(status.size):
            if status[at] == 0:
                continue
            c = at // n_depths
            d = at - c * n_depths
            hit = status[at] == 1
            if not hit:
                for i in range(start[at], start[at + 1]):
                    k = visit[i]
                    if floored[k, d] and weak[n, unit[k]]:
                        # The floor needs the stress to arrive there at all.
                        need = 0.0
                    else:
                        need = strength[k, d] * soil[n, unit[k]]
                        need *= math.exp(doubt[k, d] * water[n])
                    along = math.cos(heading[k])
                    across = math.sin(heading[k])
                    half = half_cell * (abs(along) + abs(across))
                    place = offset[k] - (
                        east[n, session[k]] * along - north[n, session[k]] * across
                    )
                    first, end = window_ends(
                        place, half, first_offset, step, size, pad, last
                    )
                    r = row[k]
                    met = max(window[r, first, d], window[r, end, d])
                    if not met > 0.0 or met < bound[r, d]:
                        continue
                    met *= load_factor(rank[n, group[k]], low[r, d], high[r, d])
                    if met * patch[n, machine[k], d] > need:
                        hit = True
                        break
            if hit:
                out[n, zone[c], d] += weight[c]
