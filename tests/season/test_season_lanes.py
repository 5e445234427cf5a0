"""Lanes: found under the tracks, and passes put onto them."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from trafficmap.season.changes import Change
from trafficmap.season.driven import Driven
from trafficmap.season.lanes import (
    Lanes,
    best_offset,
    fits_lanes,
    main_heading,
    on_heading,
    put_on_lanes,
)
from trafficmap.season.replay import lanes_of
from trafficmap.season.suggest import suggest

ROWS = np.array([10.0, 19.144, 28.288, 37.432]) + 500_000.0


def shaken(driven, by):
    """Return the season with every combine row shifted by its own amount [m]."""
    fixes = driven.fixes
    east = fixes["easting"].to_numpy().copy()
    for line, shift in zip(ROWS, by, strict=True):
        mine = (fixes["machine_id"] == "combine").to_numpy() & (
            np.abs(fixes["easting"].to_numpy() - line) < 0.01
        )
        east[mine] += shift
    return Driven(fixes.assign(easting=east), driven.passes, driven.payload)


def test_the_direction_of_the_work_is_found(driven):
    heading = main_heading(driven.fixes, driven.passes, least=40.0)
    assert math.sin(heading) == pytest.approx(0.0, abs=1e-9)


def test_straight_passes_lie_where_the_rows_are(driven, choices):
    found = on_heading(driven.fixes, driven.passes, 0.0, choices)
    mine = found.machine == "combine"
    assert np.allclose(sorted(found.right[mine]), ROWS)


def test_passes_are_put_onto_the_lanes_and_tracks_hang_together(driven, farm, choices):
    season = shaken(driven, (0.2, -0.3, 0.4, 0.1))
    lanes = Lanes(0.0, 9.144, float(ROWS[0] % 9.144))
    out = put_on_lanes(season, lanes, field=farm, settings=choices)
    work = (out.fixes["state"] == "working").to_numpy()
    off = lanes.right(out.fixes["easting"], out.fixes["northing"])[work]
    assert np.abs(off - lanes.nearest(off)).max() < 1e-6
    moved = np.hypot(
        out.fixes["easting"] - season.fixes["easting"],
        out.fixes["northing"] - season.fixes["northing"],
    )
    assert moved.max() <= 0.4 + 1e-9
    combine = (out.fixes["machine_id"] == "combine").to_numpy()
    jump = np.abs(np.diff(moved.to_numpy()[combine]))
    # From one row to the next the move changes little by little.
    assert jump.max() < 0.25
    assert np.allclose(out.fixes["northing"], season.fixes["northing"])


def test_two_rows_on_one_lane_are_said(driven, farm, choices):
    lanes = Lanes(0.0, 9.144, float(ROWS[0] % 9.144))
    out = put_on_lanes(driven, lanes, field=farm, settings=choices)
    assert "season.lane_shared" not in [note.code for note in out.notes]
    # The second row pushed to within half a lane of the first.
    pushed = shaken(driven, (0.0, -5.0, 0.0, 0.0))
    out = put_on_lanes(pushed, lanes, field=farm, settings=choices)
    (note,) = [n for n in out.notes if n.code == "season.lane_shared"]
    assert (note.where, note.count) == ("combine", 1)


def test_a_width_that_does_not_fit_stays_and_is_said(driven, farm, choices):
    wrong = SimpleNamespace(
        **{
            **vars(farm),
            "machines": {
                **farm.machines,
                "combine": SimpleNamespace(width=12.2),
            },
        }
    )
    lanes = Lanes(0.0, 9.144, 0.0)
    out = put_on_lanes(driven, lanes, field=wrong, settings=choices)
    (note,) = [n for n in out.notes if n.code == "season.lane_misfit"]
    assert "works 40.0 ft wide" in note.sentence
    combine = (driven.fixes["machine_id"] == "combine").to_numpy()
    assert np.array_equal(
        out.fixes["easting"].to_numpy()[combine],
        driven.fixes["easting"].to_numpy()[combine],
    )


@given(
    offset=st.floats(0.0, 9.0),
    spacing=st.sampled_from([6.096, 9.144, 12.192]),
    noise=st.lists(st.floats(-0.1, 0.1), min_size=4, max_size=12),
)
def test_the_offset_of_noisy_lanes_is_found(offset, spacing, noise):
    right = offset + spacing * np.arange(len(noise)) + np.array(noise)
    found, share = best_offset(right, np.ones(len(noise)), spacing=spacing, near=0.3)
    away = (found - offset + spacing / 2) % spacing - spacing / 2
    assert abs(away) <= 0.15 + 1e-6
    assert share == 1.0


def test_widths_that_fit():
    assert fits_lanes(18.3, 9.144, 0.05)
    assert not fits_lanes(4.5, 9.144, 0.05)
    assert not fits_lanes(13.7, 9.144, 0.05)


def test_lines_cross_the_field_at_their_spacing():
    ground = shapely.box(500_000.0, 4_500_000.0, 500_100.0, 4_500_200.0)
    lanes = Lanes(math.radians(30.0), 9.0, 2.0)
    lines = lanes.lines(ground)
    for line in lines:
        east, north = np.array(line.coords).T
        right = lanes.right(east, north)
        assert np.allclose((right - 2.0) % 9.0 % 9.0, 0.0, atol=1e-5) or np.allclose(
            (right - 2.0) % 9.0, 9.0, atol=1e-5
        )
        assert ground.buffer(1e-6).covers(line)
    # The area between two lanes is their spacing: all lines together tell it.
    total = sum(line.length for line in lines)
    assert total * 9.0 == pytest.approx(ground.area, rel=0.1)


def test_lanes_go_through_a_place_told(driven, farm, choices):
    from pyproj import Transformer

    to_place = Transformer.from_crs(farm.epsg, 4326, always_xy=True)
    place = to_place.transform(500_003.0, 4_500_100.0)
    change = Change(name="a", lanes_every_m=9.0, lanes_through=place)
    lanes = lanes_of(driven, change, farm, choices)
    right = lanes.right(500_003.0, 4_500_100.0)
    assert lanes.nearest(right) == pytest.approx(right, abs=1e-3)


def test_suggested_lanes_are_those_driven_and_places_save_way(driven, farm, choices):
    found = suggest(driven, field=farm, settings=choices)
    assert found.lanes.spacing == pytest.approx(9.144)
    assert found.on_lanes == pytest.approx(1.0)
    assert np.abs(ROWS - found.lanes.nearest(ROWS)).max() < 0.05
    assert found.misfits == {}
    assert len(found.lines) == 14  # from 0.87 m to 119.7 m in steps of 9.144 m
    assert found.loaded_then < found.loaded_now
    assert found.places["loads"].sum() == 3
    assert found.places["mass"].sum() == pytest.approx(12_000.0)
    assert "30.0 ft apart, north to south" in found.sentences[0]


def test_loading_place_against_every_place_tried(driven, farm, choices):
    """With one place allowed it is the best of all, tried one by one."""
    import msgspec

    one = msgspec.structs.replace(
        choices, season=msgspec.structs.replace(choices.season, places_most=1)
    )
    found = suggest(driven, field=farm, settings=one)
    corner = np.array([500_000.0, 4_500_000.0])
    loads = corner + np.array([(28.288, 150.0), (46.576, 150.0), (46.576, 0.0)])
    edge = farm.boundary.boundary
    best = min(
        np.abs(loads - shapely.get_coordinates(edge.interpolate(float(s)))).sum()
        for s in np.arange(0.0, edge.length, choices.season.places_step)
    )
    truck = np.abs(loads - (500_060.0, 4_500_005.0)).sum()
    assert found.loaded_then == pytest.approx(min(best, truck))
    assert found.loaded_now == pytest.approx(truck)


def test_without_a_width_no_lane_is_made_up(driven, farm, choices):
    import msgspec

    bare = msgspec.structs.replace(farm.machines["combine"].bodies[0], attachments=())
    combine = msgspec.structs.replace(farm.machines["combine"], bodies=(bare,))
    unknown = SimpleNamespace(
        **{**vars(farm), "machines": {**farm.machines, "combine": combine}}
    )
    found = suggest(driven, field=unknown, settings=choices)
    assert found.lanes is None
    assert len(found.lines) == 0
    assert found.sentences[0].startswith("No straight work of a known width")
