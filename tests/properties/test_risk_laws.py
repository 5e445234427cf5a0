"""Orders the whole chain from wheel to chance has to keep, whatever its numbers."""

from __future__ import annotations

import dataclasses
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtr

from trafficmap.core.constants import COMPUTE_DEPTHS, GRAVITY
from trafficmap.core.grid import FieldGrid
from trafficmap.core.layers import new_tray
from trafficmap.core.settings.risk import RiskSettings
from trafficmap.core.settings.soil import SoilSettings
from trafficmap.core.texture import TEXTURE_CENTROIDS
from trafficmap.risk import assess, joint_spread
from trafficmap.soil import stress_profiles
from trafficmap.soil.retention import retention_saxton_rawls
from trafficmap.soil.series import strength_at
from trafficmap.traffic.events import PassEvents, Visits

pytestmark = pytest.mark.kernel

RISK, SOIL = RiskSettings(), SoilSettings()
DEPTHS = np.array(COMPUTE_DEPTHS)
N = DEPTHS.size
GRID = FieldGrid(32616, 0.0, 0.0, 1.0, 1, 1)
HOURS = np.arange(8) * 3600.0

masses = st.floats(300.0, 12_000.0)
pressures = st.floats(50e3, 300e3)
strengths = st.floats(3e4, 4e5)
factors = st.sampled_from([4.0, 4.5, 5.0])
names = st.sampled_from(sorted(TEXTURE_CENTROIDS))
waters = st.floats(0.0, 0.7)
passes = st.lists(
    st.tuples(st.integers(0, 2), st.floats(-1.6, 1.6), st.floats(-3.1, 3.1)),
    min_size=1,
    max_size=6,
)


def profiles(loads, *, pressure=120e3, nu=4.5, settings=SOIL):
    """One wheel in states of these loads [kg] on a tyre of endless size."""
    base = {
        "machine_id": "m", "body": "b", "body_id": 0, "axle": "a", "axle_id": 0,
        "wheel": 0, "slot": 0, "forward": 0.0, "right": 0.0, "width": 0.9,
        "diameter": np.nan, "kind": "tyre", "contact_length": np.nan, "rollers": 0,
        "pressure": pressure, "pressure_assumed": False, "contact_area": np.nan,
        "contact_slope": np.nan,
    }  # fmt: skip
    load = np.asarray(loads, dtype=float)[:, None] * GRAVITY
    states = SimpleNamespace(
        machine_id=np.array(["m"] * load.size, dtype=object),
        load=load, load_low=load, load_high=load,
    )  # fmt: skip
    return stress_profiles(pd.DataFrame([base]), states, nu=nu, settings=settings)


