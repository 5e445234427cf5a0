"""Carts driven another way, against a harvest counted by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trafficmap.core.tables import PASSES, SPLIT_FIXES, require_table
from trafficmap.season.carts import (
    combine_ways,
    drive_carts,
    fill_less,
    fillings_of,
    fold,
    kept_lines,
    may_hold,
)
from trafficmap.season.changes import Change
from trafficmap.season.driven import moves
from trafficmap.season.ends import unload_at_ends, unload_rows


def hauled(driven, machine_id):
    """Return the mass a machine brought away: what its level fell, leg by leg."""
    level = driven.payload.table["payload"].to_numpy()
    total = 0.0
    for rows in driven.rows_of(machine_id):
        mine = level[rows]
        if driven.fixes["log_id"].iloc[rows[0]] <= 1:
            total += float(-np.minimum(np.diff(mine), 0.0).sum())
    return total


def check_together(driven):
    """Fixes, passes and payload still belong together."""
    require_table(driven.fixes, SPLIT_FIXES)
    require_table(driven.passes, PASSES)
    assert len(driven.payload.table) == len(driven.fixes)
    for row in driven.passes.itertuples():
        mine = driven.fixes.iloc[row.first : row.last]
        assert (mine["machine_id"] == row.machine_id).all()
        assert (mine["log_id"] == row.log_id).all()


def test_the_made_up_cart_hauls_three_loads(driven, choices):
    (rows,) = driven.rows_of("cart")
    level = driven.payload.table["payload"].to_numpy()[rows]
    found = moves(level, driven.fixes["seconds"].to_numpy()[rows], least=200.0)
    assert found.mass.tolist() == [4500, -4500, 6000, -6000, 1500, -1500]
    assert found.loads == 3


def test_a_cart_filled_to_three_tonnes_makes_two_more_trips(driven, farm, choices):
    full = farm.machines["cart"].capacity(720.0)
    out = fill_less(driven, "cart", 3000.0 / full, field=farm, settings=choices)
    # 4 500 kg is two loads, 6 000 kg exactly two, 1 500 kg one: 5 in place of 3.
    assert out.trips == 2
    check_together(out)
    level = out.payload.table["payload"].to_numpy()
    cart = (out.fixes["machine_id"] == "cart").to_numpy()
    assert level[cart].max() <= 3000.0 * (1 + 1e-6)
    assert hauled(out, "cart") + 2 * 3000.0 == pytest.approx(12_000.0)


def test_added_trips_drive_there_and_back(driven, farm, choices):
    full = farm.machines["cart"].capacity(720.0)
    out = fill_less(driven, "cart", 3000.0 / full, field=farm, settings=choices)
    before = driven.passes.loc[driven.passes["machine_id"] == "cart", "length"].sum()
    after = out.passes.loc[out.passes["machine_id"] == "cart", "length"].sum()
    # From truck to the two places of handing over, there and back once more.
    way = sum(
        2 * float(np.hypot(east + 9.144 - 60.0, 150.0 - 5.0))
        for east in (19.144, 37.432)
    )
    assert after - before == pytest.approx(way, rel=0.03)


def test_a_load_that_was_never_reached_changes_nothing(driven, farm, choices):
    out = fill_less(driven, "cart", 1.0, field=farm, settings=choices)
    assert out.trips == 0
    assert [note.code for note in out.notes] == ["season.fill_enough"]
    assert out.fixes.equals(driven.fixes)


def test_unknown_loads_are_not_made_into_trips(driven, farm, choices):
    table = driven.payload.table.copy()
    cart = (driven.fixes["machine_id"] == "cart").to_numpy()
    table.loc[cart, "payload"] = 9000.0
    table.loc[cart, "payload_low"] = 0.0
    table.loc[cart, "payload_high"] = 18_000.0
    table.loc[cart, "source"] = "assumed"
    out = fill_less(driven.with_table(table), "cart", 0.5, field=farm, settings=choices)
    assert out.trips == 0
    assert [note.code for note in out.notes] == ["season.loads_unknown"]
    cap = 0.5 * farm.machines["cart"].capacity(720.0)
    new = out.payload.table[cart]
    assert new["payload_high"].max() <= cap + 1e-6
    assert new["payload"].max() == pytest.approx(min(9000.0, 0.5 * cap))


@given(
    loads=st.lists(st.floats(0.0, 20_000.0), min_size=1, max_size=6),
    cap=st.floats(500.0, 30_000.0),
)
def test_folding_loses_no_mass_and_never_overfills(loads, cap):
    level = np.concatenate([[0.0, load / 3, load, load, 0.0] for load in loads])
    out, over = fold(level, cap)
    assert out.max() <= cap * (1 + 1e-6)
    assert (out >= -1e-9).all()
    brought = -np.minimum(np.diff(out, prepend=0.0), 0.0)
    left = np.zeros(len(level))
    np.add.at(left, over, cap)
    # What falls where a load leaves is that load, not an emptying.
    rises = np.maximum(np.diff(level, prepend=0.0), 0.0)
    emptied = np.where(np.diff(level, prepend=0.0) < 0.0, brought, 0.0)
    assert emptied.sum() + left.sum() == pytest.approx(rises.sum(), abs=1e-6)


def test_carts_on_combine_tracks_only_use_ground_already_cut(driven, farm, choices):
    ways = combine_ways(driven, ["combine"], choices)
    orders = kept_lines(driven, fillings_of(driven, "cart", settings=choices), ways)
    out = drive_carts(
        driven,
        "cart",
        orders,
        cap=may_hold(driven, farm.machines["cart"], None, choices),
        ways=ways,
        field=farm,
        settings=choices,
        same_loads=True,
    )
    assert out.trips == 0
    check_together(out)
    cart = out.fixes[out.fixes["machine_id"] == "cart"]
    east = cart["easting"].to_numpy() - 500_000.0
    north = cart["northing"].to_numpy() - 4_500_000.0
    lines = np.array([10.0, 19.144, 28.288, 37.432])
    body = (north > 20.0) & (north < 140.0)
    away = np.abs(east[body][:, None] - lines[None]).min(axis=1)
    # But for the last metres to the combine the cart is on its lines.
    assert np.quantile(away, 0.8) < 3.0
    level = out.payload.table["payload"].to_numpy()
    assert level[(out.fixes["machine_id"] == "cart").to_numpy()].max() == 6000.0


def test_unloading_at_the_ends_keeps_the_cart_out_of_the_body(driven, farm, choices):
    change = Change(name="ends", unload_at_ends=True)
    out = unload_at_ends(driven, change, field=farm, settings=choices)
    check_together(out)
    cart = out.fixes[out.fixes["machine_id"] == "cart"]
    box = farm.boundary.buffer(-31.0).bounds
    inside = cart["easting"].between(box[0], box[2]) & cart["northing"].between(
        box[1], box[3]
    )
    assert not inside.any()
    # The tank is emptied in the end rows only, and all of it.
    level = out.payload.table["payload"].to_numpy()
    mine = np.flatnonzero((out.fixes["machine_id"] == "combine").to_numpy())
    falls = np.flatnonzero(np.diff(level[mine]) < -1.0)
    north = out.fixes["northing"].to_numpy()[mine[falls + 1]] - 4_500_000.0
    assert ((north <= 30.0) | (north >= 270.0)).all()
    assert level[mine].max() <= farm.machines["combine"].capacity(720.0) * 1.0001


def test_a_row_longer_than_the_tank_is_said(driven, farm, choices):
    rows, forced = unload_rows(
        np.arange(0.0, 5001.0, 100.0),
        np.arange(51) % 50 == 0,
        2000.0,
        start=0.0,
        empty_last=True,
    )
    assert forced == 2
    assert sum(mass for _, mass in rows) == pytest.approx(5000.0)


@given(
    rate=st.floats(1.0, 400.0),
    cap=st.floats(500.0, 12_000.0),
    row=st.integers(2, 30),
)
def test_a_tank_never_holds_more_than_it_can_plus_one_step(rate, cap, row):
    n = 200
    cut = rate * np.arange(n, dtype=float)
    ends = np.arange(n) % row == 0
    found, _ = unload_rows(cut, ends, cap, start=0.0, empty_last=True)
    masses = [mass for _, mass in found]
    assert sum(masses) == pytest.approx(cut[-1])
    assert max(masses, default=0.0) <= cap + rate + 1e-6


def test_a_field_without_end_rows_is_refused(driven, farm, choices):
    from types import SimpleNamespace

    from trafficmap.core.errors import InputError

    bare = SimpleNamespace(**{**vars(farm), "end_row_width": None})
    with pytest.raises(InputError, match="width of the end rows is not known"):
        unload_at_ends(
            driven,
            Change(name="ends", unload_at_ends=True),
            field=bare,
            settings=choices,
        )
