"""Clocks: what is known becomes UTC, what is not known stays unknown."""

from __future__ import annotations

import datetime as dt
import zoneinfo

import numpy as np
import pytest

from trafficmap.core.errors import InputError, SettingsError
from trafficmap.field.clock import ROLLOVER, ClockKeys, as_time, require_zone, to_utc

TODAY = dt.date(2026, 11, 25)
CHICAGO = "America/Chicago"


def wall(*stamps: str) -> np.ndarray:
    """Return wall-clock times as seconds, the way readers do."""
    return np.array(
        [
            dt.datetime.fromisoformat(s).replace(tzinfo=dt.UTC).timestamp()
            for s in stamps
        ]
    )


def settle(seconds, clock="wall", **keys):
    keys.setdefault("season", 2026)
    return to_utc(
        np.asarray(seconds),
        clock=clock,
        keys=ClockKeys(**keys),
        name="log",
        today=TODAY,
    )


def test_a_proven_clock_stays_as_it_is():
    seconds = wall("2026-10-14T15:00:00")
    utc, keep, notes = settle(seconds, "utc")
    np.testing.assert_array_equal(utc, seconds)
    assert keep.all()
    assert notes == []


def test_the_zone_moves_a_wall_clock():
    utc, _, notes = settle(wall("2026-10-14T10:00:00"), zone=CHICAGO)
    assert utc == wall("2026-10-14T15:00:00")  # daylight time, five hours
    assert notes == []
    utc, _, _ = settle(wall("2026-12-14T10:00:00"), zone=CHICAGO)
    assert utc == wall("2026-12-14T16:00:00")


def test_an_offset_is_added_last():
    utc, _, _ = settle(wall("2026-10-14T15:00:00"), "utc", offset=-17.6)
    assert utc == wall("2026-10-14T15:00:00") - 17.6


def test_fractions_of_a_second_stay():
    seconds = wall("2026-10-14T10:00:00") + np.array([0.1, 0.2])
    utc, _, _ = settle(np.repeat(seconds, 1), zone=CHICAGO)
    np.testing.assert_allclose(np.diff(utc), 0.1, atol=1e-3)


@pytest.mark.parametrize(
    ("zone", "day", "hour"),
    [(CHICAGO, "2026-11-01", 1), ("Europe/Berlin", "2026-10-25", 2)],
)
def test_the_hour_that_comes_twice_is_settled_by_order(zone, day, hour):
    first = dt.datetime.fromisoformat(f"{day}T00:30:00").replace(
        tzinfo=zoneinfo.ZoneInfo(zone)
    )
    true = first.timestamp() + np.arange(0, 5 * 3600, 60.0)
    shown = [
        dt.datetime.fromtimestamp(t, zoneinfo.ZoneInfo(zone)).replace(tzinfo=dt.UTC)
        for t in true
    ]
    utc, keep, notes = settle([s.timestamp() for s in shown], zone=zone)
    np.testing.assert_array_equal(utc, true)
    assert keep.all()
    assert [(n.code, n.severity, n.count) for n in notes] == [
        ("clock.hour_twice", "info", 120)
    ]
    assert hour in {s.hour for s in shown}


@pytest.mark.parametrize(
    ("stamps", "utc_hour"),
    [
        (("2026-11-01T00:58:00", "2026-11-01T01:01:00"), 6),  # before: summer time
        (("2026-11-01T01:58:00", "2026-11-01T02:01:00"), 7),  # after: winter time
    ],
)
def test_neighbours_tell_which_of_the_two_hours(stamps, utc_hour):
    utc, _, _ = settle(wall(*stamps), zone=CHICAGO)
    hours = [dt.datetime.fromtimestamp(t, dt.UTC).hour for t in utc]
    assert utc_hour in hours
    assert np.diff(utc) == 180.0


