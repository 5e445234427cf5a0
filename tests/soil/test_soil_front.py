"""The freezing and thawing fronts of a column, day by day."""

from __future__ import annotations

import numpy as np
import pytest

from trafficmap.soil._frost import frost_day

GROUND = {"theta": 0.30, "theta_s": 0.46, "density": 1432.0, "quartz": 0.3}


def front_of(means, *, snow=0.0, resistance=0.0, warmth=4.0, path=1.0, factor=1.0):
    state = np.zeros(6)
    state[5] = warmth
    out = []
    for mean in means:
        frost_day(state, mean, snow, *GROUND.values(), resistance, factor, 1.0, path)
        out.append(state[:3].copy())
    return np.array(out)


def test_snow_and_residue_slow_the_front_and_warm_ground_does():
    days = np.full(10, -6.0)
    bare = front_of(days)[-1, 0]
    assert front_of(days, resistance=0.3)[-1, 0] < 0.7 * bare
    assert front_of(days, snow=0.010)[-1, 0] < 0.6 * bare
    assert front_of(days, warmth=8.0)[-1, 0] < bare < front_of(days, warmth=0.0)[-1, 0]


def test_frost_thaws_from_above_and_from_below():
    days = np.concatenate([np.full(15, -6.0), np.full(6, 1.0)])
    fronts = front_of(days)
    assert (np.diff(fronts[14:, 0]) < 0).all()
    assert (np.diff(fronts[14:, 1]) > 0).all()
    cold_below = front_of(days, warmth=0.0)
    assert (np.diff(cold_below[14:, 0]) == 0).all()
    # Under snow it thaws from below only.
    under = front_of(days, snow=0.02)
    assert under[-1, 1] == 0.0
    assert under[-1, 0] < under[14, 0]


def test_new_frost_closes_the_thawed_ground_once():
    # Two cold days after a thaw freeze what one of twice the frost does.
    thaw = np.concatenate([np.full(15, -6.0), np.full(5, 3.0)])
    before = front_of(thaw)[-1]
    twice = front_of(np.concatenate([thaw, [-3.0, -3.0]]))[-1]
    assert 0.0 < twice[1] < before[1]
    assert twice[1] == pytest.approx(before[1] - twice[2], rel=1e-9)
    assert twice[0] == before[0]


def test_all_frost_goes_in_the_end():
    days = np.concatenate([np.full(30, -8.0), np.full(60, 6.0)])
    assert (front_of(days)[-1] == 0.0).all()
