"""Every kind of dirt in a track, and the very sentence a person reads about it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from shapely.geometry import box

from trafficmap.core.settings.tracks import TrackSettings
from trafficmap.tracks import LogFacts, clean, split

FIELD = box(-50, -50, 450, 650)


def straight(make, n=300, **columns):
    return make.fixes(np.full(n, 5.0), 1.0 + np.arange(n) * 2.0, **columns)


def no_place(make):
    fixes = straight(make)
    fixes.loc[[10, 20], ["easting", "northing"]] = 0.0
    return fixes


def far_away(make):
    fixes = straight(make)
    fixes.loc[10, "easting"] += 5e6
    return fixes


def backward(make):
    seconds = np.arange(300.0)
    seconds[50] = 3.4
    return straight(make, seconds=seconds)


def twice(make):
    fixes = straight(make)
    return pd.concat([fixes[:60], fixes[59:60].assign(easting=7.0), fixes[60:]])


def repeat(make):
    fixes = straight(make)
    return pd.concat([fixes[:60], fixes[59:60], fixes[60:]])


def jump(make):
    fixes = straight(make)
    fixes.loc[100:103, "easting"] += 80.0
    return fixes


def held(make):
    fixes = straight(make)
    fixes.loc[80, "northing"] = fixes.loc[79, "northing"]
    return fixes


def shift(make):
    fixes = straight(make)
    fixes.loc[150:, "easting"] += 80.0
    return fixes


def stretches(make):
    fixes = straight(make)
    return pd.concat([fixes[:60], fixes[200:], fixes[60:200]])


def shuffled(make):
    fixes = straight(make)
    return fixes.iloc[np.random.default_rng(3).permutation(len(fixes))]


def joined(make):
    fixes = straight(make)
    fixes.loc[150:, "log_id"] = 1
    return fixes


def standing(make):
    fixes = straight(make)
    drift = np.random.default_rng(4).normal(0, 0.01, (200, 2)).cumsum(axis=0)
    still = make.fixes(
        5.0 + drift[:, 0], 599.0 + drift[:, 1], seconds=300.0 + np.arange(200.0)
    )
    return pd.concat([fixes, still])


def gap(make, missing=20):
    fixes = straight(make)
    return fixes.drop(index=range(100, 100 + missing))


def long_gap(make):
    return gap(make, missing=150)


def sideways(make):
    fixes = straight(make)
    fixes.loc[100:, "easting"] += 30.0
    fixes.loc[100:, "seconds"] += 9.0
    return fixes


def missing_turn(make):
    east, north, work = make.rows(rows=2, apart=24.0, length=200.0)
    seconds = np.arange(east.size, dtype=float)
    fixes = make.fixes(east + 1.0, north + 1.0, seconds=seconds, work_state=1.0)
    return fixes[work > 0]


def back(make):
    up = np.arange(1.0, 301.0, 2.0)
    north = np.concatenate([up, 299.0 - np.arange(1.0, 16.0)])
    return make.fixes(np.full(north.size, 5.0), north)


def road(make):
    return make.fixes(np.full(500, 5.0), 1.0 + np.arange(500) * 2.0, work_state=1.0)


BRIDGE = (
    "1 gap can only have been driven straight on ({way}): drawn, and marked as "
    "inferred. The setting tracks.bridge_gaps leaves such ways out."
)

CASES = {
    "place": (
        no_place, "info",
        "2 of 300 fixes have no usable position; they were dropped.",
    ),
    "far": (
        far_away, "info",
        "1 of 300 fixes lie too far from the field; they were dropped.",
    ),
    "backward": (
        backward, "info",
        "1 of 300 fixes have a clock that ran backward; they were dropped.",
    ),
    "twice": (
        twice, "info",
        "1 of 301 fixes claim two places at one moment; they were dropped.",
    ),
    "repeat": (repeat, "info", "1 of 301 fixes repeat a fix; they were dropped."),
    "jump": (
        jump, "check",
        "4 of 300 fixes jumped farther than the machine can drive; they were dropped.",
    ),
    "held": (
        held, "info",
        "1 of 300 fixes repeat the last place while the machine moved on; they were "
        "dropped.",
    ),
    "shift": (
        shift, "info",
        "The position shifted faster than the machine can drive and stayed there; the "
        "track is cut at these places.",
    ),
    "order": (
        stretches, "info",
        "2 stretches were not in order of time in their file; they were put in order.",
    ),
    "shuffled": (
        shuffled, "info",
        "{count} fixes were not in order of time in their file; they were put in "
        "order.",
    ),
    "joined": (
        joined, "info",
        "Goes on where log 0 of the same machine ends; both are taken as one drive.",
    ),
    "standing": (
        standing, "info",
        "Machines stood for 3 min in all; the wandering of the position meanwhile was "
        "taken out.",
    ),
    "bridged": (gap, "info", BRIDGE.format(way="42 m")),
    "gap": (
        long_gap, "info",
        "The logs have 1 gap of more than 30 s with nothing drawn across.",
    ),
    "gap_cut": (
        sideways, "info",
        "1 gap of less than 30 s: no way that a vehicle can have driven fits; nothing "
        "is drawn across.",
    ),
    "turn_missing": (
        missing_turn, "info",
        "1 gap at turns: nothing is drawn there. Say infer_turns = true in a [[log]] "
        "to have the shortest way drawn.",
    ),
    "reverse": (
        back, "info",
        "Driven backward, as the tracks show: 15 m in 1 stretch; machines and what "
        "they pull are led that way.",
    ),
    "road": (
        road, "info",
        "0.3 km were driven outside the ground mapped and are left out of the maps.",
    ),
    "work_guessed": (
        straight, "check",
        "combine: nothing in its log tells when it worked; 0.6 km of straight runs at "
        "working speed are taken for work. Loads and liquid follow from this; the "
        "tracks of its wheels do not.",
    ),
}  # fmt: skip


@pytest.mark.parametrize("code", CASES)
def test_dirt_and_its_sentence(make, code):
    build, severity, sentence = CASES[code]
    rules = {
        "boundary": FIELD,
        "machines": {"combine": make.machine()},
        "settings": TrackSettings(),
    }
    fixes = build(make).reset_index(drop=True)
    fixes, first = clean(fixes, **rules)
    _, _, second = split(fixes, **rules)
    (note,) = [n for n in first + second if n.code == f"tracks.{code}"]
    assert note.sentence == sentence.format(count=note.count)
    assert note.severity == severity


def test_turns_drawn_on_request_and_their_sentence(make):
    rules = {
        "boundary": FIELD,
        "machines": {"combine": make.machine()},
        "settings": TrackSettings(),
        "logs": [LogFacts(0, infer_turns=True)],
    }
    _, notes = clean(missing_turn(make).reset_index(drop=True), **rules)
    (note,) = [n for n in notes if n.code == "tracks.turn_inferred"]
    assert note.severity == "check"
    assert note.sentence == (
        "1 gap at turns (30 m): drawn as the shortest way the machine can turn, as "
        "asked for, and marked as inferred."
    )
