"""Laws of cleaning and splitting that hold whatever the track."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.affinity import affine_transform
from shapely.geometry import box

from trafficmap.core.settings.tracks import TrackSettings
from trafficmap.core.tables import FIXES
from trafficmap.tracks import LogFacts, clean, gap_report, split, worked

few = settings(max_examples=20, deadline=None)
MACHINE = SimpleNamespace(
    sigma_within=0.05,
    road_vehicle=False,
    working_speed=(0.8, 3.5),
    min_radius=5.5,
    bodies=(SimpleNamespace(kind="combine"),),
)
FIELD = box(-40, -60, 160, 360)


@st.composite
def season(draw):
    """A few rows with turns, stops, a way back, gaps and noise."""
    rows = draw(st.integers(2, 4))
    apart = draw(st.sampled_from([6.0, 9.0, 12.0]))
    length = draw(st.sampled_from([120.0, 240.0]))
    speed = draw(st.sampled_from([1.5, 2.0, 2.6]))
    rng = np.random.default_rng(draw(st.integers(0, 10_000)))
    place, work = [], []
    for row in range(rows):
        up = row % 2 == 0
        along = np.arange(0.0, length, speed)
        north = along if up else length - along
        place.append(np.column_stack([np.full(along.size, row * apart), north]))
        work.append(np.ones(along.size))
        if draw(st.booleans()):
            place.append(np.repeat(place[-1][-1:], 30, axis=0))
            work.append(np.zeros(30))
        turn = np.arange(0.0, np.pi * apart / 2, speed) / (apart / 2)
        end = length if up else 0.0
        bulge = np.sin(turn) * apart / 2 * (1 if up else -1)
        middle = row * apart + apart / 2
        place.append(np.column_stack([middle - apart / 2 * np.cos(turn), end + bulge]))
        work.append(np.zeros(turn.size))
    place, work = np.concatenate(place), np.concatenate(work)
    place = place + rng.normal(0, 0.03, place.shape)
    seconds = np.arange(len(place), dtype=float)
    keep = np.ones(len(place), dtype=bool)
    for _ in range(draw(st.integers(0, 2))):
        a = draw(st.integers(20, len(place) - 40))
        keep[a : a + draw(st.integers(4, 25))] = False
    return place[keep], work[keep], seconds[keep], draw(st.booleans())


def fixes_of(place, work, seconds, told):
    n = len(place)
    stamp = pd.to_datetime(1.76e12 + seconds * 1000.0, unit="ms", utc=True)
    table = {
        "machine_id": np.full(n, "combine", dtype=object),
        "log_id": np.zeros(n, dtype=np.int64),
        "time": stamp.astype("datetime64[ms, UTC]"),
        "seconds": seconds,
        "easting": place[:, 0],
        "northing": place[:, 1],
        "row": np.arange(1, n + 1),
    }
    for column in FIXES.columns:
        table.setdefault(column.name, np.full(n, np.nan))
    table["width"] = np.full(n, 6.0)
    if told:
        table["work_state"] = work
    return pd.DataFrame(table)


def through(fixes, boundary=FIELD):
    rules = {
        "boundary": boundary,
        "machines": {"combine": MACHINE},
        "settings": TrackSettings(),
        "logs": [LogFacts(0, infer_turns=True), LogFacts(1, infer_turns=True)],
    }
    fixes, first = clean(fixes, **rules)
    fixes, passes, second = split(fixes, **rules)
    return fixes, passes, first + second


def totals(fixes, passes):
    """Return what a person would add up."""
    by_state = passes.groupby(["state", "inferred"])["length"].agg(["size", "sum"])
    gaps, _ = gap_report(fixes, time_zone="UTC", settings=TrackSettings())
    return {
        **{key: tuple(row) for key, row in by_state.iterrows()},
        "area": worked(fixes)["area"].sum(),
        "reverse": int(fixes["reverse"].sum()),
        "tracked": gaps["tracked"].sum(),
        "inferred": gaps["inferred"].sum(),
    }


def assert_same(one, two, rel=1e-6):
    assert one.keys() == two.keys()
    for key, value in one.items():
        np.testing.assert_allclose(value, two[key], rtol=rel, atol=1e-6, err_msg=key)


@few
@given(track=season(), part=st.floats(0.1, 0.9))
def test_cutting_a_log_in_two_changes_nothing(track, part):
    fixes = fixes_of(*track)
    whole, passes, _ = through(fixes)
    cut = int(part * len(fixes))
    # Where the cut falls into a gap the two logs do not go on into one another.
    if fixes["seconds"].iloc[cut] - fixes["seconds"].iloc[cut - 1] > 30.0:
        return
    two = fixes.copy()
    two.loc[cut:, "log_id"] = 1
    out, parts, notes = through(two)
    assert "tracks.joined" in {note.code for note in notes}
    pd.testing.assert_frame_equal(
        out.drop(columns="source_log"), whole.drop(columns="source_log")
    )
    pd.testing.assert_frame_equal(parts, passes)


@few
@given(track=season(), seed=st.integers(0, 1000), swaps=st.integers(1, 400))
def test_order_of_shuffled_fixes_is_restored(track, seed, swaps):
    fixes = fixes_of(*track)
    rng = np.random.default_rng(seed)
    order = np.arange(len(fixes))
    for one, two in rng.integers(0, len(fixes), (swaps, 2)):
        order[[one, two]] = order[[two, one]]
    whole, passes, _ = through(fixes)
    out, again, _ = through(fixes.iloc[order].reset_index(drop=True))
    if len(out) == len(whole):
        pd.testing.assert_frame_equal(out, whole)
        pd.testing.assert_frame_equal(again, passes)
    # A row whose place tells too little to put it back is dropped, never misplaced.
    lost = len(whole) - len(out)
    assert 0 <= lost <= 0.02 * len(fixes)
    assert (np.diff(out["seconds"]) > 0).all()


@few
@given(
    track=season(),
    angle=st.floats(-180, 180),
    east=st.floats(-2000, 2000),
    north=st.floats(-2000, 2000),
)
def test_rotation_and_translation_leave_totals_alone(track, angle, east, north):
    place, work, seconds, told = track
    c, s = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    moved = place @ np.array([[c, s], [-s, c]]) + np.array([east, north])
    ground = affine_transform(FIELD, [c, -s, s, c, east, north])
    one = totals(*through(fixes_of(place, work, seconds, told))[:2])
    two = totals(*through(fixes_of(moved, work, seconds, told), ground)[:2])
    assert_same(one, two)


@few
@given(track=season())
def test_every_step_of_a_track_is_in_one_pass_at_most(track):
    fixes, passes, _ = through(fixes_of(*track))
    step = np.hypot(fixes["easting"].diff(), fixes["northing"].diff())
    step = step.where(~fixes["begins"], 0.0).fillna(0.0).to_numpy()
    assert passes["length"].sum() <= step.sum() + 1e-6
    counted = np.isin(fixes["state"], ("working", "turning", "hauling"))
    # Only the step out of an inferred stretch may go with the pass before it.
    assert abs(passes["length"].sum() - step[counted].sum()) < 15.0


@few
@given(track=season(), seed=st.integers(0, 1000))
def test_standing_longer_adds_nothing(track, seed):
    place, work, seconds, told = track
    at = np.random.default_rng(seed).integers(10, len(place) - 10)
    drift = np.random.default_rng(seed).normal(0, 0.05, (300, 2))
    longer = np.insert(place, [at] * 300, place[at] + drift, axis=0)
    later = seconds + np.where(np.arange(seconds.size) >= at, 300.0, 0.0)
    clock = np.insert(later, [at] * 300, seconds[at] + np.arange(300.0))
    on = np.insert(work, [at] * 300, 0.0)
    _, before, _ = through(fixes_of(place, work, seconds, told))
    fixes, after, _ = through(fixes_of(longer, on, clock, told))
    assert (fixes["state"] == "idle").sum() >= 290
    assert after["length"].sum() < before["length"].sum() + 3.0
    # It may cut one pass in two, with a step or two of not working on either side.
    assert len(after) <= len(before) + 3
