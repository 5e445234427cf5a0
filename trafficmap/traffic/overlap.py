"""What the strips of a cell cover together: run over, again, how often, who first."""

from __future__ import annotations

import itertools
import math
import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from trafficmap.core.constants import GRAVITY
from trafficmap.core.errors import GridMismatchError
from trafficmap.traffic._overlap_kernels import KINDS, cell_overlaps
from trafficmap.traffic.cover import WheelTable, cover
from trafficmap.traffic.parts import PARTS
from trafficmap.traffic.stations import DEFAULTS

if TYPE_CHECKING:
    from trafficmap.core.grid import FieldGrid
    from trafficmap.core.settings.traffic import TrafficSettings
    from trafficmap.loads.paths import WheelPaths
    from trafficmap.traffic.events import PassEvents

WHEEL_MASS_LIMITS = (3000.0, 5000.0)
"""Mass on a wheel counted apart [kg]: the classes of a four-season study of 63
operations (Augustin, Kuhwald, Brunotte & Duttmann 2020, Agriculture 10 (authors from
memory); area with more than five passes, wheel loads over 3 Mg and over 5 Mg)."""

DEEPEST = 20
"""Ground run over more often is not told apart; choice."""

BANDS = 64
"""Runs of cells handed to threads one by one, as many whatever the computer, so that
sums come out the same; choice."""

_BOUNDS = ("low", "best", "high")


@dataclass(frozen=True, eq=False)
class Overlap:
    """What the events of each cell cover together, exact to 1e-7 of a cell.

    Parameters
    ----------
    run_over, again, same_track : ndarray, shape (size,)
        Share of each cell run over; run over in two passes or more; and of that along
        the same track.
    over_3, over_5 : ndarray, shape (size,)
        Share of each cell under wheels over 3 Mg and over 5 Mg.
    passes : ndarray of int64, shape (size,)
    wheel_passes : ndarray of int64, shape (3, size)
        All, and those of wheels over 3 Mg and over 5 Mg.
    fresh : ndarray, shape (n_events,)
        Share of its cell each event was the first to run over.
    sets : DataFrame
        One row a set of wheels: machine_id and state, empty for all, ``over`` [kg],
        and ``load``, the bound of the load that is over it.
    areas : ndarray, shape (n_sets, n_parts)
        Ground run over by at least one wheel of each set, by part of the field. [m2]
    same_areas : ndarray, shape (n_parts,)
        Ground run over again along the same track. [m2]
    depths : ndarray, shape (4, DEEPEST + 1, n_parts)
        Ground run over so many times or more, in passes and in wheel passes of the
        three kinds. [m2]
    """

    run_over: np.ndarray
    again: np.ndarray
    same_track: np.ndarray
    over_3: np.ndarray
    over_5: np.ndarray
    passes: np.ndarray
    wheel_passes: np.ndarray
    fresh: np.ndarray
    sets: pd.DataFrame
    areas: np.ndarray
    same_areas: np.ndarray
    depths: np.ndarray


