"""Closed forms against quadrature, and profiles of whole axles."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy import integrate

from trafficmap.core.constants import COMPUTE_DEPTHS
from trafficmap.core.errors import ModelRangeError
from trafficmap.core.settings.soil import SoilSettings
from trafficmap.loads.paths import LoadStates
from trafficmap.soil import carrying_capacity, nu_by_texture, stress_profiles
from trafficmap.soil.contact import patch_area, super_ellipse_area
from trafficmap.soil.profiles import lateral_stress_circle
from trafficmap.soil.stress import (
    require_wheel,
    vertical_stress_parabola2,
    vertical_stress_parabola4,
    vertical_stress_point,
    vertical_stress_rectangle_corner,
    vertical_stress_strip,
    vertical_stress_uniform_circle,
)

SETTINGS = SoilSettings()


@pytest.mark.parametrize("nu", [3.0, 4.0, 4.5, 6.0])
@pytest.mark.parametrize("zeta", [0.2, 1.0, 3.0])
def test_circles_on_the_axis_are_sums_of_rings(nu, zeta):
    def ring(radius, pressure):
        spread = vertical_stress_point(1.0, zeta, radius=radius, nu=nu)
        return pressure(radius) * 2 * math.pi * radius * spread

    for function, shape in (
        (vertical_stress_uniform_circle, lambda r: 1.0),
        (vertical_stress_parabola2, lambda r: 2 * (1 - r**2)),
        (vertical_stress_parabola4, lambda r: 1.5 * (1 - r**4)),
    ):
        total, _ = integrate.quad(ring, 0, 1, args=(shape,), epsabs=1e-12)
        found = float(function(1.0, zeta, radius=1.0, nu=nu))
        assert found == pytest.approx(total, rel=1e-8)


@pytest.mark.parametrize("nu", [3.0, 4.5])
def test_rectangle_and_strip_are_integrals_of_points(nu):
    def point(y, x):
        return vertical_stress_point(1.0, 0.6, radius=math.hypot(x, y), nu=nu)

    total, _ = integrate.dblquad(point, 0, 0.9, 0, 0.4, epsabs=1e-9)
    found = vertical_stress_rectangle_corner(1.0, 0.6, length=0.9, width=0.4, nu=nu)
    assert found == pytest.approx(total, rel=1e-6)
    # A very long rectangle is a strip; four corners make its middle.
    corner = vertical_stress_rectangle_corner(1.0, 0.6, length=12.0, width=0.2, nu=nu)
    strip = vertical_stress_strip(1.0, 0.6, width=0.4, nu=nu)
    assert 4 * corner == pytest.approx(strip, rel=1e-3)


def test_axis_value_meets_the_point_load_without_a_step():
    below, above = (
        float(vertical_stress_parabola4(1.0, zeta, radius=1.0, nu=4.5)) * zeta**2
        for zeta in (99.999, 100.001)
    )
    assert below == pytest.approx(above, rel=3e-4)


def test_surface_carries_the_peak_pressure():
    assert vertical_stress_uniform_circle(2.0, 0.0, radius=0.4, nu=4.5) == 2.0
    assert vertical_stress_parabola2(2.0, 0.0, radius=0.4, nu=4.5) == 4.0
    assert vertical_stress_parabola4(2.0, 0.0, radius=0.4, nu=4.5) == 3.0


@pytest.mark.parametrize("nu", [4.0, 4.5, 5.0])
@pytest.mark.parametrize(
    ("radius", "depth", "offset"),
    [(0.60, 0.10, 0.55), (0.45, 0.35, 0.45), (0.25, 0.5, 0.8), (0.02, 0.9, 0.7)],
)
def test_lateral_profile_against_quadrature(nu, radius, depth, offset):
    def piece(angle, r):
        away = math.sqrt(r * r + offset**2 - 2 * r * offset * math.cos(angle))
        spread = vertical_stress_point(1.0, depth, radius=away, nu=nu)
        return 1.5 * (1 - (r / radius) ** 4) * r * 2 * spread

    total, _ = integrate.dblquad(piece, 0, radius, 0, math.pi, epsabs=1e-9)
    area = math.pi * radius**2
    found = lateral_stress_circle(
        area, 1.0, area=area, offsets=[offset], depths=[depth], nu=nu
    )[0, 0]
    # The table holds 1e-5; a tyre of 2 cm at 0.9 m is taken as a point.
    assert found == pytest.approx(total, rel=5e-3 if radius < 0.1 else 2e-5)


def test_a_tyre_of_known_size_is_capped_by_its_size():
    free = patch_area(120e3, 60e3)
    sized = patch_area(120e3, 60e3, width=0.8, diameter=1.85)
    unknown = patch_area(120e3, 60e3, width=math.nan, diameter=math.nan)
    assert free == unknown == 1.2
    assert sized == pytest.approx(0.4588 + 0.3156 + 0.478, abs=1e-3)
    assert patch_area(60e3, 200e3, width=0.8, diameter=1.85) == pytest.approx(0.3)


def test_super_ellipse_grows_to_the_rectangle():
    areas = [super_ellipse_area(2.0, 0.5, power=n) for n in (2, 3, 4, 8, 64)]
    assert areas == sorted(areas)
    assert areas[0] == pytest.approx(math.pi / 4)
    assert areas[-1] == pytest.approx(1.0, abs=1e-3)


@pytest.mark.parametrize(
    ("sand", "clay", "nu"),
    [
        (0.10, 0.45, 4.0),
        (0.65, 0.10, 5.0),
        (0.40, 0.20, 4.5),
        (math.nan, math.nan, 4.5),
    ],
)
def test_concentration_factor(sand, clay, nu):
    assert nu_by_texture(sand, clay) == nu


@pytest.mark.parametrize(
    ("wheel", "sentence"),
    [
        ((-1.0, 1e5, 4.5), "wheel load: got -1 N, need 0 N or more."),
        ((1.0, 0.0, 4.5), "pressure: got 0 Pa, need more than 0 Pa."),
        ((1.0, math.nan, 4.5), "pressure: got nan Pa, need more than 0 Pa."),
        ((1.0, 1e5, 2.0), "nu: got 2, need a concentration factor above 2"),
    ],
)
def test_wheels_outside_the_equations_are_refused(wheel, sentence):
    with pytest.raises(ModelRangeError) as caught:
        require_wheel(*wheel)
    assert str(caught.value).startswith(sentence)
    assert caught.value.hint


def test_capacity_inverts_the_stress():
    load = carrying_capacity(80e3, 0.5, pressure=120e3, nu=4.5)
    radius = math.sqrt(load / 120e3 / math.pi)
    found = vertical_stress_parabola4(120e3, 0.5, radius=radius, nu=4.5)
    assert found == pytest.approx(80e3, rel=1e-9)
    assert carrying_capacity(0.0, 0.5, pressure=120e3, nu=4.5) == 0.0
    assert math.isnan(carrying_capacity(math.nan, 0.5, pressure=120e3, nu=4.5))
    with pytest.raises(ModelRangeError, match=r"depth: got 0 m"):
        carrying_capacity(80e3, 0.0, pressure=120e3, nu=4.5)


# --- profiles of axles -------------------------------------------------------------


def wheels(*rows):
    """WHEELS rows from (axle_id, right) and overrides."""
    base = {
        "machine_id": "m",
        "body": "b",
        "body_id": 0,
        "axle": "a",
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
    out = []
    for k, (axle_id, right, more) in enumerate(rows):
        own = {"wheel": k, "slot": k, "axle_id": axle_id, "right": right}
        out.append(base | own | more)
    return pd.DataFrame(out)


def states(*loads, machine="m"):
    load = np.array(loads, dtype=np.float64)
    n = load.shape[0]
    zero = np.zeros(n)
    return LoadStates(
        machine_id=np.array([machine] * n),
        payload_low=zero,
        payload=zero,
        payload_high=zero,
        load_low=load,
        load=load,
        load_high=load,
        source=np.array(["signal"] * n),
    )


def at(profiles, row, offset):
    """Stress at an offset, all depths."""
    k = round((offset - profiles.first_offset) / profiles.step)
    return profiles.stress[row, k]


def test_one_wheel_left_and_right():
    table = wheels((0, -1.5, {}), (0, 1.5, {}))
    profiles = stress_profiles(table, states([30e3, 30e3]), nu=4.5, settings=SETTINGS)
    assert profiles.row_of.tolist() == [[0]]
    assert profiles.stress.shape[2] == len(COMPUTE_DEPTHS)
    np.testing.assert_allclose(profiles.stress, profiles.stress[:, ::-1])
    radius = math.sqrt(0.3 / math.pi)
    axis = vertical_stress_parabola4(
        100e3, np.array(COMPUTE_DEPTHS), radius=radius, nu=4.5
    )
    np.testing.assert_allclose(at(profiles, 0, 1.5), axis, rtol=1e-9)
    assert profiles.wheel_load.tolist() == [30e3]
    assert profiles.offsets[0] == profiles.first_offset


def test_wheels_far_apart_do_not_add_and_duals_do():
    far = stress_profiles(
        wheels((0, 0.0, {}), (0, 1.0, {})),
        states([30e3, 30e3]),
        nu=4.5,
        settings=SETTINGS,
    )
    close = stress_profiles(
        wheels((0, 0.0, {}), (0, 0.6, {})),
        states([30e3, 30e3]),
        nu=4.5,
        settings=SETTINGS,
    )
    alone = stress_profiles(
        wheels((0, 0.0, {})), states([30e3]), nu=4.5, settings=SETTINGS
    )
    np.testing.assert_allclose(at(far, 0, 0.0), at(alone, 0, 0.0), rtol=1e-12)
    beside = at(alone, 0, 0.0) + at(alone, 0, 0.6)
    np.testing.assert_allclose(at(close, 0, 0.0), beside, rtol=1e-9)


def test_rows_are_shared_by_equal_loads_and_unknown_loads_have_none():
    table = wheels((0, 0.0, {}), (2, 0.0, {}))
    loads = ([30e3, 10e3], [30e3, 20e3], [math.nan, 20e3], [0.0, -1.0])
    found = stress_profiles(table, states(*loads), nu=4.5, settings=SETTINGS)
    first, second, third, fourth = found.row_of[0]
    assert first == second >= 0
    assert third == -1
    assert found.stress[fourth].max() == 0.0
    assert found.row_of[1].tolist() == [-1] * 4  # no such axle
    assert found.row_of[2][3] == -1  # a load below zero is not known
    other = stress_profiles(
        table, states(*loads, machine="another"), nu=4.5, settings=SETTINGS
    )
    assert (other.row_of == -1).all()
    assert other.stress.shape[0] == 0


def test_a_track_spares_the_topsoil_and_not_the_subsoil():
    load = 100e3
    belt = {"kind": "track", "width": 0.635, "contact_length": 1.9, "rollers": 5}
    track = stress_profiles(
        wheels((0, 0.0, belt)), states([load]), nu=5.0, settings=SETTINGS
    )
    tyre = stress_profiles(
        wheels((0, 0.0, {"pressure": 200e3})), states([load]), nu=5.0, settings=SETTINGS
    )
    ratio = at(track, 0, 0.0) / at(tyre, 0, 0.0)
    assert (ratio[:3] < 0.56).all()
    assert (np.diff(ratio[2:]) > 0).all()
    # Never below the even rectangle of the same size.
    for k, depth in enumerate(COMPUTE_DEPTHS):
        corner = vertical_stress_rectangle_corner(
            load / (0.635 * 1.9), depth, length=0.95, width=0.3175, nu=5.0
        )
        assert at(track, 0, 0.0)[k] >= 4 * corner * 0.999


def test_an_even_track_is_the_rectangle():
    belt = {"kind": "track", "width": 0.6, "contact_length": 2.0}
    found = stress_profiles(
        wheels((0, 0.0, belt)),
        states([60e3]),
        nu=4.5,
        settings=SoilSettings(roller_share=0.0),
    )
    even = [
        4 * vertical_stress_rectangle_corner(50e3, z, length=1.0, width=0.3, nu=4.5)
        for z in COMPUTE_DEPTHS
    ]
    np.testing.assert_allclose(at(found, 0, 0.0), even, rtol=2e-3)


def test_what_had_to_be_assumed_is_said():
    rows = (
        (0, 0.0, {"pressure": 50e3}),
        (1, 0.0, {"kind": "track", "pressure": 60e3}),
    )
    found = stress_profiles(
        wheels(*rows), states([100e3, 100e3]), nu=4.5, settings=SETTINGS
    )
    codes = [note.code for note in found.notes]
    assert codes == ["soil.patch_too_large", "soil.track_length"]
    assert "1.2 m2" in found.notes[0].sentence


def test_no_wheels_no_profiles():
    found = stress_profiles(
        wheels((0, 0.0, {})).iloc[:0],
        states([1.0]),
        nu=4.5,
        settings=SETTINGS,
    )
    assert found.stress.shape[0] == 0
    assert found.row_of.shape == (0, 1)


def test_each_wheel_is_computed_once_for_each_load(monkeypatch):
    """Mirror images and repeated loads are looked up, whatever the number of states."""
    from trafficmap.soil.profiles import WheelStress

    computed = []
    plain = WheelStress._compute

    def counted(self, load, pressure, shape, right):
        computed.append((load, right))
        return plain(self, load, pressure, shape, right)

    monkeypatch.setattr(WheelStress, "_compute", counted)
    table = wheels((0, -1.5, {}), (0, 1.5, {}), (1, -1.5, {}), (1, 1.5, {}))
    loads = [[30e3, 30e3, 20e3, 20e3], [40e3, 40e3, 30e3, 30e3]] * 50
    found = stress_profiles(table, states(*loads), nu=4.5, settings=SETTINGS)
    assert sorted(computed) == [(20e3, 1.5), (30e3, 1.5), (40e3, 1.5)]
    assert found.stress.shape[0] == 4  # two axles, two loads each
    assert found.row_of.shape == (2, 100)
