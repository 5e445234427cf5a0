"""Runoff, drainage, measurements, frost and fitness against outside numbers."""

from __future__ import annotations

import math

import numpy as np
import pytest

from trafficmap.core.texture import TEXTURE_CENTROIDS
from trafficmap.core.units import to_si
from trafficmap.soil import _kernels
from trafficmap.soil._frost import frost_day
from trafficmap.soil.crust import (
    bearing_load,
)
from trafficmap.soil.drainage import tile_flow_hooghoudt
from trafficmap.soil.fitness import (
    kalman_update,
    plastic_limit_estimate,
    shatter_probability,
    tillage_optimum_dexter,
    upper_tillage_limit,
    wilson_interval,
)
from trafficmap.soil.frost import (
    berggren_factor,
    frost_depth_stefan,
    frozen_ground_index,
)
from trafficmap.soil.heat import (
    TopsoilHeat,
    conductivity_johansen,
    frozen_by_hour,
)
from trafficmap.soil.retention import (
    conductivity,
    retention_saxton_rawls,
)
from trafficmap.soil.water import readily_evaporable_water

MM_PER_HOUR = 1e-3 / 3600


CLASSES = (
    "sand",
    "loamy sand",
    "sandy loam",
    "loam",
    "silt loam",
    "clay loam",
    "silty clay loam",
    "clay",
)
"""The classes the retention equations print rows for."""


def loam(**more):
    return retention_saxton_rawls(0.40, 0.20, organic_matter=0.025, **more)


# --- runoff, evaporation, drainage ---


@pytest.mark.published(
    "Runoff of {rain:g} in on curve number {number} [in]",
    source="USDA TR-55 (1986), Table 2-1",
    mark="outside",
)
@pytest.mark.parametrize(
    ("number", "rain", "runoff"),
    [
        (80, 4.0, 2.04),
        (80, 5.0, 2.89),
        (70, 3.0, 0.71),
        (70, 6.0, 2.81),
        (90, 1.0, 0.32),
    ],
)
def test_runoff(published, number, rain, runoff):
    found = _kernels.runoff_curve_number(rain * 0.0254, float(number)) / 0.0254
    assert found == published(runoff, abs=5e-3)


@pytest.mark.published(
    "Curve number 80 on",
    source="ASCE 2016, equations 14-12 to 14-20",
    mark="second hand",
)
def test_curve_numbers_of_dry_and_wet_ground(published):
    # Formulas ASCE 2016, equations 14-12 to 14-20 (second hand); USDA-SCS 1985 prints
    # 63 and 91.
    wet = _kernels.wetness_curve_number(80.0, 0.0, 9.6e-3, 21.1e-3)
    dry = _kernels.wetness_curve_number(80.0, 21e-3, 9.6e-3, 21.1e-3)
    assert (dry, wet) == published(
        (63.7, 90.4), abs=0.1, of=("dry ground", "wet ground")
    )
    assert (dry, wet) == published(
        (63, 91),
        abs=1,
        of=("dry ground, as printed", "wet ground, as printed"),
        source="USDA-SCS 1985",
    )


@pytest.mark.published(
    "Bare loam under 4 mm a day",
    source="worked apart with the same equations (FAO-56)",
    mark="own working",
)
def test_bare_loam_dries_in_two_stages(published):
    curve = loam()
    total = 0.10 * float(curve.theta_33 - 0.5 * curve.theta_1500)
    readily = float(readily_evaporable_water(0.40, 0.20, total=total))
    assert (total * 1e3, readily * 1e3) == published(
        (21.1, 9.6), abs=0.05, of=("water that evaporates [mm]", "of it readily [mm]")
    )
    depletion, series = 0.0, []
    for _ in range(8):
        spent = _kernels.soil_evaporation(
            4e-3, depletion, readily, total, 0.0, 1.2, 1.0, 1.0
        )
        depletion += spent
        series.append(spent * 1e3)
    worked = (4.8, 4.8, 4.8, 2.80, 1.63, 0.95, 0.55, 0.32)
    assert series == published(
        worked, abs=0.01, of=tuple(f"day {day} [mm]" for day in range(1, 9))
    )
    assert depletion * 1e3 == published(20.65, abs=0.01, of="lost in 8 days [mm]")


@pytest.mark.published(
    "27 154 gal on an acre [mm]",
    source="North Carolina State University animal waste manual",
    mark="outside",
)
def test_an_acre_inch_of_liquid(published):
    assert to_si(27154, "gal/ac") * 1e3 == published(25.40, abs=0.01)