def overlap(
    events: PassEvents,
    paths: WheelPaths,
    *,
    grid: FieldGrid,
    inside: np.ndarray,
    passes: pd.DataFrame | None = None,
    part: np.ndarray | None = None,
    settings: TrafficSettings = DEFAULTS,
) -> Overlap:
    """Return what the events of each cell cover together.

    Parameters
    ----------
    events : PassEvents
        From `cover` on `grid`.
    paths : WheelPaths
        The paths `events` were made of.
    grid : FieldGrid
    inside : ndarray, shape (rows, cols)
        Share of each cell inside the boundary; sums count ground by it, and where it
        is 0 nothing is asked.
    passes : DataFrame, optional
        Contract `PASSES`: what was done in each pass, to tell ground by it.
    part : ndarray of int, shape (rows, cols), optional
        Part of the field of each cell from 0, negative for none; one part if left out.
    settings : TrafficSettings
        As given to `cover`; further ``again_share`` and ``same_track_angle``.

    Returns
    -------
    Overlap

    Raises
    ------
    GridMismatchError
        `events` or `inside` belong to another grid.

    Notes
    -----
    The strips of a cell are cut to it as convex polygons on a lattice of 2**-26 of a
    cell, on which every question of side is answered in whole numbers. The area of
    what they cover together is the integral along those stretches of their outlines
    that no other covers; a stretch covered by others k times bounds the ground run
    over more than k times. Nothing is sampled.

    A pass counts as one however many of its wheels rolled over a place; the wheels of
    one axle likewise for wheel passes. A cell has as many passes as at least
    ``again_share`` of it was run over, and one where it was only touched: two passes
    that meet in a cell and do not overlap are not one on the other. A rig that comes
    back in the same pass has come again.

    Ground is run over again along the same track where two passes or more went over
    it within ``same_track_angle`` of one direction, either way; crossing it is not.
    """
    _require_grid(events, inside, grid)
    if events.pieces is None or events.entry is None:
        events = cover(paths, grid=grid, settings=settings)
    pieces: Any = events.pieces
    entry = events.entry
    wheels = WheelTable(paths.wheels, grid.cell)
    kind, member, sets = _classes(events, paths, passes)
    if part is None:
        part = np.where(inside > 0.0, 0, -1)
    n_parts = max(int(part.max(initial=-1)) + 1, len(PARTS))
    maps = np.zeros((5, grid.size))
    counts = np.zeros((KINDS, grid.size), dtype=np.int64)
    fresh = np.zeros(events.cell.size)
    areas = np.zeros((len(sets), n_parts))
    depths = np.zeros((KINDS, DEEPEST + 1, n_parts))
    bands = _bands(events.cell_start)
    each = [(np.zeros_like(areas), np.zeros_like(depths)) for _ in bands]

    def fill(number: int) -> None:
        cell_overlaps(
            *bands[number],
            events.cell_start,
            (
                events.wheel,
                entry,
                wheels.axle_id[events.wheel],
                kind,
                events.cover.astype(np.float64),
            ),
            (member, _listed(member), _bits(member)),
            pieces.refs,
            pieces.stations.line,
            wheels.place,
            grid.cols,
            settings.again_share,
            math.cos(math.radians(settings.same_track_angle)),
            part.ravel().astype(np.int64),
            inside.ravel().astype(np.float64),
            maps,
            counts,
            fresh,
            *each[number],
        )

    # Every band owns its cells and its sums, so threads change no number.
    with ThreadPoolExecutor(max_workers=min(len(bands), os.cpu_count() or 1)) as pool:
        list(pool.map(fill, range(len(bands))))
    for band_areas, band_depths in each:
        areas += band_areas
        depths += band_depths
    return Overlap(
        run_over=maps[0],
        again=maps[1],
        same_track=maps[2],
        over_3=maps[3],
        over_5=maps[4],
        passes=counts[0],
        wheel_passes=counts[1:],
        fresh=np.maximum(fresh, 0.0),
        sets=sets,
        areas=areas * grid.cell_area,
        same_areas=_by_part(maps[2], inside, part, n_parts) * grid.cell_area,
        depths=depths * grid.cell_area,
    )


def _by_part(share, inside, part, n_parts: int) -> np.ndarray:
    """Return the sum of a map by part of the field, in cells."""
    mine = part.ravel() >= 0
    values = share[mine] * inside.ravel()[mine]
    return np.bincount(part.ravel()[mine], weights=values, minlength=n_parts)


def _bands(cell_start: np.ndarray) -> list[tuple[int, int]]:
    """Return runs of cells with about as many events in each."""
    share = np.linspace(0, cell_start[-1], BANDS + 1)
    edges = np.unique(np.searchsorted(cell_start, share[1:-1]))
    edges = np.unique([0, *edges.tolist(), cell_start.size - 1])
    return list(itertools.pairwise(edges.tolist()))


def _classes(events, paths, passes) -> tuple[np.ndarray, np.ndarray, pd.DataFrame]:
    """Return the class of each event, whether it is in each set, and the sets."""
    machines, machine = np.unique(
        paths.wheels["machine_id"].to_numpy().astype(str), return_inverse=True
    )
    states, state_of = _states(passes, events.pass_id)
    sets = _sets(machines, states)
    heavy = _Heavy(paths)
    number = (
        machine[events.wheel] * max(len(states), 1) + state_of[events.pass_id]
    ) * heavy.bits + heavy.of[events.state, events.wheel]
    size = max(len(machines), 1) * max(len(states), 1) * heavy.bits
    used = np.flatnonzero(np.bincount(number, minlength=size))
    place = np.zeros(size, dtype=np.int64)
    place[used] = np.arange(used.size)
    rest, bits = np.divmod(used, heavy.bits)
    of_machine, of_state = np.divmod(rest, max(len(states), 1))
    member = np.zeros((used.size, len(sets)), dtype=np.bool_)
    row: Any
    for k, row in enumerate(sets.itertuples()):
        mine = np.ones(used.size, dtype=np.bool_)
        if row.machine_id:
            mine &= machines[of_machine] == row.machine_id
        if row.state:
            mine &= np.asarray(states)[of_state] == row.state
        if row.over:
            mine &= bits >> heavy.bit(row.over, row.load) & 1 == 1
        member[:, k] = mine
    return place[number], member, sets


