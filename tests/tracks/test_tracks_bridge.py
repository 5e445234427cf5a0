"""Gaps: drawn only where a vehicle can have driven one way, marked, left out on ask."""

from __future__ import annotations

import math

import numpy as np
import pytest
from shapely.geometry import box

from trafficmap.core.settings.tracks import TrackSettings
from trafficmap.tracks import LogFacts, clean, split
from trafficmap.tracks._dubins import WORDS, dubins_places, dubins_words

FIELD = box(-20, -30, 60, 330)


def through(fixes, make, *, boundary=FIELD, logs=(), **settings):
    rules = {
        "boundary": boundary,
        "machines": {"combine": make.machine(min_radius=5.5)},
        "settings": TrackSettings(**settings),
        "logs": logs,
    }
    fixes, first = clean(fixes, **rules)
    fixes, passes, second = split(fixes, **rules)
    return fixes, passes, {note.code: note for note in first + second}


def row(make, *, missing, n=150, **columns):
    """Return a row at 2 m/s without the fixes `missing`."""
    keep = np.ones(n, dtype=bool)
    keep[missing] = False
    fixes = make.fixes(np.full(n, 5.0), np.arange(n) * 2.0, **columns)
    return fixes[keep].reset_index(drop=True)


@pytest.mark.parametrize("seconds", [8, 25, 60, 110])
def test_gap_in_a_row_is_drawn_straight_on_and_marked(make, seconds):
    fixes, passes, notes = through(
        row(make, missing=slice(20, 20 + seconds), work_state=1.0, width=6.0), make
    )
    assert notes["tracks.bridged"].count == 1
    assert passes["state"].tolist() == ["working"] * 3
    assert passes["inferred"].tolist() == [False, True, False]
    assert passes["length"].tolist() == pytest.approx(
        [38.0, 2.0 * (seconds + 1), 2.0 * (129 - seconds)], abs=1e-6
    )
    drawn = fixes[fixes["inferred"]]
    assert (drawn["easting"] - 5.0).abs().max() < 1e-6
    # Place and clock keep pace: it drove on at its speed.
    np.testing.assert_allclose(drawn["northing"], 2.0 * drawn["seconds"], atol=1e-6)
    assert drawn["time"].notna().all()
    assert (drawn["work_state"] == 1.0).all()
    # The inferred pass reaches from the last fix before the gap to the first after.
    bridge = passes.iloc[1]
    assert fixes["northing"][bridge["first"]] == pytest.approx(38.0)
    assert fixes["northing"][bridge["last"] - 1] == pytest.approx(40.0 + 2 * seconds)


def test_a_clock_without_a_day_keeps_none_in_a_bridge(make):
    fixes, passes, _ = through(
        row(make, missing=slice(20, 45), work_state=1.0, timed=False), make
    )
    assert passes["inferred"].any()
    assert fixes["time"].isna().all()


def test_bridges_can_be_left_out(make):
    fixes, passes, notes = through(
        row(make, missing=slice(20, 45), work_state=1.0), make, bridge_gaps=False
    )
    assert not fixes["inferred"].any()
    assert not passes["inferred"].any()
    assert passes["length"].sum() == pytest.approx(38.0 + 208.0)
    assert "was to be left out" in notes["tracks.gap_cut"].sentence


def test_mass_flow_is_not_carried_over_a_long_gap(make):
    for seconds, known in ((8, True), (25, False)):
        fixes, _, _ = through(
            row(make, missing=slice(20, 20 + seconds), work_state=1.0, mass_flow=9.0),
            make,
        )
        flow = fixes.loc[fixes["inferred"], "mass_flow"]
        assert flow.notna().all() == known
        assert flow.isna().all() != known


def test_gap_longer_than_the_limit_stays_open(make):
    _, passes, notes = through(row(make, missing=slice(10, 135), work_state=1.0), make)
    assert not passes["inferred"].any()
    assert notes["tracks.gap"].count == 1


def test_nothing_is_drawn_that_was_too_fast_or_left_time_to_go_elsewhere(make):
    n = 200
    for shift, what in ((90.0, "fast"), (-70.0, "slow")):
        seconds = np.arange(n, dtype=float)
        seconds[100:] += 50.0
        north = np.arange(n) * 2.0
        # 50 s of driving are 100 m; here they are 190 m, or 30 m.
        north[100:] += 100.0 + shift
        fixes = make.fixes(np.full(n, 5.0), north, seconds=seconds, work_state=1.0)
        _, passes, notes = through(fixes, make, boundary=None)
        assert not passes["inferred"].any(), what
        assert notes["tracks.gap"].count == 1


def test_sideways_step_in_a_short_gap_is_cut(make):
    n = 100
    seconds = np.arange(n, dtype=float)
    seconds[50:] += 9.0
    east = np.full(n, 5.0)
    east[50:] += 25.0
    # 25 m to the side while only 20 m of way fit into the time.
    fixes = make.fixes(east, np.arange(n) * 2.0, seconds=seconds, work_state=1.0)
    _, passes, notes = through(fixes, make)
    assert notes["tracks.gap_cut"].count == 1
    assert (
        "no way that a vehicle can have driven fits" in notes["tracks.gap_cut"].sentence
    )
    assert passes["length"].sum() == pytest.approx(2 * 98.0, abs=0.1)


