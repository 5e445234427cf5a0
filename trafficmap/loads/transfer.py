"""Which rig stood or drove beside which, close enough to hand over its load."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trafficmap.core.limits import GAP_SECONDS
from trafficmap.core.notes import Note
from trafficmap.core.settings.loads import LoadSettings
from trafficmap.loads.account import Account, Fill
from trafficmap.loads.trail import rig_path
from trafficmap.loads.unload import unload_rate
from trafficmap.machines.model import Machine

_STAND = 0.3
"""Slower is standing [m/s]; choice."""

_BESIDE = 2.0
"""In a standing transfer the hopper is at least this far out on the auger's side [m];
choice."""

_SPEED_OVER = 5.0
"""Speed is taken over this time [s]; choice."""

_SETTLED_SPEED, _SETTLED_SHARE = 0.15, 1.5
"""Coming and going are cut off: while a load is handed over the two move apart by less
than this [m/s], or this many times the middle value where fixes are poor; choice."""

_LEFT_TIME = 10.0
"""At least this much must be left between coming and going [s]; choice."""


@dataclass(frozen=True)
class Transfer:
    """One rig handing its load to another, times in seconds since 1970 UTC."""

    donor: str
    receiver: str
    start: float
    end: float


@dataclass(frozen=True)
class _Track:
    """Where a rig's reference point or hopper was, on its clock."""

    clock: np.ndarray
    easting: np.ndarray
    northing: np.ndarray
    heading: np.ndarray
    east_speed: np.ndarray
    north_speed: np.ndarray


def find_transfers(
    fixes: pd.DataFrame,
    accounts: dict[str, Account],
    *,
    machines: dict[str, Machine],
    settings: LoadSettings,
) -> tuple[list[Transfer], list[Note]]:
    """Return when rigs on trusted clocks were in place to hand over their load.

    Beside each other on the auger's side at the same speed and heading, or standing
    close. Distances are from the reference point of the giver to the hopper of the
    taker, so the taker is trailed first.

    Parameters
    ----------
    fixes : DataFrame
        Contract `SPLIT_FIXES`.
    accounts : dict of str to Account
    machines : dict of str to Machine
    settings : LoadSettings

    Returns
    -------
    list of Transfer
        In order of time.
    list of Note
    """
    pairs = _pairs(accounts)
    if not pairs:
        return [], []
    tracks: dict[tuple[str, bool], _Track] = {}

    def track(name: str, hopper: bool) -> _Track:
        if (name, hopper) not in tracks:
            tracks[name, hopper] = _track(
                fixes, accounts[name], machines[name], hopper, settings
            )
        return tracks[name, hopper]

    found: list[Transfer] = []
    notes: list[Note] = []
    for donor, receiver in pairs:
        giver = accounts[donor]
        runs = _runs(
            track(donor, False),
            track(receiver, True),
            giver.machine,
            standing_only=giver.role != "harvest",
            settings=settings,
        )
        longest = 2.0 * giver.capacity / unload_rate(giver, settings)
        waits = 0
        for start, end in runs:
            waits += end - start > longest
            found.append(Transfer(donor, receiver, start, min(end, start + longest)))
        if waits:
            notes.append(_wait_note(donor, receiver, waits))
    return sorted(found, key=lambda t: (t.start, t.donor, t.receiver)), notes


def _pairs(accounts: dict[str, Account]) -> list[tuple[str, str]]:
    """Return who could hand to whom: harvester to cart or truck, cart to truck."""
    out = []
    for donor, giver in accounts.items():
        for receiver, taker in accounts.items():
            if donor == receiver or not (giver.trusted and taker.trusted):
                continue
            if taker.role != "receive":
                continue
            if giver.machine.payload_kind != taker.machine.payload_kind:
                continue
            if giver.clock[0] > taker.clock[-1] or taker.clock[0] > giver.clock[-1]:
                continue
            harvests = giver.role == "harvest" and giver.fill is not Fill.ASSUMED
            shuttles = (
                giver.role == "receive"
                and not giver.machine.road_vehicle
                and taker.machine.road_vehicle
            )
            if harvests or shuttles:
                out.append((donor, receiver))
    return out


def _track(
    fixes: pd.DataFrame,
    account: Account,
    machine: Machine,
    hopper: bool,
    settings: LoadSettings,
) -> _Track:
    rows = account.rows
    state = fixes["state"].to_numpy(dtype=object)[rows]
    path = rig_path(
        fixes["easting"].to_numpy(dtype=float)[rows],
        fixes["northing"].to_numpy(dtype=float)[rows],
        account.clock,
        machine=machine,
        settings=settings,
        standing=(state == "idle") | (state == "loading"),
        working=state == "working",
    )
    at = path.station_of_kept[path.kept_of_fix]
    body = 0
    if hopper and machine.payload_body is not None:
        body = machine.bodies.index(machine.payload_body)
    heading = path.heading[body][at]
    easting, northing = path.easting[body][at], path.northing[body][at]
    if hopper:
        ahead = machine.bodies[body].payload.hopper_x
        right = machine.bodies[body].payload.hopper_y
        easting = easting + ahead * np.sin(heading) + right * np.cos(heading)
        northing = northing + ahead * np.cos(heading) - right * np.sin(heading)
    clock = account.clock
    return _Track(
        clock,
        easting,
        northing,
        heading,
        _speed(clock, easting),
        _speed(clock, northing),
    )


