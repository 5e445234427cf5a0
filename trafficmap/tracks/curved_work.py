"""Work found on curved rows from the track alone: rows that run beside one another."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from scipy.spatial import cKDTree

from trafficmap.tracks._split_kernels import drop_short, fill_holes

if TYPE_CHECKING:
    from trafficmap.core.settings.tracks import TrackSettings
    from trafficmap.tracks.states import Shape

_STEP = 5.0
"""Rows are compared at places so far apart along the way [m]; choice."""

_NEAREST, _FARTHEST = 2.0, 40.0
"""Rows lie at least and at most so far apart [m]; choice."""

_ALONG = 0.6 * _STEP
"""What lies beside a place lies no further ahead of or behind it [m]."""

_SPREAD = 0.15
"""Distances of the same rows differ by no more than this share, or by 3 sigma of a fix
where that is more; choice."""

_OVERLAP = 0.4
"""Rows overlap by no more than this share of the working width; choice. What lies
nearer is the other side of a lane."""

_TOLD = 0.25
"""Share of the places that straight work has to hold to tell the distance of rows;
choice."""

_BEND = 2.0
"""Rows may bend this much more than straight work: to 30 m radius; choice."""


def curved_work(
    shape: Shape,
    allowed: np.ndarray,
    found: np.ndarray,
    *,
    speeds: tuple[float, float],
    sigma: float,
    reach: float,
    settings: TrackSettings,
    width: float | None = None,
) -> np.ndarray:
    """Return where a machine drives beside its own rows at their usual distance.

    Contour rows, a pivot's circles and rows along a winding edge have no main
    direction, but each lies one working width beside the next. The usual distance is
    the one at which most of the way has its nearest neighbour, or that of straight
    rows of the machine where there are enough; a lane driven there and back on both its
    sides is none. Nothing is found where ``found`` holds nearly all of the way already,
    as on straight rows.

    Parameters
    ----------
    shape : Shape
        Of one machine.
    allowed : ndarray of bool
        Where work may be at all.
    found : ndarray of bool
        Work along main directions, see `shape_work.straight_work`.
    speeds : tuple of float
        Slowest and fastest work. [m/s]
    sigma : float
        Error of a fix. [m]
    reach : float
        Directions in `shape` are over this distance. [m]
    settings : TrackSettings
        ``curved_share``, ``straight_radius``, ``direction_tolerance``.
    width : float, optional
        Working width. [m]
    """
    none = np.zeros_like(found)
    low, high = speeds
    bend = np.abs(_wrapped(shape.after - shape.before))
    even = allowed & ~shape.still & (shape.speed >= low) & (shape.speed <= high)
    even &= bend <= _BEND * reach / settings.straight_radius
    way = float(shape.length[even].sum())
    if way == 0.0 or shape.length[even & ~found].sum() < settings.curved_share * way:
        return none
    spot = _spots(shape, even)
    if spot.size < 3:
        return none
    course = 0.5 * (np.sin(shape.before) + np.sin(shape.after))
    course = np.arctan2(course, 0.5 * (np.cos(shape.before) + np.cos(shape.after)))
    tolerance = math.radians(settings.direction_tolerance)
    nearest = max(_NEAREST, (1.0 - _OVERLAP) * (width or 0.0))
    apart = _nearest_beside(shape.place[spot], course[spot], tolerance, nearest)
    straight = found[spot]
    usual = None
    if straight.mean() >= _TOLD:
        usual = _usual(apart[straight])
    if usual is None:
        usual = _usual(apart)
    if usual is None:
        return none
    # Half-way to the next pass a row has none yet, or the work is done: one side does.
    near = np.abs(apart - usual) <= max(_SPREAD * usual, 3.0 * sigma)
    flag = none.copy()
    rows = np.flatnonzero(even)
    flag[rows] = near[_owner(spot, rows)]
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


def _spots(shape: Shape, even: np.ndarray) -> np.ndarray:
    """Return fixes about `_STEP` apart along the way, of the even ones."""
    gone = np.cumsum(np.where(shape.start, 0.0, shape.length))
    mark = np.floor(gone / _STEP)
    first = np.ones(even.size, dtype=np.bool_)
    first[1:] = (mark[1:] != mark[:-1]) | shape.start[1:]
    return np.flatnonzero(first & even & np.isfinite(shape.before + shape.after))


def _owner(spot: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """Return for each fix the place in `spot` of the one next to it in the log."""
    after = np.clip(np.searchsorted(spot, rows), 1, spot.size - 1)
    before = after - 1
    return np.where(rows - spot[before] < spot[after] - rows, before, after)


def _nearest_beside(
    place: np.ndarray,
    course: np.ndarray,
    tolerance: float,
    least: float = _NEAREST,
) -> np.ndarray:
    """Return how far each place is from the nearest one abreast that runs like it.

    NaN where there is none. Direction counts without sense: rows are driven there and
    back.
    """
    tree = cKDTree(place)
    pairs = tree.query_pairs(_FARTHEST, output_type="ndarray")
    one, two = pairs[:, 0], pairs[:, 1]
    turn = np.abs(_wrapped(2.0 * (course[one] - course[two]))) / 2.0
    keep = turn <= tolerance
    one, two = one[keep], two[keep]
    step = place[two] - place[one]
    sin, cos = np.sin(course[one]), np.cos(course[one])
    across = np.abs(step[:, 0] * cos - step[:, 1] * sin)
    along = np.abs(step[:, 0] * sin + step[:, 1] * cos)
    keep = (along <= _ALONG) & (across >= least)
    one, two, across = one[keep], two[keep], across[keep]
    nearest = np.full(len(place), np.inf)
    np.minimum.at(nearest, one, across)
    np.minimum.at(nearest, two, across)
    return np.where(np.isfinite(nearest), nearest, np.nan)


def _usual(apart: np.ndarray) -> float | None:
    """Return the distance that most places keep, None where no tenth agrees."""
    known = np.sort(apart[np.isfinite(apart)])
    if known.size < max(3, 0.1 * apart.size):
        return None
    end = np.searchsorted(known, known * (1.0 + 2.0 * _SPREAD), side="right")
    held = end - np.arange(known.size)
    best = int(np.argmax(held))
    if held[best] < 0.1 * apart.size:
        return None
    return float(np.median(known[best : end[best]]))


def _wrapped(angle: np.ndarray) -> np.ndarray:
    return np.arctan2(np.sin(angle), np.cos(angle))
