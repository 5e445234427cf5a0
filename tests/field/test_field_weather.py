"""Weather: SI by day, whole seasons only, nothing made up."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from trafficmap.core.errors import InputError
from trafficmap.field.columns import Columns
from trafficmap.field.weather import settle_weather

FIRST, LAST = dt.date(2026, 10, 14), dt.date(2026, 10, 20)


def daily(first="2026-06-01", days=150, **columns) -> pd.DataFrame:
    dates = pd.date_range(first, periods=days).strftime("%Y-%m-%d")
    table = {"date": dates, "rain_mm": 2.0, "tmin_c": 8.0, "tmax_c": 21.0}
    return pd.DataFrame({**table, **columns}, index=range(days))


def settle(frame, *, first=FIRST, last=LAST, told=None, units=None, **words):
    columns = Columns(frame, name="w.csv", told=told, units=units)
    return settle_weather(columns, first_pass=first, last_pass=last, **words)


def test_values_come_out_in_si():
    weather, notes = settle(daily())
    row = weather.iloc[0]
    assert row["date"] == pd.Timestamp("2026-06-01")
    assert (row["rain"], row["t_min"], row["t_max"]) == pytest.approx((0.002, 8, 21))
    assert notes == []
    assert len(weather) == 150


def test_american_units_by_their_heading():
    frame = daily().rename(columns={"rain_mm": "rain_in", "tmin_c": "tmin_f"})
    frame = frame.rename(columns={"tmax_c": "Tmax (F)"})
    frame["tmin_f"], frame["Tmax (F)"] = 50.0, 68.0
    weather, _ = settle(frame)
    assert weather["rain"].iloc[0] == pytest.approx(0.0508)
    assert weather["t_min"].iloc[0] == pytest.approx(10.0)
    assert weather["t_max"].iloc[0] == pytest.approx(20.0)


def test_a_station_names_its_columns_as_it_likes():
    frame = daily().set_axis(["LST_DATE", "P", "TLOW", "THIGH"], axis=1)
    frame["LST_DATE"] = frame["LST_DATE"].str.replace("-", "").astype(int)
    weather, _ = settle(
        frame,
        told={"date": "LST_DATE", "rain": "P", "t_min": "TLOW", "t_max": "THIGH"},
        units={"rain": "mm"},
    )
    assert weather["date"].iloc[-1] == pd.Timestamp("2026-10-28")


def test_more_columns_come_along():
    weather, _ = settle(daily(rh_min=40.0, rh_max=95.0, wind_m_s=3.0, rs=15.0))
    row = weather.iloc[0]
    assert row["humidity_min"] == pytest.approx(0.40)
    assert row["humidity_max"] == pytest.approx(0.95)
    assert row["wind"] == pytest.approx(3.0)
    assert row["radiation"] == pytest.approx(15e6)


def test_fills_of_other_columns_are_gaps_and_not_numbers():
    weather, _ = settle(daily(rh_min=-9999.0, wind_m_s=-99.0))
    assert weather["humidity_min"].isna().all()
    assert weather["wind"].isna().all()


def test_a_trace_of_rain_is_a_tenth_of_a_millimetre():
    frame = daily()
    frame["rain_mm"] = frame["rain_mm"].astype(object)
    frame.loc[3, "rain_mm"] = "T"
    weather, _ = settle(frame)
    assert weather["rain"].iloc[3] == pytest.approx(1e-4)


def test_short_gaps_of_temperature_are_drawn_straight():
    frame = daily()
    frame.loc[99, "tmax_c"], frame.loc[102, "tmax_c"] = 20.0, 26.0
    frame.loc[100:101, "tmax_c"] = np.nan
    weather, notes = settle(frame)
    assert weather["t_max"].iloc[99:103].tolist() == pytest.approx([20, 22, 24, 26])
    assert [(n.code, n.count) for n in notes] == [("weather.temperature_gap", 2)]


def test_a_gap_outside_the_season_cuts_the_table():
    frame = daily(first="2026-01-01", days=300)
    frame.loc[40, "rain_mm"] = np.nan
    weather, notes = settle(frame)
    assert weather["date"].iloc[0] == pd.Timestamp("2026-02-11")
    assert notes == []


def test_days_after_the_passes_stay_as_far_as_they_go():
    frame = daily(days=200)
    frame.loc[170, "rain_mm"] = np.nan
    weather, _ = settle(frame)
    assert weather["date"].iloc[-1] == pd.Timestamp("2026-11-17")


def test_rows_may_come_in_any_order():
    frame = daily()
    weather, _ = settle(frame.sample(frac=1.0, random_state=1))
    assert weather["date"].is_monotonic_increasing


def test_without_passes_the_season_decides():
    frame = daily(first="2025-01-01", days=700)
    frame.loc[365, "rain_mm"] = np.nan  # 1 January 2026
    weather, notes = settle(frame, first=None, last=None, season=2025)
    assert weather["date"].iloc[-1] == pd.Timestamp("2025-12-31")
    assert [note.code for note in notes] == ["weather.gap"]
    weather, _ = settle(frame, first=None, last=None, season=2026)
    assert weather["date"].iloc[0] == pd.Timestamp("2026-01-02")


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"date": ["2026-06-01"] * 149 + ["soon"]}, "the day of 1 rows cannot be read"),
        ({"date": ["03/04/2026"] * 150}, "can be read as month/day or day/month"),
        ({"rain_mm": np.nan}, "rain of 2026-07-16 is missing"),
    ],
)
def test_a_table_that_cannot_be_used(change, sentence):
    with pytest.raises(InputError, match=sentence):
        settle(daily(**change))


def test_no_whole_day_at_all():
    with pytest.raises(InputError, match="no day has rain and temperature"):
        settle(daily(rain_mm=np.nan), first=None, last=None)
