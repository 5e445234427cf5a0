"""The combine unloads in the end rows only, and the cart meets it there."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely

from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.season.carts import (
    Filling,
    carts_of,
    combine_ways,
    combines_of,
    drive_carts,
    epoch_of,
    has_emptied,
    may_hold,
)
from trafficmap.season.driven import Driven, moves, with_level
from trafficmap.season.ways import joined, ways_on_ground
from trafficmap.traffic.end_rows import edges_of

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    from trafficmap.core.settings import Settings
    from trafficmap.field.model import Field
    from trafficmap.season.changes import Change

_LANE = 4.0
"""The cart keeps to a lane this far to each side of the middle of the end rows [m];
choice."""

_CELL = 3.0
_UNWELCOME = 5.0
"""A way through the body counts as so many times its length; choice."""

_RATE_ROWS = 120
"""Fixes with a rising tank that tell how fast it fills while it unloads; choice."""


def unload_at_ends(
    driven: Driven, change: Change, *, field: Field, settings: Settings
) -> Driven:
    """Return the season with every load handed over in the end rows.

    A combine that leaves the end rows unloads first where its tank would not hold what
    it cuts until it is back there; where even an empty tank would not, it must unload
    in the body and a Note says how often. Carts wait in the end rows: they drive along
    the middle of them from handing over to handing over, and to where they emptied.

    Parameters
    ----------
    driven : Driven
    change : Change
    field : Field
    settings : Settings

    Raises
    ------
    InputError
        The width of the end rows is not told, or no combine drove.
    """
    if not field.end_row_width:
        msg = f"{change.name}: the width of the end rows is not known, need it."
        raise InputError(msg, "add end_row_width_m to [field]")
    combines = combines_of(field, driven)
    if not combines:
        msg = f"{change.name}: no combine drove here, need one that unloads."
        raise InputError(msg, "leave unload_at_ends out")
    ends = _ends(field)
    handed: list[Filling] = []
    forced = 0
    told = False
    out = driven
    for name in combines:
        for rows in driven.rows_of(name):
            found = _unloads(driven, name, rows, ends, field, settings)
            if found is None:
                continue
            told = True
            level, orders, many = found
            top = field.machines[name].capacity(driven.payload.density)
            out = out.with_table(
                with_level(out.payload.table, rows, level, top=top * _heap(settings))
            )
            handed += orders
            forced += many
    if not told:
        return driven.with_notes(
            Note(
                "season.tank_unknown",
                "check",
                "nothing tells when the combine was full, so it cannot be said where "
                "it would unload; nothing was changed.",
            )
        )
    notes = []
    if forced:
        notes.append(
            Note(
                "season.row_too_long",
                "check",
                f"{forced} times the tank is full before the combine is back in the "
                "end rows, so it must still unload in the field there.",
                forced,
            )
        )
    carts = [name for name in carts_of(field, driven) if _known(driven, name, settings)]
    if not carts:
        notes.append(
            Note(
                "season.no_cart",
                "check",
                "no cart tells when it was filled and emptied, so only the combine's "
                "loads were changed; carts drive as they did.",
            )
        )
        return out.with_notes(*notes)
    ways = _ways_round(field)
    if forced:
        ways = joined(
            ways,
            combine_ways(driven, combines, settings),
            reach=2 * _CELL,
            unwelcome=_UNWELCOME,
        )
    for name, orders in _shared_out(driven, carts, handed).items():
        cap = may_hold(driven, field.machines[name], change.fill.get(name), settings)
        out = drive_carts(
            out, name, orders, cap=cap, ways=ways, field=field, settings=settings
        )
    return out.with_notes(*notes)


def _heap(settings: Settings) -> float:
    return 1.0 + settings.loads.ledger_spread


def _known(driven: Driven, name: str, settings: Settings) -> bool:
    return has_emptied(driven, name, settings)


def _outline(field: Field) -> tuple[BaseGeometry, float]:
    """Return boundary and width of the end rows of a field that has both [m]."""
    if field.boundary is None or not field.end_row_width:
        msg = f"{field.name}: the width of the end rows is not known, need it."
        raise InputError(msg, "add end_row_width_m to [field]")
    return field.boundary, field.end_row_width


def _ends(field: Field) -> BaseGeometry:
    """Return the end rows as an area."""
    boundary, width = _outline(field)
    edges = edges_of(boundary, field.rows_heading)
    return edges.buffer(width).intersection(boundary.buffer(5.0))


def _ways_round(field: Field):
    """Return the ways along the middle of the end rows and the field's sides."""
    boundary, width = _outline(field)
    middle = 0.5 * width
    half = min(_LANE, middle)
    outer = boundary.buffer(-(middle - half))
    lane = outer.difference(boundary.buffer(-(middle + half)))
    if lane.is_empty:
        lane = boundary
    return ways_on_ground(lane, cell=_CELL)


