"""The search for an order of work in bare numbers; see `plan.order_search`."""

from __future__ import annotations

import math

import numpy as np
from numba import njit


@njit(cache=True)
def trial_value(
    order, count, durations, values, places, opens, closes, ways, least, left
):
    """Money and money-weighted lateness of a priority list, as `simulate` drives it.

    `opens` and `closes` are the fit time of a job in each block, from the start of the
    block; `ways` holds from field to field, its last row from where the rig stands at
    the start; the last entry of `closes` is how long each block is. `left` is room for
    the work left of each job.
    """
    for k in range(count):
        left[order[k]] = durations[order[k]]
    here = ways.shape[0] - 1
    lengths = closes.shape[0] - 1
    begun = 0.0
    value = 0.0
    late = 0.0
    for block in range(closes.shape[1]):
        clock = 0.0
        while True:
            found = -1
            later = np.inf
            start = 0.0
            for k in range(count):
                job = order[k]
                if left[job] <= 0.0:
                    continue
                move = 0.0 if places[job] == here else ways[here, places[job]]
                arrive = clock + move
                start = max(arrive, opens[job, block])
                room = closes[job, block] - start
                if room <= 1e-6 or room < min(left[job], least) - 1e-6:
                    continue
                if start <= arrive + 1e-6:
                    found = job
                    break
                later = min(later, start - move)
            if found < 0:
                if later == np.inf:
                    break
                clock = later
                continue
            work = min(left[found], closes[found, block] - start)
            here = places[found]
            clock = start + work
            left[found] -= work
            if left[found] <= 1e-6:
                left[found] = 0.0
                value += values[found]
                late += values[found] * (begun + clock)
        begun += closes[lengths, block]
    return value, late


@njit(cache=True)
def anneal(
    order,
    durations,
    values,
    places,
    opens,
    closes,
    ways,
    least,
    rounds,
    seed,
    warmth,
    best,
):
    """Change a priority list `rounds` times; fill `best`, return how many jobs count.

    A list names all jobs, but only those ahead of a cut are worked: what is begun and
    not done earns nothing, and what is done may keep the rig from something better.
    """
    count = order.size
    active = count
    best_active = count
    now = order.copy()
    new = np.empty_like(order)
    rest = np.empty_like(order)
    left = np.empty(durations.size)
    value, late = trial_value(
        now, active, durations, values, places, opens, closes, ways, least, left
    )
    best[:] = now
    best_value, best_late = value, late
    state = np.uint64(seed * 2 + 1)
    for turn in range(rounds):
        state, one = _draw(state)
        state, two = _draw(state)
        state, three = _draw(state)
        at = int(one * count)
        pick = now[at]
        tried = active
        if three >= 0.9:
            # The cut moves by up to three places.
            new[:] = now
            tried = min(count, max(1, active + int(two * 7) - 3))
        elif three >= 0.65:
            new[:] = now
            other = int(two * count)
            new[at] = new[other]
            new[other] = pick
        else:
            moved = 0
            kept = 0
            for k in range(count):
                job = now[k]
                alike = job == pick or (three >= 0.4 and places[job] == places[pick])
                if not alike:
                    rest[kept] = job
                    kept += 1
                else:
                    moved += 1
            into = int(two * (kept + 1))
            for k in range(into):
                new[k] = rest[k]
            spot = into
            for k in range(count):
                job = now[k]
                if job == pick or (three >= 0.4 and places[job] == places[pick]):
                    new[spot] = job
                    spot += 1
            for k in range(into, kept):
                new[k + moved] = rest[k]
        found, after = trial_value(
            new, tried, durations, values, places, opens, closes, ways, least, left
        )
        heat = warmth * (1.0 - turn / rounds)
        state, luck = _draw(state)
        better = found > value + 1e-6 or (found > value - 1e-6 and after <= late)
        if better or (heat > 0.0 and luck < math.exp((found - value) / heat)):
            now[:] = new
            active = tried
            value, late = found, after
            if value > best_value + 1e-6 or (
                value > best_value - 1e-6 and late < best_late
            ):
                best[:] = now
                best_active = active
                best_value, best_late = value, late
    return best_active


@njit(cache=True)
def _draw(state):
    """Next number of a 64-bit xorshift generator, and a share of one."""
    state ^= state << np.uint64(13)
    state ^= state >> np.uint64(7)
    state ^= state << np.uint64(17)
    return state, float(state >> np.uint64(11)) / 9007199254740992.0
