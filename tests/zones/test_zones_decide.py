"""The decision table, row by row, and its order, with made-up inputs."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import product

import pytest

from trafficmap.zones.decide import UnitInputs, decide

INCH = 0.0254


def confirmed(bottom_in: float = 10, **changes) -> UnitInputs:
    """A unit that would be ripped, but for the changes."""
    base = UnitInputs(
        probability=0.7, probed="confirmed", layer_bottom=bottom_in * INCH, net=100.0
    )
    return replace(base, **changes)


ROWS = [
    # row, unit, word
    ("D1", UnitInputs(probability=0.10), "leave"),
    ("D1", UnitInputs(probability=0.349, rut=0.075), "leave"),
    ("D2", UnitInputs(probability=0.35), "probe first"),
    ("D2", UnitInputs(probability=0.10, rut=0.08), "probe first"),
    ("D2", UnitInputs(probability=0.60, probed="inconclusive"), "probe first"),
    ("D3", UnitInputs(probed="no layer", rut=0.08), "level ruts only"),
    ("D4", UnitInputs(probed="no layer", rut=0.07), "leave"),
    ("D5", confirmed(), "rip"),
    ("D6", confirmed(moisture="plastic"), "wait"),
    ("D6", confirmed(moisture="untested"), "wait"),
    ("D6", confirmed(moisture="untested", frost=0.049), "wait"),
    ("D7", confirmed(17), "manage"),
    ("D7", confirmed(12, reach=0.30), "manage"),
    ("D7", confirmed(10, tile="known", tile_cover=0.45), "manage"),
    ("D10", confirmed(next_crop="soybean"), "leave"),
    ("D10", confirmed(crop_now="soybean"), "leave"),
    ("D10", UnitInputs(probability=0.9, next_crop="soybean"), "leave"),
    ("D11", UnitInputs(probability=0.9, sand=True), "leave"),
    ("D12", confirmed(erodible=True), "leave"),
    ("D12", confirmed(slope=0.07), "leave"),
    ("D12", confirmed(slope=0.07, residue=0.2), "leave"),
    ("D13", confirmed(frost=0.03), "rip"),
    ("D13", confirmed(frost=0.06), "rip"),
    ("D14", confirmed(frost=0.05, moisture="plastic"), "carry only"),
    ("D14", confirmed(frost=0.07, moisture="untested"), "carry only"),
    ("D15", confirmed(frost=0.076), "stop"),
    ("D15", confirmed(tip_frozen=True), "stop"),
    ("D16", confirmed(moisture="hard"), "stop"),
    ("D17", confirmed(utilities="not located"), "keep out"),
    ("D17", confirmed(tile="exists"), "keep out"),
    ("D17", confirmed(14, tile="unsaid"), "keep out"),
    ("D17", confirmed(14, tile="position_only"), "keep out"),
    ("D19", confirmed(net=0.0), "leave"),
    ("D19", confirmed(net=math.nan), "leave"),
    ("D20", confirmed(leave_why="cart road"), "leave"),
    ("D22", UnitInputs(probability=0.42, assessed=False), "not assessed"),
    ("D22", UnitInputs(probability=math.nan), "not assessed"),
]


@pytest.mark.parametrize(("row", "unit", "word"), ROWS)
def test_each_row_of_the_table(row, unit, word):
    advice = decide(unit)
    assert (advice.row, advice.word) == (row, word)
    assert advice.reason
    assert not advice.reason.endswith(".")


def test_d18_an_overlap_strip_says_it_is_wetter():
    advice = decide(confirmed(overlap=True, moisture="plastic"))
    assert advice.row == "D6"
    assert any("liquid was put down" in text for text in advice.further)


@pytest.mark.parametrize(
    "unit",
    [
        confirmed(probability=0.05),
        confirmed(assessed=False),
        UnitInputs(probability=0.9, probed="no layer"),
    ],
)
def test_d21_probes_are_trusted_and_the_miss_is_said(unit):
    advice = decide(unit)
    assert advice.row in ("D4", "D5")
    assert any("D21" in text for text in advice.further)


def test_probes_that_agree_with_the_model_say_nothing_of_a_miss():
    assert not any("D21" in text for text in decide(confirmed()).further)


def test_tip_is_an_inch_below_the_rounded_bottom():
    assert decide(confirmed(10.3)).tip == pytest.approx(12 * INCH)
    assert decide(confirmed(16)).tip == pytest.approx(17 * INCH)
    assert math.isnan(decide(confirmed(moisture="plastic")).tip)


def test_metric_tip_is_three_centimetres_below():
    unit = confirmed(units="metric", layer_bottom=0.281)
    assert decide(unit).tip == pytest.approx(0.32)


def test_trial_pass_is_asked_for_in_frost_only():
    assert decide(confirmed(frost=0.06)).trial
    assert "nothing else" in decide(confirmed(frost=0.06)).reason
    assert "nothing else" not in decide(confirmed(frost=0.04)).reason
    assert not decide(confirmed(frost=0.024)).trial


def test_soybean_switched_on_still_needs_counted_residue():
    on = confirmed(next_crop="soybean", soybean_allowed=True)
    assert decide(on).row == "D10"
    assert decide(replace(on, residue=0.4)).row == "D5"


def test_ruts_are_levelled_on_ground_left_for_another_reason():
    for unit in (
        confirmed(next_crop="soybean", rut=0.1),
        confirmed(17, rut=0.1),
        confirmed(net=-1.0, rut=0.1),
        UnitInputs(probability=0.9, sand=True, rut=0.1),
    ):
        assert decide(unit).word == "level ruts only"
    # Never where a line or a keep-out lies.
    assert decide(confirmed(utilities="not located", rut=0.1)).word == "keep out"
    assert decide(confirmed(leave_why="lane", rut=0.1)).word == "leave"


def test_nobody_said_anything_of_buried_lines_no_shank_goes_in():
    advice = decide(confirmed(utilities="unsaid"))
    assert (advice.word, advice.row) == ("keep out", "D17")
    # But people may still be sent to look, and ground may still be left.
    assert decide(UnitInputs(probability=0.5, utilities="unsaid")).row == "D2"
    assert decide(UnitInputs(utilities="unsaid")).row == "D1"


def test_lower_lines_that_also_apply_are_further_reasons():
    unit = confirmed(
        17, net=-5.0, moisture="plastic", rolled="yes", next_crop="soybean"
    )
    advice = decide(unit)
    assert advice.row == "D10"
    assert "it does not pay" in advice.further
    assert any("deeper than tillage mends" in text for text in advice.further)
    assert any("smears" in text for text in advice.further)


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"moisture": "untested"}, "nobody has rolled the soil at depth by hand: test"),
        ({"moisture": "untested", "rolled": "short"}, "not at every 4 in"),
        ({"moisture": "untested", "rolled": "yes"}, "by the model it is not"),
        ({"moisture": "plastic"}, "by the model the soil at depth is too wet"),
        ({"moisture": "plastic", "rolled": "yes"}, "the soil smears at depth"),
        ({"moisture": "plastic", "trial": True}, "the soil smears at depth"),
    ],
)
def test_waiting_says_whose_answer_it_waits_for(changes, told):
    advice = decide(confirmed(**changes))
    assert advice.row == "D6"
    assert told in advice.reason


def test_ripping_says_whether_it_pays_for_sure():
    assert "over the whole range" in decide(confirmed(net_low=5.0)).reason
    assert "not for sure" in decide(confirmed(net_low=-5.0)).reason
    assert "not for sure" in decide(confirmed(net_low=math.nan)).reason


def test_liquid_above_tile_is_warned_of_where_it_would_be_ripped():
    wet = {"overlap": True, "tile_cover": 0.9}
    told = decide(confirmed(tile="known", **wet)).further
    assert any("runs down fresh slots to tile" in text for text in told)
    told = decide(confirmed(tile="none", **wet)).further
    assert not any("slots to tile" in text for text in told)


def test_warnings_beside_a_rip():
    advice = decide(confirmed(12, clay=0.4))
    assert any("clayey" in text for text in advice.further)
    assert not any("clayey" in t for t in decide(confirmed(11, clay=0.4)).further)
    assert any("planting" in text for text in decide(confirmed(rut=0.06)).further)


def test_every_mix_of_inputs_gives_one_advice_and_rips_only_what_is_confirmed():
    seen = set()
    for mix in product(
        ("none", "no layer", "confirmed", "inconclusive"),
        (0.1, 0.3, 0.5, 0.9),
        (True, False),
        ("plastic", "untested", "fit", "hard"),
        (0.0, 0.03, 0.06, 0.09),
        (0.0, 0.1),
        (-1.0, 1.0, math.nan),
        (8 * INCH, 15 * INCH, 18 * INCH),
        ("none", "unsaid", "exists"),
        ("located", "unsaid", "not located"),
    ):
        probed, p, assessed, moisture, frost, rut, net, bottom, tile, lines = mix
        unit = UnitInputs(
            probability=p, assessed=assessed, probed=probed, moisture=moisture,
            frost=frost, rut=rut, net=net, layer_bottom=bottom, tile=tile,
            utilities=lines,
        )  # fmt: skip
        advice = decide(unit)
        seen.add(advice.row)
        if advice.word == "rip":
            assert probed == "confirmed"
            assert moisture == "fit"
            assert net > 0
            assert frost <= 0.075
            assert lines == "located"
            assert advice.tip <= 17 * INCH + 1e-9
            if tile == "unsaid":
                assert advice.tip <= 14 * INCH + 1e-9
        else:
            assert math.isnan(advice.tip)
        if probed in ("none", "inconclusive") and not assessed:
            assert advice.word in ("not assessed", "keep out")
    assert seen == {
        "D1", "D2", "D3", "D4", "D5", "D6", "D7", "D13", "D14", "D15", "D16", "D17",
        "D19", "D22",
    }  # fmt: skip
