"""When to work, on the page, in README.txt, in run.json and in the tables."""

from __future__ import annotations

import io
import json

import pandas as pd
import pytest
from synthetic_result import make_ahead, make_result

from trafficmap.core.tables import NIGHTS
from trafficmap.outputs import map_page, plan_words, readme_txt, when_view
from trafficmap.outputs.manifest import newest_input, run_document


@pytest.fixture
def result():
    return make_result(**make_ahead())


def page_of(result):
    return map_page.map_page(result, mark="x", date=newest_input(result))


def section(page):
    start = page.index('<section id="when">')
    return page[start : page.index("</section>", start)]


def test_the_page_answers_when_and_ends_with_the_hand_test(result):
    told = section(page_of(result))
    assert "Zones 1 and 2" in told
    assert "Zone 3, end rows" in told
    assert "Look next on 22 Nov: it looks fit." in told
    assert "Will it shatter to 13 in (33 cm)?" in told
    assert "Zones 1, 2 and 3." in told
    assert told.rstrip().endswith(f"<p><strong>{when_view.LAST}</strong></p>")


def test_the_frozen_nights_stand_on_the_page_once(result):
    told = section(page_of(result))
    assert 'id="nights"' in told
    assert "22 Nov 03:00 to 08:00: frozen crust, 0.4 in (1.1 cm) at the start, " in told
    assert "0.9 in (2.4 cm) at the end" in told
    assert "Soil below: moist, smears." in told
    # Liquid changes nothing here, so it is not said again.
    assert told.count("22 Nov 03:00") == 1
    differs = result.nights.copy()
    differs.loc[1, "word"] = "does not carry"
    both = make_result(nights=differs)
    assert "clay, most liquid" in section(page_of(both))


def test_a_forecast_without_frost_says_so():
    told = section(page_of(make_result(nights=NIGHTS.empty())))
    assert "No frozen crust worth the name" in told
    assert 'id="nights"' not in told


def test_without_a_forecast_the_page_has_no_such_section():
    assert '<section id="when">' not in page_of(make_result())


def test_odds_are_told_week_by_week(result):
    told = section(page_of(result))
    assert "by the weather of 20 years" in told
    assert "<td>9 of 20</td>" in told
    assert "<td>2 of 20</td>" in told
    assert "<td>8 of 20</td>" not in told


def test_levelling_speaks_of_a_dry_top(result):
    result.when.zones["job"] = ["deep work", "deep work", "level ruts"]
    told = {zone["zone"]: zone for zone in when_view.zones(result)}
    assert told["zone 3"]["bars"][0]["name"] == "Dry top"
    assert told["zone 3"]["rows"][1]["shatters"] == "dry"
    assert told["zones 1 and 2"]["bars"][0]["name"] == "Shatters"
    # A reason that begins with the answer is not said twice.
    first = told["zones 1 and 2"]["rows"][0]["shatters"]
    assert first == "too wet at 10 in (25 cm): it would smear"


def test_bars_are_as_long_as_the_forecast(result):
    for zone in when_view.zones(result):
        for bar in zone["bars"]:
            assert sum(part["hours"] for part in bar["parts"]) == zone["hours"] == 33
    shatters = when_view.zones(result)[0]["bars"][0]["parts"]
    assert [part["word"] for part in shatters] == ["no", "yes"]


def test_every_word_of_the_contract_has_its_place_in_the_bar(result):
    words = ["shatters", "hard", "trial pass", "test by hand", "too wet", "too hard",
             "frozen", "rain", "snow", "unknown"]  # fmt: skip
    table = pd.DataFrame([{"hours": 1.0, "shatters": word} for word in words])
    parts = when_view._bar(table.to_dict("records"), "shatters")
    assert [(p["word"], p["hours"]) for p in parts] == [
        ("yes", 1), ("half", 3), ("no", 5), ("open", 1),
    ]  # fmt: skip


def test_readme_tells_it_in_order_with_the_hand_test_last(result):
    text = readme_txt.readme(result, mark="x", date=newest_input(result))
    part = text[text.index("\nWHEN\n") :]
    part = " ".join(part[: part.index("\nFILES")].split())
    for one, later in zip(
        ("Zones 1 and 2.", "Will it carry?", "Frozen crust, soil clay"),
        ("Will it carry?", "Frozen crust, soil clay", "Whatever stands here"),
        strict=True,
    ):
        assert part.index(one) < part.index(later)
    assert when_view.LAST in part


def test_readme_without_a_forecast_says_nothing_of_when():
    result = make_result()
    text = readme_txt.readme(result, mark="x", date=newest_input(result))
    assert "\nWHEN\n" not in text


def test_tables_carry_their_units(result):
    files = when_view.csv_files(result)
    assert sorted(files) == [
        "tables/nights.csv", "tables/odds.csv", "tables/when.csv",
        "tables/windows.csv",
    ]  # fmt: skip
    windows = pd.read_csv(io.StringIO(files["tables/windows.csv"]))
    assert {"tip_depth_m", "frozen_m", "rain_m", "hours", "verdict"} <= set(windows)
    assert len(windows) == 6
    nights = pd.read_csv(io.StringIO(files["tables/nights.csv"]))
    assert {"depth_start_m", "soil_unit", "most_liquid"} <= set(nights)
    assert when_view.csv_files(make_result()) == {}


def test_the_job_says_when_to_look(result):
    told = {job.zone: job.when for job in plan_words.jobs(result)}
    ahead = dict(zip(result.when.zones["zone"], result.when.zones["look"], strict=True))
    both = set(told) & set(ahead)
    assert any(told[zone].endswith(ahead[zone]) for zone in both)
    plain = {job.zone: job.when for job in plan_words.jobs(make_result())}
    assert not any("Look" in when for when in plain.values())


def test_run_json_holds_it_all(result):
    document = run_document(
        result, mark="x", date=newest_input(result), outputs={}
    )  # fmt: skip
    text = json.loads(json.dumps(document, allow_nan=False))
    assert len(text["when"]["windows"]) == 6
    assert text["when"]["zones"][2]["kind"] == "end_rows"
    assert text["when"]["last"] == when_view.LAST
    assert len(text["odds"]) == 9
    assert run_document(
        make_result(), mark="x", date=newest_input(result), outputs={}
    )["when"] is None  # fmt: skip
