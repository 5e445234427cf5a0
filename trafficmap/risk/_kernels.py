"""Every cell over its visits: probability under the wheel and mean over the cell."""

import math

import numpy as np
from numba import njit, prange

_REACH = 5.2
_PER_UNIT = 50


def _cdf_cubics():
    """Return cubics through the normal distribution and its slope at even steps.

    Row k holds c0..c3 of a polynomial in the share of the way from knot k to k + 1.
    """
    knots = np.arange(-_REACH * _PER_UNIT, _REACH * _PER_UNIT + 0.5) / _PER_UNIT
    value = np.array([0.5 * math.erfc(-knot * math.sqrt(0.5)) for knot in knots])
    slope = np.exp(-0.5 * knots**2) / math.sqrt(2.0 * math.pi) / _PER_UNIT
    rise, before, after = np.diff(value), slope[:-1], slope[1:]
    square = 3.0 * rise - 2.0 * before - after
    cube = before + after - 2.0 * rise
    return np.column_stack([value[:-1], before, square, cube])


_CUBICS = _cdf_cubics()


@njit(cache=True)
def normal_cdf(value):
    """Chance that a standard normal variable is below `value`, within 1e-7.

    From cubics, within 3e-10, and cut where it is closer than 1e-7 to 0 or 1: asked
    some fifty million times a field, the error function would take most of the time.
    """
    if not abs(value) < _REACH:
        if math.isnan(value):
            return value
        return 0.0 if value < 0.0 else 1.0
    at = (value + _REACH) * _PER_UNIT
    k = min(int(at), _CUBICS.shape[0] - 1)
    t = at - k
    return _CUBICS[k, 0] + t * (_CUBICS[k, 1] + t * (_CUBICS[k, 2] + t * _CUBICS[k, 3]))


@njit(cache=True)
def join_passes(total, largest, growth):
    """Damage of mixed passes: D_max (1 + k ln(sum D / D_max)), cut at 1."""
    if not largest > 0.0:
        return largest
    return min(1.0, largest * (1.0 + growth * math.log(total / largest)))


@njit(cache=True)
def mean_of_parts(total, largest, crossed, growth):
    """Mean over the cell of damage joined part by part, along and across a heading.

    Passes along one heading are joined in each part of the cell they share; where
    passes cross them squarely, in each pair of parts, which fill the cell like a grid.
    The parts across follow those along.
    """
    parts = total.size // 2
    mean = 0.0
    if not (crossed[0] and crossed[1]):
        begin = parts if crossed[1] else 0
        return mean_of_places(
            total[begin : begin + parts], largest[begin : begin + parts], growth
        )
    for q in range(parts):
        for p in range(parts, 2 * parts):
            most = max(largest[q], largest[p])
            if most > 0.0:
                mean += join_passes(total[q] + total[p], most, growth)
    return mean / parts**2


@njit(cache=True)
def mean_of_places(total, largest, growth):
    """Mean over the places of a cell of damage joined at each of them."""
    mean = 0.0
    for p in range(total.size):
        if largest[p] > 0.0:
            mean += join_passes(total[p], largest[p], growth)
    return mean / total.size


@njit(cache=True)
def passes_skew(row, heading, begin, end, limit):
    """Whether known passes of a cell neither run along nor squarely across another.

    `limit` is the sine of twice the angle that still counts as square.
    """
    first = np.nan
    for k in range(begin, end):
        if row[k] < 0:
            continue
        if math.isnan(first):
            first = heading[k]
        elif abs(math.sin(2.0 * (heading[k] - first))) > limit:
            return True
    return False


@njit(cache=True)
def trapezoid_offset(half_flat, half_width, share):
    """Offset [m] that `share` of a square cell lies left of, seen along a heading.

    Seen along a heading the width of a square is spread as a trapezoid: flat within
    `half_flat` of the centre, falling to nothing at `half_width`.
    """
    distance = abs(2.0 * share - 1.0)
    flat = 2.0 * half_flat / (half_flat + half_width)
    if distance <= flat:
        offset = 0.5 * distance * (half_flat + half_width)
    else:
        beyond = (1.0 - distance) * (half_width**2 - half_flat**2)
        offset = half_width - math.sqrt(max(beyond, 0.0))
    return offset if share >= 0.5 else -offset


