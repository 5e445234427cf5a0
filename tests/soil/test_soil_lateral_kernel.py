"""The kernel for stress beside a tyre gives what the spline library gives."""

from __future__ import annotations

import numpy as np
import pytest

from trafficmap.soil.profiles import _SHARE, _ZETA, _lateral_table
from trafficmap.soil.profiles import lateral_stress_circle as beside
from trafficmap.soil.stress import vertical_stress_parabola4, vertical_stress_point

DEPTHS = np.array([0.01, 0.1, 0.25, 0.5, 1.0, 9.0])
OFFSETS = np.array([0.7, 0.0, -0.35, 2.5, 0.05, -1.2, 6.0])


@pytest.mark.parametrize("nu", [4.0, 4.5, 5.0])
def test_kernel_agrees_with_the_spline_library(nu):
    load, pressure, radius = 3.0e4, 1.5e5, np.sqrt(3.0e4 / 1.5e5 / np.pi)
    got = beside(
        load, pressure, area=load / pressure, offsets=OFFSETS, depths=DEPTHS, nu=nu
    )
    away = np.abs(OFFSETS)[:, None]
    share = away / np.hypot(radius, DEPTHS)
    zeta = np.broadcast_to(DEPTHS / radius, share.shape)
    low = np.log(np.clip(zeta, _ZETA[0], _ZETA[-1]))
    part = np.exp(_lateral_table(nu).ev(low, np.minimum(share, _SHARE[-1])))
    deep = (1.0 + (away / DEPTHS) ** 2) ** (-0.5 * nu - 1.0)
    axis = vertical_stress_parabola4(pressure, DEPTHS, radius=radius, nu=nu)
    wanted = axis * np.where(zeta > _ZETA[-1], deep, part)
    far = vertical_stress_point(load, DEPTHS, radius=away, nu=nu)
    wanted = np.where(share > _SHARE[-1], far, wanted)
    assert (zeta > _ZETA[-1]).any()
    assert (share > _SHARE[-1]).any()
    np.testing.assert_allclose(got, wanted, rtol=1e-11)
