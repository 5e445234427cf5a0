"""Stress under points, circles, strips and rectangles against closed forms and tables.

"Closed form" means the value follows from an integral that has one; scipy's
quadrature repeats them all in `tests/soil/test_soil_stress_forms.py`.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate

from trafficmap.soil.stress import (
    vertical_stress_parabola2,
    vertical_stress_parabola4,
    vertical_stress_patch,
    vertical_stress_point,
    vertical_stress_rectangle_corner,
    vertical_stress_strip,
    vertical_stress_uniform_circle,
)

# --- point load ---


@pytest.mark.published(
    "Point load {load:g} N, {depth:g} m down, {radius:g} m beside, nu {nu:g} [kPa]",
    source="closed form, Fröhlich 1934 (form from memory)",
    mark="closed form",
)
@pytest.mark.parametrize(
    ("load", "depth", "radius", "nu", "kpa", "tolerance"),
    [
        (50e3, 0.5, 0.0, 3, 95.493, 1e-3),
        (50e3, 0.5, 0.0, 5, 159.155, 1e-3),
        (50e3, 0.5, 0.5, 3, 16.881, 1e-3),
        (50e3, 0.5, 0.5, 6, 11.937, 1e-3),
        pytest.param(
            *(100e3, 2.0, 0.0, 3, 11.94, 1e-2),
            marks=pytest.mark.published(
                source="Boussinesq example on a public geotechnical page",
                mark="outside",
            ),
        ),
    ],
)
def test_point_load(published, load, depth, radius, nu, kpa, tolerance):
    found = vertical_stress_point(load, depth, radius=radius, nu=nu)
    assert found / 1e3 == published(kpa, abs=tolerance)


@pytest.mark.published(
    "Stress under 100 kN, 2 m down, 3 m beside, nu 3 [kPa]",
    source="formula on a public geotechnical page, worked by hand",
    mark="closed form",
)
def test_formula_of_the_geotechnical_page_not_its_misprint(published):
    # The page prints 0.66 where its own formula gives 0.627.
    found = vertical_stress_point(100e3, 2.0, radius=3.0, nu=3) / 1e3
    assert found == published(0.6269, abs=1e-4)


# --- circles on their axis ---


@pytest.mark.published(
    "Uniform circle on its axis, z/R {zeta:g}, nu {nu:g} [share of pressure]",
    source="closed form of the integral over the load",
    mark="closed form",
)
@pytest.mark.parametrize(
    ("nu", "zeta", "share"),
    [
        (3, 0.5, 0.910557),
        (3, 1.0, 0.646447),
        (3, 2.0, 0.284458),
        (4, 0.5, 0.960000),
        (5, 1.0, 0.823223),
        (6, 1.0, 0.875000),
        (4.5, 1.0, 0.789776),
    ],
)
def test_uniform_circle_on_its_axis(published, nu, zeta, share):
    found = vertical_stress_uniform_circle(1.0, zeta, radius=1.0, nu=nu)
    assert found == published(share, abs=1e-6)


@pytest.mark.published(
    "Uniform circle on its axis, z/R {zeta:g}, nu 3, as printed [share of pressure]",
    source="Spangler's textbook, Table 10.5",
    mark="outside",
)
@pytest.mark.parametrize(
    ("zeta", "printed"), [(0.5, 0.911), (1.0, 0.646), (2.0, 0.284)]
)
def test_influence_values_of_a_textbook(published, zeta, printed):
    found = vertical_stress_uniform_circle(1.0, zeta, radius=1.0, nu=3)
    assert found == published(printed, abs=5.1e-4)


@pytest.mark.published(
    "Parabola of 2nd degree on its axis, z/R 1, nu {nu:g} [share of peak]",
    source="closed form of the integral over the load",
    mark="closed form",
)
@pytest.mark.parametrize(
    ("nu", "share"),
    [(3, 0.414214), (4, 0.500000), (5, 0.569036), (6, 0.625000)],
)
def test_parabola_of_second_degree(published, nu, share):
    # Closed form, per peak pressure, which is twice the mean.
    found = vertical_stress_parabola2(0.5, 1.0, radius=1.0, nu=nu)
    assert found == published(share, abs=1e-6)


@pytest.mark.published(
    "Parabola of 4th degree on its axis, z/R {zeta:g}, nu {nu:g} [share of peak]",
    source="closed form of the integral over the load",
    mark="closed form",
)
@pytest.mark.parametrize(
    ("nu", "zeta", "share"),
    [
        (3, 1.0, 0.514719),
        (4, 1.0, 0.613706),
        (5, 1.0, 0.690356),
        (6, 1.0, 0.750000),
        (4.5, 1.0, 0.654454),
        (4, 0.5, 0.898820),
        (5, 0.5, 0.937683),
    ],
)
def test_parabola_of_fourth_degree(published, nu, zeta, share):
    # Closed form, per peak pressure, which is 1.5 times the mean.
    found = vertical_stress_parabola4(1 / 1.5, zeta, radius=1.0, nu=nu)
    assert found == published(share, abs=1e-6)


@pytest.mark.published(
    "Parabola of 4th degree far down, z/R 20, nu {nu:.7f} [share of peak]",
    source="quadrature of the same integral",
    mark="closed form",
)
@pytest.mark.parametrize("nu", [4.0, 4.0 + 1e-7])
def test_parabola_of_fourth_degree_holds_digits_far_down(published, nu):
    # A branch at nu = 4 loses 5 % here; quadrature of the same integral.
    found = vertical_stress_parabola4(1 / 1.5, 20.0, radius=1.0, nu=nu)
    assert found == published(3.323983e-3, rel=1e-6)


# --- strip and rectangle ---


@pytest.mark.published(
    "Uniform strip, width and depth 1, {offset:g} beside, nu {nu:g} [share]",
    source="closed form of the integral over the load",
    mark="closed form",
)
@pytest.mark.parametrize(
    ("offset", "nu", "share", "tolerance"),
    [
        (0.0, 3, 0.549815, 1e-6),
        (0.0, 4, 0.626099, 1e-6),
        (0.0, 5, 0.685627, 1e-6),
        (0.0, 6, 0.733430, 1e-6),
        (0.0, 4.5, 0.657579, 1e-6),
        (1.0, 3, 0.184838, 1e-6),
        (1.0, 6, 0.128084, 1e-6),
    ],
)
def test_strip(published, offset, nu, share, tolerance):
    found = vertical_stress_strip(1.0, 1.0, width=1.0, offset=offset, nu=nu)
    assert found == published(share, abs=tolerance)


@pytest.mark.published(
    "Corner of a rectangle {m:g} by {n:g} at depth 1, nu {nu:g} [share of pressure]",
    source="quadrature of the point load over the rectangle",
    mark="closed form",
)
@pytest.mark.parametrize(
    ("m", "n", "nu", "share"),
    [
        (1.0, 1.0, 3, 0.175221),
        (1.0, 2.0, 3, 0.199941),
        (2.0, 1.0, 3, 0.199941),
        (1.0, 1.0, 4, 0.199690),
        (1.0, 1.0, 5, 0.216061),
        (1.0, 1.0, 6, 0.227046),
    ],
)
def test_rectangle_corner(published, m, n, nu, share):
    found = vertical_stress_rectangle_corner(1.0, 1.0, length=m, width=n, nu=nu)
    assert found == published(share, abs=1e-5)


@pytest.mark.published(
    "Corner of a rectangle 1 by 1 at depth 1, nu 3, as printed [share of pressure]",
    source="Newmark's chart on a public geotechnical page",
    mark="outside",
)
def test_newmark_chart(published):
    found = vertical_stress_rectangle_corner(1.0, 1.0, length=1.0, width=1.0, nu=3)
    assert found == published(0.1752, abs=5e-5)


def circle_grid(radius, piece, *, power=None):
    """Pieces of a circle of 1 Pa or of a parabola, a corner in the middle."""
    n = math.ceil(radius / piece) + 1
    side = (np.arange(-n, n) + 0.5) * piece
    along, across = (part.ravel() for part in np.meshgrid(side, side))
    r = np.hypot(along, across)
    inside = r < radius
    along, across, r = along[inside], across[inside], r[inside]
    q = np.ones_like(r) if power is None else 1.0 - (r / radius) ** power
    return along, across, q * math.pi * radius**2 / q.sum()


@pytest.mark.published(
    "Below the edge of a uniform circle, z/R {depth:g}, nu 3 [share of pressure]",
    source="quadrature",
    mark="closed form",
)
@pytest.mark.parametrize(
    ("depth", "exact", "printed"), [(1.0, 0.3322, 0.335), (2.0, 0.1960, 0.194)]
)
def test_beside_a_uniform_circle(published, depth, exact, printed):
    along, across, load = circle_grid(1.0, 1 / 200)
    point = (1.0, 0.0)
    found = vertical_stress_patch(along, across, load, depth=depth, nu=3, point=point)
    # The table is about 1 % off at the edge.
    assert found == published(exact, abs=5e-4, of="by small pieces")
    assert found == published(
        printed,
        abs=5e-3,
        of="as printed",
        source="Spangler's textbook, Table 10.5",
        mark="outside",
    )


@pytest.mark.published(
    "Pieces of a circle of 0.4 m, {depth:g} m down, nu {nu:g} [share of pressure]",
    source="closed form on the axis",
    mark="closed form",
)
@pytest.mark.parametrize("nu", [3.0, 4.0, 5.0, 6.0])
@pytest.mark.parametrize("depth", [0.2, 0.4, 0.8])
def test_sum_over_small_pieces_comes_within_one_percent(published, nu, depth):
    # Pieces of a sixteenth of the radius; the rest of the error is the stair edge.
    along, across, load = circle_grid(0.4, 0.4 / 16)
    found = vertical_stress_patch(along, across, load, depth=depth, nu=nu)
    exact = vertical_stress_uniform_circle(1.0, depth, radius=0.4, nu=nu)
    assert found == published(float(exact), rel=0.01)


@pytest.mark.published(
    "Pieces of the circle, one in the middle, 0.2 m down [share of pressure]",
    source="closed form on the axis",
    mark="closed form",
)
def test_sum_over_small_pieces_with_a_piece_in_the_middle(published):
    n = 18
    side = np.arange(-n, n + 1) * 0.4 / 16
    along, across = (part.ravel() for part in np.meshgrid(side, side))
    inside = np.hypot(along, across) < 0.4
    load = np.full(inside.sum(), math.pi * 0.4**2 / inside.sum())
    for nu in (3.0, 6.0):
        found = vertical_stress_patch(
            along[inside], across[inside], load, depth=0.2, nu=nu
        )
        exact = vertical_stress_uniform_circle(1.0, 0.2, radius=0.4, nu=nu)
        assert found == published(float(exact), rel=0.015, of=f"nu {nu:g}")


# --- laws ---


@pytest.mark.published(
    "Stress summed over a plane 0.4 m down, nu {nu:g} [N]",
    source="equilibrium: the load of 100 N",
    mark="closed form",
)
@pytest.mark.parametrize("nu", [3.0, 4.5, 6.0])
def test_stress_over_any_plane_adds_up_to_the_load(published, nu):
    def ring(radius):
        stress = vertical_stress_point(100.0, 0.4, radius=radius, nu=nu)
        return 2 * math.pi * radius * stress

    total, _ = integrate.quad(ring, 0, np.inf, epsrel=1e-10)
    assert total == published(100.0, rel=1e-6)


@pytest.mark.published(
    "Share of a point load within a radius equal to the depth, nu {nu}",
    source="1 - cos^nu 45°",
    mark="closed form",
)
@pytest.mark.parametrize(
    ("nu", "share"), [(3, 0.646447), (4, 0.75), (5, 0.823223), (6, 0.875)]
)
def test_share_of_a_point_load_within_the_depth(published, nu, share):
    def ring(radius):
        return (
            2 * math.pi * radius * vertical_stress_point(1.0, 1.0, radius=radius, nu=nu)
        )

    total, _ = integrate.quad(ring, 0, 1.0, epsabs=1e-12)
    assert total == published(share, abs=1e-6)
