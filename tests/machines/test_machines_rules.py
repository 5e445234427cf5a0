"""What is checked of a machine, axles from a scale, and the words a person reads."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from trafficmap.core.errors import SettingsError
from trafficmap.machines import axle_report, read_machine
from trafficmap.machines.describe import length_words, load_words, wheel_places

TWO_AXLES = """
schema = 1
id = "machine"
class = "combine"
reference_axle = "{reference}"
[antenna]
x = {antenna}
correction = "rtk"
[mass]
{mass}
[[axle]]
name = "front"
x = 0.0
track_width = {track}
[[axle.contact]]
designation = "800/65R32"
pressure_kpa = 200
[[axle]]
name = "rear"
x = -3.8
track_width = 3.0
steered = true
[[axle.contact]]
designation = "500/70R24"
pressure_kpa = 200
"""
DEFAULTS = {
    "reference": "front",
    "antenna": 1.2,
    "mass": "empty_kg = 18000\nempty_front_share = 0.62",
    "track": 3.05,
}


@pytest.fixture
def written(tmp_path):
    def read(text=TWO_AXLES, **changes):
        body = text.format(**{**DEFAULTS, **changes})
        (tmp_path / "m.toml").write_text(body, encoding="utf-8")
        return read_machine({"file": "m.toml"}, name="m", folder=tmp_path)

    return read


def rig(**table):
    return read_machine({"correction": "rtk", **table}, name="m", folder=Path())


def test_the_stated_share_comes_out_again(written):
    machine, notes = written()
    front, rear = axle_report(machine)
    assert front.lightest / (front.lightest + rear.lightest) == pytest.approx(0.62)
    assert front.lightest + rear.lightest == pytest.approx(18_000)
    assert notes == []


def test_a_steered_axle_is_no_reference(written):
    text = TWO_AXLES.replace("x = 0.0", "x = 3.8").replace("x = -3.8", "x = 0.0")
    said = "machine: the reference axle rear is steered, need one that is not."
    with pytest.raises(SettingsError, match=re.escape(said)) as caught:
        written(text, reference="rear")
    assert "middle" in caught.value.hint


def test_an_antenna_off_the_machine_is_doubted(written):
    _, notes = written(antenna=9.0)
    assert [note.code for note in notes] == ["machines.antenna_outside"]


def test_wheels_in_one_place_are_doubted(written):
    # Tyres 0.8 m wide, 0.6 m apart: they would run through each other.
    _, notes = written(track=0.6)
    assert [note.code for note in notes] == ["machines.wheels_overlap"]
    assert notes[0].sentence == (
        "m: wheels of machine, axle front, would stand in one place; check x, "
        "track_width and lateral_offset."
    )
    # A bogie of 1.95 m wheels 1.8 m apart, as one was once in the catalogue.
    short = TWO_AXLES.replace("x = -3.8", "x = -1.4")
    _, notes = written(short)
    assert notes[0].code == "machines.wheels_overlap"
    assert "axles front and rear" in notes[0].sentence


def test_a_body_that_nothing_holds_level_is_refused(tmp_path):
    one = """
