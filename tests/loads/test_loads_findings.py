"""What cannot be explained is said: each way tracks mislead, with its words."""

from __future__ import annotations

import numpy as np
import pytest

from trafficmap.core.settings.loads import LoadSettings
from trafficmap.core.tables import LIQUID
from trafficmap.field.model import Crop
from trafficmap.loads import payload, wheel_paths

SETTINGS = LoadSettings()
AHEAD = 1.0 + 1.2 + 5.2 - 0.2
"""Antenna of the tractor ahead of the hopper of its cart [m]."""

WINDOWS = ((400.0, 524.0), (800.0, 886.0), (1200.0, 1298.0))
"""Stays beside as long as 0.12 m3/s of corn need, 20 kg/s coming in meanwhile [s]."""


def carry(fixes, passes, machines, **more):
    carried, notes = payload(
        fixes,
        passes,
        machines=machines,
        crop=Crop(now="corn"),
        liquid=LIQUID.empty(),
        settings=SETTINGS,
        **more,
    )
    for masses in carried.ledger.values():
        gone = masses["handed"] + masses["emptied"] + masses["spread"]
        came = masses["filled"] + masses["received"]
        assert came - gone - masses["stock"] == pytest.approx(
            masses["unexplained"], rel=1e-9, abs=1e-6
        )
    handed = sum(m["handed"] for m in carried.ledger.values())
    received = sum(m["received"] for m in carried.ledger.values())
    assert handed == pytest.approx(received, rel=1e-12)
    table = carried.table
    assert (table["payload_low"] <= table["payload"] + 1e-9).all()
    assert (table["payload"] <= table["payload_high"] + 1e-9).all()
    return carried, notes


def said(notes, code):
    return [note.sentence for note in notes if note.code == code]


def behind(t, windows, back=60.0):
    """Return how far a taker hangs back, 0 in its windows, coming at 3 m/s."""
    away = np.full(t.size, np.inf)
    for a, b in windows:
        away = np.minimum(away, 3.0 * np.maximum(np.maximum(a - t, t - b), 0.0))
    return np.minimum(away, back)


@pytest.fixture
def rigs(machine):
    """Return machines by a short word: c combine, t cart, k truck."""
    made = {
        "c": {"class": "combine_large"},
        "t": {
            "class": "tractor_front_assist",
            "trails": [{"class": "grain_cart_single"}],
        },
        "k": {"class": "truck"},
    }
    return lambda *names: {name: machine(name, **made[name[0]]) for name in names}


def cart(log, name, number, t, north, windows, *, right=-8.0, words="hauling"):
    place = north - 1.2 + AHEAD - behind(t, windows)
    return log(name, number, t, right, place, words)


def test_a_cart_on_the_side_without_an_auger(log, tables, rigs):
    t = np.arange(0, 1400.0)
    north = 2.0 * t
    combine = log("c", 0, t, 0.0, north, "working", mass_flow=20.0)
    other = cart(log, "t", 1, t, north, WINDOWS, right=8.0)
    _, notes = carry(*tables(combine, other), rigs("c", "t"))
    (sentence,) = said(notes, "loads.auger_side")
    assert sentence.startswith("t: kept 299 s")
    assert "on the right of c, but its auger is said to be on the left" in sentence
    assert 'write unload_side = "right"' in sentence


def test_receivers_on_two_frames(log, tables, rigs):
    t = np.arange(0, 1400.0)
    north = 2.0 * t
    combine = log("c", 0, t, 0.0, north, "working", mass_flow=20.0)
    near = cart(log, "t", 1, t, north, WINDOWS, right=-5.0)
    _, notes = carry(*tables(combine, near), rigs("c", "t"))
    (sentence,) = said(notes, "loads.receivers_apart")
    assert "t: kept 3.0 m nearer than the auger of c reaches" in sentence
    _, notes = carry(
        *tables(combine, cart(log, "t", 1, t, north, WINDOWS)), rigs("c", "t")
    )
    assert said(notes, "loads.receivers_apart") == []


