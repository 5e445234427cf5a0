"""Clocks: what is known, what is asked, and what is never guessed."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pytest

from trafficmap.core.errors import InputError
from trafficmap.formats.clocks import gps_to_unix, parse_days, read_clock


def read(time=None, day=None, name="log.csv", **told):
    time = None if time is None else pd.Series(time, name="time")
    day = None if day is None else pd.Series(day, name="date")
    rows = 3 if time is None else len(time)
    return read_clock(time, day, name=name, n_rows=rows, **told)


def moment(*parts):
    return datetime(*parts, tzinfo=UTC).timestamp()


NOON = moment(2026, 10, 20, 12)


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("2026-10-20T12:00:00Z", "utc"),
        ("2026-10-20T07:00:00-05:00", "utc"),
        ("2026-10-20 14:00:00+0200", "utc"),
        ("2026-10-20 12:00:00", "wall"),
        ("2026/10/20 12:00", "wall"),
        ("10/20/2026 12:00:00 PM", "wall"),
        ("20.10.2026 12:00:00", "wall"),
        ("20/10/2026 12:00", "wall"),
        ("10/20/26 12:00:00", "wall"),
    ],
)
def test_written_times(text, kind):
    clock = read([text, text])
    assert clock.kind == kind
    np.testing.assert_allclose(clock.seconds, NOON)


def test_afternoon_and_midnight_by_the_twelve_hour_clock():
    clock = read(["10/20/2026 1:05:06 PM", "10/20/2026 12:00:01 AM"])
    expected = [moment(2026, 10, 20, 13, 5, 6), moment(2026, 10, 20, 0, 0, 1)]
    np.testing.assert_allclose(clock.seconds, expected)


def test_dates_that_read_two_ways_are_asked_about():
    dates = ["03/04/2026 10:00:00", "03/04/2026 10:00:01"]
    with pytest.raises(InputError, match="month/day or day/month"):
        read(dates)
    march = read(dates, date_format="mdy").seconds[0]
    april = read(dates, date_format="dmy").seconds[0]
    assert march == moment(2026, 3, 4, 10)
    assert april == moment(2026, 4, 3, 10)
    with pytest.raises(InputError, match="need one of mdy, dmy, ymd"):
        read(dates, date_format="us")


def test_the_order_that_runs_forward_without_month_long_gaps_is_taken():
    clock = read(["03/04/2026 23:59:59", "03/05/2026 00:00:00"])
    assert clock.seconds[0] == moment(2026, 3, 4, 23, 59, 59)
    assert "run forward" in clock.findings[0].why


def test_day_and_time_in_two_columns():
    clock = read(["12:00:00", "12:00:01"], ["2026-10-20", "2026-10-20"])
    np.testing.assert_allclose(clock.seconds, [NOON, NOON + 1])
    clock = read([120000, 120001], [20261020, 20261020])
    np.testing.assert_allclose(clock.seconds, [NOON, NOON + 1])


def test_some_zones_and_some_without_are_refused():
    times = ["2026-10-20T12:00:00Z", "2026-10-20T12:00:01"]
    with pytest.raises(InputError, match="50% of the times have a zone"):
        read(times)


@pytest.mark.parametrize("factor", [1.0, 1e3, 1e6])
def test_a_count_named_unix_is_utc(factor):
    column = pd.Series(np.array([NOON, NOON + 1]) * factor, name="unix_time")
    clock = read_clock(column, None, name="log.csv", n_rows=2)
    assert clock.kind == "utc"
    np.testing.assert_allclose(clock.seconds, [NOON, NOON + 1])
    assert not clock.findings[0].assumed


def test_spreadsheet_days():
    # 45 577.5 is noon of 12 October 2024: day 45 577 of the count since 1899-12-30.
    clock = read([45577.5, 45577.5 + 1 / 86400])
    noon = moment(2024, 10, 12, 12)
    np.testing.assert_allclose(clock.seconds, [noon, noon + 1], atol=1e-3)
    assert clock.kind == "wall"


def test_seconds_of_a_day_are_no_spreadsheet_days():
    clock = read([45577.0, 45578.0, 45579.0])
    assert clock.kind == "no_epoch"


def test_a_count_without_a_start_stays_one_and_can_be_told():
    clock = read([24538654, 24538655])
    assert clock.kind == "no_epoch"
    np.testing.assert_array_equal(clock.seconds, [24538654, 24538655])
    assert [note.severity for note in clock.notes] == ["check"]
    told = read([24538654, 24538655], epoch="1999-01-01")
    assert told.kind == "wall"
    assert told.seconds[0] == moment(1999, 1, 1) + 24538654
    assert read([0, 1], epoch="2026-10-20T00:00:00Z").kind == "utc"
    with pytest.raises(InputError, match='need "unix", "gps" or a date'):
        read([0, 1], epoch="spring")


def test_two_possible_starts_need_evidence():
    column = pd.Series([971213672, 971213673], name="gps_time")
    unknown = read_clock(column, None, name="log.csv", n_rows=2)
    assert unknown.kind == "no_epoch"
    assert "October 2000" in unknown.notes[0].sentence
    assert "October 2010" in unknown.notes[0].sentence
    by_name = read_clock(column, None, name="soy_2000.csv", n_rows=2)
    assert by_name.kind == "utc"
    assert by_name.findings[0].assumed
    assert "the file name says 2000" in by_name.findings[0].why
    other = read_clock(column, None, name="soy_2010.csv", n_rows=2)
    assert datetime.fromtimestamp(other.seconds[0], UTC).year == 2010


def test_gps_time_runs_ahead_of_utc_by_the_leap_seconds():
    # 1 January 2017 0:00:00 UTC is GPS 1 167 264 018: the 18th leap second was just
    # added (IERS Bulletin C 52; from memory).
    assert gps_to_unix(np.array([1167264018.0]))[0] == moment(2017, 1, 1)
    assert gps_to_unix(np.array([0.0]))[0] == moment(1980, 1, 6)
    assert gps_to_unix(np.array([1167264016.0]))[0] == moment(2017, 1, 1) - 1


def test_times_without_a_date_count_over_midnight():
    clock = read(["23:59:59", "00:00:00", "00:00:01"])
    assert clock.kind == "no_epoch"
    np.testing.assert_array_equal(np.diff(clock.seconds), [1, 1])
    told = read(["23:59:59", "00:00:00"], epoch="2026-10-19")
    assert told.seconds[1] == moment(2026, 10, 20)


def test_no_clock_is_the_order_of_rows():
    clock = read()
    assert clock.kind == "order"
    np.testing.assert_array_equal(clock.seconds, [0, 1, 2])


def test_stamps_from_before_clocks_were_set_fall_away():
    times = ["1970-01-01 00:00:00", *["2026-10-20 12:00:00"] * 9]
    clock = read(times)
    assert np.isnan(clock.seconds[0])
    assert np.isfinite(clock.seconds[1:]).all()
    never = read(["1980-01-06 00:00:00", "1980-01-06 00:00:01"])
    assert never.kind == "no_epoch"
    assert never.notes[0].code == "log.clock_unset"


def test_datetimes_of_a_library_are_taken_as_they_are():
    naive = pd.Series(pd.to_datetime(["2026-10-20 12:00:00"]), name="t")
    assert read_clock(naive, None, name="a", n_rows=1).kind == "wall"
    clock = read_clock(
        naive.dt.tz_localize("America/Chicago"), None, name="a", n_rows=1
    )
    assert clock.kind == "utc"
    assert clock.seconds[0] == NOON + 5 * 3600


def test_days_of_a_table():
    column = pd.Series([20261001, 20261002], name="date")
    days = parse_days(column, name="t.csv")
    assert days.dtype == np.dtype("datetime64[s]")
    assert days.astype(str).tolist() == ["2026-10-01", "2026-10-02"]


def test_times_nobody_understands_are_refused():
    with pytest.raises(InputError, match="'noonish', are not understood"):
        read(["noonish", "later"])
