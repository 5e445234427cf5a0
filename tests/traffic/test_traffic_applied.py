"""Liquid put down: rate times swept share, a layer a day."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from trafficmap.core.layers import get_layer, new_tray
from trafficmap.core.tables import LIQUID, PASSES, SPLIT_FIXES
from trafficmap.traffic import applied


def table(contract, rows):
    empty = contract.empty()
    frame = pd.DataFrame(rows)
    return pd.DataFrame(
        {
            name: (
                frame[name].astype(empty[name].dtype)
                if name in frame
                else pd.Series([np.nan] * len(frame), dtype=empty[name].dtype)
            )
            for name in empty
        }
    )


def drive(*, days=(20,), rate=np.nan, width=np.nan, states=None):
    rows, passes = [], []
    for number, day in enumerate(days):
        first = len(rows)
        for k in range(11):
            stamp = pd.Timestamp(f"2026-10-{day}T14:00:00Z") + pd.Timedelta(k, "s")
            rows.append(
                {
                    "machine_id": "tanker",
                    "log_id": number,
                    "time": stamp,
                    "seconds": stamp.timestamp(),
                    "easting": 2.0,
                    "northing": 1.0 * k,
                    "row": k + 1,
                    "state": "working",
                    "pass_id": number,
                    "application_rate": rate,
                    "width": width,
                }
            )
        passes.append(
            {
                "pass_id": number,
                "machine_id": "tanker",
                "log_id": number,
                "state": (states or {}).get(number, "working"),
                "start": rows[first]["time"],
                "end": rows[-1]["time"],
                "first": first,
                "last": len(rows),
                "length": 10.0,
                "inferred": False,
            }
        )
    return table(SPLIT_FIXES, rows), table(PASSES, passes)


JOB = table(
    LIQUID,
    [
        {
            "machine_id": "tanker",
            "rate": 0.009,
            "dry_matter": 0.04,
            "depth": 0.12,
            "width": 3.0,
        }
    ],
)


def test_strip_by_hand(build):
    grid = build.grid(10, 4)
    fixes, passes = drive()
    tray = new_tray(grid)
    layers, notes = applied(
        fixes, passes, liquid=JOB, grid=grid, inside=np.ones(grid.shape), tray=tray
    )
    ((moment, water, depth),) = layers
    expected = np.tile([0.5, 1.0, 1.0, 0.5], (10, 1)) * 0.009
    np.testing.assert_allclose(water, 0.96 * expected, rtol=1e-12)
    assert depth == 0.12
    middle = pd.Timestamp("2026-10-20T14:00:05Z").timestamp()
    assert moment == pytest.approx(middle, abs=1.0)
    np.testing.assert_allclose(get_layer(tray, "liquid"), expected, rtol=1e-6)
    assert [note.code for note in notes] == ["traffic.liquid_rate"]
    # Rate times width times length is the volume put down.
    assert expected.sum() == pytest.approx(0.009 * 3.0 * 10.0)


def test_logged_rate_and_width_win(build):
    fixes, passes = drive(rate=0.004, width=2.0)
    layers, notes = applied(fixes, passes, liquid=JOB, grid=build.grid(10, 4))
    np.testing.assert_allclose(
        layers[0][1], 0.96 * 0.004 * np.tile([0.0, 1, 1, 0], (10, 1)), rtol=1e-12
    )
    assert notes == []


def test_overlaps_add_and_days_stay_apart(build):
    grid = build.grid(10, 4)
    fixes, passes = drive(days=(20, 20, 22))
    layers, _ = applied(fixes, passes, liquid=JOB, grid=grid)
    assert len(layers) == 2
    assert layers[0][0] < layers[1][0]
    np.testing.assert_allclose(layers[0][1], 2 * layers[1][1])


def test_only_working_passes_and_named_machines(build):
    grid = build.grid(10, 4)
    fixes, passes = drive(states={0: "hauling"})
    layers, notes = applied(fixes, passes, liquid=JOB, grid=grid)
    assert layers == []
    assert [note.code for note in notes] == ["traffic.liquid_none"]
    fixes, passes = drive()
    assert applied(fixes, passes, liquid=JOB[:0], grid=grid) == ([], [])


def test_step_into_the_first_fix_of_a_pass_is_worked(build):
    fixes, passes = drive()
    fixes.loc[:4, "pass_id"] = -1
    passes.loc[0, "first"] = 5
    layers, _ = applied(fixes, passes, liquid=JOB, grid=build.grid(10, 4))
    # Fixes 5 to 10 close the steps from 4 m to 10 m: the upper six rows.
    assert (layers[0][1][:6, 1] > 0).all()
    assert (layers[0][1][6:, 1] == 0).all()


def test_unknown_time_is_said(build):
    fixes, passes = drive()
    fixes["time"] = pd.Series(pd.NaT, index=fixes.index, dtype=fixes["time"].dtype)
    layers, _ = applied(fixes, passes, liquid=JOB, grid=build.grid(10, 4))
    assert np.isnan(layers[0][0])


def test_once_is_the_rate_of_one_pass_however_often_it_was_driven(build):
    """Strips of the same and of other rates: the largest of what one pass puts down."""
    grid = build.grid(10, 4)
    full = np.ones(grid.shape)

    def layer(*, days, rates=(np.nan,), widths=(np.nan,)):
        tray = new_tray(grid)
        fixes, passes = drive(days=days, rate=rates[0], width=widths[0])
        jobs = JOB
        for number, (rate, width) in enumerate(
            zip(rates[1:], widths[1:], strict=True), start=1
        ):
            more, later = drive(days=days, rate=rate, width=width)
            name = f"tanker {number}"
            shift = {"first": len(fixes), "last": len(fixes)}
            later = later.assign(
                machine_id=name,
                pass_id=later["pass_id"] + len(passes),
                **{k: later[k] + v for k, v in shift.items()},
            )
            more = more.assign(machine_id=name, pass_id=more["pass_id"] + len(passes))
            fixes = pd.concat([fixes, more], ignore_index=True)
            passes = pd.concat([passes, later], ignore_index=True)
            jobs = pd.concat([jobs, JOB.assign(machine_id=name)], ignore_index=True)
        applied(fixes, passes, liquid=jobs, grid=grid, inside=full, tray=tray)
        return get_layer(tray, "liquid_once"), get_layer(tray, "liquid")

    # The same everywhere under the strip, also where it covers half a cell.
    for days in ((20,), (20, 21), (20, 20, 20)):
        once, whole = layer(days=days)
        np.testing.assert_allclose(once, 0.009, rtol=1e-6)
        np.testing.assert_allclose(whole[:, 1], 0.009 * len(days), rtol=1e-6)
    # A second machine at half the rate over half the width changes nothing.
    once, whole = layer(days=(20,), rates=(0.008, 0.004), widths=(4.0, 2.0))
    np.testing.assert_allclose(once, 0.008, rtol=1e-6)
    np.testing.assert_allclose(whole[0], [0.008, 0.012, 0.012, 0.008], rtol=1e-6)
    # Where no strip lies there is no rate.
    once, _ = layer(days=(20,), rates=(0.008,), widths=(2.0,))
    np.testing.assert_allclose(once[0], [0.0, 0.008, 0.008, 0.0], rtol=1e-6)
