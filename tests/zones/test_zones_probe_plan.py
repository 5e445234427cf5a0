"""The probe plan: where a finding would change what is done, and what it is worth."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from trafficmap.core.settings import Settings
from trafficmap.core.settings.zones import ZoneSettings
from trafficmap.core.tables import PROBE_VALUE, require_table
from trafficmap.field.model import Crop, Prices
from trafficmap.plan import price
from trafficmap.zones.advise import decide_units
from trafficmap.zones.candidates import candidates
from trafficmap.zones.confirm import confirm
from trafficmap.zones.decide import UnitInputs
from trafficmap.zones.draw import draw
from trafficmap.zones.probe_chance import layer_chances
from trafficmap.zones.probe_plan import probe_plan, would_not_change
from trafficmap.zones.probe_value import (
    Earlier,
    Stake,
    finding_odds,
    value_of_probing,
)

SETTINGS = Settings()


@pytest.fixture
def planned(make_field, make_tray, ripper):
    """Two zones of risky ground, the western one likelier; no wheels between rows."""

    def make(*, chances=(0.9, 0.5), zones=SETTINGS.zones, dug=None, **changes):
        options = {"prices": Prices("USD", ripping=20e-4)}
        if dug is not None:
            options["dug"] = dug
        field = make_field(tools=(ripper,), **(options | changes))
        settings = replace_zones(zones)
        chance = np.full((300, 200), 0.05)
        chance[100:200, 20:80] = chances[0]
        chance[100:200, 130:190] = chances[1]
        run_over = np.ones((300, 200))
        run_over[:, ::5] = 0.0  # a strip no wheel touched, for the twins
        tray, grid = make_tray(field, chance, run_over=run_over)
        units, _ = candidates(
            tray, field=field, grid=grid, settings=settings.zones, tool=ripper
        )
        units = confirm(units, field.dug, settings=settings.zones)
        money, _ = price(
            units, crop=field.crop, prices=field.prices, settings=settings.plan
        )
        units, _ = decide_units(
            units, field=field, settings=settings.zones, price=money, tool=ripper
        )
        drawn, _ = draw(units, field=field, tray=tray, settings=settings, tool=ripper)
        chances_, _ = layer_chances(units, field.dug, tray=tray, settings=settings)

        def plan(*, before=None, **options):
            body = [u for u in units.table["unit"] if u > 0]
            earlier = None if before is None else dict.fromkeys(body, before)
            return probe_plan(
                drawn, units, tray=tray, grid=grid, field=field,
                settings=settings.zones, price=money, fit=None,
                chance=chances_.of_unit, earlier=earlier, tool=ripper, **options,
            )  # fmt: skip

        return plan, drawn, money

    return make


def replace_zones(zones):
    import msgspec

    return msgspec.structs.replace(SETTINGS, zones=zones)


def test_likelier_ground_is_worth_more(planned):
    plan, drawn, _ = planned()
    found, _ = plan(within=0.2)
    require_table(found.value, PROBE_VALUE)
    assert found.value["stops"].tolist() == [7, 7]
    assert found.value["probability"].is_monotonic_decreasing
    assert (found.value["value"].diff().dropna() < 0).all()
    assert set(found.value["zone"]) == set(drawn.loc[drawn["kind"] == "body", "zone"])


def test_the_value_is_that_of_the_formula_on_the_money_of_the_unit(planned):
    plan, _, money = planned()
    found, _ = plan(within=0.2)
    zones = SETTINGS.zones
    for row in found.value.to_dict("records"):
        cash = money.iloc[row["unit"]]
        prior = 0.47 * row["probability"] * zones.layer_in_reach
        assert row["chance"] == pytest.approx(prior)
        stake = Stake(prior, cash["net"], cash["extra_cost"])
        hand = value_of_probing(stake, odds=finding_odds(7, settings=zones))
        assert row["value"] == pytest.approx(hand)
        assert row["by_stop"] == pytest.approx(hand / 7)
        # The break-even chance is that of the money page, over what a layer limits.
        limits = SETTINGS.plan.limits
        assert row["break_even"] * limits == pytest.approx(cash["break_even"])


def test_every_stop_in_a_track_has_its_twin_on_ground_no_wheel_touched(planned):
    plan, _, _ = planned()
    found, _ = plan(within=0.2)
    stops = found.stops
    assert stops["stop"].tolist() == list(range(1, len(stops) + 1))
    assert stops["wheeled"].tolist() == [1, 0] * (len(stops) // 2)
    east = stops["easting"].to_numpy() - 500_000.0
    col = east.astype(int)
    assert (col[1::2] % 5 == 0).all()
    assert (col[::2] % 5 != 0).all()
    assert stops["twin_of"].iloc[1::2].tolist() == stops["point"].iloc[::2].tolist()
    way = np.hypot(np.diff(stops["easting"]), np.diff(stops["northing"])).sum()
    assert found.walk == pytest.approx(way)
    own = int((stops["wheeled"] == 1).sum())
    assert found.time == pytest.approx(way / 1.1 + 300 * own)


def test_few_stops_go_where_they_are_worth_the_most(planned):
    plan, _, _ = planned()
    one, _ = plan(most=4)
    assert one.value["stops"].tolist() == [4, 0]
    both, _ = plan(most=8)
    assert both.value["stops"].tolist() == [4, 4]
    more, _ = plan(most=14)
    assert more.value["stops"].sum() <= 14
    worth = [
        p.value.loc[p.value["stops"] > 0, "value"].sum() for p in (one, both, more)
    ]
    assert worth == sorted(worth)
    assert worth[-1] <= more.whole + 1e-9


def test_fewer_stops_than_say_anything_give_none_and_say_so(planned):
    plan, _, _ = planned()
    found, notes = plan(most=3)
    assert found.stops.empty
    assert "too few to say anything" in notes[-1].sentence


def test_without_a_number_the_plan_is_a_walk_of_twenty(planned):
    plan, _, _ = planned()
    found, _ = plan()
    assert found.value["stops"].sum() <= SETTINGS.zones.probe_stops


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"crop": Crop(now="corn", next="soybean")}, "before soybean"),
        ({"crop": Crop(now="corn", next="corn", no_till=True)}, "no-till"),
        ({"utilities": "not located"}, "located"),
        ({"erodible": True}, "residue"),
    ],
)
def test_ground_that_is_left_whatever_is_found_gets_no_stop(planned, changes, why):
    plan, _, _ = planned(**changes)
    found, notes = plan(within=0.2)
    assert found.stops.empty
    assert (found.value["stops"] == 0).all()
    assert found.value["why"].str.contains(why).all()
    assert {note.code for note in notes} >= {"probe.no_change", "probe.no_stop"}


def test_ripping_that_never_pays_is_worth_no_probe(planned):
    plan, _, _ = planned(prices=Prices("USD", ripping=1.0))
    found, _ = plan(within=0.2)
    assert found.stops.empty
    assert found.value["why"].str.contains("would not pay").all()
    forced, _ = plan(every_zone=True)
    assert (forced.value["stops"] == SETTINGS.zones.stops).all()


def test_without_money_stops_are_not_ranked_but_given(planned):
    plan, _, _ = planned(crop=Crop(now="corn", next="sorghum", spring_pass=True))
    found, notes = plan(within=0.2)
    assert (found.value["stops"] == 7).all()
    assert found.value["value"].isna().all()
    assert "probe.no_money" in {note.code for note in notes}
    few, _ = plan(most=4)
    likelier = few.value.loc[few.value["stops"] > 0, "probability"].iloc[0]
    assert likelier == few.value["probability"].max()


def test_the_value_follows_the_money_rule_of_the_decision(planned):
    """Best guess above zero, low end below it: `sure` leaves it, so does the plan."""
    plan, drawn, money = planned(prices=Prices("USD", ripping=62e-4))
    bodies = [int(u) for u in drawn.loc[drawn["kind"] == "body", "unit"]]
    mine = money.iloc[bodies]
    assert ((mine["net_low"] < 0) & (mine["net"] > 0)).all()
    found, _ = plan(within=0.2)
    assert (found.value["value"] == 0).all()
    assert found.stops.empty
    assert found.whole == 0
    money["verdict"] = "pays"  # as `plan.pays_when = "on balance"` calls it
    bold, _ = plan(within=0.2)
    assert (bold.value["value"] > 0).all()


def test_stops_made_before_count_towards_precision_and_the_fewest(planned):
    plan, _, _ = planned()
    before = Earlier(stops=3, ratio=1.3, plates=True)
    found, _ = plan(within=0.2, before=before)
    assert found.value["stops"].tolist() == [4, 4]
    one, _ = plan(most=1, before=before)
    assert one.value["stops"].tolist() == [1, 0]
    stops, _ = plan(most=1, before=replace(before, stops=2))
    assert stops.stops.empty


def test_ground_without_an_answer_is_not_settled_by_one_place():
    unknown = UnitInputs(probability=math.nan, assessed=False)
    assert "would not speak for all of it" in would_not_change(unknown, ZoneSettings())


def test_sand_is_probed_because_a_pan_would_change_the_answer():
    sand = UnitInputs(probability=0.9, sand=True)
    assert would_not_change(sand, ZoneSettings()) == ""


def test_water_and_frost_of_today_do_not_keep_a_probe_away():
    wet = UnitInputs(probability=0.9, moisture="plastic", frost=0.1, utilities="unsaid")
    assert would_not_change(wet, ZoneSettings()) == ""
    assert would_not_change(replace(wet, net=math.nan), ZoneSettings()) == ""


def test_what_pays_only_perhaps_is_said_so():
    perhaps = UnitInputs(probability=0.9, net=10.0, net_low=-5.0, pays=False)
    assert "would not pay for sure" in would_not_change(perhaps, ZoneSettings())
    never = replace(perhaps, net=-1.0)
    assert "it would not pay, even" in would_not_change(never, ZoneSettings())


def test_tile_too_shallow_for_any_layer_keeps_it_away():
    shallow = UnitInputs(probability=0.9, tile="known", tile_cover=0.40)
    assert "tile" in would_not_change(shallow, ZoneSettings())
