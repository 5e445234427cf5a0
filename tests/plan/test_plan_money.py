"""Draft, power, fuel, hours and money on made-up tools and ground."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from shapely import box
from shapely.affinity import rotate

from trafficmap.core.errors import InputError
from trafficmap.core.grid import FieldGrid
from trafficmap.core.settings.plan import PlanSettings
from trafficmap.field.model import Crop, Prices, Tool
from trafficmap.plan import price
from trafficmap.plan.benefit import break_even_limits, net_by_area, yield_loss
from trafficmap.plan.capacity import run_efficiency, run_lengths, zone_time
from trafficmap.plan.cost import ripping_cost
from trafficmap.plan.draft import DRAFT_ROWS, draft_d497
from trafficmap.plan.fuel import fuel_measured, fuel_range
from trafficmap.plan.power import drawbar_share, shanks_to_lift, slip_verdict
from trafficmap.plan.price import area_cost
from trafficmap.plan.tool import check_tool, spacing_limits
from trafficmap.zones.units import Units

SETTINGS = PlanSettings()
AC = 4046.8564224


def tool(**changes) -> Tool:
    plain = {
        "name": "ripper", "width": 5.0, "shanks": 7, "depth_min": 0.25,
        "depth_max": 0.46, "foot_width": 0.09, "power": 320e3, "drive": "4wd",
    }  # fmt: skip
    return Tool(**(plain | changes))


def test_draft_is_linear_in_depth_and_number_and_grows_with_speed():
    row = DRAFT_ROWS["subsoiler"]
    base = draft_d497(row, soil="fine", speed=1.5, tools=1, depth=0.2)
    assert draft_d497(row, soil="fine", speed=1.5, tools=5, depth=0.4) == pytest.approx(
        10 * base
    )
    assert draft_d497(row, soil="fine", speed=2.0, tools=1, depth=0.2) > base
    assert draft_d497(row, soil=0.7, speed=1.5, tools=1, depth=0.2) == pytest.approx(
        draft_d497(row, soil="medium", speed=1.5, tools=1, depth=0.2)
    )


def test_unknown_drive_is_refused():
    with pytest.raises(InputError, match="got drive 'six wheels'"):
        drawbar_share("six wheels", ground="firm")


def test_shanks_come_out_until_the_tractor_pulls():
    for draft in (40e3, 90e3, 150e3):
        out = shanks_to_lift(draft, shanks=7, speed=2.0, engine_power=200e3, share=0.75)
        pull = 200e3 * 0.9 * 0.75 / 2.0
        assert draft * (7 - out) / 7 <= pull + 1e-6
        assert out == 0 or draft * (8 - out) / 7 > pull
    assert slip_verdict(0.12, ground="tilled") == "right"


def test_runs_of_a_turned_rectangle():
    shape = rotate(box(0, 0, 30, 100), -20.0, origin=(0, 0))
    lengths = run_lengths(shape, width=5.0, heading=math.radians(20.0))
    np.testing.assert_allclose(lengths, 100.0, rtol=1e-9)
    assert lengths.size == 6
    across = run_lengths(shape, width=5.0, heading=math.radians(110.0))
    np.testing.assert_allclose(across, 30.0, rtol=1e-9)
    assert across.size == 20


def test_runs_cover_the_area():
    ring = box(0, 0, 60, 200).difference(box(20, 50, 40, 150))
    lengths = run_lengths(ring, width=2.0, heading=0.0)
    assert lengths.sum() * 2.0 == pytest.approx(ring.area)


def test_short_runs_cost_time():
    def time(shape, heading=0.0):
        return zone_time(
            shape, width=5.0, heading=heading, speed=2.0, turn_time=20.0, overlap=1.0
        )

    along, good = time(box(0, 0, 50, 400))
    across, poor = time(box(0, 0, 50, 400), np.pi / 2)
    assert along < across
    assert good == pytest.approx(run_efficiency(400.0, speed=2.0, turn_time=20.0))
    assert poor == pytest.approx(run_efficiency(50.0, speed=2.0, turn_time=20.0))
    assert run_efficiency(0.0, speed=2.0, turn_time=20.0) == 0.0


def test_fuel_range_holds_the_measured_pair_and_grows_with_depth():
    found = [
        fuel_range(
            (20e3 * d / 0.2, 60e3 * d / 0.2), width=5.0, share=0.75, depth=d, load=0.8,
            efficiency=0.8,
        )
        for d in (0.25, 0.35, 0.45)
    ]  # fmt: skip
    for fuel, depth in zip(found, (0.25, 0.35, 0.45), strict=True):
        assert fuel.low <= fuel.best <= fuel.high
        assert fuel.best == fuel_measured(depth)
    assert found[0].high < found[1].high < found[2].high


def test_cost_is_the_difference_to_what_would_be_done():
    def cost(spring, replaces):
        return ripping_cost(
            27.0, levelling=16.0, fall_pass=18.0, spring_pass=spring,
            replaces_fall_pass=replaces,
        )  # fmt: skip

    assert cost(False, False).extra == cost(False, False).whole == 43.0
    assert cost(True, False).extra == 27.0
    assert cost(True, True).extra == 9.0
    assert cost(True, True).whole == 27.0


def test_loss_fades_but_for_the_lower_subsoil():
    years = [yield_loss(t, topsoil=0.06, upper=0.04, deep=0.05) for t in range(1, 20)]
    assert years == sorted(years, reverse=True)
    assert years[-1] == pytest.approx(0.05)


def test_net_interval_holds_losses():
    money = net_by_area(
        800.0, wheeled=0.5, loss=0.1, limits=0.7, fracture=0.75, years=1.0, cost=27.0,
        response=(-0.032, 0.122),
    )  # fmt: skip
    assert money.best == pytest.approx(0.5 * 42.0 - 27.0)
    assert money.low == pytest.approx(-0.5 * 25.6 - 27.0)
    assert money.low < money.best < money.high
    assert not money.sure


def test_break_even_is_where_the_net_is_zero():
    limits = break_even_limits(27.0, reachable=80.0, fracture=0.75)
    money = net_by_area(
        800.0, wheeled=1.0, loss=0.1, limits=limits, fracture=0.75, years=1.0,
        cost=27.0, response=(0.0, 0.0),
    )  # fmt: skip
    assert money.best == pytest.approx(0.0, abs=1e-9)
    assert break_even_limits(27.0, reachable=0.0, fracture=0.75) == math.inf


def units_of(run_over, area=10_000.0) -> Units:
    table = pd.DataFrame({"unit": range(len(run_over)), "run_over": run_over})
    table["area"] = area
    return Units(table, np.zeros((1, 1), int), FieldGrid(32616, 0, 0, 1, 1, 1), 0.0)


def test_price_pays_for_the_wheeled_share_only():
    crop = Crop(now="corn", next="corn", spring_pass=True)
    money, notes = price(
        units_of([0.0, 0.4, 1.0]), crop=crop, prices=Prices("USD"), settings=SETTINGS
    )
    # 27 an acre for all of it, 80 x 0.70 x 0.75 an acre for what was wheeled.
    by_acre = (money["net"] / 10_000.0 * AC).tolist()
    assert by_acre == pytest.approx([-27.0, 0.4 * 42.0 - 27.0, 15.0], abs=0.02)
    assert (money["net_low"] <= money["net"]).all()
    assert money["break_even"].tolist()[0] == math.inf
    codes = {note.code for note in notes}
    assert codes == {"plan.price_assumed", "plan.crop_assumed"}


def test_owner_s_figures_go_before_ours_without_a_note():
    crop = Crop(
        now="corn", next="wheat", spring_pass=False, fall_pass="chisel",
        yield_expected=0.6, price=0.2, loss_reachable=0.05,
    )  # fmt: skip
    prices = Prices("EUR", ripping=0.005, levelling=0.002, fall_pass=0.003)
    money, notes = price(units_of([1.0]), crop=crop, prices=prices, settings=SETTINGS)
    gain = 0.6 * 0.2 * 0.05 * 0.70 * 0.75
    assert money["net"].iloc[0] == pytest.approx((gain - 0.004) * 10_000)
    assert money["cost"].iloc[0] == pytest.approx(70.0)
    assert notes == []


@pytest.mark.parametrize("following", ["", "wheat", "silage corn"])
def test_money_of_an_unknown_crop_is_not_made_up(following):
    money, notes = price(
        units_of([1.0]), crop=Crop(next=following, spring_pass=True),
        prices=Prices(ripping=0.006), settings=SETTINGS,
    )  # fmt: skip
    assert money[["net_low", "net", "net_high"]].isna().all().all()
    assert [note.code for note in notes] == ["plan.crop_unknown"]


def test_levelling_is_charged_when_nobody_said():
    cost, notes = area_cost(Crop(next="corn"), Prices(ripping=0.006), SETTINGS)
    assert cost.levelling == SETTINGS.levelling
    assert "plan.spring_pass_unsaid" in {note.code for note in notes}


def codes(depth=0.35, soil="medium", **changes):
    notes = check_tool(tool(**changes), depth=depth, soil=soil, settings=SETTINGS)
    return {note.code for note in notes}


def test_a_fitting_tool_has_nothing_against_it():
    assert codes(shanks=10) == set()


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"depth": 0.50}, "plan.tool_reach"),
        ({"shanks": 5}, "plan.spacing"),
        ({"foot_width": 0.05}, "plan.critical_depth"),
        ({"power": 100e3}, "plan.power"),
        ({"speed": 3.0}, "plan.speed"),
        ({"depth": 0.30, "shanks": 7, "winged": True, "leading_tines": True,
          "width": 5.0}, "plan.half_spacing"),
    ],
)  # fmt: skip
def test_what_stands_against_a_tool(changes, code):
    assert code in codes(**changes)


def test_wings_and_leading_tines_allow_wider_spacing():
    widest = [
        spacing_limits(0.4, tool=tool(winged=w, leading_tines=t))[1]
        for w, t in ((False, False), (True, False), (True, True))
    ]
    assert widest == pytest.approx([0.6, 0.8, 1.0])