schema = 1
id = "stool"
class = "tractor"
reference_axle = "tracks"
[mass]
empty_kg = 9000
empty_cg_x = 0.0
[[axle]]
name = "tracks"
x = 0.0
track_width = 2.2
[[axle.contact]]
kind = "track"
width = 0.7
contact_length = 2.4
mount = "{mount}"
"""
    for mount, fine in (("rigid", True), ("oscillating", False)):
        (tmp_path / "m.toml").write_text(one.format(mount=mount), encoding="utf-8")
        if fine:
            read_machine({"file": "m.toml"}, name="m", folder=tmp_path)
            continue
        said = "stool: stands on one axle and nothing holds it level."
        with pytest.raises(SettingsError, match=re.escape(said)):
            read_machine({"file": "m.toml"}, name="m", folder=tmp_path)


def test_axles_from_a_scale_come_out_again(written):
    mass = "weighed_kg = { front = 11160, rear = 6840 }\ncg_z = 1.9"
    machine, notes = written(mass=mass)
    front, rear = axle_report(machine)
    assert (front.lightest, rear.lightest) == pytest.approx((11_160, 6840))
    assert machine.bodies[0].mass.empty_kg == pytest.approx(18_000)
    assert machine.bodies[0].mass.cg_z == 1.9
    assert machine.bodies[0].mass_spread == 0.03
    assert notes == []


def test_the_head_was_on_when_it_was_weighed():
    machine, notes = rig(
        **{
            "class": "combine_large",
            "attachment": "corn_head_12_row",
            "mass": {"weighed_lb": {"front": 41000, "rear": 11500}},
        }
    )
    front, rear = axle_report(machine)
    assert front.lightest == pytest.approx(41_000 * 0.45359237)
    assert rear.lightest == pytest.approx(11_500 * 0.45359237)
    whole = (41_000 + 11_500) * 0.45359237
    assert machine.empty_mass == pytest.approx(whole - 3800)
    assert "empty mass" not in machine.assumed
    assert not any("empty mass" in note.sentence for note in notes)


def test_a_cart_is_weighed_on_its_axle_alone_or_with_its_hitch():
    alone, _ = rig(
        **{
            "class": "tractor_front_assist",
            "trails": [
                {"class": "grain_cart_single", "mass": {"weighed_kg": {"axle": 6440}}}
            ],
        }
    )
    # 8 % on the tongue as in the class: 6 440 kg are 92 % of 7 000.
    assert alone.bodies[1].mass.empty_kg == pytest.approx(7000)
    both, _ = rig(
        **{
            "class": "tractor_front_assist",
            "trails": [
                {
                    "class": "grain_cart_single",
                    "mass": {"weighed_kg": {"axle": 6600, "coupling": 400}},
                }
            ],
        }
    )
    cart = both.bodies[1]
    assert cart.mass.empty_kg == pytest.approx(7000)
    assert cart.mass.empty_cg_x == pytest.approx(400 * 5.2 / 7000)
    assert axle_report(both)[2].lightest == pytest.approx(6600)


@pytest.mark.parametrize(
    ("table", "sentence"),
    [
        (
            {"class": "combine_mid", "mass": {"weighed_kg": {"front": 9000}}},
            "machine.m.mass.weighed_kg: combine_mid stands on front, rear, need all",
        ),
        (
            {
                "class": "combine_mid",
                "mass": {"weighed_kg": {"front": 9000, "rear": 5000, "back": 1}},
            },
            "machine.m.mass.weighed_kg.back: is no axle of this machine, need front",
        ),
        (
            {
                "class": "combine_mid",
                "mass": {"weighed_kg": {"front": 900, "rear": 500}},
            },
            "machine.m.mass.weighed_kg: combine_mid weighs less than what hangs on it",
        ),
        (
            {"class": "combine_mid", "mass": {"weighed_kg": {"front": -1, "rear": 5}}},
            "machine.m.mass.weighed_kg.front: got -1, need a mass above 0",
        ),
        (
            {"class": "combine_mid", "mass": {"weighed_kg": 18000}},
            "machine.m.mass.weighed_kg: got 18000, need a mass for each axle",
        ),
        (
            {"class": "sprayer", "pull_kn": 3.0},
            "machine.m: nothing can pull at a machine without a hitch",
        ),
        (
            {"class": "hose_tractor", "hose": 200},
            "machine.m.hose: got 200, need a table of keys",
        ),
    ],
)
def test_refusals_say_what_is_needed(table, sentence):
    with pytest.raises(SettingsError, match=re.escape(sentence)):
        rig(**table)


def test_a_hose_of_another_length_pulls_in_proportion():
    far, _ = rig(**{"class": "hose_tractor", "hose": {"dragged_m": 400.0}})
    near, _ = rig(**{"class": "hose_tractor", "hose": {"dragged_m": 200.0}})
    pull = [m.bodies[0].hitches[-1].hose.pull for m in (far, near)]
    assert pull[0] == pytest.approx(2 * pull[1])
    assert near.bodies[0].hitches[-1].hose.inner_m == 0.152


def test_wheel_places_in_words():
    machine, _ = rig(
        **{
            "class": "combine_large",
            "antenna": {"x": 1.2, "y": -0.1},
            "tyre": {"front": "1250/50R32 201A8"},
        }
    )
    assert wheel_places(machine) == (
        "combine_large: front at the origin, wheels 1.55 m left and right, 18.8 to "
        "27.4 t; rear, steered, 3.80 m behind, wheels 1.52 m left and right, 5.2 to "
        "6.8 t. Antenna 1.20 m ahead, 0.10 m left"
    )
    words = wheel_places(machine, units="us")
    assert "wheels 5 ft 1 in left and right, 41,500 to 60,400 lb" in words


def test_wheel_places_of_a_pulled_body_and_its_pressure(written):
    machine, _ = rig(
        **{
            "class": "tractor_two_track",
            "trails": [{"class": "grain_cart_tracked"}],
        }
    )
    words = wheel_places(machine)
    assert "grain_cart_tracked: tracks at the origin, tracks 1.55 m" in words
    assert "; hangs on a hitch 6.00 m ahead" in words
    loaded = TWO_AXLES.replace(
        'designation = "800/65R32"',
        'designation = "800/65R32 172A8"\nref_pressure_kpa = 240',
    )
    machine, _ = written(loaded)
    # 5 580 kg a wheel of 6 355 at 240 kPa, power 1 / 0.585: 192 kPa.
    assert "needs 192 kPa full, has 200 kPa" in wheel_places(machine)


def test_masses_and_lengths_in_both_units():
    assert load_words(18_820, 27_380) == "18.8 to 27.4 t"
    assert load_words(1000, 1000, units="us") == "2,200 lb"
    assert length_words(1.55) == "1.55 m"
    assert length_words(1.55, units="us") == "5 ft 1 in"
