"""The tanks of harvesters: what each unloading moved, day by day."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field, replace

import numpy as np

from trafficmap.core.limits import GAP_SECONDS
from trafficmap.core.settings.loads import LoadSettings
from trafficmap.loads.account import Account, Fill, Move
from trafficmap.loads.missing import Missing, missing_unloadings
from trafficmap.loads.tank import TankAnswer, TankDay, solve_tank
from trafficmap.loads.transfer import Transfer
from trafficmap.loads.unload import KEEP_GAP, unload_between, unload_rate

_RAMP = 2.5
"""Half of the starting and stopping of an auger [s] (from memory)."""

_NOISE_SHARE = 0.02
"""A logged tank is still full, or already empty, within this share of its fall;
choice."""


_KEPT_SHARE = 0.25
"""What seems to be left by an unloading after a hole in the taker's log is doubted
from this share of the tank on; choice."""


_HOME_SHARE = 0.15
"""More than this share in the tank in the morning or evening is told; choice."""


@dataclass
class TankStory:
    """What is worth telling of one harvester's tank."""

    missing: list[Missing] = field(default_factory=list)
    taken_home: list[tuple[float, float]] = field(default_factory=list)
    had_at_start: list[tuple[float, float]] = field(default_factory=list)
    perhaps: list[tuple[float, float]] = field(default_factory=list)
    rates: list[float] = field(default_factory=list)
    brimful: int = 0
    unloadings: int = 0
    alone: list[tuple[float, float]] = field(default_factory=list)


def settle_harvester(
    name: str,
    account: Account,
    transfers: list[Transfer],
    accounts: dict[str, Account],
    *,
    settings: LoadSettings,
) -> tuple[list[Transfer], TankStory]:
    """Write the moves of a harvester's tank and return its transfers with masses.

    Each day between two nights is solved by itself. A day without any transfer is a
    day whose cart was not logged: the tank is emptied where it must be or at a stop.

    Parameters
    ----------
    name : str
    account : Account
        Changed: its moves, unknown stretches and scenarios.
    transfers : list of Transfer
        Of this giver, in order of time.
    accounts : dict of str to Account
    settings : LoadSettings
    """
    story = TankStory()
    if account.signal is not None:
        return [_seen_falling(account, t) for t in transfers], story
    if account.fill is Fill.ASSUMED:
        return [], story
    low: list[Move] = []
    high: list[Move] = []
    out: list[Transfer] = []
    level = 0.0
    for first, (begin, end) in _first(_days(account)):
        mine = [t for t in transfers if begin <= t.start < end]
        if mine:
            found, moves, start, level_end = _solved_day(
                name, account, mine, accounts, begin, end, story, settings
            )
            out += found
            both = moves, moves
        else:
            story.alone.append((begin, end))
            moves, both, level_end = _alone_day(account, begin, end, settings)
            start = 0.0
        if first:
            account.start = start
        else:
            night = _night(account, begin)
            change = [Move(*night, start - level, "unexplained")]
            for book in (account.moves, low, high):
                book += change if abs(start - level) > 0 else []
        if start > _HOME_SHARE * account.capacity:
            story.had_at_start.append((begin, start))
        level = level_end
        if mine and level > _HOME_SHARE * account.capacity:
            story.taken_home.append((end, level))
        account.moves += moves
        low += both[0]
        high += both[1]
    account.scenarios = [account.level(late=-1.0), account.level(late=1.0)]
    if story.alone:
        best = account.moves
        for book in (low, high):
            account.moves = book
            account.scenarios.append(account.level())
        account.moves = best
    account.alone = len(out) == 0
    return out, story


def _first(items):
    """Yield whether it is the first, and each item."""
    for number, item in enumerate(items):
        yield number == 0, item


