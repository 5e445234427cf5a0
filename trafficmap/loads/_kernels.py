"""Loops along a driven path: thin, densify, sense of travel, bearing."""

import math

import numpy as np
from numba import njit


@njit(cache=True)
def wrap(angle):
    return angle - 2.0 * math.pi * math.floor((angle + math.pi) / (2.0 * math.pi))


@njit(cache=True)
def keep_moving(easting, northing, starts_run, min_step, keep):
    """Mark fixes at least `min_step` from the last one kept; run starts always."""
    last = -1
    for k in range(easting.size):
        if last < 0 or starts_run[k]:
            keep[k] = True
            last = k
            continue
        step = math.hypot(easting[k] - easting[last], northing[k] - northing[last])
        if step >= min_step[k]:
            keep[k] = True
            last = k


@njit(cache=True)
def densify(easting, northing, parts, curved, out_e, out_n, out_seg, out_t):
    """Cut segment k into `parts[k]` pieces; a cubic through the fixes where curved.

    Segments with no parts are breaks. Stations lie segment after segment, a joint
    once; the cubic has chord-length (finite difference) slopes at the fixes.
    """
    n = easting.size
    row = 0
    out_e[0] = easting[0]
    out_n[0] = northing[0]
    out_seg[0] = -1
    out_t[0] = 0.0
    row = 1
    for k in range(n - 1):
        if parts[k] == 0:
            out_e[row] = easting[k + 1]
            out_n[row] = northing[k + 1]
            out_seg[row] = -1
            out_t[row] = 0.0
            row += 1
            continue
        de = easting[k + 1] - easting[k]
        dn = northing[k + 1] - northing[k]
        e0 = de
        n0 = dn
        e1 = de
        n1 = dn
        if curved[k]:
            h1 = math.hypot(de, dn)
            if k > 0 and curved[k - 1]:
                a = easting[k] - easting[k - 1]
                b = northing[k] - northing[k - 1]
                h0 = math.hypot(a, b)
                e0 = (a / h0 * h1 + de / h1 * h0) / (h0 + h1) * h1
                n0 = (b / h0 * h1 + dn / h1 * h0) / (h0 + h1) * h1
            if k + 2 < n and curved[k + 1]:
                a = easting[k + 2] - easting[k + 1]
                b = northing[k + 2] - northing[k + 1]
                h2 = math.hypot(a, b)
                e1 = (de / h1 * h2 + a / h2 * h1) / (h1 + h2) * h1
                n1 = (dn / h1 * h2 + b / h2 * h1) / (h1 + h2) * h1
        for j in range(1, parts[k] + 1):
            t = j / parts[k]
            c2 = t * t * (3.0 - 2.0 * t)
            c0 = t * (1.0 - t) * (1.0 - t)
            c1 = t * t * (t - 1.0)
            out_e[row] = easting[k] + c2 * de + c0 * e0 + c1 * e1
            out_n[row] = northing[k] + c2 * dn + c0 * n0 + c1 * n1
            out_seg[row] = k
            out_t[row] = t
            row += 1


@njit(cache=True)
def travel_signs(length, is_cusp, run_first, free, steep, spin, sign):
    """Forward (1) or backward (-1) for pieces between cusps, by least cost.

    Backward costs its length, and `steep` times what is over `free`; keeping the
    direction through a cusp means turning on the spot and costs `spin`. Two states,
    one sweep forward and one back (Viterbi).
    """
    n = length.size
    cost = np.zeros((n, 2))
    came = np.zeros((n, 2), dtype=np.int64)
    for k in range(n):
        back = length[k] + steep * max(0.0, length[k] - free)
        for s in range(2):
            own = back if s == 1 else 0.0
            if k == 0 or run_first[k]:
                best = 0.0 if k == 0 else min(cost[k - 1, 0], cost[k - 1, 1])
                came[k, s] = 0 if k == 0 or cost[k - 1, 0] <= cost[k - 1, 1] else 1
            else:
                stay = cost[k - 1, s] + (spin if is_cusp[k] else 0.0)
                flip = cost[k - 1, 1 - s] + (0.0 if is_cusp[k] else 1e12)
                best = min(stay, flip)
                came[k, s] = s if stay <= flip else 1 - s
            cost[k, s] = own + best
    if n == 0:
        return
    s = 0 if cost[n - 1, 0] <= cost[n - 1, 1] else 1
    for k in range(n - 1, -1, -1):
        sign[k] = 1 if s == 0 else -1
        s = came[k, s]


@njit(cache=True)
def bearing(easting, northing, step_sign, base, out):
    """Heading by the chord over `base` metres centred on each station.

    `step_sign[k]` belongs to the step from station k: 1 forward, -1 backward, 0 a
    break. Chords stay inside one piece of one sign.
    """
    n = easting.size
    along = np.zeros(n)
    i = 0
    while i < n:
        j = i
        sign = step_sign[i] if i < n - 1 else 0
        along[i] = 0.0
        while j < n - 1 and sign != 0 and step_sign[j] == sign:
            along[j + 1] = along[j] + math.hypot(
                easting[j + 1] - easting[j], northing[j + 1] - northing[j]
            )
            j += 1
        if j == i:
            # A lone station: nothing tells its heading but the piece it ends.
            if i == 0 or step_sign[i - 1] == 0:
                out[i] = math.nan
            i += 1
            continue
        total = along[j]
        a = i
        b = i
        # The joint keeps the heading of the piece before it.
        first = i if (i == 0 or step_sign[i - 1] == 0) else i + 1
        for k in range(first, j + 1):
            # Near an end the chord is shorter but still centred, to a third of it.
            half = min(0.5 * base, along[k], total - along[k])
            half = min(max(half, base / 6.0), 0.5 * total)
            low = min(max(along[k] - half, 0.0), total - 2.0 * half)
            high = low + 2.0 * half
            while a < j - 1 and along[a + 1] <= low:
                a += 1
            if b < a:
                b = a
            while b < j - 1 and along[b + 1] < high:
                b += 1
            ta = along[a + 1] - along[a]
            ta = (low - along[a]) / ta if ta > 0.0 else 0.0
            tb = along[b + 1] - along[b]
            tb = (high - along[b]) / tb if tb > 0.0 else 1.0
            ta = min(max(ta, 0.0), 1.0)
            tb = min(max(tb, 0.0), 1.0)
            de = (easting[b] + tb * (easting[b + 1] - easting[b])) - (
                easting[a] + ta * (easting[a + 1] - easting[a])
            )
            dn = (northing[b] + tb * (northing[b + 1] - northing[b])) - (
                northing[a] + ta * (northing[a + 1] - northing[a])
            )
            if math.hypot(de, dn) < 1e-9:
                out[k] = out[k - 1] if k > i else 0.0
            else:
                out[k] = wrap(math.atan2(de, dn) + (0.0 if sign > 0 else math.pi))
        # Stations on the joint belong to both; the next piece starts there.
        i = j
