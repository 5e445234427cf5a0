"""Whatever is left out, the run goes on with less in the answer and says so."""

from __future__ import annotations

import itertools
import random

import pytest
from tiny_field import FACTS, SECTIONS, write_full_field

from trafficmap.cli import run_command
from trafficmap.outputs.run_folder import read_run

PARTS = (*SECTIONS, "boundary", "crop", "log")
_DRAW = random.Random(20_261_014)
TOGETHER = [
    tuple(sorted(_DRAW.sample([*PARTS, *FACTS], _DRAW.randint(3, 9)))) for _ in range(8)
]

SAID = {
    "soil": "soil.missing",
    "weather": "weather.missing",
    "tile": "tile.unsaid",
    "tool": "tool.missing",
    "price": "plan.price_assumed",
    "dug": "dug.missing",
    "boundary": "boundary.from_logs",
    "crop": "crop.next_missing",
    "log": "log.missing",
    "slope_pct": "slope.unsaid",
    "erodible": "erodible.unsaid",
    "utilities": "utilities.unsaid",
}


@pytest.mark.parametrize(
    "without",
    [(), *((part,) for part in PARTS), ("soil", "weather"), *TOGETHER],
    ids=lambda parts: " ".join(parts) or "nothing",
)
def test_any_part_may_be_missing(tmp_path, without, capsys):
    home = write_full_field(tmp_path / "field", without=without)
    code = run_command(["run", str(home), "-o", str(tmp_path / "out")])
    said = capsys.readouterr()
    if {"log", "boundary"} <= set(without):  # nothing then says where the field is
        assert code == 3
        assert "need one to know the place" in said.err
        return
    assert code == 0, said.err
    run = read_run(tmp_path / "out")
    codes = {note["code"] for note in run["notes"]}
    for part in set(without) & set(SAID):
        assert SAID[part] in codes, part
    if "log" in without:
        assert {zone["advice"] for zone in run["zones"]} <= {"not assessed", "keep out"}
    else:
        unknown = bool({"soil", "weather"} & set(without))
        assert ("risk.not_assessed" in codes) == unknown
    area = sum(zone["area"] for zone in run["zones"])
    assert area == pytest.approx(run["field"]["area_m2"], rel=1e-3)


def test_each_gap_costs_its_own_part_of_the_answer(tmp_path):
    """Two fields that differ in one part differ in what is said, never in the fact."""
    shares = set()
    for k, without in enumerate(itertools.chain([()], [(p,) for p in ("soil", "dug")])):
        home = write_full_field(tmp_path / f"f{k}", without=without)
        assert run_command(["run", str(home), "-o", str(tmp_path / f"o{k}")]) == 0
        shares.add(read_run(tmp_path / f"o{k}")["totals"]["run_over_share"])
    assert len(shares) == 1
