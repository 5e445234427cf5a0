"""One truth: advice, plan and money agree whether a zone pays."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
from shapely import box

from trafficmap.core.settings.plan import PlanSettings
from trafficmap.core.tables import DUG, FIXES, LIQUID
from trafficmap.field.model import Crop, Field, Prices, Tile, Tool
from trafficmap.plan import money_block, settle, work_plan
from trafficmap.plan.settle import settle as settle_zones
from trafficmap.zones.decide import UnitInputs, decide

SETTINGS = PlanSettings()
RIPPER = Tool(
    name="ripper", width=5.0, shanks=10, depth_min=0.2, depth_max=0.46,
    power=400e3, drive="4wd", owned=True, price=60e3, salvage=0.3, keep_years=10.0,
    hours_a_year=80.0,
)  # fmt: skip
PRICES = Prices(
    "USD", fall_pass=0.0160, fuel=1000.0, driver=25 / 3600, tractor=90 / 3600,
    interest=0.06,
)  # fmt: skip
FIELD = Field(
    name="made up", season=2026, folder=Path(), invented=False, epsg=32616,
    boundary=box(0, 0, 1, 1), area=1.0, time_zone=None, units="us", logs=(),
    fixes=FIXES.empty(), machines={}, soil=None, weather=None,
    crop=Crop("corn", "corn", spring_pass=True, fall_pass="chisel",
              yield_expected=1.25, price=0.16),
    liquid=LIQUID.empty(), obstacles=gpd.GeoDataFrame(), tile=Tile("none"),
    tools=(RIPPER,), prices=PRICES, dug=DUG.empty(), utilities="located",
)  # fmt: skip
LONG, SHORT = box(0, 0, 50, 800), box(0, 900, 800, 906)


def zones_of(*shapes, run_over=0.6) -> gpd.GeoDataFrame:
    frame = pd.DataFrame(
        [
            {
                "zone": number, "kind": "body", "advice": "rip", "row": "D5",
                "run_over": run_over, "depth": 0.33, "layer_bottom": 0.30,
                "area": shape.area, "trial": False, "reason": "as decided",
                "geometry": shape,
            }
            for number, shape in enumerate(shapes, start=1)
        ]
    )  # fmt: skip
    return gpd.GeoDataFrame(frame, geometry="geometry", crs=32616)


def line(zones, field=FIELD, settings=SETTINGS):
    work = {"field": field, "settings": settings, "heading": 0.0, "tool": RIPPER}
    drawn, notes = settle(zones, **work)
    jobs, _ = work_plan(drawn, **work)
    return drawn, notes, jobs, money_block(drawn, **work)


def test_short_runs_can_turn_what_pays_into_what_does_not():
    # The same ground and layer; driven across its 6 m the second turns all day.
    drawn, notes, jobs, money = line(zones_of(LONG, SHORT))
    assert drawn["advice"].tolist() == ["rip", "leave"]
    assert drawn["row"].tolist() == ["D5", "D19"]
    assert math.isnan(drawn["depth"].iloc[1])
    assert "does not pay once the real runs" in drawn["reason"].iloc[1]
    assert [(note.code, note.count) for note in notes] == [("plan.settled", 1)]
    assert jobs["zone"].tolist() == [1]
    assert [zone["verdict"] for zone in money["zones"]] == ["pays", "does not pay"]
    assert money["total"]["net"] == pytest.approx(jobs["net"].sum())


def test_zones_that_pay_are_handed_on_untouched():
    zones = zones_of(LONG)
    drawn, notes = settle_zones(
        zones, field=FIELD, settings=SETTINGS, heading=0.0, tool=RIPPER
    )
    assert drawn is zones
    assert notes == []


def test_on_balance_is_a_choice_and_the_plan_says_it_is_not_sure():
    # 35 a hectare beyond the usual: between the low end of the gain and its best.
    quoted = replace(FIELD, prices=Prices("USD", ripping=0.0040, fall_pass=0.0005))
    drawn, *_ = line(zones_of(LONG), field=quoted)
    assert drawn["advice"].tolist() == ["leave"]
    bold = PlanSettings(pays_when="on balance")
    drawn, _, jobs, money = line(zones_of(LONG), field=quoted, settings=bold)
    assert drawn["advice"].tolist() == ["rip"]
    assert jobs["net_low"].iloc[0] < 0 < jobs["net"].iloc[0]
    assert "pays on balance, not for sure" in jobs["reason"].iloc[0]
    assert money["zones"][0]["verdict"] == "pays"


@pytest.mark.parametrize(
    ("pays", "net", "word", "row", "told"),
    [
        (True, 10.0, "rip", "D5", "it pays"),
        (False, 10.0, "leave", "D19", "reaches below zero"),
        (False, -10.0, "leave", "D19", "it does not pay"),
        (None, 10.0, "rip", "D5", "pays"),
    ],
)
def test_the_table_asks_whether_it_pays(pays, net, word, row, told):
    advice = decide(
        UnitInputs(probed="confirmed", layer_bottom=0.30, net=net, pays=pays)
    )
    assert (advice.word, advice.row) == (word, row)
    assert told in advice.reason
