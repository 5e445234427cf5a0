"""Machine tables and files: what is told wins, what is not is said, rest refused."""

from __future__ import annotations

import math
import re
from pathlib import Path

import pytest

from trafficmap.core.errors import InputError, SettingsError
from trafficmap.machines import class_names, generic_machine, read_machine

HERE = Path()
CLASSES = [
    "combine_mid",
    "combine_large",
    "combine_tracked",
    "tractor_front_assist",
    "tractor_articulated",
    "tractor_two_track",
    "hose_tractor",
    "grain_cart_single",
    "grain_cart_tandem",
    "grain_cart_tracked",
    "truck",
    "tanker_single",
    "tanker_tandem",
    "tanker_tandem_steered",
    "tanker_triple",
    "manure_rig",
    "forage_harvester",
    "forage_trailer",
    "beet_harvester",
    "sprayer",
    "tillage_tractor",
]


def read(name="m", **table):
    return read_machine(table, name=name, folder=HERE)


def test_every_class_is_there():
    assert sorted(class_names()) == sorted(CLASSES)


@pytest.mark.parametrize("name", CLASSES)
def test_class_is_complete(name):
    machine, notes = read(**{"class": name})
    assert machine.class_name == name
    assert machine.label
    assert machine.empty_mass > 3000
    assert machine.bodies[0].antenna is not None
    low, high = machine.working_speed
    assert 0.4 < low < high < 9
    assert machine.min_radius >= 4
    assert machine.payload_kind in ("grain", "solid", "liquid", "none")
    assert (machine.capacity(720.0) > 0) == (machine.payload_kind != "none")
    assert machine.road_vehicle == (name == "truck")
    for body in machine.bodies:
        assert body.provenance.confidence == "catalogue"
        for axle in body.axles:
            for contact in axle.contacts:
                assert contact.section_width > 0.2
                if contact.kind == "tyre":
                    assert contact.pressure_kpa >= 100
                    assert 0.9 < contact.overall_diameter < 2.3
                else:
                    assert contact.contact_length > 1.5
    # One Note about the assumed values, worth a look, never silent.
    assert [note.code for note in notes].count("machines.assumed") == 1
    assert all(note.severity == "check" for note in notes)


def test_catalogue_can_be_changed_without_harm():
    generic_machine("truck")["body"].clear()
    assert len(generic_machine("truck")["body"]) == 2


def test_told_values_win_and_are_no_longer_assumed():
    machine, notes = read(
        name="cart",
        **{
            "class": "combine_large",
            "label": "combine, 12-row",
            "correction": "rtk",
            "mass": {"empty_kg": 19000},
            "pressure_kpa": {"front": 200, "rear": 180},
            "antenna": {"x": 1.3, "y": -0.1, "z": 4.0},
            "payload": {"capacity_m3": 12.0},
        },
    )
    body = machine.bodies[0]
    assert machine.label == "combine, 12-row"
    assert body.mass.empty_kg == 19000
    assert body.mass_spread == 0.03
    assert [axle.contacts[0].pressure_kpa for axle in body.axles] == [200, 180]
    assert (machine.antenna.x, machine.correction) == (1.3, "rtk")
    assert machine.capacity(720.0) == pytest.approx(8640)
    assert machine.assumed == ()
    assert notes == []


def test_the_note_is_one_plain_sentence():
    _, notes = read(name="cart", **{"class": "combine_mid", "correction": "rtk"})
    assert [note.sentence for note in notes] == [
        "cart: no axle load was given; empty mass 15.5 t, capacity 7.3 t, place of the "
        "antenna and tyre pressure 200 and 250 kPa are assumed from its class; weigh "
        "it and read its tyres."
    ]


def test_mass_of_an_articulated_tractor_is_shared_as_in_the_class():
    machine, _ = read(**{"class": "tractor_articulated", "mass": {"empty_kg": 26400}})
    assert [body.mass.empty_kg for body in machine.bodies] == [15000, 11400]


