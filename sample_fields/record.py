"""What is kept of a season: tracks, transfers, masses; and a straight pass to drive.

Times are seconds since 1970 UTC, places metres on the plan of `places`.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass, field

import numpy as np

from . import places as at
from .drive import Motion, Pose
from .rigs import RIGS, Rig

NORTH, EAST, SOUTH, WEST = 0.0, math.pi / 2, math.pi, -math.pi / 2

GRAIN_YIELD = 1.25
"""Mean of the grain yield, wet mass [kg/m2]: about 200 bu/ac."""


@dataclass
class Track:
    """What one machine did in one log: motion, load over time, and when it worked.

    ``load`` holds (time, payload) corners, straight in between; ``work`` holds
    (start, end) of work; ``flow`` in kg/s is for machines that weigh a flow.
    """

    machine: str
    motion: Motion
    load: list[tuple[float, float]]
    work: list[tuple[float, float]] = field(default_factory=list)
    width: float = float("nan")

    @property
    def rig(self) -> Rig:
        """The machine; the hauler is the bare truck and its empty trailer."""
        return RIGS["truck" if self.machine == "hauler" else self.machine]

    def payload(self, time) -> np.ndarray:
        """Return the mass on board at `time` [kg]."""
        corners = np.array(self.load)
        return np.interp(time, corners[:, 0], corners[:, 1])

    def working(self, time) -> np.ndarray:
        """Return True at times of work."""
        on = np.zeros(len(time), dtype=bool)
        for start, end in self.work:
            on |= (time >= start) & (time <= end)
        return on


@dataclass(frozen=True)
class Transfer:
    """A load handed from one machine to another; times, mass [kg], where."""

    kind: str
    start: float
    end: float
    mass: float
    east: float
    north: float


@dataclass
class Season:
    """Everything that happened, in order."""

    tracks: list[Track] = field(default_factory=list)
    transfers: list[Transfer] = field(default_factory=list)
    ledger: dict[str, float] = field(default_factory=dict)


def moment(year: int, month: int, day: int, hour: int, minute: int) -> float:
    """Return seconds since 1970 of a UTC date and time."""
    return dt.datetime(year, month, day, hour, minute, tzinfo=dt.UTC).timestamp()


def grain_yield(east, north) -> np.ndarray:
    """Return the wet grain yield at places [kg/m2]: waves, and less on the ridge."""
    east, north = np.asarray(east, float), np.asarray(north, float)
    waves = 0.10 * np.sin(east / 47.0 + 0.6) + 0.07 * np.cos(north / 61.0)
    ridge = (north > 292 + east * 60 / 430) & (north < 352 + east * 60 / 430)
    return GRAIN_YIELD * (1.0 + waves - 0.22 * ridge)


@dataclass(frozen=True)
class Run:
    """One straight pass with the head down."""

    start: Pose
    end: Pose
    cart_beside: bool = False
    """The ground on the left is clear and long enough to unload on the go."""

    via: tuple[Pose, ...] = ()
    """Places to pass on the way to the start, when the straight way is not cut yet."""

    empty_after: bool = False
    """The tank is emptied at the end, because the next good spot is far."""

    @property
    def length(self) -> float:
        """Length [m]."""
        return math.hypot(
            self.end.east - self.start.east, self.end.north - self.start.north
        )

    def place(self, along: float, left: float = 0.0) -> Pose:
        """Return the pose `along` the run and `left` of it [m]."""
        h = self.start.heading
        return Pose(
            self.start.east + along * math.sin(h) - left * math.cos(h),
            self.start.north + along * math.cos(h) + left * math.sin(h),
            h,
        )

    def yielded(self) -> float:
        """Return the mass cut on this run [kg]."""
        along = np.linspace(0, self.length, max(2, round(self.length)))
        h = self.start.heading
        rate = grain_yield(
            self.start.east + along * math.sin(h),
            self.start.north + along * math.cos(h),
        )
        return float(np.trapezoid(rate, along) * at.HEAD)


def run_from(east0: float, north0: float, east1: float, north1: float, **more) -> Run:
    """Return the run from one place straight to another."""
    heading = math.atan2(east1 - east0, north1 - north0)
    start, end = Pose(east0, north0, heading), Pose(east1, north1, heading)
    return Run(start, end, **more)
