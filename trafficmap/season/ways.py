"""Ways over ground that is driven on anyway, and the shortest one between places."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

_LONGEST_STEP = 30.0
"""Fixes further apart than this are not one way [m]; choice."""

_SMOOTH = 5
"""A way is drawn through the running mean of so many of its places; choice."""


@dataclass(frozen=True)
class Ways:
    """A net of ways: places, and which of them are one drive apart.

    Parameters
    ----------
    place : ndarray, shape (n, 2)
        [m]
    since : ndarray, shape (n,)
        From when a place may be driven on. [s]
    start, end : ndarray of int64, shape (m,)
        The two places of each link.
    cost : ndarray, shape (m,)
        Length of each link, times what makes it unwelcome. [m]
    """

    place: np.ndarray
    since: np.ndarray
    start: np.ndarray
    end: np.ndarray
    cost: np.ndarray

    def open_at(self, moment: float) -> OpenWays:
        """Return the ways that may be driven on at a moment [s]."""
        free = self.since <= moment
        good = free[self.start] & free[self.end]
        n = len(self.place)
        graph = csr_matrix(
            (self.cost[good], (self.start[good], self.end[good])), shape=(n, n)
        )
        return OpenWays(self.place, np.flatnonzero(free), graph)


class OpenWays:
    """Ways at one moment; asks for the shortest one."""

    def __init__(self, place: np.ndarray, free: np.ndarray, graph: csr_matrix) -> None:
        self._place, self._free, self._graph = place, free, graph
        self._tree = cKDTree(place[free]) if free.size else None

    def shortest(self, begin, end) -> np.ndarray | None:
        """Return places from near `begin` to near `end`, shape (k, 2) [m].

        None where no way leads there. Both given places are part of what comes back.
        """
        if self._tree is None:
            return None
        _, near = self._tree.query(np.array([begin, end], dtype=float))
        first, last = self._free[near]
        _, before = dijkstra(
            self._graph, directed=False, indices=first, return_predecessors=True
        )
        if first != last and before[last] < 0:
            return None
        rows = [int(last)]
        while rows[-1] != first:
            rows.append(int(before[rows[-1]]))
        way = smoothed(self._place[rows[::-1]])
        return np.vstack([np.asarray(begin, float), way, np.asarray(end, float)])


def ways_of_tracks(
    place: np.ndarray,
    *,
    run: np.ndarray,
    since: np.ndarray,
    cell: float,
) -> Ways:
    """Return the ways that tracks have made.

    Parameters
    ----------
    place : ndarray, shape (n, 2)
        Fixes in the order driven. [m]
    run : ndarray of int64, shape (n,)
        Fixes of one run follow each other.
    since : ndarray, shape (n,)
        When each was driven. [s]
    cell : float
        Fixes in one square of this side are one place, and places in neighbouring
        squares can be driven from one to the other. [m]
    """
    if not len(place):
        none = np.empty(0)
        return Ways(np.empty((0, 2)), none, *(np.empty(0, np.int64),) * 2, none)
    corner = place.min(axis=0)
    square = np.floor((place - corner) / cell).astype(np.int64)
    wide = int(square[:, 0].max()) + 3
    key = (square[:, 1] + 1) * wide + square[:, 0] + 1
    known, of = np.unique(key, return_inverse=True)
    count = np.bincount(of)
    middle = np.stack(
        [np.bincount(of, weights=place[:, k]) / count for k in (0, 1)], axis=1
    )
    first = np.full(known.size, np.inf)
    np.minimum.at(first, of, np.nan_to_num(since, nan=-np.inf))
    step = np.hypot(*np.diff(place, axis=0).T)
    along = (run[1:] == run[:-1]) & (of[1:] != of[:-1]) & (step <= _LONGEST_STEP)
    links = [np.stack([of[:-1][along], of[1:][along]], axis=1)]
    for side in (1, wide - 1, wide, wide + 1):
        at = np.searchsorted(known, known + side)
        at = np.minimum(at, known.size - 1)
        beside = known[at] == known + side
        links.append(np.stack([np.flatnonzero(beside), at[beside]], axis=1))
    return _net(middle, first, np.vstack(links))


def ways_on_ground(ground: BaseGeometry, *, cell: float) -> Ways:
    """Return ways anywhere on a piece of ground, over squares of a side."""
    west, south, east, north = ground.bounds
    columns = np.arange(west + cell / 2, east, cell)
    rows = np.arange(south + cell / 2, north, cell)
    easting, northing = (a.ravel() for a in np.meshgrid(columns, rows))
    shapely.prepare(ground)
    on = shapely.intersects_xy(ground, easting, northing)
    place = np.stack([easting[on], northing[on]], axis=1)
    number = np.full(on.size, -1, dtype=np.int64)
    number[on] = np.arange(on.sum())
    grid = number.reshape(rows.size, columns.size)
    links = []
    for one, two in (
        (grid[:, :-1], grid[:, 1:]),
        (grid[:-1], grid[1:]),
        (grid[:-1, :-1], grid[1:, 1:]),
        (grid[:-1, 1:], grid[1:, :-1]),
    ):
        good = (one >= 0) & (two >= 0)
        links.append(np.stack([one[good], two[good]], axis=1))
    return _net(place, np.full(len(place), -np.inf), np.vstack(links))


def joined(one: Ways, two: Ways, *, reach: float, unwelcome: float = 1.0) -> Ways:
    """Return two nets as one; places of the two within `reach` are linked.

    Parameters
    ----------
    one, two : Ways
    reach : float
        [m]
    unwelcome : float
        The links of `two` count as so many times their length.
    """
    if not len(one.place) or not len(two.place):
        return one if len(one.place) else two
    pairs = cKDTree(one.place).query_ball_tree(cKDTree(two.place), reach)
    links = [(a, b + len(one.place)) for a, near in enumerate(pairs) for b in near]
    place = np.vstack([one.place, two.place])
    between = np.array(links, dtype=np.int64).reshape(-1, 2)
    length = np.hypot(*(place[between[:, 0]] - place[between[:, 1]]).T)
    shift = len(one.place)
    return Ways(
        place=place,
        since=np.concatenate([one.since, two.since]),
        start=np.concatenate([one.start, two.start + shift, between[:, 0]]),
        end=np.concatenate([one.end, two.end + shift, between[:, 1]]),
        cost=np.concatenate([one.cost, two.cost * unwelcome, length + 0.1]),
    )


def smoothed(way: np.ndarray) -> np.ndarray:
    """Return a way through the running mean of its places, both ends kept."""
    if len(way) < 3:
        return way
    half = _SMOOTH // 2
    padded = np.vstack([way[:1].repeat(half, 0), way, way[-1:].repeat(half, 0)])
    mean = np.stack(
        [
            np.convolve(padded[:, k], np.ones(_SMOOTH) / _SMOOTH, "valid")
            for k in (0, 1)
        ],
        axis=1,
    )
    mean[0], mean[-1] = way[0], way[-1]
    return mean


def way_length(way: np.ndarray) -> float:
    """Return the length of a way [m]."""
    return float(np.hypot(*np.diff(way, axis=0).T).sum()) if len(way) > 1 else 0.0


def evenly(way: np.ndarray, *, step: float) -> np.ndarray:
    """Return a way as places at most about `step` apart, both ends kept."""
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(way, axis=0).T))])
    keep = np.concatenate([[True], np.diff(length) > 1e-6])
    way, length = way[keep], length[keep]
    if len(way) < 2:
        return way
    count = max(int(np.ceil(length[-1] / step)), 1)
    at = np.linspace(0.0, length[-1], count + 1)
    return np.stack([np.interp(at, length, way[:, k]) for k in (0, 1)], axis=1)


def _net(place: np.ndarray, since: np.ndarray, links: np.ndarray) -> Ways:
    links = np.unique(np.sort(links, axis=1), axis=0) if len(links) else links
    start, end = links[:, 0].astype(np.int64), links[:, 1].astype(np.int64)
    cost = np.hypot(*(place[start] - place[end]).T)
    return Ways(place, since, start, end, np.maximum(cost, 1e-3))
