"""Numbers of the machine and load formulas that others can check.

Sources are named beside each check. "Exact" is a closed form evaluated independently
of the code; "second hand" is a published number seen in another's report.
"""

from __future__ import annotations

import math
import tomllib
from pathlib import Path

import numpy as np
import pytest

from trafficmap.core.constants import GRAVITY
from trafficmap.core.units import MASS_PER_BUSHEL, VOLUME_BUSHEL, to_si
from trafficmap.loads._arm import follow, turn_towards
from trafficmap.loads.fill import run_length, wet_mass
from trafficmap.machines import axle_report, read_machine
from trafficmap.machines.axles import (
    axle_loads_on_grade,
    axle_transfer,
    side_loads_on_slope,
)
from trafficmap.machines.parts import Hose
from trafficmap.machines.statics import share_on_supports
from trafficmap.machines.tyres import (
    load_of_index,
    mass_carried,
    parse_tyre,
    pressure_needed,
    rolling_radius,
)


def trail(easting, northing, arm, start):
    """Return heading [rad] and the trailing end of an arm pulled along a path."""
    guess = np.full(easting.size, start)
    out = np.empty(easting.size)
    sign = np.ones(easting.size, dtype=np.int8)
    rules = (1.0, 0.01, math.pi)
    follow(easting, northing, sign, arm, guess, *rules, out, np.empty(easting.size))
    return out, easting - arm * np.sin(out), northing - arm * np.cos(out)


def circle(radius, length, step):
    """Points on a circle about the origin, from (radius, 0) going north, left turn."""
    s = np.arange(0.0, length + 1e-9, step)
    return radius * np.cos(s / radius), radius * np.sin(s / radius), s


@pytest.mark.published(
    "Trailer behind a hitch on 12 m, radius of its axle [m]",
    source="sum of squares; Sayers 1986, Transp. Res. Record 1052:53-62 (abstract)",
    mark="closed form",
)
def test_steady_circle_of_a_trailer(published):
    # R_t^2 = R^2 + h^2 - L^2, the sum-of-squares rule of road engineering; Sayers
    # (1986), Transportation Research Record 1052:53-62 (abstract). R 12, h 1.2, L 6.
    hitch = math.hypot(12.0, 1.2)
    e, n, _ = circle(hitch, 300.0, 0.1)
    _, te, tn = trail(e, n, 6.0, 0.0)
    assert math.hypot(te[-1], tn[-1]) == published(10.4614, abs=1e-3)


@pytest.mark.published(
    "Two trailers behind 20 m, radius of the axle [m]",
    source="sum-of-squares rule",
    mark="closed form",
)
def test_steady_circle_of_two_trailers(published):
    # R 20 with (h, L) = (0.5, 5) and (0.3, 4): 19.3714 and 18.9563 m (exact).
    e, n, _ = circle(math.hypot(20.0, 0.5), 400.0, 0.1)
    heading, e1, n1 = trail(e, n, 5.0, 0.0)
    assert math.hypot(e1[-1], n1[-1]) == published(19.3714, abs=1e-3, of="first")
    hitch_e, hitch_n = e1 - 0.3 * np.sin(heading), n1 - 0.3 * np.cos(heading)
    _, e2, n2 = trail(hitch_e, hitch_n, 4.0, 0.0)
    assert math.hypot(e2[-1], n2[-1]) == published(18.9563, abs=1e-3, of="second")


@pytest.mark.published(
    "Trailer of 5 m at 90 degrees after 5 m straight",
    source="tan(phi/2) = tan(phi0/2) exp(-s/L)",
    mark="closed form",
)
def test_realigning_behind_a_straight_hitch(published):
    # tan(phi/2) = tan(phi0/2) exp(-s/L): 90 degrees, L 5 m, after 5 m 40.3951
    # degrees, axle 3.2403 m off the line (exact, at any step).
    for steps in (2, 11, 101):
        n = np.linspace(0.0, 5.0, steps)
        heading, te, _ = trail(np.zeros(steps), n, 5.0, math.pi / 2)
        assert math.degrees(heading[-1]) == published(
            40.3951, abs=1e-4, of=f"angle [deg], {steps} stations"
        )
        assert -te[-1] == published(
            3.2403, abs=1e-4, of=f"axle off the line [m], {steps} stations"
        )