def test_two_combines_and_one_cart_between_them(log, tables, rigs):
    """The cart is beside both; the one that had filled its tank gave."""
    t = np.arange(0, 1400.0)
    north = 2.0 * t
    one = log("c", 0, t, 0.0, north, "working", mass_flow=20.0)
    two = log("c2", 1, t, 1.0, north, "working", mass_flow=4.0)
    taker = cart(log, "t", 2, t, north, WINDOWS)
    carried, notes = carry(*tables(one, two, taker), rigs("c", "c2", "t"))
    (sentence,) = said(notes, "loads.two_givers")
    assert "t: was beside c and c2 at once 3 times" in sentence
    assert carried.ledger["c"]["handed"] > 20000
    assert carried.ledger["c2"]["handed"] == 0.0


def test_two_carts_beside_one_combine(log, tables, rigs):
    """The second waits 12 m out; the spout reaches 8 m."""
    t = np.arange(0, 1400.0)
    north = 2.0 * t
    combine = log("c", 0, t, 0.0, north, "working", mass_flow=20.0)
    near = cart(log, "t", 1, t, north, WINDOWS)
    far = cart(log, "t2", 2, t, north, WINDOWS, right=-12.0)
    carried, notes = carry(*tables(combine, near, far), rigs("c", "t", "t2"))
    (sentence,) = said(notes, "loads.two_takers")
    assert "c: had t and t2 beside it at once 3 times" in sentence
    assert carried.ledger["t"]["received"] > 20000
    assert carried.ledger.get("t2", {}).get("received", 0.0) == 0.0


def test_a_truck_loaded_by_the_combine_itself(log, tables, rigs):
    t = np.arange(0, 1400.0)
    north = 2.0 * t
    combine = log("c", 0, t, 0.0, north, "working", mass_flow=20.0)
    # Its hopper lies 9.0 m behind its antenna.
    place = north + 9.0 - behind(t, WINDOWS[:2])
    truck = log("k", 1, t, -7.0, place, "hauling")
    _, notes = carry(*tables(combine, truck), rigs("c", "k"))
    (sentence,) = said(notes, "loads.truck_in_field")
    assert "k: was loaded by c itself twice" in sentence


def test_a_break_side_by_side_is_no_unloading(log, tables, rigs):
    """Both stand for 20 minutes with 4 t in the tank, and go on."""
    t = np.arange(0, 2000.0)
    stands = (t >= 200) & (t < 1400)
    north = np.cumsum(np.where(stands, 0.0, 2.0))
    words = np.where(stands, "idle", "working")
    combine = log("c", 0, t, 0.0, north, words, mass_flow=np.where(stands, 0.0, 20.0))
    place = north - 1.2 + AHEAD - behind(t, [(200.0, 1400.0)], back=80.0)
    taker = log("t", 1, t, -8.0, place, np.where(stands, "loading", "hauling"))
    carried, notes = carry(*tables(combine, taker), rigs("c", "t"))
    (sentence,) = said(notes, "loads.long_break")
    assert "t: stood beside c once for more than 10 minutes" in sentence
    assert carried.ledger["c"]["handed"] == 0.0


