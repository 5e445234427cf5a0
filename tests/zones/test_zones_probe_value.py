"""What a probe is worth, against made-up ground that is pushed, dug and decided."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trafficmap.core.settings.zones import ZoneSettings
from trafficmap.zones.confirm import Profile, twin_ratio
from trafficmap.zones.probe_value import (
    Earlier,
    Odds,
    Stake,
    calibrated,
    counted,
    damage_to_layer,
    finding_odds,
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


def confirmed(stops, *, harder, ground=1500, seed=7):
    """Draw made-up ground, push in tracks and beside, compare as the verdict does."""
    rng = np.random.default_rng(seed)
    depth = np.arange(0.10, 0.46, 0.05)
    cone = np.where((depth > 0.17) & (depth < 0.28), 3.0e6, 0.5e6)

    def pushes(times):
        error = np.exp(SETTINGS.probe_spread * rng.standard_normal(stops))
        return [Profile(depth, times * cone * each) for each in error]

    said = [
        twin_ratio(pushes(harder), pushes(1.0), top=0.18, bottom=0.29)
        >= SETTINGS.confirm_ratio
        for _ in range(ground)
    ]
    return float(np.mean(said))


@pytest.mark.parametrize("stops", [4, 7])
def test_value_is_that_of_the_rule_of_the_decision_on_made_up_ground(stops):
    """Push by push through the comparison of the verdict, then every case by hand."""
    right, good = SETTINGS.spade_right, {}
    good[True] = confirmed(stops, harder=SETTINGS.layer_ratio)
    good[False] = confirmed(stops, harder=1.0)
    value = 0.0
    for layer, plates, harder in itertools.product((True, False), repeat=3):
        chance = STAKE.prior if layer else 1 - STAKE.prior
        chance *= right if plates == layer else 1 - right
        chance *= good[layer] if harder else 1 - good[layer]
        if plates and harder:  # the one case that confirms, and is ripped
            value += chance * (STAKE.gain if layer else -STAKE.waste)
    ours = value_of_probing(STAKE, odds=finding_odds(stops, settings=SETTINGS))
    assert ours == pytest.approx(value, rel=0.05)
    assert 0 < ours < STAKE.prior * STAKE.gain


def test_readings_that_did_not_settle_it_count_with_the_new_ones():
    """Medians of both together, drawn; the formula weighs them by their number."""
    rng = np.random.default_rng(11)
    n, spread = 200_000, SETTINGS.probe_spread
    before = Earlier(stops=3, ratio=1.2, plates=True)
    odds = finding_odds(5, settings=SETTINGS, earlier=before)
    new = np.median(spread * rng.standard_normal((n, 5)), axis=1)
    new = new - np.median(spread * rng.standard_normal((n, 5)), axis=1)
    for harder, chance in ((SETTINGS.layer_ratio, odds.found), (1.0, 1 - odds.clear)):
        both = (3 * np.log(1.2) + 5 * (np.log(harder) + new)) / 8
        assert chance == pytest.approx(
            (both >= np.log(SETTINGS.confirm_ratio)).mean(), abs=0.01
        )
    # One more stop is enough where three were made, and none where it is the first.
    assert finding_odds(1, settings=SETTINGS, earlier=before).found > 0
    assert finding_odds(1, settings=SETTINGS) == Odds(0.0, 1.0)
    # Plates that were seen need not be seen again.
    unseen = replace(before, plates=None)
    alone = finding_odds(5, settings=SETTINGS, earlier=unseen)
    assert alone.found == pytest.approx(odds.found * SETTINGS.spade_right)


def test_value_by_hand():
    # Rip on a finding: 0.35 x 0.72 x 220 - 0.65 x 0.19 x 90; on none: leave.
    hand = 0.35 * 0.72 * 220 - 0.65 * 0.19 * 90
    assert value_of_probing(STAKE, odds=ODDS) == pytest.approx(hand, abs=1e-9)


def test_a_rule_that_would_lose_is_worth_nothing():
    # A finding is acted on: with so small a chance most findings are false.
    assert value_of_probing(Stake(0.02, 100.0, 100.0), odds=Odds(0.7, 0.9)) == 0.0


chances = st.floats(0.01, 0.99)
money = st.floats(0.1, 1000.0)


@given(prior=chances, gain=money, waste=money, ratio=st.floats(0.5, 3.0))
def test_more_stops_never_hurt_and_never_beat_knowing(prior, gain, waste, ratio):
    stake = Stake(prior, gain, waste)
    odds = [finding_odds(k, settings=SETTINGS) for k in (3, 4, 5, 7, 10)]
    values = [value_of_probing(stake, odds=each) for each in odds]
    assert values[0] == 0.0
    assert all(a <= b + 1e-9 for a, b in itertools.pairwise(values))
    before = finding_odds(4, settings=SETTINGS, earlier=Earlier(4, ratio, None))
    assert value_of_probing(stake, odds=before) <= prior * gain + 1e-9


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
    assert value_of_probing(Stake(0.9, -5.0, 10.0), odds=ODDS) == 0.0
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
