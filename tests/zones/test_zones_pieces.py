"""Ground cut where its kind changes, and joined again where pieces are many."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from trafficmap.core.layers import put_layer
from trafficmap.core.settings.zones import ZoneSettings
from trafficmap.core.tables import LIQUID
from trafficmap.zones import candidates
from trafficmap.zones.pieces import at_most, by_ground
from trafficmap.zones.unanswered import CAUSES, open_causes

ALL = np.ones((100, 100), dtype=bool)


def cut_tray(make_field, make_tray, chance=0.6, **changes):
    field = make_field(**changes)
    return field, *make_tray(field, chance)


def units_of(field, tray, grid, **changes):
    settings = ZoneSettings(**changes)
    return candidates(tray, field=field, grid=grid, settings=settings)


def test_small_pieces_stay_with_the_nearest_large_one():
    ground = np.zeros((100, 100), dtype=int)
    ground[:, 60:] = 1
    ground[40:50, 20:30] = 2
    out, count = by_ground(ALL, ground, 500)
    assert count == 2
    assert out[45, 25] == out[0, 0]
    assert (out > 0).all()


def test_pieces_are_joined_on_the_same_soil_first():
    """Piece 2 borders 1 for longer, but 3 is its own soil."""
    numbered = np.zeros((10, 30), dtype=np.int32)
    numbered[:, :10] = 1
    numbered[:, 10:14] = 2
    numbered[:4, 14:] = 3
    soil = np.where(numbered == 1, 0, 1)
    out, count = at_most((numbered, 3), 2, soil=soil)
    assert count == 2
    assert out[0, 12] == out[0, 20]
    out, _ = at_most((numbered, 3), 2)
    assert out[0, 12] == out[0, 0]


def test_pieces_without_a_neighbour_are_not_joined():
    numbered = np.zeros((5, 9), dtype=np.int32)
    numbered[:, 0], numbered[:, 4], numbered[:, 8] = 1, 2, 3
    out, count = at_most((numbered, 3), 1)
    assert count == 3
    np.testing.assert_array_equal(out, numbered)


def test_many_soils_come_out_as_few_zones_and_no_risky_ground_is_dropped(
    make_field, make_tray
):
    field, tray, grid = cut_tray(make_field, make_tray)
    bands = np.repeat(np.arange(10), 30)[:, None] * np.ones((1, 200))
    put_layer(tray, "soil_unit", bands.astype(np.int16))
    units, notes = units_of(field, tray, grid, most_units=4)
    assert (units.table["kind"] == "body").sum() == 4
    assert (units.label > 0).all()
    assert "zones.too_many" not in {note.code for note in notes}


def test_end_rows_are_cut_where_the_soil_changes(make_field, make_tray):
    """Probes in sand say nothing about clay, in the end rows either."""
    field, tray, grid = cut_tray(make_field, make_tray, end_row_width=20.0)
    soil = np.zeros((300, 200), dtype=np.int16)
    soil[:, 80:] = 1
    put_layer(tray, "soil_unit", soil)
    units, _ = units_of(field, tray, grid, min_area=1000.0)
    ends = units.table[units.table["kind"] == "end_rows"]
    assert sorted(ends["area"].round()) == [1600.0, 1600.0, 2400.0, 2400.0]
    whole, _ = units_of(field, tray, grid, min_area=2023.0)
    ends = whole.table[whole.table["kind"] == "end_rows"]
    # A piece below the smallest zone stays with the rest of its strip.
    assert sorted(ends["area"].round()) == [4000.0, 4000.0]


def test_steep_ground_is_a_zone_of_its_own(make_field, make_tray):
    field, tray, grid = cut_tray(make_field, make_tray)
    slope = np.full((300, 200), 0.02)
    slope[:, 150:] = 0.09
    put_layer(tray, "slope", slope)
    units, _ = units_of(field, tray, grid)
    body = units.table[units.table["kind"] == "body"].sort_values("area")
    assert body["area"].tolist() == [300 * 50.0, 300 * 150.0]
    assert body["slope"].tolist() == pytest.approx([0.09, 0.02])


def test_two_machines_are_each_held_to_their_own_rate(make_field, make_tray):
    """A tanker at half the rate of the hose: only what was driven twice is a double."""
    liquid = pd.DataFrame(
        [("hose", 0.009, 0.04, 0.12, 9.0), ("tanker", 0.0045, 0.04, 0.12, 6.0)],
        columns=LIQUID.names(),
    )
    field = make_field(liquid=liquid)
    depth = np.full((300, 200), 0.009)
    depth[:, 100:] = 0.0045
    depth[:, 150:160] = 0.009  # the tanker twice
    once = np.where(np.arange(200) < 100, 0.009, 0.0045) * np.ones((300, 1))
    tray, grid = make_tray(field, 0.5, liquid=depth, once=once)
    units, _ = units_of(field, tray, grid)
    strip = units.table[units.table["kind"] == "overlap"]
    assert strip["area"].tolist() == [pytest.approx(300 * (10 + 2 * 9))]
    cols = np.flatnonzero((units.label == strip["unit"].iloc[0]).any(axis=0))
    assert (cols.min(), cols.max()) == (141, 168)


def test_body_ground_that_got_liquid_is_a_zone_of_its_own(make_field, make_tray):
    field = make_field()
    depth = np.zeros((300, 200))
    depth[:, :90] = 0.009
    tray, grid = make_tray(field, 0.5, liquid=depth)
    units, _ = units_of(field, tray, grid)
    body = units.table[units.table["kind"] == "body"]
    assert sorted(body["area"]) == [300 * 90.0, 300 * 110.0]


def test_ground_without_an_answer_is_cut_by_what_is_not_known(make_field, make_tray):
    field = make_field()
    chance = np.full((300, 200), 0.05)
    chance[:, :100] = np.nan
    tray, grid = make_tray(field, chance)
    axle = np.full((300, 200), 20_000.0)
    axle[:100, :100] = np.nan
    put_layer(tray, "heaviest_axle", axle)
    day = np.full((300, 200), 20261015)
    day[200:, :100] = -1
    put_layer(tray, "first_day", day)
    codes = open_causes(tray)
    assert [codes[50, 50], codes[150, 50], codes[250, 50]] == [1, 4, 3]
    assert (codes[:, 100:] == 0).all()
    units, _ = units_of(field, tray, grid)
    body = units.table[units.table["kind"] == "body"]
    assert body["open_why"].tolist() == [CAUSES[1], CAUSES[3], CAUSES[4]]
    assert body["area"].to_numpy() == pytest.approx(100 * 100, rel=0.08)


def test_ground_off_the_soil_map_is_said_to_be_off_it(make_field, make_tray):
    _, tray, _ = cut_tray(make_field, make_tray, np.full((300, 200), np.nan))
    put_layer(tray, "soil_unit", np.full((300, 200), -1))
    assert set(np.unique(open_causes(tray))) == {2}


def test_a_tool_wider_than_the_end_rows_is_said(make_field, make_tray, ripper):
    field, tray, grid = cut_tray(make_field, make_tray, end_row_width=3.0)
    _, notes = candidates(
        tray, field=field, grid=grid, settings=ZoneSettings(), tool=ripper
    )
    said = {note.code: note.sentence for note in notes}
    assert "the end rows are 10 ft (3.0 m) wide" in said["zones.end_rows_narrow"]
    assert "zones.tool_wide" not in said