@pytest.mark.published(
    "Flow to tile [mm/day]",
    source="Hooghoudt 1940 (from memory); own working",
    mark="own working",
)
def test_flow_to_tile(published):
    # Hooghoudt 1940 with 0.5 m a day, drains 24 and 30 m apart; own working.
    ground = {"below": 0.5 / 86400, "above": 0.5 / 86400, "equivalent_depth": 1.0}
    for spacing, millimetres in ((24.0, 9.06), (30.0, 5.80)):
        found = tile_flow_hooghoudt(0.9, spacing=spacing, **ground) * 86400e3
        assert found == published(
            millimetres, abs=0.05, of=f"drains {spacing:g} m apart"
        )


@pytest.mark.published(
    "Water of 0.3 m of loam {hours} h after it was full [m3/m3]",
    source="exact solution of the same equation",
    mark="closed form",
)
@pytest.mark.parametrize(
    ("hours", "theta"), [(6, 0.3847), (24, 0.3471), (48, 0.3291), (240, 0.2902)]
)
def test_loam_drains(published, hours, theta):
    curve = loam()
    found = _kernels.drain_layer(
        float(curve.theta_s),
        float(curve.theta_s),
        float(curve.k_sat),
        float(curve.k_power),
        0.3,
        hours * 3600.0,
    )
    assert found == published(theta, abs=5e-4)


def test_no_class_drains_on_when_the_crop_is_gone():
    # After 60 days from full no class still loses more than a tenth of a millimetre
    # a day: own working, conductivity 0.026 to 0.035 mm a day.
    for name in CLASSES:
        sand, clay = TEXTURE_CENTROIDS[name]
        curve = retention_saxton_rawls(sand, clay, organic_matter=0.025)
        theta = _kernels.drain_layer(
            float(curve.theta_s),
            float(curve.theta_s),
            float(curve.k_sat),
            float(curve.k_power),
            0.1,
            60 * 86400.0,
        )
        left = float(conductivity(theta, curve)) * 86400e3
        assert 0.01 < left < 0.04


# --- measurements, frost ---


@pytest.mark.published(
    "Water after one probe reading [m3/m3]",
    source="worked apart with the same equations",
    mark="own working",
)
def test_one_probe_reading(published):
    value, spread = kalman_update(0.33, 0.045, 0.29, 0.041)
    assert (value, spread) == published(
        (0.308, 0.030), abs=1e-3, of=("value", "spread")
    )


@pytest.mark.published(
    "Correction of the Stefan depth, alpha 0.33, mu 0.20",
    source="two-phase solution; the chart of US Army TM 5-852-6 reads 0.89 to 0.90",
    mark="closed form",
)
def test_berggren_factor(published):
    assert berggren_factor(0.33, 0.20) == published(0.8976, abs=2e-3)


@pytest.mark.published(
    "Frost in silt, 2500 degF d [ft]",
    source="US Army TM 5-852-6, worked example",
    mark="from memory",
)
def test_army_manual_frost_depth(published):
    # TM 5-852-6, worked example (numbers from memory): silt of 100 lb/ft3, 15 % water,
    # index 2500 degF d in 160 d, mean 5.2 degF above freezing: 5.8 ft.
    latent, heat, conductivity_btu = 144 * 100 * 0.15, 100 * (0.17 + 0.75 * 0.15), 0.76
    at_surface = 2500 / 160
    mu = heat / latent * at_surface
    stefan = math.sqrt(48 * conductivity_btu * 2500 / latent)
    feet = berggren_factor(5.2 / at_surface, mu) * stefan
    assert feet == published(5.82, abs=0.05)


@pytest.mark.published(
    "Frost by the hourly solver [m]",
    source="exact two-phase solution of Neumann",
    mark="closed form",
)
def test_hourly_solver_against_neumann(published):
    n = 100
    soil = TopsoilHeat(np.full(n, 0.01), np.full(n, 0.30), 0.46, 1432.0, 0.3)
    frozen, _ = frozen_by_hour(
        soil,
        start_temperature=np.full(n, 4.0),
        surface_temperature=np.full(120, -5.0),
        k_frozen=1.8,
        k_thawed=1.2,
    )
    assert frozen[23] == published(0.1096, rel=0.02, of="after 1 day")
    assert frozen[119] == published(0.2451, rel=0.02, of="after 5 days")


@pytest.mark.published(
    "Frost by the daily front [m]",
    source="exact two-phase solution of Neumann",
    mark="closed form",
)
def test_daily_front_against_neumann(published):
    # The same ground as above; conductivity of it by Johansen within 3 %.
    state = np.array([0.0, 0.0, 0.0, 0.0, 0.0, 4.0])
    for _ in range(5):
        frost_day(state, -5.0, 0.0, 0.30, 0.46, 1432.0, 0.3, 0.0, 1.0, 1.0, 1.0)
    assert state[0] == published(0.2451, rel=0.05, of="after 5 days")


