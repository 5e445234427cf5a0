"""Clean fixes: what no machine can have done is dropped, noise is smoothed."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trafficmap.core import limits
from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note, Severity
from trafficmap.core.tables import FIXES, require_table
from trafficmap.tracks._clean_kernels import (
    drop_held_places,
    drop_jumps,
    find_still,
    hold_still,
    longest_in_order,
    smooth_track,
)
from trafficmap.tracks.ground import breaks, speed_limits

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    from trafficmap.core.settings.tracks import TrackSettings
    from trafficmap.machines.model import Machine

REASONS = {
    "place": "have no usable position",
    "far": "lie too far from the field",
    "backward": "have a clock that ran backward",
    "twice": "claim two places at one moment",
    "repeat": "repeat a fix",
    "jump": "jumped farther than the machine can drive",
    "held": "repeat the last place while the machine moved on",
}
"""Why fixes are dropped, in the order in which they are looked for."""

_HARMLESS = ("repeat", "held")
_SAME_PLACE = 0.01


def clean(
    fixes: pd.DataFrame,
    *,
    boundary: BaseGeometry | None,
    machines: dict[str, Machine],
    settings: TrackSettings,
) -> tuple[pd.DataFrame, list[Note]]:
    """Return fixes fit to draw tracks from, and what was dropped or moved.

    Parameters
    ----------
    fixes : DataFrame
        Contract `FIXES`; places may be empty here.
    boundary : Polygon or MultiPolygon or None
        Fixes farther than ``far`` from it are dropped; without it, from the middle of
        their log.
    machines : dict of str to Machine
        ``sigma_within`` [m] and ``road_vehicle`` are read.
    settings : TrackSettings

    Returns
    -------
    DataFrame
        Contract `FIXES`: one block a log, blocks ordered by machine and first time,
        clock rising within a log. Column ``source_log`` holds the log a fix came
        from: a log that goes on where another of the same machine ends takes its
        ``log_id``.
    list of Note

    Raises
    ------
    InputError
        More than `limits.DROPPED_SHARE` of the fixes of one log had to be dropped.

    Notes
    -----
    Of a clock that runs backward the fewest fixes are dropped. Stretches in the wrong
    order in the file are put in order. A fix counts as a jump only by both of its
    sides. Places are smoothed by a constant-velocity filter run forward and back,
    with the position error of the machine's receiver; a machine that stands is put on
    one spot. Nothing is bridged or smoothed over a gap of more than
    `limits.GAP_SECONDS` or over a jump.
    """
    centre = _centre(boundary)
    parts: list[pd.DataFrame] = []
    tallies: list[_Tally] = []
    for _, log in fixes.groupby("log_id", sort=True):
        kept, dropped, moved = _clean_log(log, centre, machines, settings)
        machine = str(log["machine_id"].iloc[0])
        _require_enough(
            len(log), dropped, f"log {log['log_id'].iloc[0] + 1}, {machine}"
        )
        tallies.append(_Tally(machine, len(log), dropped, moved))
        if len(kept):
            parts.append(kept)
    notes = _drop_notes(tallies)
    if not parts:
        empty = fixes.iloc[:0].assign(source_log=np.empty(0, dtype=np.int64))
        return require_table(empty, FIXES), notes
    table, joined = _in_order(parts, machines, settings)
    notes += joined
    return require_table(_settled(table, machines, settings, notes), FIXES), notes


def _clean_log(log, centre, machines, settings):
    """Return what is kept of a log, in order, and how many were dropped and why."""
    dropped: Counter[str] = Counter()
    easting = log["easting"].to_numpy(dtype=float)
    northing = log["northing"].to_numpy(dtype=float)
    good = np.isfinite(easting) & np.isfinite(northing)
    good &= np.isfinite(log["seconds"].to_numpy(dtype=float))
    good &= ~((easting == 0.0) & (northing == 0.0))
    good &= ~(log["fix_quality"].to_numpy(dtype=float) == 0.0)
    log = _keep(log, good, "place", dropped)
    if len(log):
        easting, northing = log["easting"].to_numpy(), log["northing"].to_numpy()
        east, north = centre or (np.median(easting), np.median(northing))
        away = np.hypot(easting - east, northing - north)
        log = _keep(log, away <= settings.far, "far", dropped)
    log, moved = _stretches_in_order(log)
    keep = np.ones(len(log), dtype=np.bool_)
    if (np.diff(log["seconds"].to_numpy()) < 0.0).any():
        longest_in_order(log["seconds"].to_numpy(), keep)
    log = _keep(log, keep, "backward", dropped)
    log = _drop_same_moment(log, dropped)
    limit = float(
        speed_limits(log["machine_id"].to_numpy()[:1], machines).max(initial=0)
    )
    keep = np.ones(len(log), dtype=np.bool_)
    drop_jumps(*_track(log), limit, settings.jump_slack, settings.jump_seconds, keep)
    log = _keep(log, keep, "jump", dropped)
    keep = np.ones(len(log), dtype=np.bool_)
    drop_held_places(*_track(log), settings.idle_speed, settings.idle_seconds, keep)
    log = _keep(log, keep, "held", dropped)
    return log, dropped, moved


def _track(log: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    return (
        log["seconds"].to_numpy(dtype=float),
        log["easting"].to_numpy(dtype=float),
        log["northing"].to_numpy(dtype=float),
    )


def _keep(log, good, reason, dropped) -> pd.DataFrame:
    if good.all():
        return log
    dropped[reason] += int((~good).sum())
    return log[good]


def _stretches_in_order(log: pd.DataFrame) -> tuple[pd.DataFrame, int]:
    """Return a log whose stretches are in order of time, and how many were moved.

    Only where the clock ran backward at all. A stretch is cut by that or by a gap and
    lasts longer than a gap; what is shorter stays behind the stretch before it.
    """
    seconds = log["seconds"].to_numpy(dtype=float)
    passed = np.diff(seconds)
    if not (passed < 0.0).any():
        return log, 0
    cuts = np.flatnonzero((passed < 0.0) | (passed > limits.GAP_SECONDS)) + 1
    edges = np.concatenate([[0], cuts, [seconds.size]])
    lasting = seconds[edges[1:] - 1] - seconds[edges[:-1]] > limits.GAP_SECONDS
    lasting[0] = True
    begin = edges[:-1][lasting]
    end = np.append(begin[1:], seconds.size)
    order = np.argsort(seconds[begin], kind="stable")
    moved = int((order != np.arange(order.size)).sum())
    take = np.concatenate([np.arange(begin[b], end[b]) for b in order])
    return log.iloc[take], moved


def _drop_same_moment(log: pd.DataFrame, dropped: Counter) -> pd.DataFrame:
    seconds, easting, northing = _track(log)
    if seconds.size == 0:
        return log
    again = np.concatenate([[False], np.diff(seconds) == 0.0])
    if not again.any():
        return log
    first = np.maximum.accumulate(np.where(again, 0, np.arange(seconds.size)))
    apart = np.hypot(easting - easting[first], northing - northing[first])
    elsewhere = again & (apart > _SAME_PLACE)
    log = _keep(log, ~elsewhere, "twice", dropped)
    return _keep(log, ~again[~elsewhere], "repeat", dropped)


def _centre(boundary: BaseGeometry | None) -> tuple[float, float] | None:
    if boundary is None or boundary.is_empty:
        return None
    west, south, east, north = boundary.bounds
    return (west + east) / 2.0, (south + north) / 2.0


def _require_enough(total: int, dropped: Counter, where: str) -> None:
    lost = sum(dropped.values())
    if total and lost > limits.DROPPED_SHARE * total:
        why = ", ".join(
            f"{dropped[reason]} {words}"
            for reason, words in REASONS.items()
            if dropped[reason]
        )
        msg = (
            f"{where}: {lost} of {total} fixes cannot be used ({why}), need at least "
            f"{1 - limits.DROPPED_SHARE:.0%} usable."
        )
        raise InputError(msg, "look at the clock and position columns of this log")


@dataclass(frozen=True)
class _Tally:
    """What became of the fixes of one log."""

    machine: str
    total: int
    dropped: Counter[str]
    moved: int


def _drop_notes(tallies: list[_Tally]) -> list[Note]:
    """Return one note a reason, with the count of each machine in ``where``."""
    notes = []
    for reason, words in REASONS.items():
        hit = [tally for tally in tallies if tally.dropped[reason]]
        if not hit:
            continue
        many = any(t.dropped[reason] >= 0.01 * t.total for t in hit)
        severity: Severity = "check" if many and reason not in _HARMLESS else "info"
        count = sum(t.dropped[reason] for t in hit)
        total = sum(t.total for t in hit)
        sentence = f"{count:,} of {total:,} fixes {words}; they were dropped."
        where = _by_machine([(t.machine, t.dropped[reason]) for t in hit])
        notes.append(Note(f"tracks.{reason}", severity, sentence, count, where))
    moved = [(t.machine, t.moved) for t in tallies if t.moved]
    if moved:
        count = sum(number for _, number in moved)
        sentence = (
            f"{count} stretches were not in order of time in their file; they were put "
            "in order."
        )
        notes.append(Note("tracks.order", "info", sentence, count, _by_machine(moved)))
    return notes


def _by_machine(counts: list[tuple[str, int]]) -> str:
    """Return the sum of each machine, as "cart 5, combine 12"."""
    sums: Counter[str] = Counter()
    for machine, count in counts:
        sums[machine] += count
    return ", ".join(f"{machine} {sums[machine]:,}" for machine in sorted(sums))


def _in_order(parts, machines, settings) -> tuple[pd.DataFrame, list[Note]]:
    """Return all logs by machine and time; logs that go on are joined into one."""
    parts = [part.assign(source_log=part["log_id"].astype(np.int64)) for part in parts]
    parts.sort(
        key=lambda part: (
            str(part["machine_id"].iloc[0]),
            *_moment(part, 0),
            int(part["log_id"].iloc[0]),
        )
    )
    notes = []
    for before, here in zip(range(len(parts) - 1), range(1, len(parts)), strict=True):
        if _goes_on(parts[before], parts[here], machines, settings):
            into = int(parts[before]["log_id"].iloc[-1])
            sentence = (
                f"Goes on where log {into} of the same machine ends; both are taken as "
                "one drive."
            )
            where = f"log {int(parts[here]['log_id'].iloc[0])}"
            notes.append(Note("tracks.joined", "info", sentence, 1, where))
            parts[here] = parts[here].assign(log_id=np.int64(into))
    return pd.concat(parts, ignore_index=True), notes


def _moment(part: pd.DataFrame, row: int) -> tuple[bool, float]:
    """Return whether the time is not known, and the time or else the log's clock."""
    time = part["time"].iloc[row]
    if pd.isna(time):
        return True, float(part["seconds"].iloc[row])
    return False, time.timestamp()


