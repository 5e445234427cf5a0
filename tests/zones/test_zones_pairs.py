"""Pairs of a stop and its twin, readings too old, and units cut between findings."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
from shapely import box

from trafficmap.core.layers import put_layer
from trafficmap.core.settings.zones import ZoneSettings
from trafficmap.core.tables import DUG, PROBE_PAIRS, require_table
from trafficmap.field.model import Tillage
from trafficmap.zones.candidates import candidates
from trafficmap.zones.confirm import confirm
from trafficmap.zones.dug import still_good, unit_of_readings
from trafficmap.zones.pairs import pairs
from trafficmap.zones.probe_walk import walking_order
from trafficmap.zones.split import split_by_findings

SETTINGS = ZoneSettings()
WEST, SOUTH = 500_000.0, 4_400_000.0
DAY = "2026-10-25"
LOOSE = 1.2e6


def push(place, *, wheeled, layer=None, point="p", day=DAY):
    """Rows of one push: 3 MPa from top to bottom of `layer` [m], else 1.2 MPa."""
    rows = []
    for depth in np.round(np.arange(0.05, 0.51, 0.025), 3):
        hard = layer is not None and layer[0] <= depth <= layer[1]
        rows.append((point, *place, pd.Timestamp(day), "probe", wheeled, depth,
                     3.0e6 if hard else LOOSE, ""))  # fmt: skip
    return rows


def spade(place, word, *, point="p", day=DAY):
    return [(point, *place, pd.Timestamp(day), "spade", 1.0, np.nan, np.nan, word)]


def dug_table(*groups):
    frame = pd.DataFrame(
        list(itertools.chain.from_iterable(groups)), columns=DUG.names()
    )
    frame["date"] = frame["date"].astype("datetime64[s]")
    return require_table(
        frame.astype({"depth": float, "value": float, "wheeled": float}), DUG
    )


def stop(place, *, layer=None, day=DAY, point="p"):
    """A stop and its twin two metres to the east."""
    beside = (place[0] + 2.0, place[1])
    return [
        *push(place, wheeled=1.0, layer=layer, point=point, day=day),
        *push(beside, wheeled=0.0, point=f"{point} beside", day=day),
    ]


def test_a_pair_says_layer_where_it_is_hard_and_harder_than_its_twin():
    found = pairs(
        dug_table(
            stop((WEST, SOUTH), layer=(0.2, 0.3), point="a"),
            stop((WEST + 20, SOUTH), point="b"),
        ),
        settings=SETTINGS,
    )
    require_table(found, PROBE_PAIRS)
    assert found["found"].tolist() == [True, False]
    assert found["beside"].tolist() == ["a beside", "b beside"]
    # Straight lines between 0.175 and 0.2 m, and between 0.3 and 0.325 m.
    rise = (SETTINGS.cone_limit - LOOSE) / (3.0e6 - LOOSE) * 0.025
    assert found["top"].iloc[0] == pytest.approx(0.175 + rise, abs=1e-6)
    assert found["bottom"].iloc[0] == pytest.approx(0.325 - rise, abs=1e-6)
    assert found["ratio"].iloc[1] == pytest.approx(1.0)


def test_readings_of_two_days_are_never_compared():
    table = dug_table(
        push((WEST, SOUTH), wheeled=1.0, layer=(0.2, 0.3)),
        push((WEST + 2, SOUTH), wheeled=0.0, day="2026-10-26"),
    )
    assert pairs(table, settings=SETTINGS).empty


def test_a_stop_without_a_twin_near_says_nothing():
    table = dug_table(
        push((WEST, SOUTH), wheeled=1.0, layer=(0.2, 0.3)),
        push((WEST + 90, SOUTH), wheeled=0.0),
    )
    assert pairs(table, settings=SETTINGS).empty


def test_each_stop_takes_the_twin_nearest_to_it():
    table = dug_table(
        push((WEST, SOUTH), wheeled=1.0, layer=(0.2, 0.3), point="a"),
        push((WEST + 9, SOUTH), wheeled=0.0, point="far"),
        push((WEST + 4, SOUTH), wheeled=0.0, point="near"),
    )
    assert pairs(table, settings=SETTINGS)["beside"].tolist() == ["near"]


def test_days_unsaid_make_pairs_among_themselves():
    table = dug_table(stop((WEST, SOUTH), layer=(0.2, 0.3)))
    table["date"] = pd.Series(pd.NaT, index=table.index, dtype="datetime64[s]")
    assert pairs(table, settings=SETTINGS)["found"].tolist() == [True]


# --- readings that are too old ---


def grid_of(make_field, make_tray, chance=0.9):
    field = make_field()
    tray, grid = make_tray(field, chance)
    return field, tray, grid


@pytest.mark.parametrize(
    ("day", "kept"), [("2026-10-13", 0), ("2026-10-14", 1), ("2026-10-15", 1)]
)
def test_a_reading_before_the_last_pass_there_is_too_old(
    make_field, make_tray, day, kept
):
    _, _, grid = grid_of(make_field, make_tray)
    last = np.zeros(grid.shape, dtype=np.int32)
    last[:, :50] = 20261014
    table = dug_table(push((WEST + 20, SOUTH + 100), wheeled=1.0, day=day))
    left, notes = still_good(table, grid=grid, settings=SETTINGS, last_day=last)
    assert (len(left) > 0) == bool(kept)
    assert [note.code for note in notes] == ([] if kept else ["dug.too_old"])
    if notes:
        assert notes[0].count == 1


def test_where_no_wheel_came_after_readings_stay(make_field, make_tray):
    _, _, grid = grid_of(make_field, make_tray)
    last = np.zeros(grid.shape, dtype=np.int32)
    last[:, :50] = 20261014
    table = dug_table(push((WEST + 120, SOUTH + 100), wheeled=0.0, day="2026-04-01"))
    left, notes = still_good(table, grid=grid, settings=SETTINGS, last_day=last)
    assert len(left) == len(table)
    assert not notes


def test_a_wheel_a_step_aside_counts(make_field, make_tray):
    _, _, grid = grid_of(make_field, make_tray)
    last = np.zeros(grid.shape, dtype=np.int32)
    last[:, :50] = 20261014
    near = dug_table(push((WEST + 51.5, SOUTH + 100), wheeled=0.0, day="2026-04-01"))
    left, _ = still_good(near, grid=grid, settings=SETTINGS, last_day=last)
    assert left.empty


def test_tillage_makes_readings_under_it_too_old(make_field, make_tray):
    _, _, grid = grid_of(make_field, make_tray)
    half = box(WEST, SOUTH, WEST + 100, SOUTH + 300)
    table = dug_table(
        push((WEST + 20, SOUTH + 100), wheeled=1.0, point="under"),
        push((WEST + 150, SOUTH + 100), wheeled=1.0, point="beside"),
    )
    tilled = (Tillage("2026-10-30", 0.3, area=half),)
    left, notes = still_good(table, grid=grid, settings=SETTINGS, tillage=tilled)
    assert set(left["point"]) == {"beside"}
    assert "older than the last wheel or tool" in notes[0].sentence
    same_day = (Tillage(DAY, 0.3),)
    left, _ = still_good(table, grid=grid, settings=SETTINGS, tillage=same_day)
    assert len(left) == len(table)


def test_readings_without_a_day_and_hand_rolls_stay(make_field, make_tray):
    _, _, grid = grid_of(make_field, make_tray)
    last = np.full(grid.shape, 20261014, dtype=np.int32)
    table = dug_table(push((WEST + 20, SOUTH + 100), wheeled=1.0, day="2026-01-01"))
    table.loc[:4, "date"] = pd.NaT
    table.loc[5:9, "kind"] = "hand_roll"
    left, _ = still_good(table, grid=grid, settings=SETTINGS, last_day=last)
    assert len(left) == 10


class Series:
    """A soil series that was frozen on one day, in the western soil only."""

    def __init__(self, grid, thickness):
        column = np.zeros(grid.shape, dtype=int)
        column[:, 100:] = 1
        self.columns = type("Columns", (), {"column_of_cell": column.ravel()})
        self.dates = pd.date_range("2026-10-20", periods=10)
        self.frozen = np.zeros((10, 2))
        self.frozen[5, 0] = thickness  # 25 October


@pytest.mark.parametrize(("frost", "kept"), [(0.02, 2), (0.03, 1)])
def test_a_cone_pushed_through_frost_tells_nothing(make_field, make_tray, frost, kept):
    _, _, grid = grid_of(make_field, make_tray)
    table = dug_table(
        push((WEST + 20, SOUTH + 100), wheeled=1.0, point="frozen"),
        push((WEST + 150, SOUTH + 100), wheeled=1.0, point="open"),
        spade((WEST + 20, SOUTH + 100), "plates", point="hole"),
    )
    left, notes = still_good(
        table, grid=grid, settings=SETTINGS, series=Series(grid, frost)
    )
    assert left.loc[left["kind"] == "probe", "point"].nunique() == kept
    assert "hole" in set(left["point"])
    assert [note.code for note in notes] == (["dug.frozen"] if kept == 1 else [])
    other = table.assign(date=pd.Timestamp("2026-10-24"))
    whole, _ = still_good(
        other, grid=grid, settings=SETTINGS, series=Series(grid, frost)
    )
    assert len(whole) == len(table)


# --- a twin goes with its stop ---


def test_a_twin_across_the_edge_goes_with_its_stop(make_field, make_tray):
    _, _, grid = grid_of(make_field, make_tray)
    label = np.ones(grid.shape, dtype=np.int32)
    label[:, 100:] = 2
    table = dug_table(stop((WEST + 99.5, SOUTH + 100), layer=(0.2, 0.3)))
    own = unit_of_readings(table, label, grid=grid, reach=50.0)
    assert set(own) == {1}


# --- units cut between findings ---


def units_with(make_field, make_tray, dug, **changes):
    field = make_field(dug=dug)
    tray, grid = make_tray(field, 0.9)
    settings = ZoneSettings(**changes)
    units, _ = candidates(tray, field=field, grid=grid, settings=settings)
    return units, tray, settings


def both_halves(south_layer, north_layer, *, each=5, spades=True):
    """Stops on a lattice: the south half finds one thing, the north another."""
    groups = []
    for half, (layer, north) in enumerate(((south_layer, 60), (north_layer, 220))):
        for k in range(each):
            place = (WEST + 20 + 35 * k, SOUTH + north + 10 * (k % 2))
            groups.append(stop(place, layer=layer, point=f"{half}-{k}"))
        if spades:
            place = (WEST + 20, SOUTH + north)
            groups.append(spade(place, "plates" if layer else "granular"))
    return dug_table(*groups)


def test_a_unit_is_cut_where_half_of_it_holds_a_layer(make_field, make_tray):
    dug = both_halves((0.2, 0.3), None)
    units, tray, settings = units_with(make_field, make_tray, dug)
    whole = confirm(units, dug, settings=settings)
    assert whole.table["probed"].iloc[1] == "confirmed"  # half of the probes are hard
    cut, notes = split_by_findings(units, dug, tray=tray, settings=settings)
    assert [note.code for note in notes] == ["zones.split_by_findings"]
    assert len(cut.table) == len(units.table) + 1
    both = confirm(cut, dug, settings=settings).table.iloc[1:]
    assert sorted(both["probed"]) == ["confirmed", "no layer"]
    # All ground stays in one unit, and the edge lies between the rows of stops.
    assert cut.table["area"].sum() == pytest.approx(units.table["area"].sum())
    rows = np.flatnonzero((cut.label == 1).any(axis=1))
    others = np.flatnonzero((cut.label == len(units.table)).any(axis=1))
    edge = cut.grid.north - max(min(rows), min(others)) * cut.grid.cell
    assert edge == pytest.approx(SOUTH + 145, abs=6.0)


def test_a_layer_out_of_reach_is_another_finding(make_field, make_tray):
    dug = both_halves((0.2, 0.3), (0.2, 0.45))
    units, tray, settings = units_with(make_field, make_tray, dug)
    cut, _ = split_by_findings(units, dug, tray=tray, settings=settings)
    bottoms = confirm(cut, dug, settings=settings).table["layer_bottom"].iloc[1:]
    assert sorted(bottoms.round(2)) == pytest.approx([0.31, 0.46], abs=0.02)


@pytest.mark.parametrize(
    ("dug", "changes"),
    [
        (both_halves((0.2, 0.3), (0.2, 0.3)), {}),  # all found the same
        (both_halves((0.2, 0.3), None, each=3), {}),  # too few on each side
        (both_halves((0.2, 0.3), None), {"min_area": 40_000.0}),  # pieces too small
        (DUG.empty(), {}),
    ],
)
def test_a_unit_stays_whole(make_field, make_tray, dug, changes):
    units, tray, settings = units_with(make_field, make_tray, dug, **changes)
    cut, notes = split_by_findings(units, dug, tray=tray, settings=settings)
    assert cut is units
    assert notes == []


def test_one_stray_stop_cuts_nothing(make_field, make_tray):
    groups = [
        stop(
            (WEST + 20 + 20 * k, SOUTH + 60 + 40 * r), layer=(0.2, 0.3), point=f"{r}{k}"
        )
        for r in range(4)
        for k in range(5)
        if (r, k) != (1, 2)
    ]
    groups.append(stop((WEST + 60, SOUTH + 100), point="stray"))
    dug = dug_table(*groups)
    units, tray, settings = units_with(make_field, make_tray, dug)
    cut, _ = split_by_findings(units, dug, tray=tray, settings=settings)
    assert cut is units


def test_soil_units_do_not_matter_for_the_cut(make_field, make_tray):
    dug = both_halves((0.2, 0.3), None)
    units, tray, settings = units_with(make_field, make_tray, dug)
    put_layer(tray, "soil_unit", np.zeros(units.grid.shape))
    cut, _ = split_by_findings(units, dug, tray=tray, settings=settings)
    assert len(cut.table) == len(units.table) + 1


# --- the way past all stops ---


@pytest.mark.parametrize("seed", range(6))
def test_the_way_is_nearly_as_short_as_any(seed):
    rng = np.random.default_rng(seed)
    places = rng.uniform(0, 300, (7, 2))

    def length(order):
        way = np.vstack((np.zeros(2), places[list(order)]))
        return np.hypot(*np.diff(way, axis=0).T).sum()

    ours = walking_order(places, start=np.zeros(2))
    assert sorted(ours) == list(range(7))
    best = min(length(order) for order in itertools.permutations(range(7)))
    assert length(ours) <= 1.10 * best


def test_the_way_of_no_stop_and_of_one():
    assert walking_order(np.empty((0, 2)), start=np.zeros(2)).tolist() == []
    assert walking_order(np.ones((1, 2)), start=np.zeros(2)).tolist() == [0]
