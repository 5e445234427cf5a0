"""What closes the sum: tickets, scales, the yield of what was cut, and the lag."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from trafficmap.core.settings.loads import LoadSettings
from trafficmap.core.tables import LIQUID
from trafficmap.field.model import Crop
from trafficmap.loads import payload
from trafficmap.loads.lag import flow_lag

SETTINGS = LoadSettings()


def carry(fixes, passes, machines, *, crop=None, **more):
    return payload(
        fixes,
        passes,
        machines=machines,
        crop=Crop(now="corn", next="corn") if crop is None else crop,
        liquid=LIQUID.empty(),
        settings=SETTINGS,
        **more,
    )


def tickets(*masses, day=None):
    table = pd.DataFrame(
        {
            "day": [pd.NaT if day is None else pd.Timestamp(day)] * len(masses),
            "mass": [float(m) for m in masses],
            "name": [""] * len(masses),
        }
    )
    return table.astype({"day": "datetime64[s]"})


def codes(notes):
    return [note.code for note in notes]


@pytest.fixture
def alone(log, tables, machine):
    """A combine that cuts for 300 s and never unloads: 20 kg/s or 9 m x 2 m/s."""

    def make(**signals):
        t = np.arange(0, 301.0)
        frame = log("c", 0, t, 0.0, 2.0 * t, "working", **signals)
        return *tables(frame), {"c": machine("c", **{"class": "combine_large"})}

    return make


def test_tickets_of_what_is_still_on_board_close_nothing(alone):
    """Nothing was unloaded, so no ticket can be of it."""
    fixes, passes, machines = alone(mass_flow=20.0)
    carried, notes = carry(fixes, passes, machines, tickets=tickets(5400.0))
    assert carried.ledger["c"]["filled"] == pytest.approx(6000.0)
    assert codes(notes) == ["loads.tickets_unused"]
    assert "nearly all that was cut still seems to be on board" in notes[0].sentence


@pytest.fixture
def stops(log, tables, machine):
    """A combine that cuts 8 t twice and stands for 200 s after each."""
    t = np.arange(0, 1201.0)
    stands = ((t >= 400) & (t < 600)) | (t >= 1000)
    north = np.cumsum(np.where(stands, 0.0, 2.0))
    words = np.where(stands, "idle", "working")
    flow = np.where(stands, 0.0, 20.0)
    fixes, passes = tables(log("c", 0, t, 0.0, north, words, mass_flow=flow))
    return fixes, passes, {"c": machine("c", **{"class": "combine_large"})}


def test_tickets_close_a_day_of_unloadings(stops):
    """16 t by the log; the scale says 14.4 t: 10 % less."""
    plain, _ = carry(*stops)
    carried, notes = carry(*stops, tickets=tickets(7200.0, 7200.0))
    assert plain.ledger["c"]["filled"] == pytest.approx(16000, rel=0.01)
    assert carried.ledger["c"]["filled"] == pytest.approx(14400, rel=0.01)
    note = notes[0]
    assert (note.code, note.severity) == ("loads.tickets", "info")
    assert "cut 16.0 t by its log, but 14.4 t by the tickets" in note.sentence
    _, far = carry(*stops, tickets=tickets(12000.0))
    assert far[0].severity == "check"
    assert "calibrate the yield monitor" in far[0].sentence


def test_tickets_of_another_week_are_told_and_counted(stops):
    table = tickets(15000.0, day="2026-12-24")
    carried, notes = carry(*stops, tickets=table)
    assert carried.ledger["c"]["filled"] == pytest.approx(15000, rel=0.01)
    (note,) = [n for n in notes if n.code == "loads.tickets_date"]
    assert "the first 2026-12-24; they are counted all the same" in note.sentence


def test_tickets_without_any_harvester_are_not_used(log, tables, machine):
    t = np.arange(0, 60.0)
    fixes, passes = tables(log("k", 0, t, 0.0, 2.0 * t, "hauling"))
    machines = {"k": machine("k", **{"class": "truck"})}
    _, notes = carry(fixes, passes, machines, tickets=tickets(9000.0))
    assert "loads.tickets_unused" in codes(notes)


def test_the_yield_of_what_was_cut_fills_the_tank(alone):
    """1.0 kg/m2 x 9 m x 2 m/s x 300 s = 5.4 t, whatever comes next."""
    fixes, passes, machines = alone(width=9.0)
    crop = Crop(now="corn", next="soybean", yield_harvested=1.0, yield_expected=0.35)
    carried, notes = carry(fixes, passes, machines, crop=crop)
    assert carried.ledger["c"]["filled"] == pytest.approx(5400)
    assert notes == []


def test_grain_is_as_wet_as_its_log_says(alone):
    """Half at 15.5 %, half at 25 %: (5.4 + 5.4 x 0.845 / 0.75) / 2 t."""
    moisture = np.where(np.arange(301) <= 150, 0.155, 0.25)
    fixes, passes, machines = alone(width=9.0, moisture=moisture)
    crop = Crop(now="corn", next="corn", yield_harvested=1.0)
    carried, notes = carry(fixes, passes, machines, crop=crop)
    expected = 2700.0 * (1.0 + 0.845 / 0.75)
    assert carried.ledger["c"]["filled"] == pytest.approx(expected, rel=1e-3)
    (note,) = notes
    assert note.code == "loads.moisture_range"
    assert "its grain was 16% to 25% wet" in note.sentence


def test_the_yield_of_another_next_crop_fills_nothing(alone):
    fixes, passes, machines = alone(width=9.0)
    crop = Crop(now="corn", next="soybean", yield_expected=0.35)
    carried, notes = carry(fixes, passes, machines, crop=crop)
    assert carried.ledger["c"]["filled"] == 0.0
    assert codes(notes) == ["loads.yield_of_next", "loads.payload_assumed"]
    assert notes[0].sentence == (
        "The yield to expect, 3.5 t/ha, is that of soybean, not of what was cut, so no "
        "tank is filled by it. Add harvested_yield_t_ha (or harvested_yield_bu_ac) to "
        "[crop]."
    )
    assert "log its mass flow, or give harvested_yield_t_ha under [crop]." in (
        notes[1].sentence
    )


def test_the_yield_of_the_same_next_crop_stands_in_and_is_said(alone):
    fixes, passes, machines = alone(width=9.0)
    crop = Crop(now="corn", next="corn", yield_expected=1.2)
    carried, notes = carry(fixes, passes, machines, crop=crop)
    assert carried.ledger["c"]["filled"] == pytest.approx(6480)
    assert codes(notes) == ["loads.yield_stands_in"]


def test_a_yield_nobody_needs_is_not_spoken_of(alone):
    fixes, passes, machines = alone(mass_flow=20.0)
    crop = Crop(now="corn", next="soybean", yield_expected=0.35)
    assert carry(fixes, passes, machines, crop=crop)[1] == []


@pytest.mark.parametrize(
    ("fill", "words"),
    [
        (
            "yield_log",
            'fill = "yield_log" in its [payload] asks for a mass flow, which its log '
            'does not hold; write fill = "auto" and give harvested_yield_t_ha under '
            "[crop] and the width of its head",
        ),
        ("signal", 'fill = "signal" in its [payload] asks for the mass in its tank'),
        ("none", 'fill = "none" in its [payload] says so'),
        ("swath_x_yield", "give harvested_yield_t_ha under [crop] and the width"),
        ("auto", "log its mass flow, or give harvested_yield_t_ha under [crop] and"),
    ],
)
def test_the_hint_says_what_is_missing_for_what_was_asked(
    log, tables, machine, fill, words
):
    t = np.arange(0, 60.0)
    fixes, passes = tables(log("c", 0, t, 0.0, 2.0 * t, "working"))
    rig = machine(
        "c",
        **{"class": "combine_large", "payload": {"fill": fill}, "attachment": []},
    )
    _, notes = carry(fixes, passes, {"c": rig})
    (note,) = [n for n in notes if n.code == "loads.payload_assumed"]
    assert words in note.sentence


def test_a_cart_that_weighs_tells_what_the_combine_cut(log, tables, machine):
    """Three loads of 4 t from 400 s of 10 m x 2 m/s each: 5.0 t/ha, by hand."""
    t = np.arange(0, 1500.0)
    north = 2.0 * t
    beside = np.zeros(t.size, dtype=bool)
    scale = np.zeros(t.size)
    for begin in (350.0, 750.0, 1150.0):
        beside |= (t >= begin) & (t <= begin + 60)
        scale += np.clip((t - begin - 5.0) * 80.0, 0.0, 4000.0)
    combine = log("c", 0, t, 0.0, north, "working", width=10.0)
    back = np.where(beside, 0.0, 60.0)
    cart = log("t", 1, t, -8.0, north - 1.2 + 7.2 - back, "hauling", tank_mass=scale)
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
    fixes, passes = tables(combine, cart)
    carried, notes = carry(fixes, passes, machines)
    (note,) = [n for n in notes if n.code == "loads.yield_by_scale"]
    assert "gained 12.0 t in 3 loads, 5.0 t/ha" in note.sentence
    worked = 1210.0 * 20.0
    assert carried.ledger["c"]["filled"] == pytest.approx(
        12000.0 * 1499 * 20.0 / worked, rel=0.03
    )
    assert carried.ledger["c"]["handed"] == pytest.approx(12000.0, rel=0.05)


@pytest.mark.parametrize("lag", [0.0, 4.0, 8.0, 15.0])
def test_the_lag_is_found_where_the_header_goes_up_and_down(lag):
    t = np.arange(0, 4000.0)
    down = (t % 400.0) < 350.0
    flow = np.where(((t - lag) % 400.0) < 350.0, 20.0, 0.0)
    rng = np.random.default_rng(3)
    flow = flow * (1.0 + 0.1 * rng.normal(size=t.size))
    found = flow_lag(t, down.astype(float), flow)
    if lag == 0.0:
        assert np.isnan(found)
    else:
        assert found == pytest.approx(lag, abs=1.0)


def test_no_signal_of_the_header_tells_no_lag():
    t = np.arange(0, 4000.0)
    assert np.isnan(flow_lag(t, np.full(t.size, np.nan), np.full(t.size, 20.0)))


def test_a_lag_that_is_found_is_said_and_taken(log, tables, machine):
    t = np.arange(0, 4000.0)
    down = (t % 400.0) < 350.0
    flow = np.where(((t - 12.0) % 400.0) < 350.0, 20.0, 0.0)
    flow[t < 12] = 0.0
    words = np.where(down, "working", "turning")
    frame = log(
        "c", 0, t, 0.0, 2.0 * t, words, mass_flow=flow, work_state=down.astype(float)
    )
    fixes, passes = tables(frame)
    machines = {"c": machine("c", **{"class": "combine_large"})}
    carried, notes = carry(fixes, passes, machines)
    (note,) = [n for n in notes if n.code == "loads.flow_lag"]
    assert "follows the header by 12 s" in note.sentence
    # Grain is on board from cutting on: 20 kg/s from the first second.
    assert carried.table["payload"][100] == pytest.approx(2000, abs=25)
