"""Drawings of machines: every wheel where the machine has it, and none elsewhere."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from trafficmap.machines import class_names, read_machine
from trafficmap.machines.reference import class_machine
from trafficmap.machines.wheels import wheel_spots
from trafficmap.outputs.machine_drawing import SCALE, machine_svg, write_drawings

PAGES = Path(__file__).resolve().parents[2] / "docs" / "reference" / "machines"
SVG = "{http://www.w3.org/2000/svg}"


def wheels(drawing: str):
    """Return (ahead, right, length, width) of every wheel [m], by dots and by data."""
    out = []
    for rect in ET.fromstring(drawing).iter(f"{SVG}rect"):
        if rect.get("class") != "wheel":
            continue
        size = float(rect.get("width")) / SCALE, float(rect.get("height")) / SCALE
        middle = (
            float(rect.get("x")) / SCALE + size[0] / 2,
            float(rect.get("y")) / SCALE + size[1] / 2,
        )
        told = float(rect.get("data-ahead")), float(rect.get("data-right"))
        out.append((told, middle, size))
    return out


@pytest.mark.parametrize("name", class_names())
def test_the_wheels_drawn_are_the_wheels_of_the_class(name):
    machine = class_machine(name)
    drawn = wheels((PAGES / f"{name}.svg").read_text(encoding="utf-8"))
    spots = wheel_spots(machine)
    assert len(drawn) == len(spots)
    origins = [0.0]
    for hitch, body in zip(machine.hitches, machine.bodies[1:], strict=True):
        origins.append(origins[-1] + hitch.x - body.coupling.x)
    first = drawn[0][1]
    for (told, middle, size), spot in zip(drawn, spots, strict=True):
        contact = spot.axle.contacts[spot.contact]
        ahead = origins[spot.body] + spot.axle.x
        assert told == pytest.approx((ahead, spot.right), abs=1e-4)
        # And the dots on paper stand as far apart as the wheels do.
        apart = middle[0] - first[0], middle[1] - first[1]
        expected = ahead - drawn[0][0][0], spot.right - drawn[0][0][1]
        assert apart == pytest.approx(expected, abs=0.01)
        long = contact.contact_length or contact.overall_diameter
        assert size == pytest.approx((long, contact.section_width), abs=0.01)


@pytest.mark.parametrize("name", class_names())
def test_the_drawing_in_the_docs_is_the_one_the_code_makes(name):
    # Draw them again with: python docs/reference/build.py
    drawn = (PAGES / f"{name}.svg").read_text(encoding="utf-8")
    assert drawn == machine_svg(class_machine(name))


def test_nothing_else_lies_among_the_drawings():
    assert sorted(path.stem for path in PAGES.glob("*.svg")) == sorted(class_names())


def test_a_wheel_moved_in_the_file_moves_in_the_drawing(tmp_path):
    machine, _ = read_machine({"class": "combine_large"}, name="c", folder=tmp_path)
    import msgspec

    axle = msgspec.structs.replace(machine.bodies[0].axles[0], track_width=4.1)
    body = msgspec.structs.replace(
        machine.bodies[0], axles=(axle, machine.bodies[0].axles[1])
    )
    wider = msgspec.structs.replace(machine, bodies=(body,))
    assert wheels(machine_svg(machine))[1][0][1] == 1.55
    assert wheels(machine_svg(wider))[1][0][1] == 2.05


def test_words_of_a_person_cannot_break_the_drawing(tmp_path):
    table = {"class": "combine_large", "label": '<b> & "x"'}
    machine, _ = read_machine(table, name="c", folder=tmp_path)
    text = machine_svg(machine, units="us")
    assert ET.fromstring(text).find(f"{SVG}title").text == '<b> & "x", from above'
    assert "5 ft" in text
    assert " lb" in text


def test_drawings_are_written_one_a_machine(tmp_path):
    rigs = {
        name: read_machine({"class": name}, name=name, folder=tmp_path)[0]
        for name in ("truck", "combine_mid")
    }
    rigs["../up"] = rigs["truck"]
    paths = write_drawings(rigs, tmp_path / "out")
    assert [path.name for path in paths] == [
        "machine_truck.svg",
        "machine_combine_mid.svg",
        "machine____up.svg",
    ]
    assert all(path.parent == tmp_path / "out" for path in paths)
    assert all(ET.fromstring(path.read_text("utf-8")) is not None for path in paths)
