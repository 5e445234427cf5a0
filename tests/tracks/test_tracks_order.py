"""Rows in the wrong order, and places older than their stamp."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from shapely.geometry import box

from trafficmap.core.errors import InputError
from trafficmap.core.settings.tracks import TrackSettings
from trafficmap.tracks import LogFacts, clean, sessions

FIELD = box(-500, -500, 1500, 1500)


def run(fixes, make, *, machine=None, logs=(), **settings):
    return clean(
        fixes,
        boundary=FIELD,
        machines={"combine": machine or make.machine()},
        settings=TrackSettings(**settings),
        logs=logs,
    )


def bend(make, n=300):
    """Return a wide bend at 2 m/s."""
    turn = np.arange(n) * 2.0 / 150.0
    return make.fixes(150 * np.cos(turn), 150 * np.sin(turn))


@pytest.mark.parametrize("seed", range(3))
def test_shuffled_rows_are_put_in_order(make, seed):
    fixes = bend(make)
    mixed = fixes.iloc[np.random.default_rng(seed).permutation(len(fixes))]
    whole, _ = run(fixes, make)
    out, notes = run(mixed, make)
    assert [note.code for note in notes] == ["tracks.shuffled"]
    assert "not in order of time in their file" in notes[0].sentence
    pd.testing.assert_frame_equal(
        out.drop(columns="row"), whole.drop(columns="row"), check_exact=True
    )


def test_a_few_swapped_rows_go_where_they_belong(make):
    fixes = bend(make)
    order = np.arange(len(fixes))
    for k in (40, 90, 200):
        order[[k, k + 1]] = order[[k + 1, k]]
    out, notes = run(fixes.iloc[order], make)
    assert {note.code: note.count for note in notes} == {"tracks.shuffled": 3}
    np.testing.assert_array_equal(out["row"], np.arange(1, 301))


def test_a_wrong_stamp_is_not_put_where_it_says(make):
    fixes = bend(make)
    fixes.loc[120, "seconds"] = 100.5
    out, notes = run(fixes, make)
    assert {note.code: note.count for note in notes} == {"tracks.backward": 1}
    assert 121 not in set(out["row"])


def test_two_machines_in_one_log_are_not_sorted_into_one(make):
    n = 200
    one = make.fixes(np.zeros(n), np.arange(n) * 2.0)
    two = make.fixes(np.full(n, 400.0), np.arange(n) * 2.0)
    two["seconds"] += 0.5
    # Parts of 20 rows by turns, as a logger with two receivers writes them.
    parts = [
        part for k in range(0, n, 20) for part in (one[k : k + 20], two[k : k + 20])
    ]
    with pytest.raises(InputError, match="cannot be used"):
        run(pd.concat(parts, ignore_index=True), make)


def test_age_of_a_place_is_taken_out_of_clock_and_signals(make):
    n = 100
    on = (np.arange(n) >= 40) & (np.arange(n) < 60)
    fixes = make.fixes(
        np.zeros(n),
        np.arange(n) * 2.0,
        work_state=on.astype(float),
        speed=np.arange(n) / 10.0,
    )
    plain, _ = run(fixes, make)
    lagged, _ = run(fixes, make, logs=[LogFacts(0, position_lag=2.0)])
    # The place stamped at 40 s is where the machine was at 38 s.
    np.testing.assert_allclose(lagged["seconds"], plain["seconds"] - 2.0)
    gone = (lagged["time"] - plain["time"]).dt.total_seconds()
    assert set(gone) == {-2.0}
    np.testing.assert_allclose(lagged["northing"], plain["northing"])
    worked = lagged.loc[lagged["work_state"] > 0, "northing"]
    # Work began at 40 s by the machine's clock, when it truly was at 84 m.
    assert worked.min() == pytest.approx(84.0)
    assert worked.max() == pytest.approx(122.0)
    # The receiver's own speed is as old as its place.
    np.testing.assert_allclose(lagged["speed"], plain["speed"])


def test_age_of_places_comes_from_the_machine_unless_the_log_says(make):
    class Antenna:
        latency_s = 0.5

    machine = make.machine(antenna=Antenna())
    fixes = bend(make)
    out, _ = run(fixes, make, machine=machine)
    np.testing.assert_allclose(out["seconds"], np.arange(300) - 0.5)
    out, _ = run(fixes, make, machine=machine, logs=[LogFacts(0, position_lag=0.0)])
    np.testing.assert_allclose(out["seconds"], np.arange(300))


def test_sessions_share_one_shift_by_correction(make):
    fixes = bend(make)
    later = fixes.assign(
        seconds=fixes["seconds"] + 20_000.0,
        time=fixes["time"] + pd.Timedelta(seconds=20_000),
    )
    both = pd.concat([fixes, later, fixes.assign(log_id=1, machine_id="phone")])
    machines = {
        "combine": make.machine(correction="rtk", sigma_between=0.025, assumed=()),
    }
    table = {"machines": machines, "settings": TrackSettings()}
    logs = [LogFacts(1, correction="phone")]
    clean_fixes, _ = clean(both, boundary=FIELD, logs=logs, **table)
    out = sessions(clean_fixes, logs=logs, **table)
    assert out["machine_id"].tolist() == ["combine", "combine", "phone"]
    assert out["correction"].tolist() == ["rtk", "rtk", "phone"]
    assert out["sigma_shift"].tolist() == [0.025, 0.025, 3.0]
    assert out["sigma_within"].tolist() == [0.02, 0.02, 1.0]
    assert out["assumed"].tolist() == [False, False, False]
    nobody = sessions(clean_fixes, machines={}, settings=TrackSettings())
    assert nobody["assumed"].all()
    assert set(nobody["correction"]) == {"sbas"}


def test_no_sessions_without_fixes(make):
    assert len(sessions(make.fixes([], []), machines={}, settings=TrackSettings())) == 0
