"""Carts driven another way: filled to less, met at the ends, or on combine tracks."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from trafficmap.core.notes import Note
from trafficmap.season import _say
from trafficmap.season.driven import (
    Driven,
    Leg,
    Moves,
    moves,
    speed_of,
    with_legs,
    with_level,
    without,
)
from trafficmap.season.ways import OpenWays, Ways, way_length, ways_of_tracks

if TYPE_CHECKING:
    from trafficmap.core.settings import Settings
    from trafficmap.field.model import Field
    from trafficmap.machines.model import Machine

_DETOUR = 2.0
_DETOUR_MORE = 30.0
"""While it is filled on the go a cart keeps to a line; a way longer than this many
times the straight one and so much more is no line [m]; choice."""

_SPREADERS = ("liquid",)


@dataclass(frozen=True)
class Filling:
    """One load part taken on: where, when, how much, and by which row it is told.

    ``way`` is the line the cart keeps to meanwhile; ``emptied`` says that it drove off
    to its truck after this one.
    """

    row: int
    seconds: float
    epoch: float
    begin: tuple[float, float]
    end: tuple[float, float]
    mass: float
    way: np.ndarray | None = None
    emptied: bool = False


def carts_of(field: Field, driven: Driven) -> list[str]:
    """Return the rigs that take grain from a combine and haul it off."""
    on = set(driven.fixes["machine_id"].astype(str).unique())
    return [
        name
        for name, machine in field.machines.items()
        if name in on
        and machine.payload_kind == "grain"
        and any(body.kind == "grain_cart" for body in machine.bodies)
    ]


def combines_of(field: Field, driven: Driven) -> list[str]:
    """Return the combines that drove."""
    on = set(driven.fixes["machine_id"].astype(str).unique())
    return [
        name
        for name, machine in field.machines.items()
        if name in on and machine.bodies[0].kind == "combine"
    ]


def fill_less(
    driven: Driven, machine_id: str, share: float, *, field: Field, settings: Settings
) -> Driven:
    """Return the season with a cart or tanker filled to a share of what it holds.

    What it carried is carried in more trips: where it would be over-full it leaves,
    drives to where it emptied that load (a tanker: to where it was filled) by the
    shortest way over its own tracks of the season, and comes back the same way.

    Parameters
    ----------
    driven : Driven
    machine_id : str
    share : float
        [fraction]
    field : Field
    settings : Settings
    """
    machine = field.machines[machine_id]
    cap = share * machine.capacity(driven.payload.density)
    spreads = machine.payload_kind in _SPREADERS
    ways = own_ways(driven, machine_id, settings).open_at(np.inf)
    place = driven.fixes[["easting", "northing"]].to_numpy(float)
    seconds = driven.fixes["seconds"].to_numpy(float)
    speed = speed_of(driven, machine_id)
    legs: list[Leg] = []
    trips = astray = 0
    known = False
    table = driven.payload.table
    for rows in driven.rows_of(machine_id):
        level = table["payload"].to_numpy(float)[rows]
        source = table["source"].to_numpy(object)[rows]
        if not (np.ptp(level) > settings.season.least_move):
            if (source == "assumed").all():
                table = _assumed(table, rows, cap)
            continue
        known = True
        # A tanker is a cart run backward: it starts full and spreads itself empty.
        order = slice(None, None, -1) if spreads else slice(None)
        folded, over = fold(level[order], cap)
        folded = folded[order]
        over = [len(level) - 1 - k for k in over] if spreads else over
        ends = _ends(level, spreads)
        for k in over:
            far = _partner(k, ends, spreads)
            if far is None:
                astray += 1
                continue
            way = ways.shortest(place[rows[k]], place[rows[far]])
            if way is None:
                way = place[rows[[k, far]]]
                astray += 1
            trips += 1
            ratio_low = _share_of(table, rows[k], "payload_low", level[k])
            ratio_high = _share_of(table, rows[k], "payload_high", level[k])
            full = (cap * min(ratio_low, 1.0), cap, cap * max(ratio_high, 1.0))
            empty = (0.0, 0.0, 0.0)
            out, home = (empty, full) if spreads else (full, empty)
            gone = way_length(way) / speed
            start = float(seconds[rows[k]])
            for load, path, begin in (
                (out, way, start),
                (home, way[::-1], start + gone),
            ):
                legs.append(Leg(int(rows[k]), path, begin, load[1], load[0], load[2]))
        table = _scaled(table, rows, level, folded, cap)
    legs = _on_field(legs, field, settings, speed=speed)
    before = driven.with_table(table)
    out_driven = with_legs(before, legs, speed=speed)
    notes = []
    if not known:
        notes.append(_unknown_loads(machine_id, _say.mass(cap, field.units)))
    elif trips == 0:
        notes.append(
            Note(
                "season.fill_enough",
                "info",
                f"{machine_id}: never carried more than {100 * share:.0f} % of what it "
                "holds, so this changes nothing.",
                where=machine_id,
            )
        )
    if astray:
        notes.append(_astray(machine_id, astray))
    return out_driven.with_notes(*notes, trips=trips)


def fold(level: np.ndarray, cap: float) -> tuple[np.ndarray, list[int]]:
    """Return a payload that never exceeds `cap`, and where a load had to leave.

    Whenever the cart would hold more than `cap` [kg] a full load leaves; what is given
    off later comes from what is left.

    Parameters
    ----------
    level : ndarray, shape (n,)
        Payload as it was. [kg]
    cap : float
        [kg]

    Returns
    -------
    ndarray, shape (n,)
    list of int
        Positions at which a load of `cap` left.

    Examples
    --------
    >>> import numpy as np
    >>> fold(np.array([0.0, 4.0, 9.0, 12.0, 0.0]), 5.0)
    (array([0., 4., 4., 2., 0.]), [2, 3])
    """
    out = np.empty_like(level)
    held = float(level[0])
    over: list[int] = []
    before = held
    slack = cap * (1.0 + 1e-6)
    for k, now in enumerate(level.tolist()):
        if now > before:
            held += now - before
        elif now < before:
            held *= now / before
        while held > slack:
            over.append(k)
            held -= cap
        out[k] = held
        before = now
    return out, over


def drive_carts(
    driven: Driven,
    machine_id: str,
    fillings: list[Filling],
    *,
    cap: float,
    ways: Ways,
    field: Field,
    settings: Settings,
    same_loads: bool = False,
) -> Driven:
    """Return the season with a cart driven from filling to filling and to its truck.

    It goes by the shortest way of a net, empties where it emptied nearest in time, and
    leaves when the next filling would be more than it may hold.

    Parameters
    ----------
    driven : Driven
    machine_id : str
    fillings : list of Filling
        In order of time.
    cap : float
        What it may carry. [kg]
    ways : Ways
    field : Field
    settings : Settings
    same_loads : bool
        It leaves when it left, whatever it may hold.
    """
    machine = field.machines[machine_id]
    if same_loads:
        cap = np.inf
    spots = _emptied(driven, machine_id, settings)
    before = sum(m.loads for _, m in _moves_of(driven, machine_id, settings))
    top = machine.capacity(driven.payload.density)
    spread = settings.loads.ledger_spread * top
    speed = speed_of(driven, machine_id)
    legs: list[Leg] = []
    astray = loads = 0
    ready = -math.inf

    def drive(order: Filling, way, load: float, start: float) -> None:
        """Drive a way; every leg begins when the one before has ended, or later."""
        nonlocal ready
        start = max(start, ready)
        # Told on the clock of the row, kept on that of the season.
        shift = order.seconds - order.epoch
        legs.append(_leg(order, way, load, spread, top, start + shift))
        ready = start + way_length(way) / speed

    def go(order: Filling, begin, end, load: float, net: OpenWays) -> None:
        """Drive from one place to another with a load, to be there in time."""
        nonlocal astray
        way = net.shortest(begin, end)
        if way is None:
            way, astray = np.array([begin, end], dtype=float), astray + 1
        drive(order, way, load, order.epoch - way_length(way) / speed)

    where: tuple[float, float] | None = None
    held = 0.0
    for order in fillings:
        net = ways.open_at(order.epoch)
        spot = min(spots, key=lambda s: abs(s[0] - order.epoch))[1]
        left = order.mass
        if where is None:
            where = spot
        if held > 0.0 and held + left > cap * (1 + 1e-6):
            go(order, where, spot, held, net)
            where, held, loads = spot, 0.0, loads + 1
        while left > 0.0:
            go(order, where, order.begin, held, net)
            taken = min(left, cap - held)
            along = order.way
            if along is None and order.begin != order.end:
                along = _line(net, order)
            if along is not None and len(along) > 1:
                drive(order, along, held + taken, order.epoch)
                where = tuple(along[-1])
            else:
                where = order.begin
            held, left = held + taken, left - taken
            if left > 0.0 or (same_loads and order.emptied):
                go(order, where, spot, held, net)
                where, held, loads = spot, 0.0, loads + 1
    if held > 0.0 and fillings and where is not None:
        spot = min(spots, key=lambda s: abs(s[0] - fillings[-1].epoch))[1]
        go(fillings[-1], where, spot, held, ways.open_at(np.inf))
        loads += 1
    mine = (driven.fixes["machine_id"] == machine_id).to_numpy()
    gone = mine & (driven.fixes["state"] != "road").to_numpy()
    # Legs name rows of the season as it was: give them theirs in the new one.
    legs = _on_field(legs, field, settings, speed=speed)
    out = with_legs(driven, legs, speed=speed)
    out = without(
        out, np.concatenate([gone, np.zeros(len(out.fixes) - gone.size, bool)])
    )
    notes = [_astray(machine_id, astray)] if astray else []
    return out.with_notes(*notes, trips=loads - before)


def fillings_of(
    driven: Driven, machine_id: str, *, settings: Settings
) -> list[Filling]:
    """Return where a cart was filled, as it was."""
    place = driven.fixes[["easting", "northing"]].to_numpy(float)
    seconds = driven.fixes["seconds"].to_numpy(float)
    epoch = epoch_of(driven)
    out = []
    for rows, found in _moves_of(driven, machine_id, settings):
        then = np.append(found.mass[1:], 0.0)
        for a, b, mass, after in zip(
            found.first, found.last, found.mass, then, strict=True
        ):
            if mass > 0.0:
                out.append(
                    Filling(
                        int(rows[a]),
                        float(seconds[rows[a]]),
                        float(epoch[rows[a]]),
                        tuple(place[rows[a]]),
                        tuple(place[rows[b]]),
                        float(mass),
                        emptied=bool(after < 0.0),
                    )
                )
    return sorted(out, key=lambda one: one.epoch)


def kept_lines(driven: Driven, fillings: list[Filling], ways: Ways) -> list[Filling]:
    """Return fillings on the go with the line of the net the cart drives meanwhile.

    Where no line of the net leads along, the cart keeps to where it was.
    """
    out = []
    place = driven.fixes[["easting", "northing"]].to_numpy(float)
    for one in fillings:
        net = ways.open_at(one.epoch)
        along = _line(net, one)
        if along is None:
            rows = driven.fixes
            later = np.flatnonzero(
                (rows["log_id"].to_numpy() == rows["log_id"].iloc[one.row])
                & (rows["seconds"].to_numpy() >= one.seconds)
            )
            track = place[later]
            ends = np.flatnonzero(np.hypot(*(track - np.array(one.end)).T) < 1e-6)
            along = track[: int(ends[0]) + 1] if ends.size else None
        elif len(along) > 2:
            along = along[1:-1]
        if along is None or len(along) < 2:
            out.append(one)
            continue
        out.append(replace(one, begin=tuple(along[0]), end=tuple(along[-1]), way=along))
    return out


def own_ways(driven: Driven, machine_id: str, settings: Settings) -> Ways:
    """Return the ways a machine's own tracks of the season have made."""
    return _ways(driven, [machine_id], settings, late=None)


