"""Permanent lanes: which lie best under this year's tracks, and passes put on them."""

from __future__ import annotations

import dataclasses
import itertools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import shapely

from trafficmap.core.notes import Note
from trafficmap.season import _say
from trafficmap.season.driven import Driven

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    from trafficmap.core.settings import Settings
    from trafficmap.field.model import Field

_STRAIGHT = 0.95
"""A pass whose ends lie this share of its way apart is straight; choice."""

_SCAN = 0.05
"""Offsets are tried every so far [m]; choice."""


@dataclass(frozen=True)
class Lanes:
    """Where lanes lie.

    Parameters
    ----------
    heading : float
        Clockwise from grid north, 0 to pi. [rad]
    spacing : float
        [m]
    offset : float
        Right of the origin of the grid system, 0 to `spacing`. [m]
    """

    heading: float
    spacing: float
    offset: float

    def right(self, easting, northing):
        """Return how far places lie right of the line through the origin [m]."""
        return easting * math.cos(self.heading) - northing * math.sin(self.heading)

    def along(self, easting, northing):
        """Return how far places lie along the lanes [m]."""
        return easting * math.sin(self.heading) + northing * math.cos(self.heading)

    def nearest(self, right):
        """Return the nearest lane, likewise [m]."""
        number = np.round((right - self.offset) / self.spacing)
        return self.offset + number * self.spacing

    def lines(self, ground: BaseGeometry) -> list[shapely.LineString]:
        """Return the lanes on a piece of ground, one line each."""
        place = shapely.get_coordinates(ground)
        sin, cos = math.sin(self.heading), math.cos(self.heading)
        right = place[:, 0] * cos - place[:, 1] * sin
        along = place[:, 0] * sin + place[:, 1] * cos
        first = math.ceil((right.min() - self.offset) / self.spacing)
        last = math.floor((right.max() - self.offset) / self.spacing)
        out = []
        for k in range(first, last + 1):
            r = self.offset + k * self.spacing
            ends = [
                (r * cos + a * sin, a * cos - r * sin)
                for a in (along.min() - 1.0, along.max() + 1.0)
            ]
            cut = shapely.intersection(shapely.LineString(ends), ground)
            out += [
                part
                for part in shapely.get_parts(cut)
                if part.geom_type == "LineString" and part.length > 1.0
            ]
        return out


@dataclass(frozen=True)
class StraightPasses:
    """Straight passes along one direction, one row each; see `straight_passes`."""

    pass_row: np.ndarray
    machine: np.ndarray
    heading: np.ndarray
    right: np.ndarray
    length: np.ndarray


