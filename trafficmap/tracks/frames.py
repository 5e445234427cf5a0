"""Machines on different systems: a constant shift between their tracks.

A correction network gives places in the national system, a satellite service in the
global one. The two differ by up to 1.5 m in North America and 0.8 m in Europe, and no
file says which of them it is in.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import shapely

from trafficmap.core.notes import Note
from trafficmap.tracks.shape_work import main_directions

if TYPE_CHECKING:
    from collections.abc import Mapping

    from shapely.geometry.base import BaseGeometry

    from trafficmap.core.settings.tracks import TrackSettings
    from trafficmap.machines.model import Machine

LEAST_LENGTH = 60.0
"""Shorter passes tell no line [m]; choice."""

ALONG = 10.0
"""Lines are compared over pieces of this length [m]; choice."""

SPREAD = 0.35
"""A shift is constant where it spreads less, one sigma [m]; choice."""

LEAST_PIECES, LEAST_PASSES = 40, 4
"""Fewer pieces or passes of a machine tell nothing; choice."""

ALIKE = 0.04
"""Spacings of lines that differ by no more of them are the same, or a multiple; two
machines of other widths drive different lines by nature; choice."""

PARALLEL = math.radians(3.0)
"""Passes this close to a main direction are parallel [rad]; choice."""

EDGE = 4.0
"""A swath that ends this near to the boundary follows it [m]; choice."""


def frame_shifts(
    fixes: pd.DataFrame,
    passes: pd.DataFrame,
    *,
    boundary: BaseGeometry | None,
    machines: Mapping[str, Machine],
    settings: TrackSettings,
) -> list[Note]:
    """Return notes on machines whose tracks lie beside those of others, or the outline.

    Parameters
    ----------
    fixes, passes : DataFrame
        Contracts `SPLIT_FIXES` and `PASSES`.
    boundary : Polygon or MultiPolygon or None
        As a person gave it; one that was made of the tracks says nothing.
    machines : mapping of str to Machine
        ``correction`` and ``width`` are read.
    settings : TrackSettings
        ``frame_shift_least`` and ``frame_shift_most``.

    Notes
    -----
    Parallel passes at work of two machines lie on two combs of lines. Where every line
    of one lies the same distance to the same side of the nearest line of the other,
    whichever way either machine drove, the combs are shifted; an antenna that sits off
    the middle would change sides with the way. The distance is taken modulo the spacing
    of the lines, so machines of one working width need not have driven the same rows;
    of machines whose widths are no multiples nothing is said. The
    outline is followed by the outer edge of the outermost swaths: a shift leaves a
    strip on one side and works beyond the outline on the other. Nothing is moved: the
    note names the key that does.
    """
    combs = _combs(fixes, passes)
    notes = []
    for one, two in itertools.combinations(sorted(combs), 2):
        kinds = {getattr(machines.get(name), "correction", name) for name in (one, two)}
        shift = _between(combs[one], combs[two], len(kinds) > 1, settings)
        if shift is not None:
            notes.append(_pair_note(one, two, shift, machines))
    if boundary is not None:
        for name in sorted(combs):
            edge = _against(fixes, name, boundary, machines.get(name), settings)
            if edge is not None:
                notes.append(_edge_note(name, edge))
    return notes


@dataclass(frozen=True)
class _Comb:
    """Straight pieces of one machine: place, course and pass of each."""

    place: np.ndarray
    course: np.ndarray
    pass_id: np.ndarray


def _combs(fixes: pd.DataFrame, passes: pd.DataFrame) -> dict[str, _Comb]:
    """Return the pieces of ground each machine drove straight over, one a 10 m."""
    long = passes["length"].to_numpy() >= LEAST_LENGTH
    long &= ~passes["inferred"].to_numpy(dtype=np.bool_)
    long &= (passes["state"] == "working").to_numpy()
    found: dict[str, list[tuple]] = {}
    easting, northing = fixes["easting"].to_numpy(), fixes["northing"].to_numpy()
    for row in passes[long].itertuples():
        east, north = easting[row.first : row.last], northing[row.first : row.last]
        way = np.concatenate(
            [[0.0], np.cumsum(np.hypot(np.diff(east), np.diff(north)))]
        )
        at = np.arange(0.0, way[-1] + 1e-9, ALONG)
        if at.size < 4:
            continue
        p, q = np.interp(at, way, east), np.interp(at, way, north)
        # Chords over two pieces; the ends of a pass may bend into the turn.
        course = np.arctan2(p[2:] - p[:-2], q[2:] - q[:-2])
        middle = np.column_stack([p[1:-1], q[1:-1]])
        number = np.full(course.size, row.pass_id)
        found.setdefault(str(row.machine_id), []).append((middle, course, number))
    return {
        name: _Comb(*(np.concatenate(columns) for columns in zip(*parts, strict=True)))
        for name, parts in found.items()
    }


def _between(
    one: _Comb, two: _Comb, differ: bool, settings: TrackSettings
) -> np.ndarray | None:
    """Return by how much the tracks of `two` lie east and north of those of `one`.

    Machines whose corrections `differ` may have lines at a multiple of the spacing.
    """
    courses = np.concatenate([one.course, two.course])
    mains = main_directions(courses, np.ones(courses.size), PARALLEL)
    normals, offsets, weights = [], [], []
    for main in mains:
        found = _offset(one, two, main, settings.frame_shift_most, differ)
        if found is not None:
            normals.append((math.cos(main), -math.sin(main)))
            offsets.append(found[0])
            weights.append(math.sqrt(found[1]))
    if not normals:
        return None
    weight = np.array(weights)
    # Along the rows nothing tells: the least shift that explains what was seen.
    shift, *_ = np.linalg.lstsq(
        np.array(normals) * weight[:, None],
        np.array(offsets) * weight,
        rcond=0.05,
    )
    size = math.hypot(*shift)
    if not settings.frame_shift_least <= size <= settings.frame_shift_most:
        return None
    return shift


def _offset(
    one: _Comb, two: _Comb, main: float, most: float, differ: bool
) -> tuple[float, int] | None:
    """Return how far right of a direction the lines of `two` lie, and of how many."""
    ahead = np.array([math.sin(main), math.cos(main)])
    right = np.array([math.cos(main), -math.sin(main)])
    origin = one.place[0]
    sets = []
    for comb in (one, two):
        off = np.arctan2(
            np.sin(2 * (comb.course - main)), np.cos(2 * (comb.course - main))
        )
        near = np.abs(off) / 2.0 <= PARALLEL
        if (
            near.sum() < LEAST_PIECES
            or np.unique(comb.pass_id[near]).size < LEAST_PASSES
        ):
            return None
        place = comb.place[near] - origin
        with_it = np.cos(comb.course[near] - main) > 0.0
        cell = np.floor(place @ ahead / ALONG)
        sets.append((cell, place @ right, with_it, place @ ahead))
    (cell, line, up, _), (other_cell, other_line, other_up, _) = sets
    spacings = (_spacing(cell, line), _spacing(other_cell, other_line))
    if any(math.isnan(spacing) for spacing in spacings):
        return None
    spacing, wider = sorted(spacings)
    times = round(wider / spacing)
    if abs(wider - times * spacing) > ALIKE * spacing or (times > 1 and not differ):
        return None
    # A shift of half a spacing has no side.
    most = min(most, 0.45 * spacing)
    key = other_cell * 1e5 + other_line
    order = np.argsort(key)
    at = np.searchsorted(key[order], cell * 1e5 + line)
    best = np.full(cell.size, np.nan)
    beside = np.zeros(cell.size, dtype=np.bool_)
    for step in (-1, 0):
        row = order[np.clip(at + step, 0, order.size - 1)]
        gap = np.where(other_cell[row] == cell, other_line[row] - line, np.nan)
        closer = ~(np.abs(gap) >= np.abs(best)) & np.isfinite(gap)
        best = np.where(closer, gap, best)
        beside = np.where(closer, other_up[row], beside)
    good = np.abs(best) <= 1.5 * spacing
    if good.sum() < LEAST_PIECES:
        return None
    turn = np.exp(2j * np.pi * best[good] / spacing)
    middle, spread = _circle(turn, spacing)
    if spread > SPREAD or abs(middle) > most:
        return None
    for way in (up[good], beside[good]):
        for sense in (way, ~way):
            if sense.sum() >= LEAST_PIECES // 4:
                mine, _ = _circle(turn[sense], spacing)
                apart = (mine - middle + spacing / 2) % spacing - spacing / 2
                if abs(apart) > SPREAD:
                    return None
    return middle, int(good.sum())


def _spacing(cell: np.ndarray, line: np.ndarray) -> float:
    """Return the usual distance between neighbouring lines [m], NaN if too few."""
    order = np.lexsort((line, cell))
    gap = np.diff(line[order])[np.diff(cell[order]) == 0]
    # One pass leaves two pieces in a cell now and then.
    gap = gap[gap > 1.0]
    return float(np.median(gap)) if gap.size >= LEAST_PIECES // 2 else math.nan


def _circle(turn: np.ndarray, spacing: float) -> tuple[float, float]:
    """Return middle and spread of offsets modulo the spacing [m]."""
    mean = turn.mean()
    length = min(max(abs(mean), 1e-12), 1.0)
    scale = spacing / (2.0 * math.pi)
    return scale * float(np.angle(mean)), scale * math.sqrt(-2.0 * math.log(length))


def _against(
    fixes: pd.DataFrame,
    name: str,
    boundary: BaseGeometry,
    machine: Machine | None,
    settings: TrackSettings,
) -> np.ndarray | None:
    """Return by how much a machine's swaths lie east and north of the outline."""
    mine = fixes[(fixes["machine_id"] == name).to_numpy(dtype=np.bool_)]
    mine = mine[(mine["state"] == "working").to_numpy()]
    width = mine["width"].to_numpy(dtype=float)
    usual = getattr(machine, "width", None) or np.nan
    wide = float(np.nanmedian(width)) if np.isfinite(width).any() else usual
    if len(mine) < LEAST_PIECES or not wide > 0.0:
        return None
    gap, normal = _edge_gaps(mine, wide, boundary)
    for _ in range(3):
        if gap.size < LEAST_PIECES // 2:
            return None
        # gap = usual - shift . normal: moved towards an edge leaves less there.
        design = np.column_stack([np.ones(gap.size), -normal])
        answer, *_ = np.linalg.lstsq(design, gap, rcond=None)
        off = gap - design @ answer
        keep = np.abs(off) <= 1.0
        if keep.all():
            break
        gap, normal = gap[keep], normal[keep]
    around = normal - normal.mean(axis=0)
    if np.linalg.eigvalsh(around.T @ around / len(around))[0] < 0.1:
        return None  # It follows too few sides to tell a shift from a habit.
    shift, size = answer[1:], math.hypot(*answer[1:])
    beyond = answer[0] - size
    if off.std() > SPREAD + 0.15 or beyond > -0.3:
        return None
    if not settings.frame_shift_least <= size <= settings.frame_shift_most:
        return None
    return shift


