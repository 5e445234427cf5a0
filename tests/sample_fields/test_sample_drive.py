"""The driving behind the samples, against closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sample_fields.drive import STEP, Driver, Pose, smooth_way, trail


def test_a_trailer_on_a_circle_settles_on_the_closed_form():
    # Steady off-tracking: R_t^2 = R^2 + h^2 - L^2, as for road trains.
    radius, hitch, tongue = 12.0, 1.2, 6.0
    angle = np.arange(0.0, 8 * math.pi, 0.1 / radius)
    east, north = radius * np.cos(-angle), radius * np.sin(-angle)
    heading = math.pi + angle
    t_east, t_north, _ = trail(
        east, north, heading, hitch=-hitch, tongue=tongue, start=math.pi
    )
    expected = math.sqrt(radius**2 + hitch**2 - tongue**2)
    # 0.1 m steps: the published order of the scheme gives 0.1 mm here.
    assert math.hypot(t_east[-1], t_north[-1]) == pytest.approx(expected, abs=2e-4)


@pytest.mark.parametrize(("along", "degrees"), [(5, 40.3951), (10, 15.4146)])
def test_a_trailer_straightens_as_the_closed_form_says(along, degrees):
    # tan(phi/2) = tan(phi0/2) exp(-s/L), started square to the way, L = 5 m.
    north = np.linspace(0.0, along, 400)
    zero = np.zeros_like(north)
    _, _, heading = trail(zero, north, zero, hitch=0.0, tongue=5.0, start=math.pi / 2)
    assert math.degrees(heading[-1]) == pytest.approx(degrees, abs=1e-3)


def test_ways_are_smooth_and_end_where_they_should():
    rng = np.random.default_rng(1)
    for _ in range(300):
        start, end = (Pose(*rng.uniform(-30, 30, 2), rng.uniform(0, 6)) for _ in "ab")
        points, _ = smooth_way(start, (end,), radius=6.0)
        step = np.hypot(*np.diff(points[:, :2], axis=0).T)
        assert step.max() <= STEP + 1e-9
        assert points[-1, :2] == pytest.approx([end.east, end.north], abs=1e-9)
        assert math.cos(points[-1, 2] - end.heading) == pytest.approx(1.0, abs=1e-9)
        turn = np.abs(np.diff(points[:, 2]))
        assert turn.max() <= STEP / 6.0 + 1e-9


def test_the_shortest_way_between_opposite_lanes_is_a_half_circle():
    points, bent = smooth_way(
        Pose(0.0, 0.0, 0.0), (Pose(12.0, 0.0, math.pi),), radius=6.0
    )
    step = np.hypot(*np.diff(points[:, :2], axis=0).T)
    assert bent[1:].all()
    # Chords of 0.2 m on a circle of 6 m are 46 parts in a million short.
    assert step.sum() == pytest.approx(math.pi * 6.0, rel=6e-5)


def test_speed_obeys_the_acceleration_and_stops_at_the_end():
    driver = Driver(Pose(0.0, 0.0, 0.0), time=100.0, radius=6.0)
    driver.go(Pose(0.0, 200.0, 0.0), speed=3.0, turn_speed=1.0)
    motion = driver.motion()
    gain = np.diff(motion.speed) / np.diff(motion.time)
    assert np.abs(gain).max() <= 0.5 + 1e-6
    assert motion.speed[-1] == 0.0
    # 200 m at 3 m/s with 6 s of speeding up and of slowing down: 60.67 + 12 s / 2.
    assert motion.time[-1] - 100.0 == pytest.approx(200 / 3 + 6, abs=0.3)
