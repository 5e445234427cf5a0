"""Clocks in several columns, of satellites, and coarser than their rows."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pytest

from trafficmap.core.errors import InputError
from trafficmap.formats.clocks import ClockColumns, read_clock, seconds_of_day
from trafficmap.formats.logs import read_logs
from trafficmap.formats.ticks import spread_stamps


def moment(*parts):
    return datetime(*parts, tzinfo=UTC).timestamp()


NOON = moment(2026, 10, 20, 12)


def series(values, name):
    return None if values is None else pd.Series(values, name=name)


def read(time=None, day=None, *, more=None, name="log.csv", **told):
    time, day = series(time, "time"), series(day, "date")
    rows = 3 if time is None else len(time)
    return read_clock(time, day, name=name, n_rows=rows, more=more, **told)


def week(number, seconds, name="log.csv"):
    more = ClockColumns(
        gps_week=pd.Series(number, name="week"),
        gps_seconds=pd.Series(seconds, name="tow"),
    )
    return read(more=more, name=name)


def test_gps_week_and_seconds_are_utc_less_the_leap_seconds():
    # 20 October 2026 is Tuesday, day 2 of GPS week 2 441 (2 441 x 7 days after
    # 6 January 1980 is Sunday 18 October 2026), counted by hand.
    tow = 2 * 86_400 + 12 * 3600 + 18
    clock = week([2441, 2441], [tow, tow + 1])
    assert clock.kind == "utc"
    np.testing.assert_allclose(clock.seconds, [NOON, NOON + 1])
    assert "18 leap seconds taken off" in clock.findings[0].why
    in_ms = week([2441, 2441], [tow * 1000, tow * 1000 + 200])
    np.testing.assert_allclose(in_ms.seconds, [NOON, NOON + 0.2])


def test_a_week_of_ten_bits_needs_to_be_told_its_round():
    tow = 2 * 86_400 + 12 * 3600 + 18
    clock = week([2441 - 2048] * 2, [tow, tow + 1])
    assert clock.kind == "no_epoch"
    (note,) = clock.notes
    assert note.code == "log.gps_round"
    offset = 2048 * 7 * 86_400 - (18 - 0)
    assert clock.seconds[0] + offset == pytest.approx(NOON, abs=30)
    assert "(2026)" in note.sentence
    assert "(2007)" in note.sentence
    by_name = week([2441 - 2048] * 2, [tow, tow + 1], name="corn_2026.csv")
    np.testing.assert_allclose(by_name.seconds, [NOON, NOON + 1])
    assert by_name.findings[0].assumed


def test_every_part_of_the_date_in_a_column_of_its_own():
    parts = {
        "year": pd.Series([2026, 26], name="yyyy"),
        "month": pd.Series([10, 10], name="month"),
        "hour": pd.Series([12, 12], name="hh"),
        "minute": pd.Series([0, 0], name="mm"),
        "second": pd.Series([0.0, 0.2], name="ss"),
    }
    more = ClockColumns(parts=parts)
    clock = read(day=[20, 20], more=more)
    assert clock.kind == "wall"
    np.testing.assert_allclose(clock.seconds, [NOON, NOON + 0.2])


@pytest.mark.parametrize(
    ("day", "time"),
    [
        (["2026-10-20"] * 2, ["12:00:00", "12:00:01"]),
        ([20261020] * 2, [120000, 120001]),
        ([20261020] * 2, [120000.0, 120001.0]),
        (["20.10.2026"] * 2, ["12:00:00", "12:00:01"]),
        (["10/20/2026"] * 2, ["12:00:00 PM", "12:00:01 PM"]),
        ([46315] * 2, [0.5, 0.5 + 1 / 86_400]),
        (pd.to_datetime(["2026-10-20"] * 2), ["12:00:00", "12:00:01"]),
    ],
)
def test_day_and_time_of_day_in_two_columns(day, time):
    # 46 315 is 20 October 2026: 45 577 is 12 October 2024, 738 days before.
    clock = read(time, day)
    assert clock.kind == "wall"
    np.testing.assert_allclose(clock.seconds, [NOON, NOON + 1], atol=1e-3)


def test_six_digits_are_read_in_the_order_that_runs_forward():
    clock = read([235959, 0], [191026, 201026])
    np.testing.assert_allclose(clock.seconds, [NOON - 43_201, NOON - 43_200])
    assert "day first" in clock.findings[0].why


def test_a_zone_in_the_column_of_the_time_counts():
    clock = read(["12:00:00Z", "12:00:01Z"], ["2026-10-20"] * 2)
    assert clock.kind == "utc"
    np.testing.assert_allclose(clock.seconds, [NOON, NOON + 1])


def test_six_digits_that_read_several_ways_are_asked_about():
    with pytest.raises(InputError, match="can be read in several orders") as caught:
        read([120000, 120001], [101112, 101112])
    lines = dict(caught.value.choices)
    assert lines['date_format = "dmy"'] == "101112 is then 10 November 2012"
    assert lines['date_format = "ymd"'] == "101112 is then 12 November 2010"
    clock = read([120000, 120001], [101112, 101112], date_format="mdy")
    assert clock.seconds[0] == moment(2012, 10, 11, 12)


def test_dates_that_read_two_ways_come_with_both_readings():
    with pytest.raises(InputError) as caught:
        read(["03/04/2026 10:00:00"] * 2)
    assert caught.value.choices == (
        ('date_format = "mdy"', "03/04/2026 10:00:00 is then 4 March 2026"),
        ('date_format = "dmy"', "03/04/2026 10:00:00 is then 3 April 2026"),
    )


@pytest.mark.parametrize(
    ("values", "seconds"),
    [
        ([120000, 235959], [43_200, 86_399]),
        ([93015.25], [34_215.25]),
        ([43_260, 43_275], [43_260, 43_275]),  # 75 is no second: they count on
        ([0.25], [21_600]),
        (["3:05:06 PM"], [54_306]),
    ],
)
def test_the_time_of_day_as_people_write_it(values, seconds):
    np.testing.assert_allclose(seconds_of_day(pd.Series(values)), seconds)


def test_a_heading_that_says_utc_is_believed():
    time = pd.Series(["2026-10-20 12:00:00"] * 2, name="Time (UTC)")
    clock = read_clock(time, None, name="log.csv", n_rows=2)
    assert clock.kind == "utc"
    assert "says UTC" in clock.findings[0].why


# --- stamps coarser than the rows ---


def spread(seconds, **more):
    n = len(seconds)
    seconds = np.asarray(seconds, dtype=float)
    east = np.linspace(10, 10.001, n)
    return spread_stamps(seconds, longitude=east, latitude=east, name="a.csv", **more)


def test_five_rows_a_second_are_spread_over_it():
    true = NOON + np.arange(2, 48) / 5
    out, note = spread(np.floor(true))
    np.testing.assert_allclose(out, true, atol=1e-6)
    assert note.code == "log.whole_seconds"
    assert "about 5 rows a second; they were spread evenly" in note.sentence


def test_seconds_of_nine_and_eleven_rows_stay_in_order_inside_their_second():
    stamps = np.repeat([NOON, NOON + 1, NOON + 2, NOON + 3], [10, 9, 11, 10])
    out, _ = spread(stamps)
    assert (np.diff(out) > 0).all()
    np.testing.assert_array_equal(np.floor(out), stamps)


def test_a_counter_places_rows_where_some_are_missing():
    count = np.delete(np.arange(60), [13, 14, 15, 38])
    true = NOON + 0.03 + count / 10
    out, note = spread(np.floor(true), counter=count.astype(float))
    np.testing.assert_allclose(out, true, atol=0.06)
    np.testing.assert_allclose(np.diff(out), np.diff(true), atol=0.01)
    assert "by the counter" in note.sentence


def test_milliseconds_in_a_column_of_their_own_are_added():
    true = NOON + np.arange(20) / 10
    fraction = np.round((true - np.floor(true)) * 1000)
    out, note = spread(np.floor(true), milliseconds=fraction)
    np.testing.assert_allclose(out, true, atol=1e-6)
    assert "milliseconds was added" in note.sentence


def test_stamps_to_the_minute_are_spread_over_the_minute():
    true = NOON + np.arange(0, 300, 5)
    out, note = spread(np.floor(true / 60) * 60)
    np.testing.assert_allclose(out, true)
    assert "12 rows a minute" in note.sentence


@pytest.mark.parametrize(
    "seconds",
    [
        [0, 1, 2, 3, 4],
        [0, 0.2, 0.4, 0.4, 0.6],
        [0, 1, 2, 2, 3, 4, 5, 6],
        [np.nan, np.nan, 1],
    ],
)
def test_clocks_that_need_nothing_are_left_alone(seconds):
    out, note = spread(seconds)
    assert note is None
    np.testing.assert_array_equal(out, seconds)


def test_plain_repeats_of_a_row_are_not_spread():
    stamps = np.repeat(np.arange(10.0), 3)
    place = np.repeat(np.linspace(10, 10.001, 10), 3)
    _, note = spread_stamps(stamps, longitude=place, latitude=place, name="a.csv")
    assert note is None


def test_a_ten_hertz_log_with_whole_seconds_reads(tmp_path):
    lines = ["lon,lat,time,speed (m/s)"]
    for k in range(600):
        stamp = datetime.fromtimestamp(NOON + k // 10, UTC)
        # One degree is 111 194.9 m; 2 m/s.
        lines.append(f"-93.62,{42.03 + k * 0.2 / 111_194.9:.9f},{stamp:%FT%T}Z,2.0")
    path = tmp_path / "fast.csv"
    path.write_text("\n".join(lines))
    (log,) = read_logs(path)
    np.testing.assert_allclose(np.diff(log.table["seconds"]), 0.1, atol=1e-6)
    (found,) = [f for f in log.findings if f.field == "speed"]
    assert "the places agree within" in found.why