def _unloads(
    driven: Driven,
    name: str,
    rows: np.ndarray,
    ends: BaseGeometry,
    field: Field,
    settings: Settings,
) -> tuple[np.ndarray, list[Filling], int] | None:
    """Return the new level of one log, where it unloads, and how often it must."""
    least = settings.season.least_move
    level = driven.payload.table["payload"].to_numpy(float)[rows]
    seconds = driven.fixes["seconds"].to_numpy(float)[rows]
    found = moves(level, seconds, least=least)
    if not (found.mass < 0.0).any():
        return None
    cut = _cut(level, driven, name, rows)
    place = driven.fixes[["easting", "northing"]].to_numpy(float)[rows]
    shapely.prepare(ends)
    at_end = shapely.intersects_xy(ends, place[:, 0], place[:, 1])
    cap = field.machines[name].capacity(driven.payload.density)
    # A tank that was seen fuller than told, heaped, holds that.
    cap = max(cap, float(level.max()))
    empties = level[-1] < least
    stops, forced = unload_rows(cut, at_end, cap, start=level[0], empty_last=empties)
    new = level[0] + cut
    given = np.zeros(len(level))
    epoch = epoch_of(driven)[rows]
    orders = []
    for k, mass in stops:
        given[k:] += mass
        where = tuple(place[k])
        orders.append(
            Filling(
                int(rows[k]), float(seconds[k]), float(epoch[k]), where, where, mass
            )
        )
    return np.maximum(new - given, 0.0), orders, forced


def unload_rows(
    cut: np.ndarray, at_end: np.ndarray, cap: float, *, start: float, empty_last: bool
) -> tuple[list[tuple[int, float]], int]:
    """Return where a combine unloads and how much, and how often in the body.

    Parameters
    ----------
    cut : ndarray, shape (n,)
        Running total of what it cut. [kg]
    at_end : ndarray of bool, shape (n,)
        It is in the end rows.
    cap : float
        What the tank holds. [kg]
    start : float
        In the tank at the first fix. [kg]
    empty_last : bool
        It unloads at the end of the day.

    Returns
    -------
    list of (int, float)
        Position, mass [kg].
    int
        Of these so many in the body.

    Examples
    --------
    Rows of 400 kg, a tank of 1000 kg: it unloads before the row that would not fit.

    >>> import numpy as np
    >>> cut = np.arange(0.0, 2001.0, 100.0)
    >>> ends = np.arange(21) % 4 == 0
    >>> unload_rows(cut, ends, 1000.0, start=0.0, empty_last=True)
    ([(8, 800.0), (16, 800.0), (20, 400.0)], 0)
    """
    n = cut.size
    held, before, forced = start, 0.0, 0
    out: list[tuple[int, float]] = []
    # Where it is next in the end rows, from each fix on; the last fix if never.
    position = np.where(at_end, np.arange(n), n - 1)
    back = np.minimum.accumulate(position[::-1])[::-1]
    for k in range(n):
        held += cut[k] - before
        before = cut[k]
        if at_end[k]:
            nxt = int(back[k + 1]) if k + 1 < n else k
            if k + 1 < n and held + cut[nxt] - cut[k] > cap and held > 0.0:
                out.append((k, float(held)))
                held = 0.0
        elif held > cap:
            out.append((k, float(held)))
            forced += 1
            held = 0.0
    if empty_last and held > 0.0:
        out.append((n - 1, float(held)))
    return out, forced


def _cut(level: np.ndarray, driven: Driven, name: str, rows: np.ndarray) -> np.ndarray:
    """Return the running total of what a combine cut [kg].

    While it unloads on the go its tank falls and fills at once; it then fills as fast
    as it did around. The whole day comes to what the ledger says.
    """
    rise = np.diff(level, prepend=level[0])
    working = (driven.fixes["state"].to_numpy()[rows] == "working") & (rise != 0.0)
    gains = np.flatnonzero((rise > 0.0) & working)
    if gains.size:
        falls = np.flatnonzero((rise < 0.0) & working)
        at = np.searchsorted(gains, falls)
        low = np.maximum(at - _RATE_ROWS // 2, 0)
        high = np.minimum(at + _RATE_ROWS // 2, gains.size)
        total = np.concatenate([[0.0], np.cumsum(rise[gains])])
        rise[falls] = (total[high] - total[low]) / np.maximum(high - low, 1)
    rise = np.maximum(rise, 0.0)
    handed = driven.payload.ledger.get(name, {}).get("handed", 0.0)
    every = driven.payload.table["payload"].to_numpy(float)
    every_fall = sum(
        float(-np.minimum(np.diff(every[r]), 0.0).sum()) for r in driven.rows_of(name)
    )
    own_fall = float(-np.minimum(np.diff(level), 0.0).sum())
    cut = float(rise.sum())
    if handed > 0.0 and every_fall > 0.0 and cut > 0.0:
        kept = float(level[-1]) - float(level[0])
        wanted = handed * own_fall / every_fall + kept
        if wanted > 0.0:
            rise = rise * (wanted / cut)
    return np.cumsum(rise)


def _shared_out(
    driven: Driven, carts: list[str], handed: list[Filling]
) -> dict[str, list[Filling]]:
    """Give each handing over to the cart that was nearest in time, told by its row."""
    epoch = epoch_of(driven)
    seconds = driven.fixes["seconds"].to_numpy(float)
    rows = {name: np.concatenate(driven.rows_of(name)) for name in carts}
    order = {name: r[np.argsort(epoch[r], kind="stable")] for name, r in rows.items()}
    out: dict[str, list[Filling]] = {name: [] for name in carts}
    for one in sorted(handed, key=lambda o: o.epoch):
        best: tuple[float, str, int] | None = None
        for name, mine in order.items():
            at = int(np.searchsorted(epoch[mine], one.epoch))
            for k in (max(at - 1, 0), min(at, mine.size - 1)):
                away = abs(float(epoch[mine[k]]) - one.epoch)
                if best is None or away < best[0]:
                    best = (away, name, int(mine[k]))
        if best is None:
            continue
        _, name, row = best
        out[name].append(
            Filling(row, float(seconds[row]), one.epoch, one.begin, one.end, one.mass)
        )
    return out