def headland(make):
    """Return two rows 22 m apart whose turn, a wide half circle, is missing."""
    east, north, work = make.rows(rows=2, apart=22.0, length=200.0)
    keep = work > 0
    seconds = np.arange(east.size, dtype=float)
    return make.fixes(
        east[keep], north[keep], seconds=seconds[keep], work_state=1.0, width=22.0
    )


def test_missing_turn_is_drawn_only_on_request(make):
    fixes, passes, notes = through(headland(make), make)
    assert "infer_turns" in notes["tracks.turn_missing"].sentence
    assert passes["state"].tolist() == ["working", "working"]
    assert not fixes["inferred"].any()
    asked = [LogFacts(0, infer_turns=True)]
    fixes, passes, notes = through(headland(make), make, logs=asked)
    assert notes["tracks.turn_inferred"].severity == "check"
    assert passes["state"].tolist() == ["working", "turning", "working"]
    assert passes["inferred"].tolist() == [False, True, False]
    # Half a circle of 5.5 m in two parts, and the straight line between: the row ends
    # at 198 m, the next begins at 200 m. Chords are a little shorter.
    way = math.pi * 5.5 + math.hypot(11.0, 2.0)
    assert passes["length"][1] == pytest.approx(way, abs=0.15)
    same, *_ = through(headland(make), make, infer_turns=True)
    assert same["inferred"].sum() == fixes["inferred"].sum()
    # What a log says counts before the setting.
    left = [LogFacts(0, infer_turns=False)]
    none, *_ = through(headland(make), make, logs=left, infer_turns=True)
    assert not none["inferred"].any()


def test_turn_that_would_leave_the_field_is_not_drawn(make):
    asked = [LogFacts(0, infer_turns=True)]
    tight = box(-20, -30, 60, 201)
    fixes, _, _ = through(headland(make), make, logs=asked, boundary=tight)
    assert not fixes["inferred"].any()


def test_turning_back_right_behind_a_gap_is_no_turn(make):
    up = np.arange(0.0, 100.0, 2.0)
    north = np.concatenate([up, [114.0], 114.0 - up[1:10] / 2])
    seconds = np.concatenate([np.arange(50.0), [57.0], 57.0 + np.arange(1.0, 10.0)])
    fixes = make.fixes(np.full(north.size, 5.0), north, seconds=seconds)
    fixes, _passes, notes = through(fixes, make)
    assert notes["tracks.bridged"].count == 1
    assert fixes.loc[fixes["inferred"], "northing"].max() < 114.0


def test_logs_of_ten_seconds_have_no_gaps(make):
    n = 40
    fixes = make.fixes(
        np.full(n, 5.0), np.arange(n) * 8.0, seconds=np.arange(n) * 10.0, work_state=1.0
    )
    fixes, passes, _notes = through(fixes, make, boundary=None)
    assert not fixes["inferred"].any()
    assert len(passes) == 1


@pytest.mark.parametrize("seed", range(4))
def test_every_word_ends_where_and_how_it_must(seed):
    rng = np.random.default_rng(seed)
    kind, length = np.zeros((WORDS, 3)), np.zeros((WORDS, 3))
    seen = 0
    for _ in range(40):
        east, north = rng.uniform(-30, 30, 2)
        heading, end = rng.uniform(-math.pi, math.pi, 2)
        dubins_words(east, north, heading, end, 5.0, kind, length)
        assert np.isfinite(length[:2]).all()
        for word in range(WORDS):
            if not np.isfinite(length[word]).all():
                continue
            places = np.empty((2000, 2))
            dubins_places(heading, 5.0, kind[word], length[word], places)
            left = np.array([east, north]) - places[-1]
            step = length[word].sum() / 2001
            assert np.hypot(*left) == pytest.approx(step, rel=1e-3, abs=1e-6)
            course = math.atan2(*left)
            off = math.remainder(course - end, 2 * math.pi)
            assert abs(off) < step / 5.0 + 1e-3
            seen += 1
    assert seen > 150


@pytest.mark.parametrize(
    ("east", "north", "heading", "end", "shortest"),
    [
        (0.0, 40.0, 0.0, 0.0, 40.0),
        (10.0, 0.0, 0.0, math.pi, math.pi * 5.0),
        (5.0, 5.0, 0.0, math.pi / 2, math.pi / 2 * 5.0),
        (30.0, 0.0, 0.0, math.pi, math.pi * 5.0 + 20.0),
        (0.0, 0.0, 0.0, 0.0, 0.0),
    ],
)
def test_shortest_ways_known_in_closed_form(east, north, heading, end, shortest):
    kind, length = np.zeros((WORDS, 3)), np.zeros((WORDS, 3))
    dubins_words(east, north, heading, end, 5.0, kind, length)
    assert length.sum(axis=1).min() == pytest.approx(shortest, abs=1e-9)
