"""Axle and wheel loads of rigs against free bodies worked by hand."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from trafficmap.core.constants import GRAVITY
from trafficmap.machines import class_names, read_machine
from trafficmap.machines.axles import (
    axle_loads_on_grade,
    axle_transfer,
    pressed_length,
    rig_wheel_loads,
    side_loads_on_slope,
    track_lean,
)
from trafficmap.machines.parts import Hose
from trafficmap.machines.wheels import rig_mass, wheel_spots


def rig(**table):
    return read_machine({"correction": "rtk", **table}, name="m", folder=Path())[0]


def on_axles(machine, payload=0.0, **more):
    """Return the load of each axle [N] by body number and name."""
    loads = rig_wheel_loads(machine, np.array([payload]), **more)[0]
    out: dict = {}
    for spot, load in zip(wheel_spots(machine), loads, strict=True):
        key = (spot.body, spot.axle.name)
        out[key] = out.get(key, 0.0) + load
    return out


def test_a_pull_at_the_drawbar_moves_load_to_the_rear():
    # 60 kN at 0.5 m on a wheelbase of 3.0 m: 10 kN.
    plain = on_axles(rig(**{"class": "tractor_front_assist"}))
    pulling = on_axles(rig(**{"class": "tractor_front_assist", "pull_kn": 60.0}))
    rear, front = axle_transfer(60e3, height=0.5, wheelbase=3.0)
    assert rear == pytest.approx(10e3)
    assert pulling[0, "rear"] - plain[0, "rear"] == pytest.approx(rear)
    assert pulling[0, "front"] - plain[0, "front"] == pytest.approx(front)
    # Lifted, or on the road, nothing pulls.
    table = {"class": "tractor_front_assist", "pull_kn": 60.0}
    assert on_axles(rig(**table), state="turning") == plain


def test_bounds_of_a_pull_are_half_and_half_again():
    table = {"class": "tractor_front_assist", "pull_kn": 60.0}
    told = [on_axles(rig(**table), pull_bound=b)[0, "rear"] for b in (-1, 0, 1)]
    assert told[1] - told[0] == pytest.approx(5e3)
    assert told[2] - told[1] == pytest.approx(5e3)


def test_a_cart_that_rolls_pulls_at_its_coupling():
    # One axle, 5.2 m behind the coupling at 0.5 m: P = r R, and moments about the
    # axle: V 5.2 = m g x + P 0.5. Rear axle of the tractor: + P h / b + V (b + c) / b.
    machine = rig(
        **{"class": "tractor_front_assist", "trails": [{"class": "grain_cart_single"}]}
    )
    load, r = 20e3, 0.08
    still = on_axles(machine, load, density=720.0, state="hauling")
    rolls = on_axles(
        machine, load, density=720.0, state="hauling", rolling_resistance=r
    )
    weight = (7000 + load) * GRAVITY
    moment = (7000 * 0.08 + load * 0.10) * 5.2 * GRAVITY
    hitch = (moment + 0.5 * r * weight) / (5.2 + 0.5 * r)
    assert rolls[1, "axle"] == pytest.approx(weight - hitch)
    pull = r * (weight - hitch)
    assert hitch * 5.2 == pytest.approx(moment + 0.5 * pull)
    rear, front = axle_transfer(
        pull, height=0.5, wheelbase=3.0, hitch_load=hitch, behind=1.2
    )
    empty = 13_000 * GRAVITY
    assert rolls[0, "rear"] == pytest.approx(0.6 * empty + rear)
    assert rolls[0, "front"] == pytest.approx(0.4 * empty + front)
    assert rolls[0, "rear"] > still[0, "rear"]
    # Standing by the combine nothing rolls.
    stands = on_axles(
        machine, load, density=720.0, state="loading", rolling_resistance=r
    )
    assert stands == pytest.approx(still)


def test_uphill_loads_the_rear_as_the_free_body_does():
    machine = rig(**{"class": "tractor_front_assist"})
    loads = on_axles(machine, pitch=0.08)
    rear, front = axle_loads_on_grade(
        13_000 * GRAVITY, grade=0.08, cg_height=1.1, cg_from_rear=1.2, wheelbase=3.0
    )
    assert loads[0, "rear"] == pytest.approx(rear)
    assert loads[0, "front"] == pytest.approx(front)


def test_a_cart_uphill_is_held_at_its_coupling():
    # Its weight down the slope, held 0.5 m up and acting 1.8 m up: nose up.
    machine = rig(
        **{"class": "tractor_front_assist", "trails": [{"class": "grain_cart_single"}]}
    )
    grade = 0.10
    alpha = math.atan(grade)
    loads = on_axles(machine, density=720.0, state="hauling", pitch=grade)
    weight = 7000 * GRAVITY
    hitch = (
        weight * (math.cos(alpha) * 0.08 * 5.2 - math.sin(alpha) * (1.8 - 0.5)) / 5.2
    )
    assert loads[1, "axle"] == pytest.approx(weight * math.cos(alpha) - hitch)
    total = (13_000 + 7000) * GRAVITY * math.cos(alpha)
    assert sum(loads.values()) == pytest.approx(total)


def test_the_low_wheel_carries_more_as_on_paper():
    machine = rig(**{"class": "tractor_front_assist"})
    loads = rig_wheel_loads(machine, np.zeros(1), roll=0.05)[0]
    level = on_axles(machine)
    down, up = side_loads_on_slope(
        level[0, "rear"], slope=0.05, cg_height=1.1, track_width=2.0
    )
    # Slots: front left, front right, rear left, rear right; the right side is low.
    assert loads[3] == pytest.approx(down)
    assert loads[2] == pytest.approx(up)
    mirrored = rig_wheel_loads(machine, np.zeros(1), roll=-0.05)[0]
    assert mirrored.tolist() == pytest.approx(loads[[1, 0, 3, 2]].tolist())


def test_duals_lean_by_place_and_share():
    machine = rig(**{"class": "tractor_articulated"})
    spots = wheel_spots(machine)
    level = rig_wheel_loads(machine, np.zeros(1))[0]
    lean = rig_wheel_loads(machine, np.zeros(1), roll=0.06)[0]
    shift = lean - level * math.cos(math.atan(0.06))
    front = [k for k, spot in enumerate(spots) if spot.body == 0]
    moment = sum(shift[k] * spots[k].right for k in front)
    height, weight = 1.2, 12_500 * GRAVITY
    assert moment == pytest.approx(
        weight * math.sin(math.atan(0.06)) * height, rel=1e-9
    )
    ratio = [shift[k] / (spots[k].right * spots[k].share) for k in front]
    assert ratio == pytest.approx([ratio[0]] * len(front))


def test_a_single_centre_wheel_leaves_the_leaning_to_the_others():
    machine = rig(**{"class": "manure_rig"})
    level = rig_wheel_loads(machine, np.zeros(1))[0]
    lean = rig_wheel_loads(machine, np.zeros(1), roll=0.05)[0]
    cos, sin = math.cos(math.atan(0.05)), math.sin(math.atan(0.05))
    assert lean[0] == pytest.approx(level[0] * cos)
    moment = 0.5 * 2.4 * (lean[2] - lean[1])
    assert moment == pytest.approx(17_000 * GRAVITY * sin * 1.7)


def test_a_wheel_that_would_lift_carries_nothing():
    machine = rig(**{"class": "tractor_front_assist"})
    loads = rig_wheel_loads(machine, np.zeros(1), roll=1.2)[0]
    assert loads.min() == 0.0
    cos = math.cos(math.atan(1.2))
    assert loads.sum() == pytest.approx(13_000 * GRAVITY * cos)


@pytest.mark.parametrize("name", class_names())
@pytest.mark.parametrize("slope", [(0.0, 0.0), (0.12, 0.0), (-0.07, 0.09)])
def test_all_wheels_carry_the_whole_rig_on_any_slope(name, slope):
    machine = rig(**{"class": name})
    carried = 0.7 * machine.capacity(720.0)
    loads = rig_wheel_loads(
        machine,
        np.array([carried]),
        density=720.0,
        pitch=slope[0],
        roll=slope[1],
        rolling_resistance=0.07,
    )
    across = math.prod(math.cos(math.atan(s)) for s in slope)
    mass = float(rig_mass(machine, carried))
    assert loads.sum() == pytest.approx(mass * GRAVITY * across, rel=1e-9)
    assert (loads >= 0).all()


def test_a_toolbar_in_the_ground_carries_itself_by_half():
    machine = rig(**{"class": "hose_tractor"})
    works = rig_mass(machine, 0.0, state="working")
    turns = rig_mass(machine, 0.0, state="turning")
    assert turns - works == pytest.approx(0.5 * 3500)
    # Lifted it hangs 2 m behind the rear axle: the front is lighter on end rows.
    hose = on_axles(machine, state="turning")
    bare = on_axles(
        rig(**{"class": "hose_tractor", "hose": {"dragged_m": 0.0}}), state="turning"
    )
    assert bare[0, "front"] == pytest.approx(
        GRAVITY * (17_000 * 0.4 - 3500 * 2.0 / 3.05)
    )
    # And the hose drags on end rows as well.
    assert hose[0, "rear"] > bare[0, "rear"]


def test_a_hose_weighs_and_pulls():
    # Water in 5, 6 and 8 in is 12.7, 18.2 and 32.4 kg a metre.
    for inches, mass in ((5, 12.7), (6, 18.2), (8, 32.4)):
        hose = Hose(
            inner_m=0.0254 * inches,
            dragged_m=1.0,
            friction=1.0,
            hose_kg_m=0.0,
            density_kg_m3=1000.0,
        )
        assert hose.pull / GRAVITY == pytest.approx(mass, abs=0.05)


def test_tracks_that_tip_press_on_a_shorter_length():
    # 19 t 0.1 m ahead of the middle, 60 kN at 0.5 m: e = 0.1 - 30 / 186.3 = -0.061 m.
    machine = rig(**{"class": "tractor_two_track", "pull_kn": 60.0})
    lean = track_lean(machine, 0.0, density=720.0)
    expected = 0.1 - 60e3 * 0.5 / (19_000 * GRAVITY)
    assert lean == {0: pytest.approx(expected)}
    assert pressed_length(2.6, expected) == pytest.approx(2.6 - 2 * abs(expected))
    assert pressed_length(2.0, 0.9) == 0.5
    from trafficmap.loads.wheel_paths import wheel_table

    wheels, _ = wheel_table({"m": machine}, density=720.0)
    length = 2.6 - 2 * abs(expected)
    assert wheels["contact_length"].tolist() == pytest.approx([length, length])
    weight = 19_000 * GRAVITY
    assert wheels["pressure"][0] == pytest.approx(0.5 * weight / (0.762 * length))
    # Oscillating tracks of a cart press evenly whatever pulls.
    cart = rig(
        **{"class": "tractor_two_track", "trails": [{"class": "grain_cart_tracked"}]}
    )
    wheels, _ = wheel_table({"c": cart}, density=720.0)
    assert wheels["contact_length"].tolist()[2:] == [2.5, 2.5]


def test_payload_moves_back_as_it_fills():
    # The centre of grain goes from 0.4 to 0.6 m behind the front axle: half full 0.5.
    machine = rig(**{"class": "combine_large"})
    half = 0.5 * machine.capacity(720.0)
    empty, filled = (
        on_axles(machine, 0.0, density=720.0),
        on_axles(machine, half, density=720.0),
    )
    gained = filled[0, "rear"] - empty[0, "rear"]
    assert gained == pytest.approx(half * GRAVITY * 0.5 / 3.8)
