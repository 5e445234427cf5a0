"""Strength, chance, passes, carried load, density and sinkage against worked values.

Laws that are choices are checked for doing what they say, not for holding in a field.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import optimize

from trafficmap.core.constants import PARTICLE_DENSITY
from trafficmap.core.settings.soil import SoilSettings
from trafficmap.soil.compaction import density_virgin_line, sinkage_bekker
from trafficmap.soil.strength import (
    PASS_GROWTH,
    exceedance_probability,
    joined_damage,
    ln_strength_by_suction,
)
from trafficmap.soil.stress import carrying_capacity

# --- capacity and whole chain ---


@pytest.mark.published(
    "Wheel load that 90 kPa at 0.35 m carries, 150 kPa uniform, nu 5",
    source="inverse of the closed form",
    mark="closed form",
)
def test_capacity_of_a_uniform_circle(published):
    found = carrying_capacity(90e3, 0.35, pressure=150e3, nu=5, shape="uniform")
    assert found / 1e3 == published(25.556, abs=1e-3, of="load [kN]")
    assert math.sqrt(found / 150e3 / math.pi) == published(
        0.2329, abs=1e-4, of="radius of its patch [m]"
    )


@pytest.mark.published(
    "Wheel load that 90 kPa at 0.35 m carries, 150 kPa parabola [kN]",
    source="inverse of the closed form",
    mark="closed form",
)
def test_capacity_of_the_parabola(published):
    found = carrying_capacity(90e3, 0.35, pressure=150e3, nu=4.5)
    assert found / 1e3 == published(23.131, abs=5e-3, of="nu 4.5")
    found = carrying_capacity(90e3, 0.35, pressure=150e3, nu=5.0)
    assert found / 1e3 == published(20.55, abs=5e-3, of="nu 5")


@pytest.mark.published(
    "Strength from which 100 kPa under a parabola has no limit of load [Pa]",
    source="peak of the pressure, 1.5 times its mean",
    mark="closed form",
)
def test_capacity_without_limit(published):
    assert carrying_capacity(150e3, 0.35, pressure=100e3, nu=4.5) == math.inf
    low, high = 100e3, 200e3
    for _ in range(60):
        middle = 0.5 * (low + high)
        free = carrying_capacity(middle, 0.35, pressure=100e3, nu=4.5) == math.inf
        low, high = (low, middle) if free else (middle, high)
    # Only a load past every number reaches the peak itself, so the search stops short.
    assert high == published(150e3, rel=1e-6)


@pytest.mark.published(
    "Wheel load that 50 kPa at 0.50 m carries on {pressure:g} Pa, nu 5 [kN]",
    source="inverse of the closed form, worked apart",
    mark="own working",
)
@pytest.mark.parametrize(("pressure", "kn"), [(100e3, 21.5), (200e3, 18.1)])
def test_capacity_by_pressure(published, pressure, kn):
    found = carrying_capacity(50e3, 0.50, pressure=pressure, nu=5) / 1e3
    assert found == published(kn, abs=0.06)


@pytest.mark.published(
    "Depth of 50 kPa under a wheel of {tonnes} t at 100 kPa, nu 4.5 [m]",
    source="worked apart with the same equations; a published rule of thumb, 8 cm a "
    "tonne (from memory), has the same size",
    mark="own working",
)
@pytest.mark.parametrize(
    ("tonnes", "depth"),
    [(2, 0.45), (3, 0.55), (4, 0.64), (5, 0.71), (6, 0.78), (8, 0.90)],
)
def test_depth_of_the_50_kpa_line(published, tonnes, depth):
    def reached(z):
        return carrying_capacity(50e3, z, pressure=100e3, nu=4.5) - tonnes * 9810.0

    found = optimize.brentq(reached, 0.2, 1.5)
    assert found == published(depth, abs=6e-3)


# --- compaction, sinkage, passes, strength ---


@pytest.mark.published(
    "Density of sandy loam pressed with {kpa} kPa [kg/m3]",
    source="line of Ansorge 2007, PhD thesis, Cranfield, p. 107",
    mark="own working",
)
@pytest.mark.parametrize(("kpa", "density"), [(50, 1365), (100, 1428), (200, 1497)])
def test_virgin_compression_line(published, kpa, density):
    # Line of Ansorge 2007, PhD thesis, Cranfield, p. 107, sandy loam: v 1.8557 and
    # density 1.4281 Mg/m3 at 100 kPa.
    found = density_virgin_line(kpa * 1e3, intercept=2.4221, slope=0.123)
    assert found == published(density, abs=0.5)
    if kpa == 100:
        assert found == published(1428.1, abs=0.1, of="to the tenth")
        volume = PARTICLE_DENSITY / found
        assert volume == published(1.8557, abs=1e-4, of="specific volume")


@pytest.mark.published(
    "Sinkage of a rigid wheel of 103 kN [m]",
    source="soil of Ansorge 2007, Table 8 (its unit is a guess); own working",
    mark="own working",
)
def test_sinkage_of_a_rigid_wheel(published):
    # Soil of Ansorge 2007, Table 8 (its unit is a guess: kN/m^(n+2)); own working.
    dense = {"width": 0.9, "diameter": 1.9}
    for power, modulus, depth in (
        (0.89, 700e3, 0.278),
        (0.62, 2150e3, 0.0673),
        (0.42, 2400e3, 0.030),
    ):
        found = sinkage_bekker(103e3, power=power, modulus=modulus, **dense)
        assert found == published(
            depth, abs=1e-4 if power == 0.62 else 5e-4, of=f"n {power}"
        )


@pytest.mark.published(
    "Growth of damage with passes",
    source="first of four passes about 75 %: Taylor et al. 1982, Trans. ASAE 25:1505",
    mark="from memory",
)
def test_passes_follow_the_logarithm(published):
    assert published(0.2404, abs=1e-4, of="k") == PASS_GROWTH
    assert joined_damage(np.full(4, 0.1)) / 0.1 == published(
        1.3333, abs=1e-4, of="four equal passes over one"
    )


@pytest.mark.published(
    "Damage of passes of 0.6 and 0.3 joined",
    source="law of passes, worked by hand",
    mark="own working",
)
def test_mixed_passes(published):
    assert joined_damage(np.array([0.6, 0.3])) == published(0.6585, abs=1e-4)
    assert joined_damage(np.array([0.9, 0.9, 0.9])) == 1.0


@pytest.mark.published(
    "Chance that stress exceeds 90 kPa, spreads 0.20 and 0.40",
    source="normal distribution, worked apart",
    mark="own working",
)
def test_chance_that_stress_exceeds_strength(published):
    found = exceedance_probability(
        np.array([60e3, 90e3, 120e3, 150e3]), 90e3, spread_stress=0.20
    )
    assert found == published(
        (0.182, 0.500, 0.740, 0.873),
        abs=5e-4,
        of=("60 kPa", "90 kPa", "120 kPa", "150 kPa"),
    )
    assert found[2] == published(0.7400, abs=1e-4, of="120 kPa, four digits")


@pytest.mark.published(
    "Strength at a suction of {suction:g} Pa [kPa]",
    source="law of strength, worked by hand",
    mark="own working",
)
@pytest.mark.parametrize(
    ("suction", "kpa"),
    [(0.0, 27.3), (10e3, 65.7), (33e3, 83.6), (100e3, 130.2), (1000e3, 327.0)],
)
def test_strength_from_suction(published, suction, kpa):
    strength = SoilSettings().strength_normal
    found = math.exp(float(ln_strength_by_suction(suction, strength))) / 1e3
    assert found == published(kpa, abs=0.1)
