"""The fixes of one log in the order of their clock, whatever order the file has."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pandas as pd

from trafficmap.core import limits
from trafficmap.tracks._clean_kernels import longest_in_order

FEW = 0.02
"""Up to this share of rows out of order is dirt in a log that is in order; more of
them are a log whose rows were mixed up; choice."""

STRAY = 1.0
"""A row out of order belongs where its clock says if it lies this close to the track
there, or within half a step [m]; choice."""

IMPOSSIBLE = 0.05
"""A log is not sorted where that makes more impossible steps than this; choice."""


def in_order(
    log: pd.DataFrame, *, limit: float, slack: float
) -> tuple[pd.DataFrame, Counter[str]]:
    """Return a log in order of time, and how much was moved or does not belong.

    Parameters
    ----------
    log : DataFrame
        Fixes of one log in file order; places and clock are numbers.
    limit, slack : float
        A step is possible up to ``limit * passed + slack``. [m/s], [m]

    Returns
    -------
    DataFrame
        Clock never runs backward.
    Counter
        ``order`` stretches moved, ``shuffled`` rows moved, ``backward`` rows dropped.

    Notes
    -----
    Three kinds of disorder, in this order. Stretches of more than a gap that stand in
    the wrong place are moved. Where more than 2 % of the rows are still out of order
    the log is sorted, if the sorted track can be driven. Of the few rows that are left
    each goes where its clock says when it lies on the track there; else its clock is
    wrong, and of such rows the fewest are dropped.
    """
    counts: Counter[str] = Counter()
    if not (np.diff(_clock(log)) < 0.0).any():
        return log, counts
    log, counts["order"] = _stretches(log)
    keep = np.ones(len(log), dtype=np.bool_)
    longest_in_order(_clock(log), keep)
    lost = int((~keep).sum())
    if lost > FEW * len(log):
        ranked = np.argsort(_clock(log), kind="stable")
        if _impossible(log.iloc[ranked], limit, slack) <= IMPOSSIBLE * len(log):
            counts["shuffled"] = int((ranked != np.arange(len(log))).sum())
            return log.iloc[ranked], counts
    belongs = keep.copy()
    belongs[~keep] = _on_track(log, keep)
    counts["shuffled"] = int(belongs.sum() - keep.sum())
    counts["backward"] = int((~belongs).sum())
    out = log[belongs]
    return out.iloc[np.argsort(_clock(out), kind="stable")], counts


def _clock(log: pd.DataFrame) -> np.ndarray:
    return log["seconds"].to_numpy(dtype=float)


def _stretches(log: pd.DataFrame) -> tuple[pd.DataFrame, int]:
    """Return a log whose stretches are in order of time, and how many were moved.

    A stretch is cut where the clock runs backward or by a gap, and lasts longer than a
    gap; what is shorter stays behind the stretch before it.
    """
    seconds = _clock(log)
    passed = np.diff(seconds)
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


def _impossible(log: pd.DataFrame, limit: float, slack: float) -> int:
    """Return how many steps no machine can have driven."""
    step = np.hypot(
        np.diff(log["easting"].to_numpy(dtype=float)),
        np.diff(log["northing"].to_numpy(dtype=float)),
    )
    return int((step > limit * np.diff(_clock(log)) + slack).sum())


def _on_track(log: pd.DataFrame, keep: np.ndarray) -> np.ndarray:
    """Return which rows not kept lie on the track of the kept ones at their time."""
    clock = _clock(log)
    place = log[["easting", "northing"]].to_numpy(dtype=float)
    known, asked = clock[keep], clock[~keep]
    after = np.searchsorted(known, asked, side="right")
    inside = (after > 0) & (after < known.size)
    after = np.clip(after, 1, max(known.size - 1, 1))
    if known.size < 2:
        return np.zeros(asked.size, dtype=np.bool_)
    before = after - 1
    passed = known[after] - known[before]
    first, last = place[keep][before], place[keep][after]
    part = np.where(passed > 0.0, (asked - known[before]) / np.maximum(passed, 1e-9), 0)
    off = np.hypot(*(place[~keep] - (first + part[:, None] * (last - first))).T)
    step = np.hypot(*(last - first).T)
    near = off <= np.maximum(STRAY, 0.5 * step)
    # A clock that repeats is another kind of dirt, and beyond a gap nothing tells.
    return inside & near & (passed <= limits.GAP_SECONDS) & (asked > known[before])