def combine_ways(driven: Driven, names: list[str], settings: Settings) -> Ways:
    """Return the ways of combines, each open shortly after it was cut."""
    return _ways(driven, names, settings, late=settings.season.harvested_before)


def may_hold(
    driven: Driven, machine: Machine, share: float | None, settings: Settings
) -> float:
    """Return what a cart may carry [kg]: the share told, else its largest load."""
    top = machine.capacity(driven.payload.density)
    if share is not None:
        return share * top
    mine = (driven.fixes["machine_id"] == machine.id).to_numpy()
    most = float(driven.payload.table["payload"].to_numpy(float)[mine].max(initial=0.0))
    return min(most, top) if most > settings.season.least_move else top


def epoch_of(driven: Driven) -> np.ndarray:
    """Return the time of every fix since 1970 [s], its own clock where not known."""
    time = driven.fixes["time"].dt.tz_localize(None).to_numpy("datetime64[ms]")
    seconds = driven.fixes["seconds"].to_numpy(float)
    return np.where(np.isnat(time), seconds, time.astype(np.int64) / 1e3)


def has_emptied(driven: Driven, machine_id: str, settings: Settings) -> bool:
    """Tell whether the loads of a cart say where it was emptied."""
    return bool(_emptied(driven, machine_id, settings))


