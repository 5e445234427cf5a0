"""The chance of a layer: the model, counts on like ground, and own readings."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from trafficmap.core.layers import put_layer
from trafficmap.core.settings import Settings
from trafficmap.core.tables import DUG
from trafficmap.probing import ratio_spread
from trafficmap.zones.candidates import candidates
from trafficmap.zones.confirm import confirm
from trafficmap.zones.probe_chance import layer_chances
from trafficmap.zones.probe_value import (
    Odds,
    calibrated,
    counted,
    stop_odds,
    updated,
)

SETTINGS = Settings()
ZONES = SETTINGS.zones
WEST, SOUTH = 500_000.0, 4_400_000.0


def _builders():
    name = "zones_pairs_builders"
    if name not in sys.modules:
        path = Path(__file__).with_name("test_zones_pairs.py")
        spec = importlib.util.spec_from_file_location(name, path)
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


@pytest.fixture
def weighed(make_field, make_tray):
    """Two zones of the same chance, three soils from west to east if wanted."""

    def make(*groups, chance=0.9, soils=False):
        dug = _builders().dug_table(*groups) if groups else DUG.empty()
        field = make_field(dug=dug)
        ground = np.full((300, 200), 0.05)
        ground[100:200, 20:80] = chance
        ground[100:200, 120:190] = chance
        tray, grid = make_tray(field, ground)
        if soils:
            soil = np.zeros((300, 200))
            soil[:, 100:] = 1
            put_layer(tray, "soil_unit", soil)
        units, _ = candidates(tray, field=field, grid=grid, settings=ZONES)
        units = confirm(units, dug, settings=ZONES)
        chances, notes = layer_chances(units, dug, tray=tray, settings=SETTINGS)
        west = int(units.label[150, 50])
        east = int(units.label[150, 150])
        return chances, notes, west, east

    return make


def stops(count, *, layer=(0.2, 0.3), east=30.0):
    """Stops in the western zone, or in the eastern one with another `east`."""
    build = _builders()
    return [
        build.stop((WEST + east, SOUTH + 110 + 8 * k), layer=layer, point=f"{east}-{k}")
        for k in range(count)
    ]


def prior(chance=0.9):
    return ZONES.layer_given_damage * chance * ZONES.layer_in_reach


def test_nobody_dug_leaves_the_model_alone(weighed):
    chances, notes, west, east = weighed()
    assert chances.of_unit[west] == pytest.approx(prior())
    assert chances.of_unit[east] == pytest.approx(prior())
    assert chances.classes.empty
    assert notes == []


def test_own_stops_move_a_zone_by_bayes_rule(weighed):
    chances, _, west, _ = weighed(*stops(4))
    by_hand = updated(prior(), found=4, stops=4, odds=stop_odds(ZONES))
    assert (chances.stops[west], chances.found[west]) == (4, 4)
    assert chances.of_unit[west] == pytest.approx(by_hand)
    odds = (0.701 / 0.299) ** 4 * prior() / (1 - prior())
    assert chances.of_unit[west] == pytest.approx(odds / (1 + odds), abs=0.002)


def test_a_spade_counts_once_more(weighed):
    build = _builders()
    hole = build.spade((WEST + 30, SOUTH + 110), "plates")
    chances, _, west, _ = weighed(*stops(4), hole)
    before = updated(prior(), found=4, stops=4, odds=stop_odds(ZONES))
    spade = Odds(ZONES.spade_right, ZONES.spade_right)
    by_hand = updated(before, found=1, stops=1, odds=spade)
    assert chances.of_unit[west] == pytest.approx(by_hand)


def test_counts_move_the_other_zone_of_the_same_soil(weighed):
    chances, _, _, east = weighed(*stops(10, layer=(0.2, 0.3)))
    weight = counted(10, ZONES)
    by_hand = calibrated(prior(), found=weight, stops=weight, settings=ZONES)
    assert chances.of_unit[east] == pytest.approx(by_hand)
    assert prior() < chances.of_unit[east] < 0.6
    row = chances.classes.iloc[0]
    assert (row["stops"], row["found"], row["risk"]) == (10, 10, "very likely")
    assert row["before"] == pytest.approx(prior())
    assert row["after"] == pytest.approx(by_hand)


def test_another_soil_learns_nothing(weighed):
    chances, _, _, east = weighed(*stops(10), soils=True)
    assert chances.of_unit[east] == pytest.approx(prior())


def test_own_stops_do_not_count_twice(weighed):
    """The counts of a zone move others, itself only through its own stops."""
    chances, _, west, _ = weighed(*stops(10))
    by_hand = updated(prior(), found=10, stops=10, odds=stop_odds(ZONES))
    assert chances.of_unit[west] == pytest.approx(by_hand)


def test_enough_probes_win_over_the_model(weighed):
    chances, notes, west, _ = weighed(*stops(10, layer=None))
    assert chances.of_unit[west] < 0.01
    assert [note.code for note in notes] == ["probe.misses"]
    assert chances.pairs["miss"].all()
    assert "at 10 of 10 stops" in notes[0].sentence


def test_a_layer_out_of_reach_is_no_layer_to_rip(weighed):
    build = _builders()
    hole = build.spade((WEST + 30, SOUTH + 110), "plates")
    chances, notes, west, _ = weighed(*stops(6, layer=(0.3, 0.45)), hole)
    assert chances.found[west] == 0
    assert chances.of_unit[west] < prior() / 10
    # It is no miss either: the model said damage, and there is some.
    assert notes == []


def test_order_turned_round_is_said(weighed):
    hard = stops(6, layer=None, east=30.0)
    soft = stops(6, layer=(0.2, 0.3), east=95.0)  # where the model says 5 in 100
    _, notes, _, _ = weighed(*hard, *soft)
    codes = [note.code for note in notes]
    assert "probe.not_supported" in codes
    assert (
        "do not bear the model out"
        in notes[codes.index("probe.not_supported")].sentence
    )


def test_tracks_softer_than_their_twins_are_the_wrong_way_round(weighed):
    build = _builders()
    turned = [
        [
            *build.push((WEST + 30, SOUTH + 110 + 8 * k), wheeled=1.0, point=f"{k}"),
            *build.push(
                (WEST + 32, SOUTH + 110 + 8 * k),
                wheeled=0.0, layer=(0.1, 0.5), point=f"{k} beside",
            ),
        ]
        for k in range(5)
    ]  # fmt: skip
    _, notes, _, _ = weighed(*turned)
    assert "probe.softer_tracks" in {note.code for note in notes}
    _, notes, _, _ = weighed(*stops(5))
    assert "probe.softer_tracks" not in {note.code for note in notes}


def test_ground_without_an_answer_takes_the_survey(weighed):
    chances, _, west, _ = weighed(chance=float("nan"))
    assert chances.of_unit[west] == pytest.approx(
        ZONES.layer_unassessed * ZONES.layer_in_reach
    )


def test_spread_of_ratios_is_that_of_the_readings():
    rng = np.random.default_rng(11)
    n = 4000
    logs = 0.25 * (rng.standard_normal(n) - rng.standard_normal(n))
    found = np.arange(n) % 2 == 0
    pairs = pd.DataFrame(
        {
            "ratio": np.exp(logs + np.where(found, 0.45, 0.0)),
            "found": found,
            "unit": np.arange(n) % 3,
        }
    )
    assert ratio_spread(pairs) == pytest.approx(0.25, abs=0.006)
    assert np.isnan(ratio_spread(pairs.head(5)))
