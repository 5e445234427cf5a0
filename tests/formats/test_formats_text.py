"""Delimited text as people, monitors and spreadsheets write it."""

from __future__ import annotations

import numpy as np
import pytest

from trafficmap.core import limits
from trafficmap.core.errors import InputError
from trafficmap.formats.delimited import read_delimited
from trafficmap.formats.headers import LOG_FIELDS, read_heading, score, unit_named
from trafficmap.formats.table import read_table


def write(tmp_path, content, name="log.csv"):
    path = tmp_path / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def codes(notes):
    return [note.code for note in notes]


PLAIN = "lon,lat,speed\n-93.62,42.03,1.5\n-93.63,42.04,2.5\n"


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (PLAIN, None),
        (b"\xef\xbb\xbf" + PLAIN.encode(), None),
        (PLAIN.encode("utf-16"), "text.utf16"),
        (PLAIN.replace("speed", "speed µ").encode("cp1252"), "text.cp1252"),
        (PLAIN.replace("\n", "\r\n"), None),
        (PLAIN.replace("\n", "\r"), None),
        (PLAIN.replace("\n", "\r\n", 1), None),
        (PLAIN.replace(",", ";"), None),
        (PLAIN.replace(",", "\t"), None),
        (PLAIN.replace(",", " | "), None),
        (PLAIN.replace(",", ";").replace(".", ","), "text.decimal_comma"),
        ("made by a monitor\n\n" + PLAIN, "text.preamble"),
        (PLAIN.replace("\n", ",\n"), None),
        (PLAIN.replace("\n", ",\n").replace("speed,", "speed"), None),
        (PLAIN.replace("-93.62", '"-93.62"'), None),
        (PLAIN.replace("speed", "speed,"), None),
    ],
)
def test_every_dress_of_the_same_numbers(tmp_path, content, code):
    text = read_delimited(write(tmp_path, content))
    np.testing.assert_allclose(text.frame.iloc[:, 0], [-93.62, -93.63])
    np.testing.assert_allclose(text.frame.iloc[:, 1], [42.03, 42.04])
    np.testing.assert_allclose(text.frame.iloc[:, 2], [1.5, 2.5])
    assert codes(text.notes) == ([code] if code else [])
    assert len(text.headings) == 3


def test_a_row_of_units_is_used(tmp_path):
    rows = "date,rain,wind\n,in,(m/s)\n2026-10-01,0.5,3\n2026-10-02,0,4\n"
    frame, units, notes = read_table(write(tmp_path, rows))
    assert units == {"rain": "in", "wind": "m/s"}
    assert frame["rain"].tolist() == [0.5, 0.0]
    assert codes(notes) == ["text.unit_row"]
    assert frame["date"].astype(str).tolist() == ["2026-10-01", "2026-10-02"]


def test_ragged_and_repeated_lines_are_dropped_and_counted(tmp_path):
    good = "-93.6,42.0,1\n"
    rows = "lon,lat,v\n" + good * 5 + "-93.6,42.0\n" + good * 5
    rows += "lon,lat,v\n" + good * 4 + "1,2,3,4,5\n"
    text = read_delimited(write(tmp_path, rows))
    assert len(text.frame) == 14
    assert text.dropped == 2
    assert {n.code: n.count for n in text.notes} == {
        "text.ragged": 2,
        "text.heading_again": 1,
    }
    # Line 7 is the short one and 13 the second heading.
    assert text.line.tolist() == [2, 3, 4, 5, 6, 8, 9, 10, 11, 12, 14, 15, 16, 17]


def test_line_feeds_and_delimiters_in_quotes_are_text(tmp_path):
    rows = 'lon,lat,name\n1.5,2.5,"a,b"\n1.5,2.5,"c\nd"\n1.5,2.5,e\n'
    text = read_delimited(write(tmp_path, rows))
    assert text.frame["name"].tolist() == ["a,b", "c\nd", "e"]
    assert text.dropped == 0


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        ("lon,lat,v\n", "has a heading but no rows"),
        ("1.5,2.5,3.5\n" * 5, "no line of column names"),
        ("one\ntwo\nthree\n", "is no table"),
        ("lon,lat,lat\n1,2,3\n", "'lat' stands there twice"),
        (b"lon,lat\n1,2\n1,\x002\n", "binary zero at byte 14"),
        ("lon,lat,v\n" + "1,2\n" * 5 + "1,2,3\n" * 5, "5 of 10 lines have more or"),
        ('lon,lat,v\n1,2,"1,234.5"\n1,2,"2,345.5"\n', "commas between thousands"),
        (b"\xff\xfel\0o\0n\0,\0l\0a\0t\0\n\0\x00\xd8", "breaks off in the middle"),
    ],
)
def test_what_is_no_table_is_refused(tmp_path, content, sentence):
    with pytest.raises(InputError, match=sentence):
        read_delimited(write(tmp_path, content))