def straight_passes(
    fixes: pd.DataFrame, passes: pd.DataFrame, *, least: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return rows, headings 0 to pi [rad] and lengths [m] of straight passes."""
    place = fixes[["easting", "northing"]].to_numpy(float)
    first = passes["first"].to_numpy()
    last = np.maximum(passes["last"].to_numpy() - 1, first)
    chord = place[last] - place[first]
    far = np.hypot(*chord.T)
    length = passes["length"].to_numpy(float)
    states = passes["state"].isin(["working", "hauling"]).to_numpy()
    good = states & (far >= least) & (far >= _STRAIGHT * length)
    rows = np.flatnonzero(good)
    heading = np.arctan2(chord[rows, 0], chord[rows, 1]) % math.pi
    return rows, heading, far[rows]


def main_heading(
    fixes: pd.DataFrame, passes: pd.DataFrame, *, least: float
) -> float | None:
    """Return the direction most of the straight work went, 0 to pi [rad]."""
    rows, heading, length = straight_passes(fixes, passes, least=least)
    work = passes["state"].to_numpy()[rows] == "working"
    if not work.any():
        return None
    angle = 2 * heading[work]
    mean = math.atan2(
        float((np.sin(angle) * length[work]).sum()),
        float((np.cos(angle) * length[work]).sum()),
    )
    return 0.5 * mean % math.pi


def on_heading(
    fixes: pd.DataFrame, passes: pd.DataFrame, heading: float, settings: Settings
) -> StraightPasses:
    """Return the straight passes along a heading [rad] and where they lie."""
    rows, own, length = straight_passes(fixes, passes, least=settings.season.lane_least)
    off = np.abs((own - heading + math.pi / 2) % math.pi - math.pi / 2)
    good = off <= math.radians(settings.season.lane_angle)
    rows, length, own = rows[good], length[good], own[good]
    right = fixes["easting"].to_numpy(float) * math.cos(heading) - fixes[
        "northing"
    ].to_numpy(float) * math.sin(heading)
    first, last = passes["first"].to_numpy()[rows], passes["last"].to_numpy()[rows]
    middle = np.array(
        [np.median(right[a:b]) for a, b in zip(first, last, strict=True)], dtype=float
    )
    machine = passes["machine_id"].to_numpy(object)[rows]
    return StraightPasses(rows, machine, own, middle, length)


def best_offset(
    right: np.ndarray, weight: np.ndarray, *, spacing: float, near: float
) -> tuple[float, float]:
    """Return the offset with the most weight within `near` of a lane, and its share.

    Parameters
    ----------
    right, weight : ndarray, shape (n,)
        Where passes lie [m], and how much each counts.
    spacing : float
        [m]
    near : float
        [m]

    Examples
    --------
    >>> import numpy as np
    >>> right = np.array([1.0, 10.0, 19.1, 23.0])
    >>> offset, share = best_offset(right, np.ones(4), spacing=9.0, near=0.3)
    >>> round(offset, 1), round(share, 2)
    (1.0, 0.75)
    """
    tries = np.arange(0.0, spacing, _SCAN)
    away = np.abs(
        (right[None, :] - tries[:, None] + spacing / 2) % spacing - spacing / 2
    )
    score = ((away <= near) * weight[None, :]).sum(axis=1)
    # Of equal ones the middle of the longest stretch, so the passes lie about it.
    best = np.flatnonzero(score >= score.max() - 1e-9)
    sums = (away[best] * weight[None, :] * (away[best] <= near)).sum(axis=1)
    pick = int(best[np.argmin(sums)])
    return float(tries[pick]), float(score[pick] / max(weight.sum(), 1e-9))


def fits_lanes(width: float, spacing: float, slack: float) -> bool:
    """Tell whether a working width is a whole number of lane spacings.

    Examples
    --------
    >>> fits_lanes(27.4, 9.144, 0.05), fits_lanes(12.2, 9.144, 0.05)
    (True, False)
    """
    times = width / spacing
    return round(times) >= 1 and abs(times - round(times)) <= slack


def put_on_lanes(
    driven: Driven, lanes: Lanes, *, field: Field, settings: Settings
) -> Driven:
    """Return the season with straight passes along the lanes moved onto the nearest.

    Between two such passes a machine is moved by a share of both moves, so that tracks
    hang together. A machine whose working width is no whole number of spacings cannot
    work from the lanes and stays where it drove; a Note says so.

    Parameters
    ----------
    driven : Driven
    lanes : Lanes
    field : Field
    settings : Settings
    """
    choice = settings.season
    fixes, passes = driven.fixes, driven.passes
    found = on_heading(fixes, passes, lanes.heading, settings)
    misfit = {}
    for name, machine in field.machines.items():
        width = machine.width
        worked = ((passes["machine_id"] == name) & (passes["state"] == "working")).any()
        if (
            worked
            and width
            and not fits_lanes(width, lanes.spacing, choice.lane_width_slack)
        ):
            misfit[name] = width
    move = np.full(len(fixes), np.nan)
    right = lanes.right(
        fixes["easting"].to_numpy(float), fixes["northing"].to_numpy(float)
    )
    along = lanes.along(
        fixes["easting"].to_numpy(float), fixes["northing"].to_numpy(float)
    )
    first, last = passes["first"].to_numpy(), passes["last"].to_numpy()
    taken: dict[tuple[str, float], list[tuple[float, float]]] = {}
    state = passes["state"].to_numpy(object)
    for row, name, middle in zip(
        found.pass_row, found.machine, found.right, strict=True
    ):
        if name in misfit:
            continue
        lane = float(lanes.nearest(middle))
        here = slice(first[row], last[row])
        move[here] = lane - right[here]
        if state[row] == "working":
            way = along[here]
            taken.setdefault((str(name), round(lane, 2)), []).append(
                (float(way.min()), float(way.max()))
            )
    log = fixes["log_id"].to_numpy()
    edges = np.concatenate([[0], np.flatnonzero(np.diff(log)) + 1, [len(log)]])
    for a, b in itertools.pairwise(edges.tolist()):
        known = np.flatnonzero(np.isfinite(move[a:b]))
        if known.size:
            move[a:b] = np.interp(np.arange(b - a), known, move[a:b][known])
        else:
            move[a:b] = 0.0
    out = dataclasses.replace(
        driven,
        fixes=fixes.assign(
            easting=fixes["easting"] + move * math.cos(lanes.heading),
            northing=fixes["northing"] - move * math.sin(lanes.heading),
        ),
    )
    return out.with_notes(*_lane_notes(driven, found, misfit, taken, lanes, field))


def _lane_notes(driven, found, misfit, taken, lanes, field) -> list[Note]:
    notes = []
    doubled: dict[str, int] = {}
    for (name, _), ways in taken.items():
        doubled[name] = doubled.get(name, 0) + _side_by_side(ways)
    for name, count in doubled.items():
        if count:
            notes.append(
                Note(
                    "season.lane_shared",
                    "check",
                    f"{name}: {count} working passes fell on a lane it already had, so "
                    "the replay counts their ground as run over once; passes side by "
                    "side cannot be closer than the lanes.",
                    count,
                    where=name,
                )
            )
    for name, width in misfit.items():
        notes.append(
            Note(
                "season.lane_misfit",
                "check",
                f"{name}: works {_say.width(width, field.units)} wide, which is no "
                f"whole number of lanes {_say.width(lanes.spacing, field.units)} "
                "apart; it cannot work from these lanes and is left on its own tracks.",
                where=name,
            )
        )
    passes = driven.passes
    straight = np.zeros(len(passes), dtype=bool)
    straight[found.pass_row] = True
    work = (passes["state"] == "working").to_numpy()
    long = passes["length"].to_numpy(float)
    across = float(long[work & ~straight].sum())
    every = float(long[work].sum())
    if across > 0.05 * every:
        notes.append(
            Note(
                "season.lane_across",
                "check",
                f"{_say.way(across, field.units)} of {_say.way(every, field.units)} of "
                "work were not along the lanes (end rows, curves, other directions); "
                "they stay where they were.",
            )
        )
    return notes


def _side_by_side(ways: list[tuple[float, float]]) -> int:
    """Return how many stretches of one lane run for half their length beside others.

    Two passes one behind the other are no double use; two beside each other are.

    Examples
    --------
    >>> _side_by_side([(0.0, 100.0), (105.0, 200.0), (10.0, 90.0)])
    1
    """
    count, reached = 0, -math.inf
    for begin, end in sorted(ways):
        if min(reached, end) - begin > 0.5 * (end - begin):
            count += 1
        reached = max(reached, end)
    return count
