"""A forecast in the soil: its rain wets it, and each hour is fit or not, with why."""

from __future__ import annotations

import datetime as dt

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely.geometry import box

from trafficmap.core.grid import FieldGrid
from trafficmap.core.settings.soil import SoilSettings
from trafficmap.core.texture import TEXTURE_CENTROIDS
from trafficmap.field.model import Crop, SoilMap, Tile
from trafficmap.soil import (
    columns,
    coming_nights,
    coming_water,
    fit,
    forecast_rain,
    freeze_nights,
    run_water,
)
from trafficmap.soil.columns import LAYER_THICKNESS
from trafficmap.soil.fitness import column_curve, plastic_limits
from trafficmap.soil.hours import closed, fit_hours
from trafficmap.soil.nights import HourlyGround

SETTINGS = SoilSettings()
ZONE = "America/Chicago"
GRID = FieldGrid(32616, 0.0, 4.0, 1.0, 4, 4)
GIVEN = {
    "latitude": 42.0,
    "tile": Tile("none"),
    "crop": Crop("corn", harvested="2026-10-20"),
    "first_pass": dt.date(2026, 10, 20),
}
TOP = slice(0, 3)
TIP = 0.30
DAY = pd.Timedelta(days=1)


@pytest.fixture(scope="module")
def known():
    """A silt loam to 20 November, after a dry fall."""
    sand, clay = TEXTURE_CENTROIDS["silt loam"]
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
    found, _ = columns(soil, grid=GRID, settings=SETTINGS)
    days = pd.date_range("2026-05-01", "2026-11-20")
    weather = pd.DataFrame(
        {"date": days.astype("datetime64[s]"), "rain": 0.0015, "t_min": 2.0,
         "t_max": 10.0}
    )  # fmt: skip
    series, _ = run_water(
        found, weather=weather, settings=SETTINGS, time_zone=ZONE, **GIVEN
    )
    return series, weather


def coming(rain, *, start="2026-11-21", low=1.0, high=8.0):
    """Days with the rain given [m]."""
    return pd.DataFrame(
        {
            "date": pd.date_range(start, periods=len(rain)).astype("datetime64[s]"),
            "t_min": low,
            "t_max": high,
            "rain": rain,
        }
    )


def ahead_of(known, forecast, settings=SETTINGS):
    series, weather = known
    return coming_water(
        series, forecast=forecast, weather=weather, settings=settings, **GIVEN
    )


def stored(series, row):
    return float((series.theta[row, 0] * LAYER_THICKNESS).sum())


def test_known_days_are_as_they_were_and_the_forecast_follows(known):
    ahead, notes = ahead_of(known, coming([0.0, 0.02, 0.0]))
    assert notes == []
    count = len(known[0].dates)
    np.testing.assert_array_equal(ahead.series.theta[:count], known[0].theta)
    assert len(ahead.series.dates) == count + 3
    assert ahead.first == pd.Timestamp("2026-11-21")


def test_rain_of_the_forecast_wets_the_soil_by_what_does_not_leave(known):
    dry, _ = ahead_of(known, coming([0.0, 0.0, 0.0]))
    wet, _ = ahead_of(known, coming([0.0, 0.02, 0.0]))
    assert (wet.series.theta[-1, 0, TOP] > dry.series.theta[-1, 0, TOP] + 0.01).all()
    # The day before the rain nothing differs.
    np.testing.assert_array_equal(wet.series.theta[-3], dry.series.theta[-3])
    run, first = wet.series, len(known[0].dates)
    gone = sum(
        float(getattr(run, name)[first:, 0].sum())
        for name in ("runoff", "evaporation", "uptake", "drained")
    )
    gained = stored(run, -1) - stored(run, first - 1)
    assert gained == pytest.approx(0.02 - gone, abs=1e-9)


def test_more_rain_never_leaves_less_water(known):
    last = 0.0
    for fall in (0.0, 0.005, 0.02, 0.05):
        ahead, _ = ahead_of(known, coming([fall, 0.0]))
        water = stored(ahead.series, -1)
        assert water >= last
        last = water


