"""The compiled search for an order of work drives as the plain judge does."""

from __future__ import annotations

import numpy as np
import pytest

from trafficmap.plan._order_kernels import trial_value
from trafficmap.plan.order_search import LEAST_STINT, Shop, clean, search, simulate


def made(seed: int, *, jobs: int = 7, blocks: int = 3) -> Shop:
    """Seven zones in four fields, windows in each of three days, in seconds."""
    chance = np.random.default_rng(seed)
    places = chance.integers(0, 4, jobs)
    where = chance.uniform(0, 4, (4, 2))
    ways = np.hypot(*(where[:, None] - where[None]).transpose(2, 0, 1)) * 900.0
    opens = chance.uniform(0, 10_000, (jobs, blocks))
    closes = np.minimum(28_800.0, opens + chance.uniform(0, 28_800, (jobs, blocks)))
    return Shop(
        durations=tuple(chance.uniform(3600, 18_000, jobs)),
        values=tuple(chance.uniform(10, 100, jobs)),
        fields=tuple(int(place) for place in places),
        opens=tuple(map(tuple, opens)),
        closes=tuple(map(tuple, closes)),
        lengths=(28_800.0,) * blocks,
        moves=tuple(map(tuple, ways)),
        first=tuple(chance.uniform(0, 3600, 4)),
    )


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("used", [7, 4])
def test_kernel_and_judge_agree(seed, used):
    shop = made(seed)
    order = np.random.default_rng(seed).permutation(7).astype(np.int64)
    value, late = trial_value(
        order, used, np.array(shop.durations), np.array(shop.values),
        np.array(shop.fields, dtype=np.int64),
        np.array([*shop.opens, shop.lengths]), np.array([*shop.closes, shop.lengths]),
        np.array([*shop.moves, shop.first]), LEAST_STINT, np.zeros(7),
    )  # fmt: skip
    judged = simulate(shop, order[:used].tolist())
    assert value == pytest.approx(judged.value)
    assert late == pytest.approx(judged.lateness)


def test_the_same_seed_finds_the_same_order():
    shop = made(3)
    one, two = (search(shop, rounds=150, seed=4) for _ in range(2))
    assert one.stints == two.stints
    by_rate = sorted(range(7), key=lambda k: -shop.values[k] / shop.durations[k])
    assert one.value >= clean(shop, by_rate).value
