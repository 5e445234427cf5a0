"""The gate second by second: sides, curves, standing, and counting by clock offset."""

from __future__ import annotations

import math

import numpy as np
import pytest

from trafficmap.core.settings.loads import LoadSettings
from trafficmap.loads._beside import MOVING, NOT, OTHER_SIDE, STANDING, calm_span, gate
from trafficmap.loads.beside import find_meetings, rule_of, seconds_beside
from trafficmap.loads.smooth import SecondTrack, window_of

SETTINGS = LoadSettings()
RULE = rule_of(SETTINGS, standing_only=False)
TRUCK = rule_of(SETTINGS, standing_only=True)


def at(
    ahead=0.0, right=-8.0, *, bend=0.0, turn=(0.0, 0.0), speed=(2.0, 2.0), side=-1.0
):
    """Return the kind and the parting speed for a giver that heads north."""
    kind, apart = gate(
        ahead, right, math.radians(bend), *turn, 0.0, speed[0], 0.0, speed[1],
        right, ahead, side, RULE,
    )  # fmt: skip
    return kind, apart


@pytest.mark.parametrize(
    ("case", "kind"),
    [
        ({}, MOVING),
        ({"right": 8.0}, OTHER_SIDE),
        ({"right": 8.0, "side": 0.0}, MOVING),
        ({"right": -3.9}, NOT),
        ({"right": -13.1}, NOT),
        ({"ahead": 8.1}, NOT),
        ({"bend": 19.0}, MOVING),
        ({"bend": 21.0}, NOT),
        ({"bend": 180.0}, NOT),
        ({"speed": (2.0, 2.41)}, NOT),
        ({"speed": (2.0, -2.0)}, NOT),
        ({"speed": (0.2, 0.2)}, STANDING),
        ({"speed": (0.2, 0.2), "right": -1.9}, NOT),
        ({"speed": (0.2, 0.2), "right": 3.0}, OTHER_SIDE),
        ({"speed": (0.2, 0.2), "right": -14.0, "ahead": 6.0}, NOT),
    ],
)
def test_the_gate(case, kind):
    assert at(**case)[0] == kind


def test_in_a_curve_the_outer_one_is_faster_and_points_elsewhere():
    """0.05 rad/s to the right: 8 m further out is 0.4 m/s more; 30 degrees pass."""
    inside = at(turn=(0.05, 0.05), speed=(2.0, 2.4), bend=30.0)
    assert inside[0] == MOVING
    assert inside[1] == pytest.approx(0.0)
    assert at(speed=(2.0, 2.41), bend=30.0)[0] == NOT
    assert at(turn=(0.05, -0.05), speed=(2.0, 2.0), bend=30.0)[0] == NOT


def test_a_cart_gives_to_a_truck_only_standing_and_on_any_side():
    near = (0.0, 15.0, 1.5, 0.0, 0.0)
    still, slow = (0.0, 0.1, 0.0, 0.1), (0.0, 1.0, 0.0, 1.0)
    assert gate(*near, *still, 15.0, 0.0, -1.0, TRUCK)[0] == STANDING
    assert gate(*near, *slow, 15.0, 0.0, -1.0, TRUCK)[0] == NOT


def track(second, east, north, speed):
    n = second.size
    return SecondTrack(
        second.astype(np.int64),
        np.broadcast_to(np.asarray(east, dtype=float), n).copy(),
        np.asarray(north, dtype=float),
        np.zeros(n),
        np.zeros(n),
        np.broadcast_to(np.asarray(speed, dtype=float), n).copy(),
        5,
        0.01,
    )


def pair(late):
    """Return a giver, and a taker level with it from 100 to 160 s, `late` off."""
    t = np.arange(0, 300)
    giver = track(t, 0.0, 2.0 * t, 2.0)
    away = np.maximum(np.maximum(100 - t, t - 160), 0)
    speed = np.where(away > 0, 4.0, 2.0)
    taker = track(t - late, -8.0, 2.0 * t - 2.0 * away, speed)
    return giver, taker


@pytest.mark.parametrize("late", [0, 7, -31])
def test_the_most_seconds_fit_at_the_offset(late):
    giver, taker = pair(late)
    offsets = np.arange(-40, 41)
    moving, standing = seconds_beside(
        giver, taker, offsets, side=-1.0, settings=SETTINGS
    )
    # Level for 61 s; 1 s off is 2 m ahead, and 8 m are too far.
    assert moving.max() == moving[offsets == late][0] == 61
    assert standing.max() == 0
    good = offsets[moving >= 0.95 * moving.max()]
    assert (good[0] + good[-1]) / 2 == pytest.approx(late, abs=1)


def test_a_meeting_is_the_stretch_less_the_approach():
    giver, taker = pair(0)
    found = find_meetings(
        giver, taker, side=-1.0, standing_only=False, settings=SETTINGS
    )
    (meeting,) = found.meetings
    # Smoothing by 5 points eats a second at either end; it is given back.
    assert (meeting.start, meeting.end) == (99.0, 161.0)
    assert meeting.right == pytest.approx(-8.0)
    assert (meeting.standing, found.breaks, found.other_side) == (0.0, 0, 0.0)


def test_calm_needs_five_in_a_row():
    span = np.empty(2, dtype=np.int64)
    calm = np.array([1, 1, 1, 1, 0, 1, 1, 1, 1, 1, 1, 0, 1], dtype=bool)
    calm_span(calm, 5, span)
    assert span.tolist() == [5, 10]
    calm_span(calm[:4], 5, span)
    assert span.tolist() == [-1, -1]


@pytest.mark.parametrize(("sigma", "expected"), [(0.5, 11), (1.0, 17), (2.0, 27)])
def test_the_window_grows_with_the_noise(machine, sigma, expected):
    """(12 sigma2 / 0.05 2)^(1/3), the next odd number: 11, 17, 27."""
    rng = np.random.default_rng(5)
    t = np.arange(0, 20000.0)
    east, north = rng.normal(0.0, sigma, (2, t.size))
    rig = machine("c", **{"class": "combine_large"})
    window, error = window_of(t, east, north + 2.0 * t, rig)
    assert window == expected
    assert error == pytest.approx(np.sqrt(12.0) * sigma / expected**1.5, rel=0.05)
    poor = machine("c", **{"class": "combine_large", "correction": "sbas"})
    assert window_of(t, east, north, poor)[0] == max(expected, 27)


def test_the_window_of_quiet_fixes_is_five(machine):
    t = np.arange(0, 100.0)
    rig = machine("c", **{"class": "combine_large"})
    assert window_of(t, 0.0 * t, 2.0 * t, rig)[0] == 5
