"""A load nobody knows: its interval is in the chance, not only in the explanation."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.special import ndtr

from trafficmap.core.constants import COMPUTE_DEPTHS
from trafficmap.core.settings.risk import RiskSettings
from trafficmap.risk.spread import joint_spread, load_spread

SETTINGS = RiskSettings()
DEPTHS = np.array(COMPUTE_DEPTHS)


def profiles(low, high, *, best=1e5):
    """One axle whose peak stress runs from `low` to `high` times `best`."""
    peak = np.full((1, DEPTHS.size), best)
    return SimpleNamespace(
        stress=peak[:, None, :], peak_low=low * peak, peak_high=high * peak
    )


@pytest.mark.parametrize(
    ("low", "high", "within"),
    [
        (1.0, 1.0, 1e-9),
        (0.9, 1.1, 0.002),
        (0.4, 1.6, 0.02),
        (1.0, 2.5, 0.02),
        # From empty to eight times as heavy the law bends more than one curve can.
        (0.25, 1.9, 0.03),
    ],
)
def test_one_lognormal_stands_for_the_mixture(low, high, within):
    """Against a hundred thousand loads drawn evenly below and above the best."""
    mean, spread = load_spread(profiles(low, high), DEPTHS, settings=SETTINGS)
    share = (np.arange(50_000) + 0.5) / 50_000
    factor = np.concatenate([1 + (low - 1) * share, 1 + (high - 1) * share])
    own = joint_spread(DEPTHS, settings=SETTINGS)
    for ln_ratio in np.linspace(-1.5, 1.5, 13):
        for d in (0, DEPTHS.size - 1):
            exact = ndtr((ln_ratio + np.log(factor)) / own[d]).mean()
            ours = ndtr((ln_ratio + mean[0, d]) / spread[0, d])
            assert ours == pytest.approx(exact, abs=within)


def test_a_wider_interval_is_a_wider_spread_and_a_known_load_adds_none():
    own = joint_spread(DEPTHS, settings=SETTINGS)
    _, known = load_spread(profiles(1.0, 1.0), DEPTHS, settings=SETTINGS)
    np.testing.assert_allclose(known[0], own)
    _, weighed = load_spread(profiles(0.97, 1.03), DEPTHS, settings=SETTINGS)
    _, unknown = load_spread(profiles(0.4, 1.6), DEPTHS, settings=SETTINGS)
    assert (unknown[0] > 1.1 * own).all()
    assert (weighed[0] < 1.01 * own).all()


def test_no_ends_no_widening():
    bare = SimpleNamespace(stress=np.full((2, 3, DEPTHS.size), 1e5))
    mean, spread = load_spread(bare, DEPTHS, settings=SETTINGS)
    assert mean.shape == spread.shape == (2, DEPTHS.size)
    assert not mean.any()