def _days(account: Account) -> list[tuple[float, float]]:
    """Return stretches of a log without a hole of two hours or more."""
    edges = [float(account.clock[0])]
    for a, b in account.gaps(KEEP_GAP):
        edges += [a, b]
    edges.append(float(account.clock[-1]))
    days = list(zip(edges[::2], edges[1::2], strict=True))
    return [(a, math.nextafter(b, math.inf)) for a, b in days]


def _night(account: Account, morning: float) -> tuple[float, float]:
    """Return the hole in the log that ends at `morning`."""
    k = int(np.searchsorted(account.clock, morning))
    return float(account.clock[k - 1]), morning


def _alone_day(account: Account, begin: float, end: float, settings: LoadSettings):
    """Return best moves, low and high moves, and the level at the end of a day.

    Low: emptied at 60 % whenever that is reached; high: only where it overflows.
    """
    end = float(account.clock[np.searchsorted(account.clock, end) - 1])
    early = unload_all(account, begin, end, settings.unload_early, True, settings)[0]
    late = unload_all(account, begin, end, 1.0 + settings.heap, False, settings)[0]
    moves, level, unseen = unload_all(account, begin, end, 1.0, True, settings)
    account.unseen += unseen
    return moves, (early, late), level


def unload_all(
    account: Account,
    begin: float,
    end: float,
    share: float,
    use_stops: bool,
    settings: LoadSettings,
) -> tuple[list[Move], float, int]:
    """Return the moves of a harvester working alone, its level, and how many unseen."""
    moves: list[Move] = []
    unseen, level = 0, 0.0
    holes = [h for h in account.gaps(settings.ledger_gap) if begin <= h[0] < end]
    for hole in [*holes, (end, None)]:
        found, level, count = unload_between(
            account, level, begin, hole[0], share, use_stops, settings
        )
        moves += found
        unseen += count
        if hole[1] is None:
            break
        # What stood in the tank may be anything up to full when the log goes on.
        account.unknown.append((hole[1], _first_fall(account, hole[1], end, settings)))
        begin = hole[1]
    return moves, level, unseen


def _first_fall(account: Account, since: float, end: float, settings) -> float:
    """Return when a tank was surely emptied after a hole: at a stop, or when full."""
    stops = [a for a, _ in account.stops(settings.unload_stop) if since < a < end]
    k = int(np.searchsorted(account.flow, account.flow_at(since) + account.capacity))
    full = float(account.clock[min(k, account.clock.size - 1)])
    return min([*stops[:1], full, end])


def _solved_day(
    name: str,
    account: Account,
    mine: list[Transfer],
    accounts: dict[str, Account],
    begin: float,
    end: float,
    story: TankStory,
    settings: LoadSettings,
):
    """Return transfers with masses, all moves, and the levels at start and end."""
    end = float(account.clock[np.searchsorted(account.clock, end) - 1])
    parts = _parts(account, begin, end, settings)
    takers = {
        other: taker
        for other, taker in accounts.items()
        if any(t.receiver == other for t in mine)
    }
    events = _with_missing(name, account, mine, parts, takers, story, settings)
    day = _tank_day(account, events, parts, takers, settings)
    rate = unload_rate(account, settings)
    answer = solve_tank(day, capacity=account.capacity, heap=settings.heap, rate=rate)
    more = _perhaps_missing(name, account, events, answer, day.lasting, parts, takers)
    if more:
        story.perhaps += [(t.start, t.end) for t in more]
        account.unknown += [(t.start, t.end) for t in more]
        middle = [0.5 * (t.start + t.end) for t in more]
        events += [
            replace(t, start=m, end=m) for t, m in zip(more, middle, strict=True)
        ]
        events.sort(key=lambda t: t.start)
        day = _tank_day(account, events, parts, takers, settings)
        answer = solve_tank(
            day, capacity=account.capacity, heap=settings.heap, rate=rate
        )
    story.rates.append(answer.rate / rate)
    before = answer.after + answer.mass - (day.fill_end - day.fill_begin)
    story.brimful += int((before > account.capacity).sum())
    story.unloadings += len(events)
    # The day's rate holds the waiting beside; the auger itself is no slower than usual.
    answer = replace(answer, rate=max(answer.rate, rate))
    return _written(account, events, parts, day, answer)


