"""Tillage between passes: undone above the tool's depth, where it ran, and weaker."""

from __future__ import annotations

import datetime as dt
import importlib.util
import math
import sys
from pathlib import Path

import numpy as np
import pytest
import shapely

from trafficmap.core.constants import COMPUTE_DEPTHS
from trafficmap.core.layers import new_tray
from trafficmap.core.settings.soil import SoilSettings
from trafficmap.field.model import Tillage
from trafficmap.risk import assess
from trafficmap.soil.tillage import Resets, day_start, resets

_SPEC = importlib.util.spec_from_file_location(
    "risk_assess_helpers", Path(__file__).with_name("test_risk_assess.py")
)
helpers = importlib.util.module_from_spec(_SPEC)
sys.modules[_SPEC.name] = helpers  # its dataclasses look themselves up there
_SPEC.loader.exec_module(helpers)

GRID, N, HOUR = helpers.GRID, helpers.N, helpers.HOUR
DEPTHS = np.array(COMPUTE_DEPTHS)


def undone(depth=0.30, at=HOUR, cells=None, weaker=0.0):
    """Tillage at a moment down to a depth, in some cells."""
    kind = np.zeros(GRID.size, np.int16)
    kind[range(GRID.size) if cells is None else cells] = 1
    since = np.full((2, N), -np.inf)
    since[1, depth - 1e-9 > DEPTHS] = at
    return Resets(kind, since, np.full((2, N), weaker))


def run(rows, reset, **options):
    tray = new_tray(GRID)
    profiles = options.get("profiles", helpers.two_wheels())
    assess(
        helpers.visits_of(rows, GRID.size),
        helpers.events_of([row[0] for row in rows], GRID.size),
        profiles=profiles, strength=helpers.flat_strength(),
        columns=helpers.Columns(np.arange(GRID.size) % 2), grid=GRID,
        inside=np.ones(GRID.shape), tray=tray, settings=helpers.SETTINGS, resets=reset,
    )  # fmt: skip
    return tray


def probability(tray):
    return helpers.layer(tray, "probability")


BEFORE, AFTER = (4, 0, 10.0, 1.0, 0.0), (4, 0, HOUR + 10.0, 1.0, 0.0)
UPPER = DEPTHS < 0.30


def test_passes_before_no_longer_count_above_the_tool_and_do_below():
    both = probability(run([BEFORE, AFTER], undone()))[:, 4]
    one = probability(run([AFTER], None))[:, 4]
    two = probability(run([BEFORE, AFTER], None))[:, 4]
    np.testing.assert_array_equal(both[UPPER], one[UPPER])
    np.testing.assert_array_equal(both[~UPPER], two[~UPPER])
    assert (two[~UPPER] > one[~UPPER]).any()


def test_the_order_of_pass_and_tillage_decides():
    only_before = run([BEFORE], undone())
    assert (probability(only_before)[UPPER, 4] == 0).all()
    assert helpers.layer(only_before, "rut")[4] == 1
    assert (probability(only_before)[~UPPER, 4] > 0).all()
    # What a wheel pressed with stays a fact, whatever was tilled later.
    plain = run([BEFORE], None)
    np.testing.assert_array_equal(
        helpers.layer(only_before, "stress"), helpers.layer(plain, "stress")
    )


def test_the_next_pass_meets_weaker_soil_and_only_where_tilled():
    rows = [AFTER, (5, *AFTER[1:])]
    loose = probability(run(rows, undone(weaker=math.log(2 / 3), cells=[4])))
    plain = probability(run(rows, None))
    assert (loose[UPPER, 4] > plain[UPPER, 4]).any()
    np.testing.assert_array_equal(loose[~UPPER, 4], plain[~UPPER, 4])
    np.testing.assert_array_equal(loose[:, 5], plain[:, 5])


def test_an_unknown_load_before_tillage_is_known_to_be_gone_above():
    profiles = helpers.two_wheels()
    profiles = helpers.replace(profiles, row_of=np.array([[0, -1]]))
    unknown = (4, 1, *BEFORE[2:])
    found = probability(run([unknown, AFTER], undone(), profiles=profiles))[:, 4]
    one = probability(run([AFTER], None))[:, 4]
    np.testing.assert_array_equal(found[UPPER], one[UPPER])
    assert np.isnan(found[~UPPER]).all()


def test_a_pass_without_a_time_stays_not_assessed():
    lost = (4, 0, math.nan, 1.0, 0.0)
    assert np.isnan(probability(run([lost, AFTER], undone()))[:, 4]).all()


class Columns:
    clay = np.array([[0.35] * 7, [0.10] * 7])


def test_resets_by_day_depth_and_place():
    east = shapely.box(1.0, -2.0, 3.0, 0.0)  # columns 1 and 2
    found = resets(
        [Tillage("2026-10-20", 0.20), Tillage("2026-11-01", 0.40, "ripper", east)],
        grid=GRID,
        columns=Columns(),
        last_tillage_depth=0.15,
        time_zone="America/Chicago",
        settings=SoilSettings(),
    )
    october = dt.datetime(2026, 10, 20, 5, tzinfo=dt.UTC).timestamp()
    november = dt.datetime(2026, 11, 1, 5, tzinfo=dt.UTC).timestamp()
    assert day_start("2026-10-20", "America/Chicago") == october
    west, ripped = found.since[found.kind_of_cell[[0, 1]]]
    np.testing.assert_array_equal(west, [october] + [-np.inf] * 5)
    np.testing.assert_array_equal(
        ripped, [november, november, november] + [-np.inf] * 3
    )
    assert (
        found.kind_of_cell.reshape(GRID.shape)[:, 1:] == found.kind_of_cell[1]
    ).all()
    # Firm clay falls from 90 to 40 kPa, tilled soil stays, loam from 60 to 40.
    assert found.loosened[0, 2] == pytest.approx(math.log(40 / 90))
    assert found.loosened[1, 2] == pytest.approx(math.log(40 / 60))
    assert found.loosened[0, 0] == 0.0


def test_no_tillage_no_resets():
    nothing = resets(
        [], grid=GRID, columns=None, last_tillage_depth=None, time_zone=None,
        settings=SoilSettings(),
    )  # fmt: skip
    assert nothing is None
