"""Rigs that take on the go and that give on the go: forage trailers and tankers."""

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
        crop=Crop(now="silage corn") if crop is None else crop,
        liquid=LIQUID.empty() if liquid is None else liquid,
        settings=SETTINGS,
    )


def said(notes, code):
    return [note.sentence for note in notes if note.code == code]


@pytest.fixture
def silage(log, tables, machine):
    """A forage harvester at 2 m/s and two trailers that take turns beside it.

    The first is beside from 0 to 300 s, the second from 320 to 600 s; between them and
    from 600 s on nobody is. The hopper lies 1 + 1.2 + 5.8 m behind the antenna.
    """

    def make(**signals):
        t = np.arange(0, 700.0)
        north = 2.0 * t
        harvester = log("f", 0, t, 0.0, north, "working", **signals)
        logs = [harvester]
        for number, (name, a, b) in enumerate(
            [("r", 0.0, 300.0), ("s", 320.0, 600.0)], start=1
        ):
            away = 4.0 * np.maximum(np.maximum(a - t, t - b), 0.0)
            place = north + 8.0 - np.minimum(away, 60.0)
            logs.append(log(name, number, t, -5.0, place, "hauling"))
        machines = {"f": machine("f", **{"class": "forage_harvester"})} | {
            name: machine(
                name,
                **{
                    "class": "tractor_front_assist",
                    "trails": [{"class": "forage_trailer"}],
                },
            )
            for name in ("r", "s")
        }
        return *tables(*logs), machines

    return make


def test_a_forage_trailer_fills_from_the_flow(silage):
    """30 kg/s for 300 s: 9 t; for 280 s: 8.4 t; the rest goes nowhere known."""
    fixes, passes, machines = silage(mass_flow=30.0)
    carried, notes = carry(fixes, passes, machines)
    one, two, whole = (carried.ledger[n] for n in ("r", "s", "f"))
    # It is within reach of the spout for 4 s more at either end.
    assert one["received"] == pytest.approx(9000, abs=200)
    assert two["received"] == pytest.approx(8400, abs=300)
    assert whole["filled"] == pytest.approx(30.0 * 699)
    assert whole["handed"] == pytest.approx(one["received"] + two["received"])
    assert whole["unexplained"] == pytest.approx(whole["filled"] - whole["handed"])
    mine = carried.table[(fixes["machine_id"] == "r").to_numpy()]
    assert mine["payload"].iloc[150] == pytest.approx(4500, abs=100)
    assert set(mine["source"]) == {"inferred"}
    (sentence,) = said(notes, "loads.forage_untaken")
    assert "f: 3." in sentence
    assert "of 21.0 t were blown over where no logged trailer was beside it" in sentence


def test_a_forage_trailer_fills_from_the_yield_as_cut(silage):
    """4.5 kg/m2 on 6 m at 2 m/s: 54 kg/s. No flow is logged."""
    fixes, passes, machines = silage(width=6.0)
    crop = Crop(now="corn", yield_forage=4.5, yield_harvested=1.2)
    carried, _ = carry(fixes, passes, machines, crop=crop)
    assert carried.ledger["f"]["filled"] == pytest.approx(54.0 * 699)
    assert carried.ledger["r"]["received"] == pytest.approx(54 * 300, abs=54 * 8)


def test_the_only_crop_may_be_forage(silage):
    fixes, passes, machines = silage(width=6.0)
    crop = Crop(now="silage corn", yield_harvested=4.5)
    carried, _ = carry(fixes, passes, machines, crop=crop)
    assert carried.ledger["f"]["filled"] == pytest.approx(54.0 * 699)


def test_without_flow_and_yield_the_trailers_are_unknown(silage):
    fixes, passes, machines = silage()
    carried, notes = carry(fixes, passes, machines)
    mine = carried.table[(fixes["machine_id"] == "r").to_numpy()]
    assert set(mine["source"]) == {"assumed"}
    assert "f" not in carried.ledger
    (one, _) = said(notes, "loads.payload_assumed")
    assert "forage_yield_t_ha" in one


