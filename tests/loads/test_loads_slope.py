"""Slopes from logged heights, and what they do to wheels."""

from __future__ import annotations

import math

import numpy as np
import pytest

from trafficmap.core.constants import GRAVITY
from trafficmap.core.ground import GroundSlope
from trafficmap.core.settings.loads import LoadSettings
from trafficmap.field.model import Crop
from trafficmap.loads import payload, wheel_paths
from trafficmap.loads.slope import ground_slope
from trafficmap.loads.trail import rig_path
from trafficmap.machines.axles import _Chain
from trafficmap.machines.wheels import wheel_spots

SETTINGS = LoadSettings()


def passes_over(rise, *, noise=0.0, drift=0.0, seed=0, count=10):
    """Passes 9 m apart, 300 m long, at 2 m/s, over a plane: t, east, north, z."""
    rng = np.random.default_rng(seed)
    along = np.arange(0.0, 300.0, 2.0)
    east = np.repeat(9.0 * np.arange(count), along.size)
    north = np.concatenate([along if k % 2 == 0 else along[::-1] for k in range(count)])
    height = 250.0 + rise[0] * east + rise[1] * north
    height += noise * rng.standard_normal(east.size)
    # A receiver that wanders from pass to pass.
    height += np.repeat(drift * rng.standard_normal(count), along.size)
    return np.arange(east.size, dtype=float), east, north, height


def test_a_plane_is_found_with_its_direction(log):
    t, e, n, z = passes_over((0.06, -0.02), noise=0.03)
    ground, notes = ground_slope(
        log("c", 0, t, e, n, "working", altitude=z), settings=SETTINGS
    )
    assert notes == []
    east, north = ground.at(np.array([40.0]), np.array([150.0]))
    assert east[0] == pytest.approx(0.06, abs=0.004)
    assert north[0] == pytest.approx(-0.02, abs=0.004)
    # Heading north it drops ahead and the left side, west, is low; heading east it
    # climbs, and the ground to the right, south, is higher: the left is low again.
    place = np.array([40.0, 40.0]), np.array([150.0, 150.0])
    pitch, roll = ground.along(*place, np.array([0.0, math.pi / 2]))
    assert pitch == pytest.approx([-0.02, 0.06], abs=0.004)
    assert roll == pytest.approx([-0.06, -0.02], abs=0.004)


def test_logs_with_other_zeros_do_not_disagree(log):
    import pandas as pd

    t, e, n, z = passes_over((0.05, 0.0))
    one = log("c", 0, t, e, n, "working", altitude=z)
    other = log("d", 1, t, e + 4.0, n, "working", altitude=z + 37.2)
    both = pd.concat([one, other], ignore_index=True)
    ground, _ = ground_slope(both, settings=SETTINGS)
    assert ground.at(40.0, 150.0)[0] == pytest.approx(0.05, abs=0.004)


@pytest.mark.parametrize("seed", range(4))
def test_heights_that_wander_are_not_believed(log, seed):
    # 1 m from pass to pass, as a receiver without correction: no slope is made of it.
    t, e, n, z = passes_over((0.03, 0.0), drift=1.0, seed=seed, count=40)
    ground, notes = ground_slope(
        log("c", 0, t, e, n, "working", altitude=z), settings=SETTINGS
    )
    assert ground is None
    assert [note.code for note in notes] == ["loads.heights_poor"]
    assert notes[0].sentence.startswith("Heights in 1 of 1 logs scatter too much")


def test_without_heights_there_is_nothing(log):
    t, e, n, _ = passes_over((0.0, 0.0))
    assert ground_slope(log("c", 0, t, e, n, "working"), settings=SETTINGS) == (
        None,
        [],
    )


def run(fixes, passes, machines, **more):
    carried, _ = payload(
        fixes, passes, machines=machines, crop=Crop(), liquid=(), settings=SETTINGS
    )
    return wheel_paths(
        fixes, passes, machines=machines, payload=carried, settings=SETTINGS, **more
    )


