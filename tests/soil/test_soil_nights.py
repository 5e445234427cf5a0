"""Frozen nights: facts of the trade on wet bare clay loam, and how they are told.

The facts are common practice, no source: a night of 28 degF before a sunny day gives a
crust that is gone by early afternoon, a night of 31 degF none worth the name, and
ground under liquid manure is the last to be fit.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely.geometry import box

from trafficmap.core.errors import InputError
from trafficmap.core.grid import FieldGrid
from trafficmap.core.settings.soil import SoilSettings
from trafficmap.core.texture import TEXTURE_CENTROIDS
from trafficmap.field.model import SoilMap, Tile
from trafficmap.soil import (
    columns,
    coming_nights,
    fit,
    freeze_nights,
    heaviest_vehicle,
    run_water,
    strength_at,
)
from trafficmap.soil.coming import told_columns
from trafficmap.soil.evapotranspiration import extraterrestrial_radiation
from trafficmap.soil.nights import hourly_ground

BARE = SoilSettings(frost_resistance=0.0)
ZONE = "America/Chicago"
GRID = FieldGrid(32616, 0.0, 4.0, 1.0, 4, 4)
WORDS = ["does not carry", "may rut", "carries"]
LIQUID = np.array([[0.0, 0.0, 0.010, 0.020]] * 4)  # none, one pass, two passes over


def late_november():
    """A wet fall; the last 12 days go from 0.3 to 6 degC."""
    days = pd.date_range("2026-05-01", "2026-11-24")
    low, high = np.full(len(days), 3.0), np.full(len(days), 9.0)
    low[-12:], high[-12:] = 0.3, 6.0
    return pd.DataFrame(
        {
            "date": days.astype("datetime64[s]"),
            "rain": np.full(len(days), 0.004),
            "t_min": low,
            "t_max": high,
        }
    )


def ground(liquid=(), rain=None, texture="clay loam", density=np.nan, settings=BARE):
    sand, clay = TEXTURE_CENTROIDS[texture]
    layers = pd.DataFrame(
        [["a", 1.0, 0.0, 1.0, sand, clay, 0.02, density]],
        columns=["soil_unit", "share", "top", "bottom", "sand", "clay",
                 "organic_matter", "bulk_density"],
    )  # fmt: skip
    frame = gpd.GeoDataFrame(
        {"soil_unit": ["a"], "name": ["a"], "texture": "", "drained": None},
        geometry=[box(0, 0, 4, 4)],
        crs=32616,
    )
    soil = SoilMap(frame, layers, assumed=False)
    found, _ = columns(soil, grid=GRID, liquid_layers=liquid, settings=settings)
    weather = late_november()
    if rain is not None:
        weather["rain"] = rain
    series, _ = run_water(
        found, weather=weather, latitude=42.0, settings=settings, tile=Tile("none"),
        first_pass=dt.date(2026, 11, 10), time_zone=ZONE,
    )  # fmt: skip
    return series, weather


def sunny(low, high=6.0, days=1):
    """Clear days: the sun of a clear sky."""
    date = pd.date_range("2026-11-25", periods=days + 1)
    sun = 0.75 * extraterrestrial_radiation(date.day_of_year.to_numpy(), latitude=42.0)
    lows = [low] * days + [3.0]
    return pd.DataFrame({"date": date, "t_min": lows, "t_max": high, "radiation": sun})


@pytest.fixture(scope="module")
def wet():
    return ground()


def of(world, forecast, settings=BARE):
    series, weather = world
    return freeze_nights(
        series, column=0, forecast=forecast, latitude=42.0, weather=weather,
        settings=settings,
    )  # fmt: skip


def hour(text):
    stamp = pd.Timestamp(text)
    return stamp.hour + stamp.minute / 60


def test_a_night_of_28_degf_gives_a_crust_at_dawn_that_is_gone_by_early_afternoon(wet):
    table = of(wet, sunny(-2.2))
    assert len(table) == 1
    night = table.iloc[0]
    assert night["word"] == "may rut"
    assert night["ground"] == "frozen crust"
    assert hour(night["start"]) < 7.5 < hour(night["end"]) <= 13.0
    assert hour(night["end"]) - hour(night["start"]) >= 3
    assert 0.01 <= night["depth_most_m"] < 0.025
    assert night["unfrozen_state"].endswith(", smears")
    assert not night["lasts"]


def test_a_night_of_31_degf_gives_none_worth_the_name(wet):
    assert of(wet, sunny(-0.6)).empty


@pytest.mark.parametrize("low", [-1.0, -4.0, -8.0, -15.0, -25.0])
def test_wet_ground_carries_at_no_depth_a_few_nights_make(wet, low):
    table = of(wet, sunny(low, high=-1.0 if low < -9 else 3.0, days=3))
    assert set(table["word"]) <= {"may rut", "does not carry"}


def test_dry_ground_carries_frozen_and_is_slick_where_it_thaws_on_top():
    table = of(ground(rain=0.0, texture="loam"), sunny(-14.0, high=2.0, days=3))
    assert table["unfrozen_state"].str.endswith(", does not smear").all()
    told = dict(zip(table["ground"], table["word"], strict=True))
    assert told == {"frozen crust": "carries", "thawed over frozen": "may rut"}


def test_colder_nights_and_less_cover_freeze_deeper(wet):
    deepest = [of(wet, sunny(low))["depth_most_m"].max() for low in (-2.2, -4, -8)]
    assert deepest == sorted(deepest)
    assert deepest[0] < deepest[-1]
    covered = of(wet, sunny(-8.0), settings=SoilSettings(frost_resistance=0.3))
    assert covered.empty or covered["depth_most_m"].max() < 0.5 * deepest[-1]


def test_thawed_over_frozen_is_a_state_of_its_own(wet):
    cold = sunny(-12.0, high=-4.0, days=4)
    cold.loc[4, ["t_min", "t_max"]] = [-3.0, 9.0]
    table = of(wet, cold)
    assert list(table["ground"].unique()) == ["frozen crust", "thawed over frozen"]
    slick = table[table["ground"] == "thawed over frozen"]
    assert set(slick["word"]) == {"does not carry"}
    assert pd.Timestamp(slick["end"].iloc[-1]).day == 29


def test_hours_and_days_of_one_forecast_tell_the_same_night(wet):
    days = sunny(-8.0).drop(columns="radiation")
    low, high = days["t_min"].iloc[0], days["t_max"].iloc[0]
    stamps = pd.date_range("2026-11-25 00:00", periods=48, freq="h", tz=ZONE)
    clock = stamps.hour.to_numpy()
    # Lowest at 7, highest at 15.
    swing = np.where(
        (clock >= 7) & (clock < 15),
        -np.cos(np.pi * (clock - 7) / 8),
        np.cos(np.pi * ((clock - 15) % 24) / 16),
    )
    air = 0.5 * (low + high) + 0.5 * (high - low) * swing
    air[24:] = 5.0
    hours = pd.DataFrame({"time": stamps.tz_convert("UTC"), "temperature": air})
    by_day, by_hour = of(wet, days), of(wet, hours)
    first, second = by_day.iloc[0], by_hour.iloc[0]
    assert abs(first["depth_most_m"] - second["depth_most_m"]) < 0.015
    assert abs(hour(first["end"]) - hour(second["end"])) <= 2


@pytest.mark.parametrize(
    ("first", "hours"), [("2026-10-31 18:00", 35), ("2026-03-07 18:00", 37)]
)
def test_hours_keep_to_the_wall_clock_over_its_change(wet, first, hours):
    series, _ = wet
    stamps = pd.date_range(first, periods=36, freq="h", tz="America/Chicago")
    forecast = pd.DataFrame({"time": stamps.tz_convert("UTC"), "temperature": 2.0})
    ground = hourly_ground(
        replace(series, time_zone="America/Chicago"), column=0, forecast=forecast,
        latitude=42.0, settings=BARE,
    )  # fmt: skip
    asked = ground.ends[ground.asked]
    last = stamps[-1].tz_localize(None)
    assert asked[0] - pd.Timedelta(hours=1) == pd.Timestamp(first)
    assert asked[-1] - pd.Timedelta(hours=1) == last
    # One hour less or more on the clock than hours that pass, none left out.
    assert len(asked) == hours
    assert (np.diff(asked) == pd.Timedelta(hours=1)).all()


def test_wind_and_hours_outside_the_forecast(wet):
    stamps = pd.date_range("2026-11-25 18:00", periods=16, freq="h", tz=ZONE)
    hours = pd.DataFrame(
        {"time": stamps.tz_convert("UTC"), "temperature": -8.0, "wind": 4.0}
    )
    table = of(wet, hours)
    assert pd.Timestamp(table["start"].iloc[0]) > stamps[0]
    assert table["lasts"].iloc[-1]
    assert pd.Timestamp(table["end"].iloc[-1]) == stamps[-1] + pd.Timedelta(hours=1)


def test_a_forecast_with_a_hole_or_without_rows_is_refused(wet):
    days = sunny(-4.0, days=3).drop(index=1)
    with pytest.raises(InputError, match="a value is missing at or after 2026-11-25"):
        of(wet, days)
    with pytest.raises(InputError, match="holds no row"):
        of(wet, days.iloc[:0])
    series, _ = wet
    with pytest.raises(InputError, match="soil column: got 7"):
        freeze_nights(series, column=7, forecast=days, latitude=42.0, settings=BARE)


def test_liquid_and_its_overlaps_are_the_last_to_be_fit():
    # Rain stops on 25 September and it dries; liquid on 20 October.
    rain = np.where(np.arange(208) < 147, 0.002, 0.0)
    when = pd.Timestamp("2026-10-20 12:00", tz=ZONE).timestamp()
    series, weather = ground([(when, LIQUID, 0.15)], rain=rain, texture="clay loam")
    order = np.argsort(series.columns.liquid_water[:, 0])
    assert len(order) == 3
    for day in ("2026-10-22", "2026-11-05", "2026-11-20"):
        states = [
            fit(series, column=c, day=day, tip_depth=0.30, settings=BARE) for c in order
        ]
        chance = [state.probability for state in states]
        assert chance[0] > chance[1] > chance[2]
        carries = [WORDS.index(state.carries) for state in states]
        assert carries == sorted(carries, reverse=True)
    told = told_columns(series.columns)
    assert told == [("a", int(order[0]), False), ("a", int(order[-1]), True)]
    table, notes = coming_nights(
        series, forecast=sunny(-6.0), latitude=42.0, weather=weather, settings=BARE
    )
    assert set(table["most_liquid"]) == {False, True}
    assert [note.code for note in notes] == ["soil.nights"] * 2
    assert "where most liquid was put down" in notes[1].sentence
    assert "in (" in notes[0].sentence
    assert "does not spare" in notes[0].sentence


def test_what_the_crust_holds_by_itself_follows_both_rules():
    """W = C z^2 from the frost of the table, and 5 cm over ground that is not soft."""
    load = 38e3 * 9.81
    for rain, low, drier in ((None, -8.0, False), (0.0, -14.0, True)):
        world = ground(rain=rain, texture="loam" if drier else "clay loam")
        series, weather = world
        table = freeze_nights(
            series, column=0, forecast=sunny(low, high=-1.0, days=3), latitude=42.0,
            weather=weather, heaviest=load, settings=BARE,
        )  # fmt: skip
        crust = table[table["ground"] == "frozen crust"]
        assert len(crust)
        factor = 0.35e6 if drier else 0.86e6
        np.testing.assert_allclose(
            crust["crust_kg"], factor * crust["depth_most_m"] ** 2 / 9.80665, rtol=0.03
        )
        for row in crust.to_dict("records"):
            thin = row["depth_most_m"] < 0.05
            told = "does not carry" if thin else "carries" if drier else "may rut"
            assert row["crust_word"] == told
        slick = table[table["ground"] != "frozen crust"]
        assert slick["crust_kg"].isna().all()
        assert (slick["crust_word"] == "").all()


def test_a_crust_no_night_makes_would_hold_the_cart_and_the_note_says_so(wet):
    series, weather = wet
    given = {"forecast": sunny(-8.0), "latitude": 42.0, "weather": weather}
    table, notes = coming_nights(
        series, heaviest=("cart", 38e3 * 9.80665), settings=BARE, **given
    )
    told = notes[0].sentence
    # 38 t by the wet rule: the root of 372 kN over 0.86 MN/m2 is 66 cm.
    assert "cart with all it pulls weighs 38.0 t (41.9 tons)" in told
    assert "would need 26 in (66 cm) of frost" in told
    assert "never for ice on water or ditches" in told
    crust = table[table["ground"] == "frozen crust"]
    assert set(crust["crust_word"]) == {"does not carry"}
    plain, notes = coming_nights(series, settings=BARE, **given)
    assert "would need" not in notes[0].sentence
    assert set(plain["crust_word"]) == {""}
    assert plain.drop(columns="crust_word").equals(table.drop(columns="crust_word"))


def test_the_heaviest_vehicle_is_all_wheels_of_a_machine_together():
    states = SimpleNamespace(
        machine_id=np.array(["a", "b", "c"]),
        load=np.array([[1e4, 1e4, np.nan], [3e4, 2e4, 1e4], [np.nan] * 3]),
    )
    assert heaviest_vehicle(states) == ("b", 6e4)
    states.load[:] = np.nan
    assert heaviest_vehicle(states) is None


def test_no_crust_and_unknown_water_are_said(wet):
    series, weather = wet
    _, notes = coming_nights(
        series, forecast=sunny(2.0), latitude=42.0, weather=weather, settings=BARE
    )
    assert "no frozen crust worth the name" in notes[0].sentence
    unknown = ground()[0]
    unknown.theta[-1] = np.nan
    table, notes = coming_nights(
        unknown, forecast=sunny(-9.0), latitude=42.0, weather=weather, settings=BARE
    )
    assert table.empty
    assert [note.code for note in notes] == ["soil.nights_unknown"]


def test_ice_at_the_tip_and_thawed_ground_reach_the_fit_of_the_day(wet):
    front, thawed = wet[0].frost_depth.copy(), wet[0].thaw_depth.copy()
    front[-1, 0], thawed[-1, 0] = 0.31, 0.28
    series = replace(wet[0], frost_depth=front, thaw_depth=thawed)
    given = {"column": 0, "day": "2026-11-24", "settings": BARE}
    state = fit(series, tip_depth=0.30, **given)
    assert state.tip_frozen
    assert state.ground == "thawed over frozen"
    assert state.carries == "does not carry"
    assert not fit(series, tip_depth=0.40, **given).tip_frozen
    assert not fit(series, tip_depth=0.20, **given).tip_frozen


def test_frost_gives_the_subsoil_no_strength_and_thick_frost_none_is_known(wet):
    series = wet[0]
    noon = [pd.Timestamp("2026-11-24 12:00", tz=ZONE).timestamp()]

    def strength(frozen):
        depth = np.zeros_like(series.frost_depth)
        depth[-1] = frozen
        iced = replace(series, frost_depth=depth)
        return strength_at(
            iced, noon, last_tillage_depth=0.2, settings=BARE
        ).ln_strength

    free = strength(0.0)
    np.testing.assert_array_equal(strength(0.09), free)
    assert np.isnan(strength(0.11)).all()
    loose = SoilSettings(frozen_limit=0.2)
    deep = np.zeros_like(series.frost_depth)
    deep[-1] = 0.11
    found = strength_at(
        replace(series, frost_depth=deep), noon, last_tillage_depth=0.2, settings=loose
    )
    np.testing.assert_array_equal(found.ln_strength, free)
