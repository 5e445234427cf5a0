"""Visits, counted by hand and from the geometry of straights and circles."""

from __future__ import annotations

import numpy as np
import pytest

from trafficmap.traffic import cover, visits


def test_offsets_left_and_right_of_a_straight(build):
    grid = build.grid(3, 7)
    up = {"easting": [3.5, 3.5], "northing": [0, 3], "time": [0, 3]}
    found = visits(build.paths([up]), grid=grid, reach=2.0)
    # 0.4 m of wheel and 2 m beyond: cell centres up to 2.4 m to either side.
    assert found.cell.size == 3 * 5
    middle = slice(found.cell_start[7], found.cell_start[14])
    np.testing.assert_array_equal(found.cell[middle] - 7, [1, 2, 3, 4, 5])
    np.testing.assert_allclose(found.offset[middle], [-2, -1, 0, 1, 2], atol=1e-6)
    np.testing.assert_allclose(found.time[middle], 1.5)
    np.testing.assert_allclose(found.heading[middle], 0.0, atol=1e-6)


@pytest.mark.parametrize(
    ("degrees", "sign"), [(0, 1), (90, 1), (180, 1), (270, 1), (37, 1)]
)
def test_offset_is_positive_to_the_right_of_travel(build, degrees, sign):
    grid = build.grid(9, 9)
    h = np.radians(degrees)
    forward, right = np.array([np.sin(h), np.cos(h)]), np.array([np.cos(h), -np.sin(h)])
    a, b = 4.5 - 10 * forward, 4.5 + 10 * forward
    leg = {"easting": [a[0], b[0]], "northing": [a[1], b[1]], "heading": h}
    found = visits(build.paths([leg]), grid=grid, reach=2.0)
    east, north = grid.centres()
    place = np.column_stack([east[found.cell % 9], north[found.cell // 9]])
    np.testing.assert_allclose(found.offset, (place - 4.5) @ right * sign, atol=1e-5)
    np.testing.assert_allclose(np.cos(found.heading - h), 1.0, atol=1e-6)
    # All cells within the band and no other, each once.
    row, col = np.mgrid[:9, :9]
    away = np.abs(
        np.column_stack([east[col.ravel()], north[row.ravel()]]) @ right
        - np.array([4.5, 4.5]) @ right
    )
    np.testing.assert_array_equal(np.unique(found.cell), np.flatnonzero(away <= 2.4))
    assert np.unique(found.cell).size == found.cell.size


def test_on_a_circle_the_offset_is_the_distance_from_it(build):
    grid = build.grid(50, 50)
    radius = 15.0
    turn = np.linspace(0, 1.9 * np.pi, 400)
    leg = {
        "easting": 25 - radius * np.cos(turn),
        "northing": 25 + radius * np.sin(turn),
        "heading": turn,
    }
    found = visits(build.paths([leg]), grid=grid, reach=1.0)
    east, north = grid.centres()
    away = np.hypot(east[found.cell % 50] - 25, north[found.cell // 50] - 25)
    # It turns to the right, so the centre of the circle is on its right.
    np.testing.assert_allclose(found.offset, radius - away, atol=0.02)


def test_each_axle_visits_for_itself_and_in_order_of_time(build):
    grid = build.grid(30, 1)
    wheels = [{"axle": 4}, {"axle": 2, "forward": -5.0}]
    leg = {"easting": [0.5, 0.5], "northing": [-10, 40], "time": [0, 50]}
    found = visits(build.paths([leg], wheels=wheels), grid=grid, reach=0.0)
    np.testing.assert_array_equal(found.axle_id.reshape(30, 2), [[4, 2]] * 30)
    late = np.diff(found.time.reshape(30, 2), axis=1)
    np.testing.assert_allclose(late, 5.0)


def test_cell_under_the_end_of_a_path_is_visited(build):
    grid = build.grid(3, 3)
    stub = {"easting": [1.5, 1.5], "northing": [1.1, 1.2], "time": [0, 1]}
    paths = build.paths([stub])
    events = cover(paths, grid=grid)
    found = visits(paths, grid=grid, reach=0.5)
    assert set(events.cell) <= set(found.cell)


def test_coming_back_at_once_is_one_visit_and_later_another(build):
    grid = build.grid(60, 1)
    there = np.concatenate([np.arange(0, 50), np.arange(50, -1, -1)]).astype(float)
    leg = {"easting": np.full(there.size, 0.5), "northing": there, "heading": 0.0}
    found = visits(build.paths([leg]), grid=grid, reach=0.0)
    per_cell = np.bincount(found.cell, minlength=60)[::-1]
    assert (per_cell[:45] == 2).all()
    assert (per_cell[47:50] == 1).all()


def test_none_without_paths(build):
    found = visits(build.paths([]), grid=build.grid(3, 3), reach=1.0)
    assert found.cell.size == 0
    assert found.cell_start.tolist() == [0] * 10
