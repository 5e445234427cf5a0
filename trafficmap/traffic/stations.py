"""Wheel paths made ready for the cells: thinned, in cells, linked pass to pass."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from trafficmap.core.errors import InputError
from trafficmap.core.settings.traffic import TrafficSettings
from trafficmap.core.tables import WHEELS, require_table
from trafficmap.traffic._path_kernels import keep_stations

if TYPE_CHECKING:
    from trafficmap.core.grid import FieldGrid
    from trafficmap.loads.paths import WheelPaths

DEFAULTS = TrafficSettings()


@dataclass(frozen=True)
class Stations:
    """Stations the strips are drawn between; paths ordered by body, then time.

    ``x`` runs east and ``y`` south from the corner of the grid, in cells; ``fx``,
    ``fy`` is the heading as a unit vector in the same frame. ``travel`` is how far
    the machine's first body had come [m]: it runs on from pass to pass, so that parts
    of one rig can be compared. ``chain`` numbers passes driven without a break;
    ``opens`` and ``closes`` are False where a path goes on from or into another.
    ``span`` is the length of the rig of each chain [m].
    """

    begin: np.ndarray
    body_id: np.ndarray
    pass_id: np.ndarray
    chain: np.ndarray
    opens: np.ndarray
    closes: np.ndarray
    span: np.ndarray
    x: np.ndarray
    y: np.ndarray
    fx: np.ndarray
    fy: np.ndarray
    time: np.ndarray
    travel: np.ndarray
    state: np.ndarray

    @property
    def line(self) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Place and heading of all stations, as the kernels want them."""
        return self.x, self.y, self.fx, self.fy


def ready_stations(
    paths: WheelPaths, *, grid: FieldGrid, settings: TrafficSettings, reach: float = 0.0
) -> Stations:
    """Return the stations of `paths`, thinned to `settings.simplify`.

    Parameters
    ----------
    paths : WheelPaths
    grid : FieldGrid
    settings : TrafficSettings
    reach : float
        Ground beside the wheels that is looked at as well. [m]

    Raises
    ------
    InputError
        A place or heading is not finite, or the arrays do not fit together.
    """
    require_table(paths.wheels, WHEELS)
    _require_paths(paths)
    begin, take, order = _ordered(paths)
    east, north = paths.easting[take], paths.northing[take]
    step = np.hypot(np.diff(east, prepend=east[:1]), np.diff(north, prepend=north[:1]))
    step[begin[:-1]] = 0.0
    driven = np.cumsum(step)
    along = driven - np.repeat(driven[begin[:-1]], np.diff(begin))
    body_id, pass_id = paths.body_id[order], paths.pass_id[order]
    machine = _machine_of_body(paths, body_id)
    chain, at_start, scale = _link(
        begin, pass_id, body_id, machine, east, north, along, settings.join_distance
    )
    travel = np.repeat(at_start, np.diff(begin)) + along * np.repeat(
        scale, np.diff(begin)
    )
    heading = paths.heading[take]
    fx, fy = np.sin(heading), -np.cos(heading)
    time, state = paths.time[take], paths.state[take].astype(np.int64)
    x, y = (east - grid.west) / grid.cell, (grid.north - north) / grid.cell
    keep = np.zeros(x.size, dtype=np.bool_)
    keep_stations(
        begin,
        x * grid.cell,
        y * grid.cell,
        fx,
        fy,
        time,
        state,
        along,
        _levers(paths, body_id) + reach,
        settings.simplify,
        settings.simplify_time,
        keep,
    )
    kept_before = np.concatenate([[0], np.cumsum(keep)])
    follows = np.zeros(order.size, dtype=np.bool_)
    follows[1:] = (body_id[1:] == body_id[:-1]) & (chain[1:] == chain[:-1])
    return Stations(
        begin=kept_before[begin],
        body_id=body_id.astype(np.int64),
        pass_id=pass_id.astype(np.int64),
        chain=chain,
        opens=~follows,
        closes=~np.append(follows[1:], False),
        span=_spans(chain, begin, pass_id, east, north, _levers(paths, body_id)),
        x=x[keep],
        y=y[keep],
        fx=fx[keep],
        fy=fy[keep],
        time=time[keep],
        travel=travel[keep],
        state=state[keep],
    )