def test_rain_that_may_come_otherwise_widens_the_spread(known):
    forecast = coming([0.0, 0.02])
    sure, _ = ahead_of(known, forecast, settings=SoilSettings(forecast_rain_spread=0.0))
    unsure, _ = ahead_of(known, forecast)
    assert unsure.series.theta_sd[-1, 0, 0] > sure.series.theta_sd[-1, 0, 0]
    # Before the rain the forecast adds nothing.
    np.testing.assert_allclose(
        unsure.series.theta_sd[-2], sure.series.theta_sd[-2], atol=1e-12
    )


def test_hours_of_a_day_make_the_same_water_as_its_sum(known):
    times = pd.date_range("2026-11-21 06:00", periods=48, freq="h", tz="UTC")
    hours = pd.DataFrame({"time": times, "temperature": [1.0, 8.0] * 24, "rain": 0.0})
    hours.loc[30:33, "rain"] = 0.005
    by_hour, _ = ahead_of(known, hours)
    by_day, _ = ahead_of(known, coming([0.0, 0.02]))
    np.testing.assert_allclose(by_hour.series.theta[-1], by_day.series.theta[-1])


def test_a_forecast_without_rain_tells_no_water(known):
    ahead, notes = ahead_of(known, coming([0.0, 0.0]).drop(columns="rain"))
    assert ahead is None
    assert [note.code for note in notes] == ["forecast.no_rain"]


def test_a_hole_in_the_rain_ends_what_is_told(known):
    ahead, notes = ahead_of(known, coming([0.0, 0.01, np.nan, 0.0]))
    assert [note.code for note in notes] == ["forecast.rain_hole"]
    assert "2026-11-23" in notes[0].sentence
    assert ahead.series.dates[-1] == pd.Timestamp("2026-11-22")
    assert notes[0].count == 2


def test_rain_is_told_by_hour_and_adds_up_on_the_day_of_the_clock_change():
    forecast = coming([0.025, 0.024], start="2026-11-01")
    rain, _ = forecast_rain(forecast, ZONE)
    assert len(rain) == 25 + 24
    assert rain["by_day"].all()
    assert rain["rain"].sum() == pytest.approx(0.049)


def test_days_missing_before_the_forecast_are_not_made_up(known):
    ahead, notes = ahead_of(known, coming([0.0, 0.0], start="2026-11-22"))
    assert [note.code for note in notes] == ["forecast.gap_dry"]
    gap = ahead.series.day_of("2026-11-21")
    assert np.isnan(ahead.series.theta[gap]).all()
    assert np.isfinite(ahead.series.theta[-1]).all()
    # Nights go on from the last day that is known.
    told = {"latitude": 42.0, "weather": known[1], "settings": SETTINGS}
    cold = coming([0.0, 0.0], start="2026-11-22", low=-8.0, high=-2.0)
    assert len(freeze_nights(ahead.series, column=0, forecast=cold, **told))


def test_frozen_nights_stand_over_soil_the_rain_has_wetted(known):
    series, weather = known
    forecast = coming([0.0, 0.03, 0.0, 0.0], low=-6.0, high=1.0)
    forecast.loc[:1, ["t_min", "t_max"]] = (2.0, 9.0)
    told = {"forecast": forecast, "latitude": 42.0, "weather": weather,
            "settings": SETTINGS}  # fmt: skip
    before = freeze_nights(series, column=0, **told)
    ahead, _ = ahead_of(known, forecast)
    after = freeze_nights(ahead.series, column=0, **told)
    assert before["unfrozen_state"].iloc[0] != after["unfrozen_state"].iloc[0]
    assert after["unfrozen_state"].iloc[0].endswith(", smears")
    whole, _ = coming_nights(ahead.series, **told)
    pd.testing.assert_frame_equal(
        whole[after.columns.tolist()].reset_index(drop=True), after
    )


