"""When a load is handed over: less the coming and going, at the auger's rate."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest

from trafficmap.core.settings.loads import LoadSettings
from trafficmap.core.tables import LIQUID
from trafficmap.field.model import Crop
from trafficmap.loads import payload, wheel_paths
from trafficmap.loads.opening import build_accounts
from trafficmap.loads.transfer import Tracks, find_transfers

SETTINGS = LoadSettings()
CUT = 400
"""The combine cuts this long, then stands [s]."""

HOPPER = 9.0
"""Hopper of the truck behind its antenna [m]."""


def carry(fixes, passes, machines):
    carried, _ = payload(
        fixes,
        passes,
        machines=machines,
        crop=Crop(now="corn"),
        liquid=LIQUID.empty(),
        settings=SETTINGS,
    )
    return carried


def standing(log, tables, machine, *, comes, goes, tank=None):
    """Return a combine that cuts 8 t and stands, and a truck beside it for a while.

    With `tank` the combine logs its tank mass instead of its flow.
    """
    t = np.arange(0, 900.0)
    cutting = t < CUT
    north = 2.0 * np.minimum(t, CUT)
    signal = (
        {"mass_flow": np.where(cutting, 20.0, 0.0)}
        if tank is None
        else {"tank_mass": tank(t)}
    )
    words = np.where(cutting, "working", "idle")
    combine = log("c", 0, t, 0.0, north, words, **signal)
    away = 3.0 * np.maximum(np.maximum(comes - t, t - goes), 0.0)
    side = np.where(t < comes, -1.0, 1.0)
    truck_north = north[-1] + HOPPER + side * away
    here = (t >= comes) & (t <= goes)
    truck = log("k", 1, t, -6.0, truck_north, np.where(here, "loading", "hauling"))
    machines = {
        "c": machine("c", **{"class": "combine_large"}),
        "k": machine("k", **{"class": "truck"}),
    }
    return *tables(combine, truck), machines


def halves(carried, fixes):
    return [
        carried.table[(fixes["machine_id"] == name).to_numpy()].reset_index(drop=True)
        for name in ("c", "k")
    ]


def test_standing_long_it_is_poured_in_the_middle_at_the_usual_rate(
    log, tables, machine
):
    fixes, passes, machines = standing(log, tables, machine, comes=430, goes=610)
    carried = carry(fixes, passes, machines)
    combine, truck = halves(carried, fixes)
    full = combine["payload"][CUT + 10]
    # 0.12 m3/s of corn (56 lb/bu, 720.8 kg/m3) empties 8 t in 92 s: 43 s are over at
    # either end, less or more by the seconds in which the truck rolls out.
    rate = 0.12 * carried.density
    begin = 430 + 0.5 * (180 - full / rate)
    assert combine["payload"][int(begin) - 5] == pytest.approx(full)
    assert truck["payload"][int(begin) - 5] == 0.0
    assert combine["payload"][520] == pytest.approx(full / 2, abs=3 * rate)
    assert combine["payload"][int(begin + full / rate) + 6] == pytest.approx(0, abs=1)
    slope = combine["payload"][500] - combine["payload"][530]
    assert slope / 30 == pytest.approx(rate, rel=0.05)
    total = combine["payload"] + truck["payload"]
    np.testing.assert_allclose(total[CUT + 10 :], full, rtol=1e-9)


@pytest.mark.parametrize("begins", [435, 476, 512])
def test_the_interval_holds_the_truth_whenever_the_auger_ran(
    log, tables, machine, begins
):
    fixes, passes, machines = standing(log, tables, machine, comes=430, goes=610)
    carried = carry(fixes, passes, machines)
    combine, truck = halves(carried, fixes)
    t, full = np.arange(0, 900.0), combine["payload"][CUT + 10]
    gone = np.clip((t - begins) * 0.12 * carried.density, 0.0, full)
    stood = t > CUT + 10
    for table, truth in ((combine, full - gone), (truck, gone)):
        assert (table["payload_low"] <= truth + 1)[stood].all()
        assert (truth - 1 <= table["payload_high"])[stood].all()


def test_too_short_a_visit_takes_only_what_can_flow(log, tables, machine):
    fixes, passes, machines = standing(log, tables, machine, comes=430, goes=460)
    carried = carry(fixes, passes, machines)
    # 30 s, less 2.5 s of starting and stopping, with the seconds of braking, and the
    # day's rate may be a little above the usual one.
    most = 30 * 0.12 * carried.density
    assert 0.75 * most < carried.ledger["k"]["received"] < 1.15 * most
    assert carried.ledger["c"]["handed"] == carried.ledger["k"]["received"]
    assert carried.ledger["c"]["stock"] > 4500


def test_a_logged_tank_says_itself_when_it_was_poured(log, tables, machine):
    def tank(t):
        return 20 * np.minimum(t, CUT) - 80.0 * np.clip(t - 530, 0, 50)

    fixes, passes, machines = standing(
        log, tables, machine, comes=430, goes=610, tank=tank
    )
    combine, truck = halves(carry(fixes, passes, machines), fixes)
    np.testing.assert_allclose(
        truck["payload"][CUT:], 8000 - combine["payload"][CUT:], atol=80.0
    )
    assert truck["payload"].iloc[-1] == pytest.approx(4000)


def test_a_rig_that_creeps_under_the_auger_carries_what_it_has_by_then(
    log, tables, machine
):
    """A metre in minutes: the load belongs to the moment, not to the metre's end."""
    fixes, passes, machines = standing(log, tables, machine, comes=430, goes=610)
    mine = (fixes["machine_id"] == "k").to_numpy()
    creep = np.interp(fixes["seconds"][mine], [430, 610], [-0.6, 0.6])
    fixes.loc[mine, "northing"] += creep
    carried = carry(fixes, passes, machines)
    paths, _ = wheel_paths(
        fixes, passes, machines=machines, payload=carried, settings=SETTINGS
    )
    state = paths.states
    there = (state.machine_id[paths.state] == "k") & (paths.time > _epoch(440))
    there &= paths.time < _epoch(600)
    assert there.sum() >= 2
    _, truck = halves(carried, fixes)
    had = np.interp(
        paths.time[there], _epoch(np.arange(truck.shape[0])), truck["payload"]
    )
    # One fix late, and rounded to a fiftieth of the capacity.
    rounding = 0.5 * machines["k"].capacity(carried.density) / SETTINGS.payload_classes
    late = 0.12 * carried.density
    np.testing.assert_allclose(
        state.payload[paths.state[there]], had, atol=rounding + late
    )
    assert np.any((had > 1000) & (had < 7000))


