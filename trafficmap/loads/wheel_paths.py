"""Wheel paths: the path of every body in every pass, with its load state."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trafficmap.core.ground import GroundSlope
from trafficmap.core.notes import Note
from trafficmap.core.settings.loads import LoadSettings
from trafficmap.core.tables import (
    PASSES,
    SPLIT_FIXES,
    WHEELS,
    require_table,
    shared_text,
)
from trafficmap.loads._columns import epoch_seconds, log_spans
from trafficmap.loads.paths import WheelPaths
from trafficmap.loads.payload import Payload
from trafficmap.loads.received import received_in
from trafficmap.loads.slope import STEEPEST, ground_slope
from trafficmap.loads.states import load_states
from trafficmap.loads.trail import RigPath, rig_path
from trafficmap.machines.axles import pressed_length, rig_wheel_loads, track_lean
from trafficmap.machines.model import Machine
from trafficmap.machines.wheels import wheel_spots
from trafficmap.tracks.ground import LogFacts, by_log

PATH_STATES = ("working", "turning", "hauling", "loading")
"""States whose passes leave wheel paths; standing idle and the road do not."""


def wheel_paths(
    split_fixes: pd.DataFrame,
    passes: pd.DataFrame,
    *,
    machines: dict[str, Machine],
    payload: Payload,
    settings: LoadSettings,
    slope: float | None = None,
    rise: GroundSlope | None = None,
    logs: Iterable[LogFacts] = (),
) -> tuple[WheelPaths, list[Note]]:
    """Return where every wheel went and what it carried.

    A log is driven as one path, so a trailer's swing runs on from pass to pass; the
    path is then cut at the passes. The step between two passes belongs to the later.

    Parameters
    ----------
    split_fixes, passes : DataFrame
        Contracts `SPLIT_FIXES` and `PASSES`.
    machines : dict of str to Machine
        By the name in ``machine_id``; fixes of other machines leave no path.
    payload : Payload
        From `loads.payload`, one row a fix.
    settings : LoadSettings
    slope : float, optional
        Median slope of the field, direction not known: where logged heights do not
        tell how the ground rises it widens the interval of the loads. [fraction]
    rise : GroundSlope, optional
        How the ground rises, from a raster of heights; it counts before heights in the
        logs.
    logs : iterable of LogFacts
        What was said of single logs: a ``correction`` counts before that of the
        machine, in how headings are made from places.

    Returns
    -------
    WheelPaths
    list of Note

    Raises
    ------
    TableError
        A table breaks its contract.
    """
    require_table(split_fixes, SPLIT_FIXES)
    require_table(passes, PASSES)
    wheels, first_body = wheel_table(machines, density=payload.density)
    columns = _Columns(
        split_fixes, passes, payload.table["payload"].to_numpy(dtype=float)
    )
    pieces: list[_Piece] = []
    ground, notes = _ground(split_fixes, rise, settings)
    unsure: dict[str, tuple[float, float]] = {}
    facts = by_log(logs)
    for machine_id, first, last in columns.logs:
        if machine_id not in machines:
            continue
        log_id = int(split_fixes["log_id"].iloc[first])
        mine, path = _log_pieces(
            columns,
            first,
            last,
            received_in(machines[machine_id], log_id, facts),
            first_body,
            settings,
            notes,
            ground,
        )
        pieces += mine
        way, worst = unsure.get(machine_id, (0.0, 0.0))
        far, largest = max(path.unsure)
        unsure[machine_id] = (way + far, max(worst, largest))
    notes += _unsure_notes(unsure)
    unknown = 0.0 if ground is not None or slope is None else slope
    notes += _slope_notes(ground, unknown, settings)
    fix_of_station = _joined([piece.fix for piece in pieces], np.int64)
    used, station_of_used = np.unique(fix_of_station, return_inverse=True)
    states, row = load_states(
        columns.machine[used],
        columns.state[used],
        payload.table.iloc[used],
        machines=machines,
        density=payload.density,
        settings=settings,
        pitch=None if ground is None else columns.pitch[used],
        roll=None if ground is None else columns.roll[used],
        slope_unknown=unknown,
    )
    sizes = [piece.easting.size for piece in pieces]
    return (
        WheelPaths(
            wheels=wheels,
            states=states,
            begin=np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64),
            body_id=np.array([piece.body_id for piece in pieces], dtype=np.int32),
            pass_id=np.array([piece.pass_id for piece in pieces], dtype=np.int64),
            easting=_joined([piece.easting for piece in pieces], float),
            northing=_joined([piece.northing for piece in pieces], float),
            heading=_joined([piece.heading for piece in pieces], float),
            time=_joined([piece.time for piece in pieces], float),
            seconds=_joined([piece.seconds for piece in pieces], float),
            state=row[station_of_used].astype(np.int32),
        ),
        notes,
    )


def wheel_table(
    machines: dict[str, Machine], *, density: float
) -> tuple[pd.DataFrame, dict[str, int]]:
    """Return the `WHEELS` table of all machines, and the first body of each.

    The pressure of a track is its mean contact pressure with the rig full; a rigid
    track under a body that stands on it alone presses on the part of its length about
    the load, `axles.pressed_length`.
    """
    rows: list[tuple] = []
    first_body: dict[str, int] = {}
    bodies = axles = 0
    for name, machine in machines.items():
        first_body[name] = bodies
        full = np.array([machine.capacity(density)])
        loads = rig_wheel_loads(machine, full, density=density, state="hauling")[0]
        lean = track_lean(machine, float(np.nan_to_num(full[0])), density=density)
        axle_id: dict[tuple[int, str], int] = {}
        for slot, spot in enumerate(wheel_spots(machine)):
            body = machine.bodies[spot.body]
            contact = spot.axle.contacts[spot.contact]
            axle = axle_id.setdefault((spot.body, spot.axle.name), axles + len(axle_id))
            is_track = contact.kind == "track"
            length = (contact.contact_length or np.nan) if is_track else np.nan
            if body.rigid_track(contact) and spot.body in lean:
                length = pressed_length(length, lean[spot.body])
            pressure = (
                loads[slot] / (contact.section_width * length)
                if is_track
                else (contact.pressure_kpa or np.nan) * 1e3
            )
            rows.append(
                (
                    len(rows),
                    name,
                    body.id,
                    bodies + spot.body,
                    spot.axle.name,
                    axle,
                    slot,
                    spot.axle.x,
                    spot.right,
                    contact.section_width,
                    contact.overall_diameter,
                    contact.kind,
                    length,
                    contact.rollers if is_track else 0,
                    pressure,
                    f"{body.id}/{spot.axle.name}" in machine.pressure_assumed,
                    *contact.contact_line,
                )
            )
        bodies += len(machine.bodies)
        axles += len(axle_id)
    if not rows:
        return WHEELS.empty(), first_body
    return pd.DataFrame(rows, columns=WHEELS.names()), first_body


@dataclass(frozen=True)
class _Piece:
    """One body in one pass."""

    body_id: int
    pass_id: int
    easting: np.ndarray
    northing: np.ndarray
    heading: np.ndarray
    time: np.ndarray
    seconds: np.ndarray
    fix: np.ndarray


class _Columns:
    """The columns of the two tables as plain arrays."""

    def __init__(
        self, fixes: pd.DataFrame, passes: pd.DataFrame, carried: np.ndarray
    ) -> None:
        self.machine = shared_text(fixes["machine_id"])
        self.state = shared_text(fixes["state"])
        self.easting = fixes["easting"].to_numpy(dtype=float)
        self.northing = fixes["northing"].to_numpy(dtype=float)
        self.heading = fixes["heading"].to_numpy(dtype=float)
        self.reverse, self.begins = (
            fixes[name].to_numpy(dtype=bool) if name in fixes else None
            for name in ("reverse", "begins")
        )
        self.seconds = fixes["seconds"].to_numpy(dtype=float)
        self.time = epoch_seconds(fixes["time"])
        self.owner = fixes["pass_id"].to_numpy(dtype=np.int64)
        leaves = passes["state"].isin(PATH_STATES).to_numpy()
        ids = passes["pass_id"].to_numpy(dtype=np.int64)
        self.owner = np.where(np.isin(self.owner, ids[leaves]), self.owner, -1)
        self.bridge = np.full(len(fixes), -1, dtype=np.int64)
        inferred = passes["inferred"].to_numpy(dtype=bool) & leaves
        spans = passes[["pass_id", "first", "last"]].to_numpy(dtype=np.int64)
        for pass_id, first, last in spans[inferred]:
            self.bridge[first + 1 : last] = pass_id
        self.passes = spans[leaves & ~inferred]
        self.logs = log_spans(fixes)
        self.carried = carried
        self.pitch = np.zeros(len(fixes))
        self.roll = np.zeros(len(fixes))


def _log_pieces(
    columns: _Columns,
    first: int,
    last: int,
    machine: Machine,
    first_body: dict[str, int],
    settings: LoadSettings,
    notes: list[Note],
    ground: GroundSlope | None,
) -> tuple[list[_Piece], RigPath]:
    """Return the paths of all bodies in one log."""
    rows = slice(first, last)
    state = columns.state[rows]
    bridge = columns.bridge[rows]
    path = rig_path(
        columns.easting[rows],
        columns.northing[rows],
        columns.seconds[rows],
        machine=machine,
        settings=settings,
        standing=(state == "idle") | (state == "loading"),
        working=state == "working",
        logged=columns.heading[rows],
        bridged=bridge[1:] >= 0,
        reverse=None if columns.reverse is None else columns.reverse[rows],
        begins=None if columns.begins is None else columns.begins[rows],
        ground=ground,
    )
    if path.heading_refused:
        notes.append(_heading_note(machine.id))
    seconds = _at_stations(columns.seconds[rows], path)
    time = _at_stations(columns.time[rows], path)
    fix_of_station = first + _fix_of_station(columns.seconds[rows], seconds, path)
    out: list[_Piece] = []
    still = 0
    blocks = _blocks(columns, path, first, last)
    if ground is not None:
        pitch, roll = ground.along(path.easting[0], path.northing[0], path.heading[0])
        columns.pitch[fix_of_station], columns.roll[fix_of_station] = pitch, roll
        for begin, _, _, fix in blocks:
            if fix >= 0:
                columns.pitch[fix], columns.roll[fix] = pitch[begin], roll[begin]
    for b in range(len(machine.bodies)):
        for begin, end, pass_id, fix in blocks:
            here = slice(begin, end)
            heading = path.heading[b][here]
            if not np.isfinite(heading).all():
                still += b == 0
                continue
            fixes = fix_of_station[here].copy()
            # The first station closes the step before; it belongs to the one after.
            fixes[0] = fixes[1] if fix < 0 else fix
            out.append(
                _Piece(
                    body_id=first_body[machine.id] + b,
                    pass_id=pass_id,
                    easting=path.easting[b][here],
                    northing=path.northing[b][here],
                    heading=heading,
                    time=time[here],
                    seconds=seconds[here],
                    fix=fixes,
                )
            )
    if still:
        notes.append(_still_note(machine.id, still))
    return out, path


def _blocks(
    columns: _Columns, path: RigPath, first: int, last: int
) -> list[tuple[int, int, int, int]]:
    """Return (first station, station after the last, pass, fix or -1) of every pass.

    A pass that never moved is one station, with the fix that carried most.
    """
    behind = first + path.kept[1:]
    bridge = columns.bridge[behind]
    owner = np.where(bridge >= 0, bridge, columns.owner[behind])
    joined = path.segment[path.station_of_kept[1:]] >= 0
    owner = np.where(joined, owner, -1)
    edges = np.flatnonzero(np.diff(owner)) + 1
    breaks = np.concatenate([[0], edges, [owner.size]]).astype(np.int64)
    out = []
    for a, b in zip(breaks[:-1].tolist(), breaks[1:].tolist(), strict=True):
        if b > a and owner[a] >= 0:
            begin = int(path.station_of_kept[a])
            end = int(path.station_of_kept[b]) + 1
            out.append((begin, end, int(owner[a]), -1))
    moved = {block[2] for block in out}
    for pass_id, a, b in columns.passes.tolist():
        if first <= a < b <= last and pass_id not in moved:
            station = int(path.station_of_kept[path.kept_of_fix[a - first]])
            fix = a + int(np.argmax(np.nan_to_num(columns.carried[a:b])))
            out.append((station, station + 1, pass_id, fix))
    return out


def _fix_of_station(clock: np.ndarray, seconds: np.ndarray, path: RigPath):
    """Return the first fix at or after each station, no later than the kept one.

    While a rig creeps a metre in minutes, its load may go from full to empty.
    """
    last = path.kept[np.minimum(path.segment + 1, path.kept.size - 1)]
    first = np.where(path.segment < 0, last, path.kept[np.maximum(path.segment, 0)])
    return np.clip(np.searchsorted(clock, seconds), first, last)


def _at_stations(values: np.ndarray, path: RigPath) -> np.ndarray:
    """Return values of the fixes at the stations, even between kept fixes."""
    kept = values[path.kept]
    behind = np.minimum(path.segment + 1, kept.size - 1)
    before = np.maximum(path.segment, 0)
    out = kept[before] + path.part * (kept[behind] - kept[before])
    starts = path.segment < 0
    out[starts] = kept[np.searchsorted(path.station_of_kept, np.flatnonzero(starts))]
    return out


def _joined(parts: list[np.ndarray], dtype) -> np.ndarray:
    return np.concatenate(parts) if parts else np.empty(0, dtype=dtype)


def _heading_note(machine_id: str) -> Note:
    return Note(
        code="loads.heading_refused",
        severity="check",
        sentence=(
            f"{machine_id}: the logged heading does not agree with the way driven; "
            "the heading is taken from the path; check the sensor."
        ),
        where=machine_id,
    )


def _still_note(machine_id: str, count: int) -> Note:
    return Note(
        code="loads.never_moved",
        severity="info",
        sentence=(
            f"{machine_id}: stood still in {count} passes of a log that never moved, "
            "so which way it pointed is not known and no wheel tracks are drawn there."
        ),
        count=count,
        where=machine_id,
    )


def _ground(fixes: pd.DataFrame, rise: GroundSlope | None, settings: LoadSettings):
    """Return how the ground rises, None where nothing tells it or nobody wants it."""
    if rise is not None:
        # No machine works on a bank; what grazes one is an error of place.
        steep = np.hypot(rise.east_rise, rise.north_rise) > STEEPEST
        known = rise.without(steep)
        there = np.isfinite(known.east_rise).any()
        return (known if there else None), []
    if not settings.slope_from_heights:
        return None, []
    return ground_slope(fixes, settings=settings)


_PUSHED_LEAST = 20.0
"""Less way of unsure pushing is not worth a note; choice [m]."""


def _unsure_notes(unsure: dict[str, tuple[float, float]]) -> list[Note]:
    return [
        Note(
            code="loads.pushed_unsure",
            severity="info",
            sentence=(
                f"{name}: while it was backed over {way:.0f} m, how far its trailer "
                f"swung is known to about {worst:.1f} m only; its wheel tracks there "
                "are the likeliest."
            ),
            count=round(way),
            where=name,
        )
        for name, (way, worst) in unsure.items()
        if way >= _PUSHED_LEAST
    ]


def _slope_notes(
    ground: GroundSlope | None, unknown: float, settings: LoadSettings
) -> list[Note]:
    """Say what slopes did to the loads; nothing where the ground is about level."""
    if ground is not None and ground.steep(0.9) >= 0.5 * settings.slope_step:
        sentence = (
            f"The ground rises by {100 * ground.steep(0.5):.0f} % in the middle and by "
            f"{100 * ground.steep(0.9):.0f} % on its steepest tenth, by "
            f"{ground.source}; wheels on the low side and behind uphill carry more "
            "there."
        )
        return [Note("loads.slope_used", "info", sentence)]
    if unknown >= 0.5 * settings.slope_step:
        sentence = (
            f"A slope of {100 * unknown:.0f} % is told but no log tells heights, so "
            "which wheels are on the low side is not known: loads are those of level "
            "ground, and their interval is wider."
        )
        return [Note("loads.slope_direction", "info", sentence)]
    return []
