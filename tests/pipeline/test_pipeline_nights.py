"""A forecast in field.toml comes out as frozen nights, in the result and for a spot."""

from __future__ import annotations

import json

import pytest

from sample_fields import make
from trafficmap.cli import main
from trafficmap.field import read_field

FORECAST = "date,tmin_c,tmax_c\n2026-11-21,-7,2\n2026-11-22,-6,3\n2026-11-23,-2,6\n"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("nights") / "field"
    make.write_sample(place, field="two_strips")
    keys = place / "field.toml"
    told = 'file = "weather.csv"\n'
    text = keys.read_text("utf-8")
    assert told in text
    keys.write_text(text.replace(told, told + 'forecast = "forecast.csv"\n'), "utf-8")
    (place / "forecast.csv").write_text(FORECAST, "utf-8")
    return place


def test_forecast_is_read_and_counted_among_the_inputs(folder):
    field, _ = read_field(folder)
    assert len(field.forecast) == 3
    assert "forecast.csv" in [entry["name"] for entry in field.inputs]


def test_frozen_nights_reach_run_json_notes_and_explain(folder, capsys):
    out = folder.parent / "out"
    with pytest.raises(SystemExit) as done:
        main(["run", str(folder), "-o", str(out)])
    assert not done.value.code
    run = json.loads((out / "run.json").read_text("utf-8"))
    assert run["nights"]
    first = run["nights"][0]
    assert first["start"].startswith("2026-11-2")
    assert first["ground"] == "frozen crust"
    assert first["depth_most_m"] >= 0.01
    said = [n["sentence"] for n in run["notes"] if n["code"] == "soil.nights"]
    assert len(said) == 1
    assert " cm) deep: " in said[0]
    capsys.readouterr()
    with pytest.raises(SystemExit):
        main(["explain", str(out), "--at", "-84.0497,41.2978"])
    assert "Frozen ground in the forecast" in capsys.readouterr().out