@pytest.mark.published(
    "Trailer of 6 m, 10 m into a circle of 10 m, angle [deg]",
    source="Riccati equation",
    mark="closed form",
)
def test_entering_a_circle(published):
    # Hitch on R 10, L 6, in line at first; after 10 m the angle is 28.3822 degrees
    # (closed form of the Riccati equation; exact).
    e, n, s = circle(10.0, 10.0, 0.01)
    heading, _, _ = trail(e, n, 6.0, 0.0)
    angle = math.degrees(heading[-1] + s[-1] / 10.0)
    assert angle == published(28.3822, abs=1e-3)


@pytest.mark.published(
    "Antenna 1.8 m ahead on 12 m, course less heading [deg]",
    source="atan(a/R)",
    mark="closed form",
)
def test_antenna_on_a_circle(published):
    # chi - psi = atan(a/R): a 1.8 m, R 12 m, 8.5308 degrees (exact).
    e, n, s = circle(math.hypot(12.0, 1.8), 200.0, 0.05)
    heading, _, _ = trail(e, n, 1.8, 0.0)
    course = -s[-1] / math.hypot(12.0, 1.8)
    angle = (course - heading[-1] + math.pi) % (2 * math.pi) - math.pi
    # The course of the last straight step is half a step behind: 0.12 degrees.
    half = math.degrees(0.025 / math.hypot(12.0, 1.8))
    assert abs(math.degrees(angle)) == published(
        8.5308, abs=2 * half, of="by the filter"
    )
    assert math.degrees(math.atan(1.8 / 12.0)) == published(
        8.5308, abs=1e-4, of="by the formula"
    )


@pytest.mark.published(
    "Error of a trailer path by stations {step:g} m apart [m]",
    source="worked apart with the same equations",
    mark="own working",
)
@pytest.mark.parametrize(
    ("step", "error", "tol"), [(0.5, -0.002, 1e-3), (5, -0.197, 0.01)]
)
def test_error_of_the_straight_step(published, step, error, tol):
    # Trailer L 6 m, hitch on 12 m, after 90 m from a tangent start; our own arithmetic.
    e, n, _ = circle(12.0, 90.0, step)
    _, te, tn = trail(e, n, 6.0, 0.0)
    assert math.hypot(te[-1], tn[-1]) - math.sqrt(144 - 36) == published(error, abs=tol)


@pytest.mark.published(
    "Crab steering, 5.5 m at 8 degrees, offset [m]",
    source="sine",
    mark="closed form",
)
def test_crab_steer_offset(published):
    # 5.5 m at 8 degrees: 0.7655 m (exact); the path itself is tested with the loads.
    assert 5.5 * math.sin(math.radians(8.0)) == published(0.7655, abs=1e-4)


@pytest.mark.published(
    "Corn, 56 lb and 2150.42 in3 a bushel",
    source="Rankin, Univ. Wisconsin Extension",
    mark="own working",
)
def test_bushels(published):
    # 56 lb and 2150.42 in3 a bushel: Rankin, Univ. Wisconsin Extension.
    assert MASS_PER_BUSHEL["corn"] / VOLUME_BUSHEL == published(
        720.82, abs=0.05, of="density [kg/m3]"
    )
    assert 300 * MASS_PER_BUSHEL["corn"] == published(7620.4, abs=0.5, of="300 bu [kg]")


@pytest.mark.published(
    "Bushel of corn at 20 % water [lb]",
    source="standard of 15.5 %: Rankin, Univ. Wisconsin Extension; dry matter kept",
    mark="own working",
)
def test_wet_bushel(published):
    # Standard 15.5 %: Rankin, Univ. Wisconsin Extension. At 20 %: 59.15 lb.
    assert wet_mass(56.0, 0.20, standard_moisture=0.155) == published(59.15, abs=0.01)


@pytest.mark.published(
    "6000 gal of slurry at 8.5 lb/gal [kg]",
    source="Livestock and Poultry Environmental Learning Community",
    mark="own working",
)
def test_slurry_mass(published):
    assert 6000 * to_si(8.5, "lb") == published(23133, abs=1)


@pytest.mark.published(
    "How far a tank lasts on 20 ft [m]",
    source="division",
    mark="closed form",
)
def test_how_far_a_tank_lasts(published):
    # 6 000 gal at 8 000 gal/ac on 20 ft; 350 bu at 200 bu/ac on 20 ft (exact).
    width = to_si(20.0, "ft")
    slurry = run_length(to_si(6000, "gal"), rate=to_si(8000, "gal/ac"), width=width)
    assert slurry == published(497.9, abs=0.1, of="6000 gal at 8000 gal/ac")
    corn = run_length(350.0, rate=200.0 / to_si(1.0, "ac"), width=width)
    assert corn == published(1161.7, abs=0.1, of="350 bu at 200 bu/ac")


