"""Retention by van Genuchten, where its package is there and where it is not."""

from __future__ import annotations

import sys

import numpy as np
import pytest

from trafficmap.core.errors import SettingsError
from trafficmap.core.texture import TEXTURE_CENTROIDS
from trafficmap.soil.genuchten import (
    retention_van_genuchten,
    water_content_van_genuchten,
)
from trafficmap.soil.retention import retention_saxton_rawls, suction, water_content

NAMES = tuple(TEXTURE_CENTROIDS)
SAND, CLAY = np.array([TEXTURE_CENTROIDS[name] for name in NAMES]).T


def test_the_curve_meets_van_genuchten_at_its_three_points():
    """Loam of 40 % sand and 20 % clay: parameters the package prints for it."""
    curve = retention_van_genuchten(np.array([0.40]), np.array([0.20]))
    known = {
        "theta_r": 0.0887,
        "theta_s": 0.4040,
        "alpha": 0.006766 * 10.2e-3,
        "n": 1.4193,
    }
    assert curve.theta_s[0] == pytest.approx(0.4040, abs=2e-4)
    for tension, theta in ((33e3, curve.theta_33), (1500e3, curve.theta_1500)):
        wanted = water_content_van_genuchten(tension, **known)
        assert theta[0] == pytest.approx(wanted, abs=2e-4)
        assert water_content(tension, curve)[0] == pytest.approx(theta[0])
    assert curve.k_sat[0] * 86400 * 100 == pytest.approx(12.77, abs=0.01)


def test_every_class_has_a_curve_the_balance_can_use():
    curve = retention_van_genuchten(SAND, CLAY)
    assert (curve.theta_s > curve.theta_33).all()
    assert (curve.theta_33 > curve.theta_1500).all()
    assert (curve.air_entry < 33e3).all()
    assert (curve.air_entry > 0).all()
    theta = np.linspace(curve.theta_1500, curve.theta_s, 30)
    tension = suction(theta, curve)
    assert (np.diff(tension, axis=0) < 0).all()
    own = retention_saxton_rawls(SAND, CLAY, organic_matter=0.025)
    # Two published ways for one soil: far apart at most by the spread of a class.
    assert np.abs(curve.theta_33 - own.theta_33).max() < 0.10


def test_measured_density_goes_to_the_package_where_there_is_one():
    sand, clay = np.array([[0.4, 0.4]]), np.array([[0.2, 0.2]])
    curve = retention_van_genuchten(
        sand, clay, bulk_density=np.array([[np.nan, 1700.0]])
    )
    assert curve.theta_s.shape == (1, 2)
    assert curve.theta_s[0, 1] < curve.theta_s[0, 0]
    assert curve.bulk_density[0, 1] == 1700.0
    assert curve.bulk_density[0, 0] == pytest.approx(2650 * (1 - curve.theta_s[0, 0]))


def test_without_the_package_one_sentence_says_what_to_do(monkeypatch):
    monkeypatch.setitem(sys.modules, "rosetta", None)
    with pytest.raises(SettingsError, match="needs the package rosetta-soil") as caught:
        retention_van_genuchten(SAND, CLAY)
    assert "saxton_rawls" in caught.value.hint
