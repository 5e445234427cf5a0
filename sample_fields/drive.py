"""Driving on a plane: the shortest smooth way between poses, time, and trailers.

A path is the track of a body's non-steered axle, so the body points along it. Bodies
behind follow by the exact tractrix of each short step. Angles in here are headings in
radians, clockwise from grid north.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

STEP = 0.20
"""Spacing of path points [m]; a trailer of 6 m is then placed within 1 mm."""

ACCELERATION = 0.5
"""Speeding up and slowing down [m/s2]; choice."""

_NOTHING = 1e-6
"""A shorter piece of way is left out [m]."""


@dataclass(frozen=True)
class Pose:
    """A place and a heading: east [m], north [m], clockwise from north [rad]."""

    east: float
    north: float
    heading: float


@dataclass(frozen=True)
class Motion:
    """One machine over time: arrays of equal length, time ascending.

    ``time`` [s], ``east``, ``north`` [m] of the leading body's non-steered axle,
    ``heading`` [rad], ``speed`` [m/s].
    """

    time: np.ndarray
    east: np.ndarray
    north: np.ndarray
    heading: np.ndarray
    speed: np.ndarray

    def at(self, time: np.ndarray) -> Motion:
        """Return the motion at other times, by straight lines between its points."""
        turned = np.unwrap(self.heading)
        values = (self.east, self.north, turned, self.speed)
        return Motion(time, *(np.interp(time, self.time, v) for v in values))


class Driver:
    """Drives one machine leg by leg and keeps what it did."""

    def __init__(self, pose: Pose, *, time: float, radius: float) -> None:
        self.pose, self.time, self.radius = pose, time, radius
        self._legs: list[np.ndarray] = [_standing(pose, time, time)]

    def wait_until(self, time: float) -> None:
        """Stand still; a time in the past changes nothing."""
        if time > self.time:
            self._legs.append(_standing(self.pose, self.time, time))
            self.time = time

    def go(self, *poses: Pose, speed: float, turn_speed: float, end_speed=0.0) -> None:
        """Drive through `poses` by shortest smooth ways, and stop at the last."""
        points, bent = smooth_way(self.pose, poses, radius=self.radius)
        limit = np.where(bent, turn_speed, speed)
        self._add(points, limit, end_speed=end_speed)

    def go_in(self, duration: float, pose: Pose, *, speed: float) -> None:
        """Drive straight to `pose` at one even speed from the first moment on."""
        points, _ = smooth_way(self.pose, (pose,), radius=self.radius)
        length = (len(points) - 1) * _spacing(points)
        if not math.isclose(length / speed, duration, rel_tol=0.02, abs_tol=0.5):
            msg = f"{length:.1f} m at {speed} m/s does not take {duration:.1f} s"
            raise ValueError(msg)
        time = self.time + np.linspace(0.0, duration, len(points))
        leg = np.column_stack([time, points, np.full(len(points), length / duration)])
        self._legs.append(leg)
        self.pose, self.time = pose, float(time[-1])

    def duration(
        self, *poses: Pose, speed: float, turn_speed: float, end_speed: float = 0.0
    ) -> float:
        """Return how long `go` would take [s]."""
        points, bent = smooth_way(self.pose, poses, radius=self.radius)
        start = self._legs[-1][-1, 4]
        limit = np.where(bent, turn_speed, speed)
        return float(_times(points, limit, start=start, end=end_speed)[0][-1])

    def motion(self) -> Motion:
        """Return everything driven so far."""
        legs = np.vstack(self._legs)
        keep = np.r_[True, np.diff(legs[:, 0]) > 1e-9]
        time, east, north, heading, speed = legs[keep].T
        return Motion(time, east, north, heading, speed)

    def _add(self, points, limit, *, end_speed) -> None:
        start = self._legs[-1][-1, 4]
        elapsed, speed = _times(points, limit, start=start, end=end_speed)
        self._legs.append(np.column_stack([self.time + elapsed, points, speed]))
        self.time += float(elapsed[-1])
        self.pose = Pose(*points[-1])


def smooth_way(start: Pose, poses, *, radius: float) -> tuple[np.ndarray, np.ndarray]:
    """Return points (n, 3) east, north, heading from `start` through `poses`.

    The second array is True in turns. Between two poses runs the shortest path of
    arcs of `radius` and straight lines for a machine that cannot reverse (Dubins 1957,
    American Journal of Mathematics 79:497-516).
    """
    points, bent = [np.array([[start.east, start.north, start.heading]])], [[False]]
    for pose in poses:
        part, turning = _dubins(start, pose, radius)
        points.append(part[1:])
        bent.append(turning[1:])
        start = pose
    return np.vstack(points), np.concatenate(bent)


def trail(east, north, heading, *, hitch: float, tongue: float, start: float):
    """Return east, north, heading of a trailed axle.

    Parameters
    ----------
    east, north, heading : ndarray
        Path of the body in front.
    hitch : float
        Hitch ahead of that body's non-steered axle (negative: behind) [m].
    tongue : float
        From the hitch to the trailed axle [m].
    start : float
        Heading of the trailed body at the first point [rad].
    """
    hitch_east = east + hitch * np.sin(heading)
    hitch_north = north + hitch * np.cos(heading)
    step_east, step_north = np.diff(hitch_east), np.diff(hitch_north)
    step = np.hypot(step_east, step_north)
    course = np.arctan2(step_east, step_north)
    body = np.empty(len(east))
    body[0] = angle = start
    for k, (length, along) in enumerate(
        zip(step.tolist(), course.tolist(), strict=True)
    ):
        if length > 1e-9:
            bend = math.remainder(along - angle, math.tau)
            bend = 2.0 * math.atan(math.tan(bend / 2.0) * math.exp(-length / tongue))
            angle = along - bend
        body[k + 1] = angle
    return hitch_east - tongue * np.sin(body), hitch_north - tongue * np.cos(body), body


def _times(points, limit, *, start: float, end: float):
    """Return elapsed time and speed along points under the acceleration limit."""
    step = np.hypot(*np.diff(points[:, :2], axis=0).T)
    speed = limit.astype(float).copy()
    speed[0], speed[-1] = min(start, speed[0]), min(end, speed[-1])
    gain = (2.0 * ACCELERATION * step).tolist()
    fast = (speed**2).tolist()
    for k in range(1, len(fast)):
        fast[k] = min(fast[k], fast[k - 1] + gain[k - 1])
    for k in range(len(fast) - 2, -1, -1):
        fast[k] = min(fast[k], fast[k + 1] + gain[k])
    speed = np.sqrt(fast)
    mean = np.maximum((speed[1:] + speed[:-1]) / 2.0, 1e-3)
    return np.concatenate([[0.0], np.cumsum(step / mean)]), speed


def _standing(pose: Pose, start: float, end: float) -> np.ndarray:
    row = [pose.east, pose.north, pose.heading, 0.0]
    return np.array([[start, *row], [end, *row]])


def _spacing(points) -> float:
    return float(np.hypot(*np.diff(points[:, :2], axis=0).T).mean())


def _dubins(start: Pose, end: Pose, radius: float):
    """Return points and a turning mark of the shortest of six arc-line-arc ways."""
    east, north = end.east - start.east, end.north - start.north
    distance = math.hypot(east, north) / radius
    # Mathematical angles (anticlockwise from east) inside the formulas.
    line = math.atan2(north, east)
    a = (math.pi / 2 - start.heading - line) % math.tau
    b = (math.pi / 2 - end.heading - line) % math.tau
    best = min(_words(a, b, distance), key=lambda word: sum(word[1]))
    kinds, lengths = best
    place = (start.east, start.north, start.heading)
    parts: list[np.ndarray] = []
    turning: list[np.ndarray] = []
    for kind, length in zip(kinds, lengths, strict=True):
        if length * radius < _NOTHING:
            continue
        part = _advance(place, kind, length * radius, radius)
        parts.append(part if not parts else part[1:])
        turning.append(np.full(len(parts[-1]), kind != "S"))
        place = tuple(part[-1])
    if not parts:
        return np.array([place, place]), np.zeros(2, dtype=bool)
    points = np.vstack(parts)
    points[-1] = end.east, end.north, points[-1, 2]
    return points, np.concatenate(turning)


def _advance(place, kind: str, length: float, radius: float) -> np.ndarray:
    east, north, heading = place
    along = np.linspace(0.0, length, max(2, math.ceil(length / STEP) + 1))
    if kind == "S":
        course = np.full(len(along), heading)
        return np.column_stack(
            [
                east + along * math.sin(heading),
                north + along * math.cos(heading),
                course,
            ]
        )
    sign = 1.0 if kind == "R" else -1.0
    course = heading + sign * along / radius
    centre_east = east + sign * radius * math.cos(heading)
    centre_north = north - sign * radius * math.sin(heading)
    return np.column_stack(
        [
            centre_east - sign * radius * np.cos(course),
            centre_north + sign * radius * np.sin(course),
            course,
        ]
    )


def _words(a: float, b: float, d: float):
    """Return every possible (turns, lengths in radii) of a Dubins way."""
    sa, sb, ca, cb, cab = math.sin(a), math.sin(b), math.cos(a), math.cos(b), 0.0
    cab = math.cos(a - b)
    found = []

    def keep(kinds, *lengths):
        # A turn of nearly a full circle is a turn of nothing plus rounding.
        tidy = [
            0.0 if kind != "S" and math.tau - length < 1e-9 else length
            for kind, length in zip(kinds, lengths, strict=True)
        ]
        found.append((kinds, tidy))

    square = 2 + d * d - 2 * cab + 2 * d * (sa - sb)
    if square >= -1e-12:
        angle = math.atan2(cb - ca, d + sa - sb)
        keep("LSL", (angle - a) % math.tau, math.sqrt(max(square, 0)),
             (b - angle) % math.tau)  # fmt: skip
    square = 2 + d * d - 2 * cab + 2 * d * (sb - sa)
    if square >= -1e-12:
        angle = math.atan2(ca - cb, d - sa + sb)
        keep("RSR", (a - angle) % math.tau, math.sqrt(max(square, 0)),
             (angle - b) % math.tau)  # fmt: skip
    square = -2 + d * d + 2 * cab + 2 * d * (sa + sb)
    if square >= 0:
        p = math.sqrt(square)
        angle = math.atan2(-ca - cb, d + sa + sb) - math.atan2(-2.0, p)
        keep("LSR", (angle - a) % math.tau, p, (angle - b) % math.tau)
    square = -2 + d * d + 2 * cab - 2 * d * (sa + sb)
    if square >= 0:
        p = math.sqrt(square)
        angle = math.atan2(ca + cb, d - sa - sb) - math.atan2(2.0, p)
        keep("RSL", (a - angle) % math.tau, p, (b - angle) % math.tau)
    cosine = (6 - d * d + 2 * cab + 2 * d * (sa - sb)) / 8
    if abs(cosine) <= 1:
        p = math.tau - math.acos(cosine)
        t = (a - math.atan2(ca - cb, d - sa + sb) + p / 2) % math.tau
        keep("RLR", t, p, (a - b - t + p) % math.tau)
    cosine = (6 - d * d + 2 * cab + 2 * d * (sb - sa)) / 8
    if abs(cosine) <= 1:
        p = math.tau - math.acos(cosine)
        t = (-a + math.atan2(-ca + cb, d + sa - sb) + p / 2) % math.tau
        keep("LRL", t, p, (b - a - t + p) % math.tau)
    return found
