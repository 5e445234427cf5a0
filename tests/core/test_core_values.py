"""Units, grid, layers, tables and settings: countable by hand."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest

from trafficmap.core.errors import (
    GridMismatchError,
    InputError,
    LayerError,
    SettingsError,
    TableError,
)
from trafficmap.core.grid import FieldGrid
from trafficmap.core.layers import LAYER_BOOK, get_layer, new_tray, put_layer
from trafficmap.core.notes import Note, worst_first
from trafficmap.core.settings import (
    Settings,
    read_settings,
    settings_as_dict,
    settings_from_dict,
)
from trafficmap.core.tables import CONTRACTS, FIXES, require_table
from trafficmap.core.units import from_si, known_units, to_si

# One mile is 5 280 ft of exactly 0.3048 m; the pound is exactly 0.45359237 kg; the
# US gallon is 231 in3 (NIST Handbook 44, Appendix C).
FACTORS = [
    (1, "mi", 5280 * 0.3048),
    (1, "ac", 43560 * 0.3048**2),
    (1, "gal", 231 * 0.0254**3),
    (1, "psi", 0.45359237 * 9.80665 / 0.0254**2),
    (1, "hp", 550 * 0.3048 * 0.45359237 * 9.80665),
    (1, "short_ton", 2000 * 0.45359237),
    (1, "mph", 5280 * 0.3048 / 3600),
    (32, "degF", 0.0),
    (212, "degF", 100.0),
    (273.15, "K", 0.0),
    (1, "gal/ac", 231 * 0.0254**3 / (43560 * 0.3048**2)),
    (10, "t/h", 10 / 3.6),
    (1, "lbf", 0.45359237 * 9.80665),
    (1, "ft3", 0.3048**3),
]


@pytest.mark.parametrize(("value", "unit", "si"), FACTORS)
def test_factors_follow_from_their_definitions(value, unit, si):
    assert to_si(value, unit) == pytest.approx(si, rel=1e-12, abs=1e-12)


@pytest.mark.parametrize("unit", known_units())
def test_every_unit_comes_back(unit):
    assert from_si(to_si(7.25, unit), unit) == pytest.approx(7.25, rel=1e-12)


def test_unknown_unit_names_the_choices():
    with pytest.raises(InputError, match="need one of"):
        to_si(1.0, "stone")


def grid_of(rows, cols, cell=1.0):
    return FieldGrid(epsg=32616, west=0, north=rows, cell=cell, rows=rows, cols=cols)


def test_row_zero_is_north_and_the_corner_is_the_origin():
    grid = grid_of(3, 3)
    assert grid.cell_index(0.5, 2.5) == 0
    assert grid.cell_index(2.5, 0.5) == 8
    assert grid.cell_index(-0.1, 0.5) == -1
    easting, northing = grid.centres()
    np.testing.assert_array_equal(easting, [0.5, 1.5, 2.5])
    np.testing.assert_array_equal(northing, [2.5, 1.5, 0.5])
    assert grid.bounds == (0, 0, 3, 3)


def test_covering_snaps_outward_to_whole_cells():
    grid = FieldGrid.covering((0.2, 0.2, 9.9, 4.1), cell=1.0, epsg=32616)
    assert grid.bounds == (0, 0, 10, 5)


def test_a_far_off_fix_is_refused_before_anything_is_allocated():
    with pytest.raises(InputError, match="cells of 1 m would be needed") as caught:
        FieldGrid.covering((0, 0, 5e6, 5e6), cell=1.0, epsg=32616)
    assert "far-off" in caught.value.hint


def test_bounds_that_are_not_numbers_are_refused():
    with pytest.raises(InputError, match="four finite numbers"):
        FieldGrid.covering((0, 0, float("inf"), 1), cell=1.0, epsg=32616)


def test_two_grids_are_never_mixed():
    with pytest.raises(GridMismatchError, match="is on another grid"):
        grid_of(3, 3).require_same(grid_of(3, 4), "soil map")


def test_layers_go_in_and_out_unchanged():
    tray = new_tray(grid_of(2, 2))
    put_layer(tray, "run_over", np.array([[0, 0.5], [1, np.nan]]))
    np.testing.assert_array_equal(get_layer(tray, "run_over"), [[0, 0.5], [1, np.nan]])
    assert tray["run_over"].attrs["units"] == "share"


def test_a_layer_outside_its_range_is_refused():
    with pytest.raises(LayerError, match="need 0 to 1 share"):
        put_layer(new_tray(grid_of(1, 1)), "run_over", np.array([[2.0]]))


def test_a_wrong_layer_name_meets_the_nearest():
    text = "layer: got 'wheelpasses', need a name in the layer book; nearest is"
    with pytest.raises(LayerError, match=re.escape(text)):
        get_layer(new_tray(grid_of(1, 1)), "wheelpasses")


def test_a_layer_that_was_not_made_is_asked_for():
    with pytest.raises(LayerError, match="is not in this run"):
        get_layer(new_tray(grid_of(1, 1)), "risk")


def test_a_layer_of_the_wrong_shape_is_refused():
    with pytest.raises(LayerError, match=r"got shape \(2,\)"):
        put_layer(new_tray(grid_of(1, 1)), "run_over", np.zeros(2))


@pytest.mark.parametrize("spec", LAYER_BOOK.values(), ids=LAYER_BOOK)
def test_no_legal_value_is_the_mark_for_unknown(spec):
    assert not (spec.low <= spec.nodata <= spec.high)


@pytest.mark.parametrize("contract", CONTRACTS, ids=lambda c: c.name)
def test_empty_tables_keep_their_contract(contract):
    assert require_table(contract.empty(), contract) is not None


def test_a_missing_column_is_named_with_its_unit():
    frame = FIXES.empty().drop(columns="easting")
    with pytest.raises(TableError, match=r"column 'easting' is missing.*\[m\]"):
        require_table(frame, FIXES)


def test_naive_time_is_refused():
    frame = FIXES.empty()
    frame["time"] = pd.Series([], dtype="datetime64[ms]")
    with pytest.raises(TableError, match="'time' holds"):
        require_table(frame, FIXES)


def test_unknown_settings_are_refused_with_their_path():
    with pytest.raises(SettingsError, match=r"traffic.*cel|cel.*traffic"):
        settings_from_dict({"traffic": {"cel": 2.0}})


def test_settings_come_back_from_their_own_dict(tmp_path):
    assert settings_from_dict(settings_as_dict(Settings())) == Settings()
    path = tmp_path / "settings.toml"
    path.write_text("[traffic]\ncell = 2.0\n", encoding="utf-8")
    assert read_settings(path).traffic.cell == 2.0


def test_broken_settings_file_names_the_file(tmp_path):
    path = tmp_path / "settings.toml"
    path.write_text("[traffic\n", encoding="utf-8")
    with pytest.raises(SettingsError, match=r"settings\.toml"):
        read_settings(path)


def test_notes_come_worst_first_and_once():
    info, stop = Note("a", "info", "x."), Note("b", "stop", "y.")
    assert worst_first([info, stop, info]) == [stop, info]
