"""``run --draws``: joint intervals reach run.json, the page and README.txt."""

from __future__ import annotations

import json

import pandas as pd
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
    # The order of what is not known of the soil rests on choices, and says so.
    assert "is assumed: a factor of 1.42 either way for the soil itself" in told
    page = (out / "map.html").read_text("utf-8")
    assert "in 40 seasons that could have been (drawn with seed 7)" in page
    _tables_say_the_same(out, drawn, page)
    _, again = run(folder, "two", "--draws", "40", "--seed", "7")
    assert again["draws"] == drawn


def _tables_say_the_same(out, drawn, page):
    """Zone by zone: the file, run.json and the page."""
    rows = pd.read_csv(out / "tables" / "draws.csv")
    whole = rows[rows["zone"] == -1]
    assert whole["depth_m"].tolist() == [0.1, 0.25, 0.35, 0.5, 0.7, 0.9]
    told = {(row["zone"], row["depth"]): row for row in drawn["damaged_m2"]}
    zones = [zone for zone in rows["zone"].unique() if zone >= 0]
    assert zones
    for row in rows.to_dict("records"):
        mine = told[None if row["zone"] < 0 else row["zone"], row["depth_m"]]
        for name in ("low", "middle", "high", "mean"):
            assert row[f"{name}_m2"] == pytest.approx(mine[name], abs=0.06)
    # Means add up, as whole areas do; what lies in no zone is the rest.
    parts = sum(told[zone, 0.35]["mean"] for zone in zones)
    assert parts <= told[None, 0.35]["mean"] + 1e-6
    table = page[page.index('id="drawn"') :]
    table = table[: table.index("</table>")]
    assert table.count("<tr>") == 1 + sum(f"<td>{zone}, " in table for zone in zones)
    assert "middle" in table
    unknowns = pd.read_csv(out / "tables" / "draws_unknowns.csv")
    assert unknowns["share"].is_monotonic_decreasing
    assert set(unknowns["unknown"]) >= {"strength", "texture", "moisture", "patch"}


def test_without_draws_nothing_is_said_of_them(folder):
    out, document = run(folder, "plain")
    assert not list((out / "tables").glob("draws*"))
    assert 'id="drawn"' not in (out / "map.html").read_text("utf-8")
    assert document["draws"] is None
    assert "seasons that could have been" not in (out / "README.txt").read_text("utf-8")
