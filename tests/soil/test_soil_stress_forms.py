"""Every closed form against scipy's quadrature of the point load, at any nu."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate

from trafficmap.soil.audit import super_ellipse_patch
from trafficmap.soil.contact import super_ellipse_area
from trafficmap.soil.stress import (
    vertical_stress_parabola2,
    vertical_stress_parabola4,
    vertical_stress_patch,
    vertical_stress_point,
    vertical_stress_rectangle,
    vertical_stress_rectangle_corner,
    vertical_stress_strip,
    vertical_stress_uniform_circle,
)

NU = [2.3, 3.0, 3.7, 4.0, 4.0 + 1e-9, 4.5, 5.0, 6.0, 7.5]


@pytest.mark.parametrize("nu", NU)
@pytest.mark.parametrize("zeta", [0.05, 0.4, 1.0, 3.0, 20.0])
def test_circles_on_the_axis(nu, zeta):
    def ring(radius, pressure):
        spread = vertical_stress_point(1.0, zeta, radius=radius, nu=nu)
        return pressure(radius) * 2 * math.pi * radius * spread

    for function, shape in (
        (vertical_stress_uniform_circle, lambda r: 1.0),
        (vertical_stress_parabola2, lambda r: 2 * (1 - r**2)),
        (vertical_stress_parabola4, lambda r: 1.5 * (1 - r**4)),
    ):
        total, _ = integrate.quad(
            ring, 0, 1, args=(shape,), epsabs=1e-13, epsrel=1e-11, limit=200
        )
        found = float(function(1.0, zeta, radius=1.0, nu=nu))
        assert found == pytest.approx(total, rel=1e-8)


@pytest.mark.parametrize("nu", NU)
@pytest.mark.parametrize("offset", [0.0, 0.2, 0.3, 0.9])
@pytest.mark.parametrize("depth", [0.05, 0.35, 0.9])
def test_strip_is_the_integral_of_lines(nu, offset, depth):
    # A line load without end, from the point load: the beta function.
    factor = (
        nu
        / (2 * math.pi)
        * math.sqrt(math.pi)
        * math.gamma(0.5 * (nu + 1))
        / math.gamma(0.5 * nu + 1)
    )

    def line(away):
        return factor * depth**nu / (away**2 + depth**2) ** (0.5 * (nu + 1))

    edges = [edge for edge in (offset,) if -0.3 < edge < 0.3]
    total, _ = integrate.quad(
        lambda at: line(at - offset), -0.3, 0.3, points=edges or None, epsabs=1e-13
    )
    found = vertical_stress_strip(1.0, depth, width=0.6, offset=offset, nu=nu)
    assert found == pytest.approx(total, rel=1e-8, abs=1e-12)


def test_a_line_load_is_the_integral_of_points():
    total, _ = integrate.quad(
        lambda y: vertical_stress_point(1.0, 0.4, radius=math.hypot(0.3, y), nu=4.5),
        -np.inf,
        np.inf,
    )
    narrow = vertical_stress_strip(1e6, 0.4, width=1e-6, offset=0.3, nu=4.5)
    assert narrow == pytest.approx(total, rel=1e-6)


@pytest.mark.parametrize("nu", [2.3, 3.0, 4.0, 4.5, 6.0])
@pytest.mark.parametrize("point", [(0.0, 0.0), (0.3, 0.1), (0.95, 0.0), (1.2, 0.6)])
def test_rectangle_is_the_integral_of_points(nu, point):
    def piece(across, along):
        away = math.hypot(along - point[0], across - point[1])
        return vertical_stress_point(1.0, 0.3, radius=away, nu=nu)

    total, _ = integrate.dblquad(piece, -0.95, 0.95, -0.32, 0.32, epsabs=1e-9)
    found = vertical_stress_rectangle(
        1.0, 0.3, length=1.9, width=0.64, point=point, nu=nu
    )
    assert found == pytest.approx(total, rel=1e-6, abs=1e-8)


@pytest.mark.parametrize("nu", [3.0, 4.5, 6.0])
@pytest.mark.parametrize("depth", [0.02, 0.1, 0.5])
def test_a_long_rectangle_is_a_strip(nu, depth):
    strip = vertical_stress_strip(1.0, depth, width=0.4, nu=nu)
    box = vertical_stress_rectangle(1.0, depth, length=60.0, width=0.4, nu=nu)
    assert box == pytest.approx(strip, rel=2e-5)
    # At the long edge far down there is half of a strip twice as wide.
    edge = vertical_stress_rectangle_corner(1.0, depth, length=30.0, width=0.4, nu=nu)
    half = vertical_stress_strip(1.0, depth, width=0.4, offset=0.2, nu=nu)
    assert 2 * edge == pytest.approx(half, rel=2e-5)


@pytest.mark.parametrize("nu", [3.0, 4.5, 6.0])
@pytest.mark.parametrize("depth", [0.2, 0.35, 0.9])
def test_pieces_of_a_rounded_box_are_its_integral(nu, depth):
    length, width, power = 0.85, 0.70, 5.0
    x, y, share = super_ellipse_patch(
        length, width, power=power, along_power=2.0, decay=0.0
    )
    found = vertical_stress_patch(x, y, share, depth=depth, nu=nu, point=(0.1, 0.2))

    def reach(across):
        return 0.5 * length * (1 - abs(2 * across / width) ** power) ** (1 / power)

    def pressure(along, across):
        return 1 - (along / reach(across)) ** 2

    def stress(along, across):
        away = math.hypot(along - 0.1, across - 0.2)
        return pressure(along, across) * vertical_stress_point(
            1.0, depth, radius=away, nu=nu
        )

    half = 0.5 * width
    options = {"epsabs": 1e-8, "epsrel": 1e-6}
    load, _ = integrate.dblquad(
        pressure, -half, half, lambda y: -reach(y), reach, **options
    )
    total, _ = integrate.dblquad(
        stress, -half, half, lambda y: -reach(y), reach, **options
    )
    assert found == pytest.approx(total / load, rel=3e-3)


def test_area_of_the_pieces_is_that_of_the_outline():
    x, _, _ = super_ellipse_patch(0.8, 0.6, power=4.0, piece=0.005)
    covered = x.size * (0.8 / 160) * (0.6 / 120)
    exact = super_ellipse_area(0.8, 0.6, power=4.0)
    assert covered == pytest.approx(exact, rel=2e-3)
