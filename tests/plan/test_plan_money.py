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
from trafficmap.plan.benefit import break_even_limits, break_even_words, yield_loss
from trafficmap.plan.capacity import run_efficiency, run_lengths, zone_time
from trafficmap.plan.cost import ripping_cost
from trafficmap.plan.draft import DRAFT_ROWS, draft_d497
from trafficmap.plan.fuel import Range, fuel_measured, fuel_range
from trafficmap.plan.money import Pricing, ground_money
from trafficmap.plan.own import OwnRates, effort, own_rates, own_ripping
from trafficmap.plan.power import (
    drawbar_share,
    most_pull,
    shanks_to_lift,
    slip_verdict,
)
from trafficmap.plan.price import area_cost
from trafficmap.plan.tool import check_tool, spacing_limits, tool_draft
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


def pricing(**changes) -> Pricing:
    plain = {
        "value": 0.2, "loss": 0.1, "ripping": Range(0.0067, 0.0067, 0.0067),
        "levelling": 0.0, "credit": 0.0,
    }  # fmt: skip
    return Pricing(**(plain | changes))


def money_of(settings=SETTINGS, run_over=0.8, bottom=0.40, ripping=None, **changes):
    return ground_money(
        pricing(**changes), area=10_000.0, run_over=run_over, bottom=bottom,
        settings=settings, ripping=ripping,
    )  # fmt: skip


def test_net_takes_gain_and_cost_at_opposite_ends():
    money = money_of(ripping=Range(0.004, 0.006, 0.009))
    assert money.net.low == pytest.approx(money.gain.low - 90.0)
    assert money.net.best == pytest.approx(0.8 * 2000 * 0.1 * 0.7 * 0.75 - 60.0)
    assert money.net.high == pytest.approx(money.gain.high - 40.0)
    assert money.net.low < money.net.best < money.net.high


@pytest.mark.parametrize(
    ("levelling", "credit", "net", "chance"),
    [(16.0, 0.0, -1.0, 0.72), (0.0, 0.0, 15.0, 0.45), (0.0, 18.0, 33.0, 0.15)],
)
def test_a_corn_acre_is_worth_ripping_by_what_would_be_done_anyway(
    levelling, credit, net, chance
):
    # 200 bu at 4.00, 80 of it in reach, 0.70 and 0.75, ripping at 27 an acre.
    acre = 1 / AC
    money = money_of(
        run_over=1.0, bottom=math.nan, value=800.0 * acre,
        ripping=Range(*(27.0 * acre,) * 3), levelling=levelling * acre,
        credit=credit * acre,
    )  # fmt: skip
    assert money.net.best / 10_000.0 * AC == pytest.approx(net)
    assert money.break_even == pytest.approx(chance, abs=0.006)


def test_ends_of_one_uncertain_figure_are_its_own():
    settings = PlanSettings(limits_spread=(0.7, 0.7), fracture_spread=(0.75, 0.75))
    money = money_of(settings)
    assert money.gain.low == pytest.approx(0.6 * money.gain.best)
    assert money.gain.high == pytest.approx(1.5 * money.gain.best)


def test_ends_together_lie_inside_the_product_of_all_ends():
    money = money_of()
    worst = 0.8 * 2000 * 0.06 * 0.50 * 0.60
    assert worst < money.gain.low < money.gain.best
    single = money.gain.best * 0.6  # the widest figure alone
    assert money.gain.low < single


def test_nothing_sure_to_break_is_nothing_sure_to_gain():
    money = money_of(PlanSettings(fracture_spread=(0.0, 0.8)))
    assert money.gain.low == 0.0
    assert money.verdict == "does not pay"


@pytest.mark.parametrize(
    ("rule", "credit", "verdict"),
    [
        ("sure", 0.0067, "pays"),
        ("sure", 0.0, "does not pay"),
        ("on balance", 0.0, "pays"),
        ("on balance", -0.01, "does not pay"),
    ],
)
def test_an_interval_that_spans_zero_does_not_pay(rule, credit, verdict):
    money = money_of(PlanSettings(pays_when=rule), credit=credit)
    assert money.verdict == verdict
    if rule == "sure":
        assert (money.net.low > 0) == (verdict == "pays")
    else:
        assert (money.net.best > 0) == (verdict == "pays")


