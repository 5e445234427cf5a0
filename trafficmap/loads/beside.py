"""Two rigs beside each other: the stretches in which a load can change over."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from trafficmap.core.settings.loads import LoadSettings
from trafficmap.loads._beside import (
    MOVING,
    OTHER_SIDE,
    STANDING,
    beside,
    calm_span,
    count_beside,
    empty_counts,
)
from trafficmap.loads.smooth import STAND, SecondTrack

_OUT = 2.0
"""In a standing transfer the hopper is at least this far out on the auger's side [m];
choice."""

_CALM_SECONDS = 5
_CALM_SPEED, _CALM_SHARE = 0.15, 1.5
"""Coming and going are cut off: a load is handed over between the first and the last
5 s in which the two move apart by less than this [m/s], or this many times the middle
value of the stretch; choice."""

_NOISE = 3.0
"""Nor is it coming or going what is less than this many times the noise; choice."""

_LEFT_TIME = 10.0
"""At least this much must be left between coming and going [s]; choice."""

_TOGETHER = 600.0
"""Standing side by side for longer is a break, not an unloading [s]; choice."""

_TURN_OVER = 5
"""Rates of turn are taken over this many seconds; choice."""


@dataclass(frozen=True)
class Meeting:
    """A stretch beside each other [s], and how it was.

    ``right`` is the middle place of the hopper right of the giver [m], ``standing``
    the share of the time both stood.
    """

    start: float
    end: float
    right: float
    standing: float


@dataclass(frozen=True)
class Beside:
    """All a pair of tracks tells about handing over."""

    meetings: list[Meeting]
    breaks: int
    other_side: float


def side_of(word: str) -> float:
    """Return -1 for left, 1 for right, 0 where the side is not told."""
    return {"left": -1.0, "right": 1.0}.get(word, 0.0)


def find_meetings(
    giver: SecondTrack,
    taker: SecondTrack,
    *,
    side: float,
    standing_only: bool,
    settings: LoadSettings,
) -> Beside:
    """Return when a giver and a taker were in place to hand over a load.

    Beside each other on the auger's side at the same speed and heading, or standing
    close; openings a short while apart are one; coming and going are cut off.

    Parameters
    ----------
    giver, taker : SecondTrack
        Of the body that gives and of the hopper that takes, on one clock.
    side : float
        -1 the auger is on the left, 1 right, 0 not told.
    standing_only : bool
        The giver unloads only standing, as a cart into a truck.
    settings : LoadSettings
    """
    n = giver.second.size
    kind, row = np.zeros(n, dtype=np.int64), np.empty(n, dtype=np.int64)
    apart, right = np.empty(n), np.empty(n)
    rule = rule_of(settings, standing_only=standing_only)
    beside(*arrays(giver), *arrays(taker), 0, side, rule, kind, apart, right, row)
    wanted = np.flatnonzero((kind == MOVING) | (kind == STANDING))
    meetings: list[Meeting] = []
    breaks = 0
    if wanted.size:
        t = giver.second[wanted]
        cut = np.flatnonzero(np.diff(t) > max(settings.gate_bridge, 1.0)) + 1
        starts = np.concatenate([[0], cut])
        ends = np.concatenate([cut, [wanted.size]]) - 1
        back = 0.25 * (max(giver.window, taker.window) - 1)
        least = max(
            _CALM_SPEED, _NOISE * math.hypot(giver.speed_error, taker.speed_error)
        )
        for a, b in zip(starts.tolist(), ends.tolist(), strict=True):
            if t[b] - t[a] < settings.gate_time:
                continue
            rows = np.arange(wanted[a], wanted[b] + 1)
            still = float(np.mean(kind[rows] == STANDING))
            if still > 0.9 and t[b] - t[a] > _TOGETHER:
                breaks += 1
                continue
            span = _settled(giver.second[rows].astype(float), apart[rows], back, least)
            if span is not None:
                out = float(np.nanmedian(right[rows]))
                meetings.append(Meeting(*span, out, still))
    return Beside(meetings, breaks, _other_side(giver.second, kind, apart, settings))


def seconds_beside(
    giver: SecondTrack,
    taker: SecondTrack,
    offsets: np.ndarray,
    *,
    side: float,
    settings: LoadSettings,
) -> tuple[np.ndarray, np.ndarray]:
    """Return the seconds beside each other, driving and standing, by clock offset.

    Parameters
    ----------
    offsets : ndarray of int64
        Added to the taker's clock. [s]
    """
    moving, standing = empty_counts(offsets.size)
    rule = rule_of(settings, standing_only=False)
    count_beside(*arrays(giver), *arrays(taker), offsets, side, rule, moving, standing)
    return moving, standing


_Seven = tuple[
    np.ndarray,
    np.ndarray,
    np.ndarray,
    np.ndarray,
    np.ndarray,
    np.ndarray,
    np.ndarray,
]


def arrays(track: SecondTrack) -> _Seven:
    """Return a track as the loops want it."""
    return (
        track.second,
        track.easting,
        track.northing,
        track.heading,
        turn_rate(track),
        track.east_speed,
        track.north_speed,
    )


def turn_rate(track: SecondTrack) -> np.ndarray:
    """Return how fast the heading turns, clockwise positive [rad/s]."""
    n = track.second.size
    if n < _TURN_OVER:
        return np.zeros(n)
    half = _TURN_OVER // 2
    first = np.maximum(np.arange(n) - half, 0)
    last = np.minimum(np.arange(n) + half, n - 1)
    heading = np.nan_to_num(track.heading)
    change = heading[last] - heading[first]
    change = np.mod(change + math.pi, 2.0 * math.pi) - math.pi
    time = track.second[last] - track.second[first]
    return np.where(time <= 2 * half, change / np.maximum(time, 1), 0.0)


def rule_of(settings: LoadSettings, *, standing_only: bool) -> np.ndarray:
    """Return the limits of the gate for the loops."""
    low, high = settings.gate_lateral
    return np.array(
        [
            low,
            high,
            settings.gate_ahead,
            math.radians(settings.gate_heading),
            math.radians(max(settings.gate_heading, settings.gate_heading_curve)),
            settings.gate_speed,
            settings.gate_truck if standing_only else settings.gate_reach,
            _OUT,
            STAND,
            float(standing_only),
        ]
    )


def _settled(
    t: np.ndarray, apart: np.ndarray, back: float, least: float
) -> tuple[float, float] | None:
    """Return the stretch without coming and going, None where too little is left.

    Smoothing eats `back` seconds at both ends; they are given back.
    """
    known = np.isfinite(apart)
    limit = max(least, _CALM_SHARE * float(np.median(apart[known])))
    span = np.empty(2, dtype=np.int64)
    calm_span(known & (apart < limit), min(_CALM_SECONDS, t.size), span)
    if span[0] < 0 or t[span[1]] - t[span[0]] < _LEFT_TIME:
        return None
    return float(t[span[0]]) - back, float(t[span[1]]) + back


def _other_side(second, kind, apart, settings: LoadSettings) -> float:
    """Return how long the taker kept beside on the side without an auger [s]."""
    rows = np.flatnonzero((kind == OTHER_SIDE) & (apart < settings.gate_speed))
    if rows.size == 0:
        return 0.0
    cut = np.flatnonzero(np.diff(second[rows]) > max(settings.gate_bridge, 1.0)) + 1
    parts = np.split(rows, cut)
    return float(sum(p.size for p in parts if p.size >= settings.gate_time))
