"""Work found from the shape of a track alone: straight runs in main directions."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from trafficmap.tracks._split_kernels import drop_short, fill_holes, grow_straight

if TYPE_CHECKING:
    from trafficmap.core.settings.tracks import TrackSettings
    from trafficmap.tracks.states import Shape

SHAPE_REACH = 15.0
"""Directions are taken over this distance before and after a fix; half the length a
straight run must have [m]; choice."""

MAIN_SHARE = 0.10
"""A direction with less of the straight distance is no main direction; choice."""

OFF_LINE = 0.4
"""At the ends of a run work goes on while the track is this close to its line, or
within 3 sigma of a fix [m]; choice."""


def straight_work(
    shape: Shape,
    allowed: np.ndarray,
    *,
    speeds: tuple[float, float],
    sigma: float,
    settings: TrackSettings,
) -> np.ndarray:
    """Return where a machine goes straight along a main direction at working speed.

    Parameters
    ----------
    shape : Shape
        Of one machine.
    allowed : ndarray of bool
        Where work may be at all.
    speeds : tuple of float
        Slowest and fastest work. [m/s]
    sigma : float
        Error of a fix. [m]
    settings : TrackSettings

    Notes
    -----
    A run is found where the directions over the 15 m before and after a fix agree, so
    its first and last 15 m are not; it is then led on along its own line, as far as
    the track keeps to it. A turn of 4 m radius leaves it after 2 m.
    """
    bend = np.abs(_wrapped(shape.after - shape.before))
    low, high = speeds
    flag = allowed & ~shape.still & (shape.speed >= low) & (shape.speed <= high)
    flag &= bend <= SHAPE_REACH / settings.straight_radius  # NaN is not straight
    course = 0.5 * (np.sin(shape.before) + np.sin(shape.after))
    course = np.arctan2(course, 0.5 * (np.cos(shape.before) + np.cos(shape.after)))
    near = np.zeros_like(flag)
    tolerance = math.radians(settings.direction_tolerance)
    for main in main_directions(course[flag], shape.length[flag], tolerance):
        off = np.abs(_wrapped(2.0 * (course - main))) / 2.0
        near |= off <= tolerance
    flag &= near
    fill_holes(flag, shape.start, shape.seconds, settings.hole_seconds)
    flag &= allowed & ~shape.still
    grow_straight(
        flag,
        allowed & ~shape.still,
        shape.start,
        shape.length,
        shape.place,
        2.0 * SHAPE_REACH,
        max(OFF_LINE, 3.0 * sigma),
    )
    drop_short(
        flag,
        shape.start,
        shape.seconds,
        shape.length,
        settings.work_seconds,
        settings.straight_length,
    )
    return flag


def main_directions(
    course: np.ndarray, length: np.ndarray, tolerance: float
) -> list[float]:
    """Return the directions, without sense, that hold most of the distance [rad].

    The window of twice the tolerance with the most way in it, then the next beside it,
    while they hold a tenth of all; each is the mean of its window. No direction is
    preferred to another, so turning the field turns the answer.
    """
    good = np.isfinite(course)
    angle, weight = course[good] % math.pi, length[good]
    order = np.argsort(angle, kind="stable")
    angle, weight = angle[order], weight[order].copy()
    whole = weight.sum()
    n = angle.size
    found: list[float] = []
    twice = np.concatenate([angle, angle + math.pi])
    end = np.searchsorted(twice, angle + 2.0 * tolerance, side="right")
    while whole > 0.0:
        total = np.concatenate([[0.0], np.cumsum(np.concatenate([weight, weight]))])
        inside = total[end] - total[:n]
        best = int(np.argmax(inside))
        if inside[best] < MAIN_SHARE * whole:
            break
        rows = np.arange(best, end[best])
        part = weight[rows % n]
        main = float((twice[rows] * part).sum() / part.sum()) % math.pi
        found.append(main)
        off = np.abs(_wrapped(2.0 * (angle - main))) / 2.0
        weight[off <= 2.0 * tolerance] = 0.0
        # What is left of the row itself may lie a hair outside of its own window.
        weight[rows % n] = 0.0
    return found


def _wrapped(angle: np.ndarray) -> np.ndarray:
    return np.arctan2(np.sin(angle), np.cos(angle))
