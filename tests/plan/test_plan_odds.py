"""Odds of fit days from past weather: years laid over this season's soil."""

from __future__ import annotations

from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely.geometry import box

from trafficmap.core.grid import FieldGrid
from trafficmap.core.settings import Settings
from trafficmap.core.tables import ODDS, require_table
from trafficmap.core.texture import TEXTURE_CENTROIDS
from trafficmap.field.model import Crop, SoilMap, Tile
from trafficmap.plan import odds
from trafficmap.plan.odds import sentence
from trafficmap.soil import columns, coming_water, run_water
from trafficmap.soil.fitness import wilson_interval

SETTINGS = Settings()
GRID = FieldGrid(32616, 0.0, 4.0, 1.0, 4, 4)
GIVEN = {
    "latitude": 42.0,
    "tile": Tile("none"),
    "crop": Crop("corn", harvested="2026-10-20"),
    "time_zone": "America/Chicago",
}
LIQUID = [(1.7813e9, np.full((4, 4), 0.02), 0.1)]


def daily(start, end, rain):
    days = pd.date_range(start, end).astype("datetime64[s]")
    return pd.DataFrame({"date": days, "rain": rain, "t_min": 8.0, "t_max": 20.0})


@pytest.fixture(scope="module")
def season():
    """Sandy loam under corn to 30 June, wet."""
    sand, clay = TEXTURE_CENTROIDS["sandy loam"]
    layers = pd.DataFrame(
        [["a", 1.0, 0.0, 1.0, sand, clay, 0.02, np.nan]],
        columns=["soil_unit", "share", "top", "bottom", "sand", "clay",
                 "organic_matter", "bulk_density"],
    )  # fmt: skip
    frame = gpd.GeoDataFrame(
        {"soil_unit": ["a"], "name": ["a"], "texture": "", "drained": None},
        geometry=[box(0, 0, 4, 4)],
        crs=32616,
    )
    soil = SoilMap(frame, layers, assumed=False)
    found, _ = columns(
        soil, grid=GRID, liquid_layers=LIQUID, settings=SETTINGS.soil,
        time_zone="America/Chicago",
    )  # fmt: skip
    weather = daily("2026-05-01", "2026-06-30", 0.006)
    series, _ = run_water(found, weather=weather, settings=SETTINGS.soil, **GIVEN)
    return series, weather


def field_of(season, past):
    return SimpleNamespace(
        past=past, weather=season[1], season=2026, units="us", elevation=None,
        **GIVEN,
    )  # fmt: skip


def years(*rains):
    """Years of one rain every day, the last of them 2025."""
    first = 2026 - len(rains)
    return pd.concat(
        [daily(f"{first + k}-01-01", f"{first + k}-12-31", rain)
         for k, rain in enumerate(rains)],
        ignore_index=True,
    )  # fmt: skip


def test_dry_years_are_fit_and_wet_years_are_not(season):
    past = years(0.0, 0.012, 0.0, 0.012)
    table, notes = odds(season[0], field=field_of(season, past), settings=SETTINGS)
    require_table(table, ODDS)
    assert (table["years"] == 4).all()
    assert (table["fit"] == 2).all()
    assert (table["share"] == 0.5).all()
    low, high = wilson_interval(2, 4)
    assert table["share_low"].iloc[0] == pytest.approx(low)
    assert table["share_high"].iloc[0] == pytest.approx(high)
    assert table["day"].iloc[0] == "2026-07-01"
    assert len(table) == SETTINGS.plan.odds_days
    assert [note.code for note in notes] == ["odds.told"]


def test_from_now_starts_as_wet_as_the_ground_is(season):
    past = years(0.0, 0.0, 0.0)
    table, _ = odds(season[0], field=field_of(season, past), settings=SETTINGS)
    # Dry years are fit at once; from today's wet soil only after some days.
    assert (table["fit"] == 3).all()
    assert table["from_now"].iloc[0] == 0
    assert table["from_now"].iloc[-1] == 3
    assert (np.diff(table["from_now"]) >= 0).all()


def test_a_wet_forecast_puts_the_odds_from_now_off(season):
    series, weather = season
    past = years(0.0, 0.0)
    forecast = daily("2026-07-01", "2026-07-05", 0.02)
    ahead, _ = coming_water(
        series, forecast=forecast, weather=weather, settings=SETTINGS.soil,
        **{k: v for k, v in GIVEN.items() if k != "time_zone"},
    )  # fmt: skip
    plain, _ = odds(series, field=field_of(season, past), settings=SETTINGS)
    wet, _ = odds(
        series,
        field=field_of(season, past),
        ahead=ahead,
        settings=SETTINGS,
    )
    pd.testing.assert_series_equal(plain["fit"], wet["fit"])
    assert wet["from_now"].sum() < plain["from_now"].sum()


def test_a_day_of_rain_is_not_fit(season):
    past = years(0.0)
    past.loc[past["date"] == "2025-07-20", "rain"] = 0.004
    table, _ = odds(season[0], field=field_of(season, past), settings=SETTINGS)
    fit = table.set_index("day")["fit"]
    assert fit["2026-07-19"] == 1
    assert fit["2026-07-20"] == 0


def test_years_with_holes_are_left_out_and_said(season):
    past = years(0.0, 0.0)
    past.loc[past["date"] == "2025-06-04", "rain"] = np.nan
    table, notes = odds(season[0], field=field_of(season, past), settings=SETTINGS)
    assert (table["years"] == 1).all()
    assert [note.code for note in notes] == ["odds.holes", "odds.told"]
    assert notes[0].count == 1
    past.loc[past["date"] == "2024-06-04", "rain"] = np.nan
    table, notes = odds(season[0], field=field_of(season, past), settings=SETTINGS)
    assert not len(table)
    assert [note.code for note in notes] == ["odds.holes", "odds.none"]


def test_deeper_work_is_never_fit_more_often(season):
    past = years(0.0, 0.002, 0.003, 0.004, 0.006)
    table, _ = odds(
        season[0], field=field_of(season, past), tips={"a": (0.2, 0.4)},
        settings=SETTINGS,
    )  # fmt: skip
    by_tip = {tip: rows["fit"].to_numpy() for tip, rows in table.groupby("tip_depth")}
    assert (by_tip[0.4] <= by_tip[0.2]).all()


def test_without_past_years_nothing_is_told(season):
    table, notes = odds(season[0], field=field_of(season, None), settings=SETTINGS)
    assert not len(table)
    assert notes == []


def test_the_sentence_counts_years_and_says_how_sure(season):
    past = years(0.0, 0.012, 0.0, 0.012)
    table, _ = odds(season[0], field=field_of(season, past), settings=SETTINGS)
    told = sentence(table, "us")
    assert told.startswith("Soil a, 14 in (36 cm) deep, by the weather of 4 years: ")
    assert "in 2 of 4 (18% to 82% with so few years)" in told
    assert sentence(table, "metric").startswith("Soil a, 36 cm (14 in) deep")
    none = table.assign(fit=0, from_now=0)
    assert "no day from 1 Jul to 29 Aug was fit in any of them" in sentence(none, "us")
