"""The order of work as a mixed-integer programme: what can at most be earned.

Two programmes. `ceiling` holds one way through the fields worked and leaves open how it
falls into the days, which makes it small: what it earns no plan can beat.
`exact` holds every move in every block of time; where its answer can be driven, it is
the best there is.
"""

from __future__ import annotations

import math
import time
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_matrix, csr_matrix
from scipy.sparse.csgraph import breadth_first_order, maximum_flow

from trafficmap.plan.order_search import Shop, usable

MOST_ARCS = 6000
"""Moves in all blocks up to which the exact programme is asked; choice."""

_CUT_ROUNDS = 30
_CUT_LEAST = 0.02
_FLOW = 1_000_000
"""Flow is counted in whole numbers, so many to one visit."""


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
    """Return what can at most be earned, over one way through the fields worked.

    A relaxation: drop from a plan that can be driven all but its first way into each
    field it finishes work in, and what is left is one way from the start through these
    fields, no longer than what was driven. How the ways fall into the blocks is left
    open, and so is the order of the blocks. So no plan earns more.

    Parameters
    ----------
    shop : Shop
    seconds : float
        Time for the solver. [s]

    Notes
    -----
    Rounds that hang on nothing are cut off where the solver draws them: into any set
    of fields leads as much way as any one of them is visited (subtour elimination,
    Dantzig, Fulkerson & Johnson 1954, J. Oper. Res. Soc. Am. 2:393-410).
    """
    begin = time.perf_counter()
    jobs, blocks = len(shop.durations), len(shop.lengths)
    fields = len(shop.first)
    way = _shortest_ways(shop)
    done = jobs * blocks
    visited = done + jobs
    moving = visited + fields
    arc = moving + blocks
    leg = {
        pair: arc + number
        for number, pair in enumerate(
            (a, b) for a in range(fields + 1) for b in range(fields) if a != b
        )
    }
    columns = arc + len(leg)
    rows = _Rows()
    for job in range(jobs):
        work = [(job * blocks + block, 1.0) for block in range(blocks)]
        rows.add([*work, (done + job, -shop.durations[job])], 0.0, 0.0)
        rows.add([(done + job, 1.0), (visited + shop.fields[job], -1.0)], -np.inf, 0.0)
    for block in range(blocks):
        work = [(job * blocks + block, 1.0) for job in range(jobs)]
        rows.add([*work, (moving + block, 1.0)], -np.inf, shop.lengths[block])
    for place in range(fields):
        into = [(at, 1.0) for (_, b), at in leg.items() if b == place]
        away = [(at, 1.0) for (a, _), at in leg.items() if a == place]
        rows.add([*into, (visited + place, -1.0)], 0.0, 0.0)
        rows.add([*away, (visited + place, -1.0)], -np.inf, 0.0)
        for other in range(place):
            both = [(leg[place, other], 1.0), (leg[other, place], 1.0)]
            for end in (place, other):
                rows.add([*both, (visited + end, -1.0)], -np.inf, 0.0)
    rows.add([(leg[fields, place], 1.0) for place in range(fields)], -np.inf, 1.0)
    drive = [(moving + block, 1.0) for block in range(blocks)]
    rows.add([*drive, *((leg[pair], -way[pair]) for pair in leg)], 0.0, np.inf)
    upper = np.ones(columns)
    upper[:done] = [
        min(shop.durations[job], usable(shop, job, block))
        for job in range(jobs)
        for block in range(blocks)
    ]
    upper[moving:arc] = np.inf
    whole = np.zeros(columns)
    whole[done:moving] = 1
    gain = np.zeros(columns)
    gain[done:visited] = shop.values
    for _ in range(_CUT_ROUNDS):
        left = seconds / 2 - (time.perf_counter() - begin)
        loose = _milp(rows, gain, np.zeros(columns), upper, left)
        if left <= 0.0 or loose.x is None or not _cut(rows, leg, visited, loose.x):
            break
    left = seconds - (time.perf_counter() - begin)
    return _solve(shop, rows, gain, whole, upper, blocks, done, left)


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
    found = _milp(rows, gain, whole, upper, seconds)
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


def _milp(
    rows: _Rows,
    gain: np.ndarray,
    whole: np.ndarray,
    upper: np.ndarray,
    seconds: float,
) -> Any:
    return milp(
        -gain,
        constraints=rows.constraint(gain.size),
        integrality=whole,
        bounds=Bounds(np.zeros(gain.size), upper),
        options={"time_limit": max(seconds, 0.1), "mip_rel_gap": 1e-6},
    )


def _cut(
    rows: _Rows, leg: dict[tuple[int, int], int], visited: int, drawn: np.ndarray
) -> int:
    """Add rows that a half-drawn way breaks; return how many.

    From the start to each field no less may flow over the legs than it is visited.
    """
    fields = max(b for _, b in leg) + 1
    flow = np.zeros((fields + 1, fields + 1), dtype=np.int32)
    for (a, b), at in leg.items():
        flow[a, b] = round(_FLOW * max(0.0, drawn[at]))
    room = csr_matrix(flow)
    seen: set[frozenset[int]] = set()
    for place in range(fields):
        need = drawn[visited + place]
        if need < _CUT_LEAST:
            continue
        most = maximum_flow(room, fields, place)
        if most.flow_value >= _FLOW * (need - _CUT_LEAST):
            continue
        rest = csr_matrix(np.maximum(room.toarray() - most.flow.toarray(), 0))
        near = breadth_first_order(rest, fields, return_predecessors=False)
        apart = frozenset(range(fields)) - {int(k) for k in near}
        if apart in seen:
            continue
        seen.add(apart)
        into = [
            (at, 1.0) for (a, b), at in leg.items() if b in apart and a not in apart
        ]
        rows.add([*into, (visited + place, -1.0)], 0.0, np.inf)
    return len(seen)


def _shortest_ways(shop: Shop) -> np.ndarray:
    """Return the shortest ways between fields, the last row from the start [s]."""
    count = len(shop.first)
    way = np.full((count + 1, count + 1), np.inf)
    way[:count, :count] = shop.moves
    way[count, :count] = shop.first
    for middle in range(count):
        way = np.minimum(way, way[:, [middle]] + way[[middle], :])
    return way
