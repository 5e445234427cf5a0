"""Runs go on over a check strip with the tool up, and turn at anything wider."""

from __future__ import annotations

import math

import numpy as np
import pytest
from shapely import MultiPolygon, box

from trafficmap.plan.capacity import run_heading, run_lengths, run_lines, zone_time

HABIT = {"width": 5.0, "heading": 0.0, "speed": 2.0, "turn_time": 20.0, "overlap": 1.0}


def two(gap):
    return MultiPolygon([box(0, 0, 50, 100), box(0, 100 + gap, 50, 200 + gap)])


def test_a_strip_costs_the_way_over_it():
    seconds, _ = zone_time(two(5.0), **HABIT)
    assert seconds == pytest.approx(10 * (200 / 2.0 + 5.0 / 2.0 + 20.0))


def test_a_wide_gap_costs_no_more_than_a_turn():
    seconds, _ = zone_time(two(500.0), **HABIT)
    apart = 2 * zone_time(box(0, 0, 50, 100), **HABIT)[0]
    assert seconds == pytest.approx(apart)


def test_gaps_are_found_at_any_turn():
    from shapely.affinity import rotate

    shape = rotate(two(8.0), -33.0, origin=(0, 0))
    lengths, gaps = run_lines(shape, width=5.0, heading=math.radians(33.0))
    assert lengths == pytest.approx(np.full(20, 100.0))
    assert gaps == pytest.approx(np.full(10, 8.0))
    np.testing.assert_array_equal(
        run_lengths(shape, width=5.0, heading=math.radians(33.0)), lengths
    )


def test_a_whole_piece_has_no_gaps():
    lengths, gaps = run_lines(box(0, 0, 50, 100), width=5.0, heading=0.0)
    assert (lengths.size, gaps.size) == (10, 0)


def test_the_zone_says_which_way_it_is_driven():
    assert run_heading({"run_heading": 45.0}, 0.0) == pytest.approx(math.pi / 4)
    assert run_heading({"run_heading": math.nan}, 0.3) == 0.3
    assert run_heading({}, 0.3) == 0.3