def _edge_gaps(
    mine: pd.DataFrame, wide: float, boundary: BaseGeometry
) -> tuple[np.ndarray, np.ndarray]:
    """Return what swaths leave to the outline [m] and its normal, one a 10 m of it."""
    place = mine[["easting", "northing"]].to_numpy(dtype=float)
    step = np.gradient(place, axis=0)
    size = np.hypot(*step.T)
    moved = (size > 0.05) & (size < 20.0)
    place, step = place[moved], step[moved] / size[moved][:, None]
    right = np.column_stack([step[:, 1], -step[:, 0]])
    ends = np.concatenate([place + right * wide / 2.0, place - right * wide / 2.0])
    ahead = np.concatenate([step, step])
    gaps, normals = [], []
    for part in shapely.get_parts(boundary):
        ring = shapely.orient_polygons(part).exterior
        points = shapely.points(ends)
        near = shapely.dwithin(points, ring, EDGE)
        if not near.any():
            continue
        at = shapely.line_locate_point(ring, points[near])
        here = shapely.get_coordinates(shapely.line_interpolate_point(ring, at))
        # The outline runs with the field on its left; its normal points out.
        low, high = np.maximum(at - 1.0, 0.0), np.minimum(at + 1.0, ring.length)
        tangent = shapely.get_coordinates(
            shapely.line_interpolate_point(ring, high)
        ) - shapely.get_coordinates(shapely.line_interpolate_point(ring, low))
        tangent /= np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
        normal = np.column_stack([tangent[:, 1], -tangent[:, 0]])
        left = ((here - ends[near]) * normal).sum(axis=1)
        along = np.abs((ahead[near] * tangent).sum(axis=1)) > math.cos(PARALLEL * 2)
        if not along.any():
            continue
        cell = np.floor(at[along] / ALONG).astype(np.int64)
        table = pd.DataFrame({"cell": cell, "left": left[along]})
        outermost = table.groupby("cell")["left"].idxmin().to_numpy()
        gaps.append(left[along][outermost])
        normals.append(normal[along][outermost])
    if not gaps:
        return np.empty(0), np.empty((0, 2))
    return np.concatenate(gaps), np.concatenate(normals)