@pytest.mark.published(
    "Pull of 60 kN at 0.50 m and 20 kN on the hitch [N]",
    source="free body",
    mark="closed form",
)
def test_load_transfer(published):
    # P 60 kN at 0.50 m, V 20 kN 1.2 m behind, wheelbase 3.05 m (free body; exact).
    rear, front = axle_transfer(
        60e3, height=0.5, wheelbase=3.05, hitch_load=20e3, behind=1.2
    )
    assert rear == published(37705, abs=5, of="rear")
    assert front == published(-17705, abs=5, of="front")
    assert rear + front == published(20e3, rel=1e-12, of="sum")


@pytest.mark.published(
    "Axle loads on slopes",
    source="free body",
    mark="closed form",
)
def test_slopes(published):
    # 196.1 kN on 8 %, z 1.1 m, 40/60, b 3.05: rear +4.5 %. 150 kN axle on 5 %, z 1.8,
    # t 3.0: 79.4 and 70.4 kN (free body; exact, to the digits given).
    level, _ = axle_loads_on_grade(
        196.1e3, grade=0.0, cg_height=1.1, cg_from_rear=0.4 * 3.05, wheelbase=3.05
    )
    rear, front = axle_loads_on_grade(
        196.1e3, grade=0.08, cg_height=1.1, cg_from_rear=0.4 * 3.05, wheelbase=3.05
    )
    assert level == published(0.6 * 196.1e3, of="rear on the level [N]")
    assert rear / level - 1.0 == published(0.045, abs=5e-4, of="rear on 8 %, more by")
    assert rear + front == published(
        196.1e3 * math.cos(math.atan(0.08)), of="sum on 8 % [N]"
    )
    down, up = side_loads_on_slope(150e3, slope=0.05, cg_height=1.8, track_width=3.0)
    assert down / 1e3 == published(79.4, abs=0.05, of="downhill wheel on 5 % [kN]")
    assert up / 1e3 == published(70.4, abs=0.05, of="uphill wheel on 5 % [kN]")


@pytest.mark.published(
    "Full hose dragged over the ground",
    source="weight of a cylinder of water times friction",
    mark="closed form",
)
def test_hose_drag(published):
    # Water in 5, 6 and 8 in: 12.7, 18.2, 32.4 kg a metre. 200 m of 6 in at 21 kg/m and
    # friction 0.45: 18.5 kN.
    for inches, mass in ((5, 12.7), (6, 18.2), (8, 32.4)):
        water = Hose(
            inner_m=to_si(inches, "in"),
            dragged_m=1.0,
            friction=1.0,
            hose_kg_m=0.0,
            density_kg_m3=1000.0,
        )
        assert water.pull / GRAVITY == published(
            mass, abs=0.05, of=f"water in {inches} in [kg/m]"
        )
    inside = math.pi / 4 * to_si(6, "in") ** 2 * 1000.0
    hose = Hose(
        inner_m=to_si(6, "in"),
        dragged_m=200.0,
        friction=0.45,
        hose_kg_m=21.0 - inside,
        density_kg_m3=1000.0,
    )
    assert hose.pull / 1e3 == published(18.5, abs=0.05, of="200 m of 6 in [kN]")


@pytest.mark.published(
    "Arm pushed straight back, 10 degrees on 5 m after 5 m [deg]",
    source="tan(phi/2) grows by exp(s/L)",
    mark="closed form",
)
def test_pushed_straight(published):
    psi = math.radians(-10.0)
    for _ in range(50):
        psi = turn_towards(psi, 0.0, 0.1, -5.0)
    assert -math.degrees(psi) == published(26.7550, abs=1e-3)


@pytest.mark.published(
    "Combine of 18 t with header and 9 t of grain",
    source="free body",
    mark="closed form",
)
def test_combine_on_its_axles(published):
    # 18 t, 62 % front, header 3.5 t at 2.2 m, 9 t of grain 0.6 m behind the front axle,
    # wheelbase 3.8 m: 24.265 and 6.235 t (exact). 79.6 % against 80 to 85 % as the
    # farm press tells Ohio State measurements (second hand): 1.5 points apart.
    front, rear = share_on_supports(
        [18.0, 3.5, 9.0], [-0.38 * 3.8, 2.2, -0.6], x_front=0.0, x_rear=-3.8
    )
    assert front == published(24.265, abs=0.005, of="front [t]")
    assert rear == published(6.235, abs=0.005, of="rear [t]")
    share = front / (front + rear)
    assert 0.80 - 0.015 <= share <= 0.85
    assert share == published(
        0.80,
        abs=0.015,
        of="share on the front",
        source="Ohio State measurements, as the farm press tells them",
        mark="second hand",
    )


