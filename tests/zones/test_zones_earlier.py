"""Damage of earlier seasons makes candidates, and the reason says so."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from trafficmap.core.constants import COMPUTE_DEPTHS
from trafficmap.core.layers import put_layer
from trafficmap.core.settings.zones import ZoneSettings
from trafficmap.zones import candidates, confirm, decide_units
from trafficmap.zones.earlier import earlier_words, left_from_earlier, left_in_unit
from trafficmap.zones.units import REST

SETTINGS = ZoneSettings()


def left(tray, value, *, depth=0.50, where=np.s_[100:200, 60:140]):
    """Put `value` at one depth into a block of cells, nothing elsewhere."""
    shape = tray["probability"].shape
    layer = np.zeros(shape)
    layer[COMPUTE_DEPTHS.index(depth)][where] = value
    put_layer(tray, "carried_over", layer)
    return layer


@pytest.fixture
def advised(make_field, make_tray, ripper):
    """Advice where this season did `chance` and an earlier one left `before`."""

    def make(chance, before=None, *, dug=None, depth=0.50):
        field = make_field(logs=("a log",))
        if dug is not None:
            field = dataclasses.replace(field, dug=dug)
        tray, grid = make_tray(field, chance)
        if before is not None:
            left(tray, before, depth=depth)
        work = {"field": field, "settings": SETTINGS, "tool": ripper}
        units, _ = candidates(tray, grid=grid, **work)
        units = confirm(units, field.dug, settings=SETTINGS)
        units, _ = decide_units(units, **work)
        return units

    return make


def test_no_earlier_season_changes_nothing(advised):
    units = advised(0.05)
    assert list(units.table["kind"]) == ["rest"]
    assert units.table["earlier"].isna().all()
    assert "earlier" not in units.table["reason"][REST]


def test_ground_an_earlier_season_pressed_is_a_candidate_and_says_so(advised):
    units = advised(0.05, 0.8)
    body = units.table[units.table["kind"] == "body"].iloc[0]
    # Grown by the width of the tool; all of the block lies in it.
    assert (units.label[100:200, 60:140] == body["unit"]).all()
    assert body["earlier"] == pytest.approx(0.8)
    assert body["earlier_depth"] == 0.50
    # This season's own chance is told as it is, and not made larger.
    assert body["probability"] == pytest.approx(0.05)
    assert body["advice"] == "probe first"
    assert (
        "an earlier season left damage at 20 in (50 cm), about 8 in 10"
        in (body["reason"])
    )


def test_where_this_season_did_it_too_it_stands_beside(advised):
    units = advised(0.9, 0.8)
    body = units.table[units.table["kind"] == "body"].iloc[0]
    assert "earlier season" not in body["reason"]
    assert "an earlier season left damage at 20 in" in body["further"]
    assert body["probability"] == pytest.approx(0.9)


def test_never_the_sum_of_two_seasons(advised):
    """0.3 now and 0.3 then is 0.3 and not 0.6: the advice is that of 0.3 alone."""
    one, both = advised(0.3), advised(0.3, 0.3)
    words = [set(u.table.loc[u.table["unit"] != REST, "row"]) for u in (one, both)]
    assert words[0] == words[1]


def test_little_that_was_left_says_nothing(advised):
    units = advised(0.05, SETTINGS.seed / 2)
    assert list(units.table["kind"]) == ["rest"]
    assert "earlier" not in units.table["reason"][REST]


def test_ground_not_assessed_this_season_stays_so(advised):
    units = advised(np.nan, 0.8)
    driven = units.table[units.table["run_over"] > 0]
    assert set(driven["advice"]) == {"not assessed"}


def test_what_was_left_is_told_at_its_depth(make_field, make_tray):
    tray, _ = make_tray(make_field(), 0.05)
    assert left_from_earlier(tray) is None
    mask = np.zeros(tray["inside"].shape, dtype=bool)
    mask[100:200, 60:140] = True
    assert np.isnan(left_in_unit(tray, mask, settings=SETTINGS)).all()
    left(tray, 0.6, depth=0.35)
    assert left_in_unit(tray, mask, settings=SETTINGS) == (pytest.approx(0.6), 0.35)
    assert left_from_earlier(tray)[mask].min() == pytest.approx(0.6)
    assert left_from_earlier(tray)[~mask].max() == 0.0
    # The topsoil is ruts and tillage; no layer is looked for there.
    left(tray, 0.6, depth=0.10)
    assert left_from_earlier(tray).max() == 0.0
    assert left_in_unit(tray, mask, settings=SETTINGS)[0] == 0.0


@pytest.mark.parametrize(
    ("chance", "told"),
    [(0.99, "over 9 in 10"), (0.94, "about 9 in 10"), (0.31, "about 3 in 10")],
)
def test_a_chance_is_told_in_tenths(chance, told):
    assert earlier_words(chance, 0.35).endswith(f"at 14 in (35 cm), {told}")
