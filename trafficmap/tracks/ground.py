"""What clean and split both ask of fixes: where tracks break, how fast they may be."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trafficmap.core import limits
from trafficmap.core.tables import shared_text

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from shapely.geometry.base import BaseGeometry

    from trafficmap.core.settings.tracks import TrackSettings
    from trafficmap.machines.model import Machine

CARRIERS = frozenset({"truck", "grain_cart", "trailer"})
"""Kinds of bodies that only carry: a rig with one of them hauls, it never works."""


@dataclass(frozen=True)
class LogFacts:
    """What field.toml says of one log; None is what its machine or settings say.

    Parameters
    ----------
    log_id : int
    position_lag : float or None
        Age of a place at its stamp. [s]
    correction : str or None
        rtk, ppp, submetre, sbas or phone.
    infer_turns : bool or None
        Draw turns the log leaves out.
    frame_shift : tuple of float
        East and north already added to its places. [m]
    """

    log_id: int
    position_lag: float | None = None
    correction: str | None = None
    infer_turns: bool | None = None
    frame_shift: tuple[float, float] = (0.0, 0.0)


def by_log(logs: Iterable[LogFacts]) -> dict[int, LogFacts]:
    """Return the facts of each log by its number."""
    return {int(facts.log_id): facts for facts in logs}


def field_ground(
    boundary: BaseGeometry | None, access: BaseGeometry | None, margin: float
) -> BaseGeometry | None:
    """Return the ground on which tracks count: boundary and access, widened [m]."""
    if boundary is None:
        return None
    ground = boundary.buffer(margin)
    return ground if access is None else ground.union(access.buffer(margin))


def speed_limits(machine_id: np.ndarray, machines: Mapping[str, Machine]) -> np.ndarray:
    """Return the speed above which a step is a jump, for each fix [m/s]."""
    number, names = pd.factorize(machine_id)
    limit = [
        limits.SPEED_LIMIT_ROAD
        if getattr(machines.get(str(name)), "road_vehicle", False)
        else limits.SPEED_LIMIT
        for name in names
    ]
    return np.asarray(limit, dtype=float)[number] if len(names) else np.empty(0)


def carries_only(machine: Machine | None) -> bool:
    """Return True for a rig that hauls and never works the ground."""
    bodies = getattr(machine, "bodies", ())
    return any(body.kind in CARRIERS for body in bodies)


def breaks(
    fixes: pd.DataFrame, *, machines: Mapping[str, Machine], settings: TrackSettings
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
    if "begins" in fixes:
        # Clean fixes know where they break, and which gaps were bridged.
        start = fixes["begins"].to_numpy(dtype=np.bool_).copy()
        same = np.diff(fixes["log_id"].to_numpy()) == 0
        start[0] = True
        start[1:] |= ~same
        short = np.diff(fixes["seconds"].to_numpy()) <= limits.GAP_SECONDS
        jump[1:] = start[1:] & same & short
        return start, jump
    log = fixes["log_id"].to_numpy()
    seconds = fixes["seconds"].to_numpy()
    step = np.hypot(
        np.diff(fixes["easting"].to_numpy()), np.diff(fixes["northing"].to_numpy())
    )
    passed = np.diff(seconds)
    limit = speed_limits(shared_text(fixes["machine_id"]), machines)[1:]
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


def blocks(key: np.ndarray) -> list[slice]:
    """Return the stretches of one value in a column, as slices in order."""
    cuts = np.flatnonzero(key[1:] != key[:-1]) + 1
    edges = [0, *cuts.tolist(), key.size]
    return [slice(a, b) for a, b in itertools.pairwise(edges) if b > a]


def way_words(length: float) -> str:
    """Return a length [m] in km, or in whole metres where km would say nothing."""
    return f"{length / 1000:.1f} km" if length >= 100.0 else f"{length:.0f} m"