def _ways(driven, names, settings, *, late: float | None) -> Ways:
    fixes = driven.fixes
    mine = (
        fixes["machine_id"].isin(names)
        & fixes["state"].isin(["working", "turning", "hauling", "loading"])
    ).to_numpy()
    place = fixes.loc[mine, ["easting", "northing"]].to_numpy(float)
    run = fixes["log_id"].to_numpy(np.int64)[mine]
    since = (
        np.full(len(place), -np.inf) if late is None else epoch_of(driven)[mine] + late
    )
    return ways_of_tracks(place, run=run, since=since, cell=settings.season.way_cell)


def _moves_of(driven, machine_id, settings) -> list[tuple[np.ndarray, Moves]]:
    level = driven.payload.table["payload"].to_numpy(float)
    seconds = driven.fixes["seconds"].to_numpy(float)
    least = settings.season.least_move
    return [
        (rows, moves(level[rows], seconds[rows], least=least))
        for rows in driven.rows_of(machine_id)
    ]


def _emptied(driven, machine_id, settings) -> list[tuple[float, tuple[float, float]]]:
    """Return (time, place) of every emptying."""
    place = driven.fixes[["easting", "northing"]].to_numpy(float)
    epoch = epoch_of(driven)
    return [
        (float(epoch[rows[a]]), tuple(place[rows[a]]))
        for rows, found in _moves_of(driven, machine_id, settings)
        for a, mass in zip(found.first, found.mass, strict=True)
        if mass < 0.0
    ]


