"""Fields as a whole: depth classes, pairs of body and end rows, hand rolls, strips."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from trafficmap.core.grid import FieldGrid
from trafficmap.zones.advise import pair_end_rows
from trafficmap.zones.decide import UnitInputs, decide
from trafficmap.zones.depths import allowed_depths, depth_classes, fitting_class
from trafficmap.zones.moisture import moisture_state
from trafficmap.zones.strips import check_strips
from trafficmap.zones.units import Units

INCH = 0.0254


def ripped(**changes):
    return decide(
        UnitInputs(
            probability=0.7, probed="confirmed", layer_bottom=10 * INCH, **changes
        )
    )


def test_classes_lie_two_inches_apart_and_treat_the_most_money():
    bottoms = [b * INCH for b in (8, 9, 11)]
    found = depth_classes(bottoms, nets=[1, 1, 1], units="us")
    assert [round(depth / INCH) for depth in found] == [10, 12]
    # Neighbouring bottoms of 8 and 10: 9 or 10, and 11 or 12.
    pair = depth_classes([8 * INCH, 10 * INCH], nets=[1, 1], units="us")
    steps = [round(depth / INCH) for depth in pair]
    assert steps[1] - steps[0] >= 2
    assert depth_classes([], nets=[], units="us") == []


def test_the_poorer_layer_gives_way_when_there_are_too_many():
    bottoms = [b * INCH for b in (4, 7, 10, 13)]
    found = depth_classes(bottoms, nets=[5, 1, 5, 5], units="us", most=3)
    left = fitting_class(7 * INCH, classes=found, units="us")
    assert left is None
    for bottom in (4, 10, 13):
        assert fitting_class(bottom * INCH, classes=found, units="us") is not None


def test_tile_and_tool_bind_the_classes_too():
    assert list(allowed_depths(13 * INCH, units="us")) == [14, 15]
    bound = (0.0, 14 * INCH)
    assert list(allowed_depths(13 * INCH, units="us", span=bound)) == [14]
    bound = (15 * INCH, 20 * INCH)
    assert list(allowed_depths(13 * INCH, units="us", span=bound)) == [15]
    assert not allowed_depths(10 * INCH, units="us", span=bound)


def test_metric_classes_lie_five_centimetres_apart():
    found = depth_classes([0.20, 0.26], nets=[1, 1], units="metric")
    assert len(found) == 2
    assert found[1] - found[0] >= 0.05 - 1e-9


def test_body_shatters_end_rows_do_not():
    body, ends = ripped(), ripped(moisture="plastic")
    pair = pair_end_rows(ends, [body])
    assert (pair.word, pair.row) == ("leave", "D8")
    assert "small grain" in pair.reason
    assert ends.reason in pair.further
    for moisture in ("untested", "hard"):
        assert pair_end_rows(ripped(moisture=moisture), [body]).row == "D8"


def test_both_pass_end_rows_go_first():
    pair = pair_end_rows(ripped(), [ripped()])
    assert (pair.word, pair.row) == ("rip", "D9")
    assert pair.tip == ripped().tip


def test_without_a_ripped_body_end_rows_stand_alone():
    wet = ripped(moisture="plastic")
    assert pair_end_rows(wet, [wet]) is wet
    assert pair_end_rows(ripped(), []).row == "D5"


GOOD = [(0.10, "cracks"), (0.20, "crumbles"), (0.28, "cracks")]


@pytest.mark.parametrize(
    ("rolls", "trial", "model", "state"),
    [
        (GOOD, "", "shatters", "fit"),
        (GOOD, "", "too hard", "fit"),
        (GOOD, "", "test by hand", "untested"),
        (GOOD, "", "too wet", "untested"),
        (GOOD, "", "unknown", "untested"),
        (GOOD[:1], "", "shatters", "untested"),  # nothing rolled near the tip
        ([GOOD[0], (0.2, "rolls"), GOOD[2]], "", "shatters", "plastic"),
        ([], "", "shatters", "untested"),
        ([], "", "too wet", "plastic"),
        ([], "", "unknown", "untested"),
        (GOOD, "slot", "shatters", "plastic"),
        (GOOD, "clods", "shatters", "plastic"),
        (GOOD, "dry clods", "shatters", "hard"),
        (GOOD, "rides out", "shatters", "hard"),
        ([(0.2, "rolls")], "shatters", "too wet", "fit"),
    ],
)
def test_hand_trial_and_model(rolls, trial, model, state):
    assert moisture_state(rolls, tip=0.31, trial=trial, model=model) == state


def test_no_tip_is_never_fit():
    assert moisture_state(GOOD, tip=float("nan"), model="shatters") == "untested"


def units_of(label, advice, *, heading=0.0, cell=2.0):
    label = np.asarray(label, dtype=np.int32)
    grid = FieldGrid(32616, 0.0, label.shape[0] * cell, cell, *label.shape)
    areas = [np.count_nonzero(label == k) * cell**2 for k in range(len(advice))]
    table = pd.DataFrame({"unit": range(len(advice)), "advice": advice, "area": areas})
    table["kind"] = "body"
    return Units(table, label, grid, heading)


def test_strips_are_shared_out_by_area_and_lie_inside():
    label = np.zeros((100, 120), dtype=int)
    label[:, :80] = 1
    label[:, 90:] = 2
    strips = check_strips(units_of(label, ["leave", "rip", "rip"]), width=6.0, most=4)
    assert [unit for unit, _ in strips] == [1, 1, 1, 2]
    for unit, shape in strips:
        west, south, east, north = shape.bounds
        assert east - west == pytest.approx(6.0)
        assert south < 0
        assert north > 200
        assert (west > 0 and east < 160) if unit == 1 else (west > 180 and east < 240)


def test_no_strips_where_nothing_is_ripped_or_the_zone_is_narrow():
    label = np.zeros((100, 120), dtype=int)
    label[:, :8] = 1
    assert check_strips(units_of(label, ["leave", "rip"]), width=6.0, most=4) == []
    label[:, :80] = 1
    assert check_strips(units_of(label, ["leave", "wait"]), width=6.0, most=4) == []
    assert check_strips(units_of(label, ["leave", "rip"]), width=6.0, most=0) == []


def test_strips_turn_with_the_rows():
    label = np.ones((100, 100), dtype=int)
    units = units_of(label, ["leave", "rip"], heading=np.pi / 2)
    _, shape = check_strips(units, width=6.0, most=1)[0]
    west, south, east, north = shape.bounds
    assert north - south == pytest.approx(6.0)
    assert (south + north) / 2 == pytest.approx(100.0, abs=2.0)
    assert east - west > 200
