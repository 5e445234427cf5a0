"""Builders of tiny fields, trays and readings for the zones tests."""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import box

from trafficmap.core.constants import COMPUTE_DEPTHS
from trafficmap.core.grid import FieldGrid
from trafficmap.core.layers import new_tray, put_layer
from trafficmap.core.settings.risk import RiskSettings
from trafficmap.core.tables import DUG, FIXES, LIQUID
from trafficmap.field.model import Crop, Field, Prices, Tile, Tool
from trafficmap.risk.assess import worst_depth
from trafficmap.risk.classes import risk_class

EPSG = 32616
WEST, SOUTH = 500_000.0, 4_400_000.0


def obstacle_table(rows=()):
    columns = ["kind", "buffer", "located", "cover", "name", "geometry"]
    frame = pd.DataFrame(list(rows), columns=columns)
    return gpd.GeoDataFrame(frame, geometry="geometry", crs=EPSG)


@pytest.fixture(scope="session")
def tiny():
    """The module that writes a tiny field folder, ``decision_field.py``."""
    name = "decision_field"
    if name not in sys.modules:
        path = Path(__file__).with_name(f"{name}.py")
        spec = importlib.util.spec_from_file_location(name, path)
        sys.modules[name] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(sys.modules[name])
    return sys.modules[name]


@pytest.fixture
def obstacles():
    """A table of keep-outs: (kind, buffer, located, cover, name, geometry) a row."""
    return lambda *rows: obstacle_table(rows)


@pytest.fixture
def make_field():
    def make(boundary=None, **changes) -> Field:
        shape = (
            box(WEST, SOUTH, WEST + 200, SOUTH + 300) if boundary is None else boundary
        )
        plain = Field(
            name="made up", season=2026, folder=Path(), invented=True, epsg=EPSG,
            boundary=shape, area=shape.area, time_zone="America/Chicago", units="us",
            logs=(), fixes=FIXES.empty(), machines={}, soil=None, weather=None,
            crop=Crop(now="corn", next="corn", spring_pass=True),
            liquid=LIQUID.empty(), obstacles=obstacle_table(), tile=Tile("none"),
            tools=(), prices=Prices("USD"), dug=DUG.empty(), rows_heading=0.0,
            utilities="located",
        )  # fmt: skip
        return replace(plain, **changes)

    return make


@pytest.fixture
def make_tray():
    """A tray where `chance` (row, col) holds at every depth; NaN is not assessed."""

    def make(field, chance, *, cell=1.0, run_over=None, liquid=None, once=0.009):
        grid = FieldGrid.covering(field.boundary.bounds, cell=cell, epsg=EPSG)
        chance = np.broadcast_to(np.asarray(chance, dtype=float), grid.shape)
        from shapely import contains_xy

        east, north = np.meshgrid(*grid.centres())
        covered = contains_xy(field.boundary, east, north)
        run_over = np.ones(grid.shape) if run_over is None else run_over
        tray = new_tray(grid)
        put_layer(tray, "inside", np.where(covered, 1.0, 0.0))
        put_layer(tray, "run_over", run_over * covered)
        put_layer(tray, "passes", np.where(run_over > 0, 3, 0))
        put_layer(tray, "heaviest_axle", np.where(run_over > 0, 20_000.0, 0.0))
        deep = np.repeat(chance[None], len(COMPUTE_DEPTHS), axis=0)
        put_layer(tray, "probability", deep)
        put_layer(tray, "damaged_share", deep * run_over)
        worst = risk_class(worst_depth(deep), settings=RiskSettings())
        put_layer(tray, "risk_worst", np.where(covered, worst, 255))
        if liquid is not None:
            put_layer(tray, "liquid", liquid)
            put_layer(tray, "liquid_once", np.where(liquid > 0, once, 0.0))
        return tray, grid

    return make


@pytest.fixture
def ripper() -> Tool:
    return Tool(
        name="ripper", width=5.0, shanks=7, depth_min=0.15, depth_max=0.50,
        foot_width=0.09, winged=True, power=300e3, drive="4wd",
    )  # fmt: skip


@pytest.fixture
def readings():
    """Probe readings: hard from `top` to `bottom` [m] in tracks, and their twins."""

    def make(
        place, *, top=0.15, bottom=0.24, wheeled=10, twin=10, hard=3.0e6, beside=1.2e6,
        share=1.0, plates=True, rolls="cracks", roll_depths=(0.1, 0.2, 0.28),
    ):  # fmt: skip
        rows = []
        easting, northing = place
        depths = np.round(np.arange(0.0254, 0.51, 0.0254), 4)
        day = pd.Timestamp("2026-10-25")
        for side, count in ((1.0, wheeled), (0.0, twin)):
            for k in range(count):
                is_hard = side == 1.0 and k < round(share * wheeled)
                for depth in depths:
                    inside = top <= depth <= bottom
                    value = hard if is_hard and inside else beside
                    rows.append(
                        (f"{k}", easting + k, northing + side, day, "probe", side,
                         depth, value, None)
                    )  # fmt: skip
        if plates is not None:
            word = "plates" if plates else "crumbs"
            rows.append(("s", easting, northing, day, "spade", 1.0, 0.2, np.nan, word))
        for depth in roll_depths:
            rows.append(
                ("r", easting, northing, day, "hand_roll", 1.0, depth, np.nan, rolls)
            )
        frame = pd.DataFrame(rows, columns=DUG.names())
        return frame.astype({"depth": float, "value": float, "wheeled": float})

    return make
