"""What probe and spade add up to."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from trafficmap.core.settings.zones import ZoneSettings
from trafficmap.core.tables import DUG
from trafficmap.zones.candidates import candidates
from trafficmap.zones.confirm import (
    Profile,
    confirm,
    hard_span,
    profiles,
    twin_ratio,
    verdict_of,
)
from trafficmap.zones.dug import finding_word

SETTINGS = ZoneSettings()
PLACE = (500_100.0, 4_400_100.0)


def test_layer_with_pairs_and_plates_is_confirmed(readings):
    verdict = verdict_of(readings(PLACE), settings=SETTINGS)
    assert verdict.probed == "confirmed"
    # Readings an inch apart: hard from 0.1524 to 0.2286, straight lines outside.
    rise = (SETTINGS.cone_limit - 1.2e6) / (3.0e6 - 1.2e6)
    assert verdict.top == pytest.approx(0.1270 + 0.0254 * rise, abs=1e-4)
    assert verdict.bottom == pytest.approx(0.2540 - 0.0254 * rise, abs=1e-4)
    # Straight lines blur the edges, the middle of the layer is 3.0 against 1.2.
    assert 1.25 < verdict.ratio <= 2.5


@pytest.mark.parametrize(
    ("changes", "probed"),
    [
        ({"share": 0.5}, "confirmed"),
        ({"share": 0.4}, "inconclusive"),  # plates, but too few probes
        ({"plates": None}, "inconclusive"),  # nobody dug
        ({"plates": False}, "inconclusive"),  # spade disagrees
        ({"beside": 2.6e6}, "inconclusive"),  # as hard beside the track
        ({"wheeled": 3}, "inconclusive"),
        ({"twin": 3}, "inconclusive"),
        ({"hard": 1.2e6, "plates": False}, "no layer"),
        ({"hard": 1.2e6, "plates": None}, "inconclusive"),  # nobody dug
        ({"hard": 1.2e6, "plates": True}, "inconclusive"),
        # Harder than its twin all the way down, but under the limit.
        (
            {"hard": 1.9e6, "top": 0.1, "bottom": 0.5, "plates": False},
            "inconclusive",
        ),
    ],
)
def test_what_is_missing_makes_it_inconclusive(readings, changes, probed):
    verdict = verdict_of(readings(PLACE, **changes), settings=SETTINGS)
    assert verdict.probed == probed
    if probed == "inconclusive":
        assert verdict.why
        assert np.isnan(verdict.bottom)


def test_thin_crust_of_less_than_two_inches_is_no_layer(readings):
    thin = readings(PLACE, top=0.175, bottom=0.18, plates=False)
    assert verdict_of(thin, settings=SETTINGS).probed != "confirmed"


def test_probes_that_end_inside_the_layer_do_not_give_a_bottom(readings):
    verdict = verdict_of(readings(PLACE, bottom=0.6), settings=SETTINGS)
    assert verdict.probed == "inconclusive"
    assert "go deeper" in verdict.why


def test_nobody_dug():
    assert verdict_of(DUG.empty(), settings=SETTINGS).probed == "none"


def test_span_takes_the_thickest_stretch():
    depth = np.array([0.05, 0.10, 0.15, 0.20, 0.25, 0.30, 0.35])
    cone = np.array([3.0, 1.0, 1.0, 3.0, 3.0, 3.0, 1.0]) * 1e6
    top, bottom = hard_span(Profile(depth, cone), limit=2e6, thickness=0.05)
    assert (top, bottom) == pytest.approx((0.175, 0.325))
    assert hard_span(Profile(depth, cone / 10), limit=2e6, thickness=0.05) is None
    # A stretch that starts at the first reading starts there; one that lasts to the
    # last reading has no bottom.
    assert hard_span(Profile(depth[:1], cone[:1]), limit=2e6, thickness=0.05) is None
    _, bottom = hard_span(Profile(depth[:6], cone[:6]), limit=2e6, thickness=0.05)
    assert np.isinf(bottom)


def test_ratio_is_of_medians_at_each_depth():
    depth = np.array([0.1, 0.2, 0.3])
    wheeled = [Profile(depth, np.full(3, v)) for v in (2e6, 3e6, 9e6)]
    twin = [Profile(depth, np.full(3, v)) for v in (1e6, 2e6, 2e6)]
    assert twin_ratio(wheeled, twin, top=0.1, bottom=0.3) == pytest.approx(1.5)


def test_repeats_at_one_depth_are_averaged_and_gaps_left_out(readings):
    frame = readings(PLACE, wheeled=1, twin=1)
    double = pd.concat([frame, frame.assign(value=frame["value"] + 2e5)])
    one = profiles(frame, wheeled=True)[0]
    two = profiles(double, wheeled=True)[0]
    np.testing.assert_allclose(two.cone, one.cone + 1e5)
    gappy = frame.copy()
    gappy.loc[gappy.index[0], "value"] = np.nan
    assert profiles(gappy, wheeled=True)[0].depth.size == one.depth.size - 1


def test_words_people_write():
    assert finding_word("Ribbon") == "rolls"
    assert finding_word("dry_clods") == "dry clods"
    assert finding_word(np.nan) == ""


@pytest.mark.parametrize(
    ("trial_day", "seen"), [("2026-08-01", ""), (None, ""), ("2026-11-19", "shatters")]
)
def test_a_trial_pass_older_than_the_hand_roll_says_nothing(trial_day, seen):
    from trafficmap.zones.confirm import _trial

    rows = pd.DataFrame(
        {
            "kind": ["trial", "hand_roll"],
            "date": pd.to_datetime([trial_day, "2026-11-19"]),
            "finding": ["shatters", "rolls"],
        }
    )
    assert _trial(rows) == seen


@pytest.mark.parametrize(
    ("changes", "probed", "why"),
    [
        ({"hard": 1.2e6, "plates": False}, "no layer", "of the probes"),
        ({}, "confirmed", "of the probes"),
        ({"plates": None}, "confirmed", "assumed, nobody dug enough to settle it"),
        (None, "confirmed", "assumed, nobody dug here"),
    ],
)
def test_what_was_found_wins_over_what_is_assumed(
    make_field, make_tray, readings, changes, probed, why
):
    dug = DUG.empty() if changes is None else readings(PLACE, **changes)
    field = make_field(dug=dug)
    tray, grid = make_tray(field, np.full((300, 200), 0.9))
    assume = ZoneSettings(assume_confirmed=0.33)
    units, _ = candidates(tray, field=field, grid=grid, settings=assume)
    table = confirm(units, dug, settings=assume).table
    row = int((grid.north - PLACE[1]) / grid.cell)
    col = int((PLACE[0] - grid.west) / grid.cell)
    mine = table.loc[table["unit"] == units.label[row, col]].iloc[0]
    assert mine["probed"] == probed
    assert why in mine["dug"]
    real = "assumed" not in why
    assert (mine["layer_bottom"] == 0.33) == (not real)
