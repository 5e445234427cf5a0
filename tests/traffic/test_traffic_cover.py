"""Cover, counted by hand and against an independent polygon library."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from trafficmap.core.errors import InputError
from trafficmap.traffic import cover


def as_map(events, grid):
    out = np.zeros(grid.size)
    np.add.at(out, events.cell, events.cover)
    return out.reshape(grid.shape)


def exact_map(shape, grid):
    west, _, _, north = grid.bounds
    row, col = np.mgrid[: grid.rows, : grid.cols]
    boxes = shapely.box(
        west + col * grid.cell,
        north - (row + 1) * grid.cell,
        west + (col + 1) * grid.cell,
        north - row * grid.cell,
    )
    return shapely.area(shapely.intersection(boxes, shape)) / grid.cell_area


def test_one_wheel_up_the_middle_column(build):
    grid = build.grid(3, 3)
    paths = build.paths([{"easting": [1.5, 1.5], "northing": [0, 3], "time": [0, 3]}])
    events = cover(paths, grid=grid)
    np.testing.assert_array_equal(events.cell, [1, 4, 7])
    np.testing.assert_allclose(events.cover, 0.8, rtol=1e-12)
    np.testing.assert_allclose(events.distance, 1.0, rtol=1e-6)
    np.testing.assert_allclose(events.time, [2.5, 1.5, 0.5])
    np.testing.assert_array_equal(events.cell_start, [0, 0, 1, 1, 1, 2, 2, 2, 3, 3])


def test_two_wheels_left_and_right(build):
    grid = build.grid(3, 4)
    wheels = [{"right": -1.5, "width": 0.5}, {"right": 1.5, "width": 0.5}]
    paths = build.paths([{"easting": [2, 2], "northing": [0, 3]}], wheels=wheels)
    events = cover(paths, grid=grid)
    expected = np.zeros((3, 4))
    expected[:, 0] = expected[:, 3] = 0.5
    np.testing.assert_allclose(as_map(events, grid), expected)
    assert set(events.wheel[events.cell % 4 == 0]) == {0}
    assert set(events.wheel[events.cell % 4 == 3]) == {1}


def test_heading_says_which_side_is_right(build):
    grid = build.grid(3, 3)
    wheels = [{"right": 1.0, "width": 0.5}]
    for easting, northing, column in (
        ([1.5, 1.5], [0, 3], (slice(None), 2)),
        ([1.5, 1.5], [3, 0], (slice(None), 0)),
        ([0, 3], [1.5, 1.5], (2, slice(None))),
        ([3, 0], [1.5, 1.5], (0, slice(None))),
    ):
        paths = build.paths([{"easting": easting, "northing": northing}], wheels=wheels)
        expected = np.zeros((3, 3))
        expected[column] = 0.5
        np.testing.assert_allclose(as_map(cover(paths, grid=grid), grid), expected)


def test_forward_wheel_runs_ahead(build):
    grid = build.grid(6, 1)
    wheels = [{"forward": 2.0, "width": 1.0}]
    paths = build.paths([{"easting": [0.5, 0.5], "northing": [0, 3]}], wheels=wheels)
    events = cover(paths, grid=grid)
    np.testing.assert_allclose(as_map(events, grid)[:, 0], [0, 1, 1, 1, 0, 0])


def test_passes_that_cross_are_two_events_in_order_of_time(build):
    grid = build.grid(3, 3)
    up = {"easting": [1.5, 1.5], "northing": [-9, 12], "time": [100, 121]}
    across = {"easting": [-9, 12], "northing": [1.5, 1.5], "time": [0, 21]}
    events = cover(build.paths([up, across]), grid=grid)
    middle = slice(events.cell_start[4], events.cell_start[5])
    np.testing.assert_array_equal(events.pass_id[middle], [1, 0])
    np.testing.assert_allclose(events.time[middle], [10.5, 110.5])


@pytest.mark.parametrize("angle", [10.0, 33.0, 45.0, 80.0, 123.0, 260.0])
def test_slanting_strip_is_the_polygon_in_every_cell(build, angle):
    grid = build.grid(40, 40, cell=0.7)
    heading = np.radians(angle)
    forward = np.array([np.sin(heading), np.cos(heading)])
    right = np.array([np.cos(heading), -np.sin(heading)])
    a, b = 14 - 9 * forward, 14 + 9 * forward
    paths = build.paths(
        [
            {
                "easting": np.linspace(a[0], b[0], 37),
                "northing": np.linspace(a[1], b[1], 37),
                "heading": heading,
            }
        ],
        wheels=[{"right": 0.9, "width": 0.65}],
    )
    corners = [
        a + right * 0.575, a + right * 1.225, b + right * 1.225, b + right * 0.575
    ]  # fmt: skip
    expected = exact_map(shapely.Polygon(corners), grid)
    got = as_map(cover(paths, grid=grid), grid)
    np.testing.assert_allclose(got, expected, atol=1e-9)
    assert got.sum() * grid.cell_area == pytest.approx(18 * 0.65, rel=1e-12)


@pytest.mark.parametrize("radius", [3.0, 8.0, 25.0])
def test_arc_is_the_ring_sector(build, radius):
    grid = build.grid(60, 60)
    turn = np.linspace(0, np.pi, 721)
    centre = np.array([30.0, 25.0])
    paths = build.paths(
        [
            {
                "easting": centre[0] - radius * np.cos(turn),
                "northing": centre[1] + radius * np.sin(turn),
                "heading": turn,
            }
        ],
        wheels=[{"right": -1.5, "width": 0.8}, {"right": 1.5, "width": 0.8}],
    )
    expected = 0.0
    line = shapely.LineString
    for offset in (-1.5, 1.5):
        r = radius - offset
        track = line(centre + r * np.column_stack([-np.cos(turn), np.sin(turn)]))
        expected = expected + exact_map(track.buffer(0.4, cap_style="flat"), grid)
    got = as_map(cover(paths, grid=grid), grid)
    # Thinned to 1 cm: at most that much along the 2.5 m of edges in a cell.
    np.testing.assert_allclose(got, expected, atol=0.03)
    assert got.sum() == pytest.approx(2 * np.pi * radius * 0.8, rel=2e-3)


def test_wheel_that_turns_about_itself_sweeps_both_halves(build):
    # The wheel stands under the turn centre: heading turns a quarter, place does not
    # move. Both halves of its width sweep a triangle of legs 0.4 m: a bow-tie.
    grid = build.grid(3, 3)
    paths = build.paths(
        [
            {
                "easting": [1.5, 1.5],
                "northing": [1.5, 1.5],
                "heading": [0.0, np.pi / 2],
            }
        ]
    )
    events = cover(paths, grid=grid)
    assert as_map(events, grid)[1, 1] == pytest.approx(2 * 0.5 * 0.4 * 0.4, abs=1e-7)
    assert events.distance.sum() == 0.0


def test_wheel_partly_inside_the_turn_centre(build):
    grid = build.grid(20, 20, cell=0.5)
    a, b = np.array([5.0, 5.0]), np.array([5.2, 5.1])
    ends = [0.0, np.radians(40)]
    paths = build.paths(
        [{"easting": [a[0], b[0]], "northing": [a[1], b[1]], "heading": ends}],
        wheels=[{"width": 1.2}],
    )
    edge = [
        shapely.LineString([p - 0.6 * r, p + 0.6 * r])
        for p, h in ((a, ends[0]), (b, ends[1]))
        for r in [np.array([np.cos(h), -np.sin(h)])]
    ]
    assert edge[0].crosses(edge[1])
    cross = edge[0].intersection(edge[1])
    (l0, r0), (l1, r1) = edge[0].coords, edge[1].coords
    halves = shapely.MultiPolygon(
        [shapely.Polygon([l0, l1, cross]), shapely.Polygon([r0, r1, cross])]
    )
    got = as_map(cover(paths, grid=grid), grid)
    np.testing.assert_allclose(got, exact_map(halves, grid), atol=1e-9)


def test_lingering_is_one_event_and_coming_back_another(build):
    grid = build.grid(30, 3)
    step = np.concatenate([np.arange(0, 10.5, 0.5), np.arange(9.5, 7.5, -0.5)])
    there = np.concatenate([step, np.arange(8, 20.5, 0.5)])
    jog = {"easting": np.full(there.size, 1.5), "northing": there, "heading": 0.0}
    events = cover(build.paths([jog]), grid=grid)
    assert np.bincount(events.cell, minlength=90).max() == 1
    # What it ran over three times in the jog is ground once: the width of the wheel.
    np.testing.assert_allclose(events.cover, 0.8, atol=1e-7)
    assert events.distance.sum() == pytest.approx(24.0)
    back = np.concatenate([np.arange(0, 25.5, 0.5), np.arange(25, -0.5, -0.5)])
    loop = {"easting": np.full(back.size, 1.5), "northing": back, "heading": 0.0}
    events = cover(build.paths([loop]), grid=grid)
    # 9 m from the turning point and more it has been away, there and back.
    assert (np.bincount(events.cell, minlength=90).reshape(30, 3)[14:, 1] == 2).all()


def test_cut_between_two_passes_is_not_a_second_pass(build):
    grid = build.grid(20, 3)
    up = np.arange(0.0, 20.25, 0.25)
    one = {"easting": np.full(up.size, 1.5), "northing": up, "heading": 0.0}
    a = {"easting": np.full(41, 1.5), "northing": up[:41], "heading": 0.0}
    b = {"easting": np.full(41, 1.5), "northing": up[40:], "heading": 0.0}
    wheels = [{"axle": 0}, {"axle": 1, "forward": -3.0}]
    whole = cover(build.paths([one], wheels=wheels), grid=grid)
    cut = cover(build.paths([a, b], wheels=wheels), grid=grid)
    np.testing.assert_array_equal(cut.cell, whole.cell)
    np.testing.assert_allclose(cut.cover, whole.cover, rtol=1e-12)
    for c in np.unique(cut.cell):
        here = slice(cut.cell_start[c], cut.cell_start[c + 1])
        assert np.unique(cut.pass_id[here]).size == 1


def test_unknown_time_stays_unknown_and_sorts_last(build):
    grid = build.grid(3, 3)
    known = {"easting": [1.5, 1.5], "northing": [-9, 9], "time": [5, 23]}
    unknown = {"easting": [1.5, 1.5], "northing": [-9, 9], "time": [np.nan, np.nan]}
    events = cover(build.paths([unknown, known]), grid=grid)
    np.testing.assert_array_equal(events.pass_id, [1, 0] * 3)
    assert np.isnan(events.time[1::2]).all()


def test_outside_the_grid_nothing_happens(build):
    grid = build.grid(3, 3)
    far = {"easting": [100, 100], "northing": [0, 3]}
    half = {"easting": [0.1, 0.1], "northing": [-50, 50]}
    events = cover(build.paths([far, half]), grid=grid)
    np.testing.assert_array_equal(events.cell, [0, 3, 6])
    np.testing.assert_allclose(events.cover, 0.5)
    assert cover(build.paths([]), grid=grid).cell.size == 0


def test_place_that_is_not_a_number_is_refused(build):
    paths = build.paths([{"easting": [0, np.nan], "northing": [0, 1], "heading": 0.0}])
    with pytest.raises(InputError, match="easting is not a number at 1 of 2 stations"):
        cover(paths, grid=build.grid(3, 3))