def _states(passes, pass_id) -> tuple[list[str], np.ndarray]:
    """Return what was done, and which of it in each pass by its number."""
    highest = int(pass_id.max(initial=-1))
    if passes is None or not len(passes):
        return [], np.zeros(highest + 1, dtype=np.int64)
    highest = max(highest, int(passes["pass_id"].max()))
    names, number = np.unique(passes["state"].astype(str), return_inverse=True)
    of = np.zeros(highest + 1, dtype=np.int64)
    of[passes["pass_id"].to_numpy()] = number
    return names.tolist(), of


def _sets(machines: np.ndarray, states: list[str]) -> pd.DataFrame:
    """Return the sets of wheels ground is told apart by; the first three are fixed."""
    rows = [("", "", 0.0, "best")]
    rows += [("", "", over, "best") for over in WHEEL_MASS_LIMITS]
    rows += [("", "", o, b) for o in WHEEL_MASS_LIMITS for b in _BOUNDS if b != "best"]
    rows += [("", state, 0.0, "best") for state in states]
    for name in machines:
        rows += [(name, "", 0.0, "best")]
        rows += [(name, "", over, "best") for over in WHEEL_MASS_LIMITS]
        rows += [(name, state, 0.0, "best") for state in states]
    return pd.DataFrame(rows, columns=["machine_id", "state", "over", "load"])


class _Heavy:
    """Which limits the mass on a wheel is over, as bits, by state and wheel."""

    def __init__(self, paths: WheelPaths) -> None:
        loads = (paths.states.load_low, paths.states.load, paths.states.load_high)
        slot = paths.wheels["slot"].to_numpy(np.int64)
        self.bits = 1 << (len(WHEEL_MASS_LIMITS) * len(_BOUNDS))
        self.of = np.zeros((loads[0].shape[0], slot.size), dtype=np.int64)
        for over in WHEEL_MASS_LIMITS:
            for bound, load in zip(_BOUNDS, loads, strict=True):
                # A load nobody knows is over no limit.
                above = load[:, slot] > over * GRAVITY
                self.of |= above.astype(np.int64) << self.bit(over, bound)

    @staticmethod
    def bit(over: float, bound: str) -> int:
        """Return the bit of a limit and a bound of the load."""
        return WHEEL_MASS_LIMITS.index(over) * len(_BOUNDS) + _BOUNDS.index(bound)


def _bits(member: np.ndarray) -> np.ndarray:
    """Return rows of truth as rows of 64-bit words, the first truth lowest."""
    out = np.zeros((member.shape[0], -(-member.shape[1] // 64)), dtype=np.uint64)
    for k in range(member.shape[1]):
        out[:, k // 64] |= member[:, k].astype(np.uint64) << np.uint64(k % 64)
    return out


def _listed(member: np.ndarray) -> np.ndarray:
    """Return the numbers of the truths of each row, filled up with -1."""
    out = np.full((member.shape[0], int(member.sum(axis=1).max(initial=0)) + 1), -1)
    for row, mine in enumerate(member):
        found = np.flatnonzero(mine)
        out[row, : found.size] = found
    return out


def _require_grid(events: PassEvents, inside: np.ndarray, grid: FieldGrid) -> None:
    if events.cell_start.size != grid.size + 1:
        msg = (
            f"pass events: are on a grid of {events.cell_start.size - 1} cells, "
            f"need {grid.size}."
        )
        raise GridMismatchError(msg, "make them on the field grid")
    if inside.shape != grid.shape:
        msg = f"inside: got shape {inside.shape}, need {grid.shape}."
        raise GridMismatchError(msg, "make it on the field grid")
