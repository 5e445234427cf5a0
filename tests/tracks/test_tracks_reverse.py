"""Which steps were driven backward."""

from __future__ import annotations

import numpy as np
import pytest
from shapely.geometry import box

from trafficmap.core.settings.tracks import TrackSettings
from trafficmap.tracks import clean, split

FIELD = box(-100, -100, 300, 400)


def through(fixes, make, **machine):
    rules = {
        "boundary": FIELD,
        "machines": {"combine": make.machine(**machine)},
        "settings": TrackSettings(),
    }
    fixes, _ = clean(fixes, **rules)
    return split(fixes, **rules)


def drive(*legs, dt=1.0):
    """Return places along legs of (east, north, speed), from leg to leg."""
    at, out = np.array(legs[0][:2], dtype=float), [np.array(legs[0][:2], dtype=float)]
    for east, north, speed in legs[1:]:
        way = np.array([east, north]) - at
        steps = max(1, round(np.hypot(*way) / (speed * dt)))
        out += [at + way * k / steps for k in range(1, steps + 1)]
        at = np.array([east, north], dtype=float)
    return np.array(out)


@pytest.mark.parametrize("noise", [0.0, 0.02, 0.15])
@pytest.mark.parametrize("dt", [1.0, 0.2])
def test_three_point_turn(make, noise, dt):
    # Out of a row to the east, back to the west, and into the next row.
    track = drive(
        (0, 0, 2), (0, 200, 2.0), (5, 207, 1.0), (12, 209, 1.0), (3, 211, 1.0),
        (12, 200, 1.0), (12, 0, 2.0), dt=dt,
    )  # fmt: skip
    place = track + np.random.default_rng(4).normal(0, noise, track.shape)
    fixes = make.fixes(place[:, 0], place[:, 1], seconds=np.arange(len(place)) * dt)
    out, _, _ = through(fixes, make, sigma_within=max(noise, 0.02))
    back = out["reverse"].to_numpy()
    east, north = track[out["row"].to_numpy() - 1].T
    to_west = (north > 209.5) & (north < 210.5) & (np.abs(east - 7.5) < 2.5)
    assert to_west.sum() >= 3
    assert back[to_west].all()
    assert not back[north < 204].any()


def zigzag(dt=1.0):
    """Return forward 150 m, back 15 m on the same line, forward beside it."""
    return drive(
        (0, 0, 2), (0, 150, 2.0), (0, 135, 1.0), (1, 150, 1.0), (1, 250, 2.0), dt=dt
    )


@pytest.mark.parametrize("noise", [0.0, 0.02, 0.2])
@pytest.mark.parametrize("dt", [1.0, 0.2])
def test_short_way_back_between_two_cusps(make, noise, dt):
    track = zigzag(dt)
    place = track + np.random.default_rng(7).normal(0, noise, track.shape)
    fixes = make.fixes(place[:, 0], place[:, 1], seconds=np.arange(len(place)) * dt)
    out, _, notes = through(fixes, make, sigma_within=max(noise, 0.02))
    row = out["row"].to_numpy() - 1
    back = out["reverse"].to_numpy()
    first = round(75 / dt)
    last = first + round(15 / dt)
    blur = round((1.0 + 10 * noise) / dt)
    assert back[(row > first + blur) & (row < last - blur)].all()
    assert not back[(row < first - blur) | (row > last + blur + 1)].any()
    note = next(note for note in notes if note.code == "tracks.reverse")
    assert note.count == 1
    assert "Driven backward" in note.sentence


def test_one_way_back_is_the_shorter_one(make):
    track = drive((0, 0, 2), (0, 200, 2.0), (0, 180, 1.0))
    out, _, _ = through(make.fixes(track[:, 0], track[:, 1]), make)
    back = out["reverse"].to_numpy()
    assert back[-18:].all()
    assert not back[:98].any()


def test_standing_at_the_cusp_changes_nothing(make):
    track = zigzag()
    still = np.repeat([75], 60)
    place = np.insert(track, still, track[75], axis=0)
    out, _, _ = through(make.fixes(place[:, 0], place[:, 1]), make)
    back = out["reverse"].to_numpy()
    assert back[138:148].all()
    assert not back[:74].any()
    assert not back[155:].any()


def test_turns_between_rows_are_no_cusps(make):
    for apart in (8.0, 12.0, 24.0):
        for rate in (1.0, 0.2):
            east, north, _ = make.rows(rows=6, apart=apart, rate=rate)
            seconds = np.arange(east.size) / rate
            out, _, _ = through(make.fixes(east, north, seconds=seconds), make)
            assert not out["reverse"].any(), (apart, rate)


def test_nothing_works_backward_but_a_row_is_never_backward(make):
    # Back over 60 m with the header on is more likely a cusp too many.
    track = drive((0, 0, 2), (0, 100, 2.0), (0, 40, 1.2), (0, 41, 0.8))
    plain, _, _ = through(make.fixes(track[:, 0], track[:, 1]), make)
    assert plain["reverse"].sum() > 40
    assert (plain["state"][plain["reverse"]] != "working").all()
    working = make.fixes(track[:, 0], track[:, 1], work_state=1.0)
    out, _, _ = through(working, make)
    assert not out["reverse"][:99].any()


def test_logged_speed_and_heading_count_before_the_shape(make):
    # Half an hour on a lane: one cusp, both legs equally long.
    track = drive((0, 0, 2), (0, 150, 1.5), (0, 0, 1.5))
    first = np.arange(len(track)) <= 100
    for told, expect in (
        ({"speed": np.where(first, 1.5, -0.8)}, ~first),
        ({"speed": np.where(first, -0.8, 1.5)}, first),
    ):
        fixes = make.fixes(track[:, 0], track[:, 1], **told)
        # A log with as many negative as positive speeds says nothing.
        fixes.loc[fixes.index[:2], "speed"] = 1.5
        fixes.loc[fixes.index[-2:], "speed"] = 1.5
        out, _, _ = through(fixes, make)
        if expect[-1]:
            assert out["reverse"].to_numpy()[103:-3].all()
    row = drive((50, 0, 2), (50, 320, 2.0), (50, 300, 1.0))
    north_always = make.fixes(row[:, 0], row[:, 1], heading=0.0)
    out, _, _ = through(north_always, make)
    assert out["reverse"].to_numpy()[-18:].all()
    as_course = make.fixes(
        row[:, 0], row[:, 1], heading=np.where(np.arange(len(row)) <= 160, 0.0, 180.0)
    )
    same, _, _ = through(as_course, make)
    # A heading that never differs from the course is one: it says nothing.
    assert same["reverse"].to_numpy()[-18:].all()
