"""What strips cover together: against polygons of another library, and by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from trafficmap.core.layers import get_layer, new_tray
from trafficmap.core.settings.traffic import TrafficSettings
from trafficmap.core.tables import PASSES
from trafficmap.traffic import count, cover, overlap

# Stations are not thinned, so that both sides draw the same strips, and a wheel that
# comes back in a pass has never left: its track may lie over itself.
FINE = TrafficSettings(simplify=1e-9, simplify_time=1e-9, return_distance=100.0)
WHEELS = [
    {"right": -0.9, "width": 0.7, "mass": 2500.0},
    {"right": 0.9, "width": 0.7, "mass": 3500.0},
    {"forward": -2.6, "axle": 1, "width": 0.5, "mass": 5500.0, "right": 0.4},
]


def winding(seed, *, step=0.5, bend=0.25, number=40, size=30.0):
    """Return legs that wind about a square, each from another place."""
    draw = np.random.default_rng(seed)
    legs = []
    for k in range(4):
        heading = draw.uniform(0, 6.28) + np.cumsum(draw.uniform(-bend, bend, number))
        way = step * np.column_stack([np.sin(heading), np.cos(heading)])
        place = np.cumsum(way, axis=0) + draw.uniform(0.35, 0.65, 2) * size
        legs.append(
            {
                "easting": place[:, 0],
                "northing": place[:, 1],
                "heading": heading,
                "time": 1000.0 * k + np.arange(number),
            }
        )
    return legs


def swept(leg, wheel):
    """Return the ground a wheel sweeps on a leg, as another library sees it."""
    f = np.column_stack([np.sin(leg["heading"]), np.cos(leg["heading"])])
    r = np.column_stack([f[:, 1], -f[:, 0]])
    place = np.column_stack([leg["easting"], leg["northing"]])
    middle = place + wheel.get("forward", 0.0) * f + wheel.get("right", 0.0) * r
    half = wheel["width"] / 2
    left, right = middle - half * r, middle + half * r
    shapes = []
    for k in range(len(place) - 1):
        a, b, c, d = left[k], right[k], right[k + 1], left[k + 1]
        before, after = shapely.LineString([a, b]), shapely.LineString([d, c])
        if before.crosses(after):
            x = before.intersection(after).coords[0]
            shapes += [shapely.Polygon([a, d, x]), shapely.Polygon([b, c, x])]
            continue
        sides = shapely.LineString([a, d]), shapely.LineString([b, c])
        if sides[0].crosses(sides[1]):
            x = sides[0].intersection(sides[1]).coords[0]
            shapes += [shapely.Polygon([a, b, x]), shapely.Polygon([d, c, x])]
            continue
        shapes.append(shapely.Polygon([a, b, c, d]))
    # Without a grid GEOS loses whole strips where two edges lie 1e-7 m apart.
    return shapely.union_all([s for s in shapes if s.area > 1e-9], grid_size=1e-7)


def shares(shape, grid):
    row, col = np.mgrid[: grid.rows, : grid.cols]
    west, _, _, north = grid.bounds
    boxes = shapely.box(
        west + col * grid.cell,
        north - (row + 1) * grid.cell,
        west + (col + 1) * grid.cell,
        north - row * grid.cell,
    )
    return shapely.area(shapely.intersection(boxes, shape)).ravel() / grid.cell_area


def at_least_twice(shapes):
    """Return the ground at least two of the shapes cover."""
    seen, again = shapely.Polygon(), shapely.Polygon()
    for shape in shapes:
        both = shapely.intersection(seen, shape, grid_size=1e-7)
        again = shapely.union(again, both, grid_size=1e-7)
        seen = shapely.union(seen, shape, grid_size=1e-7)
    return again


@pytest.mark.parametrize("cell", [0.25, 0.5, 1.0, 2.5, 5.0])
@pytest.mark.parametrize("seed", [3, 11])
def test_against_polygons_at_every_size_of_cell(build, cell, seed):
    grid = build.grid(int(30 / cell), int(30 / cell), cell=cell)
    legs = winding(seed)
    paths = build.paths(legs, wheels=WHEELS)
    events = cover(paths, grid=grid, settings=FINE)
    laid = overlap(events, paths, grid=grid, inside=np.ones(grid.shape), settings=FINE)
    tracks = [[swept(leg, wheel) for wheel in WHEELS] for leg in legs]
    by_pass = [shapely.union_all(mine, grid_size=1e-7) for mine in tracks]
    # GEOS works on a lattice of 1e-7 m; a cell of 0.25 m is small against that.
    near = {"atol": 2e-5}
    union = shapely.union_all(by_pass, grid_size=1e-7)
    np.testing.assert_allclose(laid.run_over, shares(union, grid), **near)
    again = at_least_twice(by_pass)
    np.testing.assert_allclose(laid.again, shares(again, grid), **near)
    for limit, got in ((3000.0, laid.over_3), (5000.0, laid.over_5)):
        heavy = [
            shape
            for mine in tracks
            for shape, wheel in zip(mine, WHEELS, strict=True)
            if wheel["mass"] > limit
        ]
        heavy = shapely.union_all(heavy, grid_size=1e-7)
        np.testing.assert_allclose(got, shares(heavy, grid), **near)
    # Each wheel of each pass by itself, with what it swept more than once.
    for p, mine in enumerate(tracks):
        for w, shape in enumerate(mine):
            own = (events.pass_id == p) & (events.wheel == w)
            assert np.unique(events.cell[own]).size == own.sum()
            got = np.zeros(grid.size)
            got[events.cell[own]] = events.cover[own]
            np.testing.assert_allclose(got, shares(shape, grid), **near)


def test_ground_belongs_to_the_wheel_that_was_first(build):
    grid = build.grid(30, 30)
    legs = winding(5)
    paths = build.paths(legs, wheels=WHEELS)
    events = cover(paths, grid=grid, settings=FINE)
    laid = overlap(events, paths, grid=grid, inside=np.ones(grid.shape), settings=FINE)
    # All fresh ground together is all ground run over.
    fresh = np.bincount(events.cell, weights=laid.fresh, minlength=grid.size)
    np.testing.assert_allclose(fresh, laid.run_over, atol=1e-6)
    assert (laid.fresh <= events.cover + 1e-6).all()
    # The first event of a cell is fresh as a whole.
    first = events.cell_start[:-1][np.diff(events.cell_start) > 0]
    np.testing.assert_allclose(laid.fresh[first], events.cover[first], atol=1e-6)
    # Each further one by what was there before it, by polygons.
    tracks = [swept(leg, wheel) for leg in legs for wheel in WHEELS]
    for c in np.flatnonzero(np.diff(events.cell_start) > 2)[::17]:
        box = shapely.box(c % 30, 29 - c // 30, c % 30 + 1, 30 - c // 30)
        here = range(events.cell_start[c], events.cell_start[c + 1])
        keys = [int(events.pass_id[e] * 3 + events.wheel[e]) for e in here]
        seen = shapely.Polygon()
        for e, key in zip(here, keys, strict=True):
            mine = shapely.intersection(box, tracks[key], grid_size=1e-7)
            new = shapely.difference(mine, seen, grid_size=1e-7).area
            assert laid.fresh[e] == pytest.approx(new, abs=2e-5)
            seen = shapely.union(seen, mine, grid_size=1e-7)


def test_front_axle_is_first_and_the_rear_one_follows(build):
    # Cover in order of time: the wheel that comes first is first, axle by axle.
    wheels = [
        {"width": 0.4, "mass": 2000.0},
        {"forward": -4.0, "axle": 1, "width": 0.8, "mass": 6000.0},
    ]
    up = {"easting": [1.5, 1.5], "northing": [-9, 12], "time": [0, 21]}
    paths, grid = build.paths([up], wheels=wheels), build.grid(3, 3)
    events = cover(paths, grid=grid)
    laid = overlap(events, paths, grid=grid, inside=np.ones((3, 3)))
    np.testing.assert_array_equal(events.wheel, [0, 1] * 3)
    np.testing.assert_array_equal(events.entry, 0)
    np.testing.assert_allclose(laid.fresh, [0.4, 0.4] * 3, atol=1e-7)
    tray = new_tray(grid)
    count(events, paths, grid=grid, inside=np.ones((3, 3)), tray=tray, overlaps=laid)
    assert get_layer(tray, "first_wheel")[1, 1] == pytest.approx(2000.0)
    assert get_layer(tray, "wheel_passes")[1, 1] == 2
    assert get_layer(tray, "passes")[1, 1] == 1


def test_coming_back_in_one_pass_is_a_second_entry(build):
    grid = build.grid(30, 3)
    there = np.concatenate([np.arange(0, 25.5, 0.5), np.arange(25, -0.5, -0.5)])
    loop = {"easting": np.full(there.size, 1.5), "northing": there, "heading": 0.0}
    wheels = [{"width": 0.6}, {"forward": -2.0, "axle": 1, "width": 0.6}]
    paths = build.paths([loop], wheels=wheels)
    events = cover(paths, grid=grid)
    laid = overlap(events, paths, grid=grid, inside=np.ones((30, 3)))
    passes = laid.passes.reshape(30, 3)[:, 1]
    # Well away from the turning point twice, at it once: it only lingered there.
    assert (passes[15:28] == 2).all()
    assert (passes[6:8] == 1).all()
    for c in range(16 * 3 + 1, 27 * 3, 3):
        here = slice(events.cell_start[c], events.cell_start[c + 1])
        assert events.entry[here].tolist() == [0, 0, 1, 1]
    # The second time in the same track, the other way.
    np.testing.assert_allclose(laid.same_track[laid.passes == 2], 0.6, atol=1e-7)


def test_a_corner_does_not_make_a_pass_upon_a_pass(build):
    grid = build.grid(1, 1)
    up = {"easting": [0.4, 0.4], "northing": [-5, 6], "time": [0, 11]}
    beside = {"easting": [1.12, 1.12], "northing": [-5, 6], "time": [100, 111]}
    paths = build.paths([up, beside], wheels=[{"width": 0.8}])
    events = cover(paths, grid=grid)
    laid = overlap(events, paths, grid=grid, inside=np.ones((1, 1)))
    assert laid.again[0] == pytest.approx(0.08, abs=1e-7)
    assert laid.passes[0] == 1
    low = TrafficSettings(again_share=0.05)
    laid = overlap(events, paths, grid=grid, inside=np.ones((1, 1)), settings=low)
    assert laid.passes[0] == 2


@pytest.mark.parametrize(("angle", "same"), [(15.0, True), (25.0, False)])
def test_same_track_is_within_an_angle_of_one_direction(build, angle, same):
    grid = build.grid(5, 5)
    spin = np.radians(angle)
    way = 10 * np.array([np.sin(spin), np.cos(spin)])
    up = {"easting": [2.5, 2.5], "northing": [-5, 10], "time": [0, 15]}
    other = {
        "easting": [2.5 + way[0], 2.5 - way[0]],
        "northing": [2.5 + way[1], 2.5 - way[1]],
        "time": [100, 120],
    }
    paths = build.paths([up, other], wheels=[{"width": 0.8}])
    laid = overlap(cover(paths, grid=grid), paths, grid=grid, inside=np.ones((5, 5)))
    if same:
        np.testing.assert_allclose(laid.same_track, laid.again, atol=1e-7)
        assert laid.again.max() > 0.5
    else:
        assert laid.same_track.max() == 0.0


def test_sets_of_wheels_count_ground_once_each(build):
    up = {"easting": [1.5, 1.5], "northing": [-9, 12], "time": [0, 21]}
    across = {"easting": [-9, 12], "northing": [1.5, 1.5], "time": [100, 121]}
    paths = build.paths([up, across], wheels=[{"width": 0.6, "mass": 4000.0}])
    grid = build.grid(3, 3)
    passes = pd.DataFrame(
        {
            "pass_id": [0, 1], "machine_id": "m", "log_id": [0, 0],
            "state": ["working", "turning"], "first": [0, 2], "last": [2, 4],
            "start": pd.to_datetime([0, 100], unit="s", utc=True),
            "end": pd.to_datetime([21, 121], unit="s", utc=True),
            "length": [21.0, 21.0], "inferred": False,
        }
    )[PASSES.names()]  # fmt: skip
    part = np.zeros((3, 3), dtype=np.int64)
    part[:, 2] = 1
    part[0, 0] = -1
    laid = overlap(
        cover(paths, grid=grid),
        paths,
        grid=grid,
        inside=np.full((3, 3), 0.5),
        passes=passes,
        part=part,
    )
    sets = laid.sets.assign(area=laid.areas[:, :2].tolist())
    keys = ["machine_id", "state", "over", "load"]
    ground = sets.set_index(keys)["area"].to_dict()
    # Half of each cell counts: 4 strips of 0.6 and a crossing of 0.84, in two parts.
    assert ground["", "", 0.0, "best"] == pytest.approx([0.5 * (0.6 * 3 + 0.84), 0.3])
    assert ground["", "working", 0.0, "best"] == pytest.approx([0.9, 0.0])
    assert ground["m", "turning", 0.0, "best"] == pytest.approx([0.6, 0.3])
    assert ground["", "", 3000.0, "low"] == pytest.approx([0.5 * (0.6 * 3 + 0.84), 0.3])
    assert ground["", "", 5000.0, "high"] == [0.0, 0.0]
    assert laid.depths[0, 1, :2] == pytest.approx([0.5 * (0.6 * 3 + 0.84), 0.3])
    assert laid.depths[0, 2, :2] == pytest.approx([0.5 * 0.36, 0.0])


def test_more_than_64_sets_of_wheels(build):
    # 20 machines in one lane: sets no longer fit one word of bits.
    wheels = [
        {"machine": f"m{k:02d}", "body": k, "axle": k, "slot": 0, "width": 0.5}
        for k in range(20)
    ]
    legs = [
        {"easting": [1.5, 1.5], "northing": [-5, 8], "time": [100 * k, 100 * k + 13],
         "body": k}
        for k in range(20)
    ]  # fmt: skip
    paths, grid = build.paths(legs, wheels=wheels), build.grid(3, 3)
    laid = overlap(cover(paths, grid=grid), paths, grid=grid, inside=np.ones((3, 3)))
    assert len(laid.sets) > 64
    mine = laid.sets["over"].eq(0.0) & laid.sets["machine_id"].ne("")
    np.testing.assert_allclose(laid.areas[mine, 0], 1.5, atol=1e-6)
    assert mine.sum() == 20
    assert laid.passes.reshape(3, 3)[1, 1] == 20


def test_no_event_at_all(build):
    grid = build.grid(3, 3)
    paths = build.paths([])
    laid = overlap(cover(paths, grid=grid), paths, grid=grid, inside=np.ones((3, 3)))
    assert laid.run_over.max() == 0.0
    assert laid.passes.max() == 0
