"""Machines on different systems: found when they are, and not when they are not."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest
from shapely.affinity import rotate
from shapely.geometry import box

from trafficmap.core.settings.tracks import TrackSettings
from trafficmap.tracks import clean, frame_shifts, split

FIELD = box(0, 0, 96, 300)


def rows(
    make,
    *,
    name,
    log_id,
    width,
    shift=(0, 0),
    start=None,
    turn=0.0,
    noise=0.03,
    side=0.0,
):
    """Return rows of a machine over the whole field, moved by `shift`."""
    start = width / 2 if start is None else start
    lines = np.arange(start, 96.0, width)
    rng = np.random.default_rng(log_id)
    along = np.arange(0.0, 300.0, 2.0)
    place = []
    for k, line in enumerate(lines):
        north = along if k % 2 == 0 else along[::-1]
        off = side if k % 2 == 0 else -side
        place.append(np.column_stack([np.full(north.size, line + off), north]))
    place = np.concatenate(place) + rng.normal(0, noise, (along.size * lines.size, 2))
    place = turned(place, turn) + np.array(shift)
    n = len(place)
    # Half a minute from row to row, so that rows are passes of their own.
    seconds = np.arange(n) + 40.0 * (np.arange(n) // along.size)
    return make.fixes(
        place[:, 0], place[:, 1], seconds=seconds, machine_id=name, log_id=log_id,
        work_state=1.0, width=width,
    )  # fmt: skip


def turned(place, degrees):
    a = np.radians(degrees)
    middle = np.array([48.0, 150.0])
    spin = np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
    return (place - middle) @ spin + middle


def found(make, *logs, boundary=None, corrections=("rtk", "ppp"), turn=0.0):
    names = list(dict.fromkeys(log["machine_id"].iloc[0] for log in logs))
    machines = {
        name: make.machine(correction=kind, sigma_between=0.1, assumed=(), width=None)
        for name, kind in zip(names, corrections, strict=False)
    }
    rules = {
        "boundary": rotate(FIELD.buffer(20), turn, origin=(48, 150)),
        "machines": machines,
        "settings": TrackSettings(),
    }
    fixes, _ = clean(pd.concat(logs, ignore_index=True), **rules)
    fixes, passes, _ = split(fixes, **rules)
    return frame_shifts(fixes, passes, **{**rules, "boundary": boundary})


def key(note):
    return [float(v) for v in re.search(r"\[(.*?), (.*?)\] ", note.sentence).groups()]


@pytest.mark.parametrize("shift", [(1.3, 0.0), (-1.1, 0.0), (0.8, 5.0)])
def test_shift_across_the_rows_is_found_and_offered(make, shift):
    one = rows(make, name="combine", log_id=0, width=8.0)
    two = rows(make, name="planter", log_id=1, width=8.0, shift=shift)
    (note,) = found(make, one, two)
    assert note.code == "tracks.frame_shift"
    assert note.severity == "check"
    assert "each [[log]] of planter" in note.sentence
    assert "(rtk and ppp)" in note.sentence
    # Added to the planter's places the rows lie on one another again.
    assert key(note) == pytest.approx([-shift[0], 0.0], abs=0.06)


def test_slanting_rows_give_both_parts(make):
    shift = 1.4 * np.array([np.cos(np.radians(35)), np.sin(np.radians(35))])
    one = rows(make, name="combine", log_id=0, width=8.0, turn=35.0)
    two = rows(make, name="planter", log_id=1, width=8.0, turn=35.0, shift=shift)
    (note,) = found(make, one, two, turn=35.0)
    assert key(note) == pytest.approx((-shift).tolist(), abs=0.06)


def test_rows_of_two_directions_give_the_whole_shift(make):
    shift = np.array([1.1, -0.8])
    logs = []
    for number, (name, moved) in enumerate(
        (("combine", 0 * shift), ("planter", shift))
    ):
        logs += [
            rows(make, name=name, log_id=2 * number, width=8.0, shift=moved),
            rows(
                make,
                name=name,
                log_id=2 * number + 1,
                width=8.0,
                shift=moved,
                turn=90.0,
            ),
        ]
    for log in logs[1::2]:
        log["time"] += pd.Timedelta(days=1)
        log["seconds"] += 86_400.0
    (note,) = found(make, *logs, boundary=None)
    assert key(note) == pytest.approx((-shift).tolist(), abs=0.06)
    # One sentence a person can read.
    assert "1.1 m east and 0.8 m south of those of combine" in note.sentence


@pytest.mark.parametrize(
    "other",
    [
        {"shift": (0.2, 0.0)},  # too little to matter
        {"shift": (4.0, 0.0)},  # half a row: lines between the lines
        {"width": 12.0, "shift": (1.3, 0.0)},  # no multiple
        {"side": 1.3},  # an antenna off the middle changes sides with the way
        {"noise": 0.8, "shift": (1.3, 0.0)},  # too loose to tell
    ],
)
def test_what_is_no_shift_is_not_told(make, other):
    one = rows(make, name="combine", log_id=0, width=8.0)
    two = rows(make, name="planter", log_id=1, **{"width": 8.0, **other})
    assert found(make, one, two) == []


def test_twice_the_width_counts_only_where_corrections_differ(make):
    one = rows(make, name="combine", log_id=0, width=8.0)
    two = rows(make, name="planter", log_id=1, width=16.0, start=4.0, shift=(1.3, 0))
    (note,) = found(make, one, two)
    assert key(note) == pytest.approx([-1.3, 0.0], abs=0.06)
    assert found(make, one, two, corrections=("rtk", "rtk")) == []


def around(make, shift=(0.0, 0.0), width=8.0):
    """Return rounds along the boundary, the outer edge of the swath on it."""
    half = width / 2
    corners = [
        (half, half),
        (96 - half, half),
        (96 - half, 300 - half),
        (half, 300 - half),
    ]
    place = []
    for (e0, n0), (e1, n1) in zip(corners, corners[1:] + corners[:1], strict=True):
        steps = int(max(abs(e1 - e0), abs(n1 - n0)) / 2)
        part = np.linspace(0, 1, steps, endpoint=False)[:, None]
        place.append(np.array([e0, n0]) + part * np.array([e1 - e0, n1 - n0]))
    place = np.concatenate(place) + np.array(shift)
    return make.fixes(
        place[:, 0], place[:, 1], machine_id="combine", work_state=1.0, width=width
    )


def test_shift_against_the_boundary(make):
    (note,) = found(make, around(make, shift=(1.0, -0.7)), boundary=FIELD)
    assert note.code == "tracks.frame_boundary"
    assert key(note) == pytest.approx([-1.0, 0.7], abs=0.1)
    assert "1.0 m east and 0.7 m south of the boundary" in note.sentence
    # On the boundary, or keeping away from it all around, is no shift.
    assert found(make, around(make), boundary=FIELD) == []
    assert found(make, around(make), boundary=FIELD.buffer(1.5, join_style=2)) == []
    # Nor is one side that is left wider, as along a fence.
    assert found(make, around(make), boundary=box(-1.5, 0, 96, 300)) == []
