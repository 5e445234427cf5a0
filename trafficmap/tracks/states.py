"""What a machine was doing at each fix, from its signals or else from its track."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

from trafficmap.tracks._clean_kernels import find_still, hold_still
from trafficmap.tracks._split_kernels import (
    drop_short,
    fill_holes,
    mark_turns,
    track_shape,
)
from trafficmap.tracks.ground import carries_only, steps

if TYPE_CHECKING:
    import pandas as pd
    from shapely.geometry.base import BaseGeometry

    from trafficmap.core.settings.tracks import TrackSettings
    from trafficmap.machines.model import Machine

SHAPE_REACH = 15.0
"""Directions are taken over this distance before and after a fix; half the length a
straight run must have [m]; choice."""

MAIN_SHARE = 0.10
"""A direction with less of the straight distance is no main direction; choice."""


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


def shape_of(
    fixes: pd.DataFrame, start: np.ndarray, *, settings: TrackSettings
) -> Shape:
    """Return the shape of the track and where the machine stands."""
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
    return Shape(start, seconds, length, before, after, speed, still)


def states_of(
    fixes: pd.DataFrame,
    shape: Shape,
    *,
    boundary: BaseGeometry | None,
    machines: dict[str, Machine],
    settings: TrackSettings,
) -> tuple[np.ndarray, list[str]]:
    """Return the state of each fix, and the machines whose work had to be guessed."""
    machine_id = fixes["machine_id"].to_numpy().astype(str)
    outside = _outside(fixes, boundary, settings.boundary_margin)
    state = np.full(len(fixes), "hauling", dtype=object)
    guessed: list[str] = []
    edges = np.flatnonzero(np.append(True, machine_id[1:] != machine_id[:-1]))
    for a, b in zip(edges, [*edges[1:], len(fixes)], strict=True):
        if a == b:
            continue
        part = slice(int(a), int(b))
        machine = machines.get(machine_id[a])
        mine = Shape(*(getattr(shape, name)[part] for name in shape.__annotations__))
        hauls = carries_only(machine)
        working = np.zeros(b - a, dtype=np.bool_)
        if not hauls:
            working, from_track = _working(
                fixes.iloc[part], mine, machine, outside[part], settings
            )
            if from_track:
                guessed.append(machine_id[a])
        away = outside[part].copy()
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


def _outside(fixes, boundary: BaseGeometry | None, margin: float) -> np.ndarray:
    if boundary is None:
        return np.zeros(len(fixes), dtype=np.bool_)
    ground = boundary.buffer(margin)
    shapely.prepare(ground)
    return ~shapely.intersects_xy(
        ground, fixes["easting"].to_numpy(), fixes["northing"].to_numpy()
    )


def _working(
    fixes, shape: Shape, machine, outside, settings: TrackSettings
) -> tuple[np.ndarray, bool]:
    """Return which fixes close a worked step, and whether this is a guess.

    Each log is judged by the best signal it has: work state, else a width that is 0
    at times, else a rate that is, else the shape of the track.
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
    working &= ~outside & ~shape.still
    fill_holes(working, shape.start, shape.seconds, settings.hole_seconds)
    working &= ~outside & ~shape.still
    if signal.all():
        return working, False
    found = _straight_work(shape, ~signal & ~outside, machine, settings)
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


def _straight_work(
    shape: Shape, allowed: np.ndarray, machine, settings: TrackSettings
) -> np.ndarray:
    """Return where a machine goes straight along a main direction at working speed."""
    low, high = getattr(machine, "working_speed", settings.working_speed)
    bend = np.abs(_wrapped(shape.after - shape.before))
    flag = allowed & ~shape.still & (shape.speed >= low) & (shape.speed <= high)
    flag &= bend <= SHAPE_REACH / settings.straight_radius  # NaN is not straight
    course = 0.5 * (np.sin(shape.before) + np.sin(shape.after))
    course = np.arctan2(course, 0.5 * (np.cos(shape.before) + np.cos(shape.after)))
    near = np.zeros_like(flag)
    tolerance = math.radians(settings.direction_tolerance)
    for main in _main_directions(course[flag], shape.length[flag], tolerance):
        off = np.abs(_wrapped(2.0 * (course - main))) / 2.0
        near |= off <= tolerance
    flag &= near
    fill_holes(flag, shape.start, shape.seconds, settings.hole_seconds)
    flag &= allowed & ~shape.still
    drop_short(
        flag,
        shape.start,
        shape.seconds,
        shape.length,
        settings.work_seconds,
        settings.straight_length,
    )
    return flag


def _main_directions(
    course: np.ndarray, length: np.ndarray, tolerance: float
) -> list[float]:
    """Return the directions, without sense, that hold most of the distance [rad]."""
    bins = 180
    width = math.pi / bins
    index = np.floor((course % math.pi) / width).astype(np.int64) % bins
    total = np.bincount(index, weights=length, minlength=bins)
    half = max(1, round(tolerance / width))
    whole = total.sum()
    found: list[float] = []
    while whole > 0.0:
        around = np.sum(
            [np.roll(total, shift) for shift in range(-half, half + 1)], axis=0
        )
        best = int(np.argmax(around))
        if around[best] < MAIN_SHARE * whole:
            break
        found.append((best + 0.5) * width)
        total[(best + np.arange(-2 * half, 2 * half + 1)) % bins] = 0.0
    return found


def _wrapped(angle: np.ndarray) -> np.ndarray:
    return np.arctan2(np.sin(angle), np.cos(angle))
