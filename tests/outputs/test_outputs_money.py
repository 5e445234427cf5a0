"""Every number of the money page worked out again from run.json alone."""

from __future__ import annotations

import importlib.util
import json
import math
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from trafficmap.field import read_field
from trafficmap.outputs import money_words
from trafficmap.outputs.manifest import newest_input, run_document
from trafficmap.outputs.map_page import map_page
from trafficmap.pipeline import redraw, run

GALLON, ACRE, INCH = 3.785411784e-3, 4046.8564224, 0.0254
ENDS = ("low", "best", "high")


def _builder():
    name = "decision_field"
    if name not in sys.modules:
        path = Path(__file__).parents[1] / "zones" / f"{name}.py"
        spec = importlib.util.spec_from_file_location(name, path)
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


OWNED = (
    "\nowned = true\nprice = 60000.0\nsalvage_pct = 30.0\nkeep_years = 10.0\n"
    "hours_a_year = 150.0\n"
)
HOURLY = (
    "driver_per_h = 25.0\ntractor_per_h = 90.0\ninterest_pct = 6.0\n"
    "diesel_per_l = 1.0\nfall_pass_per_ha = 60.0"
)


@pytest.fixture(scope="module")
def runs(tmp_path_factory):
    """The same field by a quoted price, by own cost, and by nobody's prices."""
    good = _builder().TinyField()
    made = {}
    for name, changes in {
        "given": {},
        "own": {"price": HOURLY},
        "assumed": {"price": "diesel_per_l = 1.0"},
    }.items():
        folder = good.changed(**changes).write(tmp_path_factory.mktemp(name))
        if name == "own":
            path = Path(folder) / "field.toml"
            text = path.read_text("utf-8")
            at = text.index("[[tool]]") + len("[[tool]]")
            path.write_text(text[:at] + OWNED + text[at:], "utf-8")
        field, _ = read_field(folder)
        made[name] = run(field) if not made else redraw(made["given"], field=field)
    return made


@pytest.fixture(scope="module")
def documents(runs):
    """What a reader of run.json has in hand: text, parsed again."""
    return {
        name: json.loads(
            json.dumps(
                run_document(result, mark="0", date=newest_input(result), outputs={})
            )
        )
        for name, result in runs.items()
    }


@pytest.mark.parametrize("name", ["given", "own", "assumed"])
def test_every_term_follows_from_the_ones_beside_it(documents, name):
    money = documents[name]["money"]
    told = money["inputs"]
    assert money["zones"]
    for zone in money["zones"]:
        value = told["yield_kg_m2"] * told["price_per_kg"]
        assert zone["value"] == pytest.approx(value)
        into = 1.0
        if zone["layer_bottom"] is not None:
            down = zone["layer_bottom"] - told["topsoil_bottom"]
            into = down / (told["upper_bottom"] - told["topsoil_bottom"])
        top = told["topsoil_loss_share"]
        reached = top + (1 - top) * min(1.0, max(0.0, into))
        assert zone["reached"] == pytest.approx(reached)
        low, high = told["loss_spread"]
        assert zone["loss"] == pytest.approx(
            {
                "low": told["loss"] * low,
                "best": told["loss"],
                "high": told["loss"] * high,
            }
        )
        terms = [zone[name] for name in ("loss", "limits", "fracture")]
        ground = zone["area"] * zone["run_over"] * value * reached * zone["years"]
        best = ground * math.prod(term["best"] for term in terms)
        down, up = (
            math.sqrt(sum(math.log(term[end] / term["best"]) ** 2 for term in terms))
            for end in ("low", "high")
        )
        gain = {
            "low": best * math.exp(-down),
            "best": best,
            "high": best * math.exp(up),
        }
        assert zone["gain"] == pytest.approx(gain)
        extra = {
            end: zone["area"]
            * (zone["ripping"][end] + zone["levelling"] - zone["credit"])
            for end in ENDS
        }
        assert zone["extra"] == pytest.approx(extra)
        net = {
            "low": gain["low"] - extra["high"],
            "best": gain["best"] - extra["best"],
            "high": gain["high"] - extra["low"],
        }
        assert zone["net"] == pytest.approx(net)
        assert zone["verdict"] == ("pays" if net["low"] > 0 else "does not pay")
        need = extra["best"] / (
            ground * zone["loss"]["best"] * zone["fracture"]["best"]
        )
        assert zone["break_even"] == pytest.approx(need)
        worst, most = told["trial_response"]
        assert zone["one_year"] == pytest.approx(
            {
                "low": zone["area"] * zone["run_over"] * value * worst - extra["best"],
                "high": zone["area"] * zone["run_over"] * value * most - extra["best"],
            }
        )