def test_pounds_and_psi_are_understood():
    machine, _ = read(
        **{
            "class": "combine_mid",
            "mass": {"empty_lb": 40000},
            "pressure_psi": 29,
            "payload": {"capacity_bu": 300},
        }
    )
    assert machine.empty_mass == pytest.approx(18143.7, abs=0.1)
    pressure = machine.bodies[0].axles[0].contacts[0].pressure_kpa
    assert pressure == pytest.approx(29 * 6.894757293)
    assert machine.bodies[0].payload.capacity_m3 == pytest.approx(10.572, abs=1e-3)


def test_trails_hang_on_the_last_hitch():
    machine, _ = read(
        **{
            "class": "tractor_articulated",
            "trails": [{"class": "grain_cart_single", "mass": {"empty_kg": 9000}}],
        }
    )
    assert [body.id for body in machine.bodies] == [
        "tractor_articulated front",
        "tractor_articulated rear",
        "grain_cart_single",
    ]
    assert [hitch.kind for hitch in machine.hitches] == ["pivot", "drawbar"]
    assert machine.bodies[2].provenance.confidence == "measured"
    assert machine.bodies[0].provenance.confidence == "catalogue"


def test_a_cart_alone_gets_a_tractor_and_a_note():
    machine, notes = read(name="cart", **{"class": "grain_cart_single"})
    assert machine.bodies[0].kind == "tractor"
    assert machine.class_name == "grain_cart_single"
    assert "machines.front_assumed" in {note.code for note in notes}


def test_tilt_without_compensation_widens_the_error():
    plain, _ = read(**{"class": "combine_mid", "correction": "rtk"})
    leaning, _ = read(
        **{
            "class": "combine_mid",
            "correction": "rtk",
            "antenna": {"tilt_compensated": False},
        }
    )
    assert plain.sigma_within == 0.015
    expected = math.hypot(0.015, 3.8 * math.sin(math.radians(2)))
    assert leaning.sigma_within == pytest.approx(expected)
    assert leaning.correction == "rtk"


@pytest.mark.parametrize(
    ("table", "sentence", "hint"),
    [
        (
            {"class": "combine_lrge"},
            "machine class: got 'combine_lrge'",
            "combine_large",
        ),
        ({"clas": "truck"}, "machine.m.clas: is not a key", "class"),
        ({}, "machine.m: need either a class or a machine file", "class ="),
        (
            {"class": "truck", "mass": {"empty_kg": 1.0, "cg_z": 1.0}},
            "machine.m.mass: this class has 2 bodies",
            "machine file",
        ),
        (
            {"class": "combine_mid", "mass": {"empti_kg": 1.0}},
            "machine.m.mass.empti_kg: is not a key",
            "empty_kg",
        ),
        (
            {"class": "combine_mid", "mass": {"empty_kg": -1}},
            "machine.m.mass.empty_kg: expected `float` > 0.0.",
            "keys",
        ),
        (
            {"class": "combine_mid", "mass": {"empty_kg": math.nan}},
            "machine.m.mass.empty_kg: got nan, need a plain number.",
            "leave the key out",
        ),
        (
            {"class": "combine_mid", "mass": {"empty_kg": "heavy"}},
            "machine.m.mass.empty_kg: expected `float`, got `str`.",
            "keys",
        ),
        (
            {"class": "combine_mid", "mass": 3},
            "machine.m.mass: got 3, need a table of keys.",
            "mass = {",
        ),
        (
            {"class": "combine_mid", "pressure_kpa": {"frnt": 3}},
            "machine.m.pressure_kpa.frnt: is no axle",
            "front",
        ),
        (
            {"class": "combine_mid", "tyre": {"front": "round"}},
            "tyre: got 'round', need a size as on the side wall.",
            "710/70R42",
        ),
        (
            {"class": "combine_mid", "correction": "magic"},
            "machine.m.antenna.correction: invalid enum value 'magic'.",
            "keys",
        ),
        (
            {"class": "combine_mid", "trails": "cart"},
            "machine.m.trails: got 'cart', need a list of tables.",
            "trails = [",
        ),
        (
            {"class": "combine_mid", "trails": [{"class": "sprayer"}]},
            "machine.m.trails[0]: sprayer has no coupling",
            "pulling machine first",
        ),
        (
            {
                "class": "combine_mid",
                "mass": {"empty_cg_x": 0.1, "empty_front_share": 0.5},
            },
            "combine_mid: need exactly one of empty_cg_x",
            "measured",
        ),
    ],
)
def test_refusals_name_the_place_and_the_way_out(table, sentence, hint):
    with pytest.raises(SettingsError, match=re.escape(sentence)) as caught:
        read(**table)
    assert hint in caught.value.hint
    assert caught.value.exit_code == 3


