"""The ledger by season and depth: fading, clearing, other grids, never two of one."""

from __future__ import annotations

import dataclasses
import json

import numpy as np
import pytest
import shapely

from trafficmap.core.constants import COMPUTE_DEPTHS
from trafficmap.core.errors import InputError
from trafficmap.core.grid import FieldGrid
from trafficmap.core.layers import new_tray, put_layer
from trafficmap.core.settings.risk import RiskSettings
from trafficmap.field.earlier import (
    STEPS,
    UNKNOWN,
    Earlier,
    SeasonDamage,
    as_steps,
    read_earlier,
    read_tillage,
)
from trafficmap.field.inputs import Inputs
from trafficmap.field.model import Tillage
from trafficmap.field.place import Place
from trafficmap.field.toml import EarlierKeys, TillageKeys
from trafficmap.formats import _files
from trafficmap.outputs.geotiff import geotiff_bytes, ledger_bytes
from trafficmap.risk import carry_over, newest_day, share_left

SETTINGS = RiskSettings()
N = len(COMPUTE_DEPTHS)
GRID = FieldGrid(32616, 500_000.0, 4_500_000.0, 1.0, 4, 6)


def damage(value=0.8, grid=GRID):
    """Equal damage everywhere but in the last column, which is not known."""
    out = np.full((N, *grid.shape), value)
    out[:, :, -1] = np.nan
    return as_steps(out)


def earlier(*seasons, grid=GRID):
    return Earlier(
        "before",
        "Field",
        grid,
        tuple(SeasonDamage(year, f"{year}-11-20", values) for year, values in seasons),
    )


def carry(before, *, season=2026, now=0.3, grid=GRID, **options):
    tray = new_tray(grid)
    put_layer(tray, "probability", np.full((N, *grid.shape), now))
    options = {"tillage": (), "last_tillage_depth": None, **options}
    ledger, notes = carry_over(
        before, tray=tray, grid=grid, inside=np.ones(grid.shape), season=season,
        until=f"{season}-11-20", settings=SETTINGS, **options,
    )  # fmt: skip
    return tray, ledger, notes


def left(tray, col=0):
    return tray["carried_over"].values[:, 0, col]


def test_damage_fades_by_depth_from_its_own_season():
    fades = {0.10: (5.0, 0.0), 0.25: (10.0, 0.5), 0.35: (10.0, 0.5), 0.50: (None, 1.0)}
    for depth, (span, after_six) in fades.items():
        assert share_left(depth, 1, settings=SETTINGS) == 1.0
        assert share_left(depth, 6, settings=SETTINGS) == after_six
        if span:
            assert share_left(depth, int(span) + 1, settings=SETTINGS) == 0.0
        years = [share_left(depth, t, settings=SETTINGS) for t in range(1, 40)]
        assert (np.diff(years) <= 0).all()
    # Deeper never fades sooner.
    for t in range(1, 20):
        shares = [share_left(z, t, settings=SETTINGS) for z in COMPUTE_DEPTHS]
        assert (np.diff(shares) >= 0).all()


def test_carried_over_stands_apart_from_this_season():
    tray, _, notes = carry(earlier((2023, damage(0.8))))
    np.testing.assert_allclose(
        left(tray), [0.8 * k for k in (0.6, 0.8, 0.8, 1, 1, 1)], atol=1e-6
    )
    assert (tray["probability"].values == np.float32(0.3)).all()
    assert [note.code for note in notes] == ["risk.carried_over"]
    assert "not added" in notes[0].sentence
    assert np.isnan(left(tray, col=5)).all()


def test_several_seasons_are_never_added_up():
    both, _, _ = carry(earlier((2024, damage(0.6)), (2025, damage(0.7))))
    last, _, _ = carry(earlier((2025, damage(0.7))))
    np.testing.assert_allclose(left(both), left(last))
    assert np.nanmax(both["carried_over"].values) <= 0.7 + 1e-6


def test_a_chain_of_runs_gives_the_same_as_all_at_once():
    _, first, _ = carry(None, season=2022, now=0.9)
    _, second, _ = carry(Earlier("a", "F", GRID, first.seasons), season=2024, now=0.1)
    chained, third, _ = carry(Earlier("b", "F", GRID, second.seasons), season=2026)
    known = np.ones((N, *GRID.shape))
    at_once, _, _ = carry(
        earlier((2022, as_steps(0.9 * known)), (2024, as_steps(0.1 * known)))
    )
    np.testing.assert_array_equal(
        chained["carried_over"].values, at_once["carried_over"].values
    )
    assert [one.season for one in third.seasons] == [2022, 2024, 2026]
    rows = [row for row in third.table if row["season"] == 2022]
    assert [row["share_left"] for row in rows][:4] == [0.4, 0.7, 0.7, 1.0]
    assert rows[3]["likely_area"] == GRID.size
    assert rows[0]["likely_area"] == 0.0


