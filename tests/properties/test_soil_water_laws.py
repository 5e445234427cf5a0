"""What must hold for any reading of soil moisture and any distance of the gauge."""

from __future__ import annotations

import math

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import box

from trafficmap.core.grid import FieldGrid
from trafficmap.core.settings.soil import SoilSettings
from trafficmap.core.texture import TEXTURE_CENTROIDS
from trafficmap.field.model import Crop, SoilMap, Tile
from trafficmap.soil import columns, correct, run_water
from trafficmap.soil.crops import CROPS
from trafficmap.soil.spread import rain_error

SETTINGS = SoilSettings()
GRID = FieldGrid(32616, 0.0, 1.0, 1.0, 1, 2)
DAYS = pd.date_range("2026-08-01", "2026-10-15")


def season(crop="corn", texture="loam"):
    sand, clay = TEXTURE_CENTROIDS[texture]
    horizons = pd.DataFrame(
        {
            "soil_unit": ["a", "b"],
            "share": 1.0,
            "top": 0.0,
            "bottom": 1.0,
            "sand": [sand, 0.10],
            "clay": [clay, 0.35],
            "organic_matter": 0.02,
            "bulk_density": math.nan,
        }
    )
    units = gpd.GeoDataFrame(
        {"soil_unit": ["a", "b"]},
        geometry=[box(0, 0, 1, 1), box(1, 0, 2, 1)],
        crs=32616,
    )
    found, _ = columns(
        SoilMap(units, horizons, assumed=False), grid=GRID, settings=SETTINGS
    )
    table = pd.DataFrame(
        {
            "date": DAYS.astype("datetime64[s]"),
            "rain": np.where(np.arange(len(DAYS)) % 7 == 0, 0.015, 0.0),
            "t_min": 8.0,
            "t_max": 20.0,
        }
    )
    return run_water(
        found,
        weather=table,
        latitude=41.0,
        crop=Crop(crop),
        tile=Tile("none"),
        settings=SETTINGS,
    )[0]


@pytest.fixture(scope="module")
def series():
    return season()


READING = st.fixed_dictionaries(
    {
        "point": st.sampled_from(["1", "2"]),
        "easting": st.sampled_from([0.5, 1.5]),
        "northing": st.just(0.5),
        "date": st.integers(0, len(DAYS) - 1).map(lambda k: DAYS[k]),
        "kind": st.sampled_from(["moisture", "feel"]),
        "wheeled": st.just(math.nan),
        "depth": st.floats(0.0, 1.0),
        "value": st.floats(0.05, 0.5),
        "finding": st.sampled_from(["calibrated", ""]),
    }
)


@given(st.lists(READING, min_size=1, max_size=6))
def test_no_reading_makes_the_water_less_sure(series, rows):
    after, _ = correct(series, pd.DataFrame(rows), grid=GRID, settings=SETTINGS)
    assert (after.theta_sd <= series.theta_sd + 1e-9).all()
    assert (after.theta_sd > 0).all()
    curve = series.columns.curve
    assert (after.theta <= curve.theta_s + 1e-12).all()
    assert (after.theta > 0).all()


@given(st.lists(READING, min_size=2, max_size=6))
def test_the_order_of_readings_does_not_matter(series, rows):
    one, _ = correct(series, pd.DataFrame(rows), grid=GRID, settings=SETTINGS)
    other, _ = correct(series, pd.DataFrame(rows[::-1]), grid=GRID, settings=SETTINGS)
    np.testing.assert_allclose(one.theta, other.theta, atol=1e-9)
    np.testing.assert_allclose(one.theta_sd, other.theta_sd, atol=1e-9)


@given(READING, st.floats(0.0, 0.2))
def test_a_wetter_reading_makes_no_layer_drier(series, row, more):
    wetter = row | {"value": row["value"] + more}
    one, _ = correct(series, pd.DataFrame([row]), grid=GRID, settings=SETTINGS)
    other, _ = correct(series, pd.DataFrame([wetter]), grid=GRID, settings=SETTINGS)
    assert (other.theta >= one.theta - 1e-12).all()


@given(st.floats(0.0, 60e3), st.floats(0.0, 60e3))
def test_a_farther_gauge_is_never_surer(one, other):
    near, far = sorted((one, other))
    assert rain_error(near, settings=SETTINGS) <= rain_error(far, settings=SETTINGS)


@pytest.mark.parametrize("crop", sorted(CROPS))
def test_no_crop_loses_or_makes_water(crop):
    assert season(crop).closure < 1e-9
