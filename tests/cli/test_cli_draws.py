"""``run --draws``: joint intervals reach run.json, the page and README.txt."""

from __future__ import annotations

import json

import pytest

from sample_fields.make import write_sample
from trafficmap.cli import main


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return write_sample(tmp_path_factory.mktemp("draws") / "field", field="two_strips")


def run(folder, name, *more):
    out = folder.parent / name
    with pytest.raises(SystemExit) as done:
        main(["run", str(folder), "-o", str(out), *more])
    assert not done.value.code
    return out, json.loads((out / "run.json").read_text("utf-8"))


def test_draws_reach_every_result_and_the_seed_is_kept(folder):
    out, document = run(folder, "one", "--draws", "40", "--seed", "7")
    drawn = document["draws"]
    assert (drawn["draws"], drawn["seed"]) == (40, 7)
    field = [row for row in drawn["damaged_m2"] if row["zone"] is None]
    assert [row["depth"] for row in field][:3] == [0.1, 0.25, 0.35]
    assert all(row["low"] <= row["middle"] <= row["high"] for row in field)
    assert field[0]["high"] <= drawn["assessed_m2"] + 1e-6
    shares = [row["share"] for row in drawn["sensitivity"]]
    assert shares == sorted(shares, reverse=True)
    assert shares[0] > 0.0
    told = " ".join((out / "README.txt").read_text("utf-8").split())
    assert "in 40 seasons that could have been (drawn with seed 7)" in told
    assert "What you could find out and matters most" in told
    # The order of what is not known of the soil rests on a choice, and says so.
    assert "its water is assumed, 50, 25 and 25 parts in 100" in told
    page = (out / "map.html").read_text("utf-8")
    assert "in 40 seasons that could have been (drawn with seed 7)" in page
    _, again = run(folder, "two", "--draws", "40", "--seed", "7")
    assert again["draws"] == drawn


def test_without_draws_nothing_is_said_of_them(folder):
    out, document = run(folder, "plain")
    assert document["draws"] is None
    assert "seasons that could have been" not in (out / "README.txt").read_text("utf-8")
