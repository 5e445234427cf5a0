"""Deciding anew from what was measured: the same as a whole run, in a moment."""

from __future__ import annotations

from dataclasses import replace

import msgspec
import numpy as np
import pytest

from trafficmap.core.errors import InputError
from trafficmap.field import read_field
from trafficmap.pipeline import redraw, run


def _with(settings, section, **values):
    part = msgspec.structs.replace(getattr(settings, section), **values)
    return msgspec.structs.replace(settings, **{section: part})


def test_redraw_without_a_change_gives_the_same_result(ditch):
    again = redraw(ditch)
    assert again.zones.equals(ditch.zones)
    assert again.plan.equals(ditch.plan)
    assert [n.sentence for n in again.notes] == [n.sentence for n in ditch.notes]


def test_redraw_equals_a_whole_run_with_other_zone_settings(two_strips):
    first, _ = two_strips
    use = _with(first.settings, "zones", assume_confirmed=0.33)
    drawn = redraw(first, settings=use)
    whole = run(first.field, use)
    assert drawn.zones.equals(whole.zones)
    assert drawn.plan.equals(whole.plan)
    for name in whole.tray.data_vars:
        np.testing.assert_array_equal(drawn.tray[name], whole.tray[name])


def test_redraw_leaves_the_first_result_alone(two_strips):
    first, _ = two_strips
    zone = first.tray["zone"].values.copy()
    redraw(first, settings=_with(first.settings, "zones", assume_confirmed=0.33))
    np.testing.assert_array_equal(first.tray["zone"].values, zone)


def test_redraw_takes_the_field_read_again(two_strips):
    first, _ = two_strips
    field, _ = read_field(first.field.folder)
    assert redraw(first, field=field).zones.equals(first.zones)


def test_redraw_refuses_what_would_change_the_measuring(two_strips):
    first, _ = two_strips
    with pytest.raises(InputError, match="traffic differ"):
        redraw(first, settings=_with(first.settings, "traffic", cell=0.5))
    fixes = first.field.fixes.iloc[:-1]
    with pytest.raises(InputError, match="fixes differ"):
        redraw(first, field=replace(first.field, fixes=fixes))


def test_redraw_refuses_manure_that_was_not_measured(ditch, ditch_folder):
    """Liquid wets the soil under the wheels, so other liquid needs another run."""
    again, _ = read_field(ditch_folder)
    assert again.liquid is not ditch.field.liquid
    assert redraw(ditch, field=again).zones.equals(ditch.zones)
    with pytest.raises(InputError, match="liquid differ"):
        redraw(ditch, field=replace(again, liquid=again.liquid[:0]))