def _speed(clock: np.ndarray, place: np.ndarray) -> np.ndarray:
    """Return the rate of change over a few seconds, centred."""
    half = 0.5 * _SPEED_OVER
    before = np.maximum(clock - half, clock[0])
    after = np.minimum(clock + half, clock[-1])
    change = np.interp(after, clock, place) - np.interp(before, clock, place)
    return change / np.maximum(after - before, 1e-3)


def _runs(
    giver: _Track,
    taker: _Track,
    machine: Machine,
    *,
    standing_only: bool,
    settings: LoadSettings,
) -> list[tuple[float, float]]:
    """Return stretches in which the gate is open long enough."""
    t = giver.clock
    behind = np.clip(np.searchsorted(taker.clock, t, side="right") - 1, 0, None)
    after = np.minimum(behind + 1, taker.clock.size - 1)
    known = (t >= taker.clock[0]) & (t <= taker.clock[-1])
    known &= taker.clock[after] - taker.clock[behind] <= GAP_SECONDS

    def at(values: np.ndarray) -> np.ndarray:
        return np.interp(t, taker.clock, values)

    de, dn = at(taker.easting) - giver.easting, at(taker.northing) - giver.northing
    sin, cos = np.sin(giver.heading), np.cos(giver.heading)
    ahead, right = de * sin + dn * cos, de * cos - dn * sin
    body = machine.payload_body
    side = body.payload.auger_side if body else None
    out = {"left": -right, "right": right}.get(side or "", np.abs(right))
    turn = (
        np.interp(t, taker.clock, np.sin(taker.heading)),
        np.interp(t, taker.clock, np.cos(taker.heading)),
    )
    # By the conjugate: to divide by a heading that is not known would warn.
    angle = np.abs(np.angle((turn[1] + 1j * turn[0]) * (cos - 1j * sin)))
    taker_e, taker_n = at(taker.east_speed), at(taker.north_speed)
    apart = np.hypot(taker_e - giver.east_speed, taker_n - giver.north_speed)
    low, high = settings.gate_lateral
    still = (np.hypot(giver.east_speed, giver.north_speed) < _STAND) & (
        np.hypot(taker_e, taker_n) < _STAND
    )
    beside = out > _BESIDE if not standing_only else np.ones(t.size, dtype=bool)
    gate = still & (np.hypot(de, dn) < settings.gate_reach) & beside
    if not standing_only:
        gate |= (
            (out >= low)
            & (out <= high)
            & (np.abs(ahead) < settings.gate_ahead)
            & (angle < math.radians(settings.gate_heading))
            & (apart < settings.gate_speed)
        )
    return _open_runs(t, gate & known & np.isfinite(angle), apart, settings)


def _open_runs(
    t: np.ndarray, gate: np.ndarray, apart: np.ndarray, settings: LoadSettings
) -> list[tuple[float, float]]:
    """Join openings a short while apart; keep those that last, less the approach."""
    rows = np.flatnonzero(gate)
    if rows.size == 0:
        return []
    cut = np.flatnonzero(np.diff(t[rows]) > max(settings.gate_bridge, 1.0)) + 1
    starts = np.concatenate([[0], cut])
    ends = np.concatenate([cut, [rows.size]]) - 1
    runs = [
        _settled(t[rows[a : b + 1]], apart[rows[a : b + 1]])
        for a, b in zip(starts.tolist(), ends.tolist(), strict=True)
        if t[rows[b]] - t[rows[a]] >= settings.gate_time
    ]
    return [(start, end) for start, end in runs if end - start >= _LEFT_TIME]


def _settled(t: np.ndarray, apart: np.ndarray) -> tuple[float, float]:
    """Return the first and last moment at which two rigs do not move apart."""
    limit = max(_SETTLED_SPEED, _SETTLED_SHARE * float(np.median(apart)))
    calm = t[apart <= limit]
    # A low speed holds for all the time it was taken over.
    half = 0.5 * _SPEED_OVER
    return max(float(t[0]), float(calm[0]) - half), min(
        float(t[-1]), float(calm[-1]) + half
    )


def _wait_note(donor: str, receiver: str, count: int) -> Note:
    return Note(
        code="loads.waited_alongside",
        severity="info",
        sentence=(
            f"{receiver}: drove or stood beside {donor} {count} times for longer than "
            "emptying a tank takes; each counts as one transfer at its beginning."
        ),
        count=count,
        where=receiver,
    )