@pytest.mark.published(
    "Frozen ground index",
    source="constants of Molnau & Bissell 1983; own working",
    mark="second hand",
)
def test_frozen_ground_index(published):
    found = frozen_ground_index(np.full(5, -5.0))
    assert (found[0], found[4]) == published(
        (5.00, 23.54), abs=0.01, of=("first day at -5 degC", "fifth day")
    )


@pytest.mark.published(
    "Frost of 35 degC d below a resistance of {resistance:g} m2 K/W [cm]",
    source="closed form, own derivation",
    mark="closed form",
)
@pytest.mark.parametrize(
    ("resistance", "centimetres"), [(0.0, 33.0), (0.1, 19.6), (0.3, 9.27), (1.0, 3.0)]
)
def test_stefan_depth_below_a_cover(published, resistance, centimetres):
    found = frost_depth_stefan(
        35.0, conductivity=1.8, theta=0.30, resistance=resistance
    )
    tolerance = 0.02 if resistance == 0.3 else 0.05
    assert 100 * found == published(centimetres, abs=tolerance)


@pytest.mark.published(
    "Load on a frozen crust [MN]",
    source="CRREL Report 95-1, Table A4",
    mark="outside",
)
def test_bearing_of_a_frozen_crust(published):
    assert bearing_load(0.10) / 1e6 == published(
        0.0086, rel=0.01, of="10 cm, wet below"
    )
    assert bearing_load(0.30) / 1e6 == published(
        0.0774, rel=0.01, of="30 cm, wet below"
    )
    assert bearing_load(0.30, wet=False) / 1e6 == published(
        0.0315, rel=0.01, of="30 cm, dry below"
    )


@pytest.mark.published(
    "Heat conductivity of loam at 0.30 [W/m/K]",
    source="Johansen 1975 (form from memory); own working",
    mark="own working",
)
def test_johansen_conductivity(published):
    soil = {"theta_s": 0.46, "bulk_density": 1430.0, "quartz": 0.3}
    thawed = conductivity_johansen(0.30, **soil)
    frozen = conductivity_johansen(0.30, frozen=True, **soil)
    assert (thawed, frozen) == published(
        (1.173, 1.762), abs=5e-3, of=("thawed", "frozen")
    )


# --- fitness ---


@pytest.mark.published(
    "Upper tillage limit, clay {clay:g}, organic matter {organic:g} [%]",
    source="coefficients of Terzaghi et al. 1988, Neth. J. Agric. Sci. 36 (abstract)",
    mark="own working",
)
@pytest.mark.parametrize(
    ("clay", "organic", "percent"), [(0.18, 0.02, 17.44), (0.35, 0.03, 25.13)]
)
def test_upper_tillage_limit(published, clay, organic, percent):
    found = 100 * upper_tillage_limit(clay, organic)
    assert found == published(percent, abs=0.01)


@pytest.mark.published(
    "Plastic limit of {name} [%]",
    source="mean of the upper tillage limit and of water at 87 kPa; own working",
    mark="own working",
)
@pytest.mark.parametrize(
    ("name", "percent"),
    [
        ("silt loam", 17.2),
        ("loam", 17.7),
        ("clay loam", 23.5),
        ("silty clay loam", 24.8),
        ("clay", 29.1),
    ],
)
def test_plastic_limit_from_texture(published, name, percent):
    sand, clay = TEXTURE_CENTROIDS[name]
    curve = retention_saxton_rawls(sand, clay, organic_matter=0.025)
    found = 100 * plastic_limit_estimate(clay, 0.025, curve=curve)
    assert found == published(percent, abs=0.06)


@pytest.mark.published(
    "Chance to shatter at 0.20, plastic limit 0.228",
    source="normal distribution, worked apart",
    mark="own working",
)
def test_chance_to_shatter(published):
    assert shatter_probability(0.20, 0.228, 0.03, 0.03) == published(
        0.745, abs=2e-3, of="spreads 0.03"
    )
    found = shatter_probability(0.20, 0.228, 0.015, 0.015)
    assert found == published(0.907, abs=2e-3, of="spreads 0.015")


@pytest.mark.published(
    "Best water for a seedbed",
    source="a public set of transfer functions; Dexter & Bird 2001 (from memory)",
    mark="second hand",
)
def test_tillage_optimum_of_dexter_and_bird(published):
    found = tillage_optimum_dexter(0.0887, 0.404, alpha=0.0068 * 10.2e-3, n=1.4193)
    assert found[:2] == published(
        (0.2924, 0.3371), abs=5e-4, of=("optimum [m3/m3]", "upper limit [m3/m3]")
    )
    assert found[2] * 10.2e-3 == published(347, abs=1, of="suction at the optimum [cm]")


@pytest.mark.published(
    "Wilson interval of 21 in 30",
    source="score formula, worked apart",
    mark="own working",
)
def test_wilson_interval(published):
    assert wilson_interval(21, 30) == published(
        (0.551, 0.816), abs=2e-3, of=("low", "high")
    )