def test_dry_days_follow_the_forecast(known):
    ahead, _ = ahead_of(known, coming([0.01, 0.0]))
    assert len(ahead.dry.dates) == len(ahead.series.dates) + SETTINGS.closed_dry_days
    assert ahead.dry.theta[-1, 0, 0] < ahead.series.theta[-1, 0, 0]


def world(known, forecast, *, frozen=0.0, thawed=0.0, settings=SETTINGS):
    series, weather = known
    ahead, _ = coming_water(
        series, forecast=forecast, weather=weather, settings=settings, **GIVEN
    )
    if "time" in forecast:
        begin = pd.DatetimeIndex(forecast["time"]).tz_convert(series.time_zone)
        begin = begin.tz_localize(None)[0].normalize()
        hours = len(forecast)
    else:
        begin, hours = forecast["date"].iloc[0], 24 * len(forecast)
    ends = begin + pd.Timedelta(hours=1) * np.arange(1, hours + 1)
    ground = HourlyGround(
        pd.DatetimeIndex(ends), np.full(hours, frozen), np.full(hours, thawed),
        np.ones(hours, dtype=bool), np.zeros(hours, dtype=int),
    )  # fmt: skip
    return ahead, ground


def hours_of(ahead, ground, settings=SETTINGS, **more):
    return fit_hours(
        ahead, column=0, tip_depth=TIP, ground=ground, settings=settings, **more
    )


def dried(ahead, share, rows=slice(None)):
    """Set the water of some days to a share of the plastic limit."""
    series = ahead.series
    limit, _, _ = plastic_limits(series.columns, 0, settings=SETTINGS)
    density = column_curve(series.columns, 0).bulk_density / 1000.0
    series.theta[rows, 0] = share * limit * density
    return ahead


def test_each_hour_lies_between_the_days_as_the_day_test_has_them(known):
    ahead, ground = world(known, coming([0.0, 0.0, 0.0]))
    hours = hours_of(ahead, ground)
    assert len(hours.start) == 72
    for day in range(3):
        state = fit(
            ahead.series, column=0, day=ahead.first + day * DAY, tip_depth=TIP,
            settings=SETTINGS,
        )  # fmt: skip
        last = hours.probability[24 * day + 23]
        earlier = hours.probability[24 * day]
        assert abs(last - state.probability) <= abs(earlier - state.probability) + 1e-9
        assert last == pytest.approx(state.probability, abs=0.01)


def test_rain_by_the_hour_stops_its_hours_and_wets_the_later_ones(known):
    times = pd.date_range("2026-11-21 06:00", periods=48, freq="h", tz="UTC")
    forecast = pd.DataFrame({"time": times, "temperature": 5.0, "rain": 0.0})
    forecast.loc[10:13, "rain"] = 0.008
    ahead, ground = world(known, forecast)
    hours = hours_of(ahead, ground)
    assert (hours.shatters[10:14] == "rain").all()
    assert (hours.carries[10:14] == "rain").all()
    assert "rain" not in set(hours.shatters[:10]) | set(hours.shatters[14:])
    assert hours.probability[20] < hours.probability[9]


def test_rain_of_a_day_stops_the_whole_day(known):
    ahead, ground = world(known, coming([0.0, 0.006, 0.0]))
    hours = hours_of(ahead, ground)
    assert set(hours.shatters[24:48]) == {"rain"}
    # Nobody knows when it falls: at the wetter of its two ends from midnight on.
    assert hours.probability[24] <= hours.probability[23]


def test_a_little_rain_stops_nothing(known):
    ahead, ground = world(known, coming([0.002]))
    assert "rain" not in set(hours_of(ahead, ground).shatters)


@pytest.mark.parametrize(
    ("share", "word"), [(0.30, "shatters"), (0.97, "test by hand"), (1.1, "too wet")]
)
def test_words_by_water(known, share, word):
    ahead, ground = world(known, coming([0.0]))
    assert set(hours_of(dried(ahead, share), ground).shatters) == {word}