def test_an_hour_without_neighbours_is_assumed_and_told():
    _, _, notes = settle(wall("2026-11-01T01:10:00"), zone=CHICAGO)
    assert notes[0].severity == "check"
    assert "the first of the two hours is assumed" in notes[0].sentence


@pytest.mark.parametrize(
    ("clock", "code"),
    [
        ("wall", "clock.zone_missing"),
        ("no_epoch", "clock.epoch_missing"),
        ("order", "clock.none"),
    ],
)
def test_an_unknown_clock_gives_no_time_and_asks(clock, code):
    utc, keep, notes = settle(np.arange(3.0), clock)
    assert np.isnan(utc).all()
    assert keep.all()  # the traffic map is made all the same
    assert [(n.code, n.severity) for n in notes] == [(code, "stop")]


@pytest.mark.parametrize(
    ("epoch", "zone", "start"),
    [
        (dt.date(2026, 1, 1), "UTC", "2026-01-01T00:00:00"),
        (dt.date(2026, 1, 1), CHICAGO, "2026-01-01T06:00:00"),
        (dt.datetime(2026, 1, 1, tzinfo=dt.UTC), None, "2026-01-01T00:00:00"),
        ("2026-01-01T00:00:00+02:00", None, "2025-12-31T22:00:00"),
    ],
)
def test_a_counter_counts_from_its_start(epoch, zone, start):
    utc, _, notes = settle([0.0, 10.0], "no_epoch", epoch=epoch, zone=zone)
    np.testing.assert_array_equal(utc, wall(start)[0] + np.array([0.0, 10.0]))
    assert notes == []


def test_a_start_without_a_zone_asks_for_it():
    utc, _, notes = settle([0.0], "no_epoch", epoch=dt.date(2026, 1, 1))
    assert np.isnan(utc).all()
    assert notes[0].code == "clock.zone_missing"


def test_an_offset_alone_sets_a_clock_that_was_never_set():
    utc, _, notes = settle([100.0], "no_epoch", offset=wall("2026-10-14")[0])
    assert utc == wall("2026-10-14") + 100.0
    assert notes == []


def test_a_clock_that_stands_in_1980_is_not_believed():
    utc, keep, notes = settle(wall("1980-01-06", "1980-01-07"), "utc")
    assert np.isnan(utc).all()
    assert keep.all()
    assert notes[0].code == "clock.never_set"
    assert "clock_offset_s" in notes[0].sentence


def test_single_impossible_dates_are_dropped_and_counted():
    seconds = np.append(np.full(9, wall("2026-10-14")[0]), wall("2031-01-01"))
    _, keep, notes = settle(seconds, "utc")
    assert keep.tolist() == [True] * 9 + [False]
    assert (notes[0].code, notes[0].count) == ("clock.impossible", 1)


def test_without_a_season_today_is_the_limit():
    seconds = np.append(np.full(9, wall("2026-10-14")[0]), wall("2026-12-24"))
    _, keep, _ = settle(seconds, "utc", season=None)
    assert keep.sum() == 9


def test_a_week_counter_that_ran_over_is_named():
    seconds = wall("2026-10-14") - ROLLOVER
    with pytest.raises(InputError, match="1024 weeks before 2026-10-14") as err:
        settle(seconds, "utc")
    assert err.value.hint == "add clock_offset_s = 619315200 to this log"
    utc, _, notes = settle(seconds, "utc", offset=ROLLOVER)
    assert utc == wall("2026-10-14")
    assert notes == []


def test_times_are_empty_where_unknown():
    times = as_time(np.array([0.0005, np.nan]))
    assert str(times.dtype) == "datetime64[ms, UTC]"
    assert times.isna().tolist() == [False, True]


@pytest.mark.parametrize("bad", ["Chicago", "America/Chicgo", "../etc/passwd", ""])
def test_zones_are_checked(bad):
    with pytest.raises(SettingsError, match="need a zone such as"):
        require_zone(bad, "field.time_zone")
    assert require_zone(None, "field.time_zone") is None
