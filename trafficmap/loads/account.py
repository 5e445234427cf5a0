"""The account of one rig: what flowed in and out, on one clock."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from enum import Enum
from typing import NamedTuple

import numpy as np
import pandas as pd

from trafficmap.core.limits import RATE_GAP_SECONDS
from trafficmap.core.settings.loads import LoadSettings
from trafficmap.loads._columns import epoch_seconds, log_spans
from trafficmap.loads.fill import wet_mass
from trafficmap.machines.model import Machine

_LOG_SPACE = 1e6
"""Between logs whose clocks are not known to fit, so that no ledger runs across [s]."""

_SIGNAL_SHARE = 0.5
_ROLE = {
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

    ``kind`` is a key of the ledger; it may have run up to ``slack`` [s] earlier or
    later.
    """

    start: float
    end: float
    mass: float
    kind: str
    slack: float = 0.0


@dataclass
class Account:
    """One rig's fixes in order of time, and every mass that moved.

    ``flow`` is the running total of what the machine took up by itself (harvest) or
    gave away (spread, negative); ``moves`` are all other masses.
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
    start: float = 0.0
    signal: np.ndarray | None = None
    moves: list[Move] = field(default_factory=list)
    unknown: list[tuple[float, float]] = field(default_factory=list)
    scenarios: list[np.ndarray] = field(default_factory=list)
    unseen: int = 0
    alone: bool = True
    missing: str = ""
    doubt: str = ""
    over_full: float = 0.0

    @property
    def role(self) -> str:
        """What the rig does with its load: harvest, receive or spread."""
        body = self.machine.payload_body
        return _ROLE.get(body.kind, "receive") if body else "receive"

    @property
    def rate(self) -> float:
        """Unloading rate [kg/s], NaN when the machine does not tell it."""
        body = self.machine.payload_body
        rate = body.payload.unload_m3_s if body else None
        if rate is None or body is None:
            return math.nan
        return rate * body.payload.density(self.density)

    def flow_at(self, moment: float) -> float:
        """Running total of the machine's own flow at a moment [kg]."""
        return float(np.interp(moment, self.clock, self.flow))

    def moved_at(self, moments, *, late: float = 0.0) -> np.ndarray:
        """Running total of all ramps at moments [kg], ``late`` from -1 to 1 slacks."""
        total = np.zeros(np.shape(moments))
        if not self.moves:
            return total
        # A ramp is a change of slope at both ends: sum slopes once, not ramp by ramp.
        shift = late * np.array([m.slack for m in self.moves])
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
        edge = np.flatnonzero(np.diff(mask.astype(np.int8), prepend=0, append=0))
        out = []
        for a, b in zip(edge[::2].tolist(), edge[1::2].tolist(), strict=True):
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


def build_accounts(
    fixes: pd.DataFrame,
    *,
    machines: dict[str, Machine],
    density: float,
    yield_expected: float | None,
    moisture_std: float | None,
    liquid: pd.DataFrame,
    settings: LoadSettings,
) -> dict[str, Account]:
    """Return the account of every rig that carries something and has fixes."""
    logs: dict[str, list[tuple[int, int]]] = {}
    for name, first, last in log_spans(fixes):
        logs.setdefault(name, []).append((first, last))
    columns = {
        name: fixes[name].to_numpy(dtype=float)
        for name in (
            "easting",
            "northing",
            "seconds",
            "width",
            "work_state",
            "mass_flow",
            "tank_mass",
            "application_rate",
            "moisture",
        )
    }
    columns["time"] = epoch_seconds(fixes["time"])
    state = fixes["state"].to_numpy(dtype=object)
    out = {}
    for name, spans in logs.items():
        machine = machines.get(name)
        if machine is None or machine.payload_kind == "none":
            continue
        out[name] = _account(
            machine,
            spans,
            columns,
            state,
            density,
            (yield_expected, moisture_std),
            liquid,
            settings,
        )
    return out


def _account(
    machine, spans, columns, state, density, crop_yield, liquid, settings
) -> Account:
    """Build one account: clock, what it took up or gave away, and from what."""
    trusted = all(np.isfinite(columns["time"][a:b]).all() for a, b in spans)
    if trusted:
        spans = sorted(spans, key=lambda span: columns["time"][span[0]])
    clocks, shift = [], 0.0
    for a, b in spans:
        own = columns["time" if trusted else "seconds"][a:b]
        clocks.append(own if trusted else own - own[0] + shift)
        shift = clocks[-1][-1] + _LOG_SPACE
    rows = np.concatenate([np.arange(a, b) for a, b in spans])
    # Two logs of one machine that overlap in time are put behind each other.
    clock = np.maximum.accumulate(np.concatenate(clocks))
    words = state[rows]
    account = Account(
        machine=machine,
        capacity=machine.capacity(density),
        density=density,
        fill=Fill.ASSUMED,
        rows=rows,
        clock=clock,
        trusted=trusted,
        standing=(words == "idle") | (words == "loading"),
        away=words == "road",
        easting=columns["easting"][rows],
        northing=columns["northing"][rows],
        flow=np.zeros(rows.size),
    )
    _choose_fill(account, columns, words, crop_yield, liquid, settings)
    return account


