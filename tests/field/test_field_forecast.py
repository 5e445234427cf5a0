"""A forecast by day or hour, and every way it can be of no use."""

from __future__ import annotations

import pandas as pd
import pytest

from trafficmap.core.errors import InputError
from trafficmap.field.columns import Columns
from trafficmap.field.forecast import settle_forecast

WEATHER = pd.DataFrame(
    {"date": pd.date_range("2026-11-01", "2026-11-19"), "t_min": 1.0, "t_max": 8.0}
)


def settle(frame, *, weather=WEATHER, zone="America/Chicago", **more):
    columns = Columns(frame, name="forecast.csv", **more)
    return settle_forecast(columns, time_zone=zone, weather=weather)


def days(start="2026-11-20", n=4, low=-3.0, high=5.0):
    date = pd.date_range(start, periods=n).strftime("%Y-%m-%d")
    return pd.DataFrame({"date": date, "tmin_c": low, "tmax_c": high})


def codes(notes):
    return [note.code for note in notes]


def test_days_come_through_with_their_units():
    frame = days().assign(wind_mph=10.0, rain_in=0.1)
    found, notes = settle(frame)
    assert not notes
    assert list(found["t_min"]) == [-3.0] * 4
    assert found["wind"].iloc[0] == pytest.approx(4.4704)
    assert found["rain"].iloc[0] == pytest.approx(0.00254)


def test_hours_are_of_the_farm_or_say_their_offset():
    local = pd.DataFrame(
        {"time": ["2026-11-20 00:00", "2026-11-20 01:00"], "temperature_f": [32, 23]}
    )
    found, notes = settle(local)
    assert not notes
    assert found["time"].iloc[0] == pd.Timestamp("2026-11-20 06:00", tz="UTC")
    assert found["temperature"].iloc[1] == pytest.approx(-5.0)
    told = local.assign(time=["2026-11-20T06:00Z", "2026-11-20T01:00-06:00"])
    again, _ = settle(told)
    assert list(again["time"]) == list(found["time"])


def test_what_overlaps_with_known_weather_is_left_out():
    found, notes = settle(days("2026-11-18"))
    assert codes(notes) == ["forecast.overlap"]
    assert notes[0].count == 2
    assert found["date"].iloc[0] == pd.Timestamp("2026-11-20")


@pytest.mark.parametrize(
    ("frame", "code", "said"),
    [
        (days("2026-11-01"), "forecast.past", "ends before the known weather"),
        (days("2026-12-10"), "forecast.late", "20 days between"),
        (days(high=70.0), "forecast.fahrenheit", "cannot be degrees Celsius"),
    ],
)
def test_of_no_use(frame, code, said):
    found, notes = settle(frame)
    assert found is None
    assert codes(notes) == [code]
    assert said in notes[0].sentence


def test_no_weather_before_it():
    found, notes = settle(days(), weather=None)
    assert found is None
    assert codes(notes) == ["forecast.no_weather"]


def test_a_short_gap_before_it_is_said():
    found, notes = settle(days("2026-11-22"))
    assert len(found) == 4
    assert codes(notes) == ["forecast.gap_before"]
    assert "48 hours" in notes[0].sentence


def test_nothing_after_a_hole_is_used():
    found, notes = settle(days(n=5).drop(index=2))
    assert len(found) == 2
    assert codes(notes) == ["forecast.hole"]
    empty = days(n=5)
    empty.loc[3, "tmin_c"] = -9999
    found, notes = settle(empty)
    assert len(found) == 3
    crossed = days()
    crossed.loc[0, "tmin_c"] = 9.0
    found, notes = settle(crossed)
    assert found is None
    assert codes(notes) == ["forecast.hole"]


def test_the_hour_clocks_show_twice_is_a_hole():
    times = pd.date_range("2026-10-31 22:00", periods=6, freq="h").strftime("%F %R")
    known = pd.DataFrame({"date": pd.date_range("2026-10-01", "2026-10-30")})
    frame = pd.DataFrame({"time": times, "temperature": 3.0})
    found, notes = settle(frame, weather=known)
    assert len(found) == 3
    assert "forecast.hole" in codes(notes)


def test_times_that_cannot_be_read_or_stand_twice_are_refused():
    frame = pd.DataFrame({"time": ["soon", "2026-11-20 01:00"], "temperature": 1.0})
    with pytest.raises(InputError, match="the time of 1 of 2 rows cannot be read"):
        settle(frame)
    with pytest.raises(InputError, match="2026-11-20 00:00 is there twice"):
        settle(pd.concat([days(), days(n=1)]))
    with pytest.raises(InputError):
        settle(pd.DataFrame({"date": ["2026-11-20"], "rain_mm": [1.0]}))


def test_rain_without_its_unit_is_not_used_and_said():
    found, notes = settle(days().assign(rain=0.2))
    assert "rain" not in found
    assert codes(notes) == ["forecast.rain_unit"]
    assert "rain_mm or rain_in" in notes[0].sentence


def test_rain_that_cannot_be_true_is_not_told():
    frame = days().assign(rain_mm=[1.0, -2.0, 5000.0, 0.0])
    found, notes = settle(frame)
    assert codes(notes) == ["forecast.rain_wrong"]
    assert notes[0].count == 2
    assert found["rain"].isna().tolist() == [False, True, True, False]