@pytest.mark.parametrize("name", ["given", "own"])
def test_hours_and_fuel_follow_from_runs_and_draft(documents, name):
    for zone in documents[name]["money"]["zones"]:
        work = zone["effort"]
        for end, pace in (("low", "high"), ("best", "best"), ("high", "low")):
            hours = work["run_length"] / work["speed"][pace]
            hours += (work["runs"] - len(work["gaps"])) * work["turn_time"]
            hours += sum(
                min(gap / work["speed"][pace], work["turn_time"])
                for gap in work["gaps"]
            )
            assert work["duration"][end] == pytest.approx(hours)
        speed = work["speed"]["best"] * 3.6
        draft = work["factor"] * (work["a"] + work["b"] * speed + work["c"] * speed**2)
        draft *= work["shanks"] * work["depth"] * 100
        assert work["draft"]["best"] == pytest.approx(draft)
        for end, sign in (("low", -1), ("high", 1)):
            assert work["draft"][end] == pytest.approx(
                draft * (1 + sign * work["draft_spread"])
            )
        line = 1.75 + 1.25 * (work["depth"] / INCH - 9) / 9
        by_area = line * GALLON / ACRE
        assert work["fuel"]["best"] == pytest.approx(by_area * zone["area"], rel=1e-6)
        x = work["load"]
        uses = sorted(
            (
                2.64 * x + 3.91 - 0.203 * math.sqrt(738 * x + 173),
                (0.22 * x + 0.096) / x,
            )
        )
        part = zone["area"] / work["new_width"] / work["drawbar_share"] / 3.6e9
        least = work["draft"]["low"] * part * uses[0]
        most = work["draft"]["high"] * part * uses[1] / max(work["efficiency"], 0.1)
        assert work["fuel"]["low"] == pytest.approx(min(least, work["fuel"]["best"]))
        assert work["fuel"]["high"] == pytest.approx(max(most, work["fuel"]["best"]))


def test_own_cost_follows_from_the_tool_and_its_hours(documents):
    document = documents["own"]
    money = document["money"]
    tool = max(document["tools"], key=lambda tool: tool["depth_max"])
    prices, plan = document["prices"], document["settings"]["plan"]
    rate, years, hours = prices["interest"], tool["keep_years"], tool["hours_a_year"]
    left = tool["salvage"] * tool["price"]
    factor = rate * (1 + rate) ** years / ((1 + rate) ** years - 1)
    capital = ((tool["price"] - left) * factor + left * rate) / hours
    first, second = plan["repair"]
    life = hours * years
    repair = first * tool["price"] * (life / 1000) ** second / life
    assert money["own"]["tool"] * 3600 == pytest.approx(capital)
    assert money["own"]["repair"] * 3600 == pytest.approx(repair)
    by_hour = capital + repair + 90.0 + 25.0 * plan["driver_factor"]
    assert money["inputs"]["ripping_from"] == "own cost"
    for zone in money["zones"]:
        for end in ENDS:
            cost = zone["effort"]["duration"][end] / 3600 * by_hour
            cost += zone["effort"]["fuel"][end] * 1000 * (1 + plan["lube"])
            assert zone["ripping"][end] * zone["area"] == pytest.approx(cost)


