"""The settable law of strength, the density option, and one truth for risk and soil."""

from __future__ import annotations

import math

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trafficmap.core.errors import SettingsError
from trafficmap.core.settings import settings_from_dict
from trafficmap.core.settings.risk import RiskSettings
from trafficmap.core.settings.soil import SoilSettings
from trafficmap.risk._kernels import join_passes, normal_cdf
from trafficmap.risk.spread import joint_spread, soil_spread
from trafficmap.soil import density_note, pressed_density
from trafficmap.soil.compaction import LINE_STRESS, density_virgin_line
from trafficmap.soil.strength import (
    PASS_GROWTH,
    exceedance_probability,
    floored_probability,
    joined_damage,
    ln_strength,
    ln_strength_by_suction,
    stress_spread,
)

SUCTIONS = np.geomspace(100.0, 2e6, 60)
OWN = {"strength_law": "measured", "strength_pairs": [[6e3, 80e3], [30e3, 100e3]]}


def soil(**keys) -> SoilSettings:
    return settings_from_dict({"soil": keys}).soil


def test_the_default_law_is_the_line_with_one_bend():
    found = ln_strength(SUCTIONS, 60e3, settings=SoilSettings())
    np.testing.assert_array_equal(found, ln_strength_by_suction(SUCTIONS, 60e3))


def test_slopes_and_bend_are_those_of_the_settings():
    flat = ln_strength(SUCTIONS, 60e3, settings=soil(strength_slopes=[0.0, 0.0]))
    np.testing.assert_allclose(np.exp(flat), 60e3)
    steep = soil(strength_slopes=[0.1, 0.6], strength_bend=3.0)
    a, b = np.exp(ln_strength(np.array([1e3, 1e4]) * 1e3 / 10.2, 60e3, settings=steep))
    # pF 3 and 4: one unit of pF beyond the bend.
    assert b / a == pytest.approx(10**0.6)


def test_measured_pairs_are_met_and_go_on_with_care():
    law = soil(**OWN)
    at = np.array([6e3, 30e3])
    np.testing.assert_allclose(
        np.exp(ln_strength(at, 60e3, settings=law)), [80e3, 100e3]
    )
    # Drier than the driest core nothing is claimed; wetter it falls on.
    assert np.exp(ln_strength(900e3, 60e3, settings=law)) == pytest.approx(100e3)
    assert np.exp(ln_strength(600.0, 60e3, settings=law)) == pytest.approx(
        80e3 * 10**-0.19, rel=1e-6
    )
    # Tilled soil is weaker than the cores, firm clay is what was measured.
    assert np.exp(ln_strength(30e3, 40e3, settings=law)) == pytest.approx(100e3 * 2 / 3)
    assert np.exp(ln_strength(30e3, 90e3, settings=law)) == pytest.approx(100e3)
    assert math.isnan(float(ln_strength(math.nan, 60e3, settings=law)))


@pytest.mark.parametrize("law", [{}, OWN, {"strength_slopes": [0.3, 0.1]}])
def test_wetter_is_never_stronger_by_any_law(law):
    found = ln_strength(SUCTIONS, 60e3, settings=soil(**law))
    assert (np.diff(found) >= 0).all()


@pytest.mark.parametrize(
    ("keys", "sentence"),
    [
        ({"strength_slopes": [-0.1, 0.4]}, "strength_slopes: got -0.1 and 0.4"),
        ({"strength_law": "measured"}, "strength_pairs: got 0 pairs, need two or more"),
        (
            {"strength_law": "measured", "strength_pairs": [[6e3, 9e4], [3e4, 8e4]]},
            "strength_pairs: got 2 pairs, need two or more whose suction and strength",
        ),
    ],
)
def test_laws_that_make_dry_soil_weaker_are_refused(keys, sentence):
    with pytest.raises(SettingsError) as caught:
        ln_strength(1e4, 60e3, settings=soil(**keys))
    assert sentence in str(caught.value)
    assert caught.value.hint


# --- density, only when asked ---------------------------------------------------------


def test_density_is_off_and_needs_a_line():
    assert SoilSettings().density_line is None
    assert soil(density_line=[2.4221, 0.123]).density_line == (2.4221, 0.123)


def test_density_follows_the_line_within_what_was_drawn():
    line = (2.4221, 0.123)
    stress = np.array([150e3, 0.0, np.nan, 900e3, 1e3])
    found, cut = pressed_density(stress, line=line)
    assert found[0] == density_virgin_line(50e3, intercept=line[0], slope=line[1])
    assert np.isnan(found[1:3]).all()
    end = density_virgin_line(LINE_STRESS[1], intercept=line[0], slope=line[1])
    assert found[3] == end
    assert cut.tolist() == [False, False, False, True, False]
    assert found[4] < found[0]


@pytest.mark.parametrize("line", [(2.4, -0.1), (2.4, 0.0), (1.2, 0.2), (9.0, 0.1)])
def test_lines_that_no_soil_has_are_refused(line):
    with pytest.raises(SettingsError, match=r"soil\.density_line: got N"):
        pressed_density(np.array([1e5]), line=line)


def test_the_warning_stands_beside_every_density():
    note = density_note(0)
    assert note.severity == "check"
    assert "no advice rests on it" in note.sentence
    assert "100 kPa" not in note.sentence
    assert "In 7 cells" in density_note(7).sentence


# --- the law of the map and that of the formulas are the same -------------------------


@given(
    stress=st.floats(1e2, 2e6),
    strength=st.floats(1e4, 6e5),
    depth=st.sampled_from((0.10, 0.25, 0.35, 0.42, 0.50, 0.70, 0.90)),
)
def test_chance_is_the_same_in_the_map(stress, strength, depth):
    spread = float(joint_spread(np.array([depth]), settings=RiskSettings())[0])
    ours = normal_cdf(math.log(stress / strength) / spread)
    theirs = exceedance_probability(
        stress,
        strength,
        spread_stress=stress_spread(depth),
        spread_strength=soil_spread(RiskSettings()),
    )
    assert ours == pytest.approx(float(theirs), abs=2e-7)


@given(st.lists(st.floats(0.0, 1.0), min_size=1, max_size=8))
def test_joined_passes_are_the_same_in_the_map(damage):
    ours = join_passes(sum(damage), max(damage), RiskSettings().pass_growth)
    theirs = joined_damage(np.array(damage), growth=RiskSettings().pass_growth)
    assert ours == pytest.approx(theirs, abs=1e-12)


def test_defaults_of_the_map_are_those_of_the_formulas():
    risk = RiskSettings()
    assert risk.pass_growth == pytest.approx(PASS_GROWTH, abs=5e-5)
    # A factor of 1.5 either way, as the formula has it.
    assert soil_spread(risk) == pytest.approx(0.40, abs=0.005)
    for depth in (0.10, 0.35, 0.42, 0.50, 0.90):
        spread = np.hypot(stress_spread(depth), soil_spread(risk))
        ours = joint_spread(np.array([depth]), settings=risk)[0]
        assert ours == pytest.approx(spread)
    heavy = risk.floor_mass * 9.81
    for depth, load in ((risk.floor_depth, heavy), (0.71, heavy), (0.5, heavy - 1)):
        expected = risk.floor if depth <= risk.floor_depth and load >= heavy else 0.01
        found = floored_probability(0.01, load=load, depth=depth, swelling=True)
        assert found == expected


def test_settings_of_the_law_come_back_from_toml_values():
    told = msgspec.to_builtins(soil(**OWN))
    assert settings_from_dict({"soil": told}).soil == soil(**OWN)