@pytest.mark.parametrize("told", [True, False])
def test_a_cart_empties_into_a_truck_whole(log, tables, machine, told):
    """A cart is faster than a combine; one that tells no rate must not keep half."""
    t = np.arange(0, 1200.0)
    cutting = t < CUT
    north = 2.0 * np.minimum(t, CUT)
    flow = np.where(cutting, 20.0, 0.0)
    words = np.where(cutting, "working", "idle")
    combine = log("c", 0, t, 0.0, north, words, mass_flow=flow)
    # The hopper of the cart lies 7.2 m behind the antenna; it stands 8 m to the left
    # of the combine until 560 s, then beside the truck 200 m further until 700 s.
    place = np.interp(t, [300, 430, 560, 640], [-400.0, 0.0, 0.0, 200.0])
    here = ((t >= 430) & (t <= 560)) | ((t >= 640) & (t <= 700))
    cart_words = np.where(here, "loading", "hauling")
    cart = log("t", 1, t, -8.0, north[-1] + 7.2 + place, cart_words)
    truck_north = north[-1] + 200.0 + HOPPER - 3.0 * np.maximum(100.0 - t, 0.0)
    truck = log("k", 2, t, -14.0, truck_north, "loading")
    leaves = np.maximum(t - 700, 0.0)
    cart["northing"] += 2.0 * leaves
    rig = machine(
        "t",
        **{
            "class": "tractor_front_assist",
            "trails": [{"class": "grain_cart_single"}],
        },
    )
    if not told:
        bodies = [
            msgspec.structs.replace(
                body, payload=msgspec.structs.replace(body.payload, unload_m3_s=None)
            )
            for body in rig.bodies
        ]
        rig = msgspec.structs.replace(rig, bodies=tuple(bodies))
    machines = {
        "c": machine("c", **{"class": "combine_large"}),
        "t": rig,
        "k": machine("k", **{"class": "truck"}),
    }
    fixes, passes = tables(combine, cart, truck)
    carried = carry(fixes, passes, machines)
    assert carried.ledger["t"]["received"] == pytest.approx(8000, rel=0.01)
    assert carried.ledger["t"]["handed"] == pytest.approx(8000, rel=0.01)
    assert carried.ledger["k"]["received"] == carried.ledger["t"]["handed"]


@pytest.mark.parametrize("closing", [0.2, 0.3, 0.39])
def test_coming_closer_is_no_handing_over(log, tables, machine, closing):
    """The gate is 8 m long and open below 0.4 m/s: slow coming opens it early."""
    t = np.arange(0, 600.0)
    begin, end = 300.0, 400.0
    north = 2.0 * t
    coming = np.minimum(closing * np.maximum(begin - t, 0.0), 60.0)
    leaving = closing * np.maximum(t - end, 0.0)
    combine = log("c", 0, t, 0.0, north, "working", mass_flow=20.0)
    truck = log("k", 1, t, -6.0, north + HOPPER - coming + leaving, "hauling")
    fixes, _ = tables(combine, truck)
    machines = {
        "c": machine("c", **{"class": "combine_large"}),
        "k": machine("k", **{"class": "truck"}),
    }
    accounts = build_accounts(
        fixes,
        machines=machines,
        density=720.0,
        yield_cut=None,
        moisture_std=None,
        liquid=LIQUID.empty(),
        settings=SETTINGS,
    )
    tracks = Tracks(accounts, SETTINGS)
    found, _ = find_transfers(accounts, tracks, settings=SETTINGS)
    assert len(found) == 1
    # Speeds over 5 s know a change of speed to half of that, fixes to a second.
    assert found[0].start == pytest.approx(_epoch(begin), abs=4.0)
    assert found[0].end == pytest.approx(_epoch(end), abs=4.0)


def _epoch(seconds):
    """Return seconds of the invented logs as seconds since 1970."""
    return 1790856000.0 + seconds
