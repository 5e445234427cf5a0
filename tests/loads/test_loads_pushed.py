"""Bodies pushed between two cusps: closed forms, the way back on one's own track."""

from __future__ import annotations

import math

import numpy as np
import pytest

from trafficmap.core.settings.loads import LoadSettings
from trafficmap.loads import payload, wheel_paths
from trafficmap.loads._arm import error_after, follow, turn_towards
from trafficmap.loads.trail import rig_path

SETTINGS = LoadSettings()
ARM = 5.2
CART = {"class": "tractor_front_assist", "trails": [{"class": "grain_cart_single"}]}


def out_and_back(back: float, *, noise: float = 0.0, seed: int = 1):
    """A way with a bend driven forward, `back` metres of it driven back, then on again.

    Returns east, north, the fix of each turn, and the fixes on the way in that the way
    back meets in reverse order.
    """
    s = np.arange(0.0, 60.0, 0.5)
    heading = np.clip((s - 40.0) / 12.0, 0.0, None)
    east = np.concatenate([[0.0], np.cumsum(0.5 * np.sin(heading))[:-1]])
    north = np.concatenate([[0.0], np.cumsum(0.5 * np.cos(heading))[:-1]])
    n = round(back / 0.5)
    way = np.concatenate(
        [
            np.arange(s.size),
            np.arange(s.size - 2, s.size - 2 - n, -1),
            np.arange(s.size - n, s.size),
        ]
    )
    rng = np.random.default_rng(seed)
    e = east[way] + noise * rng.standard_normal(way.size)
    m = north[way] + noise * rng.standard_normal(way.size)
    first, second = s.size - 1, s.size - 1 + n
    reverse = np.zeros(way.size, dtype=bool)
    reverse[first + 1 : second + 1] = True
    return e, m, way, first, second, reverse


def pushed(machine, back, **more):
    m = machine("t", **CART)
    e, n, way, first, second, reverse = out_and_back(back, **more)
    t = np.arange(e.size, dtype=float)
    path = rig_path(e, n, t, machine=m, settings=SETTINGS, reverse=reverse)
    at = path.station_of_kept[path.kept_of_fix]
    place = np.stack([path.easting[1][at], path.northing[1][at]], axis=1)
    return place, way, first, second, path


@pytest.mark.parametrize(("back", "most"), [(4.0, 0.2), (10.0, 0.25), (20.0, 0.05)])
def test_a_cart_pushed_back_on_its_own_track_goes_back_on_it(machine, back, most):
    # Rolling without slip runs the same both ways, so on the very same track the cart
    # must stand where it stood, whatever the bend: 4 m to 4 arm lengths back.
    place, way, first, second, _ = pushed(machine, back)
    there = {number: k for k, number in enumerate(way[: first + 1])}
    apart = [
        math.dist(place[k], place[there[way[k]]]) for k in range(first + 1, second + 1)
    ]
    assert max(apart) < most
    # Taking it as in line with the tractor at the far end alone is worse by far.
    aligned = 2 * ARM * math.sin(0.5 * ARM / 12.0)
    assert aligned > 2.0


def test_noise_of_a_good_receiver_does_not_let_it_run_away(machine):
    for seed in range(5):
        place, way, first, second, path = pushed(machine, 25.0, noise=0.015, seed=seed)
        there = {number: k for k, number in enumerate(way[: first + 1])}
        apart = [
            math.dist(place[k], place[there[way[k]]])
            for k in range(first + 1, second + 1)
        ]
        # One sigma of an end nobody saw is arm x 20 degrees, 1.8 m.
        assert max(apart) < 2.0
        assert np.median(apart) < 0.3
        assert path.unsure[1][0] < 15.0


def test_straight_push_has_the_closed_form():
    # tan(phi/2) grows by exp(s / L): 10 degrees after 5 m on an arm of 5 m are
    # 2 atan(tan(5) e) = 26.7550 degrees.
    expected = 2 * math.degrees(math.atan(math.tan(math.radians(5.0)) * math.e))
    assert expected == pytest.approx(26.7550, abs=1e-3)
    psi = math.radians(-10.0)
    for _ in range(50):
        # Pushed to the south: undone, the leading end moves north.
        psi = turn_towards(psi, 0.0, 0.1, -5.0)
    assert math.degrees(psi) == pytest.approx(-expected, abs=1e-6)
    # And the way back gives the start again.
    for _ in range(50):
        psi = turn_towards(psi, 0.0, 0.1, 5.0)
    assert math.degrees(psi) == pytest.approx(-10.0, abs=1e-6)