def _parts(account: Account, begin: float, end: float, settings: LoadSettings):
    """Return the parts of a day between holes that break its ledger."""
    edges = [begin]
    for a, b in account.gaps(settings.ledger_gap):
        if begin <= a and b <= end:
            edges += [a, b]
    edges.append(end)
    return list(zip(edges[::2], edges[1::2], strict=True))


def _with_missing(name, account, mine, parts, takers, story, settings):
    """Return the transfers of a day with those put in that must have been."""
    events = []
    for a, b in parts:
        here = [
            replace(t, start=max(t.start, a), end=min(t.end, b))
            for t in mine
            if a <= 0.5 * (t.start + t.end) <= b
        ]
        edges = [a, *itertools.chain(*((t.start, t.end) for t in here)), b]
        spans = [s for s in zip(edges[::2], edges[1::2], strict=True) if s[1] > s[0]]
        missing = missing_unloadings(account, spans, takers, settings=settings)
        story.missing += missing
        account.unknown += [(m.begin, m.end) for m in missing]
        here += [
            Transfer(name, m.receiver, m.moment, m.moment, hidden=True) for m in missing
        ]
        events += sorted(here, key=lambda t: t.start)
    return events


def _perhaps_missing(name, account, events, answer: TankAnswer, lasting, parts, takers):
    """Return holes in a taker's log that would explain what a tank seems to keep.

    An unloading too short for what came in left much on board, or was quicker than an
    auger, or there was another before it while the taker's log had a hole.
    """
    out = []
    before = parts[0][0]
    quick = answer.mass - answer.rate * np.nan_to_num(lasting, nan=np.inf)
    for t, left in zip(events, np.maximum(answer.after, quick), strict=True):
        before = max([before, *(a for a, _ in parts if a <= t.start)])
        if left > _KEPT_SHARE * account.capacity and not t.hidden:
            for other, taker in takers.items():
                holes = [
                    (max(a, before), min(b, t.start))
                    for a, b in taker.gaps(GAP_SECONDS)
                    if a < t.start and b > before
                ]
                holes = [h for h in holes if h[1] - h[0] > GAP_SECONDS]
                if holes:
                    a, b = max(holes, key=lambda h: h[1] - h[0])
                    out.append(Transfer(name, other, a, b, hidden=True))
                    break
        before = t.end
    return out


def _tank_day(account, events, parts, takers, settings) -> TankDay:
    """Return a day as the solver wants it."""
    starts = np.array([t.start for t in events])
    ends = np.array([t.end for t in events])
    middle = 0.5 * (starts + ends)
    begins = np.array([a for a, _ in parts])
    lasting = np.where(
        [t.hidden for t in events], np.nan, np.maximum(ends - starts - _RAMP, 1.0)
    )
    # Waiting beside for longer than a full tank lasts tells no more than that.
    rate = unload_rate(account, settings)
    most = account.top + _flow(account, ends) - _flow(account, starts)
    lasting = np.minimum(lasting, most / rate)
    return TankDay(
        segment=np.searchsorted(begins, middle, side="right") - 1,
        fill_begin=_flow(account, starts),
        fill_end=_flow(account, ends),
        lasting=lasting,
        weighed=np.array([_weighed(t, takers) for t in events]),
        first=_flow(account, begins),
        last=_flow(account, np.array([b for _, b in parts])),
        known_start=np.arange(len(parts)) == 0,
    )


def _flow(account: Account, moments) -> np.ndarray:
    return np.interp(moments, account.clock, account.flow)


