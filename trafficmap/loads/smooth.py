"""Tracks of two rigs made comparable: one point a second, noise taken out."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import msgspec
import numpy as np

from trafficmap.core.limits import GAP_SECONDS
from trafficmap.core.settings.loads import LoadSettings
from trafficmap.loads.trail import rig_path
from trafficmap.machines.model import Machine

STAND = 0.3
"""Slower is standing [m/s]; choice."""

_SPEED_ERROR = 0.05
"""Smoothing goes on until speeds are known this well [m/s]; choice."""

_LEAST, _POOR_LEAST, _MOST = 5, 27, 61
"""Points in a straight-line fit: at least, at least with a receiver whose errors
wander (which second differences do not show), and at most; choice."""

_POOR = ("sbas", "phone")
_WANDER = 3.0
"""A standing rig that seems to creep less than this has not moved [m]; choice."""


@dataclass(frozen=True)
class SecondTrack:
    """Where one point of a rig was at whole seconds, and how fast the rig drove.

    Parameters
    ----------
    second : ndarray of int64, shape (n,)
        Seconds since 1970, ascending; missing where the log has a hole.
    easting, northing : ndarray, shape (n,)
        Of the point. [m]
    heading : ndarray, shape (n,)
        Of the body the point is on. [rad]
    east_speed, north_speed : ndarray, shape (n,)
        Of the antenna. [m/s]
    window : int
        Points in each straight-line fit.
    speed_error : float
        Of each speed, one sigma, as far as white noise goes. [m/s]
    """

    second: np.ndarray
    easting: np.ndarray
    northing: np.ndarray
    heading: np.ndarray
    east_speed: np.ndarray
    north_speed: np.ndarray
    window: int
    speed_error: float

    @property
    def speed(self) -> np.ndarray:
        """How fast the rig drives [m/s]."""
        return np.hypot(self.east_speed, self.north_speed)


def second_tracks(
    clock: np.ndarray,
    easting: np.ndarray,
    northing: np.ndarray,
    *,
    machine: Machine,
    settings: LoadSettings,
) -> tuple[SecondTrack, SecondTrack]:
    """Return the smoothed tracks of what gives on a rig, and of what takes.

    The first is that of the reference axle of the body that carries, the second that
    of its hopper, the opening a spout must meet.

    One point a second, by a straight line fitted to the points around each (Savitzky
    and Golay 1964, Anal. Chem. 36:1627-1639, order 1): place and speed come from the
    same fit. Its length N is the smallest that knows the speed to 0.05 m/s, from
    var(speed) = 12 var(place) / N**3 (derived, white errors, one point a second).

    Parameters
    ----------
    clock, easting, northing : ndarray, shape (n,)
        Fixes of the antenna in order of time. [s], [m]
    machine : Machine
    settings : LoadSettings
    """
    window, error = window_of(clock, easting, northing, machine)
    pieces = [
        _fitted(clock[a:b], easting[a:b], northing[a:b], window)
        for a, b in _stretches(clock)
    ]
    if not pieces:
        no = np.empty(0)
        second = np.empty(0, dtype=np.int64)
        nowhere = SecondTrack(second, no, no, no, no, no, window, error)
        return nowhere, nowhere
    second, east, north, east_speed, north_speed = map(
        np.concatenate, zip(*pieces, strict=True)
    )
    standing = np.hypot(east_speed, north_speed) < STAND
    path = rig_path(
        east,
        north,
        second.astype(float),
        machine=machine,
        settings=msgspec.structs.replace(settings, standing_step=_WANDER),
        standing=standing,
        working=~standing,
    )
    at = path.station_of_kept[path.kept_of_fix]
    body = machine.payload_body
    number = machine.bodies.index(body) if body is not None else 0
    heading = path.heading[number][at]
    east, north = path.easting[number][at], path.northing[number][at]
    rest = heading, east_speed, north_speed, window, error
    giver = SecondTrack(second, east, north, *rest)
    if body is None:
        return giver, giver
    ahead, right = body.payload.hopper_x, body.payload.hopper_y
    east = east + ahead * np.sin(heading) + right * np.cos(heading)
    north = north + ahead * np.cos(heading) - right * np.sin(heading)
    return giver, SecondTrack(second, east, north, *rest)


def window_of(
    clock: np.ndarray, easting: np.ndarray, northing: np.ndarray, machine: Machine
) -> tuple[int, float]:
    """Return how many seconds a straight-line fit needs, odd, and its speed error."""
    least = _POOR_LEAST if machine.correction in _POOR else _LEAST
    step = np.diff(clock)
    even = np.abs(np.diff(step)) < 0.01
    if even.sum() < 20:
        return least, _SPEED_ERROR
    sigmas = []
    for place in (easting, northing):
        bend = np.abs(np.diff(place, 2)[even])
        # A straight even drive has none; the middle of |N(0, 1)| is 1 / 1.4826.
        sigmas.append(1.4826 * float(np.median(bend)) / np.sqrt(6.0))
    apart = float(np.median(step[:-1][even]))
    noise = 12.0 * max(sigmas) ** 2 * apart
    number = int(np.ceil(max((noise / _SPEED_ERROR**2) ** (1.0 / 3.0), least)))
    number = min(number + (number % 2 == 0), _MOST)
    return number, float(np.sqrt(noise / number**3))


def _stretches(clock: np.ndarray) -> list[tuple[int, int]]:
    """Return parts of a log without a hole, of two points or more."""
    cuts = np.flatnonzero(np.diff(clock) > GAP_SECONDS) + 1
    edges = [0, *cuts.tolist(), clock.size]
    return [
        (a, b)
        for a, b in itertools.pairwise(edges)
        if b - a > 1 and np.floor(clock[b - 1]) - np.ceil(clock[a]) >= 1
    ]


def _fitted(clock, easting, northing, window: int):
    """Return seconds, places and speeds of one stretch."""
    second = np.arange(np.ceil(clock[0]), np.floor(clock[-1]) + 1)
    n, half = second.size, window // 2
    first = np.maximum(np.arange(n) - half, 0)
    last = np.minimum(np.arange(n) + half + 1, n)
    count = (last - first).astype(float)
    middle = 0.5 * (first + last - 1)
    spread = np.maximum(count * (count**2 - 1.0) / 12.0, 1.0)
    out = [second.astype(np.int64)]
    speeds = []
    for place in (easting, northing):
        base = place[0]
        value = np.interp(second, clock, place) - base
        sums = np.concatenate([[0.0], np.cumsum(value)])
        moments = np.concatenate([[0.0], np.cumsum(value * np.arange(n))])
        total = sums[last] - sums[first]
        slope = (moments[last] - moments[first] - middle * total) / spread
        out.append(base + total / count + slope * (np.arange(n) - middle))
        speeds.append(slope)
    return (*out, *speeds)
