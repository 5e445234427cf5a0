"""Moisture that people and probes read, and how far away the rain was measured."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from trafficmap.field import read_field

TODAY = dt.date(2026, 11, 1)
DUG_CSV = (
    "point,longitude,latitude,date,kind,depth_cm,moisture_pct,available_pct,finding\n"
    "A,-93.619,42.031,2026-10-14,moisture,25,28.5,,calibrated\n"
    "A,-93.619,42.031,2026-10-14,feel,35,,60,\n"
    "B,-93.619,42.031,2026-10-14,moisture,25,,,\n"
)
WEATHER_CSV = "date,rain_mm,t_min_c,t_max_c\n" + "".join(
    f"{dt.date(2026, 5, 1) + dt.timedelta(days=k)},2,5,15\n" for k in range(180)
)


def read(make_field, more, **files):
    named = {name.replace("_csv", ".csv"): text for name, text in files.items()}
    return read_field(make_field(more=more, files=named), today=TODAY)[0]


def test_moisture_and_feel_are_fractions(make_field):
    field = read(make_field, '[dug]\nfile = "dug.csv"', dug_csv=DUG_CSV)
    assert field.dug["kind"].tolist() == ["moisture", "feel", "moisture"]
    assert field.dug["value"].iloc[:2].tolist() == pytest.approx([0.285, 0.60])
    assert np.isnan(field.dug["value"].iloc[2])
    assert field.dug["depth"].tolist() == pytest.approx([0.25, 0.35, 0.25])
    assert field.dug["finding"].iloc[0] == "calibrated"


@pytest.mark.parametrize(
    ("line", "metres"), [("", None), ("station_km = 0", 0.0), ("station_km = 12", 12e3)]
)
def test_distance_of_the_rain_gauge(make_field, line, metres):
    more = f'[weather]\nfile = "weather.csv"\n{line}'
    field = read(make_field, more, weather_csv=WEATHER_CSV)
    assert field.station_distance == metres


def test_a_cover_crop_has_a_day(make_field):
    field = read(make_field, '[crop]\nnow = "soy"\ncover_sown = 2026-09-20')
    assert field.crop.cover_sown == "2026-09-20"
