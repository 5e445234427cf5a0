"""What a probe is worth, against every outcome written out one by one."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trafficmap.core.settings.zones import ZoneSettings
from trafficmap.zones.probe_value import (
    Odds,
    Stake,
    calibrated,
    counted,
    damage_to_layer,
    precision_of,
    readings_needed,
    share_out,
    stop_odds,
    updated,
    value_of_probing,
)

SETTINGS = ZoneSettings()
STAKE = Stake(prior=0.35, gain=220.0, waste=90.0)
ODDS = Odds(0.72, 0.81)
SPADE = Odds(0.85, 0.9)


def brute_force(stake, stops, odds, spade=None):
    """Every sequence of answers, its chance, and the better act after it."""
    tools = [odds] * stops + ([spade] if spade else [])
    value = 0.0
    for answers in itertools.product((True, False), repeat=len(tools)):
        if_layer = if_none = 1.0
        for said, tool in zip(answers, tools, strict=True):
            if_layer *= tool.found if said else 1 - tool.found
            if_none *= 1 - tool.clear if said else tool.clear
        chance = stake.prior * if_layer + (1 - stake.prior) * if_none
        after = stake.prior * if_layer / chance
        value += chance * max(0.0, after * stake.gain - (1 - after) * stake.waste)
    return value


@pytest.mark.parametrize("stops", [1, 2, 5, 8])
@pytest.mark.parametrize("spade", [None, SPADE])
def test_value_is_that_of_every_outcome_by_hand(stops, spade):
    ours = value_of_probing(STAKE, stops, odds=ODDS, spade=spade)
    assert ours == pytest.approx(brute_force(STAKE, stops, ODDS, spade), abs=1e-9)
    assert ours > 0


def test_value_of_one_stop_by_hand():
    # A stop says layer: 0.35 x 0.72 x 220 - 0.65 x 0.19 x 90; none: below zero.
    hand = 0.35 * 0.72 * 220 - 0.65 * 0.19 * 90
    assert value_of_probing(STAKE, 1, odds=ODDS) == pytest.approx(hand, abs=1e-9)
    assert 0.35 * 0.28 * 220 - 0.65 * 0.81 * 90 < 0


def test_value_by_drawing_made_up_ground():
    rng = np.random.default_rng(7)
    n = 200_000
    layer = rng.random(n) < STAKE.prior
    said = rng.binomial(4, np.where(layer, ODDS.found, 1 - ODDS.clear))
    after = np.array([updated(0.35, found=k, stops=4, odds=ODDS) for k in range(5)])
    rip = after[said] >= STAKE.break_even
    money = np.where(rip, np.where(layer, STAKE.gain, -STAKE.waste), 0.0)
    ours = value_of_probing(STAKE, 4, odds=ODDS)
    assert ours == pytest.approx(money.mean(), abs=4 * money.std() / np.sqrt(n))


chances = st.floats(0.01, 0.99)
right = st.floats(0.5, 0.99)
money = st.floats(0.1, 1000.0)


@given(prior=chances, gain=money, waste=money, found=right, clear=right)
def test_more_stops_never_hurt_and_never_beat_knowing(prior, gain, waste, found, clear):
    stake = Stake(prior, gain, waste)
    values = [value_of_probing(stake, k, odds=Odds(found, clear)) for k in (1, 2, 4, 7)]
    assert all(a <= b + 1e-9 for a, b in itertools.pairwise(values))
    assert values[-1] <= prior * gain + 1e-9
    assert values[0] >= max(0.0, stake.net(prior)) - 1e-9


@given(
    table=st.lists(st.lists(st.floats(0, 50), min_size=0, max_size=3), max_size=4),
    stops=st.integers(0, 7),
)
def test_stops_are_shared_out_as_well_as_any_way_can(table, stops):
    values = [[0.0, *worth] for worth in table]
    ours = share_out(values, stops)
    assert sum(ours) <= stops
    worth = sum(v[k] for v, k in zip(values, ours, strict=True))
    ways = itertools.product(*(range(len(v)) for v in values))
    best = max(
        sum(v[k] for v, k in zip(values, way, strict=True))
        for way in ways
        if sum(way) <= stops
    )
    assert worth == pytest.approx(best, abs=1e-6)


def test_ground_that_would_not_pay_anyway_is_worth_no_stop():
    assert value_of_probing(Stake(0.9, -5.0, 10.0), 10, odds=ODDS) == 0.0
    assert Stake(0.9, -5.0, 10.0).break_even == 1.0


def test_break_even_is_where_ripping_nets_nothing():
    assert STAKE.net(STAKE.break_even) == pytest.approx(0.0, abs=1e-9)


def test_bayes_in_two_steps_is_bayes_in_one():
    one = updated(0.3, found=1, stops=1, odds=ODDS)
    two = updated(one, found=0, stops=2, odds=ODDS)
    assert updated(0.3, found=1, stops=3, odds=ODDS) == pytest.approx(two)


def test_a_stop_errs_by_the_spread_of_both_its_readings():
    rng = np.random.default_rng(3)
    n = 400_000
    noise = 0.30 * (rng.standard_normal(n) - rng.standard_normal(n))
    odds = stop_odds(SETTINGS)
    says = np.log(1.5625) + noise >= np.log(1.25)
    assert odds.found == pytest.approx(says.mean(), abs=0.003)
    assert odds.clear == pytest.approx((noise < np.log(1.25)).mean(), abs=0.003)
    assert stop_odds(SETTINGS, spread=0.15).found > odds.found


def test_precision_and_number_are_each_others_inverse():
    for wanted in (0.10, 0.15, 0.20, 0.25):
        n = readings_needed(0.3, within=wanted)
        assert precision_of(0.3, readings=n) <= wanted
        assert n == 1 or precision_of(0.3, readings=n - 1) > wanted


def test_layer_chance_follows_the_model_and_the_counts():
    assert damage_to_layer(1.0, SETTINGS) == pytest.approx(0.47)
    assert damage_to_layer(0.0, SETTINGS) == 0.0
    assert damage_to_layer(float("nan"), SETTINGS) == SETTINGS.layer_unassessed
    prior = damage_to_layer(0.8, SETTINGS)
    more = calibrated(prior, found=5, stops=5, settings=SETTINGS)
    less = calibrated(prior, found=0, stops=5, settings=SETTINGS)
    assert less < prior < more
    assert calibrated(prior, found=0, stops=0, settings=SETTINGS) == prior


def test_ten_stops_in_one_zone_count_less_than_in_ten():
    assert counted(1, SETTINGS) == 1.0
    assert counted(10, SETTINGS) < 10 * counted(1, SETTINGS) / 2
    assert counted(0, SETTINGS) == 0.0