@pytest.mark.parametrize(
    ("date", "cleared"), [("2026-04-10", True), ("2025-11-20", False)]
)
def test_tillage_after_a_season_clears_it_down_to_its_depth_where_it_ran(date, cleared):
    west = shapely.box(500_000.0, 4_499_996.0, 500_003.0, 4_500_000.0)
    tray, ledger, _ = carry(
        earlier((2025, damage(0.8))), tillage=(Tillage(date, 0.40, "ripper", west),)
    )
    ripped, beside = left(tray, col=0), left(tray, col=3)
    np.testing.assert_allclose(ripped[:3], 0.0 if cleared else 0.8, atol=1e-6)
    np.testing.assert_allclose(ripped[3:], 0.8, atol=1e-6)
    np.testing.assert_allclose(beside, 0.8, atol=1e-6)
    # It stays cleared in the ledger that next year reads.
    kept = ledger.seasons[0].damage[0, 0, 0]
    assert kept == (0 if cleared else round(0.8 * STEPS))


def test_the_last_tillage_before_the_season_clears_only_above_it():
    tray, _, _ = carry(earlier((2025, damage(0.8))), last_tillage_depth=0.20)
    np.testing.assert_allclose(left(tray), [0, 0.8, 0.8, 0.8, 0.8, 0.8], atol=1e-6)
    # Loosened ground holds nothing from before, known or not; deeper stays unknown.
    assert left(tray, col=5)[0] == 0.0
    assert np.isnan(left(tray, col=5)[1:]).all()


def test_a_season_long_past_says_nothing_of_the_topsoil_any_more():
    tray, _, _ = carry(earlier((2010, damage(0.8))))
    np.testing.assert_allclose(left(tray), [0, 0, 0, 0.8, 0.8, 0.8], atol=1e-6)
    assert left(tray, col=5)[0] == 0.0
    assert np.isnan(left(tray, col=5)[3])


def test_a_coarser_grid_takes_the_worst_place_and_a_shift_finds_its_cell():
    narrow = np.zeros((N, *GRID.shape))
    narrow[:, :, 2] = 0.9
    before = earlier((2025, as_steps(narrow)))
    coarse = FieldGrid(32616, 500_000.0, 4_500_000.0, 2.0, 2, 3)
    tray, _, _ = carry(before, grid=coarse)
    np.testing.assert_allclose(
        tray["carried_over"].values[3], [[0, 0.9, 0], [0, 0.9, 0]], atol=1e-6
    )
    moved = dataclasses.replace(GRID, west=GRID.west + 2.0)
    tray, _, _ = carry(before, grid=moved)
    found = tray["carried_over"].values[3, 0]
    np.testing.assert_allclose(found[:4], [0.9, 0, 0, 0], atol=1e-6)
    assert np.isnan(found[4:]).all()  # beyond the earlier grid nothing is known


def test_the_next_zone_of_the_projection_finds_the_same_place():
    west = FieldGrid(32616, 755_000.0, 4_580_000.0, 1.0, 40, 40)
    one = np.zeros((N, *west.shape))
    one[:, 18:22, 18:22] = 1.0
    from pyproj import Transformer

    move = Transformer.from_crs(32616, 32617, always_xy=True)
    east, north = move.transform(755_020.0, 4_579_980.0)
    there = FieldGrid(32617, round(east) - 6.0, round(north) + 6.0, 1.0, 12, 12)
    tray, _, _ = carry(earlier((2025, as_steps(one)), grid=west), grid=there)
    found = tray["carried_over"].values[3]
    assert found.sum() == pytest.approx(16, abs=3)
    rows, cols = np.nonzero(found)
    assert abs(rows.mean() - 5.5) < 1.0
    assert abs(cols.mean() - 5.5) < 1.0


def test_a_run_of_another_place_is_told_and_leaves_no_layer():
    far = dataclasses.replace(GRID, west=GRID.west + 5000.0)
    tray, ledger, notes = carry(earlier((2025, damage(0.8)), grid=far))
    assert "carried_over" not in tray
    assert [note.code for note in notes] == ["risk.earlier_elsewhere"]
    assert len(ledger.seasons) == 1


def test_newest_day():
    assert newest_day(np.array([0.0, np.nan, 86400.0]), 2026) == "1970-01-02"
    assert newest_day(np.array([np.nan]), 2026) == "2026-12-31"


# --- from one run folder to the next -------------------------------------------------