@pytest.mark.published(
    "Cart of 5.5 t with 600 bu, 8 % on the tongue",
    source="free body",
    mark="closed form",
)
def test_600_bushel_cart(published):
    # 5.5 t empty, 600 bu of corn, 8 % on the tongue: 19.08 t on the axle (exact);
    # 20 short tons as the farm press tells it (second hand): 8 %, its cart is not ours.
    mass = 5500 + 600 * MASS_PER_BUSHEL["corn"]
    _, axle = share_on_supports([mass], [0.08 * 5.0], x_front=5.0, x_rear=0.0)
    assert axle / 1e3 == published(19.08, abs=0.01, of="axle [t]")
    assert axle == published(
        to_si(20.0, "short_ton"),
        rel=0.08,
        of="axle, as told [kg]",
        source="20 short tons, as the farm press tells it",
        mark="second hand",
    )


@pytest.mark.published(
    "Diameter of {text} [mm]",
    source="rim and two section heights",
    mark="definition",
)
@pytest.mark.parametrize(
    ("text", "millimetres"),
    [
        ("710/70R42", 2060.8),
        ("900/60R32", 1892.8),
        ("620/70R46", 2036.4),
        ("750/60R30.5", 1674.7),
        ("800/65R32", 1852.8),
        ("380/90R54", 2055.6),
    ],
)
def test_tyre_diameter(published, text, millimetres):
    assert parse_tyre(text).diameter * 1e3 == published(millimetres, abs=0.05)


@pytest.mark.published(
    "Section height of 900/50R46 [m]",
    source="a tyre trade glossary",
    mark="outside",
)
def test_tyre_side_wall(published):
    assert parse_tyre("900/50R46").section_height == published(0.450, abs=5e-4)


@pytest.mark.published(
    "Load index {index} [kg]",
    source="table of load indices",
    mark="from memory",
)
@pytest.mark.parametrize(("index", "mass"), [(150, 3350), (160, 4500), (180, 8000)])
def test_load_index(published, index, mass):
    # Table values and the formula are from memory; 1.5 % is the rounding of its steps.
    assert load_of_index(index) == published(mass, rel=0.015)


@pytest.mark.published(
    "Rolling radius, diameter 2.060 m, loaded radius 0.938 m [m]",
    source="formula from lecture notes",
    mark="second hand",
)
def test_rolling_radius(published):
    assert rolling_radius(2.060, 0.938) == published(0.9728, abs=5e-5)


@pytest.mark.published(
    "Half the load, exponent {exponent:g}",
    source="load ~ pressure^n; exponents from memory",
    mark="own working",
)
@pytest.mark.parametrize(
    ("exponent", "share"), [(0.585, 0.31), (0.5, 0.25), (0.7, 0.37)]
)
def test_half_the_load_needs_less_pressure(published, exponent, share):
    pressure = pressure_needed(0.5, ref_mass=1, ref_pressure=1, exponent=exponent)
    assert pressure == published(share, abs=0.005, of="share of the pressure")
    assert mass_carried(
        pressure, ref_mass=1, ref_pressure=1, exponent=exponent
    ) == published(0.5, of="load it carries again")