@njit(cache=True, parallel=True)
def assess_cells(
    cell_start,
    run_over,
    row,
    when,
    column,
    offset,
    heading,
    ln_stress,
    window,
    window_size,
    pad,
    bound,
    first_offset,
    step,
    ln_strength,
    water_variance,
    suction,
    heavy,
    swelling,
    shift,
    variance,
    floors,
    half_cell,
    shares,
    east,
    north,
    square,
    growth,
    wet_limits,
    rut_limits,
    moment,
    kind,
    since,
    loosened,
    out_stress,
    out_strength,
    out_probability,
    out_share,
    out_rut,
):
    """Fill the five outputs, shape (depths, cells) and (cells,).

    Units: stress and suction [Pa], offsets and half_cell [m], heading [rad].
    ``ln_stress`` has shape (rows, offsets, depths), -inf where there is none;
    Stress below ``bound`` [row, depth] is none.
    ``window[:, j + pad]`` is the largest stress in ``window_size`` offsets from j on.
    A visit with row, when or column below 0, or with NaN strength, makes what it
    touches NaN. ``out_rut`` gets a class, 0 where no wheel passed. Each cell owns its
    outputs. ``shift`` and ``variance`` [row, depth] are the mean of what is added to
    ln stress and the variance of ln(stress / strength), the load's interval within;
    ``water_variance`` is what not knowing the water adds, shaped as ln strength. The
    mean over the cell keeps each of the ``shares`` apart: tracks along one another
    meet only where they lie over the same part of the cell, and tracks that cross
    squarely, to the sine ``square`` of twice the angle, meet in every pair of parts.
    Where tracks cross otherwise, they are joined at places ``east`` and ``north`` [m]
    of the middle of the cell.
    A visit whose ``moment`` [s] lies before ``since[kind, depth]`` was undone
    by tillage; after it ``loosened[column, depth]`` is added to ln strength.
    """
    n_depths = ln_stress.shape[2]
    n_offsets = ln_stress.shape[1]
    ln_bound = np.log(bound)
    last_window = window.shape[1] - 1
    for cell in prange(cell_start.size - 1):
        begin = cell_start[cell]
        end = cell_start[cell + 1]
        if begin == end:
            continue
        total = np.zeros(n_depths)
        largest = np.zeros(n_depths)
        skew = passes_skew(row, heading, begin, end, square)
        # Places of the cell, or else its parts along the first heading and across it.
        n_places = east.size if skew else shares.size
        n_slots = n_places if skew else 2 * n_places
        place_total = np.zeros((n_depths, n_slots))
        place_largest = np.zeros((n_depths, n_slots))
        crossed = np.zeros((2, n_depths), dtype=np.bool_)
        first_heading = np.nan
        ln_met = np.full(n_depths, np.nan)
        unknown = np.zeros(n_depths, dtype=np.bool_)
        places = np.empty(n_places, dtype=np.int64)
        stress_unknown = False
        rut_unknown = False
        rut = 0
        for k in range(begin, end):
            r = row[k]
            if r < 0:
                # How far beside its wheels an unknown load reaches is not known
                # either; what it ran over is certainly touched.
                if run_over[cell]:
                    stress_unknown = True
                    for d in range(n_depths):
                        # What tillage reached since is known again.
                        if not moment[k] < since[kind[cell], d]:
                            unknown[d] = True
                            if d == 0:
                                rut_unknown = True
                continue
            along = math.cos(heading[k])
            across = math.sin(heading[k])
            half_width = half_cell * (abs(along) + abs(across))
            half_flat = half_cell * abs(abs(along) - abs(across))
            left = (offset[k] - half_width - first_offset) / step
            right = (offset[k] + half_width - first_offset) / step
            # Two windows that overlap cover every offset the cell shows.
            low = min(max(math.ceil(left - 1e-9) + pad, 0), last_window)
            high = math.floor(right + 1e-9) - window_size + 1 + pad
            high = min(max(high, 0), last_window)
            for q in range(n_places):
                if skew:
                    beside = east[q] * along - north[q] * across
                else:
                    beside = trapezoid_offset(half_flat, half_width, shares[q])
                place = offset[k] + beside
                j = math.floor((place - first_offset) / step + 0.5)
                places[q] = j if 0 <= j < n_offsets else -1
            if math.isnan(first_heading):
                first_heading = heading[k]
            turned = math.cos(heading[k] - first_heading)
            sideways = math.sin(heading[k] - first_heading)
            family = 0 if abs(turned) >= abs(sideways) else 1
            flipped = (turned if family == 0 else sideways) < 0.0
            timed = when[k] >= 0 and column[k] >= 0
            for d in range(n_depths):
                highest = max(window[r, low, d], window[r, high, d])
                if not highest > 0.0 or highest < bound[r, d]:
                    continue
                if highest > out_stress[d, cell]:
                    out_stress[d, cell] = highest
                ln_s = np.nan
                begin_again = since[kind[cell], d]
                if moment[k] < begin_again:
                    continue
                if timed:
                    ln_s = ln_strength[when[k], column[k], d]
                    if begin_again > -np.inf:
                        ln_s += loosened[column[k], d]
                if math.isnan(ln_s):
                    unknown[d] = True
                    if d == 0:
                        rut_unknown = True
                    continue
                spread = math.sqrt(
                    variance[r, d] + water_variance[when[k], column[k], d]
                )
                least = 0.0
                if heavy[r] and swelling[column[k]]:
                    least = floors[d]
                chance = max(
                    least,
                    normal_cdf((math.log(highest) + shift[r, d] - ln_s) / spread),
                )
                top = chance
                if chance >= largest[d]:
                    ln_met[d] = ln_s
                total[d] += chance
                largest[d] = max(largest[d], chance)
                for q in range(n_places):
                    if places[q] < 0:
                        continue
                    here = ln_stress[r, places[q], d]
                    if here > -np.inf and here >= ln_bound[r, d]:
                        z = (here + shift[r, d] - ln_s) / spread
                        chance = max(least, normal_cdf(z))
                        at = q
                        if not skew:
                            at = n_places - 1 - q if flipped else q
                            at += family * n_places
                        place_total[d, at] += chance
                        if chance > place_largest[d, at]:
                            place_largest[d, at] = chance
                        crossed[family, d] = True
                if d == 0:
                    psi = suction[when[k], column[k]]
                    if math.isnan(psi):
                        rut_unknown = True
                        continue
                    level = 1
                    if top > rut_limits[2]:
                        level = 4
                    elif top >= rut_limits[1]:
                        level = 3
                    elif top >= rut_limits[0]:
                        level = 2
                    if psi < wet_limits[0]:
                        level = max(level, 3)
                    elif psi < wet_limits[1]:
                        level = min(level, 3)
                    else:
                        level = min(level, 2)
                    rut = max(rut, level)
        for d in range(n_depths):
            if unknown[d]:
                out_probability[d, cell] = np.nan
                out_share[d, cell] = np.nan
                out_strength[d, cell] = np.nan
            else:
                out_probability[d, cell] = join_passes(total[d], largest[d], growth)
                if skew:
                    out_share[d, cell] = mean_of_places(
                        place_total[d], place_largest[d], growth
                    )
                else:
                    out_share[d, cell] = mean_of_parts(
                        place_total[d], place_largest[d], crossed[:, d], growth
                    )
                out_strength[d, cell] = math.exp(ln_met[d])
            if stress_unknown:
                out_stress[d, cell] = np.nan
        out_rut[cell] = 5 if rut_unknown else rut


