"""Laws that hold whatever the tracks: area, shift, order, time, more passes."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import box

from trafficmap.core.constants import GRAVITY
from trafficmap.core.grid import FieldGrid
from trafficmap.core.layers import get_layer, new_tray
from trafficmap.core.settings.tracks import TrackSettings
from trafficmap.core.settings.traffic import TrafficSettings
from trafficmap.core.tables import FIXES, WHEELS
from trafficmap.loads.paths import LoadStates, WheelPaths
from trafficmap.tracks import clean, split
from trafficmap.traffic import (
    count,
    cover,
    cover_chance,
    inside_share,
    overlap,
    visits,
)

few = settings(max_examples=25, deadline=None)
# Multiples of 1/64 m stay exact when a field is moved by whole cells.
coordinate = st.integers(64 * 4, 64 * 36).map(lambda k: k / 64)
leg = st.lists(st.tuples(coordinate, coordinate), min_size=2, max_size=5, unique=True)
field = st.lists(leg, min_size=1, max_size=4)


def paths_of(legs, *, mass=4000.0):
    wheels = pd.DataFrame(
        {
            "wheel": np.arange(3),
            "machine_id": "m",
            "body": "m",
            "body_id": 0,
            "axle": ["front", "front", "rear"],
            "axle_id": [0, 0, 1],
            "slot": np.arange(3),
            "forward": [0.0, 0.0, -3.0],
            "right": [-1.5, 1.5, 0.0],
            "width": [0.75, 0.75, 1.25],
            "diameter": np.full(3, 1.6),
            "kind": "tyre",
            "contact_length": np.full(3, np.nan),
            "rollers": 0,
            "pressure": np.full(3, 1e5),
            "pressure_assumed": False,
            "contact_area": np.nan,
            "contact_slope": np.nan,
        }
    )[WHEELS.names()]
    load = np.full((1, 3), mass * GRAVITY)
    zero = np.zeros(1)
    states = LoadStates(
        np.array(["m"]), zero, zero, zero, load, load, load, np.array(["assumed"])
    )
    pieces = [np.asarray(points, float) for points in legs]
    size = [len(points) for points in pieces]
    place = np.concatenate(pieces)
    heading = [
        np.arctan2(np.gradient(points[:, 0]), np.gradient(points[:, 1]))
        for points in pieces
    ]
    time = np.concatenate(
        [1e4 * number + 10.0 * np.arange(n) for number, n in enumerate(size)]
    )
    return WheelPaths(
        wheels=wheels,
        states=states,
        begin=np.concatenate([[0], np.cumsum(size)]),
        body_id=np.zeros(len(legs), np.int32),
        pass_id=np.arange(len(legs)),
        easting=place[:, 0],
        northing=place[:, 1],
        heading=np.concatenate(heading),
        time=time,
        seconds=time,
        state=np.zeros(sum(size), np.int32),
    )


def layers_of(paths, grid):
    tray = new_tray(grid)
    count(
        cover(paths, grid=grid), paths, grid=grid, inside=np.ones(grid.shape), tray=tray
    )
    return {name: get_layer(tray, name) for name in tray.data_vars}


GRID = FieldGrid(32615, 0.0, 40.0, 1.0, 40, 40)


@few
@given(
    a=st.tuples(coordinate, coordinate),
    b=st.tuples(coordinate, coordinate),
    width=st.floats(0.1, 2.5),
    cell=st.sampled_from([0.25, 0.5, 1.0, 2.5]),
)
def test_swept_area_is_width_times_length(a, b, width, cell):
    if a == b:
        return
    paths = paths_of([[a, b]])
    wheels = paths.wheels.assign(right=0.0, forward=0.0, width=width)
    paths = dataclasses.replace(paths, wheels=wheels[:1], states=_one(paths.states))
    grid = FieldGrid(32615, -5.0, 50.0, cell, int(55 / cell), int(55 / cell))
    events = cover(paths, grid=grid)
    length = np.hypot(b[0] - a[0], b[1] - a[1])
    swept = events.cover.sum() * grid.cell_area
    assert abs(swept - width * length) <= 1e-9 * width * length + 1e-9
    assert abs(events.distance.sum(dtype=float) - length) <= 1e-4 * length


def _one(states):
    return dataclasses.replace(
        states,
        load_low=states.load_low[:, :1],
        load=states.load[:, :1],
        load_high=states.load_high[:, :1],
    )


@few
@given(legs=field, east=st.integers(-3000, 3000), north=st.integers(-3000, 3000))
def test_shift_by_whole_cells_shifts_the_map(legs, east, north):
    paths = paths_of(legs)
    moved = dataclasses.replace(
        paths, easting=paths.easting + east, northing=paths.northing + north
    )
    grid = FieldGrid(32615, GRID.west + east, GRID.north + north, 1.0, 40, 40)
    a, b = cover(paths, grid=GRID), cover(moved, grid=grid)
    for name in ("cell", "wheel", "pass_id", "time", "cover", "distance"):
        np.testing.assert_array_equal(getattr(a, name), getattr(b, name))
    a = visits(paths, grid=GRID, reach=1.0)
    b = visits(moved, grid=grid, reach=1.0)
    for name in ("cell", "axle_id", "pass_id", "time", "offset", "heading"):
        np.testing.assert_array_equal(getattr(a, name), getattr(b, name))


@few
@given(legs=field)
def test_order_of_paths_does_not_matter(legs):
    paths = paths_of(legs)
    order = np.arange(len(legs))[::-1]
    take = np.concatenate(
        [np.arange(paths.begin[p], paths.begin[p + 1]) for p in order]
    )
    turned = dataclasses.replace(
        paths,
        begin=np.concatenate([[0], np.cumsum(np.diff(paths.begin)[order])]),
        pass_id=paths.pass_id[order],
        **{
            name: getattr(paths, name)[take]
            for name in ("easting", "northing", "heading", "time", "seconds", "state")
        },
    )
    a, b = cover(paths, grid=GRID), cover(turned, grid=GRID)
    for name in ("cell", "wheel", "pass_id", "time", "cover"):
        np.testing.assert_array_equal(getattr(a, name), getattr(b, name))


@few
@given(legs=st.lists(leg, min_size=2, max_size=4))
def test_adding_a_pass_never_lowers_a_count(legs):
    before, after = (
        layers_of(paths_of(legs[:-1]), GRID),
        layers_of(paths_of(legs), GRID),
    )
    for name in ("passes", "wheel_passes", "wheel_passes_3", "wheel_passes_5"):
        assert (after[name] >= before[name]).all()
    assert (after["heaviest_axle"] >= before["heaviest_axle"]).all()
    assert (after["load_distance"] >= before["load_distance"] - 1e-3).all()
    for name in ("run_over", "run_over_again", "under_3", "under_5"):
        assert (after[name] >= before[name] - 1e-6).all()


@few
@given(legs=field, factor=st.floats(1.0, 3.0))
def test_heavier_wheels_never_lower_a_layer(legs, factor):
    light = layers_of(paths_of(legs), GRID)
    heavy = layers_of(paths_of(legs, mass=4000.0 * factor), GRID)
    for name in ("wheel_passes_3", "wheel_passes_5", "heaviest_wheel", "load_distance"):
        assert (heavy[name] >= light[name]).all()
    np.testing.assert_array_equal(light["run_over"], heavy["run_over"])


@few
@given(legs=field)
def test_shares_are_shares_and_events_are_sorted(legs):
    paths = paths_of(legs)
    events = cover(paths, grid=GRID)
    assert ((events.cover > 0) & (events.cover <= 1)).all()
    assert (np.diff(events.cell) >= 0).all()
    same = np.diff(events.cell) == 0
    assert (np.diff(events.time)[same] >= 0).all()
    np.testing.assert_array_equal(
        np.diff(events.cell_start), np.bincount(events.cell, minlength=GRID.size)
    )


@few
@given(
    start=st.tuples(coordinate, coordinate),
    heading=st.floats(0, 6.28),
    bends=st.lists(st.floats(-0.25, 0.25), min_size=2, max_size=40),
)
def test_what_a_wheel_ran_over_its_axle_visited(start, heading, bends):
    turned = heading + np.cumsum(bends)
    step = 1.5 * np.column_stack([np.sin(turned), np.cos(turned)])
    paths = paths_of([start + np.cumsum(step, axis=0)])
    events = cover(paths, grid=GRID)
    found = visits(paths, grid=GRID, reach=1.0)
    assert set(events.cell.tolist()) <= set(found.cell.tolist())


@few
@given(
    west=st.floats(1, 18),
    south=st.floats(1, 18),
    east=st.floats(20, 39),
    north=st.floats(20, 39),
)
def test_inside_area_is_the_area_of_the_boundary(west, south, east, north):
    shape = box(west, south, east, north)
    total = inside_share(shape, grid=GRID).sum()
    assert abs(total - shape.area) <= 1e-9 * shape.area


def rows_log(n_rows=4, length=120.0):
    north, east, work = [], [], []
    for row in range(n_rows):
        along = np.arange(0.0, length, 2.0)
        north.append(along if row % 2 == 0 else length - along)
        east.append(np.full(along.size, 5000.0 + 8.0 * row))
        work.append(np.ones(along.size))
    count_ = sum(part.size for part in north)
    fixes = FIXES.empty().reindex(range(count_))
    stamp = pd.Timestamp("2026-10-20T15:00:00Z") + pd.to_timedelta(
        np.arange(count_) * 5.0, "s"
    )
    return fixes.assign(
        machine_id="m",
        log_id=np.zeros(count_, np.int64),
        seconds=np.arange(count_) * 5.0,
        time=stamp.astype("datetime64[ms, UTC]"),
        easting=np.concatenate(east),
        northing=np.concatenate(north),
        row=np.arange(1, count_ + 1),
        work_state=np.concatenate(work),
        width=8.0,
    )


def drawn(fixes):
    """Return the map of the tracks of `fixes`, as split cuts them."""
    rules = {
        "boundary": box(4990, -10, 5040, 130),
        "machines": {},
        "settings": TrackSettings(),
    }
    fixes, _ = clean(fixes, **rules)
    fixes, passes, _ = split(fixes, **rules)
    legs = [
        fixes[["easting", "northing"]].to_numpy()[max(row.first - 1, 0) : row.last]
        for row in passes.itertuples()
        if row.last - max(row.first - 1, 0) > 1
    ]
    return layers_of(paths_of(legs), FieldGrid(32615, 4990.0, 130.0, 1.0, 140, 50))


@settings(max_examples=12, deadline=None)
@given(cut=st.integers(1, 239))
def test_splitting_a_log_and_joining_gives_the_same_map(cut):
    whole = rows_log()
    second = whole[cut:].assign(log_id=1)
    for parts in ([whole[:cut], second], [second, whole[:cut]]):
        got = drawn(pd.concat(parts))
        for name, layer in drawn(whole).items():
            np.testing.assert_array_equal(got[name], layer)


def laid_of(paths, grid):
    return overlap(
        cover(paths, grid=grid), paths, grid=grid, inside=np.ones(grid.shape)
    )


def turned(paths, angle, east, north):
    """Return paths turned about the middle of the grid and moved."""
    x, y = paths.easting - 20.0, paths.northing - 20.0
    cosine, sine = np.cos(angle), np.sin(angle)
    return dataclasses.replace(
        paths,
        easting=20.0 + east + cosine * x + sine * y,
        northing=20.0 + north - sine * x + cosine * y,
        heading=paths.heading + angle,
    )


straight = st.lists(
    st.lists(st.tuples(coordinate, coordinate), min_size=2, max_size=2, unique=True),
    min_size=1,
    max_size=4,
)
WIDE = FieldGrid(32615, -30.0, 70.0, 1.0, 100, 100)


@few
@given(
    legs=straight,
    angle=st.floats(-3.2, 3.2),
    east=st.floats(-3, 3),
    north=st.floats(-3, 3),
)
def test_turning_and_moving_a_field_leaves_its_totals(legs, angle, east, north):
    paths = paths_of(legs)
    before, after = (
        laid_of(paths, WIDE),
        laid_of(turned(paths, angle, east, north), WIDE),
    )
    for name in ("run_over", "again", "same_track", "over_3"):
        a, b = getattr(before, name).sum(), getattr(after, name).sum()
        assert abs(a - b) <= 1e-5 + 1e-6 * a
    np.testing.assert_allclose(before.fresh.sum(), after.fresh.sum(), atol=1e-5)
    # Of each wheel, all it swept pass by pass.
    a, b = (
        cover(paths, grid=WIDE),
        cover(turned(paths, angle, east, north), grid=WIDE),
    )
    np.testing.assert_allclose(
        np.bincount(a.wheel, weights=a.cover, minlength=3),
        np.bincount(b.wheel, weights=b.cover, minlength=3),
        atol=1e-5,
    )


@few
@given(
    start=st.tuples(coordinate, coordinate),
    heading=st.floats(0, 6.28),
    bends=st.lists(st.floats(-0.25, 0.25), min_size=2, max_size=16),
)
def test_ground_run_over_is_the_same_on_any_cell(start, heading, bends):
    # Steps as short as those of wheel paths are never cut, on the finest cells either.
    way = heading + np.cumsum(bends)
    step = 1.5 * np.column_stack([np.sin(way), np.cos(way)])
    paths = paths_of([start + np.cumsum(step, axis=0)])
    totals = []
    for cell in (0.25, 1.0, 2.5, 5.0):
        size = int(100 / cell)
        grid = FieldGrid(32615, -30.0, 70.0, cell, size, size)
        laid = laid_of(paths, grid)
        totals.append(laid.run_over.sum() * grid.cell_area)
        # What was first is all there is, whoever it was.
        assert abs(laid.fresh.sum() * grid.cell_area - totals[-1]) <= 1e-4
    np.testing.assert_allclose(totals, totals[0], atol=2e-4)


@few
@given(
    legs=field,
    spin=st.lists(st.floats(-3.2, 3.2), min_size=20, max_size=20),
)
def test_no_cover_is_ever_above_one_whatever_a_wheel_did(legs, spin):
    # Any heading at any station: wheels slide, spin and turn about themselves.
    paths = paths_of(legs)
    paths = dataclasses.replace(paths, heading=np.array(spin)[: paths.heading.size])
    events = cover(paths, grid=GRID)
    assert ((events.cover >= 0) & (events.cover <= 1)).all()
    laid = overlap(events, paths, grid=GRID, inside=np.ones(GRID.shape))
    most = np.zeros(GRID.size)
    np.maximum.at(most, events.cell, events.cover)
    every = np.bincount(events.cell, weights=events.cover, minlength=GRID.size)
    assert (laid.run_over <= np.minimum(every, 1.0) + 1e-6).all()
    assert (laid.run_over >= most - 1e-6).all()
    assert (laid.again <= laid.run_over + 1e-6).all()
    assert (laid.same_track <= laid.again + 1e-6).all()
    assert (laid.over_5 <= laid.over_3 + 1e-6).all()
    assert (laid.fresh <= events.cover + 1e-6).all()
    fresh = np.bincount(events.cell, weights=laid.fresh, minlength=GRID.size)
    np.testing.assert_allclose(fresh, laid.run_over, atol=1e-5)


@few
@given(
    start=st.tuples(coordinate, coordinate),
    heading=st.floats(0, 6.28),
    bends=st.lists(st.floats(-0.2, 0.2), min_size=6, max_size=40),
    cut=st.floats(0.1, 0.9),
    new_pass=st.booleans(),
)
def test_cutting_a_track_in_two_changes_nothing(start, heading, bends, cut, new_pass):
    way = heading + np.cumsum(bends)
    step = 1.5 * np.column_stack([np.sin(way), np.cos(way)])
    whole = dataclasses.replace(
        paths_of([start + np.cumsum(step, axis=0)]), heading=way
    )
    k = max(1, int(cut * (way.size - 1)))
    take = np.concatenate([np.arange(k + 1), np.arange(k, way.size)])
    halves = dataclasses.replace(
        whole,
        begin=np.array([0, k + 1, take.size]),
        body_id=np.zeros(2, np.int32),
        pass_id=np.array([0, 1 if new_pass else 0]),
        **{
            name: getattr(whole, name)[take]
            for name in ("easting", "northing", "heading", "time", "seconds", "state")
        },
    )
    a, b = layers_of(whole, GRID), layers_of(halves, GRID)
    # Stations are thinned from other places on, by up to a centimetre.
    for name in ("run_over", "run_over_again", "under_3"):
        assert abs(float(a[name].sum()) - float(b[name].sum())) <= 0.05 + 0.01 * float(
            a[name].sum()
        )
    fine = TrafficSettings(simplify=1e-9, simplify_time=1e-9)
    a, b = (cover(paths, grid=GRID, settings=fine) for paths in (whole, halves))
    np.testing.assert_array_equal(a.cell, b.cell)
    np.testing.assert_array_equal(a.wheel, b.wheel)
    np.testing.assert_array_equal(a.entry, b.entry)
    np.testing.assert_allclose(a.cover, b.cover, atol=1e-7)
    ground = np.ones(GRID.shape)
    a, b = (
        overlap(events, paths, grid=GRID, inside=ground, settings=fine)
        for events, paths in ((a, whole), (b, halves))
    )
    for name in ("run_over", "again", "same_track", "passes", "wheel_passes"):
        np.testing.assert_allclose(getattr(a, name), getattr(b, name), atol=1e-6)


@few
@given(
    width=st.floats(0.1, 2.0), sigma=st.floats(0.0, 3.0), length=st.floats(1.0, 500.0)
)
def test_position_error_moves_ground_and_never_makes_any(width, sigma, length):
    reach = width / 2 + 9.0 * sigma
    # Edges of the wheel on edges of the sum, so that it is right without error too.
    offset = (np.arange(4000) + 0.5) / 4000 * 2 * reach - reach
    chance = cover_chance(offset, width=width, sigma=sigma)
    assert ((chance >= 0) & (chance <= 1)).all()
    area = chance.sum() * (2 * reach / 4000) * length
    assert abs(area - width * length) <= 1e-3 * width * length
