"""Laws zones keep on any ground: they fill it, and a machine can drive them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pyproj import Geod
from scipy import ndimage
from shapely import LineString, box
from shapely.affinity import rotate

from trafficmap.core.constants import COMPUTE_DEPTHS
from trafficmap.core.grid import FieldGrid
from trafficmap.core.layers import get_layer, new_tray, put_layer
from trafficmap.core.settings import Settings
from trafficmap.core.settings.risk import RiskSettings
from trafficmap.core.tables import DUG, FIXES, LIQUID
from trafficmap.field.model import Crop, Field, Prices, Tile, Tool
from trafficmap.risk.assess import worst_depth
from trafficmap.risk.classes import risk_class
from trafficmap.zones import candidates, decide_units, draw
from trafficmap.zones.drivable import Size
from trafficmap.zones.units import REST

EPSG = 32616
WEST, SOUTH = 500_000.0, 4_400_000.0
TOOL = Tool(
    name="ripper", width=5.0, shanks=7, depth_min=0.15, depth_max=0.50, foot_width=0.09
)
SETTINGS = Settings()
FEW = settings(
    max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)


@st.composite
def grounds(draw_from):
    """A crooked field with noise for chances, keep-outs, tile, liquid and end rows."""
    turn = draw_from(st.floats(0.0, 89.0))
    sides = draw_from(st.tuples(st.integers(90, 220), st.integers(90, 220)))
    seed = draw_from(st.integers(0, 2**32 - 1))
    return (
        rotate(box(WEST, SOUTH, WEST + sides[0], SOUTH + sides[1]), turn),
        np.random.default_rng(seed),
        draw_from(st.floats(3.0, 20.0)),  # how coarse the noise is
        draw_from(st.sampled_from([None, 12.0, 25.0])),
        draw_from(st.booleans()),
    )


def field_of(boundary, rng, ends, cut):
    west, south, east, north = boundary.bounds
    line = LineString(
        [(west, rng.uniform(south, north)), (east, rng.uniform(south, north))]
    )
    rows = []
    if cut:
        rows = [
            ("buried line", 4.0, True, np.nan, "gas", line),
            ("tile", 3.0, True, 0.42, "main", rotate(line, 70.0)),
        ]
    columns = ["kind", "buffer", "located", "cover", "name", "geometry"]
    table = gpd.GeoDataFrame(
        pd.DataFrame(rows, columns=columns), geometry="geometry", crs=EPSG
    )
    return Field(
        name="made up", season=2026, folder=Path(), invented=True, epsg=EPSG,
        boundary=boundary, area=boundary.area, time_zone=None, units="us", logs=(),
        fixes=FIXES.empty(), machines={}, soil=None, weather=None,
        crop=Crop(now="corn", next="corn", spring_pass=True), liquid=LIQUID.empty(),
        obstacles=table, tile=Tile("known", 0.9), tools=(TOOL,), prices=Prices("USD"),
        dug=DUG.empty(), rows_heading=float(rng.uniform(0, 180)), end_row_width=ends,
        utilities="located",
    )  # fmt: skip


def noise(shape, rng, coarse):
    rough = ndimage.gaussian_filter(rng.normal(size=shape), coarse)
    return rough / max(rough.std(), 1e-9)


def tray_of(boundary, rng, coarse):
    grid = FieldGrid.covering(boundary.bounds, cell=1.0, epsg=EPSG)
    east, north = np.meshgrid(*grid.centres())
    covered = shapely.contains_xy(boundary, east, north)
    chance = np.clip(0.35 + 0.3 * noise(grid.shape, rng, coarse), 0.0, 1.0)
    chance[noise(grid.shape, rng, 15.0) > 1.5] = np.nan
    tray = new_tray(grid)
    put_layer(tray, "inside", covered.astype(float))
    put_layer(tray, "run_over", covered.astype(float))
    put_layer(tray, "passes", covered * 2)
    axle = np.where(np.isnan(chance) & (east < east.mean()), np.nan, 20_000.0)
    put_layer(tray, "heaviest_axle", axle)
    deep = np.repeat(chance[None], len(COMPUTE_DEPTHS), axis=0)
    put_layer(tray, "probability", deep)
    put_layer(tray, "damaged_share", deep)
    worst = risk_class(worst_depth(deep), settings=RiskSettings())
    put_layer(tray, "risk_worst", np.where(covered, worst, 255))
    put_layer(tray, "soil_unit", (noise(grid.shape, rng, 30.0) > 0).astype(np.int16))
    put_layer(tray, "liquid", 0.009 * (1 + (noise(grid.shape, rng, 8.0) > 1.2)))
    put_layer(tray, "liquid_once", np.full(grid.shape, 0.009))
    return tray, grid


def zoned(ground, *, confirmed=True):
    boundary, rng, coarse, ends, cut = ground
    field = field_of(boundary, rng, ends, cut)
    tray, grid = tray_of(boundary, rng, coarse)
    work = {"field": field, "settings": SETTINGS.zones, "tool": TOOL}
    units, _ = candidates(tray, grid=grid, **work)
    count = len(units.table)
    # Every other unit has a layer that somebody found, the others nobody dug.
    found = np.arange(count) % 2 == 0
    table = units.table.assign(
        probed=np.where(found & confirmed, "confirmed", "none"), layer_top=0.1,
        layer_bottom=np.where(found, 0.23, np.nan), rut=0.0, trial="", dug="",
        rolls=[[(0.1, "cracks"), (0.2, "cracks"), (0.26, "cracks")]] * count,
    )  # fmt: skip
    units = units.with_table(table)
    price = pd.DataFrame({"net": np.full(count, 100.0)})
    fit = pd.DataFrame({"word": ["shatters"] * count})
    units, _ = decide_units(units, price=price, fit=fit, **work)
    zones, _ = draw(units, field=field, tray=tray, settings=SETTINGS, tool=TOOL)
    return field, tray, grid, units, zones


@FEW
@given(grounds())
def test_zones_fill_the_field_without_gap_or_overlap(ground):
    field, _, _, _, zones = zoned(ground)
    shapes = zones.geometry.to_numpy()
    assert shapely.is_valid(shapes).all()
    assert shapely.coverage_is_valid(shapes)
    whole = shapely.union_all(shapes)
    assert whole.symmetric_difference(field.boundary).area < 1e-3
    assert shapely.area(shapes).sum() == pytest.approx(field.boundary.area, abs=1e-3)
    lonlat = gpd.GeoSeries([field.boundary], crs=EPSG).to_crs(4326).iloc[0]
    known = abs(Geod(ellps="WGS84").geometry_area_perimeter(lonlat)[0])
    assert zones["area"].sum() == pytest.approx(known, rel=1e-9)
    assert zones["zone"].is_unique


@FEW
@given(grounds())
def test_every_zone_and_all_left_ground_says_why(ground):
    *_, zones = zoned(ground)
    assert (zones["reason"].str.len() > 15).all()
    assert zones["reason"].str.endswith(".").all()
    assert zones["row"].str.fullmatch(r"D\d+").all()


@FEW
@given(grounds())
def test_units_share_out_the_cells_and_are_large_enough(ground):
    _, tray, grid, units, _ = zoned(ground)
    inside = get_layer(tray, "inside") > 0
    assert ((units.label >= 0) == inside).all()
    size = Size(
        TOOL.width, settings=SETTINGS.zones, cell=1.0, heading=units.heading, tool=TOOL
    )
    for row in units.table.itertuples():
        if row.kind not in ("body", "overlap"):
            continue
        mask = units.label == row.unit
        assert mask.sum() * grid.cell_area >= SETTINGS.zones.min_area - 1e-6
        # Somewhere in it a circle of a working width fits.
        assert size.has_room(mask)


@FEW
@given(grounds())
def test_smoothing_keeps_the_area_of_every_unit(ground):
    """Outlines cut corners of cells on both sides alike: a tenth of a metre a metre."""
    field, _, grid, units, zones = zoned(ground, confirmed=False)
    keep = zones[zones["kind"] == "keep_out"].union_all()
    for row in zones.itertuples():
        if row.unit == REST or row.kind in ("keep_out", "strip"):
            continue
        cells = np.argwhere(units.label == row.unit)
        east, north = grid.centres()
        squares = shapely.box(
            east[cells[:, 1]] - 0.5, north[cells[:, 0]] - 0.5,
            east[cells[:, 1]] + 0.5, north[cells[:, 0]] + 0.5,
        )  # fmt: skip
        known = shapely.union_all(squares).intersection(field.boundary)
        known = known.difference(keep)
        assert abs(row.geometry.area - known.area) <= 0.15 * known.length + 5.0


@FEW
@given(grounds())
def test_depth_is_set_on_ripped_ground_and_nowhere_else(ground):
    field, tray, grid, _, zones = zoned(ground)
    depth = get_layer(tray, "work_depth")
    number = get_layer(tray, "zone")
    ripped = zones.loc[zones["advice"] == "rip", "zone"]
    assert not depth[(depth > 0) & ~np.isin(number, ripped)].any()
    tips = zones.loc[zones["advice"] == "rip", "depth"]
    assert (tips <= TOOL.depth_max + 1e-9).all()
    inches = tips / 0.0254
    assert np.allclose(inches, inches.round())
    assert tips.nunique() <= SETTINGS.zones.most_depths
    east, north = np.meshgrid(*grid.centres())
    for row in field.obstacles.itertuples():
        near = shapely.contains_xy(row.geometry.buffer(row.buffer), east, north)
        # No shank at the buried line; above tile only down to 8 in over it.
        deepest = 0.0 if row.kind == "buried line" else row.cover - 0.2032
        assert (depth[near] <= deepest * 1000 + 1).all()


@FEW
@given(grounds(), st.sampled_from([0.0, 17.0, 90.0]))
def test_a_tool_wider_than_the_field_draws_nothing_to_work(ground, turn):
    _, rng, coarse, _, _ = ground
    narrow = rotate(box(WEST, SOUTH, WEST + 9.0, SOUTH + 400.0), turn)
    field = field_of(narrow, rng, None, cut=False)
    tray, grid = tray_of(narrow, rng, coarse)
    wide = replace(TOOL, width=12.0)
    units, notes = candidates(
        tray, field=field, grid=grid, settings=SETTINGS.zones, tool=wide
    )
    assert set(units.table["kind"]) == {"rest"}
    assert "zones.tool_wide" in {note.code for note in notes}
