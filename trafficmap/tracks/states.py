"""What a machine was doing at each fix, from its signals or else from its track."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import shapely

from trafficmap.tracks._clean_kernels import find_still, hold_still
from trafficmap.tracks._split_kernels import (
    drop_short,
    fill_holes,
    mark_turns,
    track_shape,
)
from trafficmap.tracks.curved_work import curved_work
from trafficmap.tracks.ground import blocks, carries_only, field_ground, steps
from trafficmap.tracks.settle import receiver_of
from trafficmap.tracks.shape_work import SHAPE_REACH, straight_work

if TYPE_CHECKING:
    from collections.abc import Mapping

    from shapely.geometry.base import BaseGeometry

    from trafficmap.core.settings.tracks import TrackSettings
    from trafficmap.machines.model import Machine
    from trafficmap.tracks.ground import LogFacts


@dataclass(frozen=True)
class Shape:
    """Steps and shape of the track of all fixes; see `track_shape`."""

    start: np.ndarray
    seconds: np.ndarray
    length: np.ndarray
    before: np.ndarray
    after: np.ndarray
    speed: np.ndarray
    still: np.ndarray
    place: np.ndarray
    back: np.ndarray


def shape_of(
    fixes: pd.DataFrame,
    start: np.ndarray,
    back: np.ndarray,
    *,
    settings: TrackSettings,
) -> Shape:
    """Return the shape of the track and where the machine stands.

    `start` says where the track begins anew, `back` which steps were driven backward.
    """
    n = len(fixes)
    seconds = fixes["seconds"].to_numpy(dtype=float)
    place = fixes[["easting", "northing"]].to_numpy(dtype=float)
    if n:
        place = place - place[0]
    length, _ = steps(fixes, start)
    before, after, speed = np.full(n, np.nan), np.full(n, np.nan), np.zeros(n)
    track_shape(seconds, start, length, place, SHAPE_REACH, before, after, speed)
    still = np.zeros(n, dtype=np.bool_)
    if n:
        find_still(
            seconds,
            start,
            place,
            settings.still_window,
            settings.idle_speed,
            0.0,
            still,
        )
        hold_still(seconds, start, settings.idle_seconds, place, still)
        # The step that brings a machine to its stand was still driven.
        arrives = still & ~start & (length > 0.0)
        arrives[1:] &= ~still[:-1]
        still &= ~arrives
    return Shape(start, seconds, length, before, after, speed, still, place, back)


def states_of(
    fixes: pd.DataFrame,
    shape: Shape,
    *,
    boundary: BaseGeometry | None,
    access: BaseGeometry | None = None,
    machines: Mapping[str, Machine],
    facts: Mapping[int, LogFacts],
    settings: TrackSettings,
) -> tuple[np.ndarray, list[str]]:
    """Return the state of each fix, and the machines whose work had to be guessed."""
    number, names = pd.factorize(fixes["machine_id"])
    outside = _outside(fixes, boundary, None, settings.boundary_margin)
    # Outside the field but on a strip: traffic, never work.
    elsewhere = (
        outside
        if access is None
        else _outside(fixes, boundary, access, settings.boundary_margin)
    )
    state = np.full(len(fixes), "hauling", dtype=object)
    guessed: list[str] = []
    for part in blocks(number):
        a, b = part.start, part.stop
        name = str(names[number[a]])
        machine = machines.get(name)
        mine = Shape(*(getattr(shape, name)[part] for name in shape.__annotations__))
        hauls = carries_only(machine)
        working = np.zeros(b - a, dtype=np.bool_)
        if not hauls:
            working, from_track = _working(
                fixes.iloc[part], mine, machine, facts, outside[part], settings
            )
            if from_track:
                guessed.append(name)
        away = elsewhere[part].copy()
        turning = np.zeros(b - a, dtype=np.bool_)
        mark_turns(
            working,
            ~away,
            mine.start,
            mine.seconds,
            mine.length,
            mine.before,
            mine.after,
            math.radians(settings.turn_angle),
            settings.turn_seconds,
            settings.turn_length,
            turning,
        )
        if boundary is None:
            away |= ~(working | turning)
        word = state[part]
        word[turning] = "turning"
        word[working] = "working"
        word[mine.still] = "idle"
        if hauls:
            loading = mine.still.copy()
            drop_short(
                loading,
                mine.start,
                mine.seconds,
                mine.length,
                settings.load_seconds,
                0.0,
            )
            word[loading] = "loading"
        word[away] = "road"
    return state, sorted(set(guessed))


def _outside(
    fixes, boundary: BaseGeometry | None, access: BaseGeometry | None, margin: float
) -> np.ndarray:
    ground = field_ground(boundary, access, margin)
    if ground is None:
        return np.zeros(len(fixes), dtype=np.bool_)
    shapely.prepare(ground)
    return ~shapely.intersects_xy(
        ground, fixes["easting"].to_numpy(), fixes["northing"].to_numpy()
    )


def _working(
    fixes, shape: Shape, machine, facts, outside, settings: TrackSettings
) -> tuple[np.ndarray, bool]:
    """Return which fixes close a worked step, and whether this is a guess.

    Each log is judged by the best signal it has: work state, else a width that is 0
    at times, else a rate that is, else the shape of the track. Nothing works backward.
    """
    working = np.zeros(len(fixes), dtype=np.bool_)
    signal = np.zeros(len(fixes), dtype=np.bool_)
    log = fixes["log_id"].to_numpy()
    columns = {
        name: fixes[name].to_numpy(dtype=float)
        for name in ("work_state", "width", "application_rate")
    }
    for log_id in np.unique(log):
        rows = np.flatnonzero(log == log_id)
        on = _signal({name: values[rows] for name, values in columns.items()})
        if on is not None:
            working[rows] = on
            signal[rows] = True
    allowed = ~outside & ~shape.still & ~shape.back
    working &= allowed
    fill_holes(working, shape.start, shape.seconds, settings.hole_seconds)
    working &= allowed
    if signal.all():
        return working, False
    _, sigma, _, _ = receiver_of(facts.get(int(log[0])), machine, settings)
    told: dict = {
        "speeds": getattr(machine, "working_speed", settings.working_speed),
        "sigma": sigma,
        "settings": settings,
    }
    silent = ~signal & allowed
    found = straight_work(shape, silent, **told)
    wide = getattr(machine, "width", None)
    found |= curved_work(shape, silent, found, reach=SHAPE_REACH, width=wide, **told)
    return working | found, True


def _signal(columns: dict[str, np.ndarray]) -> np.ndarray | None:
    """Return where a log says it worked, None when nothing in it tells."""
    state, width = columns["work_state"], columns["width"]
    if np.isfinite(state).any():
        return (state > 0.0) & ~(width == 0.0)
    for values in (width, columns["application_rate"]):
        if (values > 0.0).any() and (values == 0.0).any():
            return values > 0.0
    return None