def _weighed(t: Transfer, takers: dict[str, Account]) -> float:
    """Return what the scale of a taker gained in a transfer [kg], NaN for no scale."""
    taker = takers.get(t.receiver)
    if taker is None or taker.signal is None or t.hidden:
        return math.nan
    gain = np.interp([t.start, t.end], taker.clock, taker.signal)
    return max(0.0, float(gain[1] - gain[0]))


def _written(account: Account, events, parts, day: TankDay, answer: TankAnswer):
    """Return transfers with masses and ramps, the moves, and levels at both ends."""
    out: list[Transfer] = []
    moves: list[Move] = []
    level, base = float(answer.start[0]), float(day.first[0])
    here = 0
    for k, t in enumerate(events):
        while here < day.segment[k]:
            level += float(day.last[here]) - base
            here += 1
            moves.append(
                Move(
                    parts[here - 1][1],
                    parts[here][0],
                    float(answer.start[here]) - level,
                    "unexplained",
                )
            )
            level, base = float(answer.start[here]), float(day.first[here])
            account.unknown.append((parts[here][0], t.end))
        stays = float(answer.after[k]), float(answer.most[k])
        t, mass = _ramp(account, t, level, base, stays, answer.rate)
        level += float(day.fill_end[k]) - base - mass
        base = float(day.fill_end[k])
        moves.append(Move(t.start, t.end, -mass, "handed", t.slack, t.slack))
        if t.receiver == "":
            moves[-1] = moves[-1]._replace(kind="emptied")
        out.append(replace(t, mass=mass))
    while here < len(parts) - 1:
        level += float(day.last[here]) - base
        here += 1
        start = float(answer.start[here])
        moves.append(
            Move(parts[here - 1][1], parts[here][0], start - level, "unexplained")
        )
        level, base = start, float(day.first[here])
        account.unknown.append(parts[here])
    return out, moves, float(answer.start[0]), level + float(day.last[-1]) - base


def _ramp(account, t: Transfer, level, base, stays, rate):
    """Return a transfer with the time the auger ran, and its mass [kg].

    Nobody logs the auger. It takes what it takes at the day's rate, anywhere between
    coming and going: in the middle it is least wrong, but it cannot begin after the
    tank is full, and what was cut when it had stopped stays on board if it fits.
    """
    on_board = level + account.flow_at(t.end) - base
    mass = max(on_board - stays[0], 0.0)
    takes = mass / rate + _RAMP
    if t.hidden:
        half = 0.5 * takes
        return replace(t, start=t.start - half, end=t.end + half, slack=half), mass
    spare = t.end - t.start - takes
    if spare <= 0.0:
        return t, mass
    begin = min(t.start + 0.5 * spare, _full_at(account, t.start, level, base))
    finish = begin + takes
    possible = max(level + account.flow_at(finish) - base, 0.0)
    if on_board - min(mass, possible) > stays[1]:
        return replace(t, start=t.end - takes), mass
    mass = min(mass, possible)
    return replace(t, start=begin, end=finish, slack=begin - t.start), mass


def _full_at(account: Account, start: float, level: float, base: float) -> float:
    """Return when a tank can take no more, not before `start`."""
    k = int(np.searchsorted(account.flow, base + account.top - level))
    return max(start, float(account.clock[k])) if k < account.flow.size else math.inf


def _seen_falling(account: Account, t: Transfer) -> Transfer:
    """Return a transfer as a logged tank mass shows it."""
    a, b = np.searchsorted(account.clock, [t.start, t.end])
    time, mass = account.clock[a : b + 1], account.level()[a : b + 1]
    if mass.size == 0:
        return replace(t, mass=0.0)
    fall = float(mass.max() - mass.min())
    high = np.flatnonzero(mass >= mass.max() - _NOISE_SHARE * fall)
    low = np.flatnonzero(mass <= mass.min() + _NOISE_SHARE * fall)
    after = low[low > high[-1]]
    if fall <= 0.0 or after.size == 0:
        return replace(t, mass=0.0)
    return replace(t, start=float(time[high[-1]]), end=float(time[after[0]]), mass=fall)