def test_errors_shrink_pulled_and_grow_pushed_e_fold_an_arm():
    error = 0.1
    for _ in range(50):
        error = error_after(error, 0.0, 0.0, 0.1, 5.0, 0.0)
    assert error == pytest.approx(0.1 / math.e)
    for _ in range(50):
        error = error_after(error, 0.0, 0.0, 0.1, -5.0, 0.0)
    assert error == pytest.approx(0.1)
    # Long pulled, it is the noise of the path.
    for _ in range(5000):
        error = error_after(error, 0.0, 0.0, 0.1, 5.0, 0.02)
    assert error == pytest.approx(0.02, rel=0.02)


def test_between_two_known_ends_the_nearer_one_tells():
    # North for 30 m, then 26 m back straight: the cart was in line at the start, and at
    # the end it is taken as in line within the doubt.
    north = np.concatenate([np.arange(0.0, 30.0, 0.5), np.arange(29.0, 3.0, -0.5)])
    sign = np.where(np.diff(north, append=north[-1]) > 0, 1, -1).astype(np.int8)
    guess = np.zeros(north.size)
    out, error = np.empty(north.size), np.empty(north.size)
    rules = (math.radians(20.0), 0.01, math.radians(80.0))
    follow(np.zeros(north.size), north, sign, ARM, guess, *rules, out, error)
    np.testing.assert_allclose(out, 0.0, atol=1e-9)
    back = error[sign.tolist().index(-1) :]
    assert back[0] < 0.011
    # The error rises to the far end, but never past what is guessed of it.
    assert (np.diff(back) > -1e-6).all()
    assert back.max() <= math.radians(20.0)


def test_what_is_not_known_of_a_long_push_is_said(log, tables, machine):
    m = machine("t", **{**CART, "correction": "sbas"})
    e, n, _, _, _, reverse = out_and_back(58.0)
    # Four times, each with a hole of two minutes before it.
    times = np.concatenate(
        [np.arange(e.size) + 120.0 * k + e.size * k for k in range(4)]
    )
    fixes, passes = tables(log("t", 0, times, np.tile(e, 4), np.tile(n, 4), "hauling"))
    fixes["reverse"] = np.tile(reverse, 4)
    carried, _ = payload(
        fixes, passes, machines={"t": m}, crop=_crop(), liquid=(), settings=SETTINGS
    )
    _, notes = wheel_paths(
        fixes, passes, machines={"t": m}, payload=carried, settings=SETTINGS
    )
    found = [note for note in notes if note.code == "loads.pushed_unsure"]
    assert len(found) == 1
    assert found[0].sentence.startswith("t: while it was backed over ")
    assert found[0].severity == "info"


def test_the_table_says_which_way_it_was_driven(machine):
    m = machine("t", **CART)
    north = np.arange(0.0, 40.0)
    t = np.arange(40.0)
    told = np.zeros(40, dtype=bool)
    ahead = rig_path(np.zeros(40), north, t, machine=m, settings=SETTINGS, reverse=told)
    back = rig_path(np.zeros(40), north, t, machine=m, settings=SETTINGS, reverse=~told)
    np.testing.assert_allclose(np.cos(ahead.heading[0]), 1.0)
    np.testing.assert_allclose(np.cos(back.heading[0]), -1.0)
    # Backing north its nose points south, so the cart is the northern body.
    assert (back.northing[1] > back.northing[0]).all()


def _crop():
    from trafficmap.field.model import Crop

    return Crop()


def test_crab_is_followed_by_the_filter_and_eased_in(machine):
    # The whole machine goes 8 degrees to the right of where it points: on the straight
    # the heading is 8 degrees left of the course, on an antenna far ahead too.
    m = machine(
        "b",
        **{
            "class": "beet_harvester",
            "steering": {"mode": "crab", "crab_deg": 8.0},
        },
    )
    n = np.arange(0.0, 90.0)
    working = (n > 40) & (n < 70)
    path = rig_path(
        np.zeros(90), n, n.copy(), machine=m, settings=SETTINGS, working=working
    )
    turned = np.degrees(path.heading[0])
    at = path.station_of_kept[path.kept_of_fix]
    assert turned[at[20]] == pytest.approx(0.0, abs=1e-3)
    assert turned[at[55]] == pytest.approx(-8.0, abs=1e-3)
    assert turned[at[85]] == pytest.approx(0.0, abs=1e-3)
    # 8 degrees within 5 m, no jump.
    assert np.abs(np.diff(turned)).max() < 1.0
    # The antenna 4.5 m ahead stands on the line, so the axle is off it.
    assert path.easting[0][at[55]] == pytest.approx(
        4.5 * math.sin(math.radians(8.0)), abs=1e-3
    )
