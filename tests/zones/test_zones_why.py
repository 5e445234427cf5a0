"""What happened on each unit, in words."""

from __future__ import annotations

from dataclasses import dataclass
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from trafficmap.core.constants import COMPUTE_DEPTHS
from trafficmap.core.grid import FieldGrid
from trafficmap.core.tables import WHEELS
from trafficmap.loads.paths import LoadStates, WheelPaths
from trafficmap.traffic.events import PassEvents
from trafficmap.zones import Units, causes

HOUR = 3600.0
WET_DAY = pd.Timestamp("2026-10-21T18:00Z").timestamp()
DRY_DAY = pd.Timestamp("2026-09-02T18:00Z").timestamp()


@dataclass(frozen=True)
class Strength:
    ln_strength: np.ndarray
    suction: np.ndarray

    def row_of(self, times):
        rows = {DRY_DAY: 0, WET_DAY: 1}
        return np.array([rows.get(time, -1) for time in times], dtype=np.int64)


@dataclass(frozen=True)
class Columns:
    column_of_cell: np.ndarray


@pytest.fixture
def season():
    """Two cells. A cart of 20 t on a dry day and 12 t on a wet one in the first; the
    second was run over by a load nobody knows."""
    wheels = pd.DataFrame(
        [
            (k, "cart", "grain_cart_single", 0, "axle", 0, k, 0.0, side, 0.9, 2.0,
             "tyre", np.nan, 0, 2.5e5, False, np.nan, np.nan)
            for k, side in enumerate((-1.5, 1.5))
        ],
        columns=WHEELS.names(),
    )  # fmt: skip
    load = np.array([[1e4, 1e4], [6e3, 6e3], [np.nan, np.nan]]) * 9.81
    names = np.array(["cart"] * 3)
    states = LoadStates(names, *(np.zeros(3),) * 3, load, load, load, names)
    none = np.empty(0)
    paths = WheelPaths(
        wheels, states, np.zeros(1, int), *(np.empty(0, int),) * 2, none, none, none,
        none, none, np.empty(0, int),
    )  # fmt: skip
    events = PassEvents(
        cell=np.array([0, 0, 1]),
        wheel=np.zeros(3, int),
        pass_id=np.arange(3),
        state=np.array([0, 1, 2]),
        time=np.array([DRY_DAY, WET_DAY, np.nan]),
        cover=np.ones(3),
        distance=np.ones(3),
        cell_start=np.array([0, 2, 3, 3]),
    )
    table = pd.DataFrame({"unit": [0, 1, 2], "passes": [2.0, 1.0, 0.0]})
    grid = FieldGrid(32616, 0.0, 0.0, 1.0, 1, 3)
    units = Units(table, np.array([[0, 1, 2]]), grid, 0.0)
    shape = (2, 1, len(COMPUTE_DEPTHS))
    strength = Strength(
        np.log(np.array([4e5, 6e4])).reshape(2, 1, 1) * np.ones(shape),
        np.array([2e5, 1.5e4]).reshape(2, 1, 1) * np.ones(shape),
    )
    return units, events, paths, strength, Columns(np.zeros(3, dtype=int))


def test_the_wet_pass_counts_and_not_the_heaviest(season):
    units, events, paths, strength, columns = season
    said = causes(
        units, events=events, paths=paths, strength=strength, columns=columns,
        time_zone="America/Chicago",
    )  # fmt: skip
    assert said[0] == (
        "grain cart single axle of 13 tons, on Wed 21 Oct, up to 2 passes, soil wet at "
        "14 in (35 cm)"
    )
    assert said[1] == "run over, axle loads not known"
    assert said[2] == ""


def test_without_soil_the_heaviest_axle_is_named(season):
    units, events, paths, _, _ = season
    said = causes(units, events=events, paths=paths, words="metric")
    assert said[0] == "grain cart single axle of 20 t, on Wed 2 Sep, up to 2 passes"


# --- causes and tillage ------------------------------------------------------------


def undone(depth, when, *, loosened=-0.5):
    """Tillage of all ground to `depth` [m] at `when` [s]."""
    since = np.where(np.array(COMPUTE_DEPTHS) < depth - 1e-9, when, -np.inf)
    return SimpleNamespace(
        kind_of_cell=np.zeros(3, dtype=np.int16),
        since=since[None],
        loosened=np.full((1, len(COMPUTE_DEPTHS)), loosened),
    )


def said(season, **more):
    units, events, paths, strength, columns = season
    return causes(
        units, events=events, paths=paths, strength=strength, columns=columns,
        time_zone="America/Chicago", **more,
    )  # fmt: skip


def test_a_pass_that_tillage_undid_is_no_cause(season):
    """The wet pass in October is worst; ripped since, it explains nothing."""
    assert "21 Oct" in said(season)[0]
    after = said(season, resets=undone(0.40, WET_DAY + 86400.0))[0]
    assert after == "tilled deeper than 14 in (35 cm) since the last wheel"
    between = said(season, resets=undone(0.40, DRY_DAY + 86400.0))[0]
    assert "21 Oct" in between


def test_shallow_tillage_leaves_the_cause_below_it(season):
    found = said(season, resets=undone(0.30, WET_DAY + 86400.0))
    assert found == said(season)


def test_only_the_pass_after_tillage_is_left(season):
    """Without the soil the heaviest is named: September, unless tilled since."""
    units, events, paths, _, _ = season
    plain = causes(units, events=events, paths=paths)
    assert "2 Sep" in plain[0]
    tilled = causes(
        units, events=events, paths=paths, resets=undone(0.40, DRY_DAY + 86400.0)
    )
    assert "21 Oct" in tilled[0]