def _goes_on(before, here, machines, settings) -> bool:
    machine = before["machine_id"].iloc[-1]
    if machine != here["machine_id"].iloc[0]:
        return False
    wait = here["seconds"].iloc[0] - before["seconds"].iloc[-1]
    unknown_a, end = _moment(before, -1)
    unknown_b, start = _moment(here, 0)
    # Both clocks have to say so: `seconds` may count from another start in each log.
    if unknown_a != unknown_b or abs(start - end - wait) > 1.0:
        return False
    step = np.hypot(
        here["easting"].iloc[0] - before["easting"].iloc[-1],
        here["northing"].iloc[0] - before["northing"].iloc[-1],
    )
    limit = float(speed_limits(np.array([machine]), machines)[0])
    return bool(
        0.0 < wait <= limits.GAP_SECONDS and step <= limit * wait + settings.jump_slack
    )


def _settled(table, machines, settings, notes) -> pd.DataFrame:
    """Return the table with smoothed places and machines that stand put on a spot."""
    start, jump = breaks(table, machines=machines, settings=settings)
    seconds = table["seconds"].to_numpy(dtype=float)
    place = table[["easting", "northing"]].to_numpy(dtype=float)
    machine_id = table["machine_id"].to_numpy().astype(str)
    out = np.empty_like(place)
    standing = 0.0
    edges = np.flatnonzero(np.append(True, machine_id[1:] != machine_id[:-1]))
    for a, b in zip(edges, [*edges[1:], len(table)], strict=True):
        part = slice(a, b)
        sigma = getattr(machines.get(machine_id[a]), "sigma_within", settings.sigma)
        # Relative to the first fix: eastings of half a million metres would cost
        # digits that a millimetre needs.
        origin = place[a]
        smoothed = np.empty((b - a, 2))
        smooth_track(
            seconds[part],
            start[part],
            sigma,
            settings.acceleration**2,
            place[part] - origin,
            smoothed,
        )
        still = np.zeros(b - a, dtype=np.bool_)
        find_still(
            seconds[part],
            start[part],
            smoothed,
            settings.still_window,
            settings.idle_speed,
            3.0 * sigma,
            still,
        )
        hold_still(seconds[part], start[part], settings.idle_seconds, smoothed, still)
        out[part] = smoothed + origin
        passed = np.diff(seconds[part])
        standing += float(passed[still[1:] & ~start[part][1:]].sum())
    if jump.any():
        sentence = (
            "The position shifted faster than the machine can drive and stayed there; "
            "the track is cut at these places."
        )
        notes.append(Note("tracks.shift", "info", sentence, int(jump.sum())))
    if standing:
        sentence = (
            f"Machines stood for {standing / 60:.0f} min in all; the wandering of the "
            "position meanwhile was taken out."
        )
        notes.append(Note("tracks.standing", "info", sentence))
    return table.assign(easting=out[:, 0], northing=out[:, 1])