@pytest.mark.parametrize(
    ("frozen", "thawed", "word"),
    [
        (0.02, 0.0, "shatters"),
        (0.04, 0.0, "trial pass"),
        (0.08, 0.0, "frozen"),
        (0.04, 0.28, "frozen"),
    ],
)
def test_ice_in_the_way_of_the_shanks(known, frozen, thawed, word):
    ahead, ground = world(known, coming([0.0]), frozen=frozen, thawed=thawed)
    assert set(hours_of(dried(ahead, 0.30), ground).shatters) == {word}


def test_a_crust_carries_and_still_does_not_shatter(known):
    ahead, ground = world(known, coming([0.0]), frozen=0.06)
    dried(ahead, 0.95)
    hours = hours_of(ahead, ground)
    assert set(hours.carries) == {"carries"}
    assert set(hours.shatters) == {"test by hand"}


def test_packed_ground_is_the_last_to_be_fit(known):
    # Wet until the day before the forecast, dry since.
    ahead, ground = world(known, coming([0.0] * 6))
    first = ahead.series.day_of(ahead.first)
    dried(ahead, 1.1)
    dried(ahead, 0.30, slice(first, None))
    body = hours_of(ahead, ground)
    ends = hours_of(ahead, ground, packed=True)
    fit_from = [int(np.argmax(h.shatters == "shatters")) for h in (body, ends)]
    assert fit_from[1] - fit_from[0] == 24 * SETTINGS.packed_days
    assert (ends.probability <= body.probability + 1e-12).all()
    order = ["does not carry", "may rut", "carries"]
    for one, other in zip(ends.carries, body.carries, strict=True):
        assert order.index(one) <= order.index(other)


def test_a_hand_roll_opens_its_days_and_rain_after_it_counts(known):
    # The plastic limit measured: then rolls that crack open the gate.
    surer = SoilSettings(plastic_limit_spread=0.015)
    rolls = [(z, "cracks") for z in (0.10, 0.15, 0.20, 0.25, 0.30, 0.35)]
    told = {"hand_rolls": rolls, "rolled_on": pd.Timestamp("2026-11-20")}
    ahead, ground = world(known, coming([0.0] * 4))
    dried(ahead, 0.88)
    hours = hours_of(ahead, ground, settings=surer, **told)
    assert set(hours.shatters[:48]) == {"shatters"}
    # After two days it says nothing any more.
    assert set(hours.shatters[48:]) == {"test by hand"}
    dried(ahead, 1.25, slice(ahead.series.day_of("2026-11-21"), None))
    later = hours_of(ahead, ground, settings=surer, **told)
    assert later.probability[30] < hours.probability[30]
    assert later.shatters[40] != "shatters"


def test_levelling_waits_for_the_top_alone(known):
    ahead, ground = world(known, coming([0.0]))
    dried(ahead, 1.2)
    limit, _, _ = plastic_limits(ahead.series.columns, 0, settings=SETTINGS)
    density = column_curve(ahead.series.columns, 0).bulk_density / 1000.0
    ahead.series.theta[:, 0, :2] = 0.3 * limit[:2] * density[:2]
    asked = {"column": 0, "tip_depth": 0.10, "settings": SETTINGS, "top_only": True}
    assert set(fit_hours(ahead, ground=ground, **asked).shatters) == {"shatters"}
    assert set(hours_of(ahead, ground).shatters) == {"too wet"}
    ahead.series.theta[:, 0, 1] = 1.2 * limit[1] * density[1]
    assert set(fit_hours(ahead, ground=ground, **asked).shatters) == {"too wet"}
    ahead.series.theta[:, 0, 1] = 0.3 * limit[1] * density[1]
    _, crust = world(known, coming([0.0]), frozen=0.02)
    assert set(fit_hours(ahead, ground=crust, **asked).shatters) == {"frozen"}


def test_snow_stops_the_work(known):
    ahead, ground = world(known, coming([0.0]))
    ahead.series.snow[-1, 0] = 0.006
    assert set(hours_of(dried(ahead, 0.30), ground).shatters) == {"snow"}


