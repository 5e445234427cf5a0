"""What to check first, what is left alone and why, what was taken for granted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from trafficmap.core.notes import Note
from trafficmap.field.model import Tile
from trafficmap.outputs import answers, words


@pytest.fixture
def changed(result):
    """Return the invented result with other facts of its field."""

    def make(*, zones=None, notes=None, **facts):
        return replace(
            result,
            field=replace(result.field, **facts),
            zones=result.zones if zones is None else zones,
            notes=result.notes if notes is None else notes,
        )

    return make


def test_lines_and_tile_come_before_anything_else(changed):
    told = answers.check_first(changed(utilities="unsaid", tile=Tile("unsaid")))
    assert "buried lines located" in told[0]
    assert "where the tile lies" in told[1]
    known = changed(utilities="located", tile=Tile("none"))
    assert not any("tile" in text or "buried" in text for text in
                   answers.check_first(known))  # fmt: skip


def test_notes_that_stop_are_counted(changed):
    stop = Note("a.b", "stop", "A clock is wrong.", 1)
    one = answers.check_first(changed(notes=[stop]))
    assert any("Mend what the note marked Stop asks for" in text for text in one)
    two = answers.check_first(changed(notes=[stop, stop]))
    assert any("the 2 notes marked Stop ask for" in text for text in two)
    assert not any("Mend" in t for t in answers.check_first(changed(notes=[])))


def test_digging_names_the_zone_with_most_ground_at_risk(result, changed):
    stops = result.stops.assign(zone=[4, 6, 6], twin_of=["", "", "6-1"])
    told = answers.check_first(replace(result, stops=stops))
    dig = next(text for text in told if text.startswith("Dig and probe"))
    assert dig.startswith("Dig and probe in zone 4 first (1 place, 2.7 acres,")
    assert "then in zone 6;" in dig


def test_rolling_goes_down_to_the_deepest_tip_of_the_zones_ripped(result):
    told = " ".join(answers.check_first(result))
    assert "roll the soil by hand in zones" in told
    assert "down to 16 in" in told


def test_end_rows_that_fail_and_overlaps_have_a_test_of_their_own(result):
    zones = result.zones.copy()
    zones.loc[2, ["row", "kind"]] = "D8", "end_rows"
    zones.loc[3, ["kind", "advice"]] = "overlap", "wait"
    told = " ".join(answers.check_first(replace(result, zones=zones)))
    names = zones["zone"]
    assert f"end rows by themselves, zone {names[2]}: they are the last" in told
    assert f"Test zone {names[3]} by itself, days after the rest" in told


def test_ground_left_alone_adds_up_and_names_each_zone_once(result):
    left = answers.left_alone(result)
    zones = result.zones
    quiet = [
        words.zone_style(advice, kind) in ("leave", "keep-out", "strip", "not-assessed")
        for advice, kind in zip(zones["advice"], zones["kind"], strict=True)
    ]
    acres = sum(float(one.area.split()[0].replace(",", "")) for one in left)
    told = zones["area"].to_numpy()[np.array(quiet)].sum() / 4046.8564224
    assert acres == pytest.approx(told, abs=0.06)
    assert all(one.reason.endswith(".") and len(one.reason) > 8 for one in left)
    assert all(one.row.startswith("D") for one in left)


def test_zones_left_for_one_reason_stand_together(result):
    zones = result.zones.copy()
    zones["advice"], zones["kind"], zones["row"] = "leave", "body", "D11"
    zones["reason"] = [f"Sand (cart axle of {k} tons, 1 pass)." for k in zones["zone"]]
    (one,) = answers.left_alone(replace(result, zones=zones))
    assert one.reason == "Sand."
    assert one.zones == answers.zone_words([int(z) for z in zones["zone"]])


def test_what_nobody_said_is_told_and_what_was_said_is_not(changed):
    bare = changed(slope=None, erodible=None, end_row_width=None, tools=())
    told = " ".join(answers.taken_for_granted(bare))
    for text in ("level ground", "conservation plan", "end rows", "No tool was named"):
        assert text in told
    full = changed(slope=0.01, erodible=False, end_row_width=20.0)
    told = " ".join(answers.taken_for_granted(full))
    for text in ("level ground", "conservation plan", "end rows"):
        assert text not in told


def test_risk_is_told_by_depth_apart_from_any_advice(result):
    told = answers.risk_lines(result)
    assert [text.split(":")[0] for text in told] == [
        f"At {depth}" for depth in ("4 in", "10 in", "14 in", "20 in")
    ]
    for text in told:
        assert "acres" in text
        assert not any(word in text for word in ("rip", "leave", "probe", "wait"))


@pytest.mark.parametrize(
    ("text", "reason", "cause"),
    [
        ("Sand (cart axle of 9 tons, 1 pass).", "Sand", "cart axle of 9 tons, 1 pass"),
        ("Soft (run over, axle loads not known).", "Soft",
         "run over, axle loads not known"),
        ("Level it when dry in the top 2 to 4 in (5 to 10 cm).",
         "Level it when dry in the top 2 to 4 in (5 to 10 cm).", ""),
        ("Trial of 100 ft (30 m), dig (cart axle of 20 tons, wet at 14 in (35 cm)).",
         "Trial of 100 ft (30 m), dig", "cart axle of 20 tons, wet at 14 in (35 cm)"),
    ],
)  # fmt: skip
def test_reason_and_what_was_driven_come_apart(text, reason, cause):
    assert answers.reason_and_cause(text) == (reason, cause)


def test_readme_holds_the_three_products_apart(run_dir):
    text = (run_dir / "README.txt").read_text(encoding="utf-8")
    places = [
        text.index(f"\n{title}\n")
        for title in (
            "CHECK FIRST",
            "WORK, IN ORDER",
            "LEFT ALONE, AND WHY",
            "HOW LIKELY DAMAGE IS UNDER THE WHEELS, BY THE MODEL",
        )
    ]
    assert places == sorted(places)
    assert "(row D" in text
