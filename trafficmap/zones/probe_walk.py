"""A short way past all stops: from the nearest to the next nearest, then mended."""

from __future__ import annotations

import numpy as np

_ROUNDS = 200
"""Most times the way is gone over to mend it; a choice, some twenty are enough."""


def walking_order(places: np.ndarray, *, start: np.ndarray) -> np.ndarray:
    """Return the order to walk places in, from the one nearest to `start`.

    First always the nearest one next; then pieces of the way are turned round and
    single stops moved as long as that makes it shorter (2-opt and or-opt). It ends
    at the last stop, not where it began.

    Parameters
    ----------
    places : ndarray, shape (n, 2)
        [m]
    start : ndarray, shape (2,)
        Where the walk begins. [m]

    Returns
    -------
    ndarray of int64, shape (n,)

    Notes
    -----
    G. A. Croes (1958), Operations Research 6:791-812, for turning pieces round (from
    memory).

    Examples
    --------
    >>> walking_order(np.array([[9.0, 0], [1, 0], [5, 0]]), start=np.zeros(2)).tolist()
    [1, 2, 0]
    """
    count = len(places)
    if count < 2:
        return np.arange(count, dtype=np.int64)
    points = np.vstack((start, places))
    way = np.hypot(*(points[:, None] - points[None]).transpose(2, 0, 1))
    left = set(range(1, count + 1))
    order = [0]
    while left:
        # The number decides between two that are as near, so the order is the same
        # on every machine.
        order.append(min(left, key=lambda k: (way[order[-1], k], k)))
        left.discard(order[-1])
    for _ in range(_ROUNDS):
        if not (_turned(order, way) or _moved(order, way)):
            break
    return np.array(order[1:], dtype=np.int64) - 1


def _turned(order: list[int], way: np.ndarray) -> bool:
    """Turn the piece round that saves the most; return whether any did."""
    best, where = -1e-9, (0, 0)
    last = len(order) - 1
    for first in range(1, last):
        before = order[first - 1]
        for end in range(first + 1, last + 1):
            old = way[before, order[first]]
            new = way[before, order[end]]
            if end < last:
                old += way[order[end], order[end + 1]]
                new += way[order[first], order[end + 1]]
            if new - old < best:
                best, where = new - old, (first, end)
    if where == (0, 0):
        return False
    first, end = where
    order[first : end + 1] = order[first : end + 1][::-1]
    return True


def _moved(order: list[int], way: np.ndarray) -> bool:
    """Move the one stop that saves the most; return whether any did."""
    best, where = -1e-9, (0, 0)
    last = len(order) - 1
    for k in range(1, last + 1):
        stop, before = order[k], order[k - 1]
        gone = way[before, stop]
        if k < last:
            gone += way[stop, order[k + 1]] - way[before, order[k + 1]]
        for after in range(last + 1):
            if after in (k - 1, k):
                continue
            more = way[order[after], stop]
            if after < last:
                more += (
                    way[stop, order[after + 1]] - way[order[after], order[after + 1]]
                )
            if more - gone < best:
                best, where = more - gone, (k, after)
    if where == (0, 0):
        return False
    k, after = where
    stop = order.pop(k)
    order.insert(after + 1 if after < k else after, stop)
    return True