def _ends(level: np.ndarray, spreads: bool) -> np.ndarray:
    """Return where a load is given off at once, or taken on at once by a spreader."""
    change = np.diff(level, append=level[-1])
    return np.flatnonzero(change > 1e-3 if spreads else change < -1e-3)


def _partner(k: int, ends: np.ndarray, spreads: bool) -> int | None:
    """Return the place a load belongs to: the next emptying, or the last filling."""
    if not ends.size:
        return None
    later = ends[ends >= k] if not spreads else ends[ends <= k]
    if not later.size:
        return int(ends[np.argmin(np.abs(ends - k))])
    return int(later[-1] if spreads else later[0])


def _line(net: OpenWays, order: Filling) -> np.ndarray | None:
    """Return the way of a net beside a filling on the go, None where it is no line."""
    way = net.shortest(order.begin, order.end)
    if way is None or len(way) < 4:
        return None
    direct = float(np.hypot(*np.subtract(order.end, order.begin)))
    if way_length(way) > _DETOUR * direct + _DETOUR_MORE:
        return None
    return way


def _leg(order: Filling, way, load, spread, top, start) -> Leg:
    return Leg(
        row=order.row,
        way=way,
        start=start,
        load=load,
        low=max(load - spread, 0.0) if load > 0.0 else 0.0,
        high=min(load + spread, max(top, load)) if load > 0.0 else 0.0,
    )


def _share_of(table, row: int, name: str, level: float) -> float:
    return float(table[name].iloc[row]) / level if level > 0.0 else 1.0


def _scaled(table, rows, level, folded, cap):
    """Return the payload table with a folded level; its interval shrinks alike."""
    ratio = np.where(level > 1.0, folded / np.maximum(level, 1.0), 1.0)
    low = table["payload_low"].to_numpy(float).copy()
    best = table["payload"].to_numpy(float).copy()
    high = table["payload_high"].to_numpy(float).copy()
    best[rows] = folded
    low[rows] = np.minimum(low[rows] * ratio, folded)
    high[rows] = np.maximum(np.minimum(high[rows] * ratio, cap), folded)
    return table.assign(payload_low=low, payload=best, payload_high=high)


def _assumed(table, rows, cap):
    """Return the payload table where only the most that fits is known."""
    best = np.minimum(table["payload"].to_numpy(float)[rows], 0.5 * cap)
    return with_level(table, rows, best, top=cap)


def _on_field(
    legs: list[Leg], field: Field, settings: Settings, *, speed: float
) -> list[Leg]:
    """Return the parts of ways on ground that is mapped; the road is not."""
    import shapely

    from trafficmap.season.ways import evenly
    from trafficmap.tracks.ground import field_ground

    ground = field_ground(field.boundary, field.access, settings.tracks.boundary_margin)
    if ground is None:
        return legs
    shapely.prepare(ground)
    out = []
    for leg in legs:
        way = evenly(leg.way, step=2.0)
        on = shapely.intersects_xy(ground, way[:, 0], way[:, 1])
        edges = np.flatnonzero(np.diff(on.astype(np.int8), prepend=0, append=0))
        for a, b in zip(edges[::2], edges[1::2], strict=True):
            if b - a > 1:
                start = leg.start + way_length(way[: a + 1]) / speed
                out.append(Leg(leg.row, way[a:b], start, leg.load, leg.low, leg.high))
    return out


def _unknown_loads(machine_id: str, cap: str) -> Note:
    return Note(
        "season.loads_unknown",
        "check",
        f"{machine_id}: nothing tells when it was filled and emptied, so the trips a "
        f"smaller load adds are not counted; it carries at most {cap}.",
        where=machine_id,
    )


def _astray(machine_id: str, count: int) -> Note:
    return Note(
        "season.straight_way",
        "check",
        f"{machine_id}: {count} ways lead where nothing was driven on before; they are "
        "drawn straight or left out.",
        count,
        machine_id,
    )
