"""Contact patches, whole wheels, duals, tandems and tracks against worked values.

"Own working" rows were computed apart from the code with the same equations; measured
values stand beside them where an abstract gives one.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from trafficmap.soil.audit import outline_power, super_ellipse_patch
from trafficmap.soil.contact import (
    patch_area,
    patch_area_osullivan,
    super_ellipse_area,
    track_load_along,
)
from trafficmap.soil.profiles import lateral_stress_circle, track_profile
from trafficmap.soil.stress import (
    vertical_stress_parabola4,
    vertical_stress_patch,
    vertical_stress_rectangle,
    vertical_stress_uniform_circle,
)

G = 9.81


def default_chain(load, pressure, depth, *, nu=4.5, area=None):
    """Stress on the axis of one tyre of unknown size: area rule and parabola 4."""
    area = float(patch_area(load, pressure)) if area is None else area
    radius = math.sqrt(area / math.pi)
    return float(vertical_stress_parabola4(load / area, depth, radius=radius, nu=nu))


@pytest.mark.published(
    "Area of a super ellipse of power {power} [share of its box]",
    source="gamma functions",
    mark="closed form",
)
@pytest.mark.parametrize(("power", "factor"), [(2, 0.785398), (4, 0.927037)])
def test_super_ellipse_area(published, power, factor):
    assert super_ellipse_area(1.0, 1.0, power=power) == published(factor, abs=1e-6)


@pytest.mark.published(
    "Stress at 0.35 m under 85 kN at 200 kPa, nu 4.5 [kPa]",
    source="worked apart with the same equations; not measurements",
    mark="own working",
)
def test_heavy_front_wheel_at_14_inches(published):
    assert default_chain(85e3, 200e3, 0.35) / 1e3 == published(204.3, abs=0.1)


@pytest.mark.published(
    "Stress under {load:g} N at {pressure:g} Pa, nu 4.5 [kPa]",
    source="worked apart with the same equations; not measurements",
    mark="own working",
)
@pytest.mark.parametrize(
    ("load", "pressure", "kpa"),
    [
        (85e3, 200e3, (270.5, 204.3, 144.6, 92.5, 62.3)),
        (70e3, 250e3, (314.5, 212.2, 138.7, 83.5, 54.5)),
        (55e3, 200e3, (250.6, 168.2, 109.6, 65.8, 42.9)),
        (30e3, 100e3, (127.6, 87.8, 58.1, 35.3, 23.2)),
        (25e3, 700e3, (330.6, 131.2, 67.8, 35.5, 21.7)),
    ],
)
def test_model_values_of_usual_wheels(published, load, pressure, kpa):
    found = [
        default_chain(load, pressure, depth) / 1e3
        for depth in (0.20, 0.35, 0.50, 0.70, 0.90)
    ]
    assert found == published(
        kpa, abs=0.06, of=("0.20 m", "0.35 m", "0.50 m", "0.70 m", "0.90 m")
    )


@pytest.mark.published(
    "Peak stress at 0.10 m over inflation pressure, {load:g} N at {pressure:g} Pa",
    source="worked apart with the same equations; not measurements",
    mark="own working",
)
@pytest.mark.parametrize(
    ("load", "pressure", "ratio"), [(11e3, 70e3, 1.413), (33e3, 150e3, 1.446)]
)
def test_peak_at_10_cm_over_inflation_pressure(published, load, pressure, ratio):
    found = default_chain(load, pressure, 0.10) / pressure
    assert found == published(ratio, abs=1e-3, of="by the chain")
    # The average over loads 11 to 33 kN and 70 to 150 kPa; the shape of the pressure
    # was chosen on this number.
    assert found == published(
        1.39,
        abs=0.15,
        of="mean of measurements",
        source="Arvidsson & Keller 2007, Soil Till. Res. 96:284-291 (abstract); "
        "the shape was chosen on it",
        mark="outside",
    )


@pytest.mark.published(
    "Stress at 0.90 m a tonne of wheel load [kPa]",
    source="worked apart with the same equations; not measurements",
    mark="own working",
)
def test_stress_at_90_cm_a_tonne_of_wheel_load(published):
    found = default_chain(1e3 * G, None, 0.90, area=0.5) / 1e3
    assert found == published(6.98, abs=0.01, of="by the chain")
    # The concentration factor was chosen on this paper.
    assert found == published(
        6.6,
        abs=1.5,
        of="measured",
        source="Lamandé & Schjønning 2018, Soil Research 56(2) (abstract); "
        "nu was chosen on it",
        mark="outside",
    )


@pytest.mark.published(
    "Stress at 0.8 m of duals 0.6 m apart over that of a single",
    source="worked apart with the same equations; not measurements",
    mark="own working",
)
def test_duals_add_up_at_depth(published):
    x, y, load = super_ellipse_patch(0.7, 0.6, power=4)
    across = np.linspace(0.0, 1.2, 61)

    def worst(*centres):
        return max(
            sum(
                vertical_stress_patch(
                    x, y + centre, 30e3 * load, depth=0.8, nu=5, point=(0.0, at)
                )
                for centre in centres
            )
            for at in across
        )

    ratio = worst(0.0, 0.6) / worst(0.0)
    assert ratio == published(1.43, abs=0.02)


@pytest.mark.published(
    "Stress at 0.5 m under a stiff plate of 0.45 m2 with 43 kN, nu 5 [kPa]",
    source="closed form; plate as in Lamandé et al. 2007, Soil Till. Res. 97:91-106",
    mark="closed form",
)
def test_stiff_plate(published):
    radius = math.sqrt(0.45 / math.pi)
    found = vertical_stress_uniform_circle(43e3 / 0.45, 0.5, radius=radius, nu=5)
    assert found / 1e3 == published(64.8, abs=0.1)


@pytest.mark.published(
    "Stress under a track of 1.9 by 0.635 m with 100 kN on 3 rollers, nu 5 [Pa]",
    source="sum over small pieces, worked apart",
    mark="own working",
)
def test_track_with_rollers(published):
    depths = (0.15, 0.35, 0.50)
    curve = track_profile(
        width=0.635,
        length=1.9,
        rollers=3,
        roller_share=0.8,
        roller_spread=0.10,
        depths=depths,
        nu=5,
    )
    found = curve(0.0) * 100e3
    assert found == published(
        (148.3e3, 95.8e3, 72.2e3), abs=500, of=("0.15 m", "0.35 m", "0.50 m")
    )


@pytest.mark.published(
    "Pressure along a track of 1.9 m with 3 rollers",
    source="own shares, summed by hand",
    mark="own working",
)
def test_track_pressure_peaks_at_the_rollers(published):
    places = (np.arange(1900) + 0.5) * 1e-3
    share = track_load_along(
        places, length=1.9, rollers=3, roller_share=0.8, roller_spread=0.10
    )
    assert share.sum() == published(1.0, abs=1e-12, of="sum of shares")
    assert share.max() * 1900 == published(2.22, abs=5e-3, of="peak over mean")


@pytest.mark.published(
    "Stress beside a tyre of radius 0.45 m, {depth:g} m down, nu 5 [share of axis]",
    source="sum over small pieces, worked apart, printed to three digits",
    mark="own working",
)
@pytest.mark.parametrize(
    ("depth", "shares"),
    [
        (0.20, (1, 0.847, 0.212, 0.008, 0.001, 0)),
        (0.35, (1, 0.799, 0.295, 0.045, 0.007, 0)),
        (0.50, (1, 0.803, 0.377, 0.105, 0.025, 0.002)),
        (0.80, (1, 0.855, 0.535, 0.257, 0.105, 0.016)),
    ],
)
def test_stress_beside_a_tyre(published, depth, shares):
    offsets = 0.45 * np.array([0, 0.5, 1, 1.5, 2, 3])
    area = math.pi * 0.45**2
    found = lateral_stress_circle(
        area * 1e5, 1e5, area=area, offsets=offsets, depths=[depth], nu=5
    )[:, 0]
    assert found / found[0] == published(
        shares, abs=1e-3, of=("axis", "0.5 R", "1 R", "1.5 R", "2 R", "3 R")
    )


# --- duals, tandems, tracks and shapes by pieces ---


def worst_of(x, y, load, centres, *, depth, nu=5, ahead=(0.0,), across=None):
    """Largest stress of copies of a patch at (along, across), looked for at places."""
    across = np.linspace(0.0, 1.5, 46) if across is None else across
    return max(
        sum(
            vertical_stress_patch(
                x + along, y + side, load, depth=depth, nu=nu, point=(forward, at)
            )
            for along, side in centres
        )
        for at in across
        for forward in ahead
    )


@pytest.mark.published(
    "Duals {spacing:g} m apart over a single, worst point",
    source="worked apart with the same equations, printed to two digits",
    mark="own working",
)
@pytest.mark.parametrize(
    ("spacing", "ratios"),
    [
        (0.6, (1.05, 1.14, 1.43)),
        (0.8, (1.01, 1.03, 1.16)),
        (1.0, (1.00, 1.01, 1.06)),
        (1.4, (1.00, 1.00, 1.01)),
    ],
)
def test_duals_by_spacing_and_depth(published, spacing, ratios):
    x, y, load = super_ellipse_patch(0.7, 0.6, power=4)
    found = [
        worst_of(x, y, load, [(0, 0), (0, spacing)], depth=depth)
        / worst_of(x, y, load, [(0, 0)], depth=depth)
        for depth in (0.35, 0.50, 0.80)
    ]
    assert found == published(ratios, abs=0.006, of=("0.35 m", "0.50 m", "0.80 m"))


@pytest.mark.published(
    "What the next axle of a tandem adds {depth:g} m down, below one wheel [%]",
    source="worked apart with the same equations, printed to one digit",
    mark="own working",
)
@pytest.mark.parametrize(
    ("depth", "added"), [(0.8, (1.6, 0.7, 0.3)), (1.2, (7.9, 4.4, 1.9))]
)
def test_tandem_axles(published, depth, added):
    x, y, load = super_ellipse_patch(0.7, 0.6, power=4)
    point = {"depth": depth, "nu": 5}
    alone = vertical_stress_patch(x, y, load, **point)
    found = [
        100 * vertical_stress_patch(x + apart, y, load, **point) / alone
        for apart in (1.3, 1.5, 1.8)
    ]
    assert found == published(added, abs=0.06, of=("1.3 m", "1.5 m", "1.8 m"))


@pytest.mark.published(
    "Peak over mean of the pressure, along {along:g}, across {decay:g}",
    source="worked apart with the same form, printed to two digits",
    mark="own working",
)
@pytest.mark.parametrize(
    ("along", "decay", "peak"),
    [(2, 0, 1.50), (2, 1, 2.02), (2, 2, 1.81), (2, 4, 2.42), (4, 4, 2.02)],
)
def test_peak_of_the_pressure_in_a_rounded_box(published, along, decay, peak):
    _, _, share = super_ellipse_patch(
        1.0, 1.0, power=4, along_power=along, decay=decay, piece=1 / 500
    )
    assert share.max() / share.mean() == published(peak, abs=0.02)


@pytest.mark.published(
    "Stress under 100 kN on a track of 1.9 by 0.635 m, {case} [kPa]",
    source="sum over small pieces, worked apart; shares are assumed",
    mark="own working",
)
@pytest.mark.parametrize(
    ("case", "rollers", "share", "spread", "kpa"),
    [
        ("even", 3, 0.0, 0.10, (82.8, 82.5, 74.7, 64.8, 47.0)),
        ("5 rollers with 0.7", 5, 0.7, 0.10, (104.0, 97.0, 76.9, 65.6, 47.4)),
        ("3 rollers with 0.8", 3, 0.8, 0.10, (164.1, 148.3, 95.8, 72.3, 47.9)),
        ("5 narrow rollers with all", 5, 1.0, 0.06, (158.9, 131.7, 80.2, 65.6, 47.1)),
    ],
)
def test_tracks_by_share_of_the_rollers(published, case, rollers, share, spread, kpa):
    depths = (0.10, 0.15, 0.35, 0.50, 0.80)
    curve = track_profile(
        width=0.635,
        length=1.9,
        rollers=rollers,
        roller_share=share,
        roller_spread=spread,
        depths=depths,
        nu=5,
    )
    found = curve(0.0) * 100.0
    assert found == published(kpa, abs=0.6, of=tuple(f"{z:.2f} m" for z in depths))


@pytest.mark.published(
    "Even track of 1.9 by 0.635 m at 0.5 m, nu 5 [share of pressure]",
    source="closed forms, worked apart",
    mark="closed form",
)
def test_a_track_is_no_circle(published):
    box = vertical_stress_rectangle(1.0, 0.5, length=1.9, width=0.635, nu=5)
    assert box == published(0.782, abs=6e-4, of="rectangle")
    radius = math.sqrt(1.9 * 0.635 / math.pi)
    circle = vertical_stress_uniform_circle(1.0, 0.5, radius=radius, nu=5)
    assert circle == published(0.902, abs=6e-4, of="circle of equal area")


@pytest.mark.published(
    "Contact area of a tyre {width:g} m wide, {diameter:g} m high on loose soil [m2]",
    source="O'Sullivan et al. 1999, Soil Till. Res. 49:325-335 (coefficients from "
    "memory), worked apart",
    mark="own working",
)
@pytest.mark.parametrize(
    ("width", "diameter", "load", "pressure", "area"),
    [(0.65, 1.85, 30e3, 100e3, 0.523), (0.80, 1.85, 60e3, 180e3, 0.696)],
)
def test_area_on_loose_soil(published, width, diameter, load, pressure, area):
    found = patch_area_osullivan(load, pressure, width=width, diameter=diameter)
    assert found == published(area, abs=6e-4)


@pytest.mark.published(
    "How square the patch is, tyre {width:g} m wide, {diameter:g} m high [power]",
    source="T. Keller 2005, Biosyst. Eng. 92:85-96 (from memory), worked apart",
    mark="from memory",
)
@pytest.mark.parametrize(
    ("width", "diameter", "power"),
    [(0.65, 1.85, 5.04), (0.80, 1.85, 6.60), (0.71, 2.05, 6.45)],
)
def test_power_of_the_outline(published, width, diameter, power):
    assert outline_power(width, diameter) == published(power, abs=6e-3)


@pytest.mark.published(
    "Largest stresses under wheels of 20 to 70 kN at 170 to 280 kPa [kPa]",
    source="Lamandé & Schjønning 2018, Soil Research 56(2) (abstract); 70 kN at "
    "280 kPa is taken for all three, which the abstract does not say; nu was chosen on "
    "them",
    mark="outside",
)
@pytest.mark.parametrize(
    ("depth", "kpa", "off"), [(0.3, 300.0, 0.20), (0.6, 100.0, 0.12), (0.9, 45.0, 0.25)]
)
def test_largest_stress_of_a_slurry_train(published, depth, kpa, off):
    found = default_chain(70e3, 280e3, depth) / 1e3
    assert found == published(kpa, rel=off, of=f"{depth:g} m")
