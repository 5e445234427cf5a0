"""Contacts as measured or printed: from field.toml to the stress below the wheel."""

from __future__ import annotations

import math

import numpy as np
import pytest

from trafficmap.core.constants import GRAVITY
from trafficmap.core.errors import SettingsError
from trafficmap.core.settings.soil import SoilSettings
from trafficmap.loads.paths import LoadStates
from trafficmap.loads.wheel_paths import wheel_table
from trafficmap.machines.read import read_machine
from trafficmap.machines.tyres import contact_line
from trafficmap.soil import stress_profiles
from trafficmap.soil.contact import patch_interval
from trafficmap.soil.stress import vertical_stress_parabola4

SETTINGS = SoilSettings()


def machine(tmp_path, **keys):
    table = {"class": "combine_large", "pressure_kpa": 200, **keys}
    return read_machine(table, name="combine", folder=tmp_path)


def profiles_of(one, load):
    wheels, _ = wheel_table({"combine": one}, density=720.0)
    loads = np.full((1, len(wheels)), load)
    zero = np.zeros(1)
    states = LoadStates(
        np.array(["combine"]), zero, zero, zero, loads, loads, loads,
        np.array(["signal"]),
    )  # fmt: skip
    return stress_profiles(wheels, states, nu=4.5, settings=SETTINGS)


def front_stress(one, load):
    profiles = profiles_of(one, load)
    return profiles.stress[profiles.row_of[0, 0]].max(axis=0)


def axis(load, area, profiles):
    radius = math.sqrt(area / math.pi)
    return vertical_stress_parabola4(
        load / area, profiles.depths, radius=radius, nu=4.5
    )


def test_a_told_area_counts_before_pressure_and_size(tmp_path):
    one, notes = machine(
        tmp_path,
        contact_area_m2={"front": 0.62},
        contact_mass_kg={"front": 6000},
        contact_source="print in flour, 3 October",
    )
    load = 6000 * GRAVITY
    found = front_stress(one, load)
    np.testing.assert_allclose(
        found, axis(load, 0.62, profiles_of(one, load)), rtol=1e-6
    )
    plain, _ = machine(tmp_path)
    assert (found < front_stress(plain, load)).all()
    told = [note for note in notes if note.code == "machines.contact_told"]
    assert told[0].severity == "info"
    assert "print in flour" in told[0].sentence
    assert "axle front on" in told[0].sentence


def test_a_told_pressure_goes_to_every_axle(tmp_path):
    one, notes = machine(
        tmp_path, contact_pressure_psi=14.5038, contact_source="pad, 2025"
    )
    load = 40e3
    found = front_stress(one, load)
    np.testing.assert_allclose(
        found, axis(load, load / 1e5, profiles_of(one, load)), rtol=1e-5
    )
    assert [note.code for note in notes].count("machines.contact_told") == 1


def test_a_tyre_table_is_followed_over_load(tmp_path):
    one, _ = machine(
        tmp_path,
        contact_area_m2={"front": [0.50, 0.60]},
        contact_mass_kg={"front": [4000, 6000]},
        contact_source="tire table, 2025",
    )
    wheels, _ = wheel_table({"combine": one}, density=720.0)
    front = wheels[wheels["axle"] == "front"].iloc[0]
    area = front["contact_area"] + front["contact_slope"] * 5000 * GRAVITY
    assert area == pytest.approx(0.55)
    assert wheels[wheels["axle"] == "rear"]["contact_slope"].isna().all()


def test_a_line_never_leaves_a_patch_without_load_or_shrinks():
    # Area that falls, or would grow faster than the load: through zero instead.
    for areas in ((0.6, 0.5), (0.2, 0.6)):
        intercept, slope = contact_line(areas, (4000.0, 6000.0))
        assert intercept == 0.0
        assert slope > 0.0
    same = contact_line((0.5, 0.5), (5000.0, 5000.0))
    assert same == pytest.approx((0.0, 0.5 / (5000 * GRAVITY)))


@pytest.mark.parametrize(
    ("keys", "sentence"),
    [
        (
            {"contact_area_m2": 0.5, "contact_source": "x"},
            "contact_area_m2 and contact_mass_kg must come together.",
        ),
        (
            {"contact_area_m2": 0.5, "contact_mass_kg": 5000},
            "a told contact needs its contact_source.",
        ),
        (
            {
                "contact_area_m2": [0.5, 0.6],
                "contact_mass_kg": 5000,
                "contact_source": "x",
            },
            "got 2 areas and 1 masses, need as many.",
        ),
        (
            {
                "contact_area_m2": 0.5,
                "contact_mass_kg": 5000,
                "contact_pressure_kpa": 90,
                "contact_source": "x",
            },
            "contact_pressure_kpa and contact_area_m2 are both given.",
        ),
        (
            {"contact_area_m2": 4.9, "contact_mass_kg": 5000, "contact_source": "x"},
            "a contact of 4.9 m2 is larger than the tyre",
        ),
        (
            {"contact_pressure_kpa": "much", "contact_source": "x"},
            "expected `float | null`, got `str`",
        ),
    ],
)
def test_contacts_that_say_too_little_are_refused(tmp_path, keys, sentence):
    with pytest.raises(SettingsError) as caught:
        machine(tmp_path, **keys)
    assert sentence in str(caught.value)
    assert caught.value.hint


def test_a_contact_far_from_the_tyre_pressure_is_pointed_out(tmp_path):
    _, notes = machine(
        tmp_path, contact_pressure_kpa={"rear": 900}, contact_source="pad"
    )
    odd = [note for note in notes if note.code == "machines.contact_odd"]
    assert len(odd) == 1
    assert "axle rear presses with 900 kPa as told" in odd[0].sentence


def test_tracks_have_no_told_contact(tmp_path):
    table = {
        "class": "combine_tracked",
        "contact_pressure_kpa": {"front": 90},
        "contact_source": "pad",
    }
    # A told pressure on all axles passes tracks by; the note names tyres only.
    one, notes = read_machine(table, name="combine", folder=tmp_path)
    wheels, _ = wheel_table({"combine": one}, density=720.0)
    tracks = wheels[wheels["kind"] == "track"]
    assert len(tracks)
    assert tracks["contact_slope"].isna().all()
    assert "machines.contact_told" not in [note.code for note in notes]


def test_the_interval_holds_the_best_and_a_told_one_is_narrower():
    low, best, high = patch_interval(60e3, 200e3, width=0.8, diameter=1.85)
    assert low < best < high
    assert best == pytest.approx(0.3)
    assert high == pytest.approx(0.4588 + 0.1578 + 0.0717, abs=1e-3)
    assert patch_interval(60e3, 200e3)[2] == pytest.approx(0.6)
    told = patch_interval(60e3, 200e3, width=0.8, diameter=1.85, told=(0.0, 6e-6))
    assert told == pytest.approx((0.3, 0.36, 0.432))