COMBINE = """
schema = 1
id = "combine-12row-a"
class = "combine"
reference_axle = "front"
heading_source = "kinematic"
[antenna]
x = 1.20
z = 3.90
correction = "rtk"
sigma_within_m = 0.012
sigma_between_runs_m = 0.02
[mass]
empty_kg = 18000
empty_cg_x = -1.444
cg_z = 1.9
[payload]
kind = "grain"
capacity_m3 = 14.1
capacity_kg = 11000
cg_x_empty = -0.4
cg_x_full = -0.6
fill = "yield_log"
unload_m3_s = 0.12
unload_side = "left"
spout_x = 0.3
spout_y = -8.0
test_weight_lb_bu = 56.0
moisture_std = 0.155
[steering]
mode = "rear"
min_radius_m = 5.5
crab_deg = 0.0
[limits]
working_speed_kmh = [2.0, 10.0]
[[attachment]]
name = "corn head, 12 row"
mass_kg = 3500
cg_x = 2.2
width_m = 9.144
absent_in = ["road"]
[[axle]]
name = "front"
x = 0.0
track_width = 3.05
steered = false
driven = true
[[axle.contact]]
kind = "tyre"
designation = "1250/50R32"
load_index = 201
ref_pressure_kpa = 240
pressure_kpa = 200
[[axle]]
name = "rear"
x = -3.80
track_width = 3.05
steered = true
driven = false
[[axle.contact]]
kind = "tyre"
designation = "500/70R24"
load_index = 157
ref_pressure_kpa = 240
pressure_kpa = 180
[[hitch]]
name = "rear drawbar"
x = -4.6
z = 0.50
kind = "drawbar"
[cost]
list_price = 0.0
life_h = 3000
repair_rf1 = 0.04
repair_rf2 = 2.1
[provenance]
source = "axle scale, 2025-10-03"
confidence = "measured"
"""

BOGIE_AXLE = """
[[axle]]
name = "bogie {name}"
group = "bogie"
load_share = 0.5
x = {x}
track_width = 3.05
[[axle.contact]]
designation = "900/60R32"
load_index = 181
ref_pressure_kpa = 240
pressure_kpa = 220
"""

CART = (
    """
schema = 1
id = "cart-1000"
class = "grain_cart"
reference_axle = "bogie"
[coupling]
x = 5.5
z = 0.50
[mass]
empty_kg = 9000
tongue_share = 0.08
[payload]
kind = "grain"
capacity_m3 = 35.2
capacity_kg = 27000
tongue_share_empty = 0.10
tongue_share_full = 0.10
hopper_x = 0.2
hopper_y = 0.0
"""
    + BOGIE_AXLE.format(name="front", x=0.95)
    + BOGIE_AXLE.format(name="rear", x=-0.95)
)


@pytest.mark.published(
    "Combine read from a file",
    source="worked by hand",
    mark="own working",
)
def test_machine_file_of_a_combine(published, tmp_path: Path):
    # Our own arithmetic by hand; load index 201 at 240 kPa is from memory. Empty tank
    # 16 686 / 4 814 kg, full (10 164 kg, the volume is the limit) 25 245 / 6 418 kg,
    # and 186 kPa needed in front.
    (tmp_path / "combine.toml").write_text(COMBINE, encoding="utf-8")
    machine, notes = read_machine({"file": "combine.toml"}, name="c", folder=tmp_path)
    assert notes == []
    assert machine.capacity() == published(10164, abs=1, of="full tank [kg]")
    front, rear = axle_report(machine)
    assert (front.lightest, rear.lightest) == published(
        (16686, 4814), abs=1, of=("front empty [kg]", "rear empty [kg]")
    )
    assert (front.heaviest, rear.heaviest) == published(
        (25245, 6418), abs=1, of=("front full [kg]", "rear full [kg]")
    )
    assert front.needed / 1e3 == published(
        186, abs=0.5, of="pressure needed in front [kPa]"
    )
    assert machine.sigma_within == 0.012


@pytest.mark.published(
    "Cart read from a file",
    source="worked by hand",
    mark="own working",
)
def test_machine_file_of_a_cart(published, tmp_path: Path):
    # Our own arithmetic by hand: empty 8 280 kg on the bogie and 720 on the hitch,
    # full (25 373 kg) 31 116 and 3 257, 7 779 a wheel, 218 kPa needed.
    (tmp_path / "cart.toml").write_text(CART, encoding="utf-8")
    table = {"class": "tractor_two_track", "trails": [{"file": "cart.toml"}]}
    machine, _ = read_machine(table, name="t", folder=tmp_path)
    assert machine.capacity(MASS_PER_BUSHEL["corn"] / VOLUME_BUSHEL) == published(
        25373, abs=1, of="full [kg]"
    )
    bogie = [row for row in axle_report(machine) if row.body == "cart-1000"]
    assert sum(row.lightest for row in bogie) == published(
        8280, abs=1, of="bogie empty [kg]"
    )
    assert sum(row.heaviest for row in bogie) == published(
        31116, abs=1, of="bogie full [kg]"
    )
    assert bogie[0].wheel == published(7779, abs=1, of="one wheel full [kg]")
    assert bogie[0].needed / 1e3 == published(218, abs=0.5, of="pressure needed [kPa]")
    assert tomllib.loads(CART)["coupling"]["x"] == 5.5
