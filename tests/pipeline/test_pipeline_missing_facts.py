"""What is not known never turns into a stronger answer."""

from __future__ import annotations

import re
import shutil

import numpy as np
import pytest

from trafficmap.field import read_field
from trafficmap.pipeline import run


@pytest.fixture
def changed(ditch_folder, tmp_path):
    """Run the invented field with one change to its field.toml."""

    def make(pattern: str, words: str):
        folder = tmp_path / "field"
        shutil.copytree(ditch_folder, folder)
        path = folder / "field.toml"
        text, count = re.subn(pattern, words, path.read_text(encoding="utf-8"))
        assert count
        path.write_text(text, encoding="utf-8")
        return run(read_field(folder)[0])

    return make


def ripped(result) -> float:
    return float(result.zones.loc[result.zones["advice"] == "rip", "area"].sum())


def test_dropping_the_time_zone_rips_no_more_ground(ditch, changed):
    """Ground without an answer is one piece; a few probes do not speak for it."""
    result = changed(r"(?m)^time_zone = .*\n(?=units)", "")
    assert ripped(result) <= ripped(ditch)


def test_carts_of_an_unlogged_combine_are_not_empty(ditch, changed):
    blocks = r'\[\[log\]\]\nfile = "logs/combine_\d+\.csv"\n(?:.+\n)*\n?'
    result = changed(blocks, "")
    states = result.paths.states
    cart = states.machine_id == "cart"
    assert set(states.source[cart]) == {"assumed"}
    assert states.payload[cart].max() > 5000.0
    assert any("cart" in note.where for note in result.notes)


@pytest.mark.parametrize("frozen", [6.0, 12.0])
def test_frost_today_stops_or_tries_and_does_not_unsay_the_probes(changed, frozen):
    """2.5 to 7.5 cm: a trial pass first; more: nothing is ripped (our limits)."""
    result = changed(r"frost_cm = 0\.0", f"frost_cm = {frozen}")
    confirmed = result.zones[result.zones["probed"] == "confirmed"]
    assert len(confirmed) > 2
    rows = set(confirmed["row"])
    if frozen < 7.5:
        assert "D13" in rows
    else:
        assert ripped(result) == 0.0
        assert "D15" in rows


def test_a_shallow_tool_named_first_does_not_hide_the_deep_one(ditch, changed):
    shallow = (
        '[[tool]]\nname = "chisel"\nwidth_m = 6.0\nshanks = 12\ndepth_min_m = 0.1\n'
        "depth_max_m = 0.25\n\n[[tool]]\n"
    )
    result = changed(r"\[\[tool\]\]\n", shallow)
    assert ripped(result) == pytest.approx(ripped(ditch), rel=1e-9)


def test_rest_that_nobody_could_assess_is_not_leave(changed):
    result = changed(r"\[weather\]\n(?:.+\n)*", "")
    rest = result.zones[result.zones["kind"] == "rest"]
    assert set(rest["advice"]) <= {"not assessed"} or np.all(rest["run_over"] == 0)
