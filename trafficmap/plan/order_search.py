"""A good order of work by trial: simulate a priority list, change it, keep the better.

The simulation is also the judge: whatever comes from a solver is turned into a list of
stints by the same rules, so that no plan ever works outside its fit hours or jumps
from field to field without driving.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from trafficmap.plan._order_kernels import anneal

LEAST_STINT = 300.0
"""A rig does not move for less work than this before a window closes [s]; choice."""

WARMTH = 0.03
"""How much worse a list may be at first, as share of the mean worth of a job; choice.

Of 0.03, 0.1, 0.3 and 0.6 tried on three invented farms of forty fields the first two
ended best.
"""

_DONE = 1e-6


@dataclass(frozen=True)
class Shop:
    """What the order is looked for in: jobs, blocks of time, moves.

    Parameters
    ----------
    durations : tuple of float
        Machine time of each job. [s]
    values : tuple of float
        What each brings when it is done whole. [currency]
    fields : tuple of int
        The field of each job.
    opens, closes : tuple of tuple of float
        When the ground of a job is fit in a block, from the start of the block, as
        [job][block]; closed all through where it closes before it opens. [s]
    lengths : tuple of float
        Machine time in each block. [s]
    moves : tuple of tuple of float
        From field to field, 0 on the diagonal. [s]
    first : tuple of float
        From where the rig stands at the start to each field. [s]
    """

    durations: tuple[float, ...]
    values: tuple[float, ...]
    fields: tuple[int, ...]
    opens: tuple[tuple[float, ...], ...]
    closes: tuple[tuple[float, ...], ...]
    lengths: tuple[float, ...]
    moves: tuple[tuple[float, ...], ...]
    first: tuple[float, ...]


@dataclass(frozen=True)
class Stint:
    """Work on one job inside one block; times from the start of the block [s]."""

    job: int
    block: int
    move: float
    start: float
    end: float


@dataclass
class Trial:
    """What a priority list leads to."""

    value: float
    lateness: float
    done: set[int]
    stints: list[Stint] = field(default_factory=list)

    @property
    def key(self) -> tuple[float, float]:
        """More money first, then the money earlier."""
        return (round(self.value, 6), -self.lateness)


def simulate(shop: Shop, priority: Sequence[int]) -> Trial:
    """Work down a priority list: always the first job whose ground is fit now.

    A job whose window closes goes on when it opens again. Only jobs done whole count.

    Parameters
    ----------
    shop : Shop
    priority : sequence of int
        Jobs, the most pressing first; jobs not named are not done.
    """
    left = {job: shop.durations[job] for job in priority}
    trial = Trial(0.0, 0.0, set())
    here = -1
    begun = 0.0
    for block, length in enumerate(shop.lengths):
        clock = 0.0
        while True:
            job, move, start = _next(shop, priority, left, here, block, clock)
            if not math.isfinite(start):
                break
            if job < 0:
                clock = start
                continue
            work = min(left[job], shop.closes[job][block] - start)
            trial.stints.append(Stint(job, block, move, start, start + work))
            here, clock = shop.fields[job], start + work
            left[job] -= work
            if left[job] <= _DONE:
                del left[job]
                trial.done.add(job)
                trial.value += shop.values[job]
                trial.lateness += shop.values[job] * (begun + clock)
        begun += length
    return trial


def usable(shop: Shop, job: int, block: int) -> float:
    """Return the time in which a job may be worked in a block, way aside [s]."""
    return max(0.0, shop.closes[job][block] - shop.opens[job][block])


def search(
    shop: Shop, *, rounds: int, seed: int = 1, start: Sequence[int] = ()
) -> Trial:
    """Return the best trial found; the same seed finds the same one.

    Parameters
    ----------
    shop : Shop
    rounds : int
        Lists tried.
    seed : int
    start : sequence of int
        Jobs to begin the first list with, as a solver chose them.
    """
    able = [job for job in range(len(shop.durations)) if can_be_done(shop, job)]
    ranked = sorted(able, key=lambda job: (-_rate(shop, job), job))
    head = [job for job in start if job in able]
    best = clean(shop, ranked)
    if head:
        first = clean(shop, [*head, *(job for job in ranked if job not in head)])
        best = max(first, best, key=lambda trial: trial.key)
    if len(able) < 2 or rounds < 1:
        return best
    order = np.array(_as_priority(best, ranked), dtype=np.int64)
    found = np.empty_like(order)
    used = anneal(
        order,
        np.array(shop.durations, dtype=np.float64),
        np.array(shop.values, dtype=np.float64),
        np.array(shop.fields, dtype=np.int64),
        np.array([*shop.opens, shop.lengths], dtype=np.float64),
        np.array([*shop.closes, shop.lengths], dtype=np.float64),
        np.array([*shop.moves, shop.first], dtype=np.float64),
        LEAST_STINT,
        rounds,
        seed,
        WARMTH * sum(shop.values[job] for job in able) / len(able),
        found,
    )
    kept = clean(shop, found[:used].tolist())
    return max(kept, best, key=lambda trial: trial.key)


def can_be_done(shop: Shop, job: int) -> bool:
    """Return whether the fit hours of a job are enough for it, way aside."""
    hours = sum(usable(shop, job, block) for block in range(len(shop.lengths)))
    return hours >= shop.durations[job] - _DONE


def clean(shop: Shop, priority: Sequence[int]) -> Trial:
    """Leave out, one after the other, what was begun and not finished.

    The time it took is then free for what can still be done whole.
    """
    order = list(priority)
    trial = simulate(shop, order)
    while True:
        begun = {stint.job for stint in trial.stints} - trial.done
        if not begun:
            return trial
        worst = min(begun, key=lambda job: (_rate(shop, job), job))
        order.remove(worst)
        trial = simulate(shop, order)


def _next(
    shop: Shop,
    priority: Sequence[int],
    left: dict[int, float],
    here: int,
    block: int,
    clock: float,
) -> tuple[int, float, float]:
    """Return the first job whose ground is fit when the rig gets there.

    With the way there and when work starts; job -1 and the time to wait for where
    none is fit yet; an infinite time where none will be in this block.
    """
    later = math.inf
    for job in priority:
        if job not in left:
            continue
        there = shop.fields[job]
        if there == here:
            move = 0.0
        else:
            move = shop.first[there] if here < 0 else shop.moves[here][there]
        start = max(clock + move, shop.opens[job][block])
        room = shop.closes[job][block] - start
        if room <= _DONE or room < min(left[job], LEAST_STINT) - _DONE:
            continue
        if start <= clock + move + _DONE:
            return job, move, start
        later = min(later, start - move)
    return -1, 0.0, later


def _rate(shop: Shop, job: int) -> float:
    return shop.values[job] / max(shop.durations[job], 1.0)


def _as_priority(trial: Trial, able: list[int]) -> list[int]:
    """Return jobs in the order they were begun, then what was left out."""
    begun = list(dict.fromkeys(stint.job for stint in trial.stints))
    return begun + [job for job in able if job not in begun]
