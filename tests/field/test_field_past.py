"""Past years from a station: read as told, holes left as holes."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from trafficmap.core.errors import InputError
from trafficmap.field.columns import Columns
from trafficmap.field.past import settle_past


def settle(frame, season=2026):
    return settle_past(Columns(frame, name="station.csv"), season=season)


def station(start="2010-01-01", end="2025-12-31", **more):
    date = pd.date_range(start, end).strftime("%Y-%m-%d")
    plain = {"date": date, "rain_mm": 2.0, "tmin_c": 3.0, "tmax_c": 9.0}
    return pd.DataFrame(plain | more)


def codes(notes):
    return [note.code for note in notes]


def test_years_come_through_in_si():
    past, notes = settle(station())
    assert notes == []
    assert past["rain"].iloc[0] == pytest.approx(0.002)
    assert len(past) == len(pd.date_range("2010-01-01", "2025-12-31"))


def test_this_season_and_later_ones_are_not_past():
    past, _ = settle(station(end="2026-08-01"))
    assert past["date"].max() == pd.Timestamp("2025-12-31")
    none, notes = settle(station(start="2026-01-01", end="2026-08-01"))
    assert none is None
    assert codes(notes) == ["past.none"]


def test_rain_is_never_made_up_and_short_holes_of_temperature_are_bridged():
    frame = station()
    frame.loc[[100, 200], "rain_mm"] = np.nan
    frame.loc[300:301, "tmin_c"] = np.nan
    frame = frame.drop(index=[400])
    past, _ = settle(frame)
    assert past["rain"].isna().sum() == 3
    assert past["t_min"].isna().sum() == 0
    assert len(past) == len(station())


def test_few_years_are_said_to_say_little():
    _, notes = settle(station(start="2022-01-01"))
    assert codes(notes) == ["past.few"]
    assert "4 past years" in notes[0].sentence


def test_fahrenheit_without_its_unit_is_left_out():
    past, notes = settle(station(tmax_c=80.0))
    assert past is None
    assert codes(notes) == ["past.fahrenheit"]


def test_rain_below_zero_is_refused():
    frame = station()
    frame.loc[5, "rain_mm"] = -3.0
    with pytest.raises(InputError, match="rain is below zero on 2010-01-06"):
        settle(frame)


def test_crossed_temperatures_are_a_hole():
    frame = station()
    frame.loc[10:14, "tmin_c"] = 20.0
    past, _ = settle(frame)
    assert past["t_min"].isna().sum() == 5
