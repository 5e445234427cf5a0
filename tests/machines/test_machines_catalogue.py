"""Every value of the catalogue has a range, a mark, and a place a person can see."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from trafficmap.core.errors import SettingsError
from trafficmap.machines import axle_report, class_names, read_machine
from trafficmap.machines.catalogue import (
    attachment_names,
    attachment_range,
    generic_attachment,
    ranged_values,
)
from trafficmap.machines.reference import class_machine, classes_page
from trafficmap.machines.validate import DENSITY_MAIZE
from trafficmap.machines.wheels import rig_mass

MARKS = {"memory", "press", "abstract", "extension", "choice"}


def rig(**table):
    return read_machine(table, name="m", folder=Path())


@pytest.mark.parametrize("name", class_names())
def test_every_value_lies_in_its_range_and_has_a_mark(name):
    values = ranged_values(name)
    assert len(values) > 12
    for row in values:
        assert row.low <= row.value <= row.high, row
        assert row.low < row.high, row
        assert row.mark in MARKS


@pytest.mark.parametrize("name", class_names())
def test_wheels_and_hitch_carry_what_the_class_weighs(name):
    # Empty and full, within 1 % (it is exact but for rounding).
    machine, _ = rig(**{"class": name})
    rows = axle_report(machine)
    assert sum(row.lightest for row in rows) <= rig_mass(
        machine, 0.0, state="hauling"
    ) * (1 + 1e-9)
    full = machine.capacity(DENSITY_MAIZE)
    from trafficmap.core.constants import GRAVITY
    from trafficmap.machines.axles import rig_wheel_loads

    loads = rig_wheel_loads(
        machine, np.array([0.0, full]), density=DENSITY_MAIZE, state="hauling"
    )
    for load, payload in zip(loads.sum(axis=1), (0.0, full), strict=True):
        mass = float(rig_mass(machine, payload, state="hauling"))
        assert load / GRAVITY == pytest.approx(mass, rel=0.01)


def test_anchors_of_the_combines():
    # Farm press: 80 to 85 % of a combine in work trim on the front axle; a class 8 to
    # 10 fully loaded up to 35.8 t; a 12-row above 400 bu more than 22.7 t.
    for name, least, most in (
        ("combine_mid", 0.78, 0.83),
        ("combine_large", 0.795, 0.85),
        ("combine_tracked", 0.795, 0.85),
    ):
        front, rear = axle_report(rig(**{"class": name})[0])
        share = front.heaviest / (front.heaviest + rear.heaviest)
        assert least < share < most
    front, rear = axle_report(rig(**{"class": "combine_large"})[0])
    assert 22_700 < front.heaviest + rear.heaviest < 35_800
    # A class 6 to 7 with an 8-row head weighs full about what its parts weigh.
    front, _ = axle_report(rig(**{"class": "combine_mid"})[0])
    assert front.heaviest == pytest.approx(20_200, abs=100)


def test_the_articulated_tractor_stands_near_half_and_half_under_its_pull():
    # Farm press: near 50/50; 57/43 standing, and the rear gains from the drawbar.
    from trafficmap.machines.axles import rig_wheel_loads

    machine, _ = rig(**{"class": "tillage_tractor"})
    loads = rig_wheel_loads(machine, np.zeros(1), state="working")[0]
    front = loads[:4].sum() / loads.sum()
    assert 0.45 < front < 0.55


@pytest.mark.parametrize("name", attachment_names())
def test_every_attachment_lies_in_its_range(name):
    item = generic_attachment(name)
    for key, value in item.items():
        if isinstance(value, int | float):
            low, high = attachment_range(name, key)
            assert low <= value <= high


def test_a_header_by_name_stands_for_its_numbers():
    plain, _ = rig(**{"class": "combine_large"})
    corn, _ = rig(**{"class": "combine_large", "attachment": "corn_head_16_row"})
    none, _ = rig(**{"class": "combine_large", "attachment": []})
    assert corn.bodies[0].attachments[0].name == "corn head, 16 rows"
    assert corn.width == pytest.approx(16 * 0.762)
    assert float(rig_mass(corn, 0.0) - rig_mass(none, 0.0)) == 5000
    heavy = axle_report(corn)[0].heaviest - axle_report(none)[0].heaviest
    # It hangs 2.3 m ahead of the front axle on a wheelbase of 3.8 m.
    assert heavy == pytest.approx(5000 * (3.8 + 2.3) / 3.8)
    assert plain.bodies[0].attachments[0].name == "header"


def test_a_tractor_takes_ballast_and_a_tool_together():
    machine, _ = rig(
        **{
            "class": "tractor_front_assist",
            "attachment": [
                "front_ballast",
                {"name": "chisel, mounted", "mass_kg": 3000, "cg_x": -2.2},
            ],
        }
    )
    assert [item.mass_kg for item in machine.bodies[0].attachments] == [1200, 3000]


def test_an_unknown_header_is_refused_with_the_nearest():
    said = "attachment: got 'corn_hed_12_row', need a table or one of the known names."
    with pytest.raises(SettingsError, match=re.escape(said)) as caught:
        rig(**{"class": "combine_large", "attachment": "corn_hed_12_row"})
    assert caught.value.hint == "write corn_head_12_row"


def test_the_classes_a_farm_needs_are_there():
    page = classes_page()
    for name in class_names():
        assert f"\n## {name}\n" in page
        assert f"(machines/{name}.svg)" in page
    for name in attachment_names():
        assert f"| {name} |" in page
    steered = {
        name: [
            axle.name for axle in class_machine(name).bodies[0].axles if axle.steered
        ]
        for name in class_names()
        if name.startswith("tanker")
    }
    assert steered == {
        "tanker_single": [],
        "tanker_tandem": [],
        "tanker_tandem_steered": ["rear"],
        "tanker_triple": ["bogie front", "bogie rear"],
    }


def test_a_tandem_with_one_steered_axle_turns_about_the_other():
    machine, _ = rig(**{"class": "tanker_tandem_steered"})
    tanker = machine.bodies[1]
    assert tanker.reference_axle == "front"
    # The load acts in the middle of both axles, 0.95 m behind the one it turns about.
    assert dict(tanker.load_points())["bogie"] == pytest.approx(-0.95)
