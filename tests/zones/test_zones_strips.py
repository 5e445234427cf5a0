"""Check strips lie where the next harvest can compare them."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import shapely

from trafficmap.core.grid import FieldGrid
from trafficmap.zones.strips import check_strips, harvest_width, strip_notes
from trafficmap.zones.units import Units


def units_of(label, advice, kinds=None, *, heading=0.0, cell=1.0):
    label = np.asarray(label, dtype=np.int32)
    grid = FieldGrid(32616, 0.0, label.shape[0] * cell, cell, *label.shape)
    table = pd.DataFrame({"unit": range(len(advice)), "advice": advice})
    table["kind"] = "body" if kinds is None else kinds
    return Units(table, label, grid, heading)


def block(*parts, shape=(200, 200)):
    label = np.zeros(shape, dtype=int)
    for number, (rows, cols) in enumerate(parts, start=1):
        label[rows, cols] = number
    return label


def edges(strips):
    return sorted(
        (round(shape.bounds[0], 3), round(shape.bounds[2], 3)) for _, shape in strips
    )


def test_strips_are_as_wide_as_the_header_where_there_is_room():
    units = units_of(block((slice(0, 200), slice(0, 200))), ["leave", "rip"])
    strips = check_strips(units, width=5.0, most=3, header=9.1)
    assert [b - a for a, b in edges(strips)] == [10.0] * 3
    # Left out they are whole passes: edges lie whole widths from that of the unit.
    assert all(a % 5.0 == 0.0 for a, _ in edges(strips))


def test_where_three_wide_ones_would_take_too_much_they_are_one_pass_wide():
    units = units_of(block((slice(0, 100), slice(0, 60))), ["leave", "rip"])
    strips = check_strips(units, width=5.0, most=4, header=9.1)
    assert [b - a for a, b in edges(strips)] == [5.0] * 4
    notes = strip_notes(strips, ripped=1, most=4, header=9.1)
    assert [note.code for note in notes] == ["zones.narrow_strips"]
    assert "16 ft (5.0 m) wide, the header 30 ft (9.1 m)" in notes[0].sentence


def test_wide_ones_are_shortened_before_they_are_made_narrow():
    """Three of 80 m and 10 m wide are a fifth of 200 by 60 m."""
    units = units_of(block((slice(0, 200), slice(0, 60))), ["leave", "rip"])
    strips = check_strips(units, width=5.0, most=4, header=9.1)
    assert [b - a for a, b in edges(strips)] == [10.0] * 3
    for _, shape in strips:
        _, south, _, north = shape.bounds
        assert north - south == pytest.approx(80.0)
        assert (south + north) / 2 == pytest.approx(100.0, abs=1.0)
    assert strip_notes(strips, ripped=1, most=4, header=9.1) == []


@pytest.mark.parametrize("heading", [0.0, 30.0, 90.0, 135.0])
def test_every_strip_has_ripped_ground_on_both_sides(heading):
    units = units_of(
        block((slice(20, 180), slice(30, 150))),
        ["leave", "rip"],
        heading=math.radians(heading),
    )
    ground = shapely.box(30, 20, 150, 180)
    strips = check_strips(units, width=5.0, most=4)
    assert len(strips) == 4
    left = ground.difference(shapely.union_all([shape for _, shape in strips]))
    assert len(left.geoms) == 5
    assert min(part.area for part in left.geoms) > 5.0 * 30.0


def test_strips_go_to_the_body_before_end_rows():
    label = block((slice(0, 40), slice(0, 200)), (slice(60, 200), slice(0, 100)))
    units = units_of(label, ["leave", "rip", "rip"], ["rest", "end_rows", "body"])
    assert {unit for unit, _ in check_strips(units, width=5.0, most=4)} == {2}
    only_ends = units_of(label, ["leave", "rip", "leave"], ["rest", "end_rows", "body"])
    assert {unit for unit, _ in check_strips(only_ends, width=5.0, most=4)} == {1}


def test_a_strip_moves_to_where_it_is_long_enough():
    """A unit of two wide ends and a short neck: nothing is compared in the neck."""
    label = block((slice(0, 200), slice(0, 60)))
    label[0:200, 100:160] = 1
    label[90:110, 60:100] = 1
    units = units_of(label, ["leave", "rip"])
    strips = check_strips(units, width=5.0, most=3, shortest=100.0)
    assert len(strips) == 3
    for left, right in edges(strips):
        assert right <= 60.0 or left >= 100.0


def test_strips_that_would_be_too_short_are_left_out_and_said():
    units = units_of(block((slice(0, 25), slice(0, 200))), ["leave", "rip"])
    strips = check_strips(units, width=5.0, most=4, shortest=30.5)
    assert strips == []
    notes = strip_notes(strips, ripped=1, most=4, header=None)
    assert [note.code for note in notes] == ["zones.few_strips"]
    assert "no check strip fits" in notes[0].sentence
    assert strip_notes([], ripped=0, most=4, header=None) == []
    assert strip_notes([], ripped=1, most=0, header=None) == []


def test_the_header_is_read_from_the_logs_of_harvesters_only():
    fixes = pd.DataFrame(
        {
            "machine_id": ["combine", "combine", "combine", "hose"],
            "width": [9.1, np.nan, 0.0, 12.0],
        }
    )
    machines = {
        "combine": SimpleNamespace(class_name="combine"),
        "hose": SimpleNamespace(class_name="drag_hose_tractor"),
    }
    field = SimpleNamespace(machines=machines, fixes=fixes)
    assert harvest_width(field) == 9.1
    field = SimpleNamespace(machines=machines, fixes=fixes.iloc[3:])
    assert harvest_width(field) is None
