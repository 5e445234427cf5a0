"""Payload: known fills recovered, every gram accounted for."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from trafficmap.core.settings.loads import LoadSettings
from trafficmap.core.tables import LIQUID
from trafficmap.field.model import Crop
from trafficmap.loads import payload

SETTINGS = LoadSettings()


def carry(fixes, passes, machines, *, crop=None, liquid=None):
    return payload(
        fixes,
        passes,
        machines=machines,
        crop=Crop(now="corn") if crop is None else crop,
        liquid=LIQUID.empty() if liquid is None else liquid,
        settings=SETTINGS,
    )


def closes(carried, fixes):
    """Every account balances, and its stock is what the table says."""
    for name, m in carried.ledger.items():
        out = m["handed"] + m["emptied"] + m["spread"] + m["unexplained"]
        scale = max(m["filled"] + m["received"], 1.0)
        assert abs(m["filled"] + m["received"] - out - m["stock"]) < 1e-9 * scale
        rows = (fixes["machine_id"] == name).to_numpy()
        mine = carried.table["payload"].to_numpy()[rows]
        assert m["stock"] == pytest.approx(mine[-1] - mine[0], abs=1e-6)
    handed = sum(m["handed"] for m in carried.ledger.values())
    received = sum(m["received"] for m in carried.ledger.values())
    assert handed == pytest.approx(received, rel=1e-12)
    return True


def ordered(table):
    return bool(
        (
            (table["payload_low"] <= table["payload"] + 1e-9)
            & (table["payload"] <= table["payload_high"] + 1e-9)
        ).all()
    )


def test_logged_tank_mass_is_taken_as_it_is(log, tables, machine):
    m = machine("c", **{"class": "combine_large"})
    t = np.arange(0, 100.0)
    fixes, passes = tables(log("c", 0, t, 0.0, 2 * t, "working", tank_mass=50 * t))
    carried, notes = carry(fixes, passes, {"c": m})
    np.testing.assert_allclose(carried.table["payload"], 50 * t)
    assert set(carried.table["source"]) == {"signal"}
    assert carried.ledger["c"]["filled"] == pytest.approx(4950)
    assert closes(carried, fixes)
    assert ordered(carried.table)
    assert notes == []


def test_logged_mass_over_the_capacity_is_said(log, tables, machine):
    m = machine("c", **{"class": "combine_large"})
    t = np.arange(0, 100.0)
    fixes, passes = tables(log("c", 0, t, 0.0, 2 * t, "working", tank_mass=200 * t))
    carried, notes = carry(fixes, passes, {"c": m})
    assert carried.table["payload"].max() == pytest.approx(19800)
    assert [note.code for note in notes] == ["loads.over_full"]


def test_flow_fills_the_tank_and_a_stop_empties_it(log, tables, machine):
    # 20 kg/s for 400 s = 8 t, then 100 s standing, then 100 s more.
    m = machine("c", **{"class": "combine_large"})
    t = np.arange(0, 600.0)
    going = (t < 400) | (t >= 500)
    state = np.where(going, "working", "loading")
    flow = np.where(going, 20.0, 0.0)
    north = np.cumsum(np.where(going, 2.0, 0.0))
    fixes, passes = tables(log("c", 0, t, 0.0, north, state, mass_flow=flow))
    carried, _ = carry(fixes, passes, {"c": m})
    best = carried.table["payload"].to_numpy()
    assert best[399] == pytest.approx(20 * 399)
    assert best[499] == pytest.approx(0, abs=10)
    assert best[-1] == pytest.approx(20 * 99.5, abs=20)
    assert closes(carried, fixes)
    assert ordered(carried.table)
    # 400 m3/s would be needed to be in doubt: half way up all scenarios agree.
    low, high = carried.table["payload_low"][200], carried.table["payload_high"][200]
    assert high - low == pytest.approx(2 * 0.10 * m.capacity(carried.density), rel=1e-6)


def test_full_tank_without_a_stop_is_emptied_on_the_go(log, tables, machine):
    m = machine("c", **{"class": "combine_large"})
    t = np.arange(0, 1500.0)
    fixes, passes = tables(log("c", 0, t, 0.0, 2 * t, "working", mass_flow=20.0))
    carried, notes = carry(fixes, passes, {"c": m})
    capacity = m.capacity(carried.density)
    # It is noticed at the next fix, 20 kg later.
    assert capacity <= carried.table["payload"].max() <= capacity + 20
    assert carried.table["payload_high"].max() == pytest.approx(
        1.05 * capacity, rel=0.01
    )
    # 29 980 kg into a 10 164 kg tank: two emptyings.
    assert [n.count for n in notes if n.code == "loads.unloading_unseen"] == [2]
    assert closes(carried, fixes)
    assert ordered(carried.table)


def test_yield_and_width_stand_in_for_a_missing_flow(log, tables, machine):
    # 1.2 kg/m2 x 9 m x 2 m/s = 21.6 kg/s.
    m = machine("c", **{"class": "combine_large"})
    t = np.arange(0, 200.0)
    fixes, passes = tables(log("c", 0, t, 0.0, 2 * t, "working", width=9.0))
    crop = Crop(now="corn", yield_expected=1.2)
    carried, _ = carry(fixes, passes, {"c": m}, crop=crop)
    np.testing.assert_allclose(carried.table["payload"], 21.6 * t)
    assert set(carried.table["source"]) == {"inferred"}


def test_nothing_known_is_half_full_and_said(log, tables, machine):
    m = machine(
        "t",
        **{
            "class": "tractor_articulated",
            "trails": [{"class": "grain_cart_single"}],
        },
    )
    t = np.arange(0, 50.0)
    fixes, passes = tables(log("t", 0, t, 0.0, 2 * t, "hauling"))
    carried, notes = carry(fixes, passes, {"t": m})
    row = carried.table.iloc[7]
    full = m.capacity(carried.density)
    assert (row.payload_low, row.payload, row.payload_high) == (0.0, full / 2, full)
    assert row.source == "assumed"
    assert [note.code for note in notes] == ["loads.payload_assumed"]


def test_a_tractor_alone_carries_nothing(log, tables, machine):
    m = machine("t", **{"class": "tillage_tractor"})
    t = np.arange(0, 50.0)
    fixes, passes = tables(log("t", 0, t, 0.0, 2 * t, "working"))
    carried, notes = carry(fixes, passes, {"t": m})
    assert (carried.table["payload_high"] == 0).all()
    assert set(carried.table["source"]) == {"none"}
    assert notes == []
    assert carried.ledger == {}


def liquid_of(name, rate_m3_ha, width):
    return pd.DataFrame(
        {
            "machine_id": [name],
            "rate": [rate_m3_ha * 1e-4],
            "dry_matter": [0.04],
            "depth": [0.0],
            "width": [width],
        }
    )


def tanker(machine):
    return machine(
        "s",
        **{
            "class": "tractor_front_assist",
            "trails": [{"class": "tanker_tandem"}],
        },
    )


def test_tanker_empties_by_rate_width_and_distance(log, tables, machine):
    # 19 m3; 40 m3/ha on 9 m: 36 L a metre, at 2 m/s 72 L/s; 200 s spread 14.4 m3,
    # then a stop of 120 s fills it again.
    m = tanker(machine)
    t = np.arange(0, 500.0)
    going = (t < 200) | (t >= 330)
    state = np.where(going, "working", "loading")
    north = np.cumsum(np.where(going, 2.0, 0.0))
    fixes, passes = tables(log("s", 0, t, 0.0, north, state))
    carried, notes = carry(fixes, passes, {"s": m}, liquid=liquid_of("s", 40.0, 9.0))
    best = carried.table["payload"].to_numpy()
    full = m.capacity(carried.density)
    assert best[0] == pytest.approx(full)
    assert best[199] == pytest.approx(full - 199 * 2 * 9 * 40e-4 * 1007)
    assert best[329] == pytest.approx(full)
    assert closes(carried, fixes)
    assert notes == []


def test_tanker_that_spread_more_than_it_held_is_said(log, tables, machine):
    m = tanker(machine)
    t = np.arange(0, 600.0)
    fixes, passes = tables(log("s", 0, t, 0.0, 2 * t, "working"))
    carried, notes = carry(fixes, passes, {"s": m}, liquid=liquid_of("s", 40.0, 9.0))
    # 598 x 2 m x 9 m x 4 mm = 43 m3 out of 19.
    missing = 599 * 2 * 9 * 40e-4 * 1007 - m.capacity(carried.density)
    assert carried.ledger["s"]["unexplained"] == pytest.approx(-missing)
    assert closes(carried, fixes)
    assert [note.code for note in notes] == ["loads.mass_unexplained"]
    assert (carried.table["payload"] >= 0).all()
    assert set(carried.table["source"]) == {"assumed"}


def harvest(log, tables, machine, *, trusted=True):
    """Return a combine and a cart: three transfers on the go, one emptying.

    The combine cuts 20 kg/s at 2 m/s going north. Every 400 s the cart comes
    alongside, its hopper 8 m to the left and level, stays as long as 0.12 m3/s of corn
    need for what is on board and what comes in meanwhile, and drops back. After the
    second transfer it stands 90 s at the place of unloading.
    """
    machines = {
        "c": machine("c", **{"class": "combine_large"}),
        "t": machine(
            "t",
            **{
                "class": "tractor_front_assist",
                "trails": [{"class": "grain_cart_single"}],
            },
        ),
    }
    t = np.arange(0, 1400.0)
    north = 2.0 * t
    windows = [(400.0, 524.0), (800.0, 886.0), (1200.0, 1298.0)]
    # Hopper behind the tractor's antenna: antenna 1 m ahead of the axle, hitch 1.2 m
    # behind, tongue 5.2 m, hopper 0.2 m ahead of the cart's axle.
    ahead = 1.0 + 1.2 + 5.2 - 0.2
    back = np.full(t.size, 60.0)
    for a, b in windows:
        inside = (t >= a) & (t <= b)
        back[inside] = 0.0
        near = (t > a - 20) & (t < a)
        back[near] = 3.0 * (a - t[near])
        away = (t > b) & (t < b + 20)
        back[away] = 3.0 * (t[away] - b)
    combine = log("c", 0, t, 0.0, north, "working", mass_flow=20.0)
    cart_north = north - 1.2 + ahead - back
    stand = (t >= 950) & (t < 1040)
    cart_north[stand] = cart_north[949]
    resume = (t >= 1040) & (t < 1150)
    cart_north[resume] = np.interp(
        t[resume], [1040, 1150], [cart_north[949], cart_north[1150]]
    )
    state = np.where(stand, "loading", "hauling")
    cart = log("t", 1, t, -8.0, cart_north, state)
    if not trusted:
        cart["time"] = cart["time"].where(cart["seconds"] < 0)
    return *tables(combine, cart), machines, windows


def test_cart_beside_combine_takes_what_the_tank_held(log, tables, machine):
    fixes, passes, machines, windows = harvest(log, tables, machine)
    carried, notes = carry(fixes, passes, machines)
    combine = carried.table["payload"].to_numpy()[:1400]
    cart = carried.table["payload"].to_numpy()[1400:]
    for a, b in windows:
        assert combine[int(a) - 10] > 5300
        # The tank is empty at the end, but for what was cut since: 20 kg/s.
        assert combine[int(b) + 3] < 20 * 10
    # Two tanks by the end of the second transfer, none after the stop: all that was
    # cut by 524 s and by 886 s. The gate opens and shuts a few seconds off: 3 %.
    assert cart[600] == pytest.approx(20 * 524, rel=0.03)
    assert cart[940] == pytest.approx(20 * 886, rel=0.03)
    assert cart[1045] == pytest.approx(0, abs=1)
    assert cart[-1] == pytest.approx(20 * (1298 - 886), rel=0.03)
    assert carried.ledger["c"]["handed"] == carried.ledger["t"]["received"]
    assert carried.ledger["t"]["emptied"] > 15000
    assert closes(carried, fixes)
    assert ordered(carried.table)
    assert set(carried.table["source"]) == {"inferred"}
    assert "loads.payload_assumed" not in {note.code for note in notes}


def test_wrong_side_of_the_auger_is_no_transfer(log, tables, machine):
    fixes, passes, machines, _ = harvest(log, tables, machine)
    other = fixes.assign(
        easting=np.where(fixes["machine_id"] == "t", 8.0, fixes["easting"])
    )
    carried, _ = carry(other, passes, machines)
    assert carried.ledger["c"]["handed"] == 0.0


def test_untrusted_clock_means_no_pairing(log, tables, machine):
    fixes, passes, machines, _ = harvest(log, tables, machine, trusted=False)
    carried, notes = carry(fixes, passes, machines)
    assert carried.ledger["c"]["handed"] == 0.0
    assert "loads.payload_assumed" in {note.code for note in notes}
    assert closes(carried, fixes)


def test_missed_transfer_is_said_and_its_load_declared_unknown(log, tables, machine):
    fixes, passes, machines, _ = harvest(log, tables, machine)
    # The cart's log lacks the second transfer.
    hole = (fixes["machine_id"] == "t") & fixes["seconds"].between(780, 910)
    rest = fixes[~hole].reset_index(drop=True)
    carried, notes = carry(rest, passes, machines)
    assert closes(carried, rest)
    (missing,) = [n for n in notes if n.code == "loads.transfer_missing"]
    # The log starts at noon UTC; the hole is from 780 to 910 s, 12:13 to 12:15.
    assert "c: an unloading is missing on Oct 1 between 12:12 and 12:15 UTC" in (
        missing.sentence
    )
    combine = carried.table[rest["machine_id"] == "c"]
    assert (combine["source"].iloc[781:909] == "assumed").all()
    assert (combine["source"].iloc[540:770] == "inferred").all()
    # It is put into the hole of the cart's log, and the cart has it afterwards.
    assert combine["payload"].iloc[1000] < 20 * 250
    cart = carried.table[rest["machine_id"] == "t"]
    assert cart["payload"].max() > 15000
    assert carried.ledger["c"]["emptied"] == 0.0


def test_unknown_crop_is_said_once(log, tables, machine):
    m = machine("c", **{"class": "combine_large"})
    t = np.arange(0, 50.0)
    fixes, passes = tables(log("c", 0, t, 0.0, 2 * t, "working", mass_flow=1.0))
    carried, notes = carry(fixes, passes, {"c": m}, crop=Crop())
    assert [n.code for n in notes] == ["loads.density_assumed"]
    assert carried.density == pytest.approx(772.3, abs=0.1)


def test_flow_lag_puts_grain_on_board_from_cutting_on(log, tables, machine):
    m = machine("c", **{"class": "combine_large"})
    t = np.arange(0, 100.0)
    flow = np.where(t < 10, 0.0, 20.0)
    fixes, passes = tables(log("c", 0, t, 0.0, 2 * t, "working", mass_flow=flow))
    lagged, _ = payload(
        fixes,
        passes,
        machines={"c": m},
        crop=Crop(now="corn"),
        liquid=LIQUID.empty(),
        settings=LoadSettings(flow_lag=10.0),
    )
    assert lagged.table["payload"][50] == pytest.approx(20 * 50, abs=25)


def test_mirrored_and_turned_tracks_carry_the_same(log, tables, machine):
    fixes, passes, machines, _ = harvest(log, tables, machine)
    plain, _ = carry(fixes, passes, machines)
    angle = 0.7
    turned = fixes.assign(
        easting=fixes["easting"] * np.cos(angle) + fixes["northing"] * np.sin(angle),
        northing=fixes["northing"] * np.cos(angle) - fixes["easting"] * np.sin(angle),
    )
    again, _ = carry(turned, passes, machines)
    np.testing.assert_allclose(
        again.table["payload"], plain.table["payload"], atol=1e-3
    )


def test_cart_that_only_waits_keeps_its_load(log, tables, machine):
    # One short stop after the first transfer, with room for the next: no unloading.
    fixes, passes, machines, _ = harvest(log, tables, machine)
    cart = (fixes["machine_id"] == "t").to_numpy()
    state = fixes["state"].to_numpy(copy=True)
    seconds = fixes["seconds"].to_numpy()
    state[cart] = "hauling"
    state[cart & (seconds >= 600) & (seconds < 660)] = "loading"
    carried, _ = carry(fixes.assign(state=state), passes, machines)
    best = carried.table["payload"].to_numpy()[cart]
    assert best[700] == pytest.approx(20 * 524, rel=0.03)


def test_truck_empties_off_the_field(log, tables, machine):
    # A cart hands over, then the truck drives away on the road and comes back.
    machines = {
        "c": machine("c", **{"class": "combine_large"}),
        "k": machine("k", **{"class": "truck"}),
    }
    t = np.arange(0, 900.0)
    stand = (t >= 300) & (t < 500)
    north = np.cumsum(np.where(stand, 0.0, 2.0))
    flow = np.where(stand, 0.0, 20.0)
    combine = log(
        "c", 0, t, 0.0, north, np.where(stand, "idle", "working"), mass_flow=flow
    )
    # The hopper of the trailer lies 9.0 m behind the antenna of the truck.
    k_north = np.where(
        t < 520, north[300] + 9.0 - np.maximum(300 - t, 0) * 3, north[300] + 9.0
    )
    k_north = np.where(t >= 520, k_north + 10.0 * (t - 520), k_north)
    words = np.where(t < 300, "hauling", np.where(t < 520, "loading", "road"))
    fixes, passes = tables(combine, log("k", 1, t, -6.0, k_north, words))
    carried, _ = carry(fixes, passes, machines)
    truck = carried.table["payload"].to_numpy()[900:]
    assert carried.ledger["c"]["handed"] == pytest.approx(20 * 300, rel=0.02)
    assert truck[510] == pytest.approx(20 * 300, rel=0.02)
    assert truck[-1] == pytest.approx(0, abs=1)
    assert closes(carried, fixes)


def test_tanker_pausing_in_the_field_is_not_refilled(log, tables, machine):
    # A 90 s pause with more than enough on board for what follows.
    m = tanker(machine)
    t = np.arange(0, 300.0)
    going = (t < 100) | (t >= 190)
    state = np.where(going, "working", "idle")
    north = np.cumsum(np.where(going, 2.0, 0.0))
    fixes, passes = tables(log("s", 0, t, 0.0, north, state))
    carried, _ = carry(fixes, passes, {"s": m}, liquid=liquid_of("s", 40.0, 9.0))
    assert carried.ledger["s"]["filled"] == 0.0
    # That it may have been filled is kept as the high side.
    full = m.capacity(carried.density)
    assert carried.table["payload_high"].to_numpy()[200] > 0.95 * full
    assert ordered(carried.table)
