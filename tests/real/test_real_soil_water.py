"""Spread and readings of soil water held against a grass station in Kansas, 2009-2016.

Nothing is fitted. The station does not say its soil; silty clay loam is assumed, so a
texture class stands for it and its spread is told.
"""

from __future__ import annotations

import math

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely.geometry import box

from trafficmap.core.grid import FieldGrid
from trafficmap.core.settings.soil import SoilSettings
from trafficmap.core.texture import TEXTURE_CENTROIDS
from trafficmap.field.model import Crop, SoilMap, Tile
from trafficmap.soil import columns, correct, run_water
from trafficmap.soil.columns import LAYER_CENTRES

pytestmark = pytest.mark.real

GRID = FieldGrid(32614, 0.0, 1.0, 1.0, 1, 1)
SENSORS = {5: 0.05, 10: 0.10, 20: 0.20}
YEARS = range(2009, 2017)
SOD = SoilSettings(cover="sod", curve_number=78.0)


@pytest.fixture(scope="module")
def station(shared_data):
    file = shared_data / "weather_soil" / "uscrn_ks_daily_2003_2017.csv"
    raw = pd.read_csv(file).replace([-9999.0, -99.0], np.nan)
    raw["date"] = pd.to_datetime(raw["LST_DATE"].astype(str))
    return raw[raw["date"] >= "2009-01-01"].set_index("date")


def season(station, settings, crop=None):
    sand, clay = TEXTURE_CENTROIDS["silty clay loam"]
    horizons = pd.DataFrame(
        {
            "soil_unit": "a",
            "share": 1.0,
            "top": [0.0, 0.3],
            "bottom": [0.3, 1.0],
            "sand": sand,
            "clay": clay,
            "organic_matter": [0.03, 0.01],
            "bulk_density": math.nan,
        }
    )
    units = gpd.GeoDataFrame(
        {"soil_unit": ["a"]}, geometry=[box(0, 0, 1, 1)], crs=32614
    )
    found, _ = columns(
        SoilMap(units, horizons, assumed=True), grid=GRID, settings=settings
    )
    table = pd.DataFrame(
        {
            "date": station.index.astype("datetime64[s]"),
            "rain": station["P_DAILY_CALC"].to_numpy() / 1e3,
            "t_min": station["T_DAILY_MIN"].to_numpy(),
            "t_max": station["T_DAILY_MAX"].to_numpy(),
        }
    ).dropna()
    return run_water(
        found,
        weather=table,
        latitude=39.1,
        crop=crop,
        tile=Tile("none"),
        station_distance=0.0,
        settings=settings,
    )


@pytest.fixture(scope="module")
def grass(station):
    return season(station, SOD)[0]


def measured(station, series, depth):
    return station[f"SOIL_MOISTURE_{depth}_DAILY"].reindex(series.dates).to_numpy()


def at(values, metres):
    return np.array([np.interp(metres, LAYER_CENTRES, row) for row in values[:, 0]])


def autumn(series, year):
    return (series.dates >= f"{year}-09-01") & (series.dates <= f"{year}-12-15")


def test_two_spreads_hold_most_of_what_was_measured(station, grass):
    """0.57 and 0.86 of 2 336 readings lie within one and two stated spreads.

    Fewer than the 0.68 and 0.95 of a bell: in 2009 and 2016 the sensors read wetter
    than the pores of any class. Without these two it is 0.73 and 0.98.
    """
    good, odd = [], []
    for year in YEARS:
        days = autumn(grass, year)
        for depth, metres in SENSORS.items():
            error = at(grass.theta, metres) - measured(station, grass, depth)
            share = (np.abs(error) / at(grass.theta_sd, metres))[days]
            share = share[np.isfinite(share)]
            (odd if year in (2009, 2016) else good).append(share)
    good, whole = np.concatenate(good), np.concatenate(good + odd)
    assert (whole <= 2.0).mean() > 0.80
    assert (good <= 1.0).mean() > 0.683
    assert (good <= 2.0).mean() > 0.95


def test_one_morning_with_a_probe_brings_the_autumn_nearer(station, grass):
    """The sensors of 1 September, as one visit, against the rest of the autumn."""
    before, after = [], []
    for year in YEARS:
        days = autumn(grass, year)
        first = int(np.flatnonzero(days)[0])
        rows = []
        for depth, metres in SENSORS.items():
            value = measured(station, grass, depth)[first]
            if np.isnan(value):
                continue
            rows.append(
                {
                    "point": "station",
                    "easting": 0.5,
                    "northing": 0.5,
                    "date": grass.dates[first],
                    "kind": "moisture",
                    "wheeled": math.nan,
                    "depth": metres - 1e-3,
                    "value": value,
                    "finding": "calibrated",
                }
            )
        if not rows:
            continue
        nearer, _ = correct(grass, pd.DataFrame(rows), grid=GRID, settings=SOD)
        rest = days.copy()
        rest[first] = False
        for depth, metres in SENSORS.items():
            truth = measured(station, grass, depth)[rest]
            for series, out in ((grass, before), (nearer, after)):
                out.append(at(series.theta, metres)[rest] - truth)
    before = np.sqrt(np.nanmean(np.concatenate(before) ** 2))
    after = np.sqrt(np.nanmean(np.concatenate(after) ** 2))
    assert after < 0.97 * before


@pytest.mark.parametrize(
    ("settings", "crop", "words"),
    [
        (SOD, None, "sod, alive or dormant"),
        (SoilSettings(curve_number=78.0), Crop("corn"), "corn, taking water from"),
        (SoilSettings(curve_number=78.0), Crop("winter wheat"), "winter grain"),
        (SoilSettings(cover="bare", curve_number=78.0), None, "bare all year"),
    ],
)
def test_the_run_says_which_surface_was_assumed(station, settings, crop, words):
    series, notes = season(station, settings, crop)
    told = [note.sentence for note in notes if note.code == "soil.surface"]
    assert len(told) == 1
    assert f"taken as {words}" in told[0]
    assert series.account["surface"].startswith(words)
    assert series.closure < 1e-9


def test_what_grew_decides_how_dry_the_subsoil_is_in_september(station, grass):
    plain = SoilSettings(curve_number=78.0)
    bare, _ = season(station, SoilSettings(cover="bare", curve_number=78.0))
    corn, _ = season(station, plain, Crop("corn"))
    wheat, _ = season(station, plain, Crop("winter wheat"))
    rows = [grass.day_of(f"{year}-09-01") for year in YEARS]
    below = [
        np.nanmean(series.theta[rows, 0, 4]) for series in (grass, corn, wheat, bare)
    ]
    assert below[1] < below[2] < below[3]
    assert below[0] < below[3]
