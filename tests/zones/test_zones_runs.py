"""Which way to drive a zone, and how long the runs are."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from trafficmap.core.grid import FieldGrid
from trafficmap.core.ground import GroundSlope
from trafficmap.core.settings.zones import ZoneSettings
from trafficmap.zones.drivable import Size, run_lengths
from trafficmap.zones.runs import contour, mean_run, track_headings, with_runs
from trafficmap.zones.units import Units

SETTINGS = ZoneSettings()


def units_of(mask, *, heading=0.0, cell=1.0):
    label = np.where(mask, 1, 0).astype(np.int32)
    grid = FieldGrid(32616, 0.0, label.shape[0] * cell, cell, *label.shape)
    table = pd.DataFrame({"unit": [0, 1], "kind": ["rest", "body"]})
    return Units(table, label, grid, heading)


def paths_of(*tracks):
    """Stations along straight tracks: (easting, northing, heading [deg], load [N])."""
    parts = []
    for easting, northing, heading, load in tracks:
        step = np.arange(0.0, 60.0, 0.5)
        angle = math.radians(heading)
        parts.append(
            (easting + step * math.sin(angle), northing + step * math.cos(angle),
             np.full(step.size, angle), np.full(step.size, load))
        )  # fmt: skip
    east, north, heading, load = (
        np.concatenate(part) for part in zip(*parts, strict=True)
    )
    loads, state = np.unique(load, return_inverse=True)
    return SimpleNamespace(
        easting=east, northing=north, heading=heading, state=state,
        states=SimpleNamespace(load=loads[:, None]),
    )  # fmt: skip


def block(rows, cols, shape=(120, 120)):
    mask = np.zeros(shape, dtype=bool)
    mask[rows, cols] = True
    return mask


def run(mask, paths, field, *, heading=0.0, tool=None):
    units = units_of(mask, heading=heading)
    out = with_runs(units, paths=paths, field=field, settings=SETTINGS, tool=tool)
    return out.table.loc[1, "run_heading"], out.table.loc[1, "run_words"]


def test_runs_go_across_the_tracks(make_field, ripper):
    mask = block(slice(20, 100), slice(20, 100))
    heading, words = run(mask, paths_of((60, 30, 0, 9e4)), make_field(), tool=ripper)
    assert heading == pytest.approx(90.0)
    assert words == "drive across the tracks, east-west"


def test_both_ends_of_a_track_are_one_direction(make_field, ripper):
    mask = block(slice(20, 100), slice(20, 100))
    paths = paths_of((50, 30, 20, 9e4), (60, 90, 200, 9e4))
    heading, _ = run(mask, paths, make_field(), tool=ripper)
    assert heading == pytest.approx(110.0)


def test_the_heaviest_tracks_count_most():
    units = units_of(block(slice(0, 120), slice(0, 120)))
    paths = paths_of((60, 30, 0, 1e4), (30, 60, 90, 9e4))
    heading, order = track_headings(units, paths)
    assert math.degrees(heading[1]) == pytest.approx(90.0)
    assert order[1] == pytest.approx(0.8)  # (9 - 1) / (9 + 1)
    assert math.isnan(heading[0])


def test_a_narrow_strip_is_not_driven_across(make_field, ripper):
    mask = block(slice(10, 110), slice(50, 58))
    heading, words = run(mask, paths_of((54, 30, 0, 9e4)), make_field(), tool=ripper)
    assert heading == pytest.approx(0.0)
    assert "along the strip" in words


def test_a_strip_just_wide_enough_is_crossed_at_an_angle(make_field, ripper):
    mask = block(slice(10, 110), slice(45, 75))
    heading, words = run(mask, paths_of((60, 30, 0, 9e4)), make_field(), tool=ripper)
    assert heading in (pytest.approx(60.0), pytest.approx(120.0))
    assert "at an angle across the tracks" in words


def test_slopes_are_worked_along_the_contour(make_field, ripper):
    mask = block(slice(20, 100), slice(20, 100))
    paths = paths_of((60, 30, 0, 9e4))
    heading, words = run(mask, paths, make_field(slope=0.03), tool=ripper)
    assert math.isnan(heading)
    assert words == "drive along the contour, never up and down the hill"
    _, words = run(mask, paths, make_field(slope=0.02), tool=ripper)
    assert "across the tracks" in words


@pytest.mark.parametrize(
    ("rise", "expected", "words"),
    [
        ((0.05, 0.0), 0.0, "north-south"),  # rises to the east
        ((0.0, -0.05), 90.0, "east-west"),
        ((0.03, 0.03), 135.0, "northwest-southeast"),
    ],
)
def test_heights_tell_which_way_the_contour_runs(
    make_field, ripper, rise, expected, words
):
    mask = block(slice(20, 100), slice(20, 100))
    cells = [np.full((12, 12), value) for value in rise]
    field = make_field(slope=0.05, ground=GroundSlope(0.0, 0.0, 10.0, *cells))
    heading, told = run(mask, paths_of((60, 30, 0, 9e4)), field, tool=ripper)
    assert heading == pytest.approx(expected, abs=1e-9)
    assert told == f"drive along the contour, {words}, never up and down the hill"


def test_both_sides_of_a_ridge_have_one_contour_and_a_knoll_has_none():
    grid = FieldGrid(32616, 0.0, 120.0, 1.0, 120, 120)
    mask = np.ones((120, 120), dtype=bool)
    at = (np.arange(12) + 0.5) * 10.0 - 60.0
    east, north = np.meshgrid(at, at)
    ridge = GroundSlope(0.0, 0.0, 10.0, -0.05 * np.sign(east), 0.0 * north)
    assert math.degrees(contour(ridge, mask, grid)) % 180.0 == pytest.approx(0.0)
    knoll = GroundSlope(0.0, 0.0, 10.0, -1e-3 * east, -1e-3 * north)
    assert math.isnan(contour(knoll, mask, grid))
    assert math.isnan(contour(None, mask, grid))
    unknown = knoll.without(np.ones((12, 12), dtype=bool))
    assert math.isnan(contour(unknown, mask, grid))


def test_where_tracks_run_every_way_the_rows_count(make_field, ripper):
    mask = block(slice(0, 120), slice(0, 120))
    paths = paths_of((60, 30, 0, 5e4), (30, 60, 90, 5e4))
    heading, words = run(
        mask, paths, make_field(), heading=math.radians(10.0), tool=ripper
    )
    assert heading == pytest.approx(100.0)
    assert "across the rows" in words


@pytest.mark.parametrize("turn", [0.0, 17.0, 45.0, 73.0, 90.0])
def test_lengths_of_runs_do_not_depend_on_how_the_cells_lie(turn):
    """A rectangle of 20 x 60 m is 60 m long along itself at any turn."""
    row, col = np.mgrid[0:140, 0:140]
    angle = math.radians(turn)
    east, north = col - 70.0, 70.0 - row
    along = east * math.sin(angle) + north * math.cos(angle)
    right = east * math.cos(angle) - north * math.sin(angle)
    mask = (np.abs(along) <= 30.0) & (np.abs(right) <= 10.0)
    lengths = run_lengths(mask, heading=angle, cell=1.0, width=5.0)
    assert mean_run(lengths) == pytest.approx(60.0, abs=3.0)
    across = run_lengths(mask, heading=angle + math.pi / 2, cell=1.0, width=5.0)
    assert mean_run(across) == pytest.approx(20.0, abs=3.0)


def size_of(width=5.0, **changes):
    made = ZoneSettings(**changes)
    return Size(width, settings=made, cell=1.0, heading=0.0)


def test_a_crooked_line_is_not_taken_for_a_run_as_long_as_its_box():
    """An L of two short legs reaches far along the rows; no run is that long."""
    size = size_of(min_length=40.0, min_area=100.0)
    legs = block(slice(20, 45), slice(20, 32)) | block(slice(33, 45), slice(20, 50))
    assert not size.long_enough(legs)
    straight = block(slice(20, 65), slice(20, 32))
    assert size.long_enough(straight)


def test_a_slanted_strip_is_long_in_its_own_direction():
    row, col = np.mgrid[0:120, 0:120]
    strip = np.abs(row - col) <= 5
    assert size_of(min_length=100.0).long_enough(strip)


def test_a_track_along_the_fence_grows_inward_to_a_full_width():
    size = size_of(min_area=100.0)
    seeds = block(slice(0, 120), slice(0, 1))
    grown = size.grow(seeds, free=np.ones((120, 120), dtype=bool))
    wide = grown.sum(axis=1)
    assert wide[20:100].min() >= size.narrowest
    assert not size.without_tongues(grown)[60, 0] < grown[60, 0]


def test_tongues_narrower_than_the_tool_go_and_corners_stay():
    size = size_of(min_area=100.0)
    square = block(slice(20, 80), slice(20, 80))
    np.testing.assert_array_equal(size.without_tongues(square), square)
    with_tongue = square | block(slice(48, 51), slice(80, 115))
    out = size.without_tongues(with_tongue)
    assert not out[:, 84:].any()
    np.testing.assert_array_equal(out[square], square[square])


def test_ground_with_no_room_for_the_tool_takes_no_zone():
    size = size_of(width=12.0, min_area=10.0)
    free = block(slice(0, 120), slice(0, 9))
    assert not size.has_room(free)
    assert not size.grow(free, free=free).any()