@pytest.mark.parametrize("name", ["given", "own", "assumed"])
def test_plan_zones_and_money_tell_one_truth(documents, name):
    document = documents[name]
    by_zone = {zone["zone"]: zone for zone in document["money"]["zones"]}
    jobs = [job for job in document["plan"] if job["job"] == "rip"]
    for job in jobs:
        told = by_zone[job["zone"]]
        assert told["ripped"]
        assert told["verdict"] == "pays"
        assert job["net_low"] == pytest.approx(told["net"]["low"])
        assert job["net"] == pytest.approx(told["net"]["best"])
        assert job["net_high"] == pytest.approx(told["net"]["high"])
        assert job["cost"] == pytest.approx(told["whole"]["best"])
        assert job["duration"] == pytest.approx(
            told["effort"]["duration"]["best"], abs=600
        )
    for zone in document["zones"]:
        if zone["advice"] == "rip":
            assert by_zone[zone["zone"]]["net"]["low"] > 0
        if zone["zone"] in by_zone and zone["reason"].startswith("it does not pay"):
            assert by_zone[zone["zone"]]["verdict"] == "does not pay"
    total = document["money"]["total"]
    for name_ in ("net_low", "net", "net_high", "cost"):
        assert total[name_] == pytest.approx(sum(job[name_] for job in jobs))
    if name == "given":
        assert jobs


def test_prices_nobody_gave_are_said_and_widen_the_range(runs, documents):
    codes = {note.code for note in runs["assumed"].notes}
    assert "plan.price_assumed" in codes
    for zone in documents["assumed"]["money"]["zones"]:
        assert (
            zone["ripping"]["low"] < zone["ripping"]["best"] < zone["ripping"]["high"]
        )
    assert documents["assumed"]["money"]["inputs"]["ripping_from"] == "assumed"


def test_the_page_tells_what_run_json_holds(runs, documents):
    for name, result in runs.items():
        block = documents[name]["money"]
        rows = money_words.rows(result)
        assert {row.zone for row in rows} == {zone["zone"] for zone in block["zones"]}
        assert [row.ripped for row in rows] == sorted(
            (zone["ripped"] for zone in block["zones"]), reverse=True
        )
        for row in rows:
            zone = next(zone for zone in block["zones"] if zone["zone"] == row.zone)
            said = "would" if not zone["ripped"] else zone["verdict"]
            if zone["ripped"] or zone["advice"] in ("probe first", "wait"):
                assert row.verdict.startswith(said)
            assert ("not" in row.verdict) == (zone["verdict"] != "pays")
            low = round(abs(zone["net"]["low"]))
            assert f"{low:,}" in row.net.replace("−", "")
            assert row.break_even.startswith(("Pays on balance", "Does not", "Costs"))
        told = " ".join(money_words.told(result))
        assert "below counts as does not pay" in told
        assert "−3.2% to +12.2%" in told


def test_the_map_page_answers_what_it_costs(runs):
    result = runs["given"]
    page = map_page(result, mark="0", date=newest_input(result))
    section = page.split('<section id="money">')[1].split("</section>")[0]
    for row in money_words.rows(result):
        assert f"<strong>Zone {row.zone}: {row.verdict}.</strong>" in section
        assert f"Net {row.net}, best guess {row.best}." in section
        assert row.break_even in section
    assert "run.json under money" in section


def test_ground_left_for_money_is_not_said_to_pay_once_it_is_fit(runs):
    dear = replace(runs["given"].field.prices, ripping=0.04)
    result = redraw(runs["given"], field=replace(runs["given"].field, prices=dear))
    left = [row for row in money_words.rows(result) if row.verdict == "does not pay"]
    assert left
    ripped = set(result.zones.loc[result.zones["advice"] == "rip", "zone"])
    assert not ripped & {row.zone for row in left}
