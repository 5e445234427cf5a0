"""The plan as a person reads it: what, how deep, when, how long, what it costs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from trafficmap.outputs import plan_words
from trafficmap.outputs.map_shapes import zone_cards, zone_rows


def test_a_job_tells_depth_time_fuel_and_money(result):
    first, second = plan_words.jobs(result)
    assert (first.order, first.zone, first.title) == (1, 2, "rip at 16 in (41 cm)")
    # 3000 to 4500 s; 20 and 30 litres are 5.3 and 7.9 gallons.
    assert first.effort == "ripper, 50 to 75 min, 5 to 8 gal of fuel"
    assert first.money == "Costs 47 USD. Net \u22125 to 31 USD, best guess 12."
    assert first.when == "Soil shatters."
    assert second.area == "1.9 acres"


def test_the_sum_of_what_is_ripped(result):
    told = plan_words.total(result)
    assert told.startswith("Ripping in all: 3.6 acres, 1.7 to 2.5 hours, ")
    assert told.endswith("Costs 97 USD. Net \u221214 to 59 USD, best guess 21.")


def test_what_is_not_known_is_left_out_and_never_zero(result):
    names = ["duration_low", "duration", "duration_high", "fuel_low", "fuel",
             "fuel_high", "cost", "net_low", "net", "net_high"]  # fmt: skip
    plan = result.plan.assign(**dict.fromkeys(names, np.nan))
    (job, _) = plan_words.jobs(replace(result, plan=plan))
    assert job.effort == "ripper"
    assert job.money == ""
    told = plan_words.total(replace(result, plan=plan))
    assert told == "Ripping in all: 3.6 acres."
    assert plan_words.total(replace(result, plan=result.plan[:0])) == ""


def test_the_fit_has_its_day_from_the_newest_roll(result):
    assert plan_words.fit_day(result) == ""
    dug = pd.DataFrame(
        {
            "kind": ["hand_roll", "probe", "hand_roll"],
            "date": pd.to_datetime(["2026-11-03", "2026-11-20", "2026-11-05"]),
        }
    )
    rolled = replace(result, field=replace(result.field, dug=dug))
    assert plan_words.fit_day(rolled) == "Thu 5 Nov 2026"
    assert plan_words.jobs(rolled)[0].when == "Soil shatters on Thu 5 Nov 2026."
    cards = zone_cards(result.zones, "us", day="Thu 5 Nov 2026")
    assert ["The soil on Thu 5 Nov 2026", "shatters"] in cards[0]["rows"]
    assert ["The soil at depth", "not known"] in cards[3]["rows"]


def test_places_to_probe_have_coordinates_worst_zone_first(result):
    stops = result.stops.assign(zone=[4, 6, 6], twin_of=["", "", "6-1"])
    first, second = plan_words.probe_zones(replace(result, stops=stops))
    # 2.7 acres at 0.55 weigh more than 1.9 acres at 0.40.
    assert (first.zone, second.zone) == (4, 6)
    assert first.told == "1 place, 2.7 acres, chance of damage about 6 in 10"
    assert second.told.startswith("1 place, ")
    name, lat, lon = first.spots[0]
    place = stops.geometry.to_crs(4326).iloc[0]
    assert name == "4-1"
    assert float(lat) == pytest.approx(place.y, abs=1e-6)
    assert float(lon) == pytest.approx(place.x, abs=1e-6)


def test_check_strips_that_say_the_same_are_one_row(result):
    strip = result.zones[result.zones["zone"] == 3]
    zones = pd.concat([result.zones, strip.assign(zone=4), strip.assign(zone=5)])
    zones = zones.drop_duplicates("zone", keep="last").sort_values("zone")
    cards = zone_cards(zones, "us")
    rows = zone_rows(cards)
    (merged,) = [row for row in rows if row["style"] == "strip"]
    assert merged["number"] == "3\u20135"
    assert cards[merged["first"]]["zone"] == 3
    assert len(rows) == len(cards) - 2
    # The rest of the field is the quiet end of the table.
    assert rows[-1]["number"] == 0


def test_readme_tells_the_work_and_the_hand_test(run_dir):
    text = " ".join((run_dir / "README.txt").read_text(encoding="utf-8").split())
    assert "1. Rip at 16 in (41 cm), zone 2, 1.7 acres. Ripper, 50 to 75 min" in text
    assert "Ripping in all: 3.6 acres" in text
    assert all(step in text for step in plan_words.HAND_ROLL)
    assert len(plan_words.HAND_ROLL) == 4