def test_a_curve_does_not_end_an_unloading(log, tables, rigs):
    """Round a bend of 40 m the outer cart drives faster and points elsewhere."""
    t = np.arange(0, 700.0)
    radius, lead = 40.0, 400.0
    way = 2.0 * t
    angle = np.clip((way - lead) / radius, 0.0, np.pi / 2)
    rest = np.maximum(way - lead - radius * np.pi / 2, 0.0)
    straight = np.minimum(way, lead)

    def ring(r):
        return (
            radius - r * np.cos(angle) + rest,
            straight + r * np.sin(angle),
        )

    east, north = ring(radius)
    combine = log("c", 0, t, east, north, "working", mass_flow=20.0)
    # The cart keeps 8 m to the left, outside; its antenna is 7.2 m further on the ring.
    ahead = 7.2 - behind(t, [(150.0, 330.0)], back=80.0)
    outer = radius + 8.0
    way = 2.0 * t + ahead
    angle = np.clip((way - lead) / outer, 0.0, np.pi / 2)
    turned = np.interp(2.0 * t, [lead, lead + radius * np.pi / 2], [0.0, np.pi / 2])
    angle = np.clip(turned + ahead / outer * (turned > 0), 0.0, np.pi / 2)
    rest = np.maximum(2.0 * t - lead - radius * np.pi / 2, 0.0)
    straight = np.minimum(2.0 * t, lead) + np.where(turned > 0, 0.0, ahead)
    east, north = (
        radius - outer * np.cos(angle) + rest,
        straight + outer * np.sin(angle),
    )
    taker = log("t", 1, t, east, north, "hauling")
    machines = rigs("c", "t")
    carried, _ = carry(*tables(combine, taker), machines)
    assert carried.ledger["c"]["handed"] > 5000


def test_grain_left_in_the_cart_over_night(log, tables, rigs):
    """8 t on board in the evening: counted as emptied, unknown in the morning."""
    t = np.concatenate([np.arange(0, 700.0), np.arange(50000.0, 50700.0)])
    north = 2.0 * (t % 50000.0)
    combine = log("c", 0, t, 0.0, north, "working", mass_flow=20.0)
    windows = [(400.0, 524.0), (50400.0, 50524.0)]
    place = north - 1.2 + AHEAD - behind(t, windows)
    taker = log("t", 1, t, -8.0, place, "hauling")
    carried, notes = carry(*tables(combine, taker), rigs("c", "t"))
    (sentence,) = said(notes, "loads.overnight")
    assert sentence.startswith("t: had 10.")
    assert "when its log ends on Oct 1 at 12:11 UTC" in sentence
    table = carried.table.iloc[t.size :]
    morning = table.iloc[700:1300]
    assert (morning["source"] == "assumed").all()
    assert (morning["payload_low"] == 0.0).all()
    # The combine's own tank went home with what it cut after the last unloading.
    home = said(notes, "loads.taken_home")
    assert home[0].startswith("c: had 3.5 t in its tank when its log ends on Oct 1")


def test_a_day_without_the_cart_is_named(log, tables, rigs):
    t = np.concatenate([np.arange(0, 1400.0), np.arange(90000.0, 91400.0)])
    north = 2.0 * (t % 90000.0)
    combine = log("c", 0, t, 0.0, north, "working", mass_flow=20.0)
    first = t < 50000
    taker = cart(log, "t", 1, t[first], north[first], WINDOWS)
    carried, notes = carry(
        *tables(combine, taker), rigs("c", "t"), time_zone="America/Chicago"
    )
    (sentence,) = said(notes, "loads.day_alone")
    assert "c: no cart or truck was seen to take from it on Oct 2" in sentence
    # Low and high: emptied at 60 %, or only where it would overflow.
    second = carried.table.iloc[1400:2800]
    full = rigs("c")["c"].capacity(carried.density)
    wide = (second["payload_high"] - second["payload_low"]).to_numpy()
    assert wide.max() > 0.6 * full


def test_many_missing_unloadings_are_one_note(log, tables, rigs):
    """Six tanks are cut with one visit at the beginning."""
    t = np.arange(0, 3600.0)
    north = 2.0 * t
    combine = log("c", 0, t, 0.0, north, "working", mass_flow=20.0)
    taker = cart(log, "t", 1, t, north, [(200.0, 262.0)])
    carried, notes = carry(*tables(combine, taker), rigs("c", "t"))
    (sentence,) = said(notes, "loads.transfer_missing")
    assert sentence.startswith("c: 6 unloadings are missing, as on Oct 1 between")
    assert carried.ledger["c"]["emptied"] > 50000
    assert carried.ledger["t"]["received"] < 6000


