"""The order of work as a mixed-integer programme: what can at most be earned.

Two programmes. `ceiling` leaves out how the rig gets from field to field but for one
way in to each field worked, which makes it small: what it earns no plan can beat.
`exact` holds every move in every block of time; where its answer can be driven, it is
the best there is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_matrix

from trafficmap.plan.order_search import Shop, usable

MOST_ARCS = 6000
"""Moves in all blocks up to which the exact programme is asked; choice."""


@dataclass(frozen=True)
class Answer:
    """What a programme says: no plan earns more than ``bound``.

    ``order`` are the jobs chosen, by the block they are worked in; empty when the
    solver came to no plan. ``proved`` when its own plan earns the bound.
    """

    bound: float
    value: float
    proved: bool
    order: tuple[int, ...] = ()


class _Rows:
    """Rows of a sparse programme, collected one by one."""

    def __init__(self) -> None:
        self.row: list[int] = []
        self.column: list[int] = []
        self.weight: list[float] = []
        self.low: list[float] = []
        self.high: list[float] = []

    def add(self, terms: list[tuple[int, float]], low: float, high: float) -> None:
        number = len(self.low)
        for column, weight in terms:
            self.row.append(number)
            self.column.append(column)
            self.weight.append(weight)
        self.low.append(low)
        self.high.append(high)

    def constraint(self, columns: int) -> LinearConstraint:
        shape = (len(self.low), columns)
        matrix = coo_matrix((self.weight, (self.row, self.column)), shape=shape)
        return LinearConstraint(matrix.tocsc(), self.low, self.high)


def ceiling(shop: Shop, *, seconds: float) -> Answer:
    """Return what can at most be earned, with one way in to each field worked.

    A relaxation: every plan that can be driven comes into each of its fields at least
    once, over at least the shortest way there, in a block in which it works there or
    one before. So no plan earns more.

    Parameters
    ----------
    shop : Shop
    seconds : float
        Time for the solver. [s]
    """
    jobs, blocks = len(shop.durations), len(shop.lengths)
    fields = len(shop.first)
    way = _shortest_ways(shop)
    done = jobs * blocks
    visited = done + jobs
    moving = visited + fields
    columns = moving + fields * blocks
    rows = _Rows()
    for job in range(jobs):
        work = [(job * blocks + block, 1.0) for block in range(blocks)]
        rows.add([*work, (done + job, -shop.durations[job])], 0.0, 0.0)
        rows.add([(done + job, 1.0), (visited + shop.fields[job], -1.0)], -np.inf, 0.0)
    for place in range(fields):
        drive = [(moving + place * blocks + block, 1.0) for block in range(blocks)]
        rows.add([*drive, (visited + place, -way[place])], 0.0, 0.0)
    for block in range(blocks):
        work = [(job * blocks + block, 1.0) for job in range(jobs)]
        drive = [(moving + place * blocks + block, 1.0) for place in range(fields)]
        rows.add(work + drive, -np.inf, shop.lengths[block])
    upper = np.ones(columns)
    upper[:done] = [
        min(shop.durations[job], usable(shop, job, block))
        for job in range(jobs)
        for block in range(blocks)
    ]
    upper[moving:] = np.inf
    whole = np.zeros(columns)
    whole[done:moving] = 1
    gain = np.zeros(columns)
    gain[done:visited] = shop.values
    return _solve(shop, rows, gain, whole, upper, blocks, done, seconds)


def exact(shop: Shop, *, seconds: float, beat: float) -> Answer:
    """Return the best plan with every move, or proof that none earns more than `beat`.

    In each block the rig starts where it stood, visits fields over moves that join up
    and stays at the last; going to and fro between two fields apart from its way is
    forbidden, larger rounds that hang on nothing are left to the judge: the simulation
    drives the answer, and what cannot be driven is not taken. So its bound holds for
    every plan, also where its own plan does not.

    Parameters
    ----------
    shop : Shop
    seconds : float
        Time for the solver. [s]
    beat : float
        What a plan in hand earns. [currency]
    """
    jobs, blocks = len(shop.durations), len(shop.lengths)
    fields = len(shop.first)
    done = jobs * blocks
    seen = done + jobs
    last = seen + fields * blocks
    begin = last + fields * blocks
    arc = begin + fields
    columns = arc + blocks * fields * fields

    def at(base: int, place: int, block: int) -> int:
        return base + place * blocks + block

    def move(source: int, target: int, block: int) -> int:
        return arc + (block * fields + source) * fields + target

    rows = _Rows()
    for job in range(jobs):
        work = [(job * blocks + block, 1.0) for block in range(blocks)]
        rows.add([*work, (done + job, -shop.durations[job])], 0.0, 0.0)
        for block in range(blocks):
            most = min(shop.durations[job], shop.lengths[block])
            rows.add(
                [
                    (job * blocks + block, 1.0),
                    (at(seen, shop.fields[job], block), -most),
                ],
                -np.inf,
                0.0,
            )
    others = [(a, b) for a in range(fields) for b in range(fields) if a != b]
    for block in range(blocks):
        terms = [(job * blocks + block, 1.0) for job in range(jobs)]
        terms += [(move(a, b, block), shop.moves[a][b]) for a, b in others]
        if block == 0:
            terms += [(begin + place, shop.first[place]) for place in range(fields)]
        rows.add(terms, -np.inf, shop.lengths[block])
        rows.add([(at(last, p, block), 1.0) for p in range(fields)], 1.0, 1.0)
        for place in range(fields):
            coming = [(move(a, b, block), 1.0) for a, b in others if b == place]
            going = [(move(a, b, block), -1.0) for a, b in others if a == place]
            before = (begin + place) if block == 0 else at(last, place, block - 1)
            inward = [*coming, (before, 1.0)]
            rows.add([*inward, *going, (at(last, place, block), -1.0)], 0.0, 0.0)
            rows.add([*inward, (at(seen, place, block), -1.0)], 0.0, np.inf)
            rows.add(inward, -np.inf, 1.0)
        for a, b in others:
            # No driving to and fro between two fields apart from the way of the rig.
            both = [(move(a, b, block), 1.0), (move(b, a, block), 1.0)]
            rows.add([*both, (at(seen, a, block), -1.0)], -np.inf, 0.0)
    upper = np.ones(columns)
    upper[:done] = [
        min(shop.durations[job], usable(shop, job, block))
        for job in range(jobs)
        for block in range(blocks)
    ]
    for block in range(blocks):
        for place in range(fields):
            upper[move(place, place, block)] = 0.0
    whole = np.zeros(columns)
    whole[done:arc] = 1
    gain = np.zeros(columns)
    gain[done:seen] = shop.values
    # A plan worse than the one in hand is of no use: cut it off before the search.
    rows.add([(done + job, shop.values[job]) for job in range(jobs)], beat, np.inf)
    return _solve(shop, rows, gain, whole, upper, blocks, done, seconds, beat=beat)


def arcs(shop: Shop) -> int:
    """Return how many moves the exact programme would hold."""
    return len(shop.first) ** 2 * len(shop.lengths)


def _solve(
    shop: Shop,
    rows: _Rows,
    gain: np.ndarray,
    whole: np.ndarray,
    upper: np.ndarray,
    blocks: int,
    done: int,
    seconds: float,
    *,
    beat: float = -math.inf,
) -> Answer:
    found = milp(
        -gain,
        constraints=rows.constraint(gain.size),
        integrality=whole,
        bounds=Bounds(np.zeros(gain.size), upper),
        options={"time_limit": max(seconds, 0.1), "mip_rel_gap": 1e-6},
    )
    total = float(sum(shop.values))
    if found.status == 2:  # infeasible: nothing beats the plan in hand
        return Answer(beat if math.isfinite(beat) else 0.0, 0.0, True)
    told = found.mip_dual_bound
    bound = total if told is None or not math.isfinite(told) else min(total, -told)
    if found.x is None:
        return Answer(bound, 0.0, False)
    chosen = [job for job in range(len(shop.durations)) if found.x[done + job] > 0.5]

    def when(job: int) -> tuple[int, float]:
        work = found.x[job * blocks : (job + 1) * blocks]
        return int(np.argmax(work > 1e-6)), -shop.values[job]

    order = tuple(sorted(chosen, key=when))
    return Answer(bound, float(-found.fun), found.status == 0, order)


def _shortest_ways(shop: Shop) -> list[float]:
    """Return the shortest way into each field from anywhere else [s]."""
    count = len(shop.first)
    return [
        min(
            [shop.first[place]]
            + [shop.moves[other][place] for other in range(count) if other != place]
        )
        for place in range(count)
    ]
