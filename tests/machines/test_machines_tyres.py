"""Tyre strings: the written forms, and what is no tyre."""

from __future__ import annotations

import pytest

from trafficmap.core.errors import SettingsError
from trafficmap.machines.tyres import (
    flexible_pressure,
    mass_carried,
    parse_tyre,
    pressure_needed,
    rolling_radius,
)


@pytest.mark.parametrize(
    ("text", "width", "build", "prefix", "index"),
    [
        ("710/70R42", 0.710, "radial", "", None),
        ("IF710/70R42 179D", 0.710, "radial", "IF", 179),
        ("VF 380/90 R 46 CFO 173D TL", 0.380, "radial", "VF", 173),
        ("600/55-26.5", 0.600, "bias", "", None),
        ("18.4R38", 18.4 * 0.0254, "radial", "", None),
        ("30.5L-32", 30.5 * 0.0254, "bias", "", None),
        ("28L-26", 28 * 0.0254, "bias", "", None),
        ("66x43.00R25", 43 * 0.0254, "radial", "", None),
        ("295/75R22.5", 0.295, "radial", "", None),
    ],
)
def test_written_forms(text, width, build, prefix, index):
    tyre = parse_tyre(text)
    assert tyre.width == pytest.approx(width)
    assert (tyre.build, tyre.prefix, tyre.load_index) == (build, prefix, index)
    assert tyre.rim < tyre.diameter <= 2.4


def test_flotation_size_names_its_own_diameter():
    assert parse_tyre("66x43.00R25").diameter == pytest.approx(66 * 0.0254)


@pytest.mark.parametrize("text", ["", "round", "710", "710/70", "9999/99R99", "1/2R3"])
def test_no_tyre(text):
    with pytest.raises(SettingsError, match="tyre: "):
        parse_tyre(text)


def test_pressure_and_mass_are_inverse():
    pair = {"ref_mass": 8230.0, "ref_pressure": 240e3}
    pressure = pressure_needed(6000.0, **pair)
    assert mass_carried(pressure, **pair) == pytest.approx(6000.0, rel=1e-12)


def test_flexible_tyres_need_less():
    assert flexible_pressure(100.0, "IF") == pytest.approx(80.0)
    assert flexible_pressure(100.0, "VF") == pytest.approx(60.0)
    assert flexible_pressure(100.0, "") == 100.0


def test_undeflected_tyre_rolls_on_half_its_diameter():
    assert rolling_radius(2.0, 1.0) == pytest.approx(1.0)
