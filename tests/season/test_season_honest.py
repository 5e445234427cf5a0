"""Replays keep to the clock, and share what a change does not touch."""

from __future__ import annotations

import dataclasses
import math
import sqlite3

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from trafficmap import pipeline
from trafficmap.core.settings.season import SeasonSettings
from trafficmap.field import read_field
from trafficmap.outputs.geopackage import write_layers
from trafficmap.season.carts import combine_ways, drive_carts, fillings_of, may_hold
from trafficmap.season.changes import Change
from trafficmap.season.replay import _moved, replay
from trafficmap.season.review import review

WIDE, LONG = 9.144, 200.0
STRIPS = (4, 10, 16, 22)


def test_a_cart_is_never_in_two_places(driven, farm, choices):
    out = drive_carts(
        driven,
        "cart",
        fillings_of(driven, "cart", settings=choices),
        cap=may_hold(driven, farm.machines["cart"], 0.1, choices),
        ways=combine_ways(driven, ["combine"], choices),
        field=farm,
        settings=choices,
    )
    mine = out.passes[out.passes["machine_id"] == "cart"]
    assert len(mine) > 6
    begin, end = mine["start"].to_numpy(), mine["end"].to_numpy()
    late = (end[:-1] - begin[1:]) / np.timedelta64(1, "ms")
    assert late.max() <= 2.0


def test_less_in_the_cart_counts_where_the_tank_is_not_known(driven, farm, choices):
    table = driven.payload.table.copy()
    combine = (driven.fixes["machine_id"] == "combine").to_numpy()
    table.loc[combine, ["payload_low", "payload", "payload_high"]] = 3000.0
    blind = driven.with_table(table)
    change = Change(name="a", unload_at_ends=True, fill={"cart": 0.1})
    out = _moved(blind, change, farm, choices)
    assert "season.tank_unknown" in {note.code for note in out.notes}
    assert out.trips > 0
    cart = (out.fixes["machine_id"] == "cart").to_numpy()
    most = out.payload.table["payload"].to_numpy(float)[cart].max()
    cap = 0.1 * farm.machines["cart"].capacity(720.0)
    assert most <= cap * (1 + 1e-6)


def test_shared_tracks_change_nothing(folder, choices):
    field, _ = read_field(folder)
    followed = pipeline.follow(field, choices)
    before = followed.fixes.copy()
    name = next(iter(field.machines))
    change = Change(name="soft", pressure_times={name: 0.8})
    alone = replay(field, change, settings=choices)
    shared = replay(field, change, settings=choices, followed=followed)
    np.testing.assert_equal(shared.result.totals, alone.result.totals)
    assert shared.result.found == alone.result.found
    pd.testing.assert_frame_equal(followed.fixes, before)


def test_another_day_is_followed_anew(folder, choices):
    field, _ = read_field(folder)
    followed = dataclasses.replace(pipeline.follow(field, choices), fixes=None)
    change = Change(name="later", days_later=1)
    later = replay(field, change, settings=choices, followed=followed)
    step = later.driven.fixes["time"].min() - field.fixes["time"].min()
    assert step >= pd.Timedelta(days=1)


def test_layers_of_next_year_bring_their_look(tmp_path):
    lanes = gpd.GeoDataFrame(
        {"lane": [1]}, geometry=[shapely.LineString([(0, 0), (0, 9)])], crs=32616
    )
    places = gpd.GeoDataFrame({"place": [1]}, geometry=[shapely.Point(0, 0)], crs=32616)
    layers = {"lanes": (lanes, "LineString"), "loading_places": (places, "Point")}
    path = tmp_path / "next_year.gpkg"
    write_layers(layers, path, mark="a", date=pd.Timestamp("2026-11-04"))
    with sqlite3.connect(path) as base:
        told = dict(base.execute("SELECT f_table_name, styleQML FROM layer_styles"))
    assert set(told) == set(layers)
    assert 'type="line"' in told["lanes"]
    assert 'type="marker"' in told["loading_places"]


def test_the_range_holds_the_true_gain_where_neighbours_are_alike():
    """Yield is a smooth random surface: passes 30 ft apart are much alike."""
    random = np.random.default_rng(11)
    gain, north = 0.05, np.arange(2.0, LONG, 4.0)
    field = shapely.box(0.0, 0.0, 28 * WIDE, LONG)
    left = [shapely.box((k - 1) * WIDE, 0.0, (k + 2) * WIDE, LONG) for k in STRIPS]
    ground = gpd.GeoDataFrame(
        {
            "zone": [1, 0, 0, 0, 0],
            "kind": ["body", *["strip"] * 4],
            "advice": ["rip", *["leave"] * 4],
        },
        geometry=[field.difference(shapely.union_all(left)), *left],
        crs=32616,
    )
    near = np.array([any(abs(k - s) <= 1 for s in STRIPS) for k in range(28)])
    truth = 1.0 + np.where(near, 0.0, gain)
    far = np.abs(np.arange(28)[:, None] - np.arange(28)) * WIDE
    across = np.linalg.cholesky(np.exp(-far / 40.0) + 1e-9 * np.eye(28))
    away = np.abs(north[:, None] - north)
    along = np.linalg.cholesky(np.exp(-away / 40.0) + 1e-9 * np.eye(north.size))
    hits, rounds = 0, 100
    for _ in range(rounds):
        patchy = across @ random.normal(size=(28, north.size)) @ along.T
        value = truth[:, None] + 0.1 * patchy
        readings = pd.DataFrame(
            {
                "easting": np.repeat((np.arange(28) + 0.5) * WIDE, north.size),
                "northing": np.tile(north, 28),
                "mass": value.ravel() * 4.0 * WIDE,
                "area": 4.0 * WIDE,
                "width": WIDE,
            }
        )
        found = review(
            ground, readings, price=0.16, cost=0.0, settings=SeasonSettings()
        )
        hits += found.difference_low <= gain <= found.difference_high
    # Three standard errors of a share of 100.
    slack = 3.0 * math.sqrt(0.9 * 0.1 / rounds)
    assert hits / rounds == pytest.approx(0.90, abs=slack)