def strength(level, *, water=0.3):
    shape = (HOURS.size, 1, N)
    return SimpleNamespace(
        times=HOURS,
        ln_strength=np.full(shape, np.log(level)),
        ln_spread=np.full(shape, water),
        suction=np.full(shape, 5e4),
        row_of=lambda t: (np.asarray(t) // 3600).astype(np.int64),
    )


def season(rows, found, soil, *, swelling=False):
    """Assess one cell that saw these passes (state, offset, heading), an hour apart."""
    n = len(rows)
    none, whole = np.zeros(n), np.zeros(n, dtype=np.int32)
    visits = Visits(
        cell=np.zeros(n, dtype=np.int64),
        axle_id=whole,
        pass_id=np.arange(n),
        state=np.array([row[0] for row in rows], dtype=np.int32),
        time=HOURS[:n],
        offset=np.array([row[1] for row in rows], dtype=np.float32),
        heading=np.array([row[2] for row in rows], dtype=np.float32),
        cell_start=np.array([0, n]),
    )
    events = PassEvents(
        np.zeros(n, dtype=np.int64), whole, np.arange(n), whole, none, none, none,
        np.array([0, n]),
    )  # fmt: skip
    tray = new_tray(GRID)
    columns = SimpleNamespace(
        column_of_cell=np.zeros(1, dtype=np.int64), swelling=np.array([swelling])
    )
    assess(
        visits, events, profiles=found, strength=soil, columns=columns, grid=GRID,
        inside=np.ones((1, 1)), tray=tray, settings=RISK,
    )  # fmt: skip
    return SimpleNamespace(
        **{
            name: tray[name].values[:, 0, 0]
            for name in ("stress", "probability", "damaged_share")
        },
        risk=int(tray["risk_worst"].values[0, 0]),
    )


@settings(max_examples=20, deadline=None)
@given(masses, st.floats(1.0, 3.0), pressures, strengths, factors, waters)
def test_a_heavier_wheel_on_the_same_pressure_is_never_less_likely_to_harm(
    mass, more, pressure, level, nu, water
):
    found = profiles([mass, mass * more], pressure=pressure, nu=nu)
    soil = strength(level, water=water)
    light, heavy = (season([(k, 0.0, 0.0)], found, soil) for k in (0, 1))
    for name in ("stress", "probability"):
        one, other = getattr(light, name), getattr(heavy, name)
        assert (other >= one * (1 - 1e-9) - 2e-7).all(), name
    assert heavy.risk >= light.risk


@settings(max_examples=20, deadline=None)
@given(masses, pressures, factors, st.floats(-0.4, 0.4), st.floats(-3.1, 3.1))
def test_below_a_wheel_stress_falls_with_depth(mass, pressure, nu, offset, heading):
    found = profiles([mass], pressure=pressure, nu=nu)
    stress = season([(0, offset, heading)], found, strength(9e4)).stress
    assert (np.diff(stress) <= 1e-6 * stress[0]).all()


@settings(max_examples=20, deadline=None)
@given(passes, strengths, st.floats(1.0, 3.0), waters)
def test_weaker_soil_is_never_safer(rows, level, weaker, water):
    found = profiles([1500.0, 4000.0, 9000.0])
    strong = season(rows, found, strength(level, water=water))
    weak = season(rows, found, strength(level / weaker, water=water))
    for name in ("probability", "damaged_share"):
        assert (getattr(weak, name) >= getattr(strong, name) - 2e-7).all(), name


@settings(max_examples=20, deadline=None)
@given(passes, st.integers(0, 2), st.floats(-0.4, 0.4), strengths, waters)
def test_one_more_pass_never_mends_and_order_does_not_matter(
    rows, state, offset, level, water
):
    found, soil = profiles([1500.0, 4000.0, 9000.0]), strength(level, water=water)
    one = season(rows, found, soil)
    more = season([*rows, (state, offset, rows[0][2])], found, soil)
    turned = season(rows[::-1], found, soil)
    for name in ("stress", "probability"):
        assert (getattr(more, name) >= getattr(one, name) - 1e-9).all(), name
        np.testing.assert_allclose(
            getattr(turned, name), getattr(one, name), atol=1e-9, err_msg=name
        )


@settings(max_examples=20, deadline=None)
@given(masses, strengths, waters, st.floats(0.0, 1.0))
def test_water_known_better_says_more(mass, level, water, share):
    """Nearer to sure on whichever side the answer was, never across the middle."""
    found = profiles([mass])
    vague, sure = (
        season([(0, 0.0, 0.0)], found, strength(level, water=spread)).probability
        for spread in (water, share * water)
    )
    run_over = vague > 0.0
    gap = np.abs(sure - 0.5) - np.abs(vague - 0.5)
    assert (gap[run_over] >= -2e-7).all()
    assert ((sure - 0.5) * (vague - 0.5) >= -1e-9)[run_over].all()


def state(name, theta, spread):
    """Strength of soil that held `theta` everywhere for two days, known to `spread`."""
    sand, clay = TEXTURE_CENTROIDS[name]
    curve = retention_saxton_rawls(
        np.full((1, 7), sand), np.full((1, 7), clay), organic_matter=0.02
    )
    water = np.minimum(theta, curve.theta_s)
    series = SimpleNamespace(
        columns=SimpleNamespace(curve=curve, clay=np.full((1, 7), clay), size=1),
        dates=pd.date_range("2026-10-01", periods=2),
        time_zone="UTC",
        theta=np.stack([water, water]),
        theta_sd=np.full((2, 1, 7), spread),
        theta_own=None,
        drying_sd=None,
        frozen=np.zeros((2, 1)),
    )
    noon = pd.Timestamp("2026-10-02 12:00", tz="UTC").timestamp()
    return curve, strength_at(series, [noon], last_tillage_depth=0.0, settings=SOIL)


@settings(max_examples=60, deadline=None)
@given(names, st.floats(0.05, 1.0), st.floats(0.0, 0.3), st.floats(0.0, 0.07))
def test_wetter_soil_is_never_stronger_however_well_it_is_known(
    name, filled, more, spread
):
    curve, _ = state(name, 0.2, spread)
    full = float(curve.theta_s[0, 0])
    _, dry = state(name, filled * full, spread)
    _, wet = state(name, min(filled + more, 1.0) * full, spread)
    assert (wet.ln_strength <= dry.ln_strength + 1e-9).all()
    # One lognormal for all: its chance may fall by 0.02 where the law is most bent.
    stress = np.log(np.geomspace(2e4, 5e5, 12))[:, None]
    own = joint_spread(DEPTHS, settings=RISK)
    chance = [
        ndtr((stress - one.ln_strength[0, 0]) / np.hypot(own, one.ln_spread[0, 0]))
        for one in (dry, wet)
    ]
    assert (chance[1] >= chance[0] - 0.02).all()


@settings(max_examples=15, deadline=None)
@given(names, st.floats(0.3, 1.0), st.floats(0.0, 0.07), strengths)
def test_one_lognormal_stands_for_all_the_water_may_be(name, filled, spread, stress):
    """Against the mixture of chances over 41 water contents, each known exactly."""
    curve, _ = state(name, 0.2, spread)
    theta = filled * float(curve.theta_s[0, 0])
    _, found = state(name, theta, spread)
    own = joint_spread(DEPTHS, settings=RISK)
    z = (np.log(stress) - found.ln_strength[0, 0]) / np.hypot(
        own, found.ln_spread[0, 0]
    )
    step = np.linspace(-5.0, 5.0, 41)
    weight = np.exp(-0.5 * step**2) / np.exp(-0.5 * step**2).sum()
    least = min(theta, float(curve.theta_1500[0, 0]))
    exact = np.zeros(N)
    for k, w in zip(step, weight, strict=True):
        _, known = state(name, max(theta + k * spread, least), 0.0)
        exact += w * ndtr((np.log(stress) - known.ln_strength[0, 0]) / own)
    assert np.abs(ndtr(z) - exact).max() < 0.08


@settings(max_examples=20, deadline=None)
@given(passes, st.integers(0, 5), strengths)
def test_what_is_not_known_is_never_a_number(rows, lost, level):
    """A pass at an hour whose strength is not known leaves no chance and no class."""
    found, soil = profiles([1500.0, 4000.0, 9000.0]), strength(level)
    k = lost % len(rows)
    rows = [*rows]
    rows[k] = (rows[k][0], 0.0, rows[k][2])
    blank = soil.ln_strength.copy()
    blank[k] = np.nan
    soil = SimpleNamespace(**{**vars(soil), "ln_strength": blank})
    out = season(rows, found, soil)
    assert np.isnan(out.probability).all()
    assert np.isnan(out.damaged_share).all()
    assert out.risk == 5


def test_strength_is_a_frozen_record_of_the_same_shapes():
    _, found = state("loam", 0.25, 0.04)
    shape = found.ln_strength.shape
    for field in dataclasses.fields(found):
        value = getattr(found, field.name)
        if field.name in ("ln_spread", "theta", "theta_sd", "suction"):
            assert value.shape == shape, field.name
