"""Split tracks into passes: what was done, from where to where."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trafficmap.core import limits
from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.core.tables import (
    FIXES,
    PASSES,
    SPLIT_FIXES,
    require_table,
    shared_text,
)
from trafficmap.tracks._split_kernels import number_runs
from trafficmap.tracks.ground import LogFacts, breaks, by_log, way_words
from trafficmap.tracks.reverse import reversing
from trafficmap.tracks.sessions import session_numbers
from trafficmap.tracks.shape_work import SHAPE_REACH
from trafficmap.tracks.states import Shape, shape_of, states_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from shapely.geometry.base import BaseGeometry

    from trafficmap.core.settings.tracks import TrackSettings
    from trafficmap.machines.model import Machine

STATES = ("working", "turning", "hauling", "loading", "idle", "road")
PASS_STATES = ("working", "turning", "hauling", "loading")
"""States that make passes; standing and the road make none."""

FOLLOW = 30.0
"""The direction of a pass follows the track over this distance [m]; choice."""


def split(
    fixes: pd.DataFrame,
    *,
    boundary: BaseGeometry | None,
    machines: Mapping[str, Machine],
    settings: TrackSettings,
    access: BaseGeometry | None = None,
    logs: Iterable[LogFacts] = (),
) -> tuple[pd.DataFrame, pd.DataFrame, list[Note]]:
    """Return the fixes with their states and passes, and the passes.

    Parameters
    ----------
    fixes : DataFrame
        Contract `FIXES`, as `clean` returns them: a block a log, clock rising.
    boundary : Polygon or MultiPolygon or None
        Outside it, but for ``boundary_margin``, a machine is on the road and its
        tracks are left out. Without it only work and the turns between count.
    machines : mapping of str to Machine
        ``bodies``, ``working_speed`` and ``road_vehicle`` are read.
    settings : TrackSettings
    access : Polygon or MultiPolygon, optional
        Strips outside the boundary whose traffic counts; nothing works there.
    logs : iterable of LogFacts
        What was said of single logs.

    Returns
    -------
    DataFrame
        Contract `SPLIT_FIXES` with ``reverse``, ``inferred`` and ``session``. The step
        that leads to a fix has the state and the pass of that fix.
    DataFrame
        Contract `PASSES`. A pass holds the fixes ``first .. last`` and the step that
        leads to the first of them, unless the track breaks there. An inferred pass
        reaches from the last fix before a gap to the first after it.
    list of Note

    Raises
    ------
    InputError
        No fix at all lies inside the boundary.

    Notes
    -----
    States, first that holds: ``road`` outside the boundary; ``idle`` slower than
    ``idle_speed`` for ``idle_seconds``, ``loading`` where a rig that only carries
    stands for ``load_seconds``; ``working`` by the log's work state, width or rate
    (of the later record of a step), else where a rig that works goes straight along a
    main direction of the field at its working speed; ``turning`` between two working
    runs of different direction; ``hauling`` for the rest. A pass ends where the state
    changes, at a gap that was not bridged, at a jump, where an inferred stretch begins
    or ends, and where the track turns by more than ``turn_angle``; so also where the
    machine turns back. All limits are choices.
    """
    require_table(fixes, FIXES)
    fixes = fixes.reset_index(drop=True)
    facts = by_log(logs)
    start, jump = breaks(fixes, machines=machines, settings=settings)
    told: dict = {"machines": machines, "facts": facts, "settings": settings}
    back, notes = reversing(fixes, start, **told)
    shape = shape_of(fixes, start, back, settings=settings)
    state, guessed = states_of(fixes, shape, boundary=boundary, access=access, **told)
    _require_inside(fixes, state, boundary)
    inferred = (
        fixes["inferred"].to_numpy(dtype=np.bool_)
        if "inferred" in fixes
        else np.zeros(len(fixes), dtype=np.bool_)
    )
    pass_id = _pass_numbers(state, inferred, shape, settings)
    # Nothing drove the step of a jump; its fix only opens the next stretch.
    pass_id[jump] = -1
    out = fixes.assign(
        inferred=inferred,
        state=state,
        pass_id=pass_id,
        reverse=back,
        session=session_numbers(fixes, settings=settings),
    )
    passes = _pass_table(out, shape.length)
    notes += _notes(out, start, jump, shape.length, guessed)
    return require_table(out, SPLIT_FIXES), require_table(passes, PASSES), notes


def _pass_numbers(
    state: np.ndarray, inferred: np.ndarray, shape: Shape, settings: TrackSettings
) -> np.ndarray:
    """Return the pass of each fix, numbered from 0 in the order of the table."""
    kind = np.zeros(state.size, dtype=np.int64)
    for number, word in enumerate(STATES):
        kind[state == word] = 2 * number
    kind += inferred
    run = np.zeros(state.size, dtype=np.int64)
    number_runs(
        kind,
        shape.start,
        shape.length,
        shape.before,
        shape.after,
        SHAPE_REACH,
        math.radians(settings.turn_angle),
        FOLLOW,
        np.repeat([word in ("working", "hauling") for word in STATES], 2),
        run,
    )
    counted = np.isin(kind // 2, [STATES.index(word) for word in PASS_STATES])
    pass_id = np.full(state.size, -1, dtype=np.int64)
    pass_id[counted] = np.unique(run[counted], return_inverse=True)[1]
    return pass_id


def _pass_table(fixes: pd.DataFrame, length: np.ndarray) -> pd.DataFrame:
    pass_id = fixes["pass_id"].to_numpy()
    rows = np.flatnonzero(pass_id >= 0)
    if rows.size == 0:
        return PASSES.empty().assign(session=np.empty(0, dtype=np.int64))
    number, where, fix_count = np.unique(
        pass_id[rows], return_index=True, return_counts=True
    )
    first = rows[where]
    last = first + fix_count
    inferred = fixes["inferred"].to_numpy()
    bridged = inferred[first]
    # The fix that closes a gap is a logged one, but the way to it was not.
    way = np.bincount(pass_id[rows], weights=length[rows], minlength=number[-1] + 1)
    way = way[number]
    closing = last[bridged]
    way[bridged] += length[closing]
    owner = np.searchsorted(number, pass_id[closing])
    owned = pass_id[closing] >= 0
    np.subtract.at(way, owner[owned], length[closing][owned])
    first = first - bridged
    last = last + bridged
    head = fixes.iloc[first]
    return pd.DataFrame(
        {
            "pass_id": number.astype(np.int64),
            "machine_id": head["machine_id"].to_numpy(),
            "log_id": head["log_id"].to_numpy(np.int64),
            "state": fixes["state"].iloc[rows[where]].to_numpy(),
            "start": head["time"].array,
            "end": fixes["time"].iloc[last - 1].array,
            "first": first.astype(np.int64),
            "last": last.astype(np.int64),
            "length": np.maximum(way, 0.0),
            "inferred": bridged,
            "session": head["session"].to_numpy(np.int64),
        }
    )


def _require_inside(fixes, state: np.ndarray, boundary) -> None:
    if boundary is None or len(fixes) == 0 or (state != "road").any():
        return
    msg = f"tracks: all {len(fixes)} fixes lie outside the boundary, need some inside."
    raise InputError(msg, "look whether the logs and the boundary belong together")


def _notes(fixes, start, jump, length, guessed) -> list[Note]:
    notes = []
    log = fixes["log_id"].to_numpy()
    state = shared_text(fixes["state"])
    gap = start & ~jump
    gap[1:] &= log[1:] == log[:-1]
    gap[:1] = False
    if gap.any():
        count = int(gap.sum())
        sentence = (
            f"The logs have {count} gap{'s' * (count > 1)} of more than "
            f"{limits.GAP_SECONDS:.0f} s with nothing drawn across."
        )
        notes.append(Note("tracks.gap", "info", sentence, count))
    road = state == "road"
    if road.any():
        sentence = (
            f"{way_words(length[road].sum())} were driven outside the ground mapped "
            "and are left out of the maps."
        )
        notes.append(Note("tracks.road", "info", sentence, int(road.sum())))
    for name in guessed:
        mine = (fixes["machine_id"] == name).to_numpy(dtype=np.bool_)
        work = length[mine & (state == "working")].sum() / 1000
        sentence = (
            f"{name}: nothing in its log tells when it worked; {work:.1f} km of "
            "straight runs at working speed are taken for work. Loads and liquid "
            "follow from this; the tracks of its wheels do not."
        )
        notes.append(Note("tracks.work_guessed", "check", sentence, 1, name))
    return notes
