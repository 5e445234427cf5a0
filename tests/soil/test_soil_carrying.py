"""What a wheel may carry, and the second working of stress by pieces."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from trafficmap.core.constants import COMPUTE_DEPTHS, GRAVITY
from trafficmap.core.settings.soil import SoilSettings
from trafficmap.soil import audit_axles, wheel_capacity
from trafficmap.soil.audit import SINKAGE_SOILS, sinkage_words
from trafficmap.soil.profiles import lateral_stress_circle, track_profile
from trafficmap.soil.stress import carrying_capacity


def wheels(*rows):
    """WHEELS rows from (axle_id, right) and overrides, one body."""
    base = {
        "machine_id": "m",
        "body": "b",
        "body_id": 0,
        "forward": 0.0,
        "width": 0.7,
        "diameter": np.nan,
        "kind": "tyre",
        "contact_length": np.nan,
        "rollers": 0,
        "pressure": 100e3,
        "pressure_assumed": False,
        "contact_area": np.nan,
        "contact_slope": np.nan,
    }
    return pd.DataFrame(
        base
        | {"wheel": k, "slot": k, "axle_id": axle, "axle": f"axle {axle}"}
        | {"right": right}
        | more
        for k, (axle, right, more) in enumerate(rows)
    )


FREE = SoilSettings(cap_patch=False, patch_area_max=50.0)
N = len(COMPUTE_DEPTHS)


def test_one_tyre_carries_what_the_closed_form_says():
    table = wheels((0, -1.4, {"pressure": 150e3}), (0, 1.4, {"pressure": 150e3}))
    strength = np.array([[90e3] * N, [60e3] * N, [220e3] * N])
    found = wheel_capacity(table, strength, nu=4.5, settings=FREE)
    for k, level in enumerate((90e3, 60e3)):
        exact = [
            carrying_capacity(level, z, pressure=150e3, nu=4.5) for z in COMPUTE_DEPTHS
        ]
        np.testing.assert_allclose(found[k], exact, rtol=0.01)
    # 220 kPa is nearly the peak of the pressure: only the shallow depths are reached
    # by any load at all.
    assert found[2, 0] < found[2, 1]
    assert np.isinf(
        wheel_capacity(table, np.full(N, 230e3), nu=4.5, settings=FREE)
    ).all()


def test_duals_carry_less_each_at_depth_and_the_same_above():
    dual = wheels((0, 1.0, {}), (0, 1.7, {}))
    single = wheels((0, 1.0, {}))
    strength = np.full(N, 60e3)
    both = wheel_capacity(dual, strength, nu=4.5, settings=FREE)
    one = wheel_capacity(single, strength, nu=4.5, settings=FREE)
    assert both[0] == pytest.approx(one[0], rel=0.02)
    assert (both <= one * 1.001).all()
    assert both[-1] < 0.8 * one[-1]


def test_a_track_carries_in_proportion_to_strength():
    belt = {"kind": "track", "width": 0.635, "contact_length": 1.9, "rollers": 3}
    table = wheels((0, 0.0, belt))
    found = wheel_capacity(
        table, np.array([[30e3] * N, [60e3] * N]), nu=5.0, settings=SoilSettings()
    )
    np.testing.assert_allclose(found[1], 2 * found[0], rtol=1e-9)
    unit = track_profile(
        width=0.635, length=1.9, rollers=3, roller_share=0.8, roller_spread=0.10,
        depths=COMPUTE_DEPTHS, nu=5.0,
    )(0.0)  # fmt: skip
    np.testing.assert_allclose(found[0], 30e3 / unit, rtol=1e-6)


def test_stronger_never_carries_less_and_unknown_stays_unknown():
    table = wheels((0, 0.0, {"width": 0.7, "diameter": 1.9}))
    levels = np.geomspace(1e3, 6e5, 40)
    found = wheel_capacity(
        table, np.repeat(levels[:, None], N, axis=1), nu=4.0, settings=SoilSettings()
    )
    for d in range(N):
        reached = found[:, d][np.isfinite(found[:, d])]
        assert reached.size > 20
        assert (np.diff(reached) > 0).all()
        assert np.isfinite(found[: reached.size, d]).all()
    unknown = wheel_capacity(table, np.full(N, math.nan), nu=4.0, settings=FREE)
    assert np.isnan(unknown).all()


def test_pieces_confirm_a_single_wheel_below_the_topsoil():
    table = wheels((0, -1.5, {}), (0, 1.5, {}))
    found = audit_axles(table, [30e3, 30e3], nu=4.5, settings=SoilSettings())
    deep = found[found["depth"] >= 0.35]
    assert (np.abs(deep["ratio"] - 1) < 0.06).all()
    assert (found["stress_low"] < found["stress"]).all()
    assert (found["stress_high"] > found["stress"]).all()
    axis = lateral_stress_circle(
        30e3, 100e3, area=0.3, offsets=[0.0], depths=COMPUTE_DEPTHS, nu=4.5
    )[0]
    np.testing.assert_allclose(found["stress"], axis, rtol=1e-6)


def test_pieces_add_the_next_axle_that_the_map_leaves_out():
    near = wheels((0, 0.0, {"forward": 0.0}), (1, 0.0, {"forward": -1.3}))
    far = wheels((0, 0.0, {"forward": 0.0}), (1, 0.0, {"forward": -9.0}))
    loads = [40e3, 40e3]
    close = audit_axles(near, loads, nu=4.5, settings=SoilSettings())
    apart = audit_axles(far, loads, nu=4.5, settings=SoilSettings())
    added = close["pieces"].to_numpy() / apart["pieces"].to_numpy()
    assert (added >= 1 - 1e-12).all()
    # The next axle 1.3 m behind shows only deep down, and by a few percent.
    assert added[:3] == pytest.approx(1.0, abs=2e-3)
    assert 1.02 < added[N - 1] < 1.06
    np.testing.assert_allclose(close["stress"], apart["stress"])


def test_axles_without_a_load_are_left_out():
    table = wheels((0, 0.0, {}), (1, 0.0, {"forward": -3.0}))
    found = audit_axles(table, [math.nan, 40e3], nu=4.5, settings=SoilSettings())
    assert len(found) == N
    empty = audit_axles(table, [math.nan, 0.0], nu=4.5, settings=SoilSettings())
    assert empty.empty
    assert list(empty.columns) == list(found.columns)


def test_sinkage_is_told_for_three_soils_or_not_at_all():
    told = sinkage_words(6000 * GRAVITY, 0.8, 1.9)
    assert told.count(" cm where ") == len(SINKAGE_SOILS)
    depths = [int(part.split(" cm")[0]) for part in told.split(", ")]
    assert depths == sorted(depths, reverse=True)
    assert sinkage_words(6000.0, 0.8, math.nan) == ""
