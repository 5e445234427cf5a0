"""Laws the loads keep whatever the machine, the payload or the way driven."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trafficmap.core.constants import GRAVITY
from trafficmap.core.settings.loads import LoadSettings
from trafficmap.core.tables import LIQUID, PASSES, SPLIT_FIXES
from trafficmap.field.model import Crop
from trafficmap.loads import payload
from trafficmap.loads._arm import turn_towards
from trafficmap.loads.trail import rig_path
from trafficmap.machines import class_names, read_machine
from trafficmap.machines.axles import axle_transfer, rig_wheel_loads
from trafficmap.machines.wheels import rig_mass, wheel_spots

CHOICES = LoadSettings()
RIGS = {
    name: read_machine({"class": name, "correction": "rtk"}, name=name, folder=Path())[
        0
    ]
    for name in class_names()
}
RIGS["train"] = read_machine(
    {
        "class": "tractor_articulated",
        "trails": [{"class": "grain_cart_tandem"}],
    },
    name="train",
    folder=Path(),
)[0]


@given(
    name=st.sampled_from(sorted(RIGS)),
    share=st.floats(0, 1.1),
    factor=st.floats(0.7, 1.3),
    state=st.sampled_from(["working", "turning", "hauling", "loading", "road"]),
)
def test_wheel_loads_add_up(name, share, factor, state):
    rig = RIGS[name]
    carried = np.array([share * rig.capacity(720.0)])
    loads = rig_wheel_loads(
        rig, carried, density=720.0, state=state, mass_factor=factor
    )
    mass = carried + factor * rig_mass(rig, 0.0, state=state)
    assert loads.sum(axis=1) == pytest.approx(mass * GRAVITY, rel=1e-9)
    assert (loads >= 0).all()


@given(
    name=st.sampled_from(sorted(RIGS)),
    share=st.floats(0, 1),
    pitch=st.floats(-0.3, 0.3),
    roll=st.floats(-0.3, 0.3),
    rolling=st.floats(0, 0.2),
    bound=st.sampled_from([-1.0, 0.0, 1.0]),
)
def test_slopes_and_pulls_only_move_load_between_wheels(
    name, share, pitch, roll, rolling, bound
):
    rig = RIGS[name]
    carried = np.array([share * rig.capacity(720.0)])
    more = {
        "density": 720.0,
        "pitch": pitch,
        "rolling_resistance": rolling,
        "pull_bound": bound,
    }
    loads = rig_wheel_loads(rig, carried, roll=roll, **more)
    across = np.cos(np.arctan(pitch)) * np.cos(np.arctan(roll))
    mass = carried + rig_mass(rig, 0.0)
    assert loads.sum(axis=1) == pytest.approx(mass * GRAVITY * across, rel=1e-9)
    assert (loads >= 0).all()
    # Leaning the other way loads the other side the same.
    mirrored = rig_wheel_loads(rig, carried, roll=-roll, **more)
    spots = wheel_spots(rig)
    for k, spot in enumerate(spots):
        other = next(
            j
            for j, s in enumerate(spots)
            if (s.body, s.axle.name, s.contact)
            == (spot.body, spot.axle.name, spot.contact)
            and s.right == -spot.right
        )
        assert mirrored[0, other] == pytest.approx(loads[0, k], rel=1e-6, abs=1e-6)


@given(
    psi=st.floats(-3.0, 3.0),
    course=st.floats(-3.0, 3.0),
    step=st.floats(0.01, 2.0),
    arm=st.floats(0.5, 12.0),
)
def test_a_push_undoes_a_pull(psi, course, step, arm):
    de, dn = step * np.sin(course), step * np.cos(course)
    pulled = turn_towards(psi, de, dn, arm)
    back = turn_towards(pulled, de, dn, -arm)
    # Near 180 degrees an arm is balanced, and the way back is as unsure as the start.
    if abs(np.angle(np.exp(1j * (course - psi)))) < 3.0:
        assert np.angle(np.exp(1j * (back - psi))) == pytest.approx(0.0, abs=1e-6)


@given(
    st.floats(0, 1e5),
    st.floats(0, 2),
    st.floats(1, 6),
    st.floats(0, 1e5),
    st.floats(0, 4),
)
def test_transfer_only_moves_what_hangs_on_the_hitch(p, h, b, v, c):
    rear, front = axle_transfer(p, height=h, wheelbase=b, hitch_load=v, behind=c)
    assert rear + front == pytest.approx(v, rel=1e-9, abs=1e-6)


def wander(seed: int, n: int = 120) -> tuple[np.ndarray, np.ndarray]:
    """Return a smooth way driven, up to sharp turns."""
    rng = np.random.default_rng(seed)
    heading = np.cumsum(rng.normal(0, 0.08, n))
    return np.cumsum(1.8 * np.sin(heading)), np.cumsum(1.8 * np.cos(heading))


@settings(max_examples=20, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    angle=st.floats(-3, 3),
    shift=st.tuples(st.floats(-1e3, 1e3), st.floats(-1e3, 1e3)),
    mirrored=st.booleans(),
)
def test_turned_and_mirrored_ways_give_turned_and_mirrored_wheels(
    seed, angle, shift, mirrored
):
    rig = RIGS["train"]
    east, north = wander(seed)
    seconds = np.arange(east.size, dtype=float)
    side = -1.0 if mirrored else 1.0

    def moved(e, n):
        e = side * e
        cos, sin = np.cos(angle), np.sin(angle)
        return e * cos + n * sin + shift[0], n * cos - e * sin + shift[1]

    plain = rig_path(east, north, seconds, machine=rig, settings=CHOICES)
    other = rig_path(*moved(east, north), seconds, machine=rig, settings=CHOICES)
    for body in range(len(rig.bodies)):
        expected = moved(plain.easting[body], plain.northing[body])
        np.testing.assert_allclose(other.easting[body], expected[0], atol=1e-5)
        np.testing.assert_allclose(other.northing[body], expected[1], atol=1e-5)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10_000))
def test_bodies_stay_hitched_and_stations_stay_close(seed):
    rig = RIGS["train"]
    east, north = wander(seed)
    path = rig_path(
        east,
        north,
        np.arange(east.size, dtype=float),
        machine=rig,
        settings=CHOICES,
    )
    for k, hitch in enumerate(rig.hitches):
        front, behind = path.heading[k], path.heading[k + 1]
        arm = rig.bodies[k + 1].coupling.x
        hitch_e = path.easting[k] + hitch.x * np.sin(front)
        hitch_n = path.northing[k] + hitch.x * np.cos(front)
        np.testing.assert_allclose(
            path.easting[k + 1] + arm * np.sin(behind), hitch_e, atol=1e-9
        )
        np.testing.assert_allclose(
            path.northing[k + 1] + arm * np.cos(behind), hitch_n, atol=1e-9
        )
    steps = np.hypot(np.diff(path.easting[-1]), np.diff(path.northing[-1]))
    assert steps.max() <= 0.5


def fixes_of(seed: int) -> pd.DataFrame:
    """Return an invented day of a combine: working, turning and standing."""
    rng = np.random.default_rng(seed)
    n = 1500
    frame = SPLIT_FIXES.empty().reindex(range(n))
    seconds = np.cumsum(
        rng.choice([1.0, 1.0, 1.0, 2.0, 700.0], n, p=[0.5, 0.2, 0.2, 0.099, 0.001])
    )
    words = np.repeat(
        rng.choice(
            ["working", "turning", "loading", "idle"], n // 50, p=[0.7, 0.1, 0.1, 0.1]
        ),
        50,
    )
    moving = (words == "working") | (words == "turning")
    frame["machine_id"] = "c"
    frame["log_id"] = np.zeros(n, dtype=np.int64)
    frame["time"] = pd.to_datetime(1.79e9 + seconds, unit="s", utc=True).astype(
        "datetime64[ms, UTC]"
    )
    frame["seconds"] = seconds
    frame["easting"] = 0.0
    frame["northing"] = np.cumsum(np.where(moving, 2.0, 0.0))
    frame["row"] = np.arange(1, n + 1, dtype=np.int64)
    frame["mass_flow"] = np.where(words == "working", rng.uniform(0, 40, n), 0.0)
    frame["state"] = words
    frame["pass_id"] = np.full(n, -1, dtype=np.int64)
    return frame


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000))
def test_ledger_of_a_combine_closes(seed):
    fixes = fixes_of(seed)
    carried, _ = payload(
        fixes,
        PASSES.empty(),
        machines={"c": RIGS["combine_large"]},
        crop=Crop(now="corn"),
        liquid=LIQUID.empty(),
        settings=CHOICES,
    )
    m = carried.ledger["c"]
    best = carried.table["payload"].to_numpy()
    assert m["filled"] == pytest.approx(
        m["handed"] + m["emptied"] + m["unexplained"] + m["stock"], rel=1e-9, abs=1e-6
    )
    assert m["stock"] == pytest.approx(best[-1] - best[0], abs=1e-6)
    assert (best >= 0).all()
    # A tank is noticed full at the next fix, at most 40 kg/s for 10 s later.
    full = RIGS["combine_large"].capacity(carried.density)
    assert best.max() <= full + 400
    table = carried.table
    assert (table["payload_low"] <= table["payload"]).all()
    assert (table["payload"] <= table["payload_high"]).all()


@settings(max_examples=30, deadline=None)
@given(
    visits=st.lists(st.floats(60, 1340), min_size=1, max_size=5),
    stay=st.floats(15, 400),
    flow=st.floats(1, 40),
    lag=st.floats(-0.35, 0.35),
)
def test_what_a_combine_hands_over_is_what_the_truck_gets(visits, stay, flow, lag):
    """However often, long and crookedly it drives beside: nothing is made or lost."""
    t = np.arange(0.0, 1500.0)
    to_visit = np.abs(t[:, None] - np.array(visits)).min(axis=1)
    away = 1.5 * np.maximum(to_visit - stay / 2, 0.0)
    north = 2.0 * t
    # The hopper of the truck lies 9 m behind its antenna.
    behind = away + lag * np.minimum(to_visit, stay / 2)
    logs = []
    for number, (name, east, along, words, gain) in enumerate(
        [
            ("c", 0.0, north, "working", flow),
            ("k", -6.0, north + 9.0 - behind, "hauling", np.nan),
        ]
    ):
        frame = SPLIT_FIXES.empty().reindex(range(t.size))
        frame["machine_id"] = name
        frame["log_id"] = np.full(t.size, number, dtype=np.int64)
        frame["time"] = pd.to_datetime(1.79e9 + t, unit="s", utc=True).astype(
            "datetime64[ms, UTC]"
        )
        frame["seconds"] = t
        frame["easting"], frame["northing"] = east, along
        frame["row"] = np.arange(1, t.size + 1, dtype=np.int64)
        frame["mass_flow"] = gain
        frame["state"] = words
        frame["pass_id"] = np.full(t.size, -1, dtype=np.int64)
        logs.append(frame)
    carried, _ = payload(
        pd.concat(logs, ignore_index=True).astype(logs[0].dtypes.to_dict()),
        PASSES.empty(),
        machines={"c": RIGS["combine_large"], "k": RIGS["truck"]},
        crop=Crop(now="corn"),
        liquid=LIQUID.empty(),
        settings=CHOICES,
    )
    combine, truck = carried.ledger["c"], carried.ledger["k"]
    assert combine["handed"] == pytest.approx(truck["received"], rel=1e-12)
    assert combine["filled"] == pytest.approx(flow * 1499, rel=1e-9)
    best = carried.table["payload"].to_numpy()
    for name, masses, mine in (("c", combine, best[:1500]), ("k", truck, best[1500:])):
        gone = masses["handed"] + masses["emptied"] + masses["unexplained"]
        assert masses["filled"] + masses["received"] == pytest.approx(
            gone + masses["stock"], rel=1e-9, abs=1e-6
        )
        # A tank is noticed full at the next fix.
        full = RIGS["combine_large" if name == "c" else "truck"].capacity(720.8)
        assert mine.max() <= (1 + CHOICES.heap) * full + 2 * flow
        assert mine.min() >= 0.0
    table = carried.table
    assert (table["payload_low"] <= table["payload"] + 1e-9).all()
    assert (table["payload"] <= table["payload_high"] + 1e-9).all()