CART = """
schema = 1
id = "cart-1000"
class = "grain_cart"
reference_axle = "bogie"
[coupling]
x = 5.5
[mass]
empty_kg = 9000
tongue_share = 0.08
[payload]
kind = "grain"
capacity_m3 = 35.2
tongue_share_empty = 0.10
tongue_share_full = 0.10
[[axle]]
name = "bogie front"
group = "bogie"
x = 0.95
track_width = 3.05
[[axle.contact]]
designation = "900/60R32"
[[axle]]
name = "bogie rear"
group = "bogie"
x = -0.95
track_width = 3.05
[[axle.contact]]
designation = "900/60R32"
pressure_kpa = 220
"""


def test_machine_file_is_read_from_the_field_folder(tmp_path):
    (tmp_path / "cart.toml").write_text(CART, encoding="utf-8")
    table = {"class": "tractor_two_track", "trails": [{"file": "cart.toml"}]}
    machine, notes = read_machine(table, name="t", folder=tmp_path)
    assert machine.bodies[1].id == "cart-1000"
    # One axle had no pressure: the class value, and it is said.
    assert machine.pressure_assumed == ("cart-1000/bogie front",)
    assert machine.bodies[1].axles[0].contacts[0].pressure_kpa == 300
    assert "tyre pressure 300 kPa" in notes[-1].sentence


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("[coupling]\nx = 5.5\n", "", "cart-1000 has no coupling"),
        ("x = -0.95", "x = -1.5", "the reference axle bogie is at x = -0.275 m"),
        ('group = "bogie"\nx = 0.95', "x = 0.95", "is carried at 3 places"),
        ("capacity_m3 = 35.2\n", "", "carries grain but has no capacity"),
        ('"grain"', '"solid"', "needs its density"),
        (
            'designation = "900/60R32"\npressure_kpa = 220',
            "pressure_kpa = 220",
            "no tyre size and no width is given",
        ),
        ("tongue_share_full = 0.10", "cg_x_full = 0.4", "need either cg_x_empty"),
    ],
)
def test_a_file_that_cannot_be_loaded_is_refused(tmp_path, old, new, sentence):
    text = CART.replace(old, new)
    assert text != CART
    (tmp_path / "cart.toml").write_text(text, encoding="utf-8")
    table = {"class": "tractor_two_track", "trails": [{"file": "cart.toml"}]}
    with pytest.raises(SettingsError, match=re.escape(sentence)):
        read_machine(table, name="t", folder=tmp_path)


@pytest.mark.parametrize("text", [None, "id = ", "\udcff"])
def test_a_file_that_cannot_be_read_is_refused(tmp_path, text):
    if text is not None:
        raw = text.encode("utf-8", errors="surrogateescape")
        (tmp_path / "cart.toml").write_bytes(raw)
    with pytest.raises(InputError, match=re.escape("machine.t.file: cart.toml")):
        read_machine({"file": "cart.toml"}, name="t", folder=tmp_path)


def test_told_tyre_replaces_the_class_one():
    machine, _ = read(**{"class": "combine_mid", "tyre": {"front": "900/60R38"}})
    contact = machine.bodies[0].axles[0].contacts[0]
    assert contact.section_width == pytest.approx(0.9)
    assert contact.overall_diameter == pytest.approx(38 * 0.0254 + 2 * 0.54)
