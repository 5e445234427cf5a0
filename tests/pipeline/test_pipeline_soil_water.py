"""Soil water in a whole run: what was assumed, its spread, and a reading of it."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from trafficmap.field import read_field
from trafficmap.pipeline import run


@pytest.fixture(scope="module")
def read_once(ditch_folder):
    """Run the invented field again with three readings of a calibrated probe."""
    field, _ = read_field(ditch_folder)
    middle = field.boundary.representative_point()
    day = field.fixes["time"].max().tz_localize(None).normalize()
    rows = pd.DataFrame(
        {
            "point": ["m1", "m1", "m1"],
            "easting": middle.x,
            "northing": middle.y,
            "date": pd.Series([day] * 3).astype("datetime64[s]"),
            "kind": "moisture",
            "wheeled": np.nan,
            "depth": [0.15, 0.25, 0.35],
            "value": [0.24, 0.25, 0.26],
            "finding": "calibrated",
        }
    )
    dug = pd.concat([field.dug, rows], ignore_index=True)
    return run(dataclasses.replace(field, dug=dug))


def test_a_run_says_what_grew_and_how_sure_the_water_is(ditch):
    told = ditch.totals["soil_water"]
    assert told["surface"].startswith(("corn", "soybean"))
    note = next(n for n in ditch.notes if n.code == "soil.surface")
    assert told["surface"] in note.sentence
    assert 0.04 < told["spread"]["whole"] < 0.10
    assert "readings" not in told


def test_readings_make_the_water_surer_and_say_so(ditch, read_once):
    told = read_once.totals["soil_water"]["readings"]
    assert told["readings"] == 3
    assert told["spread_after"] < 0.8 * told["spread_before"]
    assert any(n.code == "soil.water_corrected" for n in read_once.notes)
    assert (read_once.series.theta_sd <= ditch.series.theta_sd + 1e-12).all()


def test_readings_narrow_the_chance_and_the_gain_is_told(ditch, read_once):
    told = read_once.totals["soil_water"]["readings"]
    assert 1.0 < told["factor_after"] < told["factor_before"]
    note = next(n for n in read_once.notes if n.code == "risk.readings_gain")
    assert f"{told['factor_after']:.2f} either way" in note.sentence
    assert all(n.code != "risk.readings_gain" for n in ditch.notes)
    # What the readings were compared with is the season nobody read.
    both = (ditch.tray["undecided"].values == 1) & (ditch.tray["inside"].values > 0)
    area = ditch.tray["run_over"].values[both].sum() * ditch.grid.cell_area
    assert told["undecided_before"] == pytest.approx(area, rel=1e-6)
    assert (read_once.series.drying_sd <= ditch.series.drying_sd + 1e-12).all()


def test_moisture_alone_confirms_no_layer(ditch, read_once):
    before = ditch.zones["probed"].value_counts().to_dict()
    after = read_once.zones["probed"].value_counts().to_dict()
    assert after.get("confirmed", 0) <= before.get("confirmed", 0)