def test_a_shallow_pan_brings_less_than_a_deep_one():
    shallow, deep = money_of(bottom=0.20), money_of(bottom=0.40)
    assert shallow.gain.best == pytest.approx(0.6 * deep.gain.best)
    assert money_of(bottom=math.nan).gain.best == pytest.approx(deep.gain.best)


def test_a_second_crop_counts_only_where_wheels_keep_to_lanes():
    assert money_of().years == 1.0
    kept = money_of(lanes_kept=True)
    # Half of the loosening is left, and the soil would have mended by 1/5 and 1/10.
    assert kept.years == pytest.approx(1 + 0.5 * (0.6 * 0.8 + 0.4 * 0.9))
    assert kept.gain.best > money_of().gain.best


def test_one_year_alone_may_lose_whatever_is_to_be_expected():
    money = money_of(credit=0.0067)
    assert money.verdict == "pays"
    assert money.one_year[0] == pytest.approx(0.8 * 2000 * -0.032)
    assert money.one_year[0] < 0 < money.one_year[1]


def test_break_even_is_where_the_net_is_zero():
    money = money_of()
    even = money_of(PlanSettings(limits=money.break_even))
    assert even.net.best == pytest.approx(0.0, abs=1e-9)
    assert break_even_limits(27.0, reachable=0.0, fracture=0.75) == math.inf


@pytest.mark.parametrize(
    ("chance", "words"),
    [
        (0.45, "more than 45 in 100 such spots really hold back roots"),
        (0.451, "more than 46 in 100"),
        (1.0, "does not pay even if every such spot"),
        (math.inf, "does not pay even if every such spot"),
        (0.0, "costs nothing beyond the usual work"),
        (math.nan, "nobody can say what it takes to pay"),
    ],
)
def test_break_even_in_plain_words(chance, words):
    assert words in break_even_words(chance)


def test_money_nobody_can_work_out_stays_unknown():
    money = money_of(value=math.nan)
    assert money.verdict == "not known"
    assert math.isnan(money.net.low)
    assert math.isnan(money.break_even)
    assert money.extra.best == pytest.approx(67.0)


RATES = OwnRates(
    tool=10 / 3600, repair=5 / 3600, tractor=80 / 3600, driver=25 / 3600, fuel=1000.0
)


def own(shape, depth=0.35, **changes):
    work = effort(
        shape, area=shape.area, depth=depth, tool=tool(**changes), soil="medium",
        heading=0.0, settings=SETTINGS,
    )  # fmt: skip
    return own_ripping(RATES, work, area=shape.area)


def test_own_cost_grows_with_short_runs_and_depth():
    long, short = own(box(0, 0, 100, 800)), own(box(0, 0, 800, 100))
    assert long.best < short.best
    assert own(box(0, 0, 100, 800), depth=0.45).best > long.best
    assert long.low < long.best < long.high


def test_own_cost_of_a_plain_rectangle_by_hand():
    shape = box(0, 0, 47.5, 1000.0)  # ten runs of 0.95 x 5 m
    cost = own(shape, speed=2.0)
    hours = (10 * 1000.0 / 2.0 + 10 * 20.0) / 3600
    fuel = fuel_measured(0.35) * shape.area * 1000.0
    assert cost.best * shape.area == pytest.approx(hours * 120.0 + fuel)


OWNED = {
    "owned": True, "price": 60e3, "salvage": 0.3, "keep_years": 10.0,
    "hours_a_year": 80.0,
}  # fmt: skip
HOURLY = {"driver": 25 / 3600, "tractor": 90 / 3600, "interest": 0.06, "fuel": 1000.0}


def test_own_rates_by_hand():
    rates, notes = own_rates(
        tool(**OWNED), prices=Prices("USD", **HOURLY), settings=SETTINGS
    )
    assert notes == []
    factor = 0.06 * 1.06**10 / (1.06**10 - 1)
    yearly = (60e3 - 18e3) * factor + 18e3 * 0.06
    assert rates.tool * 3600 == pytest.approx(yearly / 80.0)
    assert rates.repair * 3600 == pytest.approx(0.28 * 60e3 * 0.8**1.4 / 800.0)
    assert rates.driver * 3600 == pytest.approx(25 * 1.15)
    assert rates.fuel == pytest.approx(1150.0)