def write_folder(folder, *, ledger=None, season=2025, tray=None, **changes):
    folder.mkdir()
    run = {
        "program": "trafficmap", "schema": 1, "newest_input": "2025-11-20T12:00:00Z",
        "field": {"season": season, "name": "Field"},
        "grid": dataclasses.asdict(GRID), **changes,
    }  # fmt: skip
    _files.write_text(folder / "run.json", json.dumps(run))
    if ledger is not None:
        _files.write_bytes(folder / "ledger.tif", ledger_bytes(ledger, grid=GRID))
    if tray is not None:
        content = geotiff_bytes(tray, "probability", grid=GRID)
        _files.write_bytes(folder / "layers" / "probability.tif", content)


def read(tmp_path, name="before", season=2026):
    return read_earlier(EarlierKeys(run=name), season=season, inputs=Inputs(tmp_path))


def test_the_ledger_comes_back_as_it_was_written(tmp_path):
    _, ledger, _ = carry(earlier((2023, damage(0.8))), season=2025, now=0.4)
    write_folder(tmp_path / "before", ledger=ledger)
    found, notes = read(tmp_path)
    assert [(one.season, one.until) for one in found.seasons] == [
        (2023, "2023-11-20"),
        (2025, "2025-11-20"),
    ]
    for one, kept in zip(found.seasons, ledger.seasons, strict=True):
        np.testing.assert_array_equal(one.damage, kept.damage)
    assert found.grid == GRID
    assert [note.code for note in notes] == ["earlier.read"]
    assert "2023, 2025" in notes[0].sentence


def test_a_run_without_a_ledger_counts_with_its_own_season(tmp_path):
    tray, _, _ = carry(None, season=2025, now=0.4)
    write_folder(tmp_path / "before", tray=tray)
    found, notes = read(tmp_path)
    assert [one.season for one in found.seasons] == [2025]
    assert (found.seasons[0].damage == round(0.4 * STEPS)).all()
    assert [note.code for note in notes] == ["earlier.no_ledger", "earlier.read"]


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"season": 2026}, "earlier.run: before is of season 2026, need one before"),
        (
            {"program": "else"},
            "earlier.run: before/run.json is no run of this program.",
        ),
        ({"field": 3}, "earlier.run: before/run.json is no run of this program."),
        ({}, "earlier.run: before/probability.tif is not there, need it to carry"),
    ],
)
def test_what_is_no_earlier_run_is_refused(tmp_path, changes, sentence):
    write_folder(tmp_path / "before", **changes)
    with pytest.raises(InputError) as caught:
        read(tmp_path)
    assert str(caught.value).startswith(sentence)
    assert caught.value.hint


def test_broken_files_are_refused(tmp_path):
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError, match=r"empty holds no run\.json"):
        read(tmp_path, "empty")
    _, ledger, _ = carry(None, season=2025)
    write_folder(tmp_path / "before", ledger=ledger)
    whole = (tmp_path / "before" / "ledger.tif").read_bytes()
    (tmp_path / "before" / "ledger.tif").write_bytes(whole[:100])
    with pytest.raises(InputError, match="cannot be read"):
        read(tmp_path)
    small = dataclasses.replace(GRID, rows=3)
    one = SeasonDamage(2025, "2025-11-20", ledger.seasons[0].damage[:, :3])
    cut = dataclasses.replace(ledger, seasons=(one,))
    content = ledger_bytes(cut, grid=small)
    (tmp_path / "before" / "ledger.tif").write_bytes(content)
    with pytest.raises(InputError, match="does not fit the grid and depths"):
        read(tmp_path)


def test_nothing_said_nothing_read(tmp_path):
    assert read_earlier(None, season=2026, inputs=Inputs(tmp_path)) == (None, [])


def test_tillage_is_put_in_order_and_on_the_map(tmp_path):
    square = [[-87.0, 40.65], [-86.99, 40.65], [-86.99, 40.66], [-87.0, 40.65]]
    shape = {
        "type": "FeatureCollection",
        "features": [
            {
                "type": "Feature",
                "properties": {},
                "geometry": {"type": "Polygon", "coordinates": [square]},
            }
        ],
    }
    _files.write_text(tmp_path / "ripped.geojson", json.dumps(shape))
    import datetime as dt

    keys = (
        TillageKeys(date=dt.date(2026, 11, 2), depth_cm=40, file="ripped.geojson"),
        TillageKeys(date=dt.date(2026, 4, 2), depth_cm=15, tool="chisel"),
    )
    found, _ = read_tillage(keys, place=Place(32616), inputs=Inputs(tmp_path))
    assert [entry.date for entry in found] == ["2026-04-02", "2026-11-02"]
    assert found[0].area is None
    assert found[0].depth == 0.15
    assert found[1].area.area == pytest.approx(470_000, rel=0.02)


def test_unknown_is_its_own_mark():
    assert UNKNOWN > STEPS
    back = as_steps(np.array([0.0, 0.004, 1.0, np.nan]))
    assert back.tolist() == [0, 1, STEPS, UNKNOWN]