def test_unknown_water_is_unknown(known):
    ahead, ground = world(known, coming([0.0]))
    ahead.series.theta[-1] = np.nan
    hours = hours_of(ahead, ground)
    assert set(hours.shatters) == {"unknown"}
    assert set(hours.carries) == {"unknown"}


def test_the_season_closes_where_no_dry_spell_helps(known):
    ahead, _ = world(known, coming([0.0, 0.0]))
    series = ahead.dry
    limit, _, _ = plastic_limits(series.columns, 0, settings=SETTINGS)
    density = column_curve(series.columns, 0).bulk_density / 1000.0
    asked = {"column": 0, "tip_depth": TIP, "settings": SETTINGS}
    series.theta[:, 0] = 0.8 * limit * density
    shut, depth, dry_on = closed(ahead, **asked)
    assert (shut, dry_on) == (False, ahead.first)
    assert np.isnan(depth)
    # The top dries, the layer at 25 cm never does.
    series.theta[:, 0, 3] = 1.05 * limit[3] * density[3]
    shut, depth, dry_on = closed(ahead, **asked)
    assert (shut, depth, dry_on) == (True, 0.25, None)
    # Below the reach of a shallow pass it does not matter.
    assert not closed(ahead, column=0, tip_depth=0.12, settings=SETTINGS)[0]
    series.theta[-5:, 0, 3] = 0.9 * limit[3] * density[3]
    shut, _, dry_on = closed(ahead, **asked)
    assert (shut, dry_on) == (False, series.dates[-5])


def test_a_hand_roll_speaks_for_a_season_that_looks_closed(known):
    ahead, _ = world(known, coming([0.0, 0.0]))
    series = ahead.dry
    limit, _, _ = plastic_limits(series.columns, 0, settings=SETTINGS)
    density = column_curve(series.columns, 0).bulk_density / 1000.0
    series.theta[:, 0] = 1.02 * limit * density
    dried(ahead, 1.02)
    asked = {"column": 0, "tip_depth": TIP, "settings": SETTINGS}
    assert closed(ahead, **asked)[0]
    rolls = [(z, "crumbles") for z in (0.15, 0.25, 0.35)]
    fresh = {"hand_rolls": rolls, "rolled_on": pd.Timestamp("2026-11-20")}
    assert not closed(ahead, **asked, **fresh)[0]
    stale = {"hand_rolls": rolls, "rolled_on": pd.Timestamp("2026-11-10")}
    assert closed(ahead, **asked, **stale)[0]
    ahead.series.theta[ahead.series.day_of("2026-11-20")] = np.nan
    assert closed(ahead, **asked, **fresh)[0]


def test_a_wet_hand_roll_speaks_for_its_own_days_only(known):
    """What a forecast of two days says of the season, one of ten says as well."""
    ahead, _ = world(known, coming([0.0, 0.0]))
    series = ahead.dry
    limit, _, _ = plastic_limits(series.columns, 0, settings=SETTINGS)
    density = column_curve(series.columns, 0).bulk_density / 1000.0
    series.theta[:, 0] = 0.98 * limit * density
    dried(ahead, 0.98)
    rolls = [(z, "rolls") for z in (0.15, 0.25, 0.35)]
    rolled = pd.Timestamp("2026-11-20")
    shut, _, dry_on = closed(
        ahead,
        column=0,
        tip_depth=TIP,
        settings=SETTINGS,
        hand_rolls=rolls,
        rolled_on=rolled,
    )
    assert not shut
    assert dry_on == rolled + (SETTINGS.hand_roll_days + 1) * DAY


def test_a_wet_fall_closes_the_season_without_any_hand_on_it(known):
    series, weather = known
    wet = weather.copy()
    wet.loc[wet["date"] >= "2026-10-20", "rain"] = 0.012
    forecast = coming([0.01, 0.01])
    ahead, _ = coming_water(
        series, forecast=forecast, weather=wet, settings=SoilSettings(), **GIVEN
    )
    shut, depth, _ = closed(ahead, column=0, tip_depth=0.40, settings=SETTINGS)
    assert shut
    # Bare soil dries by evaporation in the top 0.1 m only.
    assert depth > 0.15