def parts_of_bodies(body_of_part: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return parts sorted by body, and where each body's parts start."""
    order = np.argsort(body_of_part, kind="stable").astype(np.int64)
    count = int(body_of_part.max()) + 2 if body_of_part.size else 1
    return order, np.searchsorted(body_of_part[order], np.arange(count))


def _require_paths(paths: WheelPaths) -> None:
    size = int(paths.begin[-1]) if paths.begin.size else 0
    for name in ("easting", "northing", "heading", "time", "state"):
        got = getattr(paths, name).size
        if got != size:
            msg = f"wheel paths: {name} has {got} stations, need {size}."
            raise InputError(msg, "make all arrays of the paths together")
    for name in ("easting", "northing", "heading"):
        bad = int((~np.isfinite(getattr(paths, name))).sum())
        if bad:
            msg = f"wheel paths: {name} is not a number at {bad} of {size} stations."
            raise InputError(msg, "drop those stations before")


def _ordered(paths: WheelPaths) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return begins, stations and paths, with paths by body and time, none empty."""
    some = np.flatnonzero(np.diff(paths.begin) > 0)
    first = paths.begin[some]
    start = np.where(
        np.isnan(paths.time[first]), paths.seconds[first], paths.time[first]
    )
    order = some[np.lexsort((paths.pass_id[some], start, paths.body_id[some]))]
    length = np.diff(paths.begin)[order]
    begin = np.concatenate([[0], np.cumsum(length)]).astype(np.int64)
    take = np.arange(begin[-1]) + np.repeat(paths.begin[order] - begin[:-1], length)
    return begin, take, order


def _machine_of_body(paths: WheelPaths, body_id: np.ndarray) -> np.ndarray:
    names, number = np.unique(
        paths.wheels["machine_id"].to_numpy().astype(str), return_inverse=True
    )
    table = dict(zip(paths.wheels["body_id"].tolist(), number.tolist(), strict=True))
    # A body without wheels, as a hitch in between, makes a machine of its own.
    return np.array([table.get(int(b), len(names) + int(b)) for b in body_id], int)


def _link(begin, pass_id, body_id, machine, east, north, along, join):
    """Return chain, travel at the start and the scale of travel, for each path.

    The first body of each machine leads: its passes are chained where one starts
    near the end of the one before. The other bodies share its chain and its length,
    whatever corner they cut.
    """
    n = pass_id.size
    chain = np.zeros(n, dtype=np.int64)
    at_start, scale = np.zeros(n), np.ones(n)
    own = along[begin[1:] - 1] if n else np.empty(0)
    lead: dict[tuple[int, int, int], int] = {}
    pieces: dict[tuple[int, int], int] = {}
    previous: dict[int, int] = {}
    chains = 0
    for p in range(n):  # sorted by body, so the first body of a machine comes first
        # A pass may be in several pieces, cut by gaps in the log.
        own_pass = (int(body_id[p]), int(pass_id[p]))
        piece = pieces[own_pass] = pieces.get(own_pass, -1) + 1
        key = (int(machine[p]), int(pass_id[p]), piece)
        if key in lead:
            q = lead[key]
            chain[p], at_start[p] = chain[q], at_start[q]
            scale[p] = own[q] / own[p] if own[p] > 0.0 else 1.0
            continue
        lead[key] = p
        q = previous.get(key[0], -1)
        chain[p] = chains
        if q >= 0 and body_id[q] == body_id[p]:
            gap = np.hypot(
                east[begin[p]] - east[begin[q + 1] - 1],
                north[begin[p]] - north[begin[q + 1] - 1],
            )
            at_start[p] = at_start[q] + own[q]
            chain[p] = chain[q] if gap <= join else chains
        if chain[p] == chains:
            chains += 1
        previous[key[0]] = p
    return chain, at_start, scale


def _levers(paths: WheelPaths, body_id: np.ndarray) -> np.ndarray:
    """Return how far the outermost wheel edge of each path's body is from its axle."""
    wheels = paths.wheels
    by_body: dict[int, float] = {}
    for body, forward, right, width in zip(
        wheels["body_id"],
        wheels["forward"],
        wheels["right"],
        wheels["width"],
        strict=True,
    ):
        lever = math.hypot(forward, abs(right) + width / 2)
        by_body[int(body)] = max(by_body.get(int(body), 0.0), lever)
    return np.array([by_body.get(int(body), 0.0) for body in body_id], dtype=float)


def _spans(chain, begin, pass_id, east, north, lever) -> np.ndarray:
    """Return the length of the rig of each chain, from where its bodies start."""
    span = np.zeros(int(chain.max()) + 1 if chain.size else 0)
    first: dict[tuple[int, int], int] = {}
    for p in range(chain.size):
        q = first.setdefault((int(chain[p]), int(pass_id[p])), p)
        apart = np.hypot(
            east[begin[p]] - east[begin[q]], north[begin[p]] - north[begin[q]]
        )
        span[chain[p]] = max(span[chain[p]], apart + lever[p] + lever[q])
    return span
