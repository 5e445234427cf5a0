"""What clean and split both ask of fixes: where tracks break, how fast they may be."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trafficmap.core import limits

if TYPE_CHECKING:
    from trafficmap.core.settings.tracks import TrackSettings
    from trafficmap.machines.model import Machine

CARRIERS = frozenset({"truck", "grain_cart", "trailer"})
"""Kinds of bodies that only carry: a rig with one of them hauls, it never works."""


def speed_limits(machine_id: np.ndarray, machines: dict[str, Machine]) -> np.ndarray:
    """Return the speed above which a step is a jump, for each fix [m/s]."""
    names, number = np.unique(machine_id.astype(str), return_inverse=True)
    limit = [
        limits.SPEED_LIMIT_ROAD
        if getattr(machines.get(name), "road_vehicle", False)
        else limits.SPEED_LIMIT
        for name in names
    ]
    return np.asarray(limit, dtype=float)[number] if names.size else np.empty(0)


def carries_only(machine: Machine | None) -> bool:
    """Return True for a rig that hauls and never works the ground."""
    bodies = getattr(machine, "bodies", ())
    return any(body.kind in CARRIERS for body in bodies)


def breaks(
    fixes: pd.DataFrame, *, machines: dict[str, Machine], settings: TrackSettings
) -> tuple[np.ndarray, np.ndarray]:
    """Return where a track starts anew, and which of these are jumps.

    The step into a fix is broken at the start of a log, over a gap longer than
    `limits.GAP_SECONDS`, and where it is faster than its machine can be.
    """
    n = len(fixes)
    start = np.zeros(n, dtype=np.bool_)
    jump = np.zeros(n, dtype=np.bool_)
    if n == 0:
        return start, jump
    log = fixes["log_id"].to_numpy()
    seconds = fixes["seconds"].to_numpy()
    step = np.hypot(
        np.diff(fixes["easting"].to_numpy()), np.diff(fixes["northing"].to_numpy())
    )
    passed = np.diff(seconds)
    limit = speed_limits(fixes["machine_id"].to_numpy(), machines)[1:]
    fast = step > limit * np.maximum(passed, 0.0) + settings.jump_slack
    same = np.diff(log) == 0
    gap = passed > limits.GAP_SECONDS
    start[0] = True
    start[1:] = ~same | gap | fast
    jump[1:] = same & ~gap & fast
    return start, jump


def steps(fixes: pd.DataFrame, start: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return length [m] and duration [s] of the step into each fix, 0 where broken."""
    length, duration = np.zeros(len(fixes)), np.zeros(len(fixes))
    if len(fixes):
        length[1:] = np.hypot(
            np.diff(fixes["easting"].to_numpy()), np.diff(fixes["northing"].to_numpy())
        )
        duration[1:] = np.diff(fixes["seconds"].to_numpy())
        length[start] = duration[start] = 0.0
    return length, duration
