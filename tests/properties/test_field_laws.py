"""Laws of the field room that hold for any input."""

from __future__ import annotations

import datetime as dt
import zoneinfo

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trafficmap.field.clock import ClockKeys, to_utc
from trafficmap.field.columns import Columns
from trafficmap.field.horizons import settle_horizons
from trafficmap.field.place import Place, utm_epsg

ZONES = ("America/Chicago", "Europe/Berlin", "Australia/Sydney", "UTC", "Asia/Kolkata")


@settings(max_examples=60, deadline=None)
@given(
    zone=st.sampled_from(ZONES),
    start=st.integers(1_767_225_600, 1_798_761_600),  # 2026
    steps=st.lists(st.integers(1, 1700), min_size=8, max_size=60),
)
def test_a_forward_wall_clock_gives_back_the_true_time(zone, start, steps):
    # Steps stay under the half hour by which a jump back is told from a gap.
    true = start + np.concatenate(([0], np.cumsum(steps))).astype(float)
    here = zoneinfo.ZoneInfo(zone)
    shown = np.array(
        [
            dt.datetime.fromtimestamp(t, here).replace(tzinfo=dt.UTC).timestamp()
            for t in true
        ]
    )
    keys = ClockKeys(zone=zone, season=2026)
    utc, keep, notes = to_utc(
        shown, clock="wall", keys=keys, name="log", today=dt.date(2026, 12, 31)
    )
    assert keep.all()
    wrong = utc != true
    # Only a log that begins or ends in the hour that came twice can be in doubt.
    if wrong.any():
        assert any(note.code == "clock.hour_twice" for note in notes)
        assert np.flatnonzero(wrong)[-1] - np.flatnonzero(wrong)[0] + 1 == wrong.sum()
        assert wrong[0] or wrong[-1]


@settings(max_examples=60, deadline=None)
@given(
    tops=st.lists(st.integers(0, 180), min_size=1, max_size=8),
    thick=st.lists(st.integers(1, 90), min_size=8, max_size=8),
    order=st.randoms(use_true_random=False),
)
def test_every_profile_fills_one_metre_once(tops, thick, order):
    rows = [
        {
            "soil_unit": "a",
            "top_cm": top,
            "bottom_cm": top + thick[k],
            "sand_pct": 20,
            "clay_pct": 30,
            "om_pct": 2,
        }
        for k, top in enumerate(tops)
    ]
    if min(tops) >= 100:
        return
    order.shuffle(rows)
    survey, _ = settle_horizons(Columns(pd.DataFrame(rows), name="t"))
    profile = survey.horizons
    assert profile["top"].iloc[0] == 0.0
    assert profile["bottom"].iloc[-1] == 1.0
    np.testing.assert_array_equal(profile["top"].iloc[1:], profile["bottom"].iloc[:-1])
    assert (profile["bottom"] > profile["top"]).all()
    assert profile["share"].tolist() == pytest.approx([1.0] * len(profile))


@settings(max_examples=100, deadline=None)
@given(
    longitude=st.floats(-180, 180, allow_nan=False),
    latitude=st.floats(-79.9, 83.9, allow_nan=False),
)
def test_every_place_comes_back_from_its_zone(longitude, latitude):
    place = Place(utm_epsg([longitude], [latitude]))
    east, north = place.to_metric(longitude, latitude)
    assert 160_000 < float(east) < 840_000  # within three degrees of the middle
    back_longitude, back_latitude = place.to_degrees(east, north)
    assert float(back_latitude) == pytest.approx(latitude, abs=1e-8)
    turn = (float(back_longitude) - longitude + 180.0) % 360.0 - 180.0
    assert turn == pytest.approx(0.0, abs=1e-8)
