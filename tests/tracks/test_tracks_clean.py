"""Cleaning: each kind of dirt goes, and nothing else."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from shapely.geometry import box

from trafficmap.core.errors import InputError
from trafficmap.core.settings.tracks import TrackSettings
from trafficmap.tracks import clean
from trafficmap.tracks._clean_kernels import find_still

FIELD = box(-50, -50, 450, 450)


def run(fixes, make, *, boundary=FIELD, machine=None, settings=None):
    return clean(
        fixes,
        boundary=boundary,
        machines={"combine": machine or make.machine()},
        settings=settings or TrackSettings(),
    )


def codes(notes):
    return {note.code: note.count for note in notes}


def straight(make, n=200, **columns):
    return make.fixes(np.full(n, 5.0), np.arange(n) * 2.0, **columns)


def test_clean_fixes_come_through_whole(make):
    fixes = straight(make)
    out, notes = run(fixes, make)
    assert codes(notes) == {}
    assert len(out) == 200
    np.testing.assert_allclose(out["northing"], fixes["northing"], atol=1e-6)
    np.testing.assert_allclose(out["easting"], 5.0, atol=1e-9)


@pytest.mark.parametrize("row", [0, 1, 77, 198, 199])
@pytest.mark.parametrize("far", [(5e6, 0.0), (60.0, 40.0)])
def test_one_far_off_fix_goes_and_nothing_else(make, row, far):
    fixes = straight(make)
    fixes.loc[row, ["easting", "northing"]] += np.array(far)
    out, notes = run(fixes, make)
    assert set(range(1, 201)) - set(out["row"]) == {row + 1}
    assert sum(codes(notes).values()) == 1
    np.testing.assert_allclose(out["easting"], 5.0, atol=1e-6)


def test_zero_place_missing_place_and_no_fix_go(make):
    fixes = straight(make, fix_quality=4.0)
    fixes.loc[10, ["easting", "northing"]] = 0.0
    fixes.loc[20, "easting"] = np.nan
    fixes.loc[30, "northing"] = np.inf
    fixes.loc[40, "fix_quality"] = 0.0
    out, notes = run(fixes, make)
    assert codes(notes) == {"tracks.place": 4}
    assert set(range(1, 201)) - set(out["row"]) == {11, 21, 31, 41}


def test_backward_and_forward_stamps_go_one_by_one(make):
    seconds = np.arange(200.0)
    seconds[50] = 3.0
    seconds[120] = 90_000.0
    out, notes = run(straight(make, seconds=seconds), make)
    assert codes(notes) == {"tracks.backward": 2}
    assert set(range(1, 201)) - set(out["row"]) == {51, 121}


def test_stretches_in_the_wrong_order_are_put_in_order(make):
    fixes = straight(make)
    mixed = pd.concat([fixes[:60], fixes[130:], fixes[60:130]], ignore_index=True)
    out, notes = run(mixed, make)
    assert codes(notes) == {"tracks.order": 2}
    np.testing.assert_array_equal(out["row"], np.arange(1, 201))


def test_two_places_at_one_moment_and_repeats(make):
    fixes = straight(make)
    repeat = fixes.iloc[[30]]
    elsewhere = fixes.iloc[[60]].assign(easting=6.0)
    dirty = pd.concat([fixes[:31], repeat, fixes[31:61], elsewhere, fixes[61:]])
    out, notes = run(dirty.reset_index(drop=True), make)
    assert codes(notes) == {"tracks.repeat": 1, "tracks.twice": 1}
    assert len(out) == 200
    np.testing.assert_allclose(out["easting"], 5.0, atol=1e-6)


def test_place_held_for_a_beat_goes(make):
    fixes = straight(make)
    fixes.loc[80, "northing"] = fixes.loc[79, "northing"]
    out, notes = run(fixes, make)
    assert codes(notes) == {"tracks.held": 1}
    assert 81 not in set(out["row"])


def test_lasting_shift_is_a_cut_and_keeps_both_sides(make):
    fixes = straight(make)
    fixes.loc[100:, "easting"] += 60.0
    out, notes = run(fixes, make)
    assert codes(notes) == {"tracks.shift": 1}
    assert len(out) == 200
    # Nothing is smoothed over the cut.
    np.testing.assert_allclose(out["easting"][:100], 5.0, atol=1e-9)
    np.testing.assert_allclose(out["easting"][100:], 65.0, atol=1e-9)


def test_road_speed_is_dirt_for_a_combine_and_not_for_a_truck(make):
    fixes = make.fixes(np.full(200, 5.0), np.arange(200) * 25.0)
    out, _ = run(fixes, make, machine=make.machine(road_vehicle=True), boundary=None)
    assert len(out) == 200
    with pytest.raises(InputError, match="jumped farther than the machine can drive"):
        run(fixes, make, boundary=None)


def test_log_with_too_much_dirt_is_refused_by_name(make):
    fixes = straight(make)
    fixes.loc[::4, ["easting", "northing"]] = 0.0
    with pytest.raises(InputError, match="log 1, combine: 50 of 200") as error:
        run(fixes, make)
    assert "need at least 80% usable" in error.value.sentence
    assert error.value.hint


def test_drift_while_standing_is_taken_out(make):
    rng = np.random.default_rng(5)
    n = 600
    wander = np.cumsum(rng.normal(0, 0.08, (n, 2)), axis=0)
    wander *= np.minimum(1.0, 1.0 / np.hypot(*wander.T))[:, None]
    north = np.concatenate([np.arange(100) * 2.0, np.full(n, 200.0)])
    east = np.full(100 + n, 5.0)
    after = np.arange(1, 101) * 2.0
    fixes = make.fixes(
        np.concatenate([east, np.full(100, 5.0)])
        + np.concatenate([np.zeros(100), wander[:, 0], np.zeros(100)]),
        np.concatenate([north, 200.0 + after])
        + np.concatenate([np.zeros(100), wander[:, 1], np.zeros(100)]),
    )
    raw = np.hypot(fixes["easting"].diff(), fixes["northing"].diff()).sum()
    out, notes = run(fixes, make)
    driven = np.hypot(out["easting"].diff(), out["northing"].diff()).sum()
    assert raw > 440.0
    assert driven == pytest.approx(400.0, abs=4.0)
    assert "tracks.standing" in codes(notes)
    assert len(out) == len(fixes)


def test_smoothing_takes_out_noise_and_keeps_the_turn(make):
    rng = np.random.default_rng(2)
    east, north, _ = make.rows(rows=4, length=200.0)
    noisy = make.fixes(
        east + rng.normal(0, 0.2, east.size), north + rng.normal(0, 0.2, east.size)
    )
    out, _ = run(noisy, make, machine=make.machine(sigma_within=0.2))
    kept = out["row"].to_numpy() - 1
    before = np.hypot(noisy["easting"] - east, noisy["northing"] - north)
    after = np.hypot(out["easting"] - east[kept], out["northing"] - north[kept])
    assert np.sqrt((after**2).mean()) < 0.75 * np.sqrt((before**2).mean())
    turning = north[kept] > 200.0
    assert np.abs(after[turning]).mean() < 0.3


def test_smoothing_does_not_pull_over_a_gap(make):
    fixes = straight(make, seconds=np.arange(200.0) + 40.0 * (np.arange(200) >= 100))
    fixes.loc[100:, "easting"] += 30.0
    out, _ = run(fixes, make, machine=make.machine(sigma_within=1.0))
    np.testing.assert_allclose(out["easting"][:100], 5.0, atol=1e-9)
    np.testing.assert_allclose(out["easting"][100:], 35.0, atol=1e-9)


def test_log_that_goes_on_is_joined_and_one_of_another_clock_is_not(make):
    fixes = straight(make)
    later = fixes[120:].assign(log_id=1)
    out, notes = run(pd.concat([fixes[:120], later]), make)
    assert codes(notes) == {"tracks.joined": 1}
    assert set(out["log_id"]) == {0}
    np.testing.assert_array_equal(out["source_log"], [0] * 120 + [1] * 80)
    other = later.assign(seconds=later["seconds"] - 5000.0)
    out, notes = run(pd.concat([fixes[:120], other]), make)
    assert codes(notes) == {}
    assert set(out["log_id"]) == {0, 1}


def test_order_of_files_does_not_matter(make):
    fixes = straight(make)
    logs = [
        fixes[:80],
        fixes[80:150].assign(log_id=1),
        fixes.assign(log_id=2, machine_id="cart", easting=30.0),
    ]
    machines = {"combine": make.machine(), "cart": make.machine()}
    rest = {"boundary": FIELD, "machines": machines, "settings": TrackSettings()}
    one, _ = clean(pd.concat(logs), **rest)
    turned = [log.assign(log_id=2 - log["log_id"]) for log in logs[::-1]]
    two, _ = clean(pd.concat(turned), **rest)
    columns = ["machine_id", "seconds", "easting", "northing", "row"]
    pd.testing.assert_frame_equal(one[columns], two[columns])


@pytest.mark.parametrize("rate", [1.0, 10.0])
@pytest.mark.parametrize("seed", range(3))
def test_standing_is_found_as_by_looking_at_every_fix(rate, seed):
    rng = np.random.default_rng(seed)
    n = int(120 * rate)
    speed = np.repeat(rng.choice([0.0, 0.0, 0.2, 1.5], 12), n // 12) / rate
    course = rng.normal(0, 0.3, n).cumsum()
    place = np.cumsum(
        np.column_stack([speed * np.sin(course), speed * np.cos(course)]), 0
    )
    place += rng.normal(0, 0.02, place.shape)
    seconds = np.arange(n) / rate + rng.uniform(0, 0.3 / rate, n)
    starts = rng.random(n) < 0.02
    starts[0] = True
    got = np.zeros(n, dtype=np.bool_)
    find_still(seconds, starts, place, 5.0, 0.3, 0.06, got)
    known = np.zeros(n, dtype=np.bool_)
    octagon = np.arange(8) * np.pi / 4
    for k in range(n):
        piece = np.flatnonzero(np.cumsum(starts) == np.cumsum(starts)[k])
        near = piece[np.abs(seconds[piece] - seconds[k]) <= 5.0]
        a = max(piece[0], min(near[0], k - 1))
        b = min(piece[-1], max(near[-1], k + 1))
        window = place[a : b + 1]
        reach = max(0.06, 0.3 * max(5.0, 0.5 * (seconds[b] - seconds[a])))
        off = window - window.mean(axis=0)
        ways = off @ np.array([np.sin(octagon), np.cos(octagon)])
        if ways.max() <= reach:
            known[a : b + 1] = True
    assert 0 < known.sum() < n
    np.testing.assert_array_equal(got, known)


def test_nothing_in_nothing_out(make):
    out, notes = run(straight(make)[:0], make)
    assert len(out) == 0
    assert notes == []
