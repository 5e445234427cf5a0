"""What a person reads: sentence of the day, advice, units, money."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest

from trafficmap.core.settings import Settings
from trafficmap.outputs import words
from trafficmap.outputs.map_views import work_legend


def test_sentence_tells_leave_rip_wait_level_and_probe(result):
    sentence = words.sentence_of_the_day(result.zones, result.stops, "us")
    assert sentence == (
        "Leave 1.5 of 12.6 acres, keep-outs and check strips among them. "
        "Not assessed: 1.2 acres. "
        "Rip 1.9 acres at 14 in and 1.7 acres at 16 in. Wait on 1.9 acres. "
        "Level ruts only on 1.7 acres. Probe 3 places, 2.7 acres."
    )


def test_sentence_without_rip_says_rip_nothing(result):
    quiet = result.zones[result.zones["advice"].isin(["leave", "probe first"])]
    sentence = words.sentence_of_the_day(quiet, result.stops[:1], "metric")
    assert sentence.endswith("Probe 1 place, 1.09 ha. Rip nothing before they are dug.")
    sentence = words.sentence_of_the_day(quiet, result.stops[:0], "us")
    assert sentence.endswith("Rip nothing.")


def test_ground_without_a_mark_is_never_called_left(result):
    blank = result.zones.assign(advice="not assessed", kind="body")
    blank.loc[blank.index[0], ["advice", "area"]] = ["leave", 20.0]
    sentence = words.sentence_of_the_day(blank, result.stops[:0], "metric")
    assert sentence.startswith("Not assessed: ")
    assert "Leave" not in sentence
    assert sentence.endswith("ha. Rip nothing.")


def test_ground_left_for_another_reason_may_still_have_no_answer(result):
    """Stubble is left whatever is below it; that does not make it sound."""
    left = result.zones.assign(advice="leave", kind="body", risk="not assessed")
    sentence = words.sentence_of_the_day(left, result.stops[:0], "us")
    assert sentence == (
        "Leave 12.6 of 12.6 acres. Damage on 12.6 acres of it is not assessed. "
        "Rip nothing."
    )


def test_a_spot_and_its_twin_are_one_place(result):
    stops = result.stops.assign(twin_of=["", "4-1", ""], zone=[4, 4, 6])
    assert words.probe_places(stops) == (2, 2)
    sentence = words.sentence_of_the_day(result.zones, stops, "us")
    assert sentence.endswith("Probe 2 places in 2 zones, 2.7 acres.")


def test_sentence_without_zones(result):
    assert "No zones were drawn" in words.sentence_of_the_day(
        result.zones[:0], result.stops, "us"
    )


@pytest.mark.parametrize(
    ("advice", "kind", "style"),
    [
        ("rip", "body", "rip"),
        ("rip with trial pass", "body", "rip"),
        ("probe first", "end_rows", "probe"),
        ("level ruts only", "body", "dotted"),
        ("carry only", "body", "dotted"),
        ("manage", "body", "leave"),
        ("keep out", "body", "keep-out"),
        ("leave", "keep_out", "keep-out"),
        ("leave", "strip", "strip"),
        ("not assessed", "body", "not-assessed"),
        ("ripe for nothing", "body", "leave"),
    ],
)
def test_every_advice_has_a_way_to_be_drawn(advice, kind, style):
    assert words.zone_style(advice, kind) == style


def test_a_strip_through_ripped_ground_is_not_ripped():
    assert not words.is_rip("leave")
    assert not words.is_rip("ripe")


@pytest.mark.parametrize(
    ("advice", "depth", "said"),
    [
        ("rip", 0.3556, "rip at 14 in"),
        ("rip with trial pass", 0.3556, "rip at 14 in, with trial pass"),
        ("leave", np.nan, "leave"),
        ("leave", 0.3, "leave"),
    ],
)
def test_advice_with_its_depth(advice, depth, said):
    assert words.advice_words(advice, depth, "us") == said


def test_unknown_is_said_and_never_zero():
    for say in (words.mass_words, words.pressure_words):
        assert say(math.nan, "us") == "not known"
        assert say(0.0, "us") != "not known"
    assert words.money_range(math.nan, 3.0, "USD") == "not known"
    assert words.time_words(math.nan, None) == "time not known"
    assert words.chance_words(math.nan) == "not known"


def test_money_is_a_range_of_whole_units():
    assert words.money_range(11.6, 31.2, "USD") == "12 to 31 USD"


def test_how_sure_tells_the_limits_of_the_settings():
    risk = Settings().risk
    text = " ".join(words.how_sure(risk.class_limits, risk.undecided))
    assert "below 20 in 100" in text
    assert "between 35 and 65 in 100" in text


@pytest.mark.parametrize("word", ["safe", "guaranteed", "optimal", "smart", " AI "])
def test_no_word_promises_more_than_the_model(word, run_dir):
    from trafficmap.outputs import readme_txt

    said = " ".join([*words.CAUTIONS, *words.HOW_SURE, readme_txt.UNFINISHED])
    said += (run_dir / "README.txt").read_text(encoding="utf-8")
    assert word not in said.replace("safety advice", "")


@pytest.mark.parametrize("units", ["us", "metric"])
@pytest.mark.parametrize("seed", range(20))
def test_areas_that_are_shown_add_up(result, units, seed):
    """Rows make the legend, the legend makes the field, and none is off by one."""
    exact = np.random.default_rng(seed).uniform(50.0, 90_000.0, len(result.zones))
    zones = result.zones.assign(area=exact)
    shown = words.shown_areas(zones, units)
    one = 0.1 if units == "us" else 0.01
    true = exact / (4046.8564224 if units == "us" else 1e4)
    told = np.array([float(text.replace(",", "")) for text in shown])
    assert np.abs(told - true).max() < one + 1e-9
    total = words.area_number(float(exact.sum()), units)
    assert words.added(*shown) == total
    legend = [row["area"] for row in work_legend(zones, units)]
    assert words.added(*legend) == total
    sentence = words.sentence_of_the_day(zones, result.stops, units)
    numbers = re.findall(r"([\d,]+\.\d+)", sentence)
    assert words.added(numbers[0], *numbers[2:]) == numbers[1] == total


def test_a_loss_is_written_with_a_minus():
    assert words.money_range(-41.6, 75.3, "USD") == "\u221242 to 75 USD"


def test_buried_lines_and_tile_of_this_field_are_told(result):
    from dataclasses import replace

    from trafficmap.field.model import Tile

    said = words.about_field(result.field)
    assert "not located" in said[0]
    assert said[1] == "Tile was said to lie under 35 in (90 cm) of soil here."
    known = replace(result.field, utilities="located", tile=Tile("none"))
    (said,) = words.about_field(known)
    assert "were said to be located" in said