def test_a_cart_that_is_given_more_than_it_holds(log, tables, rigs, machine):
    t = np.arange(0, 700.0)
    north = 2.0 * t
    combine = log("c", 0, t, 0.0, north, "working", mass_flow=20.0)
    taker = cart(log, "t", 1, t, north, WINDOWS[:1])
    machines = rigs("c", "t")
    machines["t"] = machine(
        "t",
        **{
            "class": "tractor_front_assist",
            "trails": [
                {"class": "grain_cart_single", "payload": {"capacity_kg": 5000.0}}
            ],
        },
    )
    carried, notes = carry(*tables(combine, taker), machines)
    (sentence,) = said(notes, "loads.given_too_much")
    assert "t: was given 5.2 t more than it can hold" in sentence
    assert carried.table["payload"].iloc[700:].max() <= 1.05 * 5000 + 1


def test_a_tank_that_is_always_more_than_full(log, tables, rigs):
    """525 s x 20 kg/s = 10.5 t in a tank of 10.2, before each of six unloadings."""
    t = np.arange(0, 4200.0)
    north = 2.0 * t
    windows = [(a, a + 160.0) for a in 525.0 + 685.0 * np.arange(6)]
    combine = log("c", 0, t, 0.0, north, "working", mass_flow=20.0)
    taker = cart(log, "t", 1, t, north, windows)
    _, notes = carry(*tables(combine, taker), rigs("c", "t"))
    (sentence,) = said(notes, "loads.brimful")
    assert "c: its tank was more than level full before" in sentence
    assert "of 6 unloadings" in sentence


def test_what_was_cut_off_the_field_is_told(log, tables, rigs):
    t = np.arange(0, 1000.0)
    words = np.where(t < 700, "working", "road")
    frame = log("c", 0, t, 0.0, 2.0 * t, words, mass_flow=20.0)
    _, notes = carry(*tables(frame), rigs("c"))
    (sentence,) = said(notes, "loads.cut_elsewhere")
    assert "c: 30% of its mass flow was logged off this field" in sentence


def test_unloadings_that_fit_only_at_an_odd_rate(log, tables, rigs):
    """Half of what the time beside would move: the log says too little."""
    t = np.arange(0, 3000.0)
    north = 2.0 * t
    windows = [(a, a + 120.0) for a in np.arange(300.0, 2900.0, 350.0)]
    combine = log("c", 0, t, 0.0, north, "working", mass_flow=12.0)
    taker = cart(log, "t", 1, t, north, windows)
    _, notes = carry(*tables(combine, taker), rigs("c", "t"))
    (sentence,) = said(notes, "loads.unload_rate")
    assert "Its yield log says too little, or carts wait long beside it" in sentence


def test_a_load_nobody_knows_reaches_the_wheels_as_an_interval(log, tables, rigs):
    """0 to full, on every wheel event, and no narrower."""
    t = np.arange(0, 100.0)
    fixes, passes = tables(log("t", 0, t, 0.0, 2.0 * t, "hauling"))
    machines = rigs("t")
    carried, _ = carry(fixes, passes, machines)
    paths, _ = wheel_paths(
        fixes, passes, machines=machines, payload=carried, settings=SETTINGS
    )
    state, full = paths.states, machines["t"].capacity(carried.density)
    used = np.unique(paths.state)
    assert set(state.source[used]) == {"assumed"}
    np.testing.assert_allclose(state.payload_low[used], 0.0)
    assert (state.payload_high[used] >= full - 1e-6).all()
    rear = paths.wheels["body"] == paths.wheels["body"].iloc[-1]
    slots = paths.wheels["slot"][rear].to_numpy()
    low, high = state.load_low[used][:, slots], state.load_high[used][:, slots]
    # Nine tenths of 23 t on two wheels: about 100 kN each between empty and full.
    assert (high - low > 80e3).all()
