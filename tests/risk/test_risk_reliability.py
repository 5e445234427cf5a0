"""Stated chances against seasons whose truth does not follow the program's own laws."""

from __future__ import annotations

import itertools
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy.special import ndtr

from trafficmap.core.constants import COMPUTE_DEPTHS
from trafficmap.core.settings.risk import RiskSettings
from trafficmap.core.settings.soil import SoilSettings
from trafficmap.core.texture import TEXTURE_CENTROIDS
from trafficmap.risk import joint_spread
from trafficmap.risk.spread import load_spread
from trafficmap.soil.retention import retention_saxton_rawls
from trafficmap.soil.series import strength_at

DEPTHS = np.array(COMPUTE_DEPTHS)
RISK, SOIL = RiskSettings(), SoilSettings()
NAMES = ("silt loam", "silty clay loam", "clay loam", "loam", "sandy loam", "clay")


def known_strength(name, water, spread, *, clay_off=0.0):
    """Return ln strength and its spread by water for rows of water contents."""
    sand, clay = TEXTURE_CENTROIDS[name]
    size = water.size
    curve = retention_saxton_rawls(
        np.full((size, 7), sand), np.full((size, 7), clay + clay_off),
        organic_matter=0.02,
    )  # fmt: skip
    theta = np.minimum(np.repeat(water[:, None], 7, axis=1), curve.theta_s)
    series = SimpleNamespace(
        columns=SimpleNamespace(curve=curve, clay=np.full((size, 7), clay), size=size),
        dates=pd.date_range("2026-10-01", periods=2),
        time_zone="UTC",
        theta=np.stack([theta, theta]),
        theta_sd=np.full((2, size, 7), spread),
        theta_own=None,
        drying_sd=None,
        frozen=np.zeros((2, size)),
    )
    noon = pd.Timestamp("2026-10-02 12:00", tz="UTC").timestamp()
    found = strength_at(series, [noon], last_tillage_depth=0.0, settings=SOIL)
    return found.ln_strength[0], found.ln_spread[0]


def even(random, size):
    """Return level numbers of variance 1."""
    return np.sqrt(3.0) * random.uniform(-1.0, 1.0, size)


def two_humps(random, size):
    """Return numbers of variance 1 in two humps, with hardly any in the middle."""
    hump = random.choice((-1.0, 1.0), size)
    return 0.9 * hump + np.sqrt(1 - 0.81) * random.standard_normal(size)


def long_tails(random, size):
    """Return numbers of variance 1 with far more outliers than a normal has."""
    return random.standard_t(5.0, size) * np.sqrt(3.0 / 5.0)


def skewed(random, size):
    """Return numbers of variance 1 with one long tail."""
    return random.gamma(4.0, 0.5, size) - 2.0


SHAPES = {"even": even, "two humps": two_humps, "long tails": long_tails,
          "skewed": skewed}  # fmt: skip


@pytest.mark.parametrize("shape", SHAPES)
def test_chances_come_true_within_five_points_whatever_the_shape_of_the_errors(shape):
    """The truth is a water content through retention and law, not a spread of strength.

    Errors of water, law, texture and stress have the variances the program is told and
    another shape; the load is triangular where the program takes it as even.
    """
    random = np.random.default_rng(2027)
    error = SHAPES[shape]
    stated, happened = [], []
    level = np.interp(DEPTHS, RISK.spread_depths, RISK.spread_stress)
    for name, spread in itertools.product(NAMES, (0.0, 0.02, 0.04)):
        n = 400
        sand, clay = TEXTURE_CENTROIDS[name]
        curve = retention_saxton_rawls(
            np.array([[sand]]), np.array([[clay]]), organic_matter=0.02
        )
        dry, full = float(curve.theta_1500[0, 0]), float(curve.theta_s[0, 0])
        water = random.uniform(dry, full - 0.02, n)
        ln_strength, by_water = known_strength(name, water, spread)
        ln_stress = np.log(random.uniform(4e4, 3e5, (n, 1))) - 0.8 * DEPTHS
        profiles = SimpleNamespace(
            stress=np.exp(ln_stress)[:, None, :],
            peak_low=0.6 * np.exp(ln_stress),
            peak_high=1.4 * np.exp(ln_stress),
        )
        shift, wide = load_spread(profiles, DEPTHS, settings=RISK)
        z = (ln_stress + shift - ln_strength) / np.hypot(wide, by_water)
        stated.append(ndtr(z))
        true_water = water + spread * error(random, n)
        lasting = np.minimum(np.maximum(true_water, dry), full)
        true_strength, _ = known_strength(name, lasting, 0.0)
        law = RISK.spread_law * error(random, (n, 1))
        texture = RISK.spread_texture * error(random, (n, 1))
        patch = level * error(random, (n, 1))
        load = np.log(random.triangular(0.6, 1.0, 1.4, (n, 1)))
        happened.append(ln_stress + load + patch > true_strength + law + texture)
    chance = np.concatenate([part.ravel() for part in stated])
    hit = np.concatenate([part.ravel() for part in happened])
    edges = (0.0, *RISK.class_limits, 1.0 + 1e-9)
    for low, high in itertools.pairwise(edges):
        mine = (chance >= low) & (chance < high)
        assert mine.sum() > 1000
        assert abs(chance[mine].mean() - hit[mine].mean()) < 0.05, (low, high)


def test_water_that_is_left_out_of_the_spread_would_say_too_much():
    """What the fifteen steps are for: the best water alone is overconfident."""
    random = np.random.default_rng(3)
    spread, n = 0.05, 4000
    sand, clay = TEXTURE_CENTROIDS["silty clay loam"]
    curve = retention_saxton_rawls(
        np.array([[sand]]), np.array([[clay]]), organic_matter=0.02
    )
    dry, full = float(curve.theta_1500[0, 0]), float(curve.theta_s[0, 0])
    water = random.uniform(dry + 0.02, full - 0.1, n)
    wide, by_water = known_strength("silty clay loam", water, spread)
    bare, none = known_strength("silty clay loam", water, 0.0)
    assert none.max() < 1e-5
    other = np.clip(water + spread * random.standard_normal(n), dry, full)
    true, _ = known_strength("silty clay loam", other, 0.0)
    own = joint_spread(DEPTHS, settings=RISK)
    ln_stress = np.log(random.uniform(4e4, 4e5, (n, 1)))
    off = own * random.standard_normal((n, 1))
    hit = ln_stress > true + off

    def miss(ln_strength, more):
        chance = ndtr((ln_stress - ln_strength) / np.hypot(own, more))
        rows = (chance < RISK.class_limits[0]) | (chance > RISK.class_limits[2])
        return np.square(chance[rows] - hit[rows]).mean()

    assert miss(wide, by_water) < miss(bare, none)
