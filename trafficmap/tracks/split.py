"""Split tracks into passes: what was done, from where to where."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trafficmap.core import limits
from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.core.tables import FIXES, PASSES, SPLIT_FIXES, require_table
from trafficmap.tracks._split_kernels import number_runs
from trafficmap.tracks.ground import breaks
from trafficmap.tracks.states import SHAPE_REACH, Shape, shape_of, states_of

if TYPE_CHECKING:
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
    machines: dict[str, Machine],
    settings: TrackSettings,
) -> tuple[pd.DataFrame, pd.DataFrame, list[Note]]:
    """Return the fixes with their states and passes, and the passes.

    Parameters
    ----------
    fixes : DataFrame
        Contract `FIXES`, as `clean` returns them: a block a log, clock rising.
    boundary : Polygon or MultiPolygon or None
        Outside it, but for ``boundary_margin``, a machine is on the road and its
        tracks are left out. Without it only work and the turns between count.
    machines : dict of str to Machine
        ``bodies``, ``working_speed`` and ``road_vehicle`` are read.
    settings : TrackSettings

    Returns
    -------
    DataFrame
        Contract `SPLIT_FIXES`. The step that leads to a fix has the state and the
        pass of that fix.
    DataFrame
        Contract `PASSES`. A pass holds the fixes ``first .. last`` and the step that
        leads to the first of them, unless the track breaks there.
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
    changes, at a gap of more than `limits.GAP_SECONDS`, at a jump, and where the
    track turns by more than ``turn_angle``. All limits are choices.
    """
    require_table(fixes, FIXES)
    fixes = fixes.reset_index(drop=True)
    start, jump = breaks(fixes, machines=machines, settings=settings)
    shape = shape_of(fixes, start, settings=settings)
    state, guessed = states_of(
        fixes, shape, boundary=boundary, machines=machines, settings=settings
    )
    _require_inside(fixes, state, boundary)
    pass_id = _pass_numbers(state, shape, settings)
    # Nothing drove the step of a jump; its fix only opens the next stretch.
    pass_id[jump] = -1
    out = fixes.assign(state=state, pass_id=pass_id)
    passes = _pass_table(out, shape.length)
    notes = _notes(fixes, state, start, jump, shape.length, guessed)
    return require_table(out, SPLIT_FIXES), require_table(passes, PASSES), notes


def _pass_numbers(
    state: np.ndarray, shape: Shape, settings: TrackSettings
) -> np.ndarray:
    """Return the pass of each fix, numbered from 0 in the order of the table."""
    kind = np.zeros(state.size, dtype=np.int64)
    for number, word in enumerate(STATES):
        kind[state == word] = number
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
        np.array([word in ("working", "hauling") for word in STATES]),
        run,
    )
    counted = np.isin(kind, [STATES.index(word) for word in PASS_STATES])
    pass_id = np.full(state.size, -1, dtype=np.int64)
    pass_id[counted] = np.unique(run[counted], return_inverse=True)[1]
    return pass_id


def _pass_table(fixes: pd.DataFrame, length: np.ndarray) -> pd.DataFrame:
    pass_id = fixes["pass_id"].to_numpy()
    rows = np.flatnonzero(pass_id >= 0)
    if rows.size == 0:
        return PASSES.empty()
    number, where = np.unique(pass_id[rows], return_index=True)
    first = rows[where]
    count = np.bincount(pass_id[rows], minlength=int(number[-1]) + 1)[number]
    last = first + count
    driven = np.concatenate([[0.0], np.cumsum(length)])
    head = fixes.iloc[first]
    return pd.DataFrame(
        {
            "pass_id": number.astype(np.int64),
            "machine_id": head["machine_id"].to_numpy(),
            "log_id": head["log_id"].to_numpy(np.int64),
            "state": head["state"].to_numpy(),
            "start": head["time"].array,
            "end": fixes["time"].iloc[last - 1].array,
            "first": first.astype(np.int64),
            "last": last.astype(np.int64),
            "length": driven[last] - driven[first],
            "inferred": np.zeros(number.size, dtype=np.bool_),
        }
    )


def _require_inside(fixes, state: np.ndarray, boundary) -> None:
    if boundary is None or len(fixes) == 0 or (state != "road").any():
        return
    msg = f"tracks: all {len(fixes)} fixes lie outside the boundary, need some inside."
    raise InputError(msg, "look whether the logs and the boundary belong together")


def _notes(fixes, state, start, jump, length, guessed) -> list[Note]:
    notes = []
    log = fixes["log_id"].to_numpy()
    gap = start & ~jump
    gap[1:] &= log[1:] == log[:-1]
    gap[:1] = False
    if gap.any():
        sentence = (
            f"The logs have {int(gap.sum())} gaps of more than "
            f"{limits.GAP_SECONDS:.0f} s; nothing is drawn across them."
        )
        notes.append(Note("tracks.gap", "info", sentence, int(gap.sum())))
    road = state == "road"
    if road.any():
        sentence = (
            f"{_way(length[road].sum())} were driven outside the ground mapped and are "
            "left out of the maps."
        )
        notes.append(Note("tracks.road", "info", sentence, int(road.sum())))
    for name in guessed:
        mine = fixes["machine_id"].to_numpy().astype(str) == name
        work = length[mine & (state == "working")].sum() / 1000
        sentence = (
            f"{name}: nothing in its log tells when it worked; {work:.1f} km of "
            "straight runs at working speed are taken for work. Loads and liquid "
            "follow from this; the tracks of its wheels do not."
        )
        notes.append(Note("tracks.work_guessed", "check", sentence, 1, name))
    return notes


def _way(length: float) -> str:
    """Return a length [m] in km, or in whole metres where km would say nothing."""
    return f"{length / 1000:.1f} km" if length >= 100.0 else f"{length:.0f} m"
