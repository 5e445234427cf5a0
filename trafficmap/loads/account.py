"""The account of one rig: what flowed in and out, on one clock."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from enum import Enum
from typing import NamedTuple

import numpy as np

from trafficmap.machines.model import Machine

_LONG = 600.0
"""A stop does not go on over a longer hole in the log; choice [s]."""

ROLE = {
    "combine": "harvest",
    "beet_harvester": "harvest",
    "grain_cart": "receive",
    "trailer": "receive",
    "truck": "receive",
    "tanker": "spread",
    "manure_rig": "spread",
    "sprayer": "spread",
}


class Fill(Enum):
    """Where the load of a rig is known from."""

    SIGNAL = "signal"
    HARVEST = "harvest"
    RECEIVE = "receive"
    SPREAD = "spread"
    ASSUMED = "assumed"


class Move(NamedTuple):
    """A ramp of mass: start and end [s], mass [kg] positive into the rig.

    ``kind`` is a key of the ledger; it may have run up to ``early`` [s] earlier or
    ``late`` [s] later.
    """

    start: float
    end: float
    mass: float
    kind: str
    early: float = 0.0
    late: float = 0.0


@dataclass
class Account:
    """One rig's fixes in order of time, and every mass that moved.

    ``flow`` is the running total of what the machine took up by itself (harvest) or
    gave away (spread, negative), ``area`` that of the ground it worked [m2] where its
    width is known; ``moves`` are all other masses.
    """

    machine: Machine
    capacity: float
    density: float
    fill: Fill
    rows: np.ndarray
    clock: np.ndarray
    trusted: bool
    standing: np.ndarray
    away: np.ndarray
    easting: np.ndarray
    northing: np.ndarray
    flow: np.ndarray
    heap: float = 0.0
    start: float = 0.0
    signal: np.ndarray | None = None
    area: np.ndarray | None = None
    moves: list[Move] = field(default_factory=list)
    unknown: list[tuple[float, float]] = field(default_factory=list)
    scenarios: list[np.ndarray] = field(default_factory=list)
    unseen: int = 0
    alone: bool = True
    lag: float | None = None
    lag_found: float = math.nan
    cut_away: float = 0.0
    rate_found: float = math.nan
    by_yield: bool = False
    moistures: tuple[float, float] = (0.0, 0.0)
    missing: str = ""
    doubt: str = ""
    over_full: float = 0.0

    @property
    def top(self) -> float:
        """What a heaped tank takes [kg]."""
        return self.capacity * (1.0 + self.heap)

    @property
    def role(self) -> str:
        """What the rig does with its load: harvest, receive or spread."""
        body = self.machine.payload_body
        return ROLE.get(body.kind, "receive") if body else "receive"

    @property
    def rate(self) -> float:
        """Unloading rate [kg/s], NaN when the machine does not tell it."""
        body = self.machine.payload_body
        rate = body.payload.unload_m3_s if body else None
        if rate is None or body is None:
            return math.nan
        return rate * body.payload.density(self.density)

    def reset(self) -> None:
        """Forget the ledger, keep what flowed; a signal has none to forget."""
        if self.signal is not None:
            return
        self.moves, self.scenarios = [], []
        self.unknown, self.unseen = [], 0
        if self.role == "harvest":
            self.start = 0.0

    def flow_at(self, moment: float) -> float:
        """Running total of the machine's own flow at a moment [kg]."""
        return float(np.interp(moment, self.clock, self.flow))

    def moved_at(self, moments, *, late: float = 0.0) -> np.ndarray:
        """Running total of all ramps at moments [kg]; ``late`` -1 early to 1 late."""
        total = np.zeros(np.shape(moments))
        if not self.moves:
            return total
        # A ramp is a change of slope at both ends: sum slopes once, not ramp by ramp.
        shift = late * np.array([m.late if late > 0 else m.early for m in self.moves])
        starts = np.array([m.start for m in self.moves]) + shift
        ends = np.array([max(m.end, m.start + 1e-3) for m in self.moves]) + shift
        slope = np.array([m.mass for m in self.moves]) / (ends - starts)
        knots = np.concatenate([starts, ends])
        change = np.concatenate([slope, -slope])
        order = np.argsort(knots, kind="stable")
        knots, change = knots[order], change[order]
        rate = np.cumsum(change)
        value = np.concatenate([[0.0], np.cumsum(rate[:-1] * np.diff(knots))])
        return np.interp(moments, knots, value)

    def level(self, *, late: float = 0.0) -> np.ndarray:
        """Payload at every fix [kg]; ``late`` as in `moved_at`."""
        if self.signal is not None:
            return self.signal
        level = self.start + self.flow + self.moved_at(self.clock, late=late)
        # Ramps meet flows to the last gram only in exact arithmetic.
        return np.maximum(level, 0.0)

    def unknown_rows(self) -> np.ndarray:
        """Fixes whose load is declared unknown."""
        out = np.zeros(self.clock.size, dtype=bool)
        for a, b in self.unknown:
            first = np.searchsorted(self.clock, a)
            out[first : np.searchsorted(self.clock, b, side="right")] = True
        return out

    def gaps(self, longest: float) -> list[tuple[float, float]]:
        """Return holes in the log longer than `longest` [s]."""
        where = np.flatnonzero(np.diff(self.clock) > longest)
        return [(float(self.clock[k]), float(self.clock[k + 1])) for k in where]

    def stops(self, shortest: float) -> list[tuple[float, float]]:
        """Return (start, end) of stops at least `shortest` long [s]."""
        return self._stretches(self.standing, shortest)

    def trips(self, shortest: float) -> list[tuple[float, float]]:
        """Return (start, end) of times off the field at least `shortest` long [s]."""
        return self._stretches(self.away, shortest)

    def _stretches(self, mask: np.ndarray, shortest: float):
        edge = np.diff(mask.astype(np.int8), prepend=0, append=0) != 0
        # Nobody knows what was done in a long hole.
        cut = np.flatnonzero(mask[1:] & mask[:-1] & (np.diff(self.clock) > _LONG)) + 1
        edges = np.sort(np.concatenate([np.flatnonzero(edge), cut, cut]))
        out = []
        for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
            begin, end = float(self.clock[a]), float(self.clock[b - 1])
            if shortest <= end - begin:
                out.append((begin, end))
        return out

    def ledger(self) -> dict[str, float]:
        """Return the masses of the account [kg]; see `payload.Payload`."""
        out = dict.fromkeys(("filled", "received", "handed", "emptied", "spread"), 0.0)
        unexplained = 0.0
        if self.fill is Fill.ASSUMED or self.clock.size == 0:
            return {**out, "stock": 0.0, "unexplained": 0.0}
        if self.signal is not None:
            steps = np.diff(self.signal)
            out["filled"] = float(steps[steps > 0].sum())
            # What leaves a logged tanker goes onto the field.
            where = "spread" if self.machine.payload_kind == "liquid" else "emptied"
            out[where] = float(-steps[steps < 0].sum())
        else:
            own = float(self.flow[-1] - self.flow[0])
            out["filled" if own >= 0 else "spread"] += abs(own)
            for move in self.moves:
                if move.kind == "unexplained":
                    unexplained -= move.mass
                else:
                    out[move.kind] += abs(move.mass)
        level = self.level()
        out["stock"] = float(level[-1] - level[0])
        return {**out, "unexplained": unexplained}
