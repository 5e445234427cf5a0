"""The order of work, and how fitness reaches the units."""

from __future__ import annotations

import math
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import box

from trafficmap.core.settings.plan import PlanSettings
from trafficmap.core.tables import DUG, FIXES, LIQUID, PLAN
from trafficmap.field.model import Crop, Field, Prices, Tile, Tool
from trafficmap.plan import CAUTIONS, cautions, work_plan

SETTINGS = PlanSettings()
RIPPER = Tool(
    name="ripper", width=5.0, shanks=10, depth_min=0.2, depth_max=0.46,
    foot_width=0.09, power=400e3, drive="4wd",
)  # fmt: skip


def make_field(**changes) -> Field:
    plain = {
        "name": "made up", "season": 2026, "folder": Path(), "invented": False,
        "epsg": 32616, "boundary": box(0, 0, 1, 1), "area": 1.0, "time_zone": None,
        "units": "us", "logs": (), "fixes": FIXES.empty(), "machines": {}, "soil": None,
        "weather": None, "crop": Crop("corn", "corn", spring_pass=True),
        "liquid": LIQUID.empty(), "obstacles": gpd.GeoDataFrame(), "tile": Tile("none"),
        "tools": (RIPPER,), "prices": Prices("USD"), "dug": DUG.empty(),
        "utilities": "located",
    }  # fmt: skip
    return Field(**(plain | changes))


def make_zones(*rows) -> gpd.GeoDataFrame:
    """Rows of (advice, row, run-over share, box)."""
    frame = pd.DataFrame(
        [
            {
                "zone": k, "advice": advice, "row": row, "run_over": share,
                "depth": 0.33 if advice == "rip" else math.nan, "area": shape.area,
                "trial": False, "geometry": shape,
            }
            for k, (advice, row, share, shape) in enumerate(rows)
        ]
    )  # fmt: skip
    return gpd.GeoDataFrame(frame, geometry="geometry", crs=32616)


def plan_of(zones, field=None, **options):
    return work_plan(
        zones, field=field or make_field(), settings=SETTINGS, heading=0.0, **options
    )


LONG = box(0, 0, 60, 600)
SHORT = box(200, 0, 800, 60)


def test_nothing_to_do_is_an_empty_plan_that_keeps_the_contract():
    frame, notes = plan_of(make_zones(("leave", "D1", 0.4, LONG)))
    assert len(frame) == 0
    assert list(frame.columns) == PLAN.names()
    assert notes == []


def test_end_rows_first_then_money_by_the_hour_then_ruts():
    zones = make_zones(
        ("leave", "D1", 0.1, box(900, 0, 1000, 100)),
        ("level ruts only", "D3", 1.0, box(900, 200, 1000, 300)),
        ("rip", "D5", 1.0, SHORT),
        ("rip", "D5", 1.0, LONG),
        ("rip", "D9", 0.9, box(0, 700, 600, 730)),
    )
    frame, _ = plan_of(zones)
    assert frame["zone"].tolist() == [4, 3, 2, 1]
    assert frame["order"].tolist() == [1, 2, 3, 4]
    assert frame["job"].tolist() == ["rip", "rip", "rip", "level ruts"]
    # Same area and money, longer runs: less time for it.
    long, short = frame.iloc[1], frame.iloc[2]
    assert long["net"] == pytest.approx(short["net"])
    assert long["duration"] < short["duration"]


def test_sure_money_goes_before_what_may_not_pay():
    zones = make_zones(("rip", "D5", 1.0, LONG), ("rip", "D5", 0.62, SHORT))
    settings = PlanSettings(
        loss_spread=(1.0, 1.5), limits_spread=(0.7, 0.9), fracture_spread=(0.75, 0.8),
        ripping_range=(20 / 4046.8564, 27 / 4046.8564),
    )  # fmt: skip
    frame, _ = work_plan(zones, field=make_field(), settings=settings, heading=0.0)
    sure = frame.iloc[0]
    assert sure["net_low"] > 0
    unsure = frame.iloc[1]
    assert unsure["net_low"] < 0 < unsure["net_high"]
    assert "does not pay for sure" in unsure["reason"]


def test_ranges_hold_the_best_value():
    frame, _ = plan_of(make_zones(("rip", "D5", 1.0, LONG)))
    row = frame.iloc[0]
    for name in ("duration", "fuel", "net"):
        assert row[f"{name}_low"] <= row[name] <= row[f"{name}_high"]
    assert row["duration"] > LONG.area / (RIPPER.width * SETTINGS.speed)


def test_time_too_short_cuts_the_list_from_the_end():
    zones = make_zones(("rip", "D5", 1.0, LONG), ("rip", "D5", 1.0, SHORT))
    whole, _ = plan_of(zones)
    time = whole["duration"].iloc[0] + 60.0
    frame, notes = plan_of(zones, window=time)
    assert frame["zone"].tolist() == [whole["zone"].iloc[0]]
    assert "plan.window" in {note.code for note in notes}
    same, notes = plan_of(zones, window=1e6)
    assert len(same) == 2
    assert "plan.window" not in {note.code for note in notes}


def test_without_a_tool_hours_and_fuel_are_not_known():
    zones = make_zones(("rip", "D5", 1.0, LONG))
    frame, notes = plan_of(zones, field=make_field(tools=()))
    assert frame[["duration", "fuel"]].isna().all().all()
    assert frame["net"].notna().all()
    assert [note.code for note in notes] == ["plan.no_tool"]


def test_the_way_between_zones_takes_time():
    near = make_zones(
        ("rip", "D5", 1.0, LONG), ("rip", "D5", 1.0, box(60, 0, 120, 600))
    )
    far = make_zones(
        ("rip", "D5", 1.0, LONG), ("rip", "D5", 1.0, box(1060, 0, 1120, 600))
    )
    gap = plan_of(far)[0]["duration"].sum() - plan_of(near)[0]["duration"].sum()
    assert gap == pytest.approx(1000.0 / SETTINGS.transport_speed)


def test_cautions_of_this_field_come_first():
    assert cautions(make_field()) == list(CAUTIONS)
    said = cautions(make_field(utilities="unsaid", tile=Tile("unsaid"), invented=True))
    assert len(said) == len(CAUTIONS) + 3
    assert said[3:] == list(CAUTIONS)
    assert "Buried lines" in said[0]
    assert np.all([text.endswith(".") for text in said])