def _choose_fill(
    account: Account, columns, words, crop_yield, liquid, settings
) -> None:
    """Set where the load is known from, and the machine's own running flow."""
    machine, rows = account.machine, account.rows
    body = machine.payload_body
    if body is None:
        return
    wish = body.payload.fill
    yield_expected, standard = crop_yield
    standard = body.payload.moisture_std or standard
    role = _ROLE.get(body.kind, "receive")
    tank = columns["tank_mass"][rows]
    told = np.isfinite(tank)
    if wish in ("auto", "signal") and told.mean() >= _SIGNAL_SHARE:
        account.fill = Fill.SIGNAL
        account.signal = np.maximum(
            np.interp(account.clock, account.clock[told], tank[told]), 0.0
        )
        account.over_full = max(
            0.0, float(account.signal.max()) - account.capacity * (1 + settings.heap)
        )
        account.unknown = _far_from(account.clock, told)
        return
    step, dt = _steps(columns, rows, account.clock)
    working = words == "working"
    width = columns["width"][rows]
    if machine.width:
        width = np.where(np.isfinite(width), width, machine.width)
    if role == "harvest":
        flow = columns["mass_flow"][rows]
        if wish in ("auto", "yield_log") and np.isfinite(flow).sum() > 1:
            account.fill = Fill.HARVEST
            gain = np.maximum(np.nan_to_num(flow), 0.0)
            added = np.zeros(rows.size)
            added[1:] = 0.5 * (gain[1:] + gain[:-1]) * dt[1:]
            total = np.cumsum(added)
            account.flow = _on_board(account.clock, total, settings.flow_lag)
        elif (
            wish in ("auto", "swath_x_yield")
            and yield_expected
            and np.isfinite(width[working]).any()
        ):
            account.fill = Fill.HARVEST
            swath = np.where(working, np.nan_to_num(width), 0.0)
            taken = yield_expected * swath * step
            account.flow = np.cumsum(
                _as_cut(taken, columns["moisture"][rows], standard)
            )
        account.missing = "log its mass flow, or give the yield and the width"
        account.doubt = "check the calibration of the yield monitor"
    elif role == "spread":
        rate, wide = _liquid_of(machine.id, liquid)
        put = columns["application_rate"][rows]
        put = np.where(np.isfinite(put), put, rate)
        width = np.where(np.isfinite(width), width, wide)
        on = working & (columns["work_state"][rows] != 0.0)
        if np.isfinite(put[on] * width[on]).any():
            account.fill = Fill.SPREAD
            given = np.where(on, np.nan_to_num(put * width), 0.0) * step
            account.flow = -np.cumsum(given) * body.payload.density(account.density)
            account.start = account.capacity
        account.missing = "give its rate and width under [[liquid]]"
        account.doubt = "check the rate, the width and the tank's size"
    else:
        account.missing = "log its load, or what fills it, on a true clock"
        account.doubt = "check the capacities and the logs"


def _as_cut(mass: np.ndarray, moisture: np.ndarray, standard: float | None):
    """Return standard mass as wet as it was logged; unchanged where not told."""
    if not standard:
        return mass
    known = np.isfinite(moisture) & (moisture < 0.9)
    wet = np.where(known, moisture, standard)
    return wet_mass(mass, wet, standard_moisture=standard)


def _steps(columns, rows: np.ndarray, clock: np.ndarray):
    """Return distance and time since the fix before, 0 over a gap [m], [s]."""
    dt = np.diff(clock, prepend=clock[:1])
    step = np.zeros(rows.size)
    step[1:] = np.hypot(
        np.diff(columns["easting"][rows]), np.diff(columns["northing"][rows])
    )
    far = dt > RATE_GAP_SECONDS
    return np.where(far, 0.0, step), np.where(far, 0.0, dt)


def _on_board(clock, total, lag: float) -> np.ndarray:
    """Return the running harvest with the grain still on its way to the sensor."""
    if lag <= 0.0:
        return total
    return np.interp(clock + lag, clock, total) - float(
        np.interp(clock[0] + lag, clock, total)
    )


def _far_from(clock: np.ndarray, told: np.ndarray) -> list[tuple[float, float]]:
    """Return stretches without a reading for longer than rates are carried."""
    known = clock[told]
    edges = np.concatenate([[clock[0]], known, [clock[-1]]])
    gap = np.flatnonzero(np.diff(edges) > RATE_GAP_SECONDS)
    return [(float(edges[k]), float(edges[k + 1])) for k in gap]


def _liquid_of(machine_id: str, liquid: pd.DataFrame) -> tuple[float, float]:
    """Return rate [m] and width [m] of a spreader, NaN where not told."""
    mine = liquid[liquid["machine_id"] == machine_id]
    if mine.empty:
        return math.nan, math.nan
    return float(mine["rate"].iloc[0]), float(mine["width"].iloc[0])