@pytest.mark.parametrize(
    ("tool_keys", "prices", "code", "told"),
    [
        (OWNED, {}, "plan.own_cost_missing", "price.driver_per_h"),
        (OWNED | {"keep_years": None}, HOURLY, "plan.own_cost_missing",
         "tool.keep_years is missing"),
        (OWNED, HOURLY | {"ripping": 0.006}, "plan.quote_counts", "ripping_per_ha"),
    ],
)  # fmt: skip
def test_own_cost_is_never_guessed(tool_keys, prices, code, told):
    rates, notes = own_rates(
        tool(**tool_keys), prices=Prices("USD", **prices), settings=SETTINGS
    )
    assert rates is None
    assert [note.code for note in notes] == [code]
    assert told in notes[0].sentence


def test_a_tool_that_is_not_owned_has_no_own_cost():
    assert own_rates(tool(), prices=Prices(**HOURLY), settings=SETTINGS) == (None, [])


def units_of(run_over, area=10_000.0, bottom=math.nan) -> Units:
    table = pd.DataFrame({"unit": range(len(run_over)), "run_over": run_over})
    table["area"] = area
    table["layer_bottom"] = bottom
    label = np.repeat(np.arange(len(run_over), dtype=np.int32), 10)[None, :]
    label = np.repeat(label, 100, axis=0)
    return Units(table, label, FieldGrid(32616, 0, 100, 1, *label.shape), 0.0)


def test_own_cost_reaches_the_price_of_units_with_a_layer():
    crop = Crop(now="corn", next="corn", spring_pass=True, yield_expected=1.2,
                price=0.16)  # fmt: skip
    units = units_of([0.9], area=1000.0, bottom=0.30)
    prices = Prices("USD", **HOURLY)
    money, notes = price(
        units, crop=crop, prices=prices, settings=SETTINGS, tool=tool(**OWNED)
    )
    assert notes == []
    work = effort(
        box(0, 0, 10, 100), area=1000.0, depth=14 * 0.0254, tool=tool(), soil="medium",
        heading=0.0, settings=SETTINGS,
    )  # fmt: skip
    rates, _ = own_rates(tool(**OWNED), prices=prices, settings=SETTINGS)
    assert money["cost"].iloc[0] == pytest.approx(
        own_ripping(rates, work, area=1000.0).best * 1000.0
    )


def test_price_pays_for_the_wheeled_share_only():
    crop = Crop(now="corn", next="corn", spring_pass=True)
    money, notes = price(
        units_of([0.0, 0.4, 1.0]), crop=crop, prices=Prices("USD"), settings=SETTINGS
    )
    # 27 an acre for all of it, 80 x 0.70 x 0.75 an acre for what was wheeled.
    by_acre = (money["net"] / 10_000.0 * AC).tolist()
    assert by_acre == pytest.approx([-27.0, 0.4 * 42.0 - 27.0, 15.0], abs=0.02)
    assert (money["net_low"] <= money["net"]).all()
    # Ripping was assumed at 27 an acre, 20 to 36; the low end pays the most.
    assert money["net_low"].iloc[0] / 10_000.0 * AC == pytest.approx(-36.0)
    assert money["verdict"].tolist() == ["does not pay"] * 3
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
        ({"tractor_mass": 8000.0}, "plan.slip"),
        ({"tractor_mass": 8000.0, "drive": "tracks"}, "plan.slip_tracks"),
        ({"depth": 0.30, "shanks": 7, "winged": True, "leading_tines": True,
          "width": 5.0}, "plan.half_spacing"),
    ],
)  # fmt: skip
def test_what_stands_against_a_tool(changes, code):
    assert code in codes(**changes)


def test_a_heavy_tractor_does_not_slip_and_a_light_one_lifts_shanks_till_it_holds():
    assert "plan.slip" not in codes(tractor_mass=25_000.0)
    light = tool(tractor_mass=8000.0)
    note = next(
        note
        for note in check_tool(light, depth=0.35, soil="medium", settings=SETTINGS)
        if note.code == "plan.slip"
    )
    most = most_pull(8000.0, drive="4wd", cone_index=900e3, slip=0.15)
    draft = tool_draft(light, depth=0.35, soil="medium", speed=6 / 3.6, spread=0.5)[1]
    assert draft * (7 - note.count) / 7 <= most < draft * (8 - note.count) / 7


def test_wings_and_leading_tines_allow_wider_spacing():
    widest = [
        spacing_limits(0.4, tool=tool(winged=w, leading_tines=t))[1]
        for w, t in ((False, False), (True, False), (True, True))
    ]
    assert widest == pytest.approx([0.6, 0.8, 1.0])
