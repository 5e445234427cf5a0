"""What a tank held: the bounded solver against a library, and days worked by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import lsq_linear

from trafficmap.loads.tank import TankDay, bounded_least_squares, solve_tank


@pytest.mark.parametrize("seed", range(40))
def test_bounded_least_squares_is_that_of_the_library(seed):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 40))
    rows, target = rng.normal(size=(n + 5, n)), 3.0 * rng.normal(size=n + 5)
    low = -rng.random(n)
    high = low + 2.0 * rng.random(n) + 1e-3
    ours = bounded_least_squares(rows.T @ rows, rows.T @ target, low=low, high=high)
    theirs = lsq_linear(rows, target, (low, high), method="bvls", tol=1e-12).x
    np.testing.assert_allclose(ours, theirs, atol=1e-9)


def test_bounds_that_leave_no_choice_are_kept():
    ours = bounded_least_squares(
        np.eye(2), np.array([5.0, 5.0]), low=np.zeros(2), high=np.array([0.0, 9.0])
    )
    assert ours.tolist() == [0.0, 5.0]


def day(lasting, fill, *, during=0.0, weighed=None, after=0.0):
    """Return a day: `fill` [kg] comes in before each unloading, `during` in it."""
    fill, lasting = np.asarray(fill, dtype=float), np.asarray(lasting, dtype=float)
    begin = np.cumsum(fill) + during * np.arange(fill.size)
    end = begin + during
    nothing = np.full(fill.size, np.nan)
    return TankDay(
        segment=np.zeros(fill.size, dtype=np.int64),
        fill_begin=begin,
        fill_end=end,
        lasting=lasting,
        weighed=nothing if weighed is None else np.asarray(weighed, dtype=float),
        first=np.zeros(1),
        last=np.array([end[-1] + after]),
        known_start=np.ones(1, dtype=bool),
    )


def solve(one, rate=80.0):
    return solve_tank(one, capacity=8000.0, heap=0.05, rate=rate)


def test_tanks_that_are_emptied_are_empty():
    answer = solve(day([75.0, 80.0, 70.0], [6000.0, 6400.0, 5600.0]))
    np.testing.assert_allclose(answer.mass, [6000, 6400, 5600], atol=60)
    np.testing.assert_allclose(answer.after, 0.0, atol=60)
    assert answer.rate == pytest.approx(80.0, rel=0.02)


def test_one_rate_holds_for_the_day():
    """All at 100 kg/s: within its range the rate follows, not the levels."""
    fill = np.array([6000.0, 5000.0, 7000.0, 6500.0, 5500.0, 7200.0])
    answer = solve(day(fill / 100.0, fill))
    assert answer.rate == pytest.approx(100.0, rel=0.05)
    np.testing.assert_allclose(answer.after, 0.0, atol=150)


def test_a_top_up_leaves_what_the_time_was_too_short_for():
    """6 t on board, 25 s at 80 kg/s move 2 t: 4 t stay, and go with the next."""
    answer = solve(day([75.0, 25.0, 110.0, 75.0], [6000.0, 6000.0, 4200.0, 6000.0]))
    assert answer.mass[1] == pytest.approx(2000, abs=700)
    assert answer.after[1] == pytest.approx(4000, abs=700)
    assert answer.after[2] == pytest.approx(0.0, abs=400)
    assert answer.mass.sum() + answer.after[-1] == pytest.approx(
        22200 + answer.start[0]
    )


def test_waiting_alongside_takes_no_more_than_there_is():
    """Each waits 105 s where 40 s would do; a morning starts empty all the same."""
    answer = solve(day([105.0, 105.0, 105.0], [3200.0, 3200.0, 3200.0]))
    assert answer.start[0] < 400.0
    np.testing.assert_allclose(answer.mass, 3200.0, atol=450)


def test_a_tank_never_overflows_before_the_next():
    """5 s would leave 7.6 t; but 6 t more must still fit, so 5.6 t had to go."""
    answer = solve(day([5.0, 100.0], [8000.0, 6000.0]))
    assert answer.after[0] <= 8400.0 - 6000.0 + 1e-6
    assert answer.most[0] == pytest.approx(2400.0)


def test_what_a_scale_gained_counts_more_than_time():
    answer = solve(day([75.0, 87.5], [6000.0, 4000.0], weighed=[3000.0, np.nan]))
    assert answer.mass[0] == pytest.approx(3000, abs=150)
    assert answer.after[0] == pytest.approx(3000, abs=150)


def test_behind_a_hole_the_start_is_free():
    """Nothing logged for an hour; then 50 s of unloading after 1 t came in."""
    one = TankDay(
        segment=np.array([0, 1]),
        fill_begin=np.array([6000.0, 7000.0]),
        fill_end=np.array([6000.0, 7000.0]),
        lasting=np.array([75.0, 62.5]),
        weighed=np.full(2, np.nan),
        first=np.array([0.0, 6000.0]),
        last=np.array([6000.0, 7000.0]),
        known_start=np.array([True, False]),
    )
    answer = solve(one)
    assert answer.start[1] == pytest.approx(4000, abs=300)
    assert answer.mass[1] == pytest.approx(5000, abs=300)
