"""Ground no shank goes into, and tile it may go over only so deep."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import shapely
from shapely import LineString, Point, box

from trafficmap.core.settings import Settings
from trafficmap.field.model import Tile
from trafficmap.zones import candidates, confirm, decide_units, draw
from trafficmap.zones.exclude import exclusion_notes, keep_out_shapes, tile_caps
from trafficmap.zones.shanks import deepest_lift

WEST, SOUTH = 500_000.0, 4_400_000.0
SETTINGS = Settings()
LINE = LineString([(WEST - 10, SOUTH + 120.3), (WEST + 210, SOUTH + 171.7)])
INCH = 0.0254


def run(field, tray, grid, tool):
    work = {"field": field, "settings": SETTINGS.zones, "tool": tool}
    units, notes = candidates(tray, grid=grid, **work)
    units = confirm(units, field.dug, settings=SETTINGS.zones)
    if isinstance(units, tuple):
        units = units[0]
    price = pd.DataFrame({"net": np.full(len(units.table), 100.0)})
    fit = pd.DataFrame({"word": ["shatters"] * len(units.table)})
    units, more = decide_units(units, price=price, fit=fit, **work)
    zones, last = draw(units, field=field, tray=tray, settings=SETTINGS, tool=tool)
    return zones, [*notes, *more, *last]


@pytest.fixture
def dug_field(make_field, readings, obstacles):
    """A field with a confirmed layer everywhere, and these obstacles."""

    def make(*rows, **changes):
        dug = readings((WEST + 90, SOUTH + 160))
        return make_field(dug=dug, obstacles=obstacles(*rows), **changes)

    return make


def test_shanks_go_up_over_shallow_tile_and_only_there(dug_field, make_tray, ripper):
    field = dug_field(("tile", 3.0, True, 0.40, "main", LINE), tile=Tile("known", 0.9))
    tray, grid = make_tray(field, 0.7)
    zones, notes = run(field, tray, grid, ripper)
    over = zones[zones["kind"] == "keep_out"]
    assert over[["advice", "row"]].drop_duplicates().values.tolist() == [
        ["keep out", "D7"]
    ]
    strip = LINE.buffer(3.0).intersection(field.boundary)
    rip = zones[zones["advice"] == "rip"]
    strips = zones[zones["kind"] == "strip"].union_all()
    found = over.union_all()
    # Check strips are left anyway and keep their ground.
    assert found.symmetric_difference(strip.difference(strips)).area < 1e-3
    assert rip.union_all().intersection(strip).area < 1e-3
    assert "main" in over["reason"].iloc[0]
    assert "16 in (40 cm) of soil" in over["reason"].iloc[0]
    assert [n.code for n in notes if n.code.startswith("zones.tile")] == [
        "zones.tile_covers",
        "zones.tile_shallow",
    ]
    east, north = np.meshgrid(*grid.centres())
    on = shapely.contains_xy(strip, east, north)
    assert tray["work_depth"].values[on].max() == 0
    assert shapely.coverage_is_valid(zones.geometry.to_numpy())
    assert zones.area.sum() == pytest.approx(field.boundary.area, abs=1e-3)


def test_deep_tile_is_ripped_over(dug_field, make_tray, ripper):
    field = dug_field(("tile", 3.0, True, 1.2, "main", LINE), tile=Tile("known", 1.2))
    tray, grid = make_tray(field, 0.7)
    zones, notes = run(field, tray, grid, ripper)
    assert "keep_out" not in set(zones["kind"])
    assert "rip" in set(zones["advice"])
    assert not [n for n in notes if n.code.startswith("zones.tile")]


def test_the_cap_is_the_cover_less_eight_inches(dug_field):
    field = dug_field(("tile", 3.0, True, 1.0, "main", LINE))
    cap = tile_caps(field, settings=SETTINGS.zones)[0]
    assert cap.deepest == pytest.approx(1.0 - 8 * INCH, abs=1e-6)
    # A hair below the cap is worked, a hair above it is not.
    shallow = dug_field(("tile", 3.0, True, 11 * INCH + 8 * INCH, "main", LINE))
    assert tile_caps(shallow, settings=SETTINGS.zones)[0].deepest == pytest.approx(
        11 * INCH, abs=1e-6
    )


@pytest.mark.parametrize(
    ("located", "cover", "row"), [(True, np.nan, "D20"), (False, 0.9, "D17")]
)
def test_tile_of_unknown_depth_or_place_stays_a_keep_out(
    located, cover, row, dug_field, make_tray, ripper
):
    field = dug_field(("tile", 3.0, located, cover, "main", LINE))
    tray, grid = make_tray(field, 0.7)
    zones, _ = run(field, tray, grid, ripper)
    keep = zones[zones["kind"] == "keep_out"]
    assert set(keep["row"]) == {row}
    assert tile_caps(field, settings=SETTINGS.zones) == []


def test_a_line_takes_the_cover_stated_for_the_field(dug_field):
    field = dug_field(
        ("tile", 3.0, True, np.nan, "main", LINE), tile=Tile("known", 0.9)
    )
    assert tile_caps(field, settings=SETTINGS.zones)[0].cover == 0.9
    assert keep_out_shapes(field) == []


@pytest.mark.parametrize(
    ("cover", "words"),
    [(0.6, "lies shallower than stated: 24 in (60 cm)"), (1.3, "lies deeper than")],
)
def test_a_tile_line_that_contradicts_what_was_stated(cover, words, dug_field):
    field = dug_field(("tile", 3.0, True, cover, "main", LINE), tile=Tile("known", 0.9))
    notes = exclusion_notes(field, width=5.0)
    assert [note.code for note in notes] == ["zones.tile_covers"]
    assert words in notes[0].sentence
    same = dug_field(("tile", 3.0, True, 0.91, "main", LINE), tile=Tile("known", 0.9))
    assert exclusion_notes(same, width=5.0) == []


def test_tile_lines_where_there_should_be_none(dug_field):
    field = dug_field(("tile", 3.0, True, 0.9, "main", LINE), tile=Tile("none"))
    assert [n.code for n in exclusion_notes(field, width=5.0)] == ["zones.tile_denied"]


def test_a_lane_drawn_as_a_bare_line_is_not_lost(dug_field):
    """A line has no area: without a buffer it used to vanish without a word."""
    field = dug_field(
        ("lane", 0.0, True, np.nan, "", LINE),
        ("other", 0.0, True, np.nan, "well", Point(WEST + 50, SOUTH + 50)),
    )
    shapes = keep_out_shapes(field, width=5.0)
    assert [shape["geometry"].area > 0 for shape in shapes] == [True, True]
    assert shapes[1]["geometry"].area == pytest.approx(math.pi * 2.5**2, rel=0.01)
    notes = exclusion_notes(field, width=5.0)
    assert [(n.code, n.count) for n in notes] == [("zones.keep_out_width", 2)]


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("lane", "wheels will use it again"),
        ("crossing", "cross here again before planting"),
        ("waterway", "would wash"),
        ("slope", "too steep"),
        ("organic soil", "organic soil"),
        ("wet spot", "would smear"),
    ],
)
def test_every_kind_of_keep_out_says_why(kind, words, dug_field, make_tray, ripper):
    patch = box(WEST + 80, SOUTH + 100, WEST + 120, SOUTH + 140)
    field = dug_field((kind, 0.0, True, np.nan, kind, patch))
    tray, grid = make_tray(field, 0.7)
    zones, _ = run(field, tray, grid, ripper)
    keep = zones[zones["kind"] == "keep_out"].iloc[0]
    assert (keep["advice"], keep["row"]) == ("keep out", "D20")
    assert words in keep["reason"]
    assert keep.geometry.area == pytest.approx(1600.0)


def test_a_narrow_foot_does_not_go_where_it_smears(dug_field, make_tray, ripper):
    """Common practice, no source: a tip below the critical depth cuts a slot."""
    field = dug_field()
    tray, grid = make_tray(field, 0.7)
    narrow = replace(ripper, foot_width=0.05, winged=False)
    assert deepest_lift(narrow, widths=5.0) == pytest.approx(0.25)
    zones, _ = run(field, tray, grid, narrow)
    body = zones[zones["kind"] == "body"].iloc[0]
    assert (body["advice"], body["row"]) == ("manage", "D7")
    assert "elow 10 in (25 cm) shanks with so narrow a foot smear" in body["reason"]
    wide = replace(ripper, foot_width=0.09, winged=False)
    zones, _ = run(field, tray, grid, wide)
    assert "rip" in set(zones["advice"])


def test_a_foot_nobody_measured_is_said(dug_field, make_tray, ripper):
    field = dug_field()
    tray, grid = make_tray(field, 0.7)
    _, notes = run(field, tray, grid, replace(ripper, foot_width=None))
    assert "zones.foot_width" in {note.code for note in notes}
    _, notes = run(field, tray, grid, ripper)
    assert "zones.foot_width" not in {note.code for note in notes}


def test_tool_reach_is_named_as_the_limit(dug_field, make_tray, ripper):
    field = dug_field()
    tray, grid = make_tray(field, 0.7)
    zones, _ = run(field, tray, grid, replace(ripper, depth_max=0.2))
    body = zones[zones["kind"] == "body"].iloc[0]
    assert (body["advice"], body["row"]) == ("manage", "D7")
    assert "does not reach that deep, only 8 in (20 cm)" in body["reason"]
