"""Two strips: every number of the docstring, counted again from the log."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
import shapely
from pyproj import Transformer

from sample_fields import two_strips as small
from sample_fields.make import write_sample
from sample_fields.places import EPSG, ORIGIN


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return write_sample(tmp_path_factory.mktemp("sample") / "two", "two_strips")


def test_truth_is_what_the_docstring_says(folder):
    truth = json.loads((folder / "truth.json").read_text())
    assert truth["run_over_m2"] == 118.0
    assert truth["run_over_share"] == 0.07375
    assert truth["crossing_squares"] == 8
    assert truth["wheel_kg"] == 2000.0
    assert truth["load_distance_Mg_km_ha"] == pytest.approx(6.0)


def test_the_log_drives_the_three_lanes_and_turns_outside(folder):
    table = pd.read_csv(folder / "logs" / "tractor.csv")
    to_plan = Transformer.from_crs(4326, EPSG, always_xy=True)
    east, north = to_plan.transform(table["longitude"], table["latitude"])
    east, north = np.array(east) - ORIGIN[0], np.array(north) - ORIGIN[1]
    field = shapely.box(0, 0, small.SIDE, small.SIDE)
    # Half the machine: outer edge of a tyre, and the front axle ahead of the antenna.
    inside = shapely.contains_xy(field.buffer(4.3), east, north)
    on_lane = (
        (np.abs(east - 10.5) < 1e-3)
        | (np.abs(east - 20.5) < 1e-3)
        | (np.abs(north - 20.5) < 1e-3)
    )
    assert on_lane[inside].all()
    assert inside.sum() > 60


def test_marks_fill_cells_as_counted_by_hand():
    wheel = np.zeros((40, 40), dtype=int)
    marks = [m for strips in small.wheel_marks().values() for m in strips]
    east, north = np.meshgrid(np.arange(40.0), np.arange(40.0))
    cells = shapely.box(east, north, east + 1, north + 1)
    union = shapely.union_all(marks)
    share = shapely.area(shapely.intersection(cells, union))
    for mark in marks:
        wheel += 2 * (shapely.area(shapely.intersection(cells, mark)) > 1e-9)
    assert (wheel == 4).sum() == 8
    assert (wheel == 2).sum() == 224
    assert share[wheel == 4] == pytest.approx(0.75)
    assert share[wheel == 2] == pytest.approx(0.5)


def test_same_bytes_every_time():
    assert small.files() == small.files()