def test_the_low_side_carries_more(log, tables, machine):
    m = machine("c", **{"class": "combine_large"})
    t, e, n, z = passes_over((0.09, 0.0))
    tank = {"tank_mass": 0.0}
    hill, told = run(
        *tables(log("c", 0, t, e, n, "working", altitude=z, **tank)), {"c": m}
    )
    level, _ = run(*tables(log("c", 0, t, e, n, "working", **tank)), {"c": m})
    note = next(note for note in told if note.code == "loads.slope_used")
    assert note.sentence.startswith("The ground rises by 9 % in the middle")
    # Going north the left wheel is the lower one: N roll z / t on each, z 1.9, t 3.1.
    going_north = np.flatnonzero(np.abs(hill.heading) < 0.01)
    station = going_north[going_north.size // 2]
    left, right = hill.states.load[hill.state[station], :2]
    axle = level.states.load[level.state[station], :2].sum()
    lean = axle * math.cos(math.atan(0.09)) * 0.09 * 1.9 / 3.1
    # Loads on a slope are rounded to steps of 1 %.
    assert left - right == pytest.approx(2 * lean, abs=0.006 * axle)
    # On the way back the right one.
    going_south = np.flatnonzero(np.abs(np.abs(hill.heading) - math.pi) < 0.01)
    station = going_south[going_south.size // 2]
    left, right = hill.states.load[hill.state[station], :2]
    assert right - left == pytest.approx(2 * lean, abs=0.006 * axle)


def test_uphill_the_axle_behind_carries_more_by_the_lever(log, tables, machine):
    """Going north on 9 % up, and south on 9 % down: m g sin(a) z / b moves over."""
    m = machine("c", **{"class": "combine_large"})
    t, e, n, _ = passes_over((0.0, 0.0))
    fixes = tables(log("c", 0, t, e, n, "working", tank_mass=0.0))
    north = GroundSlope(-50.0, -50.0, 10.0, np.zeros((40, 40)), np.full((40, 40), 0.09))
    hill, _ = run(*fixes, {"c": m}, rise=north)
    level, _ = run(*fixes, {"c": m})
    spots = [(k, s.axle.x) for k, s in enumerate(wheel_spots(m))]
    front_at = max(x for _, x in spots)
    front = [k for k, x in spots if x == front_at]
    rear = [k for k, x in spots if x != front_at]
    moved = []
    for heading, sign in ((0.0, 1.0), (math.pi, -1.0)):
        station = np.flatnonzero(np.abs(np.abs(hill.heading) - heading) < 0.01)[100]
        one = hill.states.load[hill.state[station]]
        two = level.states.load[level.state[station]]
        moved.append(sign * (one[rear].sum() - two[rear].sum()))
        assert sign * (one[front].sum() - two[front].sum()) < 0.0
        # Side by side nothing leans.
        assert one[front[0]] == pytest.approx(one[front[1]], rel=1e-9)
    whole = two[front + rear].sum()
    height = m_height(m)
    base = front_at - min(x for _, x in spots)
    expected = whole * math.sin(math.atan(0.09)) * height / base
    for value in moved:
        assert value == pytest.approx(expected, abs=0.01 * whole)


def m_height(m) -> float:
    """Return the height of the centre of mass of a body alone, of all it carries."""
    chain = _Chain(m, np.zeros(1), density=720.0, state="working")
    return float(chain.high[0][0])


def test_a_raster_of_heights_counts_before_heights_of_the_log(log, tables, machine):
    m = machine("c", **{"class": "combine_large"})
    t, e, n, z = passes_over((0.09, 0.0))
    tank = {"tank_mass": np.full(t.size, 5000.0), "width": np.full(t.size, 9.0)}
    level = tables(log("c", 0, t, e, n, "working", altitude=np.zeros_like(z), **tank))
    hill = tables(log("c", 0, t, e, n, "working", altitude=z, **tank))
    cells = np.full((40, 40), 0.09), np.zeros((40, 40))
    raster = GroundSlope(-50.0, -50.0, 10.0, *cells, source="heights.tif")
    by_raster, told = run(*level, {"c": m}, rise=raster)
    by_log, _ = run(*hill, {"c": m})
    station = np.flatnonzero(np.abs(by_log.heading) < 0.01)[100]
    one = by_raster.states.load[by_raster.state[station]]
    two = by_log.states.load[by_log.state[station]]
    np.testing.assert_allclose(one, two, rtol=0.01)
    (note,) = [note for note in told if note.code == "loads.slope_used"]
    assert "by heights.tif; wheels on the low side" in note.sentence
    # A bank beside the field is no ground a machine works on.
    bank = raster.without(raster.east_rise < 0.0)
    bank.east_rise[:] = 0.7
    by_bank, told = run(*level, {"c": m}, rise=bank)
    flat, _ = run(*level, {"c": m})
    assert told == []
    np.testing.assert_allclose(
        by_bank.states.load[by_bank.state[station]],
        flat.states.load[flat.state[station]],
    )


def test_a_slope_without_direction_widens_the_interval(log, tables, machine):
    m = machine("c", **{"class": "combine_large"})
    t = np.arange(0.0, 60.0)
    fixes, passes = tables(log("c", 0, t, 0.0, 2.0 * t, "working", tank_mass=5000.0))
    level, quiet = run(fixes, passes, {"c": m})
    steep, told = run(fixes, passes, {"c": m}, slope=0.08)
    np.testing.assert_allclose(steep.states.load, level.states.load)
    wheels = slice(0, 4)
    assert (steep.states.load_low[:, wheels] < level.states.load_low[:, wheels]).all()
    assert (steep.states.load_high[:, wheels] > level.states.load_high[:, wheels]).all()
    assert [n.code for n in told if n.code.startswith("loads.slope")] == [
        "loads.slope_direction"
    ]
    assert not [n for n in quiet if n.code.startswith("loads.slope")]


def test_nearly_level_ground_makes_no_more_states(log, tables, machine):
    m = machine("c", **{"class": "combine_large"})
    t, e, n, z = passes_over((0.008, 0.003), noise=0.02)
    more = {"mass_flow": 15.0}
    hill, told = run(
        *tables(log("c", 0, t, e, n, "working", altitude=z, **more)), {"c": m}
    )
    level, _ = run(*tables(log("c", 0, t, e, n, "working", **more)), {"c": m})
    assert hill.states.payload.size == level.states.payload.size
    assert not [n for n in told if n.code.startswith("loads.slope")]


def test_a_leaning_antenna_is_set_back(log, machine):
    # 3.9 m high on 6 %: 3.9 sin(atan(0.06)) = 0.2336 m, to the low side.
    t, e, n, z = passes_over((0.06, 0.0))
    ground, _ = ground_slope(
        log("c", 0, t, e, n, "working", altitude=z), settings=SETTINGS
    )
    leaning = machine(
        "c", **{"class": "combine_large", "antenna": {"tilt_compensated": False}}
    )
    north = np.arange(60.0, 240.0, 2.0)
    at = np.full(north.size, 40.0)
    path = rig_path(
        at, north, np.arange(90.0), machine=leaning, settings=SETTINGS, ground=ground
    )
    # Heading north the west is low, so the wheels stand east of what was logged.
    expected = 3.9 * math.sin(math.atan(0.06))
    assert expected == pytest.approx(0.2336, abs=1e-4)
    assert path.easting[0][200] - 40.0 == pytest.approx(expected, abs=0.02)


def test_all_wheels_together_still_carry_the_rig(log, tables, machine):
    rig = machine(
        "t",
        **{"class": "tractor_two_track", "trails": [{"class": "grain_cart_tracked"}]},
    )
    t, e, n, z = passes_over((0.10, 0.05))
    hill, _ = run(
        *tables(log("t", 0, t, e, n, "hauling", altitude=z, tank_mass=20e3)), {"t": rig}
    )
    mass = 19_000 + 13_500 + 20_000
    on_all = np.nansum(hill.states.load, axis=1) / GRAVITY
    # Across the ground it is the cosine of the slope, 11 % here or 0.6 % less; the
    # payload is a class of the capacity.
    assert (on_all < mass * 1.02).all()
    assert (on_all > mass * 0.97).all()
