"""A made-up harvest whose loads, ways and trips can be counted by hand."""

from __future__ import annotations

import math
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import shapely

from trafficmap.cli import run_command
from trafficmap.cli.sample import _sample_module
from trafficmap.core.settings import Settings
from trafficmap.core.tables import FIXES, PASSES, SPLIT_FIXES, require_table
from trafficmap.field.model import Crop, Prices
from trafficmap.loads.payload import Payload
from trafficmap.machines.read import read_machine
from trafficmap.season.driven import Driven

EAST, NORTH = 500_000.0, 4_500_000.0
WIDE, HIGH = 120.0, 300.0
ROWS = (10.0, 19.144, 28.288, 37.432)
TRUCK = (60.0, 5.0)
RATE = 10.0
"""The combine takes 10 kg from every metre of a row."""

UNLOADED = ((1, 150.0, 4500.0), (3, 150.0, 6000.0), (3, 0.0, 1500.0))
"""Row, place along it [m] and mass [kg] of each handing over."""


def straight(begin, end, step=2.0):
    """Return places from `begin` to `end`, both included."""
    count = max(round(math.dist(begin, end) / step), 1)
    return np.linspace(begin, end, count + 1)


def combine_log():
    """Return places, states and level of the combine, and when it unloads."""
    place, state, level = [], [], []
    held = 0.0
    unloads = []
    for k, east in enumerate(ROWS):
        up = k % 2 == 0
        row = (
            straight((east, 0.0), (east, HIGH))
            if up
            else straight((east, HIGH), (east, 0.0))
        )
        for j, where in enumerate(row):
            held += RATE * 2.0 if j else 0.0
            place.append(where)
            state.append("working")
            for number, along, mass in UNLOADED:
                if number == k and abs(where[1] - along) < 1e-6:
                    unloads.append((len(place) - 1, mass))
                    held -= mass
            level.append(held)
        if k < 3:
            edge = HIGH if up else 0.0
            for where in straight((east, edge), (ROWS[k + 1], edge))[1:-1]:
                place.append(where)
                state.append("turning")
                level.append(held)
    return np.array(place), state, np.array(level), unloads


def cart_log(unloads, combine_place):
    """Return places, level and seconds of the cart."""
    place, level, seconds = [], [], []
    for row, mass in unloads:
        meet = combine_place[row] + (9.144, 0.0)
        out = straight(TRUCK, meet)
        start = row - len(out)
        place += [*out, *out[::-1][1:], out[0]]
        level += [0.0] * (len(out) - 1) + [mass] * len(out) + [0.0]
        count = 2 * len(out)
        seconds += list(start + np.arange(count))
    return np.array(place), np.array(level), np.array(seconds, dtype=float)


def table_of(machine_id, log_id, place, state, seconds):
    """Return fixes on the contract."""
    n = len(place)
    data = {
        "machine_id": machine_id,
        "log_id": np.int64(log_id),
        "time": pd.Series(
            pd.to_datetime("2026-10-10T12:00:00Z") + pd.to_timedelta(seconds, unit="s")
        ).astype("datetime64[ms, UTC]"),
        "seconds": np.asarray(seconds, float),
        "easting": place[:, 0] + EAST,
        "northing": place[:, 1] + NORTH,
        "row": np.arange(1, n + 1),
    }
    frame = pd.DataFrame(data, index=range(n))
    for column in FIXES.columns[len(data) :]:
        frame[column.name] = np.nan
    return frame.assign(inferred=False, state=state, reverse=False, session=log_id)


def passes_of(fixes):
    """Return a pass for every stretch of one log and state."""
    key = fixes["log_id"].astype(str) + fixes["state"]
    number = (key != key.shift()).cumsum().to_numpy() - 1
    rows = []
    for k in range(number.max() + 1):
        mine = np.flatnonzero(number == k)
        a, b = int(mine[0]), int(mine[-1]) + 1
        steps = np.hypot(
            np.diff(fixes["easting"].to_numpy()[a:b]),
            np.diff(fixes["northing"].to_numpy()[a:b]),
        )
        head = fixes.iloc[a]
        rows.append(
            {
                "pass_id": k,
                "machine_id": head["machine_id"],
                "log_id": int(head["log_id"]),
                "state": head["state"],
                "start": head["time"],
                "end": fixes["time"].iloc[b - 1],
                "first": a,
                "last": b,
                "length": float(steps.sum()),
                "inferred": False,
                "session": int(head["session"]),
            }
        )
    passes = pd.DataFrame(rows)
    for name in ("start", "end"):
        passes[name] = passes[name].astype("datetime64[ms, UTC]")
    return require_table(passes, PASSES), number


def make_driven():
    """Return the harvest as it was driven."""
    place, state, level, unloads = combine_log()
    seconds = np.arange(len(place), dtype=float)
    cart_place, cart_level, cart_seconds = cart_log(unloads, place)
    fixes = pd.concat(
        [
            table_of("combine", 0, place, state, seconds),
            table_of("cart", 1, cart_place, "hauling", cart_seconds),
        ],
        ignore_index=True,
    )
    passes, number = passes_of(fixes)
    fixes = require_table(fixes.assign(pass_id=number), SPLIT_FIXES)
    best = np.concatenate([level, cart_level])
    table = pd.DataFrame(
        {
            "payload_low": 0.9 * best,
            "payload": best,
            "payload_high": 1.1 * best,
            "source": "inferred",
        }
    )
    ledger = {"combine": {"handed": 12_000.0, "filled": 12_000.0}}
    return Driven(fixes, passes, Payload(table, ledger, 720.0))


def make_field():
    """Return what the season room asks of a field."""
    combine, _ = read_machine(
        {"class": "combine_large", "attachment": ["corn_head_12_row"]},
        name="combine",
        folder=Path(),
    )
    cart, _ = read_machine(
        {
            "class": "tractor_front_assist",
            "trails": [{"class": "grain_cart_single"}],
        },
        name="cart",
        folder=Path(),
    )
    return SimpleNamespace(
        name="made up",
        season=2026,
        units="us",
        invented=True,
        epsg=32616,
        machines={"combine": combine, "cart": cart},
        boundary=shapely.box(EAST, NORTH, EAST + WIDE, NORTH + HIGH),
        access=None,
        end_row_width=30.0,
        rows_heading=0.0,
        obstacles=[],
        crop=Crop(now="corn", next="corn", yield_expected=1.2, price=0.16),
        prices=Prices(currency="USD"),
        time_zone="UTC",
    )


@pytest.fixture
def driven():
    return make_driven()


@pytest.fixture(scope="session")
def farm():
    return make_field()


@pytest.fixture(scope="session")
def choices():
    return Settings()


@pytest.fixture(scope="session")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("two")
    return _sample_module().write_sample(place / "two", field="two_strips")


@pytest.fixture(scope="session")
def out(folder):
    place = folder.parent / "out"
    assert run_command(["-q", "run", str(folder), "-o", str(place)]) == 0
    return place