def test_a_forage_trailer_empties_off_the_field(silage):
    fixes, passes, machines = silage(mass_flow=30.0)
    away = (fixes["machine_id"] == "r") & (fixes["seconds"] > 340)
    fixes.loc[away, "state"] = "road"
    carried, _ = carry(fixes, passes, machines)
    assert carried.ledger["r"]["emptied"] == pytest.approx(
        carried.ledger["r"]["received"]
    )


def rate_table(name, rate_m3_ha, width):
    return pd.DataFrame(
        {
            "machine_id": [name],
            "rate": [rate_m3_ha * 1e-4],
            "dry_matter": [0.04],
            "depth": [0.0],
            "width": [width],
        }
    )


@pytest.fixture
def slurry(log, tables, machine):
    """A tanker with 6 loads: 240 s of work, out to the store, 120 s there.

    At 2 m/s on 9 m one load covers 4 320 m2; 19 m3 make 44 m3/ha.
    """

    def make(**signals):
        t = np.arange(0, 6 * 480.0)
        part = t % 480.0
        north = np.interp(part, [0, 240, 300, 420, 480], [0, 480, 0, 0, 0])
        words = np.where(
            part < 240,
            "working",
            np.where((part >= 300) & (part < 420), "idle", "hauling"),
        )
        frame = log("s", 0, t, 9.0 * (t // 480), north, words, **signals)
        rig = machine(
            "s",
            **{
                "class": "tractor_front_assist",
                "trails": [{"class": "tanker_tandem"}],
            },
        )
        return *tables(frame), {"s": rig}

    return make


def test_a_rate_nobody_told_is_that_of_full_loads(slurry):
    """19 m3 over 240 steps of 2 m and the 9 m to the next lane, 9 m wide: 43 m3/ha."""
    fixes, passes, machines = slurry(width=9.0)
    carried, notes = carry(fixes, passes, machines)
    (sentence,) = said(notes, "loads.rate_found")
    assert "s: its rate is not told; 43 m3/ha" in sentence
    full = machines["s"].capacity(carried.density)
    best = carried.table["payload"].to_numpy()
    assert best[0] == pytest.approx(full)
    assert best[120] == pytest.approx(full / 2, rel=0.03)
    assert best[239] == pytest.approx(0, abs=0.02 * full)
    assert best[430] == pytest.approx(full, rel=0.02)
    assert set(carried.table["source"]) == {"inferred"}


def test_loads_that_cannot_be_are_told(slurry):
    fixes, passes, machines = slurry(width=9.0)
    _, notes = carry(fixes, passes, machines, liquid=rate_table("s", 60.0, 9.0))
    (sentence,) = said(notes, "loads.rate_doubted")
    assert "spreads 26.3 m3 between two fillings" in sentence
    assert "its tank takes 19.0 m3; 43 m3/ha would fit" in sentence
    _, notes = carry(fixes, passes, machines, liquid=rate_table("s", 43.0, 9.0))
    assert said(notes, "loads.rate_doubted") == []


def test_a_parked_tanker_is_told(slurry):
    fixes, passes, machines = slurry(width=9.0)
    late = fixes["seconds"] >= 4 * 480 + 300
    fixes.loc[fixes["seconds"] >= 4 * 480 + 420, "seconds"] += 1000.0
    fixes["time"] = fixes["time"].iloc[0] + pd.to_timedelta(
        fixes["seconds"] * 1000, unit="ms"
    )
    extra = fixes[late].iloc[[0]]
    more = pd.concat([extra] * 999, ignore_index=True)
    more["seconds"] = 4 * 480 + 420.0 + np.arange(999.0)
    more["time"] = fixes["time"].iloc[0] + pd.to_timedelta(
        more["seconds"] * 1000, unit="ms"
    )
    whole = pd.concat([fixes, more], ignore_index=True).sort_values(
        "seconds", ignore_index=True
    )
    _, notes = carry(whole, passes, machines, liquid=rate_table("s", 44.0, 9.0))
    (sentence,) = said(notes, "loads.tanker_parked")
    assert "s: stood once for more than 15 minutes" in sentence
