"""Clean fixes: what no machine can have done is dropped, noise is smoothed."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trafficmap.core import limits
from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note, Severity
from trafficmap.core.tables import FIXES, require_table
from trafficmap.tracks._clean_kernels import drop_held_places, drop_jumps
from trafficmap.tracks.bridge import bridge
from trafficmap.tracks.ground import (
    LogFacts,
    blocks,
    by_log,
    field_ground,
    speed_limits,
)
from trafficmap.tracks.order import in_order
from trafficmap.tracks.settle import lag_of, settled, without_lag

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

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
    machines: Mapping[str, Machine],
    settings: TrackSettings,
    access: BaseGeometry | None = None,
    logs: Iterable[LogFacts] = (),
) -> tuple[pd.DataFrame, list[Note]]:
    """Return fixes fit to draw tracks from, and what was dropped or moved.

    Parameters
    ----------
    fixes : DataFrame
        Contract `FIXES`; places may be empty here.
    boundary : Polygon or MultiPolygon or None
        Fixes farther than ``far`` from it are dropped; without it, from the middle of
        their log.
    machines : mapping of str to Machine
        ``sigma_within`` [m], ``min_radius`` [m], ``antenna`` and ``road_vehicle`` are
        read.
    settings : TrackSettings
    access : Polygon or MultiPolygon, optional
        Strips outside the boundary whose traffic counts.
    logs : iterable of LogFacts
        What was said of single logs: age of their places, correction, missing turns.

    Returns
    -------
    DataFrame
        Contract `FIXES`: one block a log, blocks ordered by machine and first time,
        clock rising within a log. Column ``source_log`` holds the log a fix came
        from: a log that goes on where another of the same machine ends takes its
        ``log_id``. ``begins`` says where a track starts anew, ``inferred`` which fixes
        were never logged.
    list of Note

    Raises
    ------
    InputError
        More than `limits.DROPPED_SHARE` of the fixes of one log had to be dropped.

    Notes
    -----
    What is in the wrong order in the file is put in order; of a clock that runs
    backward the fewest fixes are dropped, see `order.in_order`. A fix counts as a jump
    only by both of its sides. A log that goes on where another ends is cleaned
    together with it, so where a log was cut changes nothing. Places are smoothed by a
    constant-velocity filter run forward and back, with the position error of the
    machine's receiver; a machine that stands is put on one spot. Nothing is smoothed
    over a gap of more than `limits.GAP_SECONDS` or over a jump. Last, gaps that can
    only have been driven one way are bridged, see `bridge.bridge`.
    """
    facts = by_log(logs)
    centre = _centre(boundary)
    raw = _by_log_id(fixes)
    cleaned: dict[int, _Cleaned] = {}
    for log_id, log in raw.items():
        one = cleaned[log_id] = _clean_log(log, centre, machines, facts, settings)
        machine = str(log["machine_id"].iloc[0])
        _require_enough(len(log), one.dropped, f"log {log_id + 1}, {machine}")
    chains, notes = _chains(cleaned, machines, facts, settings)
    parts: list[pd.DataFrame] = []
    tallies: list[_Tally] = []
    for chain in chains:
        whole, one = raw[chain[0]], cleaned[chain[0]]
        if len(chain) > 1:
            # Dirt at the joint is seen only with both of its sides.
            whole = pd.concat([raw[name] for name in chain])
            whole = whole.assign(source_log=whole["log_id"], log_id=np.int64(chain[0]))
            one = _clean_log(whole, centre, machines, facts, settings)
        machine = str(whole["machine_id"].iloc[0])
        tallies.append(_Tally(machine, len(whole), one.dropped, one.moved))
        if len(one.log):
            parts.append(one.log)
    notes = _drop_notes(tallies) + notes
    if not parts:
        none = np.empty(0, dtype=np.bool_)
        empty = fixes.iloc[:0].assign(
            source_log=np.empty(0, dtype=np.int64), begins=none, inferred=none
        )
        return require_table(empty, FIXES), notes
    told: dict = {"machines": machines, "facts": facts, "settings": settings}
    table = pd.concat(parts, ignore_index=True)
    # A season of fixes is large; what it was put together from is not asked for again.
    del raw, cleaned, parts, whole, one, log
    table, more = settled(table, **told)
    notes += more
    ground = field_ground(boundary, access, settings.boundary_margin)
    table, more = bridge(table, ground=ground, **told)
    return require_table(table, FIXES), notes + more


def _by_log_id(fixes: pd.DataFrame) -> dict[int, pd.DataFrame]:
    """Return every log by its number; a log in one block is a view and no copy."""
    log_id = fixes["log_id"].to_numpy(dtype=np.int64)
    runs = blocks(log_id)
    names = [int(log_id[run.start]) for run in runs]
    if len(set(names)) == len(names):
        pairs = zip(names, runs, strict=True)
        return {name: fixes.iloc[run] for name, run in sorted(pairs, key=_number)}
    return {int(str(name)): log for name, log in fixes.groupby("log_id", sort=True)}


def _number(pair: tuple[int, slice]) -> int:
    return pair[0]


@dataclass(frozen=True)
class _Cleaned:
    """A log in order without dirt, and what became of the rest."""

    log: pd.DataFrame
    dropped: Counter[str]
    moved: Counter[str]


def _clean_log(log, centre, machines, facts, settings) -> _Cleaned:
    """Return what is kept of a log, in order, and how much was dropped and moved."""
    if "source_log" not in log:
        log = log.assign(source_log=log["log_id"].astype(np.int64))
    dropped: Counter[str] = Counter()
    easting = log["easting"].to_numpy(dtype=float)
    northing = log["northing"].to_numpy(dtype=float)
    good = np.isfinite(easting) & np.isfinite(northing)
    good &= np.isfinite(log["seconds"].to_numpy(dtype=float))
    good &= ~((easting == 0.0) & (northing == 0.0))
    good &= ~(log["fix_quality"].to_numpy(dtype=float) == 0.0)
    machine_id, log_id = str(log["machine_id"].iloc[0]), int(log["log_id"].iloc[0])
    log = _keep(log, good, "place", dropped)
    if len(log):
        easting, northing = log["easting"].to_numpy(), log["northing"].to_numpy()
        east, north = centre or (np.median(easting), np.median(northing))
        away = np.hypot(easting - east, northing - north)
        log = _keep(log, away <= settings.far, "far", dropped)
    limit = float(speed_limits(np.array([machine_id]), machines)[0])
    log, moved = in_order(log, limit=limit, slack=settings.jump_slack)
    if wrong := moved.pop("backward", 0):
        dropped["backward"] += wrong
    log = _drop_same_moment(log, dropped)
    keep = np.ones(len(log), dtype=np.bool_)
    drop_jumps(*_track(log), limit, settings.jump_slack, settings.jump_seconds, keep)
    log = _keep(log, keep, "jump", dropped)
    keep = np.ones(len(log), dtype=np.bool_)
    drop_held_places(*_track(log), settings.idle_speed, settings.idle_seconds, keep)
    log = _keep(log, keep, "held", dropped)
    lag = lag_of(facts.get(log_id), machines.get(machine_id))
    return _Cleaned(without_lag(log, lag), dropped, moved)


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
    moved: Counter[str]


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
    for kind, what in (("order", "stretches"), ("shuffled", "fixes")):
        hit_by = [(t.machine, t.moved[kind]) for t in tallies if t.moved[kind]]
        if hit_by:
            count = sum(number for _, number in hit_by)
            sentence = (
                f"{count:,} {what} were not in order of time in their file; they were "
                "put in order."
            )
            where = _by_machine(hit_by)
            notes.append(Note(f"tracks.{kind}", "info", sentence, count, where))
    return notes


def _by_machine(counts: list[tuple[str, int]]) -> str:
    """Return the sum of each machine, as "cart 5, combine 12"."""
    sums: Counter[str] = Counter()
    for machine, count in counts:
        sums[machine] += count
    return ", ".join(f"{machine} {sums[machine]:,}" for machine in sorted(sums))


def _chains(cleaned, machines, facts, settings) -> tuple[list[list[int]], list[Note]]:
    """Return logs by machine and time, those that go on behind one another together."""
    names = [name for name, one in cleaned.items() if len(one.log)]
    logs = {name: cleaned[name].log for name in names}
    names.sort(
        key=lambda name: (
            str(logs[name]["machine_id"].iloc[0]),
            *_moment(logs[name], 0),
            name,
        )
    )
    chains: list[list[int]] = []
    notes = []
    for name in names:
        before = chains[-1] if chains else None
        if before and _goes_on(logs[before[-1]], logs[name], machines, facts, settings):
            sentence = (
                f"Goes on where log {before[-1]} of the same machine ends; both are "
                "taken as one drive."
            )
            notes.append(Note("tracks.joined", "info", sentence, 1, f"log {name}"))
            before.append(name)
        else:
            chains.append([name])
    empty = [[name] for name, one in cleaned.items() if not len(one.log)]
    return chains + empty, notes


def _said(facts: LogFacts | None) -> LogFacts:
    """Return what was said of a log but for its number."""
    return LogFacts(0) if facts is None else replace(facts, log_id=0)


def _moment(part: pd.DataFrame, row: int) -> tuple[bool, float]:
    """Return whether the time is not known, and the time or else the log's clock."""
    time = part["time"].iloc[row]
    if pd.isna(time):
        return True, float(part["seconds"].iloc[row])
    return False, time.timestamp()


def _goes_on(before, here, machines, facts, settings) -> bool:
    machine = before["machine_id"].iloc[-1]
    if machine != here["machine_id"].iloc[0]:
        return False
    one, two = (facts.get(int(log["log_id"].iloc[0])) for log in (before, here))
    if _said(one) != _said(two):
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
