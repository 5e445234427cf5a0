"""What a machine says of itself in its logs, held against field.toml."""

from __future__ import annotations

from dataclasses import replace

import pytest

from trafficmap.field import read_field
from trafficmap.formats.logs import read_logs
from trafficmap.formats.rawlog import Described


@pytest.fixture
def described(monkeypatch):
    """Return a way to let every log carry a description."""

    def say(found):
        def read(path, **told):
            logs = read_logs(path, **told)
            return [
                replace(raw, described=found, antenna=found.antenna) for raw in logs
            ]

        monkeypatch.setattr("trafficmap.field.logs.read_logs", read)

    return say


def told(notes, code):
    return [note for note in notes if note.code == code]


def test_an_antenna_elsewhere_than_the_table_says(make_field, described):
    described(Described(device="Combine", antenna=(0.87, 0.1, 3.77)))
    field, notes = read_field(make_field(more="antenna = { x = 1.5, y = 0.1 }"))
    assert field.machines["combine"].antenna.x == 1.5
    (note,) = told(notes, "machine.antenna_differs")
    assert note.severity == "check"
    assert "the antenna of Combine sits 0.87 m ahead and 0.10 m right" in note.sentence
    assert "its table puts it 1.50 m ahead and 0.10 m right" in note.sentence
    assert "write antenna = { x = 0.87, y = 0.10 } in [machine.combine]" in (
        note.sentence
    )


@pytest.mark.parametrize("ahead", [0.87, 1.05])
def test_an_antenna_near_enough_is_not_told(make_field, described, ahead):
    described(Described(antenna=(0.87, 0.1, 3.77)))
    _, notes = read_field(make_field(more=f"antenna = {{ x = {ahead}, y = 0.1 }}"))
    assert told(notes, "machine.antenna_differs") == []


def test_an_antenna_on_no_machine(make_field, described):
    described(Described(device="Combine", antenna=(870.0, 0.0, 0.0)))
    field, notes = read_field(make_field())
    assert field.machines["combine"].antenna.x < 10.0
    (note,) = told(notes, "machine.antenna_impossible")
    assert "which is on no machine; the table was used" in note.sentence


def test_the_height_counts_from_the_ground(make_field, described):
    described(Described(antenna=(0.87, 0.1, 2.9), reference_height=0.9))
    field, notes = read_field(make_field())
    antenna = field.machines["combine"].antenna
    assert (antenna.x, antenna.y, antenna.z) == (0.87, 0.1, 3.8)
    (note,) = told(notes, "machine.antenna")
    assert "write antenna = { x = 0, y = 0 }" in note.sentence


@pytest.mark.parametrize(("width", "differs"), [(9.0, True), (6.2, False)])
def test_a_width_that_differs(make_field, described, width, differs):
    described(Described(width=width))
    more = (
        'attachment = [{ name = "header", mass_kg = 2500, cg_x = 3.0, width_m = 6.1 }]'
    )
    _, notes = read_field(make_field(more=more))
    found = told(notes, "machine.width_differs")
    assert bool(found) is differs
    if differs:
        assert "describes a working width of 9.00 m, its table says 6.10 m" in (
            found[0].sentence
        )


def test_a_hitch_that_differs(make_field, described):
    described(Described(device="Tractor", hitch=(-2.5, 0.0, 0.0), hitch_kind="drawbar"))
    more = 'trails = [{ class = "grain_cart_single" }]'
    field, notes = read_field(make_field(more=more))
    used = field.machines["combine"].hitches[0].x
    (note,) = told(notes, "machine.hitch_differs")
    assert "the hitch of Tractor (drawbar) is -2.50 m" in note.sentence
    assert f"its table has {used:.2f} m" in note.sentence
    described(Described(device="Tractor", hitch=(used, 0.0, 0.0)))
    _, notes = read_field(make_field(more=more))
    assert told(notes, "machine.hitch_differs") == []


def test_a_machine_that_says_nothing_is_compared_with_nothing(make_field, described):
    described(Described())
    _, notes = read_field(make_field())
    assert not [
        n for n in notes if n.code.startswith("machine.") and "differs" in n.code
    ]
