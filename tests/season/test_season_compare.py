"""Seasons side by side, through the whole line on the smallest field."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest

from trafficmap.core.constants import COMPUTE_DEPTHS
from trafficmap.field import read_field
from trafficmap.season.changes import Change
from trafficmap.season.compare import compare, deep_areas
from trafficmap.season.replay import replay


class Layer(SimpleNamespace):
    """A layer as the tray holds it."""


def tray_of(share, chance, word, run_over):
    """Return what `deep_areas` reads, one row of cells of 1 m2."""
    depths = len(COMPUTE_DEPTHS)
    spread = np.zeros((depths, 1, len(word)))
    sure = np.zeros((depths, 1, len(word)))
    for depth, values in share.items():
        spread[COMPUTE_DEPTHS.index(depth), 0] = values
    for depth, values in chance.items():
        sure[COMPUTE_DEPTHS.index(depth), 0] = values
    tray = {
        "inside": Layer(values=np.ones((1, len(word)))),
        "run_over": Layer(values=np.array([run_over], float)),
        "damaged_share": Layer(values=spread),
        "probability": Layer(values=sure),
        "risk_worst": Layer(values=np.array([word])),
    }
    return SimpleNamespace(tray=tray, grid=SimpleNamespace(cell_area=1.0))


def test_deep_areas_by_hand():
    """Cells: very likely, likely, possible, unlikely, not assessed."""
    found = deep_areas(
        tray_of(
            share={
                0.25: [0.45, 0.10, 0.05, 0.01, 0.0],
                0.35: [0.30, 0.36, 0.02, 0.00, 0.0],
                0.50: [0.10, 0.05, 0.12, 0.00, 0.0],
            },
            chance={
                0.25: [0.90, 0.20, 0.10, 0.10, np.nan],
                0.35: [0.60, 0.60, 0.05, 0.00, np.nan],
                0.50: [0.20, 0.10, 0.40, 0.00, np.nan],
            },
            word=[4, 3, 2, 1, 5],
            run_over=[0.5, 0.7, 0.3, 0.2, 0.6],
        )
    )
    assert found["deep"] == pytest.approx(0.45 + 0.36 + 0.12 + 0.01)
    assert found["deep_low"] == pytest.approx(0.45)
    # Under the wheels: 0.45/0.9 = 0.5, 0.36/0.6 = 0.6, 0.12/0.4 = 0.3.
    assert found["deep_likely"] == pytest.approx(0.5 + 0.6)
    assert found["deep_high"] == pytest.approx(0.5 + 0.6 + 0.3)
    assert found["damaged_35cm"] == pytest.approx(0.68)
    assert found["not_assessed"] == pytest.approx(0.6)


def test_nothing_assessed_is_not_zero():
    found = deep_areas(tray_of(share={}, chance={}, word=[5, 5], run_over=[0.5, 0.25]))
    assert math.isnan(found["deep"])
    assert math.isnan(found["damaged_50cm"])
    assert found["not_assessed"] == pytest.approx(0.75)


def test_the_season_as_it_was_is_the_run(folder, choices):
    from trafficmap.pipeline import run

    field, _ = read_field(folder)
    found = compare(field, [], settings=choices)
    result = run(field, choices)
    row = found.table.iloc[0]
    assert row["run_over"] == pytest.approx(118.0, rel=1e-4)
    assert row["load_distance"] == result.totals["load_distance_mg_km_ha"]
    assert row["heaviest_wheel"] == pytest.approx(2000.0)
    assert row["trips_added"] == 0


def test_doubling_the_pressure_moves_no_wheel(folder, choices):
    field, _ = read_field(folder)
    (machine,) = field.machines
    change = Change(name="hard", pressure_times={machine: 2.0}, yearly_cost=10.0)
    found = compare(field, [change], settings=choices, suggestions=False)
    first, second = (found.table.iloc[k] for k in (0, 1))
    for name in ("run_over", "driven", "load_distance", "heaviest_wheel"):
        assert first[name] == second[name]
    assert found.suggestion is None
    assert second["extra_cost"] == 10.0


def test_lanes_move_the_pass_and_only_it(folder, choices):
    """Lanes every 5 m through east 0: passes at 10.5 and 20.5 go to 10 and 20."""
    field, _ = read_field(folder)
    before = replay(field, None, settings=choices)
    west = field.boundary.bounds[0]
    from pyproj import Transformer

    to_place = Transformer.from_crs(field.epsg, 4326, always_xy=True)
    place = to_place.transform(west, field.boundary.bounds[1])
    change = Change(
        name="lanes", lanes_every_m=5.0, lanes_heading_deg=0.0, lanes_through=place
    )
    import msgspec

    small = msgspec.structs.replace(
        choices, season=msgspec.structs.replace(choices.season, lane_least=20.0)
    )
    after = replay(field, change, settings=small)
    # Marks of half a metre about 9 and 11, 19 and 21: a quarter of two columns each.
    told = after.result.tray["run_over"].values[:15].mean(axis=0)
    west_most = round(west - after.result.grid.west)
    columns = west_most + np.array([8, 9, 10, 11, 18, 19, 20, 21])
    wanted = [0.25, 0.25, 0.25, 0.25, 0.25, 0.25, 0.25, 0.25]
    wanted[1:3] = [0.25, 0.25]
    assert told[columns] == pytest.approx(wanted, abs=0.02)
    marks = before.result.tray["run_over"].values[:15].mean(axis=0)
    assert marks[west_most + 9] == pytest.approx(0.5, abs=0.02)
