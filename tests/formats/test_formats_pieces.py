"""Text in pieces: blanks as delimiter, mixed encodings, zeros at the end, kernels."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trafficmap.core.errors import InputError
from trafficmap.formats import textbytes
from trafficmap.formats._text_kernels import (
    FAILED,
    FRACTIONS,
    NAIVE,
    ZONED,
    days_from_civil,
    read_moment,
    read_number,
)
from trafficmap.formats.delimited import read_delimited
from trafficmap.formats.logs import read_logs

N = 120


def write(tmp_path, content, name="log.txt"):
    path = tmp_path / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def codes(notes):
    return [note.code for note in notes]


def number(text, decimal="."):
    raw = np.frombuffer(text.encode(), dtype=np.uint8)
    return read_number(raw, 0, raw.size, ord(decimal))


def moment(text):
    raw = np.frombuffer(text.encode(), dtype=np.uint8)
    return read_moment(raw, 0, raw.size)


# --- the kernels against Python and numpy ---


@given(st.floats(allow_nan=False, allow_infinity=False, width=64))
def test_numbers_are_those_of_python(value):
    read, state, ahead = number(repr(value))
    assert ahead == len(repr(value))
    assert state == FRACTIONS
    # Fifteen digits are exact; seventeen may be two units of the last place off.
    assert read == pytest.approx(value, rel=1e-15, abs=5e-324)


@given(st.integers(-(10**15), 10**15), st.integers(0, 15))
def test_numbers_of_fifteen_digits_are_exact(whole, places):
    text = f"{whole:+d}"[:-places] if places else f"{whole:+d}"
    text = text if text.strip("+-") else "0"
    text += f".{abs(whole) % 10**places:0{places}d}" if places else ""
    assert number(text)[0] == float(text)


@pytest.mark.parametrize("text", ["", "-", "1.2.3x", "abc", "1e", "0x10", "--1", "N"])
def test_what_is_no_number_fails_or_ends_early(text):
    _, state, ahead = number(text)
    assert state == FAILED or ahead < len(text)


def test_a_decimal_comma_and_leading_marks():
    assert number("42,03", ",")[0] == 42.03
    assert number("+.5")[0] == 0.5
    assert number("5.")[0] == 5.0
    assert number("INF")[0] == np.inf
    assert number("123456789012345678901")[1] == FAILED  # an id, kept as text


@given(st.datetimes(min_value=pd.Timestamp("1900-01-01").to_pydatetime()))
def test_moments_are_those_of_python(when):
    micro = np.datetime64(when, "us").astype(np.int64)
    for text in (when.isoformat(), when.isoformat(" ") + "Z"):
        read, state = moment(text)
        assert state == (ZONED if text.endswith("Z") else NAIVE)
        assert read == micro


@given(st.integers(-200_000, 200_000))
def test_days_are_those_of_numpy(day):
    date = np.datetime64(day, "D").item()
    assert days_from_civil(date.year, date.month, date.day) == day


@pytest.mark.parametrize(
    ("text", "same"),
    [
        ("2026-10-20T12:00Z", "2026-10-20T12:00:00Z"),
        ("2026/10/20 12:00:00,250", "2026-10-20 12:00:00.250"),
        ("2026-10-20T07:00:00-05:00", "2026-10-20T12:00:00Z"),
        ("2026-10-20T14:00:00.5+0200", "2026-10-20T12:00:00.5Z"),
        ("2026-10-20 14:00:00 +02", "2026-10-20T12:00:00Z"),
        ("2026-1-2", "2026-01-02 00:00"),
        ("2026-12-31T23:59:60Z", "2027-01-01T00:00:00Z"),
    ],
)
def test_moments_in_other_dress(text, same):
    assert moment(text) == moment(same)
    assert moment(text)[1] != FAILED


@pytest.mark.parametrize(
    "text",
    ["2026-02-29T00:00:00Z", "2026-13-01", "2026-10-20T24:00:00", "2026-10-20T12:60:00",
     "2026-10-20T12:00:00X", "2026-10/20", "20261020", "2026-10-20T12:00:00+99:00"],
)  # fmt: skip
def test_what_is_no_moment_fails(text):
    assert moment(text)[1] == FAILED


# --- dates whose day and month stand in any order ---


def dated(tmp_path, stamps, **told):
    rows = [f"-93.62,{42.03 + k * 1e-5:.5f},{s}" for k, s in enumerate(stamps)]
    (log,) = read_logs(
        write(tmp_path, "\n".join(["lon,lat,time", *rows]) + "\n"), **told
    )
    return log


@pytest.mark.parametrize(
    ("pattern", "why", "guess"),
    [
        ("%m/%d/%Y %I:%M:%S %p", "a second number above 12 is a day", False),
        ("%m/%d/%y %H:%M:%S", "a second number above 12 is a day", False),
        ("%d/%m/%Y %H:%M:%S.%f", "a first number above 12 is a day", False),
        ("%d.%m.%Y, %H:%M:%S", "a first number above 12 is a day", False),
        ("%d-%m-%YT%H:%M:%S", "a first number above 12 is a day", False),
    ],
)
def test_written_dates_are_read_in_the_order_their_numbers_prove(
    tmp_path, pattern, why, guess
):
    when = pd.date_range("2026-10-12 23:59:30", periods=90, freq="s")
    log = dated(tmp_path, [f'"{stamp:{pattern}}"' for stamp in when])
    assert log.clock == "wall"
    np.testing.assert_allclose(
        log.table["seconds"], when.as_unit("us").astype("int64") / 1e6
    )
    (found,) = [f for f in log.findings if f.field == "time"]
    assert (found.why, found.assumed) == (why, guess)


def test_dots_are_day_first_by_habit_and_marked_so(tmp_path):
    log = dated(tmp_path, ["03.04.2026 10:00:00", "03.04.2026 10:00:01"])
    (found,) = [f for f in log.findings if f.field == "time"]
    assert found.assumed
    assert "dates with dots" in found.why
    assert log.table["seconds"].iloc[0] == pd.Timestamp("2026-04-03 10:00").timestamp()


def test_dates_that_run_forward_in_one_order_only(tmp_path):
    log = dated(tmp_path, ["03/04/2026 23:59:59", "03/05/2026 00:00:00"])
    (found,) = [f for f in log.findings if f.field == "time"]
    assert "run forward" in found.why
    np.testing.assert_allclose(np.diff(log.table["seconds"]), 1.0)


def test_dates_as_told(tmp_path):
    stamps = ["03/04/2026 10:00:00", ""]
    stamps += [f"03/04/2026 10:00:0{k}" for k in range(1, 8)]
    log = dated(tmp_path, stamps, date_format="dmy")
    assert log.table["seconds"].iloc[0] == pd.Timestamp("2026-04-03 10:00").timestamp()
    assert len(log.table) == 8  # the row without a time is gone
    with pytest.raises(InputError, match="month/day or day/month"):
        dated(tmp_path, stamps)


def test_days_that_do_not_exist_are_unknown(tmp_path):
    stamps = ["02/13/2026 10:00:00"] * 9 + ["02/30/2026 10:00:00"]
    assert len(dated(tmp_path, stamps).table) == 9


# --- pieces ---


def test_cuts_between_pieces_change_nothing(tmp_path, monkeypatch):
    rows = [
        f'{k},"{k % 7}, and\n{"x" * (k % 5)}",{k / 8},2026-10-20T12:00:{k % 60:02}Z'
        for k in range(300)
    ]
    path = write(tmp_path, "a,b,c,time\n" + "\r\n".join(rows) + "\n")
    whole = read_delimited(path)
    for size in (97, 1000):
        monkeypatch.setattr(textbytes, "PIECE", size)
        pieces = read_delimited(path)
        pd.testing.assert_frame_equal(
            pieces.frame.astype({"b": str}), whole.frame.astype({"b": str})
        )
        np.testing.assert_array_equal(pieces.line, whole.line)


def test_a_column_that_is_no_number_further_down_is_read_again(tmp_path):
    # Found out only after the trial: the cell is kept as written.
    cells = ["1.5"] * 5000 + ["off"] + ["2"] * 10
    path = write(tmp_path, "a,b\n" + "\n".join(f"{c},1" for c in cells) + "\n")
    column = read_delimited(path).frame["a"]
    assert column.iloc[5000] == "off"
    assert column.iloc[0] == "1.5"


def test_times_with_and_without_a_zone_stay_text(tmp_path):
    path = write(
        tmp_path, "time,a\n2026-10-20T12:00:00Z,1\n2026-10-20T12:00:01,2\n" * 1
    )
    assert read_delimited(path).frame["time"].tolist()[1] == "2026-10-20T12:00:01"


@pytest.mark.parametrize("mark", [" ", "   ", "\t"])
def test_runs_of_blanks_part_cells(tmp_path, mark):
    rows = [f"{mark}-93.62{mark}42.03{mark}{k}.5{mark}" for k in range(9)]
    path = write(tmp_path, "\n".join([f"lon{mark}lat{mark}speed_m_s", *rows]) + "\n")
    if mark == "\t":
        rows = [row.strip("\t") for row in rows]
        path = write(tmp_path, "\n".join(["lon\tlat\tspeed_m_s", *rows]) + "\n")
    text = read_delimited(path)
    assert list(text.frame.columns) == ["lon", "lat", "speed_m_s"]
    np.testing.assert_allclose(text.frame["lon"], -93.62)
    np.testing.assert_allclose(text.frame["speed_m_s"], np.arange(9) + 0.5)


def test_blanks_cut_a_time_in_two_and_it_is_one_again(tmp_path):
    rows = [f"-93.62  42.03  2026-10-20 12:00:{k:02}Z  1.5" for k in range(9)]
    path = write(tmp_path, "\n".join(["lon lat time speed_m_s", *rows]) + "\n")
    (log,) = read_logs(path)
    assert log.clock == "utc"
    np.testing.assert_allclose(np.diff(log.table["seconds"]), 1.0)
    assert "text.split_time" in codes(log.notes)


def test_decimal_commas_between_blanks(tmp_path):
    rows = [f"10,25 54,{k:02} 1,5" for k in range(9)]
    text = read_delimited(write(tmp_path, "\n".join(["lon lat v", *rows]) + "\n"))
    np.testing.assert_allclose(text.frame["lon"], 10.25)
    assert codes(text.notes) == ["text.decimal_comma"]


def test_decimal_commas_in_quotes_between_commas(tmp_path):
    rows = [f'"10,25","54,{k:02}","1,5"' for k in range(9)]
    text = read_delimited(write(tmp_path, "\n".join(["lon,lat,v", *rows]) + "\n"))
    np.testing.assert_allclose(text.frame["v"], 1.5)


@pytest.mark.parametrize("mark", ["^", "~"])
def test_rare_delimiters(tmp_path, mark):
    rows = f"lon{mark}lat{mark}v\n" + f"1.5{mark}2.5{mark}3\n" * 3
    assert read_delimited(write(tmp_path, rows)).frame["v"].tolist() == [3, 3, 3]


def test_joined_logs_of_two_encodings(tmp_path):
    head = b"lon,lat,name\n"
    body = "1.5,2.5,Süd\n".encode() + "1.5,2.5,Süd\n".encode("cp1252")
    text = read_delimited(write(tmp_path, head + body))
    assert text.frame["name"].tolist() == ["Süd", "Süd"]
    assert codes(text.notes) == ["text.mixed_encoding"]


def test_utf16_without_a_mark(tmp_path):
    rows = "lon,lat,v\n1.5,2.5,3\n".encode("utf-16-le")
    text = read_delimited(write(tmp_path, rows))
    assert text.frame["v"].tolist() == [3]
    assert codes(text.notes) == ["text.utf16"]


def test_zeros_that_fill_the_end_are_cut_off_and_said(tmp_path):
    rows = b"lon,lat,v\n" + b"1.5,2.5,3\n" * 4 + b"\0" * 5000
    text = read_delimited(write(tmp_path, rows))
    assert len(text.frame) == 4
    (note,) = text.notes
    assert note.code == "text.zeros_at_end"
    assert "ends in 5,000 binary zeros" in note.sentence


def test_a_row_cut_off_by_zeros_is_ragged(tmp_path):
    rows = b"lon,lat,v\n" + b"1.5,2.5,3\n" * 9 + b"1.5,2." + b"\0" * 50
    text = read_delimited(write(tmp_path, rows))
    assert len(text.frame) == 9
    assert codes(text.notes) == ["text.zeros_at_end", "text.ragged"]


def test_an_inch_mark_in_a_name_swallows_nothing(tmp_path):
    rows = 'name,lon,lat\n30" rows,1.5,2.5\n15" rows,1.5,2.5\n'
    text = read_delimited(write(tmp_path, rows))
    assert text.frame["name"].tolist() == ['30" rows', '15" rows']


# --- columns known by their values ---


def drive(north=42.03, east=-93.62, speed=2.0):
    """Return a bent way, a fix a second, and the speed and course of its steps."""
    turn = np.radians(30 + 20 * np.sin(np.arange(N) / 15))
    pace = speed * (1 + 0.3 * np.sin(np.arange(N) / 9))
    metres = 111_194.9
    lat = north + np.cumsum(pace * np.cos(turn)) / metres
    lon = east + np.cumsum(pace * np.sin(turn)) / metres / np.cos(np.radians(lat))
    return lon, lat, pace, np.degrees(turn)


def table(tmp_path, heading, *columns):
    lines = [",".join(map(str, row)) for row in zip(*columns, strict=True)]
    lines = [heading, *lines] if heading else lines
    return write(tmp_path, "\n".join(lines) + "\n", "log.csv")


def stamps():
    return [f"2026-10-20T12:{k // 60:02d}:{k % 60:02d}Z" for k in range(N)]


def cells(values, digits):
    return [f"{value:.{digits}f}" for value in values]


def test_columns_without_meaning_are_known_by_their_values(tmp_path):
    lon, lat, pace, course = drive()
    path = table(
        tmp_path, "A,B,C,D,E,F", cells(lat, 7), cells(lon, 7), stamps(),
        cells(pace * 3.6, 2), cells(course, 1), cells(np.full(N, 17.5), 1),
    )  # fmt: skip
    (log,) = read_logs(path)
    np.testing.assert_allclose(log.table["longitude"], lon, atol=1e-7)
    np.testing.assert_allclose(log.table["speed"], pace, atol=0.01)
    np.testing.assert_allclose(log.table["heading"], course, atol=0.06)
    found = {f.field: f for f in log.findings}
    assert "only a longitude passes 90" in found["longitude"].why
    assert found["speed"].unit == "km/h"
    assert "in km/h it agrees with the places within" in found["speed"].why
    assert "direction of the steps" in found["heading"].why
    assert all(found[f].assumed for f in ("longitude", "latitude", "time", "speed"))
    assert log.table["extra_f"].iloc[0] == 17.5


def test_a_table_without_headings_is_known_by_its_values(tmp_path):
    lon, lat, *_ = drive()
    path = table(tmp_path, "", cells(lon, 7), cells(lat, 7), stamps())
    (log,) = read_logs(path)
    assert (len(log.table), log.clock) == (N, "utc")
    assert "text.no_heading" in codes(log.notes)


def test_two_columns_of_degrees_below_90_are_asked_about(tmp_path):
    lon, lat, *_ = drive(54.5, 10.2)
    path = table(tmp_path, "A,B,time", cells(lon, 7), cells(lat, 7), stamps())
    with pytest.raises(InputError, match="either can be the longitude") as caught:
        read_logs(path)
    lines = [line for line, _ in caught.value.choices]
    assert lines == [
        "columns = {longitude = 'A', latitude = 'B'}",
        "columns = {longitude = 'B', latitude = 'A'}",
    ]


def test_a_heading_the_wrong_way_round_is_said_and_not_used(tmp_path):
    lon, lat, _, course = drive()
    turned = (course + 180) % 360
    path = table(
        tmp_path, "lon,lat,time,heading", cells(lon, 7), cells(lat, 7), stamps(),
        cells(turned, 1),
    )  # fmt: skip
    (log,) = read_logs(path)
    assert log.table["heading"].isna().all()
    assert "log.heading_reversed" in codes(log.notes)


def test_a_written_unit_is_held_against_the_places(tmp_path):
    lon, lat, pace, _ = drive()
    path = table(
        tmp_path, "lon,lat,time,speed (mph)", cells(lon, 7), cells(lat, 7), stamps(),
        cells(pace * 3.6, 2),
    )  # fmt: skip
    (log,) = read_logs(path)
    (found,) = [f for f in log.findings if f.field == "speed"]
    assert "it reads 61% above the places" in found.why
    assert "log.speed_differs" in codes(log.notes)
