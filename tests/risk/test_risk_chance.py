"""The quick normal distribution of the risk kernel."""

from __future__ import annotations

import math

import numpy as np
import pytest

from trafficmap.risk._kernels import normal_cdf

pytestmark = pytest.mark.kernel


def test_it_is_the_normal_distribution_within_1e_7():
    # Off the knots, on them, and where it is cut.
    at = np.concatenate([np.linspace(-6.0, 6.0, 4001), np.arange(-260, 261) / 50])
    found = np.array([normal_cdf(value) for value in at])
    exact = np.array([0.5 * math.erfc(-value / math.sqrt(2.0)) for value in at])
    assert np.abs(found - exact).max() < 1e-7
    inner = np.abs(at) < 5.1
    assert np.abs(found - exact)[inner].max() < 3e-10


def test_it_never_falls():
    at = np.linspace(-5.3, 5.3, 5001)
    assert (np.diff([normal_cdf(value) for value in at]) >= 0.0).all()


def test_what_is_not_known_stays_so():
    assert math.isnan(normal_cdf(math.nan))
    assert normal_cdf(math.inf) == 1.0
    assert normal_cdf(-math.inf) == 0.0
