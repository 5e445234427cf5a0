"""From a synthetic tray to zones: they fill the boundary and say what was decided."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import shapely
from pyproj import Geod
from shapely import LineString, Polygon, box

from trafficmap.core.layers import put_layer
from trafficmap.core.settings import Settings
from trafficmap.core.settings.zones import ZoneSettings
from trafficmap.core.tables import LIQUID
from trafficmap.field.model import LogSource
from trafficmap.zones import candidates, confirm, decide_units, draw, probe_stops
from trafficmap.zones.candidates import end_row_ground, row_heading

WEST, SOUTH = 500_000.0, 4_400_000.0
SETTINGS = Settings()


def run(field, tray, grid, *, tool=None, fit=None, net=100.0, settings=SETTINGS):
    units, notes = candidates(
        tray, field=field, grid=grid, settings=settings.zones, tool=tool
    )
    units = confirm(units, field.dug, settings=settings.zones)
    price = pd.DataFrame({"net": np.full(len(units.table), net)})
    if fit is None:
        fit = pd.DataFrame({"word": ["shatters"] * len(units.table)})
    units, more = decide_units(
        units, field=field, settings=settings.zones, price=price, fit=fit, tool=tool
    )
    zones, last = draw(units, field=field, tray=tray, settings=settings, tool=tool)
    return units, zones, [*notes, *more, *last]


def assert_fills(zones, boundary):
    """No gap, no overlap, and areas that add up to 1e-6 ha."""
    shapes = zones.geometry.to_numpy()
    assert shapely.coverage_is_valid(shapes)
    whole = shapely.union_all(shapes)
    assert whole.symmetric_difference(boundary).area < 1e-3
    assert sum(shape.area for shape in shapes) == pytest.approx(boundary.area, abs=1e-3)
    lonlat = zones.geometry.set_crs(zones.crs, allow_override=True)
    import geopandas as gpd

    outer = gpd.GeoSeries([boundary], crs=lonlat.crs).to_crs(4326).iloc[0]
    # Oriented, or a hole drawn the same way round as its outline would be added.
    outer = shapely.orient_polygons(outer)
    area = abs(Geod(ellps="WGS84").geometry_area_perimeter(outer)[0])
    assert area == pytest.approx(boundary.area, rel=2e-3)
    assert zones["area"].sum() / 1e4 == pytest.approx(area / 1e4, abs=1e-6)


def blob(shape, rows, cols, high=0.7, low=0.05):
    chance = np.full(shape, low)
    chance[rows, cols] = high
    return chance


def test_a_risky_piece_becomes_a_zone_to_probe(make_field, make_tray):
    field = make_field()
    tray, grid = make_tray(field, blob((300, 200), slice(100, 180), slice(60, 120)))
    _, zones, _ = run(field, tray, grid)
    assert_fills(zones, field.boundary)
    assert zones["zone"].tolist() == [0, 1]
    assert zones["advice"].tolist() == ["leave", "probe first"]
    assert zones.loc[1, "row"] == "D2"
    # Grown by half of a working width and the errors, which is what a machine needs.
    assert 80 * 60 < zones.loc[1, "area"] < 90 * 70
    assert tray["work_depth"].values.max() == 0
    assert set(np.unique(tray["zone"].values)) == {0, 1}


def test_nothing_likely_and_nobody_dug_is_all_left(make_field, make_tray):
    field = make_field()
    tray, grid = make_tray(field, 0.1)
    _, zones, _ = run(field, tray, grid)
    assert zones["advice"].tolist() == ["leave"]
    assert zones["row"].tolist() == ["D1"]
    stops, _ = probe_stops(zones, tray, grid=grid, settings=SETTINGS.zones)
    assert len(stops) == 0
    assert_fills(zones, field.boundary)


def test_high_risk_alone_never_rips(make_field, make_tray):
    field = make_field()
    tray, grid = make_tray(field, 0.99)
    _, zones, _ = run(field, tray, grid)
    assert "rip" not in set(zones["advice"])
    assert tray["work_depth"].values.max() == 0


def test_specks_and_short_pieces_are_left_with_a_note(make_field, make_tray):
    field = make_field()
    chance = np.full((300, 200), 0.05)
    chance[50:52, 50:52] = 0.9
    chance[200:220, 60:100] = 0.9  # 800 m2: smaller than half an acre
    tray, grid = make_tray(field, chance)
    _, zones, notes = run(field, tray, grid)
    assert zones["advice"].tolist() == ["leave"]
    small = [note for note in notes if note.code == "zones.too_small"]
    assert [note.count for note in small] == [4 + 800]


def test_single_tracks_grow_to_a_drivable_strip(make_field, make_tray):
    field = make_field()
    chance = np.full((300, 200), 0.05)
    chance[:, 100] = 0.9
    tray, grid = make_tray(field, chance)
    _, zones, _ = run(field, tray, grid)
    strip = zones[zones["advice"] == "probe first"].iloc[0]
    assert strip["area"] / 300 >= 5.0 + 2 * SETTINGS.zones.place_error


def test_end_rows_are_units_of_their_own(make_field, make_tray):
    field = make_field(end_row_width=20.0)
    tray, grid = make_tray(field, 0.6)
    _, zones, _ = run(field, tray, grid)
    ends = zones[zones["kind"] == "end_rows"]
    assert len(ends) == 2
    assert ends["area"].to_numpy() == pytest.approx(200 * 20, rel=2e-3)
    assert_fills(zones, field.boundary)


def test_end_row_ground_is_where_a_run_leaves_the_field():
    ground = end_row_ground(box(0, 0, 100, 400), width=30.0, heading=0.0)
    assert ground.area == pytest.approx(2 * 30 * 100)
    across = end_row_ground(box(0, 0, 100, 400), width=30.0, heading=np.pi / 2)
    assert across.area == pytest.approx(2 * 30 * 400)


def test_rows_run_along_the_long_side_when_nobody_said():
    assert row_heading(box(0, 0, 400, 100), None) == pytest.approx(np.pi / 2)
    assert row_heading(box(0, 0, 400, 100), 10.0) == pytest.approx(np.radians(10))


def test_doubled_liquid_on_risky_ground_is_cut_out(make_field, make_tray):
    liquid = pd.DataFrame([("hose", 0.009, 0.04, 0.12, 9.0)], columns=LIQUID.names())
    depth = np.full((300, 200), 0.009)
    depth[:, 40:50] = 0.018
    field = make_field(liquid=liquid)
    tray, grid = make_tray(field, 0.5, liquid=depth)
    _, zones, _ = run(field, tray, grid)
    strip = zones[zones["kind"] == "overlap"]
    assert len(strip) == 1
    assert strip["area"].iloc[0] == pytest.approx(300 * (10 + 2 * 9), rel=0.01)
    assert "liquid was put down" in strip["further"].iloc[0]
    assert_fills(zones, field.boundary)


def test_keep_outs_keep_their_exact_edge(make_field, make_tray, obstacles):
    line = LineString([(WEST - 10, SOUTH + 20.3), (WEST + 210, SOUTH + 251.7)])
    field = make_field(
        obstacles=obstacles(("buried line", 5.0, True, np.nan, "gas", line))
    )
    tray, grid = make_tray(field, 0.6)
    _, zones, _ = run(field, tray, grid)
    corridor = line.buffer(5.0).intersection(field.boundary)
    keep = zones[zones["kind"] == "keep_out"].iloc[0]
    assert keep.geometry.symmetric_difference(corridor).area < 1e-3
    assert (keep["advice"], keep["row"]) == ("keep out", "D20")
    assert "gas" in keep["reason"]
    assert_fills(zones, field.boundary)


def test_an_unlocated_line_waits_till_it_is_located(make_field, make_tray, obstacles):
    line = LineString([(WEST, SOUTH + 100), (WEST + 200, SOUTH + 100)])
    field = make_field(
        obstacles=obstacles(("buried line", 8.0, False, np.nan, "", line))
    )
    tray, grid = make_tray(field, 0.6)
    _, zones, _ = run(field, tray, grid)
    keep = zones[zones["kind"] == "keep_out"].iloc[0]
    assert (keep["advice"], keep["row"]) == ("keep out", "D17")


def test_a_confirmed_layer_is_ripped_and_strips_stay(
    make_field, make_tray, readings, ripper
):
    dug = readings((WEST + 90, SOUTH + 160))
    field = make_field(dug=dug)
    tray, grid = make_tray(field, blob((300, 200), slice(100, 180), slice(60, 160)))
    _, zones, _ = run(field, tray, grid, tool=ripper)
    rip = zones[zones["advice"] == "rip"]
    assert len(rip) == 1
    # Half way between the last reading above the limit and the next below.
    inches = rip["depth"].iloc[0] / 0.0254
    assert inches == pytest.approx(round(inches))
    below = rip["depth"].iloc[0] - rip["layer_bottom"].iloc[0]
    assert 0.0254 - 1e-9 <= below <= 0.0508 + 1e-9
    strips = zones[zones["kind"] == "strip"]
    assert len(strips) == SETTINGS.zones.strips
    assert set(strips["advice"]) == {"leave"}
    depth = round(rip["depth"].iloc[0] * 1000)
    assert set(np.unique(tray["work_depth"].values)) == {0, depth}
    east, north = np.meshgrid(*grid.centres())
    inside = shapely.contains_xy(strips.geometry.union_all(), east, north)
    assert tray["work_depth"].values[inside].max() == 0
    assert_fills(zones, field.boundary)


def test_probes_on_ground_the_model_called_unlikely_open_a_zone(
    make_field, make_tray, readings, ripper
):
    field = make_field(dug=readings((WEST + 90, SOUTH + 160)))
    tray, grid = make_tray(field, 0.05)
    _, zones, _ = run(field, tray, grid, tool=ripper)
    rip = zones[zones["advice"] == "rip"]
    assert len(rip) == 1
    assert "D21" in rip["further"].iloc[0]
    assert rip["area"].iloc[0] >= SETTINGS.zones.min_area - 3 * 5.0 * 60


def test_ground_without_an_answer_is_a_zone_of_its_own(make_field, make_tray):
    field = make_field()
    chance = np.full((300, 200), 0.05)
    chance[:150] = np.nan
    tray, grid = make_tray(field, chance)
    _, zones, _ = run(field, tray, grid)
    open_ground = zones[zones["advice"] == "not assessed"]
    assert len(open_ground) == 1
    assert open_ground["risk"].iloc[0] == "not assessed"
    assert open_ground["row"].iloc[0] == "D22"
    assert open_ground["area"].iloc[0] == pytest.approx(150 * 200, rel=0.05)


def test_risky_ground_is_cut_where_the_soil_changes(make_field, make_tray):
    field = make_field()
    tray, grid = make_tray(field, blob((300, 200), slice(50, 250), slice(40, 160)))
    soil = np.zeros((300, 200), dtype=np.int16)
    soil[:, 100:] = 1
    soil[100:110, 100:110] = 2  # too small for a zone of its own
    put_layer(tray, "soil_unit", soil)
    _, zones, _ = run(field, tray, grid)
    probe = zones[zones["advice"] == "probe first"]
    assert len(probe) == 2
    assert probe["area"].to_numpy() == pytest.approx([12_600, 12_600], rel=0.05)
    assert_fills(zones, field.boundary)


def test_unwheeled_field_is_left_because_nothing_was_driven(make_field, make_tray):
    source = LogSource(0, Path("a.csv"), "", "combine", "text", "", 0, "utc")
    field = make_field(logs=(source,))
    tray, grid = make_tray(field, 0.0, run_over=np.zeros((300, 200)))
    _, zones, _ = run(field, tray, grid)
    assert zones["reason"].tolist() == ["Nothing was driven here."]


def test_field_without_any_log_is_not_called_unwheeled(make_field, make_tray):
    field = make_field(logs=())
    tray, grid = make_tray(field, 0.0, run_over=np.zeros((300, 200)))
    _, zones, _ = run(field, tray, grid)
    assert zones["advice"].tolist() == ["not assessed"]
    assert zones["reason"].tolist() == [
        "No log is given, so nobody knows what drove here."
    ]


def test_crooked_boundary_with_a_hole_is_filled(make_field, make_tray, obstacles, rng):
    outer = [(0, 0), (212.3, -13.7), (230.1, 140.2), (101.5, 120.9), (90.4, 290.6),
             (-20.8, 250.1)]  # fmt: skip
    shape = Polygon(
        [(WEST + x, SOUTH + y) for x, y in outer],
        [[(WEST + x, SOUTH + y) for x, y in ((40, 60), (70, 62), (66, 91), (38, 88))]],
    )
    line = LineString([(WEST, SOUTH + 200), (WEST + 220, SOUTH + 20)])
    field = make_field(
        boundary=shape,
        end_row_width=18.0,
        rows_heading=15.0,
        obstacles=obstacles(("waterway", 4.0, True, np.nan, "", line)),
    )
    from scipy import ndimage

    noise = ndimage.gaussian_filter(rng.normal(size=(320, 280)), 12)
    chance = np.clip(0.3 + 6 * noise, 0.0, 1.0)
    tray, grid = make_tray(field, chance[:305, :252])
    _, zones, _ = run(field, tray, grid)
    assert_fills(zones, shape)
    assert len(zones) >= 4


@pytest.fixture
def rng():
    return np.random.default_rng(7)


def test_stops_come_with_twins_in_walking_order(make_field, make_tray):
    field = make_field()
    run_over = np.zeros((300, 200))
    run_over[:, ::6] = 1.0
    run_over[:, 1::6] = 1.0
    chance = np.where(run_over > 0, 0.7, 0.0)
    tray, grid = make_tray(field, chance, run_over=run_over)
    _, zones, _ = run(field, tray, grid)
    stops, notes = probe_stops(zones, tray, grid=grid, settings=SETTINGS.zones)
    wheeled = stops[stops["wheeled"] == 1]
    assert len(wheeled) == SETTINGS.zones.stops
    assert len(stops) == 2 * len(wheeled)
    assert not notes
    row, col = grid.row_col(stops["easting"], stops["northing"])
    np.testing.assert_array_equal(run_over[row, col] > 0, stops["wheeled"] == 1)
    for twin in stops[stops["wheeled"] == 0].itertuples():
        own = wheeled[wheeled["point"] == twin.twin_of].iloc[0]
        gap = np.hypot(twin.easting - own["easting"], twin.northing - own["northing"])
        assert gap <= SETTINGS.zones.twin_reach
    assert stops["stop"].tolist() == list(range(1, len(stops) + 1))


def test_no_unwheeled_ground_near_is_said(make_field, make_tray):
    field = make_field()
    tray, grid = make_tray(field, 0.7)
    _, zones, _ = run(field, tray, grid)
    stops, notes = probe_stops(zones, tray, grid=grid, settings=SETTINGS.zones)
    assert set(stops["wheeled"]) == {1}
    assert [note.code for note in notes] == ["zones.no_twin"]


def test_assumed_layer_is_printed_as_such(make_field, make_tray, ripper):
    settings = Settings(zones=ZoneSettings(assume_confirmed=0.25))
    field = make_field()
    tray, grid = make_tray(field, blob((300, 200), slice(100, 180), slice(60, 160)))
    units, _, notes = run(field, tray, grid, tool=ripper, settings=settings)
    assert "assumed, nobody dug here" in set(units.table["dug"])
    worst = [note for note in notes if note.code == "zones.assumed_layer"]
    assert worst[0].severity == "stop"


def test_end_rows_that_fail_beside_a_ripped_body_are_left(
    make_field, make_tray, readings, ripper
):
    body = readings((WEST + 90, SOUTH + 150))
    ends = readings((WEST + 90, SOUTH + 10), rolls="rolls")
    field = make_field(
        dug=pd.concat([body, ends], ignore_index=True), end_row_width=30.0
    )
    tray, grid = make_tray(field, 0.7)
    _, zones, _ = run(field, tray, grid, tool=ripper)
    rows = set(zip(zones["kind"], zones["row"], zones["advice"], strict=True))
    assert ("body", "D5", "rip") in rows
    assert ("end_rows", "D8", "leave") in rows
