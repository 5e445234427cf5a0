"""Last year's run feeds this year's map; options and tillage go the whole way."""

from __future__ import annotations

import json
import re

import numpy as np
import pytest

from trafficmap.cli import run_command
from trafficmap.cli.sample import _sample_module
from trafficmap.core.constants import COMPUTE_DEPTHS
from trafficmap.core.settings import settings_from_dict
from trafficmap.field import read_field
from trafficmap.outputs.explain import explain
from trafficmap.outputs.run_folder import read_run, write_run
from trafficmap.pipeline import run


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("earlier")
    return _sample_module().write_sample(place / "two", field="two_strips")


@pytest.fixture(scope="module")
def first(folder):
    field, _ = read_field(folder)
    result = run(field)
    write_run(result, folder / "last-year-out")
    return result


@pytest.fixture(scope="module")
def second(folder, first):
    """The same season once more, a year later by its own file."""
    text = (folder / "field.toml").read_text(encoding="utf-8")
    later = re.sub(r"season = \d+", f"season = {first.field.season + 1}", text)
    later += '\n[earlier]\nrun = "last-year-out"\n'
    (folder / "field.toml").write_text(later, encoding="utf-8")
    try:
        field, notes = read_field(folder)
    finally:
        (folder / "field.toml").write_text(text, encoding="utf-8")
    assert "earlier.read" in [note.code for note in notes]
    settings = settings_from_dict({"soil": {"density_line": [2.4221, 0.123]}})
    result = run(field, settings)
    write_run(result, folder / "this-year-out")
    return result


def test_last_years_damage_stands_apart_and_this_years_stays(first, second):
    for name in ("probability", "risk", "stress", "damaged_share", "zone"):
        np.testing.assert_array_equal(
            first.layers[name].values, second.layers[name].values
        )
    assert "carried_over" not in first.layers
    left = second.layers["carried_over"].values
    before = first.layers["probability"].values
    # The ground was tilled before the season: nothing is left above that.
    tilled = first.field.crop.last_tillage_depth
    below = np.array(COMPUTE_DEPTHS) >= tilled
    assert np.nanmax(left[~below], initial=0.0) == 0.0
    np.testing.assert_allclose(left[below], before[below], atol=0.5 / 200 + 1e-6)
    assert np.nanmax(left) > 0.2
    seasons = [one.season for one in second.ledger.seasons]
    assert seasons == [first.field.season, first.field.season + 1]
    assert "risk.carried_over" in [note.code for note in second.notes]


def test_both_runs_are_told_in_run_json(folder, second):
    before, now = (read_run(folder / f"{year}-year-out") for year in ("last", "this"))
    assert len(before["ledger"]) == len(COMPUTE_DEPTHS)
    assert len(now["ledger"]) == 2 * len(COMPUTE_DEPTHS)
    assert {"run.json", "ledger.tif"} <= {entry["name"] for entry in now["inputs"]}
    assert "ledger.tif" in now["outputs"]
    assert json.dumps(now).count(str(folder)) == 0


def test_density_is_a_layer_only_when_asked_with_its_warning(first, second):
    assert "density_pressed" not in first.layers
    density = second.layers["density_pressed"].values
    stress = second.layers["stress"].values
    np.testing.assert_array_equal(np.isfinite(density), stress > 0)
    codes = [note.code for note in second.notes]
    assert codes.count("soil.density_option") == 1
    assert "soil.density_option" not in [note.code for note in first.notes]


def test_what_a_wheel_may_carry_is_told_for_every_axle_and_depth(first):
    table = first.carrying
    axles = first.paths.wheels["axle_id"].nunique()
    assert len(table) == len(first.columns.units) * axles * len(COMPUTE_DEPTHS)
    known = table.dropna(subset=["mass_even", "mass_unlikely"])
    assert len(known)
    assert (known["mass_unlikely"] < known["mass_even"]).all()
    notes = [note for note in first.notes if note.code == "soil.carrying"]
    assert len(notes) == len(first.columns.units)
    assert "may carry" in notes[0].sentence
    assert "at 35 cm (14 in)" in notes[0].sentence


def test_explain_tells_it_all_and_works_stress_a_second_way(folder, second, capsys):
    layer = np.nan_to_num(second.layers["stress"].values[0])
    layer = np.where(second.layers["soil_unit"].values >= 0, layer, 0.0)
    row, col = np.unravel_index(layer.argmax(), layer.shape)
    easting, northing = second.grid.centres()
    from pyproj import Transformer

    move = Transformer.from_crs(second.grid.epsg, 4326, always_xy=True)
    lon, lat = move.transform(easting[col], northing[row])
    out = folder / "this-year-out"
    text = explain(out, lon, lat, audit=True)
    assert "Left from earlier seasons, not part of the above" in text
    assert "What a wheel may carry on" in text
    assert "Stress worked a second way" in text
    assert re.search(r"patch \d[\d.]* (m2|sq in) \(", " ".join(text.split()))
    assert "for comparison only" in text
    differences = [
        int(percent)
        for line in text.splitlines()
        if line.strip().startswith("difference")
        for percent in re.findall(r"([+-]\d+) %", line)
    ]
    assert len(differences) >= len(COMPUTE_DEPTHS)
    assert max(abs(percent) for percent in differences) < 30
    assert "second way" not in explain(out, lon, lat)
    assert run_command(["explain", str(out), "--audit", f"--at={lon},{lat}"]) == 0
    assert "Stress worked a second way" in capsys.readouterr().out


def test_tillage_after_the_passes_leaves_only_what_lies_below(folder, first):
    newest = max(one.until for one in first.ledger.seasons)
    text = (folder / "field.toml").read_text(encoding="utf-8")
    year = int(newest[:4])
    tilled = f"{text}\n[[tillage]]\ndate = {year + 1}-01-02\ndepth_cm = 30\n"
    (folder / "field.toml").write_text(tilled, encoding="utf-8")
    try:
        field, _ = read_field(folder)
    finally:
        (folder / "field.toml").write_text(text, encoding="utf-8")
    found = run(field)
    chance = found.layers["probability"].values
    before = first.layers["probability"].values
    upper = np.array(COMPUTE_DEPTHS) < 0.30
    assert np.nanmax(before[upper]) > 0.5
    assert np.nanmax(chance[upper]) == 0.0
    np.testing.assert_array_equal(chance[~upper], before[~upper])
