"""Sentences of notes as a person reads them."""

from __future__ import annotations

import pytest

from trafficmap.core.reading import as_read


@pytest.mark.parametrize(
    ("written", "read"),
    [
        ("1 rows were dropped.", "1 row was dropped."),
        ("1 passes and 1 fixes", "1 pass and 1 fix"),
        ("1 more pieces are left", "1 more piece is left"),
        ("11 rows were dropped.", "11 rows were dropped."),
        ("0.1 rows, 1,001 rows, 2/1 rows", "0.1 rows, 1,001 rows, 2/1 rows"),
        ("1 pass was made, 1 loss", "1 pass was made, 1 loss"),
        ("in 1 zones the probes contradict it", "in 1 zone the probes contradict it"),
        ("settings zones.min_area = 1 is", "settings zones.min_area = 1 is"),
    ],
)
def test_one_of_a_thing_is_said_as_one(written, read):
    assert as_read(written) == read


@pytest.mark.parametrize(
    ("written", "read"),
    [
        ("weighs 14.2 t here", "weighs 14.2 t (15.7 tons) here"),
        ("between 3.6 and 13.9 t.", "between 3.6 and 13.9 t (4.0 and 15.3 tons)."),
        ("shanks 76 cm apart", "shanks 76 cm (30 in) apart"),
        ("half full (11.2 t)", "half full (11.2 t, 12.3 tons)"),
        ("0.27 ha (0.7 ac) were", "0.27 ha (0.7 ac) were"),
        ("at 12 in (30 cm): stop", "at 12 in (30 cm): stop"),
        ("a yield of 12.6 t/ha", "a yield of 12.6 t/ha (11,241.5 lb/ac)"),
        ("12,500 kg", "12,500 kg (27,558 lb)"),
        ("width_m = 5 m", "width_m = 5 m (16 ft)"),
        ("2026-10-02, 09:47 to 09:52", "2026-10-02, 09:47 to 09:52"),
        ("zone 3 to be ripped at 2 times", "zone 3 to be ripped at 2 times"),
    ],
)
def test_a_reader_in_tons_and_feet_gets_them_beside(written, read):
    assert as_read(written, "us") == read
    assert as_read(written, "metric") == written


def test_nothing_is_said_twice():
    once = as_read("weighs 14.2 t (15.7 tons), 260 kPa", "us")
    assert once == "weighs 14.2 t (15.7 tons), 260 kPa (38 psi)"
    assert as_read(once, "us") == once


def test_large_figures_keep_no_false_decimals():
    assert as_read("a yield of 12 t/ha", "us") == "a yield of 12 t/ha (10,706 lb/ac)"
