"""Two combine logs as text, given generic machines: new, check, run.

The share run over is held against a convention of the data set: two bands 0.80 m wide,
3.05 m apart, antenna on the centre line, a pass cut at 30 s. The generic machine is
not that one (3.0 m apart, a narrower rear axle), so 5 % are allowed.
"""

from __future__ import annotations

import json

import numpy as np
import pytest
import rasterio

from trafficmap.outputs.run_folder import read_run

pytestmark = pytest.mark.real

HECTARE = 1e4
WEATHER = """
[soil]
texture = "silt loam"
[weather]
file = "weather.csv"
"""


@pytest.fixture
def start(shared_data, tmp_path, monkeypatch, type_command):
    """Return a caller of `new` that works in the folder, as a person does."""

    def call(folder: str, log: str):
        monkeypatch.chdir(tmp_path)
        said = type_command("new", folder, shared_data / "yield_monitor" / log)
        assert said.code == 0
        return tmp_path / folder

    return call


def test_two_days_of_soybeans(start, tmp_path, type_command):
    start("soy", "mo_soy_2000_1hz.csv")
    said = type_command("check", "soy")
    assert said.code == 0
    assert "21,917 fixes of combine" in said.out
    assert "Tue 10 Oct to Wed 11 Oct 2000" in said.out
    assert "the clock column 'gps_time_s' was read as s since 1970" in said.out
    said = type_command("run", "soy", "-o", "soy-out")
    assert said.code == 0
    run = read_run(tmp_path / "soy-out")
    area, share = run["field"]["area_m2"], run["totals"]["run_over_share"]
    assert area == pytest.approx(21.8 * HECTARE, rel=0.04)
    assert share * area == pytest.approx(0.216 * 21.8 * HECTARE, rel=0.05)
    # By the convention 0.1 %, which choices move by up to 0.3 points.
    assert run["totals"]["run_over_again_share"] == pytest.approx(0.001, abs=0.003)
    assert run["logs"][0]["file"] == "mo_soy_2000_1hz.csv"
    assert any("mo_soy_2000_1hz.csv" in note["sentence"] for note in run["notes"])


def test_three_days_of_corn_by_a_clock_of_unknown_start(start, tmp_path, type_command):
    folder = start("corn", "mo_corn_3days_1hz.csv")
    _write_weather(folder)
    keys = (folder / "field.toml").read_text(encoding="utf-8")
    (folder / "field.toml").write_text(keys + WEATHER, encoding="utf-8")
    said = type_command("check", "corn")
    assert said.code == 0
    assert "counts seconds from a start that is not in the file" in said.out
    assert "until you add epoch = 2026-01-01, the day the count starts" in said.out
    said = type_command("run", "corn", "-o", "corn-out", "--strict")
    assert said.code == 4
    run = read_run(tmp_path / "corn-out")
    area, share = run["field"]["area_m2"], run["totals"]["run_over_share"]
    assert area == pytest.approx(26.4 * HECTARE, rel=0.02)
    assert share * area == pytest.approx(0.355 * 26.4 * HECTARE, rel=0.05)
    # By the convention 3.0 %; rear axles and turns add a little.
    assert run["totals"]["run_over_again_share"] == pytest.approx(0.030, abs=0.006)
    # No moisture is joined to a clock nobody can date.
    assert run["sentence"] == "Not assessed: 65.3 of 65.3 acres. Rip nothing."
    with rasterio.open(tmp_path / "corn-out" / "layers" / "probability.tif") as tif:
        chance = tif.read(3, masked=True).compressed()
    assert not (chance[np.isfinite(chance)] > 0).any()


def test_once_its_start_is_said_the_corn_has_soil_water(start, type_command):
    folder = start("dated", "mo_corn_3days_1hz.csv")
    _write_weather(folder)
    keys = (folder / "field.toml").read_text(encoding="utf-8")
    keys = keys.replace("# epoch = 2026-01-01", "epoch = 2001-01-01 #")
    keys = keys.replace("# time_zone =", 'time_zone = "America/Chicago" #', 1)
    keys = keys.replace("[field]\n", "[field]\nseason = 2001\n")
    (folder / "field.toml").write_text(keys + WEATHER, encoding="utf-8")
    said = type_command("check", "dated", "--json")
    assert said.code == 0
    told = json.loads(said.out)
    assert "clock.epoch_missing" not in {note["code"] for note in told["notes"]}
    assert any("Oct 2001" in line for line in told["lines"])


def _write_weather(folder):
    rows = ["date,rain_mm,t_min_c,t_max_c"]
    for day in np.arange("2001-01-01", "2002-01-01", dtype="datetime64[D]"):
        rows.append(f"{day},3.0,6,17")
    (folder / "weather.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
