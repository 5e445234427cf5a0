"""What a tank held after every unloading: bounds, one rate a day, least squares."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

_DURATION_SHARE = 0.08
"""An unloading is off rate x time by this share of the tank, one sigma; choice."""

_WEIGHED_SHARE = 0.02
"""And from what a scale in the cart says by this share of the tank; choice."""

_PULL_SHARE, _PULL_FLOOR = 0.15, 0.01
"""People nearly always empty the tank: what stays costs about |m| over this share of
the tank; below the floor it costs the square; choice."""

_START_PULL = 5.0
"""A day begins with an empty tank unless much says otherwise: times as costly;
choice."""

_RATE_SHARE = 25.0 / 86.5
"""How well the usual rate is known, one sigma; choice."""

_RATE_RANGE = (0.6, 1.6)
"""The day's rate lies within these times the usual one: 72 to 192 L/s about 120 L/s;
choice."""

_WAIT = 1.0
"""Waiting beside is counted by its square up to so many sigmas, and beyond that in
proportion (Huber); choice."""

_ROUNDS = 8
_FREE = 1e-4
"""Weight of the pull on a level nobody knows, so that the answer is still one."""


@dataclass(frozen=True)
class TankDay:
    """One day of a tank, in order of time.

    Parameters
    ----------
    segment : ndarray of int64, shape (k,)
        Part of the day, between holes in the log, each unloading is in.
    fill_begin, fill_end : ndarray, shape (k,)
        Running total of what came in when each unloading began and ended. [kg]
    lasting : ndarray, shape (k,)
        How long the auger could run, less half of its ramps; NaN where not seen. [s]
    weighed : ndarray, shape (k,)
        What the taker's scale gained, NaN where it has none. [kg]
    first, last : ndarray, shape (n_segments,)
        Running total at both ends of each part. [kg]
    known_start : ndarray of bool, shape (n_segments,)
        False behind a hole: anything up to full may be on board.
    """

    segment: np.ndarray
    fill_begin: np.ndarray
    fill_end: np.ndarray
    lasting: np.ndarray
    weighed: np.ndarray
    first: np.ndarray
    last: np.ndarray
    known_start: np.ndarray


@dataclass(frozen=True)
class TankAnswer:
    """Masses handed over, levels after them, levels at the start of parts, the rate.

    ``most`` is how much may stay on board without an overflow before the next one.
    """

    mass: np.ndarray
    after: np.ndarray
    most: np.ndarray
    start: np.ndarray
    rate: float


def solve_tank(
    day: TankDay, *, capacity: float, heap: float, rate: float
) -> TankAnswer:
    """Return what every unloading of a day moved.

    Unknown are the levels right after each unloading (and at the start of each part)
    and one rate q for the day; what was handed over follows from what came in, so mass
    is kept by construction. Bounds: never below empty, never fuller than the heaped
    tank before the next unloading, q near the usual rate. Least squares of mass less
    q x time, of a pull to empty re-weighted eight times so that it costs like |m|, and
    of q less the usual rate.

    Parameters
    ----------
    day : TankDay
    capacity : float
        Level full. [kg]
    heap : float
        A tank takes this much more. [fraction]
    rate : float
        Usual rate. [kg/s]
    """
    parts, k = day.first.size, day.segment.size
    top = capacity * (1.0 + heap)
    place = np.empty(k, dtype=np.int64)  # of the level after each unloading
    before = np.empty(k, dtype=np.int64)
    starts = np.empty(parts, dtype=np.int64)
    came = np.empty(k)
    high = np.empty(k + parts + 1)
    number = 0
    for s in range(parts):
        mine = np.flatnonzero(day.segment == s)
        starts[s] = number
        ends = np.concatenate([[day.first[s]], day.fill_end[mine]])
        begins = np.concatenate([day.fill_begin[mine], [day.last[s]]])
        high[number : number + mine.size + 1] = top - (begins - ends)
        came[mine] = np.diff(ends)
        before[mine] = number + np.arange(mine.size)
        place[mine] = before[mine] + 1
        number += mine.size + 1
    q = number
    high[starts[~day.known_start]] = np.minimum(
        high[starts[~day.known_start]], capacity
    )
    low = np.zeros(q + 1)
    high = np.maximum(high, 0.0)
    low[q], high[q] = rate * _RATE_RANGE[0], rate * _RATE_RANGE[1]
    timed = np.isfinite(day.lasting) & ~np.isfinite(day.weighed)
    rows, target = _residuals(day, came, place, before, q, timed, capacity)
    prior = 1.0 / (_RATE_SHARE * rate) ** 2
    slack = timed[np.isfinite(day.weighed) | timed]
    weight = np.ones(target.size)
    stress = np.ones(q)
    stress[starts] = np.where(day.known_start, _START_PULL, _FREE)
    level = np.zeros(q)
    answer = np.zeros(q + 1)
    for _ in range(_ROUNDS):
        pull = 1.0 / (
            _PULL_SHARE * capacity * np.maximum(level, _PULL_FLOOR * capacity)
        )
        pull *= stress
        normal = rows.T @ (rows * weight[:, None])
        right = rows.T @ (target * weight)
        normal[q, q] += prior
        right[q] += prior * rate
        normal[np.arange(q), np.arange(q)] += pull
        answer = bounded_least_squares(normal, right, low=low, high=high)
        level = answer[:q]
        # A cart may wait beside, but an auger cannot run faster: less mass than the
        # time allows counts for less and less the more it is.
        off = rows @ answer - target
        weight = np.where(slack & (off < -_WAIT), _WAIT / np.maximum(-off, _WAIT), 1.0)
    mass = level[before] + came - level[place]
    return TankAnswer(mass, level[place], high[place], level[starts], float(answer[q]))


def _residuals(day: TankDay, came, place, before, q, timed, capacity):
    """Return rows and targets of what time and scales say of each unloading."""
    told = timed | np.isfinite(day.weighed)
    which = np.flatnonzero(told)
    rows = np.zeros((which.size, q + 1))
    target = np.zeros(which.size)
    for r, k in enumerate(which.tolist()):
        sigma = capacity * (_DURATION_SHARE if timed[k] else _WEIGHED_SHARE)
        rows[r, before[k]] += 1.0 / sigma
        rows[r, place[k]] -= 1.0 / sigma
        if timed[k]:
            rows[r, q] = -day.lasting[k] / sigma
            target[r] = -came[k] / sigma
        else:
            target[r] = (day.weighed[k] - came[k]) / sigma
    return rows, target


def bounded_least_squares(normal, right, *, low, high) -> np.ndarray:
    """Return the vector within bounds that makes x' N x / 2 - r' x least.

    Block principal pivoting: all wrong guesses of which bounds hold are turned at
    once, and one at a time when that stops helping (Portugal, Judice and Vicente 1994,
    Math. Comp. 63:625-643; from memory). N must be positive definite.

    Parameters
    ----------
    normal : ndarray, shape (n, n)
    right, low, high : ndarray, shape (n,)
    """
    n = right.size
    state = np.zeros(n, dtype=np.int8)  # -1 at low, 0 free, 1 at high
    fewest, tries = n + 1, 10
    answer = np.clip(np.zeros(n), low, high)
    # Far more than ever needed: turned one at a time it ends by itself.
    for _ in range(50 + 20 * n):
        fixed = state != 0
        answer = np.where(state < 0, low, high)
        loose = ~fixed
        if loose.any():
            rest = right[loose] - normal[np.ix_(loose, fixed)] @ answer[fixed]
            answer[loose] = np.linalg.solve(normal[np.ix_(loose, loose)], rest)
        slope = normal @ answer - right
        scale = 1e-9 * (1.0 + np.abs(right) + np.abs(np.diag(normal) * answer))
        reach = 1e-9 * (1.0 + np.abs(answer))
        wrong = np.where(
            loose,
            (answer < low - reach) | (answer > high + reach),
            np.where(state < 0, slope < -scale, slope > scale),
        )
        count = int(wrong.sum())
        if count == 0:
            break
        if count < fewest:
            fewest, tries = count, 10
        else:
            tries -= 1
        if tries < 0:
            last = int(np.flatnonzero(wrong)[-1])
            wrong[:] = False
            wrong[last] = True
        new = np.where(answer < low, -1, 1)
        state = np.where(wrong, np.where(loose, new, 0), state).astype(np.int8)
    return np.clip(answer, low, high)
