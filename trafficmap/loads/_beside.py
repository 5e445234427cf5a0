"""Loops over two rigs second by second: who is beside whom, at which clock offset."""

import math

import numpy as np
from numba import njit

NOT, MOVING, STANDING, OTHER_SIDE = 0, 1, 2, 3


@njit(cache=True)
def gate(
    ahead, right, bend, turn_g, turn_t, ve_g, vn_g, ve_t, vn_t, de, dn, side, rule
):
    """Return the kind of being beside, and how fast the two move apart [m/s].

    `rule` holds lateral from and to, ahead, heading, heading in a curve, speed,
    reach standing, out standing, slower is standing, only standing (1).
    """
    speed_g = math.hypot(ve_g, vn_g)
    speed_t = math.hypot(ve_t, vn_t)
    # In a curve the outer one must be faster: both turn about the same centre.
    spin = 0.0
    if abs(turn_g) > 0.02 and turn_g * turn_t > 0.0 and abs(turn_g - turn_t) < 0.05:
        spin = turn_g
    apart = math.hypot(ve_t - ve_g - spin * dn, vn_t - vn_g + spin * de)
    out = abs(right) if side == 0.0 else side * right
    still = speed_g < rule[8] and speed_t < rule[8]
    if still:
        if math.hypot(de, dn) < rule[6] and (rule[9] > 0.0 or abs(right) > rule[7]):
            if rule[9] > 0.0 or out > 0.0:
                return STANDING, apart
            return OTHER_SIDE, apart
        return NOT, apart
    if rule[9] > 0.0:
        return NOT, apart
    most = rule[4] if spin != 0.0 else rule[3]
    if (
        rule[0] <= abs(right) <= rule[1]
        and abs(ahead) < rule[2]
        and abs(bend) < most
        and apart < rule[5]
    ):
        if out > 0.0:
            return MOVING, apart
        return OTHER_SIDE, apart
    return NOT, apart


@njit(cache=True)
def beside(
    sec_g, e_g, n_g, psi_g, turn_g, ve_g, vn_g,
    sec_t, e_t, n_t, psi_t, turn_t, ve_t, vn_t,
    offset, side, rule, kind, apart, right, row_t,
):  # fmt: skip
    """Fill kind, apart, right and the taker's row at every second of the giver."""
    j = 0
    reach = max(rule[6], math.hypot(rule[1], rule[2]))
    for i in range(sec_g.size):
        kind[i] = NOT
        apart[i] = math.inf
        right[i] = math.nan
        row_t[i] = -1
        while j < sec_t.size and sec_t[j] + offset < sec_g[i]:
            j += 1
        if j == sec_t.size:
            continue
        if sec_t[j] + offset != sec_g[i]:
            continue
        row_t[i] = j
        de = e_t[j] - e_g[i]
        dn = n_t[j] - n_g[i]
        if abs(de) > reach or abs(dn) > reach:
            continue
        if math.isnan(psi_g[i]) or math.isnan(psi_t[j]):
            continue
        sin = math.sin(psi_g[i])
        cos = math.cos(psi_g[i])
        bend = psi_t[j] - psi_g[i]
        bend -= 2.0 * math.pi * math.floor((bend + math.pi) / (2.0 * math.pi))
        right[i] = de * cos - dn * sin
        kind[i], apart[i] = gate(
            de * sin + dn * cos, right[i], bend, turn_g[i], turn_t[j],
            ve_g[i], vn_g[i], ve_t[j], vn_t[j], de, dn, side, rule,
        )  # fmt: skip


@njit(cache=True)
def count_beside(
    sec_g, e_g, n_g, psi_g, turn_g, ve_g, vn_g,
    sec_t, e_t, n_t, psi_t, turn_t, ve_t, vn_t,
    offsets, side, rule, moving, standing,
):  # fmt: skip
    """Fill the seconds beside each other, driving and standing, at clock offsets."""
    reach = max(rule[6], math.hypot(rule[1], rule[2]))
    for k in range(offsets.size):
        j = 0
        drives = 0
        stands = 0
        for i in range(sec_g.size):
            while j < sec_t.size and sec_t[j] + offsets[k] < sec_g[i]:
                j += 1
            if j == sec_t.size:
                break
            if sec_t[j] + offsets[k] != sec_g[i]:
                continue
            de = e_t[j] - e_g[i]
            dn = n_t[j] - n_g[i]
            if abs(de) > reach or abs(dn) > reach:
                continue
            if math.isnan(psi_g[i]) or math.isnan(psi_t[j]):
                continue
            sin = math.sin(psi_g[i])
            cos = math.cos(psi_g[i])
            bend = psi_t[j] - psi_g[i]
            bend -= 2.0 * math.pi * math.floor((bend + math.pi) / (2.0 * math.pi))
            kind, _ = gate(
                de * sin + dn * cos, de * cos - dn * sin, bend, turn_g[i], turn_t[j],
                ve_g[i], vn_g[i], ve_t[j], vn_t[j], de, dn, side, rule,
            )  # fmt: skip
            if kind == MOVING:
                drives += 1
            elif kind == STANDING:
                stands += 1
        moving[k] = drives
        standing[k] = stands


@njit(cache=True)
def calm_span(calm, need, out):
    """Fill first and last row of `need` calm seconds in a row; -1 where none."""
    out[0] = -1
    out[1] = -1
    run = 0
    for i in range(calm.size):
        run = run + 1 if calm[i] else 0
        if run >= need:
            if out[0] < 0:
                out[0] = i - need + 1
            out[1] = i


def empty_counts(size):
    """Return two arrays for `count_beside`."""
    return np.zeros(size, dtype=np.int64), np.zeros(size, dtype=np.int64)
