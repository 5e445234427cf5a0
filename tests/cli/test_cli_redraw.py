"""``trafficmap redraw``: other thresholds side by side, and one as a whole result."""

from __future__ import annotations

import json

import pytest

from sample_fields.make import write_sample
from trafficmap.cli import main


@pytest.fixture(scope="module")
def out(tmp_path_factory):
    place = tmp_path_factory.mktemp("redraw")
    folder = write_sample(place / "field", field="two_strips")
    assert call("run", folder, "-o", place / "out") == 0
    return place / "out"


def call(*words):
    with pytest.raises(SystemExit) as done:
        main([str(word) for word in words])
    return done.value.code or 0


def test_thresholds_stand_side_by_side(out, capsys):
    before = {path: path.stat().st_mtime_ns for path in out.rglob("*")}
    capsys.readouterr()
    assert call("redraw", out, "--threshold", "0.05", "--threshold", "0.99") == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].split()[:3] == ["chance", "from", "zones"]
    assert [line.split()[0] for line in lines[1:]] == ["35%", "5%", "99%"]
    assert "(as run)" in lines[1]
    # The run it came from is not touched.
    assert {path: path.stat().st_mtime_ns for path in out.rglob("*")} == before


def test_areas_add_up_to_the_field_at_every_threshold(out, capsys):
    capsys.readouterr()
    assert call("-q", "redraw", out, "--threshold", "0.05", "--json") == 0
    rows = json.loads(capsys.readouterr().out)
    assert [row["threshold"] for row in rows] == [0.35, 0.05]
    whole = [sum(row["areas_m2"].values()) for row in rows]
    assert whole[1] == pytest.approx(whole[0], rel=1e-9)


def test_the_last_threshold_becomes_a_result_of_its_own(out):
    new = out.parent / "new"
    assert call("-q", "redraw", out, "--threshold", "0.6", "-o", new) == 0
    document = json.loads((new / "run.json").read_text("utf-8"))
    assert document["settings"]["zones"]["seed"] == 0.6
    assert (new / "map.html").is_file()
    # A second time it would replace a result.
    again = ("-q", "redraw", out, "--threshold", "0.6", "-o", new)
    assert call(*again) == 3
    assert call(*again, "--overwrite") == 0


@pytest.mark.parametrize("threshold", ["0", "1.5", "-0.2"])
def test_a_threshold_that_is_no_chance_is_refused(out, threshold, capsys):
    assert call("-q", "redraw", out, "--threshold", threshold) == 3
    assert "need a chance above 0 and up to 1" in capsys.readouterr().err


def test_a_threshold_is_asked_for(out):
    assert call("redraw", out) == 2
