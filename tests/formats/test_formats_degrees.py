"""Degrees in every common spelling, and those that contradict themselves."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from trafficmap.core.errors import InputError
from trafficmap.formats.degrees import from_run_together, read_degrees
from trafficmap.formats.logs import read_logs

NORTH, WEST = 42.03, -93.62


def degrees(text, axis="north"):
    column = pd.Series([text, text], name="place")
    return read_degrees(column, axis=axis, name="log.csv").degrees[0]


@pytest.mark.parametrize(
    "text",
    [
        "42.03 N",
        "N42.03",
        "+42.03°",
        "42,03° N",
        "42 1.8 N",
        "42°1.8' N",
        "42° 01.800’N",
        "N 42° 01′ 48″",
        "42º01'48''N",
        "42Â°01'48\"N",
        "42 01 48 N",
        "42:01:48.0 N",
        "42-01-48N",
        "42_01_48_N",
        "42d01m48s N",
        "42 deg 1.8 min north",
        "42 deg 01 min 48 sec N",
        "4201.8000N",
        "N4201.800",
        "42.03 nord",
    ],
)
def test_north_in_every_dress(text):
    assert degrees(text) == pytest.approx(NORTH, abs=1e-9)


@pytest.mark.parametrize(
    "text",
    [
        "93.62 W",
        "W93.62",
        "-93.62 W",
        "-93°37'12\"",
        "−93.62°",
        "93°37.2' west",
        "09337.2000W",
        "W 093 37 12",
        "-93.62",
    ],
)
def test_west_in_every_dress(text):
    assert degrees(text, "east") == pytest.approx(WEST, abs=1e-9)


def test_an_s_after_seconds_is_south():
    # The mark of seconds needs a letter of the side behind it.
    assert degrees("33 51 36 S") == pytest.approx(-33.86)
    assert degrees("33d51m36s S") == pytest.approx(-33.86)
    assert degrees("33 51 36S") == pytest.approx(-33.86)


@pytest.mark.parametrize(
    "text", ["42 61.0 N", "42 10 60 N", "42.5 10 N", "north", "4x"]
)
def test_what_is_no_degree_is_unknown(text):
    assert np.isnan(degrees(text))


@pytest.mark.parametrize(
    ("text", "axis", "sentence"),
    [
        ("-93.62 E", "east", "has a minus and the letter E, which contradict"),
        ("-42.03 N", "north", "has a minus and the letter N, which contradict"),
        ("93.62 W", "north", "its letters \\(W\\) say it is the longitude"),
        ("93.62 O", "east", "the letter O in 'place' is east in one language and west"),
    ],
)
def test_contradictions_are_refused(text, axis, sentence):
    with pytest.raises(InputError, match=sentence):
        degrees(text, axis)


def test_run_together_needs_minutes_below_sixty():
    values = from_run_together(np.array([4201.8, -9337.2, 4275.0]))
    np.testing.assert_allclose(values, [NORTH, WEST, np.nan])


def write(tmp_path, heading, cells, rows=3):
    lines = [f"{cells},2026-10-20T12:00:0{k}Z" for k in range(rows)]
    path = tmp_path / "log.csv"
    path.write_text("\n".join([f"{heading},time", *lines]) + "\n", encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("heading", "cells", "told", "how"),
    [
        ("lat,ns,lon,ew", "4201.8000,N,09337.2000,W", {}, "as the letters beside them"),
        ("lat,lat_dir,lon,lon_dir", "42.03,N,93.62,W", {}, "decimal degrees"),
        ("lat,lat_dir,lon,lon_dir", "42.03,North,-93.62,West", {}, "decimal degrees"),
        ("Latitude (DDMM.MMMM),lon (dddmm.mmmm)", "4201.8,-9337.2", {}, "as told"),
        ("lat,lon", "4201.8,-9337.2",
         {"units": {"latitude": "ddmm", "longitude": "ddmm"}}, "as told"),
        ("lat,lon", "0.73356188,-1.63397727",
         {"units": {"latitude": "rad", "longitude": "rad"}}, "radians, as told"),
        ("lat,lon", "420300000,-936200000", {}, "whole numbers of 1e-7 degree"),
    ],
)  # fmt: skip
def test_whole_logs_in_other_degrees(tmp_path, heading, cells, told, how):
    (log,) = read_logs(write(tmp_path, heading, cells), **told)
    np.testing.assert_allclose(log.table["latitude"], NORTH, atol=2e-7)
    np.testing.assert_allclose(log.table["longitude"], WEST, atol=2e-7)
    found = {f.field: f.why for f in log.findings}
    assert how in found["latitude"] + found["longitude"]


def test_letters_beside_numbers_must_not_contradict_them(tmp_path):
    path = write(tmp_path, "lat,ns,lon,ew", "42.03,N,-93.62,E")
    with pytest.raises(InputError, match="has a minus and the letter E"):
        read_logs(path)


def test_run_together_without_letters_asks_with_both_readings(tmp_path):
    path = write(tmp_path, "lat,lon", "4201.8,-9337.2")
    with pytest.raises(InputError, match="run together or metres") as caught:
        read_logs(path)
    lines = dict(caught.value.choices)
    told = lines['units = {latitude = "ddmm", longitude = "ddmm"}']
    assert "42.030000 degrees" in told
    assert "epsg = 32615" in lines


def test_a_unit_of_the_place_nobody_knows_is_refused(tmp_path):
    path = write(tmp_path, "lat,lon", "42.03,-93.62")
    with pytest.raises(InputError, match="the unit 'gon' of latitude is not known"):
        read_logs(path, units={"latitude": "gon"})
