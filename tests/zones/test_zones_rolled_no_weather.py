"""A hand roll on a day the weather does not reach is no quarrel with the model."""

from __future__ import annotations

import pytest

from trafficmap.core.settings.zones import ZoneSettings
from trafficmap.outputs.probe_words import left_together
from trafficmap.zones.advise import _rolled
from trafficmap.zones.decide import UnitInputs, decide

ROLLS = [(0.10, "cracks"), (0.20, "cracks"), (0.30, "crumbles")]


@pytest.mark.parametrize(
    ("model", "state"),
    [("unknown", "no weather"), ("test by hand", "yes"), ("shatters", "yes")],
)
def test_rolled_without_weather_is_told_apart(model, state):
    assert _rolled(ROLLS, tip=0.3, model=model, settings=ZoneSettings()) == state


def test_the_reason_names_the_weather_and_what_to_do():
    inputs = UnitInputs(
        probability=0.8,
        probed="confirmed",
        layer_bottom=0.28,
        moisture="untested",
        rolled="no weather",
    )
    advice = decide(inputs)
    assert (advice.word, advice.row) == ("wait", "D6")
    assert "weather known does not reach the day" in advice.reason
    assert "bring the weather file up to date" in advice.reason
    assert "by the model it is not" not in advice.reason


def test_ground_left_alone_is_one_sum_as_the_run_says_it():
    areas = {"leave": 3.0, "keep out": 1.0, "manage": 2.0, "rip": 4.0}
    assert left_together(areas) == {"left alone": 6.0, "rip": 4.0}
