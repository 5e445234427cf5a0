"""Counts, masses and the share run over, by hand and against polygons."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest
import shapely

from trafficmap.core.constants import GRAVITY
from trafficmap.core.errors import GridMismatchError
from trafficmap.core.layers import get_layer, new_tray
from trafficmap.traffic import count, cover, overlap


def run(paths, grid, inside=None):
    tray = new_tray(grid)
    events = cover(paths, grid=grid)
    inside = np.ones(grid.shape) if inside is None else inside
    notes = count(events, paths, grid=grid, inside=inside, tray=tray)
    return {name: get_layer(tray, name) for name in tray.data_vars}, notes


UP = {"easting": [1.5, 1.5], "northing": [-9, 12], "time": [0, 21]}
ACROSS = {"easting": [-9, 12], "northing": [1.5, 1.5], "time": [100, 121]}
PAIR = [
    {"right": -0.3, "width": 0.2, "mass": 2000.0},
    {"right": 0.3, "width": 0.2, "mass": 3500.0},
    {"forward": -3.0, "axle": 1, "width": 0.2, "mass": 5500.0},
]


def test_crossing_strips_by_hand(build):
    layers, notes = run(build.paths([UP, ACROSS], wheels=PAIR), build.grid(3, 3))
    assert notes == []
    cross = np.array([[0, 1, 0], [1, 2, 1], [0, 1, 0]])
    np.testing.assert_array_equal(layers["passes"], cross)
    # The rear wheel runs beside the front pair: no ground sees two axles of a pass.
    np.testing.assert_array_equal(layers["wheel_passes"], cross)
    # Two bands of 0.2 m cross two: 0.16 of the cell twice; one and one: only 0.04.
    np.testing.assert_array_equal(layers["wheel_passes_3"], cross)
    np.testing.assert_array_equal(layers["wheel_passes_5"], cross > 0)
    once = cross > 0
    np.testing.assert_allclose(layers["heaviest_wheel"], 5500.0 * once)
    np.testing.assert_allclose(layers["heaviest_axle"], 5500.0 * once)
    # 11 Mg over 1 m in 1 m2: 11 * 0.001 / 0.0001 = 110 Mg km/ha.
    np.testing.assert_allclose(layers["load_distance"], 110.0 * cross, rtol=1e-6)
    # Three bands of 0.2 m side by side, and a grid of them at the crossing.
    share = np.array([[0, 0.6, 0], [0.6, 1 - 0.4 * 0.4, 0.6], [0, 0.6, 0]])
    np.testing.assert_allclose(layers["run_over"], share, atol=1e-6)
    heavy = np.array([[0, 0.2, 0], [0.2, 0.36, 0.2], [0, 0.2, 0]])
    np.testing.assert_allclose(layers["under_5"], heavy, atol=1e-6)
    heavy = np.array([[0, 0.4, 0], [0.4, 0.64, 0.4], [0, 0.4, 0]])
    np.testing.assert_allclose(layers["under_3"], heavy, atol=1e-6)


def test_ground_run_over_again_by_hand(build):
    layers, _ = run(build.paths([UP, ACROSS], wheels=PAIR), build.grid(3, 3))
    # Bands of 0.6 cross bands of 0.6; one pass alone runs nothing over again.
    again = np.zeros((3, 3))
    again[1, 1] = 0.36
    np.testing.assert_allclose(layers["run_over_again"], again, atol=1e-6)
    # Across is not along: nothing ran in the track of another.
    assert layers["same_track"].max() == 0.0
    there_and_back = [UP, {**UP, "time": [100, 121]}]
    layers, _ = run(build.paths(there_and_back, wheels=PAIR), build.grid(3, 3))
    np.testing.assert_allclose(layers["run_over_again"], layers["run_over"], atol=1e-6)
    np.testing.assert_allclose(layers["same_track"], layers["run_over"], atol=1e-6)
    # Side by side in one cell: no ground has seen two passes.
    wheel = [{"right": 0.0, "width": 0.3, "mass": 2000.0}]
    left = {**UP, "easting": [1.25, 1.25]}
    right = {**UP, "easting": [1.75, 1.75], "time": [100, 121]}
    layers, _ = run(build.paths([left, right], wheels=wheel), build.grid(3, 3))
    assert layers["passes"][:, 1].tolist() == [1, 1, 1]
    np.testing.assert_allclose(layers["run_over"][:, 1], 0.6, atol=1e-6)
    np.testing.assert_allclose(layers["run_over_again"], 0.0, atol=1e-7)


def test_axle_is_heavier_than_each_of_its_wheels(build):
    layers, _ = run(build.paths([UP], wheels=PAIR[:2]), build.grid(3, 3))
    assert layers["heaviest_axle"][1, 1] == pytest.approx(5500.0)
    assert layers["heaviest_wheel"][1, 1] == pytest.approx(3500.0)
    assert layers["wheel_passes"][1, 1] == 1


def test_outside_the_boundary_is_not_known(build):
    inside = np.array([[0, 0.5, 0], [1, 1, 0], [0, 0, 0]])
    layers, _ = run(build.paths([UP]), build.grid(3, 3), inside)
    out = inside == 0
    assert (layers["passes"][out] == 65535).all()
    assert np.isnan(layers["run_over"][out]).all()
    np.testing.assert_array_equal(layers["passes"][~out], [1, 0, 1])


def test_unknown_load_leaves_masses_open_but_counts(build):
    paths = build.paths([UP, ACROSS], wheels=[{"mass": np.nan}])
    layers, notes = run(paths, build.grid(3, 3))
    assert layers["passes"][1, 1] == 2
    assert layers["wheel_passes"][1, 1] == 2
    assert np.isnan(layers["heaviest_wheel"][1, 1])
    assert layers["heaviest_wheel"][0, 0] == 0.0
    assert [note.code for note in notes] == ["traffic.load_unknown"]
    assert notes[0].count == 6


def test_no_pass_inside_is_said(build):
    layers, notes = run(build.paths([]), build.grid(3, 3))
    assert [note.code for note in notes] == ["traffic.none"]
    assert layers["run_over"].max() == 0.0
    far = {"easting": [1.5, 1.5], "northing": [0, 3]}
    inside = np.zeros((3, 3))
    inside[:, 0] = 1
    _, notes = run(build.paths([far]), build.grid(3, 3), inside)
    assert "3 wheel events lie outside" in notes[0].sentence


def test_other_grid_is_refused(build):
    paths = build.paths([UP])
    events = cover(paths, grid=build.grid(4, 4))
    grid = build.grid(3, 3)
    with pytest.raises(GridMismatchError, match="on a grid of 16 cells, need 9"):
        count(events, paths, grid=grid, inside=np.ones((3, 3)), tray=new_tray(grid))
    events = cover(paths, grid=grid)
    sentence = re.escape("inside: got shape (4, 4), need (3, 3).")
    with pytest.raises(GridMismatchError, match=sentence):
        count(events, paths, grid=grid, inside=np.ones((4, 4)), tray=new_tray(grid))


@pytest.mark.parametrize("turned", [0.0, 17.0, 45.0])
def test_union_of_crossing_and_overlapping_passes(build, turned):
    # Front and rear wheels in one another's track, rows a little off each other the
    # second time, and passes straight across: against the union of all polygons.
    grid = build.grid(80, 80)
    rng = np.random.default_rng(4)
    wheels = [
        {"axle": axle, "forward": forward, "right": side, "width": width}
        for axle, (forward, width) in enumerate([(0.0, 0.8), (-3.7, 0.5)])
        for side in (-1.5, 1.5)
    ]
    spin = np.radians(turned)
    ahead = np.array([np.sin(spin), np.cos(spin)])
    aside = np.array([ahead[1], -ahead[0]])
    legs, shapes = [], []
    centre = np.array([40.0, 40.0])
    for k in range(24):
        f, r = (ahead, aside) if k % 3 else (aside, -ahead)
        shift = rng.uniform(-25, 25) if k % 2 else 6.0 * (k % 8 - 4) + 0.1 * k
        a, b = centre + shift * r - 30 * f, centre + shift * r + 30 * f
        legs.append(
            {
                "easting": [a[0], b[0]],
                "northing": [a[1], b[1]],
                "heading": np.arctan2(f[0], f[1]),
                "time": [k * 100.0, k * 100.0 + 30],
            }
        )
        for wheel in wheels:
            at = wheel["forward"] * f + wheel["right"] * r
            line = shapely.LineString([a + at, b + at])
            shapes.append(line.buffer(wheel["width"] / 2, cap_style="flat"))
    # Without a grid GEOS loses whole strips where two edges lie 1e-7 m apart.
    union = shapely.union_all(shapes, grid_size=1e-6) & shapely.box(0, 0, 80, 80)
    layers, _ = run(build.paths(legs, wheels=wheels), grid)
    row, col = np.mgrid[:80, :80]
    boxes = shapely.box(col, 79 - row, col + 1, 80 - row)
    exact = shapely.area(shapely.intersection(boxes, union))
    assert exact.sum() == pytest.approx(union.area, rel=1e-6)
    # GEOS was told to snap to 1e-6 m; ours is exact to 1e-7 of a cell.
    assert layers["run_over"].sum() == pytest.approx(union.area, rel=1e-6)
    np.testing.assert_allclose(layers["run_over"], exact, atol=5e-6)


def test_front_and_rear_wheel_in_one_track_are_not_added(build):
    wheels = [{"width": 0.8}, {"forward": -4.0, "axle": 1, "width": 0.5}]
    layers, _ = run(build.paths([UP], wheels=wheels), build.grid(3, 3))
    np.testing.assert_allclose(layers["run_over"][:, 1], 0.8, atol=1e-6)
    assert layers["passes"][:, 1].tolist() == [1, 1, 1]
    assert layers["wheel_passes"][:, 1].tolist() == [2, 2, 2]
    np.testing.assert_allclose(layers["run_over_again"], 0.0, atol=1e-7)


def test_load_distance_of_the_map_is_that_of_the_wheels(build):
    rng = np.random.default_rng(8)
    grid = build.grid(60, 60)
    legs = [
        {"easting": rng.uniform(10, 50, 2), "northing": rng.uniform(10, 50, 2)}
        for _ in range(20)
    ]
    paths = build.paths(legs, wheels=PAIR)
    layers, _ = run(paths, grid)
    driven = sum(
        np.hypot(np.diff(leg["easting"]), np.diff(leg["northing"]))[0] for leg in legs
    )
    mass = paths.states.load[0].sum() / GRAVITY
    expected = mass / 1000 * driven / 1000
    got = layers["load_distance"].sum() * grid.cell_area / 1e4
    assert got == pytest.approx(expected, rel=1e-5)  # float32 layers


def test_adding_a_pass_never_lowers_a_count(build):
    rng = np.random.default_rng(3)
    grid = build.grid(20, 20)
    legs = [
        {"easting": rng.uniform(0, 20, 2), "northing": rng.uniform(0, 20, 2)}
        for _ in range(6)
    ]
    before, _ = run(build.paths(legs[:5], wheels=PAIR), grid)
    after, _ = run(build.paths(legs, wheels=PAIR), grid)
    for name in ("passes", "wheel_passes", "wheel_passes_3", "heaviest_axle"):
        assert (after[name] >= before[name]).all()
    assert (after["run_over"] >= before["run_over"] - 1e-6).all()


def test_many_passes_stay_in_the_range_of_the_layer(build):
    paths, grid = build.paths([UP]), build.grid(3, 3)
    events = cover(paths, grid=grid)
    ground = np.ones((3, 3))
    many = overlap(events, paths, grid=grid, inside=ground)
    many = dataclasses.replace(many, passes=np.full(9, 70_000))
    tray = new_tray(grid)
    count(events, paths, grid=grid, inside=ground, tray=tray, overlaps=many)
    assert get_layer(tray, "passes")[1, 1] == 65534
