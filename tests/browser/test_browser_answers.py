"""A person who has only map.html: where, how deep, when, why, at what cost, what not.

The page is that of a tiny invented field that went through the whole line: a body that
is ripped, end rows that are not fit, ground nobody dug, a buried line and check strips.
"""

from __future__ import annotations

import importlib.util
import re
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.browser

SIZES = [(1280, 900), (390, 844)]


def _builder():
    if "decision_field" not in sys.modules:
        path = Path(__file__).parents[1] / "zones" / "decision_field.py"
        spec = importlib.util.spec_from_file_location("decision_field", path)
        module = importlib.util.module_from_spec(spec)
        sys.modules["decision_field"] = module
        spec.loader.exec_module(module)
    return sys.modules["decision_field"]


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    """Return the result and its page."""
    from trafficmap.field import read_field
    from trafficmap.outputs.run_folder import write_run
    from trafficmap.pipeline import run

    made = _builder()
    ends = [made.Dug(place=place, rolls="rolls") for place in made.ENDS]
    field = made.TinyField(
        facts='utilities = "located"\n',
        end_rows=True,
        lanes=(9.0, 15.0, 21.0, 27.0, 33.0, 84.0, 90.0, 96.0, 102.0),
        dug=(made.Dug(place=(22.0, 100.0)), *ends),
        sections='[[keep_out]]\nkind = "buried line"\nfile = "line.geojson"\n'
        "buffer_m = 0.0\nlocated = true\n",
        files=(("line.geojson", made.area(54.0, 0.0, 62.0, 200.0)),),
    )
    folder = tmp_path_factory.mktemp("answers")
    result = run(read_field(field.write(folder / "field"))[0])
    return result, write_run(result, folder / "out") / "map.html"


@pytest.fixture(params=SIZES, ids=["desk", "phone"])
def page(request, open_map, told):
    width, height = request.param
    phone = width < 900
    opened = open_map(
        told[1], width=width, height=height, is_mobile=phone, has_touch=phone
    )
    yield opened.page
    assert opened.said == []


def row_of(page, number: int) -> str:
    """Return the text of the table beside the number of a zone."""
    for row in page.locator("#zones tbody tr").all():
        cells = row.locator("td").all_inner_texts()
        first, _, last = cells[0].partition("–")
        if int(first) <= number <= int(last or first):
            return cells[1]
    raise AssertionError(number)


def box_of_zone(page, place: int) -> dict:
    """Return where zone number `place` of the data is drawn."""
    page.click(f"[data-zone='{place}']")
    box = page.locator("path.zone.chosen").first.bounding_box()
    page.keyboard.press("Escape")
    return box


def test_the_field_has_one_of_each(told):
    advice = set(told[0].zones["advice"])
    assert {"rip", "probe first", "leave", "keep out"} <= advice
    assert {"D8", "D20"} <= set(told[0].zones["row"])


def test_where_and_how_deep_stand_in_the_zone_with_its_number(page, told):
    zones = told[0].zones
    data = page.evaluate("JSON.parse(document.getElementById('data').textContent)")
    ripped = zones[zones["advice"] == "rip"]
    assert len(ripped)
    for zone, depth in zip(ripped["zone"], ripped["depth"], strict=True):
        inches = f"{round(depth / 0.0254)} in"
        place = next(k for k, z in enumerate(data["zones"]) if z["zone"] == zone)
        ground = box_of_zone(page, place)
        label = page.locator(".label.rip").filter(has_text=re.compile(rf"^{zone}"))
        assert label.locator("b").first.inner_text() == inches
        seen = label.first.bounding_box()
        assert ground["x"] - 60 <= seen["x"] <= ground["x"] + ground["width"] + 60
        assert ground["y"] <= seen["y"] <= ground["y"] + ground["height"]
        assert inches in row_of(page, zone)
        assert inches in page.inner_text(".sentence")


def test_when_and_what_it_costs_stand_with_each_job(page, told):
    plan = told[0].plan
    jobs = page.locator("#plan li").all_inner_texts()
    assert len(jobs) == len(plan) > 0
    for job, row in zip(jobs, plan.itertuples(), strict=True):
        assert f"zone {row.zone}," in job
        assert re.search(r"[Ss]hatters on \w{3} \d+ \w{3}|rolled by hand|dry", job)
        if row.job == "rip":
            assert f"Costs {row.cost:,.0f} USD" in job
            assert re.search(r"Net .* to .* USD, best guess", job)
    roll = page.inner_text("#roll")
    assert "too wet, wait" in roll


def test_why_tells_advice_wheels_and_chance_apart(page, told):
    zones = told[0].zones
    for zone in zones.loc[zones["advice"].isin(["rip", "probe first"]), "zone"]:
        text = row_of(page, zone)
        reason, _, rest = text.partition("Driven:")
        driven, _, chance = rest.partition("Damage by the model:")
        assert reason.count(".") >= 1
        assert "combine axle of" in driven
        assert "in 10" in chance
        assert "axle" not in reason


def test_every_zone_left_alone_has_a_reason_in_a_sentence_and_a_row(page, told):
    zones = told[0].zones
    quiet = zones[~zones["advice"].isin(["rip", "probe first", "level ruts only"])]
    assert len(quiet) >= 4
    summary = page.inner_text("#left")
    for zone, row in zip(quiet["zone"], quiet["row"], strict=True):
        text = row_of(page, zone)
        assert re.search(r"[A-Z][^.]{12,}\.", text)
        assert f"Row {row}." in text
        assert f"Row {row}." in summary
    acres = re.findall(r"([\d,.]+) acres, zone", summary)
    told_acres = sum(float(text.replace(",", "")) for text in acres)
    assert told_acres == pytest.approx(quiet["area"].sum() / 4046.856, abs=0.15)
    assert "packed end rows do not" in summary
    assert "Buried line" in summary


def test_what_to_check_first_comes_before_the_work(page, told):
    order = page.locator("#sheet > section").evaluate_all("all => all.map(s => s.id)")
    assert order.index("first") == 0
    assert order.index("first") < order.index("plan")
    first = page.locator("#first li").all_inner_texts()
    probe = told[0].zones.loc[told[0].zones["advice"] == "probe first", "zone"]
    assert any(f"zone {probe.iloc[0]} first" in text for text in first)
    assert any("roll the soil by hand" in text for text in first)
    assert any("end rows by themselves" in text for text in first)


def test_what_nobody_said_is_told_as_taken_for_granted(page):
    text = page.inner_text("#granted")
    assert "level ground is taken for granted" in text
    assert "conservation plan" in text


def test_every_number_on_the_map_leads_to_a_row_of_the_table(page, told):
    # A name that finds no room has no text to be seen.
    numbers = list(filter(None, page.locator(".label .no").all_inner_texts()))
    asked = told[0].zones
    asked = asked.loc[asked["advice"].isin(["rip", "probe first"]), "zone"]
    assert {str(zone) for zone in asked} <= set(numbers)
    for number in numbers:
        assert row_of(page, int(number))