@njit(cache=True, parallel=True)
def heaviest_visits(
    cell_start,
    row,
    when,
    column,
    offset,
    heading,
    moment,
    window,
    window_size,
    pad,
    first_offset,
    step,
    ln_strength,
    half_cell,
    kind,
    since,
    depths,
    out,
):
    """Fill `out` (depths, cells) with the visit that weighed most on each cell.

    At the rows `depths` of the tables; -1 where no visit of known load on soil of
    known strength reached that deep. Arguments as for `assess_cells`. Of visits that
    weighed the same the last counts.
    """
    last_window = window.shape[1] - 1
    for cell in prange(cell_start.size - 1):
        best = np.full(depths.size, -np.inf)
        for k in range(cell_start[cell], cell_start[cell + 1]):
            r = row[k]
            if r < 0 or when[k] < 0 or column[k] < 0:
                continue
            towards = np.float64(heading[k])
            reach = half_cell * (abs(math.cos(towards)) + abs(math.sin(towards)))
            left = (np.float64(offset[k]) - reach - first_offset) / step
            right = (np.float64(offset[k]) + reach - first_offset) / step
            low = math.ceil(left - 1e-9) + pad
            high = math.floor(right + 1e-9) - window_size + 1 + pad
            low = min(max(low, 0), last_window)
            high = min(max(high, 0), last_window)
            for n in range(depths.size):
                d = depths[n]
                largest = max(window[r, low, d], window[r, high, d])
                if not largest > 0.0 or moment[k] < since[kind[cell], d]:
                    continue
                score = math.log(largest) - ln_strength[when[k], column[k], d]
                if score >= best[n] and score < np.inf:
                    best[n] = score
                    out[n, cell] = k