def test_a_line_without_end_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(limits, "MAX_TEXT_LINE", 100)
    with pytest.raises(InputError, match="line 2 is longer than 100 characters"):
        read_delimited(write(tmp_path, "lon,lat\n" + "1" * 200 + ",2\n"))


def test_long_numbers_stay_whole(tmp_path):
    big = 2**53 + 1
    text = read_delimited(write(tmp_path, f"id,lon,lat\n{big},1.5,2.5\n"))
    assert int(text.frame["id"].iloc[0]) == big


@pytest.mark.parametrize(
    ("text", "name", "unit"),
    [
        ("Speed (mph)", "speed", "mph"),
        ("Speed [km/h]", "speed", "km/h"),
        ("flow_lb_s", "flow", "lb/s"),
        ("distance_in", "distance", "in"),
        ("moisture_pct", "moisture", "%"),
        ("gps_time", "gps_time", ""),
        ("gps_time_s", "gps_time", "s"),
        ("t_daily_min", "t_daily_min", ""),
        ("Logged in", "logged_in", ""),
        ("lon_w", "lon_w", ""),
        ("Höhe (m)", "hohe", "m"),
        ("hzdept.r", "hzdept_r", ""),
        ("Rate (gal/ac)", "rate", "gal/ac"),
        ("Temp (°F)", "temp", "degF"),
    ],
)
def test_headings_are_taken_apart(text, name, unit):
    heading = read_heading(text)
    assert (heading.name, heading.unit) == (name, unit)


def test_units_are_never_confused_by_case():
    assert unit_named("kN") == "kN"
    assert unit_named("kn") == "kn"
    assert unit_named("Mg") == "Mg"
    assert unit_named("mg") == ""
    assert unit_named("furlong") == ""


def test_the_word_itself_beats_its_beginning_and_a_wrong_unit_counts_little():
    width = LOG_FIELDS["width"]
    assert score(read_heading("Swath Width (ft)"), width) == 3
    assert score(read_heading("width_of_head"), width) == 2
    assert score(read_heading("width (psi)"), width) == 1
    assert score(read_heading("moisture"), width) == 0


def test_fills_of_stations_are_gaps_only_where_they_stand_alone(tmp_path):
    rows = "date,soil,lon,t\n2026-10-01,-99,-99,-9999\n2026-10-02,0.3,-98.5,-12.5\n"
    frame, _, notes = read_table(write(tmp_path, rows))
    assert np.isnan(frame["soil"].iloc[0])
    assert frame["lon"].iloc[0] == -99
    assert np.isnan(frame["t"].iloc[0])
    assert codes(notes) == ["table.fill", "table.fill"]


def test_low_and_high_columns_keep_their_names(tmp_path):
    rows = "key,top_l,top_r,top_h\na,1,2,3\n"
    frame, units, _ = read_table(write(tmp_path, rows))
    assert list(frame.columns) == ["key", "top_l", "top_r", "top_h"]
    assert units == {}


def test_a_table_of_dates_that_read_two_ways_is_refused(tmp_path):
    rows = "date,rain_mm\n01/02/2026,1\n"
    with pytest.raises(InputError, match="month/day or day/month"):
        read_table(write(tmp_path, rows))
    frame, _, _ = read_table(write(tmp_path, rows), date_format="dmy")
    assert frame["date"].astype(str).tolist() == ["2026-02-01"]


@pytest.mark.real
def test_station_file_reads_with_its_gaps(shared_data):
    path = shared_data / "weather_soil" / "uscrn_ks_daily_2003_2017.csv"
    frame, units, _ = read_table(path)
    assert len(frame) == 5118
    assert units == {}
    assert str(frame["lst_date"].iloc[0])[:10] == "2003-10-01"
    assert frame["t_daily_max"].min() > -60
    assert frame["soil_moisture_5_daily"].min() >= 0
    assert frame["longitude"].iloc[0] == -96.61


@pytest.mark.real
def test_survey_and_probe_tables_read(shared_data):
    frame, _, _ = read_table(shared_data / "soil_survey" / "ia_chorizon.csv")
    assert frame.shape == (28, 171)
    assert {"hzdept_l", "hzdept_r", "hzdept_h"} <= set(frame.columns)
    probes = shared_data / "penetration" / "se_penetration_transects.csv"
    frame, _, _ = read_table(probes)
    assert len(frame) == 1063
    assert frame["kpa5"].max() > 100
