"""Gaps in a track: drawn only where a vehicle can have driven one way, and marked."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import shapely

from trafficmap.core import limits
from trafficmap.core.notes import Note
from trafficmap.core.tables import shared_text
from trafficmap.tracks._dubins import WORDS, dubins_places, dubins_words
from trafficmap.tracks._split_kernels import track_shape
from trafficmap.tracks.ground import steps, way_words

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    from trafficmap.core.settings.tracks import TrackSettings
    from trafficmap.machines.model import Machine
    from trafficmap.tracks.ground import LogFacts

REACH = 10.0
"""Direction and speed beside a gap are taken over this distance [m]; choice."""

LEAST = 5.0
"""A shorter way over a gap is no stretch to be drawn or left out [m]; choice."""

DIRECT = 1.15
"""Straight on is no longer than this times the straight line; choice."""

USUAL = 3.0
"""A step this many times longer than usual in its log may be a gap; choice."""

SPACING = 2.0
"""Distance between inferred fixes, so that a curve stays a curve [m]; choice."""


@dataclass(frozen=True)
class _Way:
    """How a gap was driven: the fix before it, the places between, its length [m]."""

    before: int
    places: np.ndarray
    length: float
    turn: bool


def bridge(
    fixes: pd.DataFrame,
    *,
    ground: BaseGeometry | None,
    machines: Mapping[str, Machine],
    facts: Mapping[int, LogFacts],
    settings: TrackSettings,
) -> tuple[pd.DataFrame, list[Note]]:
    """Return the fixes with inferred ones in the gaps that were surely driven.

    Parameters
    ----------
    fixes : DataFrame
        Contract `FIXES` with ``begins``; clock rising within a log.
    ground : Polygon or MultiPolygon or None
        Nothing is drawn outside of it.
    machines : mapping of str to Machine
        ``min_radius`` [m] is read.
    facts : mapping of int to LogFacts
        ``infer_turns`` by log.
    settings : TrackSettings

    Returns
    -------
    DataFrame
        With ``inferred``; ``begins`` is False where a gap was bridged and True where a
        short one cannot have been driven. Inferred fixes hold no signals but the work
        state and width that are the same on both sides, and rates and flow over no
        more than `limits.RATE_GAP_SECONDS`.
    list of Note

    Notes
    -----
    A gap is a step longer than ``gap_seconds`` and three times the usual of its log, of
    5 m and more. The way over it is the shortest one that keeps the directions on both
    sides and the smallest turning radius (Dubins). It is drawn where the machine went
    straight on at a speed like that beside the gap: it is then the only one it had time
    for. Other ways, such as turns between rows, are drawn on request only. A gap of
    less than `limits.GAP_SECONDS` that no such way crosses is cut.
    """
    start = fixes["begins"].to_numpy(dtype=np.bool_).copy()
    gaps = _gaps(fixes, start, settings)
    plain = fixes.assign(inferred=np.zeros(len(fixes), dtype=np.bool_))
    if not gaps.size:
        return plain, []
    beside = _beside(fixes, start, gaps)
    ways: list[_Way] = []
    tally: dict[str, list[tuple[str, float]]] = {
        "bridged": [],
        "turned": [],
        "turn_missing": [],
        "cut": [],
    }
    machine_id = shared_text(fixes["machine_id"])
    log_id = fixes["log_id"].to_numpy()
    passed = np.diff(fixes["seconds"].to_numpy(dtype=float))
    if ground is not None:
        shapely.prepare(ground)
    for k, b in enumerate(gaps.tolist()):
        name = str(machine_id[b])
        radius = getattr(machines.get(name), "min_radius", settings.min_radius)
        told = getattr(facts.get(int(log_id[b])), "infer_turns", None)
        turns = settings.infer_turns if told is None else told
        way = _way(b - 1, passed[b - 1], beside, k, radius, ground, settings)
        short = passed[b - 1] <= limits.GAP_SECONDS
        if way is not None and (turns if way.turn else settings.bridge_gaps):
            ways.append(way)
            start[b] = False
            kind = "turned" if way.turn else "bridged"
        elif way is not None and way.turn:
            start[b] = True
            kind = "turn_missing"
        elif short:
            # Left out on request, or nothing a vehicle could have driven.
            start[b] = True
            kind = "cut"
        else:
            continue
        tally[kind].append((name, 0.0 if way is None else way.length))
    out = _with_ways(plain.assign(begins=start), ways)
    return out, _notes(tally, settings)


def _gaps(
    fixes: pd.DataFrame, start: np.ndarray, settings: TrackSettings
) -> np.ndarray:
    """Return the fixes that close a gap."""
    seconds = fixes["seconds"].to_numpy(dtype=float)
    log = fixes["log_id"].to_numpy()
    if seconds.size < 2:
        return np.empty(0, dtype=np.int64)
    passed = np.diff(seconds, prepend=seconds[:1])
    same = np.append(False, log[1:] == log[:-1])
    # A jump within half a minute is a cut of its own, not a gap.
    gap = same & ~(start & (passed <= limits.GAP_SECONDS))
    gap &= (passed > settings.gap_seconds) & (passed <= settings.bridge_seconds)
    length = np.zeros(seconds.size)
    length[1:] = np.hypot(
        np.diff(fixes["easting"].to_numpy(dtype=float)),
        np.diff(fixes["northing"].to_numpy(dtype=float)),
    )
    gap &= length >= LEAST
    found = np.flatnonzero(gap)
    if not found.size:
        return found
    usual = np.zeros(seconds.size)
    for name in np.unique(log[found]):
        mine = (log == name) & same & (passed > 0.0)
        usual[log == name] = np.median(passed[mine])
    return found[passed[found] > USUAL * usual[found]]


@dataclass(frozen=True)
class _Beside:
    """Directions and speeds before and after each gap, and the way between."""

    origin: np.ndarray
    apart: np.ndarray
    before: np.ndarray
    after: np.ndarray
    slow: np.ndarray
    fast: np.ndarray


def _beside(fixes: pd.DataFrame, start: np.ndarray, gaps: np.ndarray) -> _Beside:
    cut = start.copy()
    cut[gaps] = True
    n = len(fixes)
    place = fixes[["easting", "northing"]].to_numpy(dtype=float)
    before, after, speed = np.full(n, np.nan), np.full(n, np.nan), np.zeros(n)
    unused = np.zeros(n)
    seconds = fixes["seconds"].to_numpy(dtype=float)
    near_zero = place - place[0]
    # Directions look away from the gap and may cross another one; speeds may not.
    length, _ = steps(fixes, start)
    track_shape(seconds, start, length, near_zero, REACH, before, after, unused)
    length, duration = steps(fixes, cut)
    track_shape(seconds, cut, length, near_zero, REACH, unused, np.zeros(n), speed)
    moving = (duration > 0.0) & (length > 0.3 * duration)
    log = fixes["log_id"].to_numpy()
    usual = np.zeros(gaps.size)
    for name in np.unique(log[gaps]):
        mine = moving & (log == name)
        if mine.any():
            usual[log[gaps] == name] = np.median(length[mine] / duration[mine])
    near = np.maximum(speed[gaps - 1], speed[gaps])
    return _Beside(
        origin=place[gaps - 1],
        apart=place[gaps] - place[gaps - 1],
        before=before[gaps - 1],
        after=after[gaps],
        slow=np.minimum(near, usual),
        fast=np.maximum(near, usual),
    )


def _way(
    before: int,
    passed: float,
    beside: _Beside,
    k: int,
    radius: float,
    ground: BaseGeometry | None,
    settings: TrackSettings,
) -> _Way | None:
    """Return the way over a gap, None where none fits its time and the ground."""
    heading, end = beside.before[k], beside.after[k]
    if math.isnan(heading) or math.isnan(end):
        return None
    gap = _Gap(before, passed, beside, k, radius, ground, settings)
    way = gap.way(heading, end)
    if way is not None and not way.turn:
        return way
    # It may have turned back right where the gap ends, or where it begins.
    for one, two in ((heading, end + math.pi), (heading + math.pi, end)):
        other = gap.way(one, two)
        if other is not None and not other.turn:
            return other
    return way


@dataclass(frozen=True)
class _Gap:
    """One gap, and all that limits the way over it."""

    before: int
    passed: float
    beside: _Beside
    k: int
    radius: float
    ground: BaseGeometry | None
    settings: TrackSettings

    def way(self, heading: float, end: float) -> _Way | None:
        """Return the shortest way between two directions that fits, else None."""
        k, passed, use = self.k, self.passed, self.settings
        east, north = self.beside.apart[k].tolist()
        kind, length = np.zeros((WORDS, 3)), np.zeros((WORDS, 3))
        dubins_words(east, north, heading, end, self.radius, kind, length)
        turned = abs(math.remainder(end - heading, 2.0 * math.pi))
        low, high = use.bridge_speed
        for word in np.argsort(length.sum(axis=1), kind="stable").tolist():
            total = float(length[word].sum())
            if not total <= high * self.beside.fast[k] * passed:
                return None
            turn = total > DIRECT * math.hypot(east, north)
            turn |= turned > math.radians(use.turn_angle)
            if turn and (total > use.turn_length or passed > use.turn_seconds):
                return None
            slow = total < low * self.beside.slow[k] * passed
            # In half a minute there is no time to go elsewhere and come back.
            if slow and (turn or passed > limits.GAP_SECONDS):
                continue
            places = np.empty((max(1, math.ceil(total / SPACING) - 1), 2))
            dubins_places(heading, self.radius, kind[word], length[word], places)
            places += self.beside.origin[k]
            if self.ground is None or _all_on(self.ground, places):
                return _Way(self.before, places, total, turn)
        return None


def _all_on(ground: BaseGeometry, places: np.ndarray) -> bool:
    return bool(shapely.intersects_xy(ground, places[:, 0], places[:, 1]).all())


def _with_ways(fixes: pd.DataFrame, ways: list[_Way]) -> pd.DataFrame:
    """Return the fixes with those of the ways put in behind the fix before each."""
    if not ways:
        return fixes
    counts = np.ones(len(fixes), dtype=np.int64)
    for way in ways:
        counts[way.before] += len(way.places)
    take = np.repeat(np.arange(len(fixes)), counts)
    out = fixes.iloc[take].reset_index(drop=True)
    row_of = np.cumsum(counts) - counts
    begin = np.array([row_of[way.before] for way in ways])
    size = np.array([len(way.places) for way in ways])
    # Position in the table of each inferred fix, and its share of its way.
    number = np.repeat(np.arange(len(ways)), size)
    step = np.arange(size.sum()) - np.repeat(np.cumsum(size) - size, size) + 1
    rows = begin[number] + step
    share = step / (size[number] + 1)
    before = np.array([way.before for way in ways])[number]
    after = before + 1
    place = np.concatenate([way.places for way in ways])
    seconds = fixes["seconds"].to_numpy(dtype=float)
    passed = seconds[after] - seconds[before]
    speed = np.array([way.length for way in ways])[number] / passed
    columns = {
        "easting": place[:, 0],
        "northing": place[:, 1],
        "seconds": seconds[before] + share * passed,
        "begins": False,
        "inferred": True,
        "speed": speed,
        **_signals(fixes, before, share, passed),
    }
    straight = ~np.array([way.turn for way in ways])[number]
    for name in ("work_state", "width"):
        columns[name] = np.where(straight, columns[name], np.nan)
    for name, values in columns.items():
        whole = out[name].to_numpy(copy=True)
        whole[rows] = values
        out[name] = whole
    stamp = fixes["time"].dt.tz_localize(None).to_numpy(dtype="datetime64[ms]")
    gone = (stamp[after] - stamp[before]) / np.timedelta64(1, "ms")
    known = np.isfinite(gone)
    moment = np.full(rows.size, np.datetime64("NaT"), dtype="datetime64[ms]")
    whole_ms = np.round(share[known] * gone[known]).astype("timedelta64[ms]")
    moment[known] = stamp[before][known] + whole_ms
    whole = out["time"].dt.tz_localize(None).to_numpy(dtype="datetime64[ms]").copy()
    whole[rows] = moment
    out["time"] = pd.Series(whole).dt.tz_localize("UTC")
    return out


def _signals(
    fixes: pd.DataFrame, before: np.ndarray, share: np.ndarray, passed: np.ndarray
) -> dict[str, np.ndarray]:
    """Return what is taken to be true in a gap: what both sides say alike."""
    out = {}
    for name in ("work_state", "width"):
        values = fixes[name].to_numpy(dtype=float)
        one, two = values[before], values[before + 1]
        out[name] = np.where(one == two, one, np.nan)
    for name in ("mass_flow", "application_rate", "moisture"):
        values = fixes[name].to_numpy(dtype=float)
        drawn = values[before] + share * (values[before + 1] - values[before])
        out[name] = np.where(passed <= limits.RATE_GAP_SECONDS, drawn, np.nan)
    for name in ("heading", "altitude", "fix_quality", "tank_mass"):
        out[name] = np.full(before.size, np.nan)
    return out


def _notes(
    tally: dict[str, list[tuple[str, float]]], settings: TrackSettings
) -> list[Note]:
    notes = []
    if found := tally["bridged"]:
        sentence = (
            f"{_gap_words(found)} can only have been driven straight on "
            f"({_way_words(found)}): drawn, and marked as inferred. The setting "
            "tracks.bridge_gaps leaves such ways out."
        )
        notes.append(_note("tracks.bridged", "info", sentence, found))
    if found := tally["turned"]:
        sentence = (
            f"{_gap_words(found)} at turns ({_way_words(found)}): drawn as the "
            "shortest way the machine can turn, as asked for, and marked as inferred."
        )
        notes.append(_note("tracks.turn_inferred", "check", sentence, found))
    if found := tally["turn_missing"]:
        sentence = (
            f"{_gap_words(found)} at turns: nothing is drawn there. Say infer_turns = "
            "true in a [[log]] to have the shortest way drawn."
        )
        notes.append(_note("tracks.turn_missing", "info", sentence, found))
    if found := tally["cut"]:
        left = "" if settings.bridge_gaps else ", or it was to be left out"
        sentence = (
            f"{_gap_words(found)} of less than {limits.GAP_SECONDS:.0f} s: no way that "
            f"a vehicle can have driven fits{left}; nothing is drawn across."
        )
        notes.append(_note("tracks.gap_cut", "info", sentence, found))
    return notes


def _note(code: str, severity, sentence: str, found: list[tuple[str, float]]) -> Note:
    counts = Counter(machine for machine, _ in found)
    where = ", ".join(f"{name} {counts[name]:,}" for name in sorted(counts))
    return Note(code, severity, sentence, len(found), where)


def _gap_words(found: list) -> str:
    return f"{len(found)} gap{'s' * (len(found) > 1)}"


def _way_words(found: list[tuple[str, float]]) -> str:
    return way_words(sum(way for _, way in found))
