"""How the state of the soil reaches the units."""

from __future__ import annotations

import math
from dataclasses import dataclass
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from trafficmap.core.grid import FieldGrid
from trafficmap.core.settings import Settings
from trafficmap.plan import fit_states
from trafficmap.soil.columns import LAYER_CENTRES
from trafficmap.zones.units import Units

SETTINGS = Settings()
FIELD = SimpleNamespace(units="us")
ROLLED = pd.Timestamp("2026-10-25")


@dataclass
class Series:
    dates: pd.DatetimeIndex
    columns: SimpleNamespace


@pytest.fixture
def series():
    layers = LAYER_CENTRES.size
    texture = {"sand": 0.2, "clay": 0.4, "organic_matter": 0.03}
    columns = SimpleNamespace(
        **{name: np.full((2, layers), value) for name, value in texture.items()}
    )
    columns.clay[1, 3:5] = (0.1, 0.3)
    return Series(pd.date_range("2026-05-01", "2026-11-20"), columns)


@pytest.fixture
def asked(monkeypatch):
    """What the soil room was asked; it answers that all shatters."""
    calls = []

    def fake(series, **given):
        calls.append(given)
        return SimpleNamespace(
            word="shatters",
            probability=0.9,
            carries="carries",
            frozen=0.01,
            notes=(),
            tip_frozen=True,
            ground="thawed over frozen",
        )

    monkeypatch.setattr("trafficmap.plan.fit.fit", fake)
    return calls


def units_of(*, column=(0, 1), rolled=(None, ROLLED), bottom=(math.nan, 0.26)) -> Units:
    rolls = [
        ((0.1, "cracks"), (0.2, "odd")) if day is not None else () for day in rolled
    ]
    table = pd.DataFrame(
        {
            "unit": [0, 1],
            "column": column,
            "layer_bottom": bottom,
            "rolls": rolls,
            "rolled_on": pd.to_datetime(list(rolled)),
        }
    )
    return Units(table, np.zeros((1, 2), int), FieldGrid(32616, 0, 0, 1, 1, 2), 0.0)


def test_weather_after_the_hand_rolls_counts(series, asked):
    # Rolled on 25 October, rain till 20 November: the rolls say nothing any more.
    _, notes = fit_states(units_of(), series=series, field=FIELD, settings=SETTINGS)
    assert [call["day"] for call in asked] == [pd.Timestamp("2026-11-20")] * 2
    assert asked[1]["hand_rolls"] is None
    assert [note.code for note in notes] == ["plan.rolls_stale"]


def test_asked_for_the_tip_of_each_unit_on_the_newest_day(series, asked):
    series.dates = series.dates[series.dates <= ROLLED]
    frame, notes = fit_states(units_of(), series=series, field=FIELD, settings=SETTINGS)
    assert notes == []
    assert [call["day"] for call in asked] == [ROLLED, ROLLED]
    # Nobody knows a layer in the first: 14 in; 0.26 m is 10.2 in, so 12 in.
    assert [call["tip_depth"] for call in asked] == pytest.approx([0.3556, 0.3048])
    assert asked[1]["hand_rolls"] == [(0.1, "cracks")]
    assert frame["word"].tolist() == ["shatters", "shatters"]
    assert frame["clay"].tolist() == pytest.approx([0.4, 0.2])
    assert frame["tip_frozen"].tolist() == [True, True]
    assert frame["ground"].tolist() == ["thawed over frozen"] * 2


def test_old_hand_rolls_no_longer_count(series, asked):
    frame, notes = fit_states(
        units_of(), series=series, field=FIELD, settings=SETTINGS, day="2026-11-01"
    )
    assert frame["fresh"].tolist() == [True, False]
    assert asked[1]["hand_rolls"] is None
    assert [note.code for note in notes] == ["plan.rolls_stale"]


def test_without_weather_nothing_is_known(asked):
    frame, _ = fit_states(units_of(), series=None, field=FIELD, settings=SETTINGS)
    assert frame["word"].tolist() == ["unknown", "unknown"]
    assert frame["p_fit"].isna().all()
    assert asked == []


def test_without_a_soil_there_nothing_is_known(series, asked):
    frame, _ = fit_states(
        units_of(column=(-1, 0)), series=series, field=FIELD, settings=SETTINGS
    )
    assert frame["word"].tolist() == ["unknown", "shatters"]
    assert frame["sand"].isna().tolist() == [True, False]


def test_the_last_day_of_weather_where_nobody_rolled(series, asked):
    units = units_of(rolled=(None, None))
    fit_states(units, series=series, field=FIELD, settings=SETTINGS)
    assert asked[0]["day"] == pd.Timestamp("2026-11-20")


def test_packed_ends_carry_no_better_than_on_their_softest_day(series, monkeypatch):
    """The day that shatters worst need not be the one that ruts most."""
    days = {0: (0.6, "carries"), 1: (0.4, "carries"), 2: (0.5, "does not carry")}

    @dataclass(frozen=True)
    class State:
        word: str
        probability: float
        carries: str
        date: object
        frozen: float = 0.0
        thawed: float = 0.0
        ground: str = "not frozen"
        tip_frozen: bool = False
        notes: tuple = ()

    def fake(series, *, day, **given):
        chance, carries = days.get((ROLLED - day).days, (0.9, "carries"))
        return State("test by hand", chance, carries, day)

    monkeypatch.setattr("trafficmap.plan.fit.fit", fake)
    units = units_of(rolled=(None, None))
    units.table["kind"] = ["body", "end_rows"]
    frame, _ = fit_states(
        units, series=series, field=FIELD, settings=SETTINGS, day=ROLLED
    )
    assert frame["p_fit"].tolist() == [0.6, 0.4]
    assert frame["carries"].tolist() == ["carries", "does not carry"]
