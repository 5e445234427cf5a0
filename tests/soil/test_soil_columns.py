"""Soil columns: each pair of soil unit and liquid once, in order."""

from __future__ import annotations

import numpy as np
import pytest

from trafficmap.core.settings.soil import SoilSettings
from trafficmap.soil.columns import _distinct


@pytest.mark.parametrize("events", [0, 1, 4])
def test_columns_are_the_distinct_pairs_of_unit_and_liquid(events):
    draw = np.random.default_rng(events)
    unit = draw.integers(-1, 4, 500)
    settings = SoilSettings(max_columns=10_000)
    water = draw.integers(0, 4, (events, 500)) * settings.liquid_class
    column, units, liquid = _distinct(unit, water, settings, [])
    inside = unit >= 0
    assert (column[~inside] == -1).all()
    # Every cell gets back its own soil and water, and no two columns are alike.
    assert np.array_equal(units[column[inside]], unit[inside])
    assert np.allclose(liquid[column[inside]], water[:, inside].T)
    rows = np.column_stack([units, np.rint(liquid / settings.liquid_class)])
    assert np.array_equal(rows, np.unique(rows, axis=0))


def test_classes_are_widened_until_the_columns_are_few_enough():
    settings = SoilSettings(max_columns=8)
    depth = np.linspace(0.0, 0.06, 300)[None, :]
    notes: list = []
    column, units, liquid = _distinct(np.zeros(300, int), depth, settings, notes)
    assert units.size <= 8
    assert [note.code for note in notes] == ["soil.liquid_classes"]
    # No water is lost by the classes.
    assert liquid[column, 0].sum() == pytest.approx(depth.sum())