def _pair_note(
    one: str, two: str, shift: np.ndarray, machines: Mapping[str, Machine]
) -> Note:
    kinds = [getattr(machines.get(name), "correction", "") for name in (one, two)]
    said = f" ({kinds[0]} and {kinds[1]})" if all(kinds) else ""
    sentence = (
        f"Tracks of {two} lie {_shift_words(shift)} of those of {one}, whichever way "
        f"they drove{said}: one may be on the national, one on the global system. If "
        f"{one} is right, add frame_shift_m = {_key(-shift)} to each [[log]] of {two}."
    )
    return Note("tracks.frame_shift", "check", sentence, 1, f"{one}, {two}")


def _edge_note(name: str, shift: np.ndarray) -> Note:
    sentence = (
        f"The outermost work of {name} lies {_shift_words(shift)} of the boundary: it "
        "leaves a strip on one side and crosses over on the other, as when the two are "
        "on different systems. If the boundary is right, add frame_shift_m = "
        f"{_key(-shift)} to each [[log]] of {name}."
    )
    return Note("tracks.frame_boundary", "check", sentence, 1, name)


def _shift_words(shift: np.ndarray) -> str:
    east, north = (round(float(value), 1) for value in shift)
    words = []
    if east:
        words.append(f"{abs(east):.1f} m {'east' if east > 0 else 'west'}")
    if north:
        words.append(f"{abs(north):.1f} m {'north' if north > 0 else 'south'}")
    return " and ".join(words)


def _key(shift: np.ndarray) -> str:
    east, north = (round(float(value), 2) + 0.0 for value in shift)
    return f"[{east:.2f}, {north:.2f}]"
