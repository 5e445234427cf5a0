"""How long grain is on its way from the header to the flow sensor."""

from __future__ import annotations

import numpy as np

from trafficmap.core.limits import RATE_GAP_SECONDS

_LONGEST = 40.0
_BEFORE, _AFTER = 10.0, 20.0
"""An edge counts when the header was up this long before and down this long after, or
the other way round [s]; choice."""

_EDGES = 6
_STEADY = 3.0
"""At least so many edges, half of them within this of their middle [s]; choice."""

_LEAST = 3.0
"""A shorter lag is not told from none [s]; choice."""


def flow_lag(clock: np.ndarray, cutting: np.ndarray, flow: np.ndarray) -> float:
    """Return the seconds from cutting to the flow sensor; NaN where nothing tells [s].

    At the end of each pass the header comes up and the flow goes on for as long as the
    grain is on its way; where the next begins it is late by as much. The lag is the
    middle of both.

    Parameters
    ----------
    clock : ndarray, shape (n,)
        [s]
    cutting : ndarray, shape (n,)
        1 header down, 0 up, NaN not told; from a signal of the machine.
    flow : ndarray, shape (n,)
        Mass flow as logged. [kg/s]

    Notes
    -----
    A bench test found 8 s at 1.3 kg/s down to 5 s at 21 kg/s from meter to elevator
    (Univ. of Kentucky, yield monitor test; excerpt); whole combines need 10 to 20 s
    (from memory).
    """
    on = np.nan_to_num(cutting) > 0.0
    some = flow[np.isfinite(flow) & (flow > 0.0) & on]
    if not np.isfinite(cutting).any() or some.size < 60:
        return np.nan
    level = 0.5 * float(np.median(some))
    running = np.nan_to_num(flow) > level
    edges = np.flatnonzero(np.diff(on.astype(np.int8)) != 0) + 1
    starts = [_late(clock, on, running, k, True) for k in edges.tolist() if on[k]]
    ends = [_late(clock, on, running, k, False) for k in edges.tolist() if not on[k]]
    middles = []
    for late in (np.array(starts), np.array(ends)):
        late = late[np.isfinite(late)]
        if late.size < _EDGES:
            return np.nan
        middle = float(np.median(late))
        if np.median(np.abs(late - middle)) > _STEADY:
            return np.nan
        middles.append(middle)
    lag = float(np.mean(middles))
    return lag if lag >= _LEAST else np.nan


def _late(clock, on, running, k: int, down: bool) -> float:
    """Return how long after an edge of the header the flow followed [s]."""
    here = clock[k]
    a, b = np.searchsorted(clock, [here - _BEFORE, here + _AFTER])
    if a == 0 or b >= clock.size or (on[a:k] == down).any() or (on[k:b] != down).any():
        return np.nan
    last = np.searchsorted(clock, here + _LONGEST)
    if (np.diff(clock[a:last]) > RATE_GAP_SECONDS).any():
        return np.nan
    follows = np.flatnonzero(running[k:last] == down)
    return float(clock[k + follows[0]] - here) if follows.size else np.nan
