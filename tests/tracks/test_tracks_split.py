"""States and passes, by signal and by shape."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from shapely.geometry import box

from trafficmap.core.errors import InputError
from trafficmap.core.settings.tracks import TrackSettings
from trafficmap.tracks import clean, split, worked
from trafficmap.tracks.shape_work import main_directions

FIELD = box(-20, -20, 60, 320)


def run(fixes, make, *, boundary=FIELD, machine=None):
    return split(
        fixes,
        boundary=boundary,
        machines={"combine": machine or make.machine()},
        settings=TrackSettings(),
    )


def test_rows_by_signal(make):
    east, north, work = make.rows(rows=5)
    fixes = make.fixes(east, north, work_state=work, width=8.0)
    out, passes, notes = run(fixes, make)
    assert (out["state"] == np.where(work > 0, "working", "turning")).all()
    assert passes["state"].tolist() == ["working", "turning"] * 4 + ["working"]
    assert passes["pass_id"].tolist() == list(range(9))
    assert not notes
    for row in passes.itertuples():
        assert (out["pass_id"][row.first : row.last] == row.pass_id).all()
    step = np.hypot(np.diff(east), np.diff(north))
    assert passes["length"].sum() == pytest.approx(step.sum(), rel=1e-12)


def test_rows_without_a_signal_are_found_by_shape(make):
    east, north, _work = make.rows(rows=5)
    out, passes, notes = run(make.fixes(east, north), make)
    assert {note.code for note in notes} == {"tracks.work_guessed"}
    found = (out["state"] == "working").to_numpy()
    # Led on along its own line work is found to within a step or two of the turn.
    deep = (north > 3) & (north < 297)
    assert found[deep].all()
    assert not found[(north > 301) | (north < -1)].any()
    assert (passes["state"] == "working").sum() == 5
    assert (passes["state"] == "turning").sum() == 4


def test_carrier_never_works(make):
    east, north, _ = make.rows(rows=3)
    cart = make.machine(kind="grain_cart")
    out, passes, _ = run(make.fixes(east, north), make, machine=cart)
    assert set(out["state"]) == {"hauling"}
    # Cut where it turns by more than 60 degrees.
    assert len(passes) >= 5


def test_carrier_that_stands_is_loading_and_a_combine_is_idle(make):
    north = np.concatenate(
        [np.arange(0, 100, 2.0), np.full(40, 100.0), np.arange(102, 200, 2.0)]
    )
    fixes = make.fixes(np.zeros(north.size), north)
    out, passes, _ = run(fixes, make, machine=make.machine(kind="grain_cart"))
    assert out["state"].iloc[70] == "loading"
    assert passes["state"].tolist() == ["hauling", "loading", "hauling"]
    out, passes, _ = run(fixes, make)
    assert out["state"].iloc[70] == "idle"
    assert out["pass_id"].iloc[70] == -1
    short = fixes.drop(index=range(52, 80)).reset_index(drop=True)
    short["seconds"] = np.arange(len(short), dtype=float)
    out, passes, _ = run(short, make, machine=make.machine(kind="grain_cart"))
    assert "loading" not in set(out["state"])


def test_drift_while_standing_adds_no_pass(make):
    rng = np.random.default_rng(9)
    n = 900
    wander = rng.normal(0, 1.0, (n, 2)).cumsum(axis=0) / 20
    wander /= np.maximum(1.0, np.hypot(*wander.T))[:, None]
    still = np.column_stack([np.zeros(n), np.full(n, 100.0)]) + wander
    up = np.column_stack([np.zeros(50), np.arange(50) * 2.0])
    track = np.concatenate([up, still, up + np.array([0.0, 102.0])])
    fixes = make.fixes(track[:, 0], track[:, 1], work_state=1.0)
    rules = {"machines": {"combine": make.machine()}, "settings": TrackSettings()}
    fixes, _ = clean(fixes, boundary=FIELD, **rules)
    out, passes, _ = split(fixes, boundary=FIELD, **rules)
    assert passes["state"].tolist() == ["working", "working"]
    assert passes["length"].sum() == pytest.approx(200.0, abs=6.0)
    assert (out["state"] == "idle").sum() > 0.97 * n


def test_outside_the_boundary_is_road(make):
    north = np.arange(-500.0, 800.0, 2.0)
    fixes = make.fixes(np.zeros(north.size), north, work_state=1.0, width=6.0)
    out, passes, notes = run(fixes, make)
    road = (north < -23) | (north > 323)
    assert (out["state"][road] == "road").all()
    assert (out["pass_id"][road] == -1).all()
    assert (out["state"][~road] == "working").all()
    assert len(passes) == 1
    note = next(note for note in notes if note.code == "tracks.road")
    assert note.count == road.sum()


def test_a_strip_of_access_is_traffic_but_never_work(make):
    north = np.arange(-500.0, 800.0, 2.0)
    for signal in (1.0, np.nan):
        fixes = make.fixes(np.zeros(north.size), north, work_state=signal, width=6.0)
        out, passes, notes = split(
            fixes,
            boundary=FIELD,
            access=box(-4, -203, 4, -20),
            machines={"combine": make.machine()},
            settings=TrackSettings(),
        )
        state = out["state"].to_numpy()
        strip = (north > -207) & (north < -23)
        inside = (north > -23) & (north < 323)
        assert set(state[strip]) == {"hauling"}
        assert set(state[~strip & ~inside]) == {"road"}
        assert "working" in set(state[inside])
        assert passes["state"].tolist()[0] == "hauling"
        note = next(note for note in notes if note.code == "tracks.road")
        assert note.count == (~strip & ~inside).sum()


def test_work_by_shape_keeps_to_its_line_at_the_ends(make):
    # Out of a row into a wide bend: 0.4 m off the line is where the work ends.
    row = np.column_stack([np.zeros(100), np.arange(100) * 2.0])
    turn = np.arange(1, 60) * 2.0 / 20.0
    bend = np.column_stack([20 - 20 * np.cos(turn), 198 + 20 * np.sin(turn)])
    rest = np.column_stack([40.0 + 0 * np.arange(90), 200.0 - np.arange(90) * 2.0])
    track = np.concatenate([row, bend[:31], rest])
    out, _, _ = run(make.fixes(track[:, 0], track[:, 1]), make)
    found = (out["state"] == "working").to_numpy()
    assert found[:100].all()
    assert not found[103:128].any()


def test_main_directions_turn_with_the_field():
    rng = np.random.default_rng(3)
    course = np.concatenate(
        [
            rng.normal(0.3, 0.03, 500),
            rng.normal(0.3 + np.pi, 0.03, 500),
            rng.normal(1.7, 0.02, 300),
            rng.uniform(0, np.pi, 60),
        ]
    )
    length = rng.uniform(1.0, 2.0, course.size)
    tolerance = np.radians(8.0)
    first = np.sort(main_directions(course, length, tolerance))
    assert first == pytest.approx([0.3, 1.7], abs=0.01)
    for angle in (0.5, 1.0, 3.0):
        again = np.array(main_directions(course + angle, length, tolerance))
        back = np.sort((again - angle) % np.pi)
        assert back == pytest.approx(first, abs=1e-9)


def test_without_a_boundary_only_work_and_turns_count(make):
    east, north, work = make.rows(rows=3)
    road = np.arange(-400.0, -2.0, 2.0)
    fixes = make.fixes(
        np.concatenate([np.zeros(road.size), east]),
        np.concatenate([road, north]),
        work_state=np.concatenate([np.zeros(road.size), work]),
    )
    out, _, _ = run(fixes, make, boundary=None)
    assert set(out["state"][: road.size]) == {"road"}
    assert set(out["state"][road.size :]) == {"working", "turning"}


def test_all_outside_is_refused(make):
    east, north, _ = make.rows(rows=2)
    with pytest.raises(InputError, match="fixes lie outside the boundary"):
        run(make.fixes(east + 5000, north), make)


def test_gap_and_jump_end_a_pass(make):
    n = 150
    seconds = np.arange(n, dtype=float)
    seconds[50:] += 40.0
    east = np.zeros(n)
    east[100:] += 50.0
    fixes = make.fixes(east, np.arange(n) * 2.0, seconds=seconds, work_state=1.0)
    out, passes, notes = run(fixes, make)
    assert passes[["first", "last"]].to_numpy().tolist() == [
        [0, 50], [50, 100], [101, 150],
    ]  # fmt: skip
    assert out["pass_id"].iloc[100] == -1
    assert passes["length"].tolist() == pytest.approx([98.0, 98.0, 98.0])
    assert next(note.count for note in notes if note.code == "tracks.gap") == 1


def test_work_that_goes_round_a_corner_is_two_passes(make):
    leg = np.arange(0.0, 100.0, 2.0)
    east = np.concatenate([np.zeros(leg.size), leg + 2.0])
    north = np.concatenate([leg, np.full(leg.size, 98.0)])
    fixes = make.fixes(east, north, work_state=1.0)
    _, passes, _ = run(fixes, make, boundary=box(-20, -20, 200, 320))
    assert passes["state"].tolist() == ["working", "working"]


def test_wide_bend_is_one_pass(make):
    turn = np.linspace(0, np.pi, 300)
    fixes = make.fixes(-150 * np.cos(turn), 150 * np.sin(turn), work_state=1.0)
    _, passes, _ = run(fixes, make, boundary=box(-200, -20, 200, 320))
    assert len(passes) == 1


def test_short_break_of_the_signal_is_work_and_a_long_one_is_not(make):
    work = np.ones(150)
    work[30:34] = 0.0
    work[80:95] = 0.0
    fixes = make.fixes(np.zeros(150), np.arange(150) * 2.0, work_state=work)
    out, passes, _ = run(fixes, make)
    assert (out["state"][:80] == "working").all()
    assert (out["state"][80:95] == "hauling").all()
    assert passes["state"].tolist() == ["working", "hauling", "working"]


@pytest.mark.parametrize("signal", [True, False])
def test_one_and_ten_fixes_a_second_are_the_same_passes(make, signal):
    tables = []
    for rate in (1.0, 10.0):
        east, north, work = make.rows(rows=8, rate=rate, length=400.0)
        fixes = make.fixes(east, north, seconds=np.arange(east.size) / rate)
        if signal:
            fixes["work_state"] = work
        fixes, _ = clean(
            fixes,
            boundary=None,
            machines={"combine": make.machine()},
            settings=TrackSettings(),
        )
        _, passes, _ = run(fixes, make, boundary=box(-20, -20, 80, 420))
        tables.append(passes.groupby("state")["length"].agg(["size", "sum"]))
    one, ten = tables
    assert one["size"].equals(ten["size"])
    np.testing.assert_allclose(one["sum"]["working"], ten["sum"]["working"], rtol=0.01)
    assert one["sum"].sum() == pytest.approx(ten["sum"].sum(), rel=0.01)


def test_worked_area_counts_the_step_by_its_later_record(make):
    fixes = make.fixes(
        np.zeros(6),
        [0, 2, 4, 6, 100, 102],
        seconds=[0, 1, 2, 40, 41, 42],
        work_state=[1, 1, 0, 1, 1, 1],
        width=[9, 9, 9, 9, 6, 6],
    )
    # Counted: the step into fix 1 (2 m at 9 m) and into fix 5 (2 m at 6 m). Not: into
    # fix 2 (state 0), fix 3 (38 s), fix 4 (94 m/s).
    table = worked(fixes)
    assert table["distance"].tolist() == [4.0]
    assert table["area"].tolist() == [30.0]
    unknown = worked(fixes.assign(width=np.nan))
    assert np.isnan(unknown["area"].iloc[0])


def test_worked_keeps_joined_logs_apart(make):
    fixes = make.fixes(np.zeros(6), np.arange(6) * 2.0, work_state=1.0, width=5.0)
    fixes["source_log"] = [3, 3, 3, 4, 4, 4]
    table = worked(fixes)
    assert table["log_id"].tolist() == [3, 4]
    assert table["distance"].tolist() == [4.0, 6.0]


def test_no_fixes(make):
    fixes = make.fixes([], [])
    out, passes, notes = run(fixes, make)
    assert len(out) == 0
    assert len(passes) == 0
    assert notes == []
    assert isinstance(out, pd.DataFrame)
