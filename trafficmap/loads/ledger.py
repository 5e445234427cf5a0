"""The mass ledger: when tanks, carts and tankers were filled and emptied."""

from __future__ import annotations

import bisect
import math

import numpy as np

from trafficmap.core.limits import GAP_SECONDS
from trafficmap.core.settings.loads import LoadSettings
from trafficmap.loads.account import Account, Fill
from trafficmap.loads.transfer import Transfer

_KEEP_GAP = 7200.0
"""A load is thought to stay on board over a shorter hole in the log; choice [s]."""

_CART_STOP = 30.0
_CART_SHARE = 0.25
_PLACE_REACH = 40.0
"""A cart that stands this long [s] with this share on board, within this distance [m]
of the place where it stands most often away from the giver, empties there; choice."""

_TRIP = 60.0
"""A cart, trailer or truck that leaves the field loaded for longer empties there;
choice [s]."""

_HIDDEN_SHARE = 0.05
"""More left in a tank than this share after its cart was beside it tells of a transfer
hidden in a hole of the cart's log, if there is one; choice."""

_SHORT_GAP = 120.0
"""A hole in a tanker's log longer than this may have been a trip to the store; choice
[s]."""

_DRY_SHARE = 0.25
"""A tanker with less than this left fills at a stop even if it could go on; choice."""

_QUICK = 1.5
"""A tank counts as emptied when it could be at this times the usual rate; choice."""

_RAMP = 2.5
"""Half of the starting and stopping of an auger [s] (from memory)."""

_UNSEEN_RAMP = 60.0


def run_ledger(
    accounts: dict[str, Account],
    transfers: list[Transfer],
    *,
    settings: LoadSettings,
) -> None:
    """Fill in the moves, scenarios and unknown stretches of every account.

    Mass is never made or lost: what leaves one account enters another or a named
    place, and what has no reason is a move called ``unexplained``.
    """
    partners = {name for t in transfers for name in (t.donor, t.receiver)}
    for name, account in accounts.items():
        account.alone = name not in partners
        if account.alone and account.fill is Fill.HARVEST:
            _harvest_alone(account, settings)
        elif account.fill is Fill.SPREAD:
            _spread(account, settings)
        elif not account.alone and account.fill is Fill.ASSUMED:
            account.fill = Fill.RECEIVE
    if partners:
        # A cart may also have waited where it stands most often: the high scenario.
        _Coupled(accounts, partners, settings, by_place=False).run(transfers)
        full = {name: accounts[name].level() for name in partners}
        for name in partners:
            accounts[name].moves, accounts[name].unknown = [], []
            accounts[name].unseen = 0
        _Coupled(accounts, partners, settings, by_place=True).run(transfers)
        for name in partners:
            if accounts[name].role == "receive":
                accounts[name].scenarios = [full[name]]


def _harvest_alone(account: Account, settings: LoadSettings) -> None:
    """Empty a tank whose cart is not logged: at stops, and where it must be full.

    Low: emptied at 60 % whenever that is reached; high: only where it overflows.
    """
    early = _unload_all(account, settings.unload_early, True, False, settings)
    late = _unload_all(account, 1.0 + settings.heap, False, True, settings)
    account.moves, account.unseen = early[0], 0
    low = account.level()
    account.moves = late[0]
    high = account.level()
    account.moves, account.unseen = _unload_all(account, 1.0, True, True, settings)
    account.scenarios = [low, high]


def _unload_all(
    account: Account, share: float, use_stops: bool, keep: bool, settings: LoadSettings
) -> tuple[list, int]:
    """Return the moves of a harvester working alone, and how many were not seen."""
    moves: list[tuple[float, float, float, str]] = []
    unseen, level = 0, 0.0
    begin = float(account.clock[0])
    for hole in [*account.gaps(settings.ledger_gap), (float(account.clock[-1]), None)]:
        found, level, count = unload_between(
            account, level, begin, hole[0], share, use_stops, settings
        )
        moves += found
        unseen += count
        if hole[1] is None:
            break
        if level > 0 and not (keep and hole[1] - hole[0] < _KEEP_GAP):
            moves.append((hole[0], hole[1], -level, "unexplained"))
            level = 0.0
        begin = hole[1]
    return moves, unseen


def unload_between(
    account: Account,
    level: float,
    begin: float,
    end: float,
    share: float,
    use_stops: bool,
    settings: LoadSettings,
) -> tuple[list, float, int]:
    """Empty a tank between two moments whenever it must be, or at a stop.

    Parameters
    ----------
    level : float
        On board at `begin`. [kg]
    share : float
        Of the capacity at which it is emptied wherever it is.

    Returns
    -------
    moves : list
    level : float
        On board at `end`. [kg]
    unseen : int
        Emptyings without a stop.
    """
    rate = _rate(account, settings)
    first, last = np.searchsorted(account.clock, [begin, end])
    flow = account.flow[: last + 1]
    stops = [s for s in account.stops(settings.unload_stop) if begin < s[0] < end]
    starts = [s[0] for s in stops]
    moves: list[tuple[float, float, float, str]] = []
    unseen, now, base = 0, begin, account.flow_at(begin)
    while True:
        full = base + account.capacity * share - level
        k = int(np.searchsorted(flow, full, side="left"))
        k = max(k, int(first))
        t_full = float(account.clock[k]) if k < flow.size else math.inf
        stop = None
        if use_stops:
            for s in stops[bisect.bisect_right(starts, now) :]:
                if s[0] >= min(t_full, end):
                    break
                on_board = level + account.flow_at(s[0]) - base
                if on_board >= settings.stop_share * account.capacity:
                    stop = s
                    break
        if stop is not None:
            start, longest = stop[0], stop[1] - stop[0]
        elif max(t_full, now) < end:
            start, longest = max(t_full, now), math.inf
            unseen += 1
        else:
            break
        mass = level + account.flow_at(start) - base
        finish = min(start + min(mass / rate, longest), end)
        finish = max(finish, start + 1e-3)
        # What comes in while the auger runs goes out with the rest.
        mass += account.flow_at(finish) - account.flow_at(start)
        moves.append((start, finish, -mass, "emptied"))
        level = 0.0
        now, base = finish, account.flow_at(finish)
    return moves, level + account.flow_at(end) - base, unseen


def _spread(account: Account, settings: LoadSettings) -> None:
    """Fill a tanker at its stops: when it must, and in the high scenario whenever."""
    _refill(account, settings, always=True)
    account.scenarios = [account.level()]
    account.moves, account.unknown = [], []
    _refill(account, settings, always=False)


def _refill(account: Account, settings: LoadSettings, *, always: bool) -> None:
    """Write the fillings; what was spread beyond the load has no reason.

    It must fill where it was nearly empty, or could not have gone on to the next stop.
    """
    stops = sorted(account.stops(settings.refill_stop) + account.gaps(_SHORT_GAP))
    begins = [begin for begin, _ in stops] + [float(account.clock[-1])]
    level, base, t = account.capacity, float(account.flow[0]), float(account.clock[0])
    for k, begin in enumerate(begins):
        level += account.flow_at(begin) - base
        base = account.flow_at(begin)
        if level < -1e-6 * account.capacity:
            dry = _time_dry(account, t, begin, -level)
            account.moves.append((dry, begin, -level, "unexplained"))
            account.unknown.append((t, begin))
            level = 0.0
        if k == len(stops):
            break
        ahead = base - account.flow_at(begins[k + 1])
        if always:
            fills = level < 0.9 * account.capacity
        else:
            fills = level < _DRY_SHARE * account.capacity or level < ahead
        if fills:
            finish = stops[k][1]
            account.moves.append((begin, finish, account.capacity - level, "filled"))
            base_after = account.flow_at(finish)
            level, base, t = account.capacity + base_after - base, base_after, finish


def _time_dry(account: Account, begin: float, end: float, missing: float) -> float:
    """Return when a tanker ran dry that had spread `missing` too much by `end`."""
    left = -account.flow
    empty = left[np.searchsorted(account.clock, end)] - missing
    a, b = np.searchsorted(account.clock, [begin, end])
    k = a + int(np.searchsorted(left[a : b + 1], empty))
    return min(float(account.clock[min(k, b)]), end - 1e-3)


def _rate(account: Account, settings: LoadSettings) -> float:
    return (
        account.rate
        if math.isfinite(account.rate)
        else settings.unload_rate * account.density
    )


class _Coupled:
    """Rigs that hand mass to each other, event by event in order of time."""

    def __init__(
        self,
        accounts: dict[str, Account],
        names: set[str],
        settings: LoadSettings,
        *,
        by_place: bool,
    ) -> None:
        self.by_place = by_place
        self.place: dict[str, list[tuple[float, float]]] = {}
        self.gives: set[str] = set()
        self.accounts = {name: accounts[name] for name in sorted(names)}
        self.settings = settings
        self.level = dict.fromkeys(self.accounts, 0.0)
        self.last = {n: float(a.clock[0]) for n, a in self.accounts.items()}
        self.busy: dict[str, list[tuple[float, float]]] = {n: [] for n in self.accounts}

    def run(self, transfers: list[Transfer]) -> None:
        """Work through holes in the logs and transfers, then close every account."""
        events: list[tuple[float, Transfer | tuple[str, float, float]]] = []
        for t in transfers:
            events.append((t.start, t))
            for name in (t.donor, t.receiver):
                self.busy[name].append((t.start, t.end))
            self.gives.add(t.donor)
        for name, account in self.accounts.items():
            for hole in account.gaps(self.settings.ledger_gap):
                events.append((hole[0], (name, *hole)))
        for name, account in self.accounts.items():
            self.place[name] = self._usual_stops(name, account)
        for _, what in sorted(events, key=lambda event: event[0]):
            if isinstance(what, Transfer):
                self._transfer(what)
            else:
                self._hole(*what)
        for name, account in self.accounts.items():
            self._settle(name, float(account.clock[-1]))

    def on_board(self, name: str, moment: float) -> float:
        """Return the mass on a rig at a moment after its last event [kg]."""
        account = self.accounts[name]
        if account.signal is not None:
            return float(np.interp(moment, account.clock, account.signal))
        own = account.flow_at(moment) - account.flow_at(self.last[name])
        return self.level[name] + own

    def _move(self, name: str, start: float, end: float, mass: float, kind: str):
        """Write one ramp and stand at its end."""
        account = self.accounts[name]
        if account.signal is None:
            on_board = self.on_board(name, start)
            account.moves.append((start, end, mass, kind))
            self.level[name] = (
                on_board + mass + account.flow_at(end) - account.flow_at(start)
            )
        self.last[name] = max(self.last[name], end)

    def _settle(self, name: str, until: float) -> None:
        """Empty what must have been emptied since the last event."""
        account, since = self.accounts[name], self.last[name]
        if account.signal is not None or until <= since:
            return
        if account.role == "harvest":
            moves, level, _ = unload_between(
                account,
                self.level[name],
                since,
                until,
                1.0 + self.settings.heap,
                False,
                self.settings,
            )
            if moves:
                account.moves += moves
                account.unseen += len(moves)
                account.unknown.append((since, until))
                self.level[name], self.last[name] = level, until
            return
        for start, end in self.place[name]:
            if not since <= start < end <= until:
                continue
            mass = self.on_board(name, start)
            if mass >= _CART_SHARE * account.capacity:
                finish = min(end, start + mass / _rate(account, self.settings))
                self._move(name, start, finish, -mass, "emptied")

    def _hidden(self, transfer: Transfer, start: float, left: float) -> bool:
        """Find a transfer missed in a hole of the taker's log, and redo this one."""
        donor, receiver = transfer.donor, transfer.receiver
        giver, taker = self.accounts[donor], self.accounts[receiver]
        since = max(self.last[donor], self.last[receiver])
        holes = [
            (max(a, since), min(b, start))
            for a, b in taker.gaps(GAP_SECONDS)
            if since < b and a < start
        ]
        if not holes or left <= _HIDDEN_SHARE * giver.capacity:
            return False
        begin, end = max(holes, key=lambda hole: hole[1] - hole[0])
        middle = 0.5 * (begin + end)
        mass = self.on_board(donor, middle)
        half = min(end - begin, mass / _rate(giver, self.settings)) / 2
        if mass <= 0.0 or half <= 0.0:
            return False
        for name in (donor, receiver):
            self.accounts[name].unknown.append((self.last[name], transfer.start))
        giver.unseen += 1
        self._transfer(Transfer(donor, receiver, middle - half, middle + half))
        self._transfer(transfer)
        return True

    def _usual_stops(self, name: str, account: Account) -> list[tuple[float, float]]:
        """Return when a taker empties: off the field, and where it stands most often.

        A cart seen handing to a truck empties only there.
        """
        if account.role != "receive":
            return []
        trips = account.trips(_TRIP)
        if not self.by_place or name in self.gives:
            return trips
        return sorted(trips + self._crowded_stops(name, account))

    def _crowded_stops(self, name: str, account: Account):
        """Return the stops at the place where a rig stands most often, if any."""
        stops = self._free_stops(name, -math.inf, math.inf)
        if len(stops) < 2:
            return []
        east = np.interp([a for a, _ in stops], account.clock, account.easting)
        north = np.interp([a for a, _ in stops], account.clock, account.northing)
        apart = np.hypot(east[:, None] - east, north[:, None] - north)
        near = apart <= _PLACE_REACH
        if near.sum(axis=1).max() < 2:
            return []
        usual = near[int(near.sum(axis=1).argmax())]
        return [stop for stop, here in zip(stops, usual, strict=True) if here]

    def _free_stops(self, name: str, since: float, until: float):
        """Return stops in a stretch during which nothing was handed over."""
        return [
            (start, end)
            for start, end in self.accounts[name].stops(_CART_STOP)
            if since <= start
            and end <= until
            and not any(a < end and start < b for a, b in self.busy[name])
        ]

    def _make_room(self, name: str, need: float, until: float) -> None:
        """Empty a cart that could not have taken what it was given."""
        account, since = self.accounts[name], self.last[name]
        mass = self.on_board(name, until)
        room = account.capacity * (1.0 + self.settings.heap) - mass
        if account.signal is not None or need <= room or mass <= 0.0:
            return
        stops = self._free_stops(name, since, until)
        if stops:
            start, end = max(stops, key=lambda stop: stop[1] - stop[0])
            end = min(end, start + mass / _rate(account, self.settings))
        else:
            middle, half = 0.5 * (since + until), min(_UNSEEN_RAMP, until - since) / 2
            start, end = middle - half, middle + half
            account.unseen += 1
            account.unknown.append((since, until))
        self._move(name, start, max(end, start + 1e-3), -mass, "emptied")

    def _hole(self, name: str, start: float, end: float) -> None:
        """Carry a load over a hole in the log, or let it go."""
        account = self.accounts[name]
        self._settle(name, start)
        mass = self.on_board(name, start)
        if account.signal is not None or mass <= 0.0:
            return
        leaves = account.role == "receive" and account.machine.road_vehicle
        if leaves or end - start >= _KEEP_GAP:
            kind = "unexplained" if account.role == "harvest" else "emptied"
            self._move(name, start, end, -mass, kind)
        else:
            until = min(
                (a for a, _ in self.busy[name] if a >= end),
                default=float(account.clock[-1]),
            )
            account.unknown.append((end, until))

    def _transfer(self, transfer: Transfer) -> None:
        """Hand over what was on board, as far as time and room allow."""
        donor, receiver = transfer.donor, transfer.receiver
        start = max(transfer.start, self.last[donor], self.last[receiver])
        if transfer.end - start < 5.0:
            return
        self._settle(donor, start)
        self._settle(receiver, start)
        giver = self.accounts[donor]
        time, rate = transfer.end - start - _RAMP, _rate(giver, self.settings)
        if giver.signal is not None:
            mass = self.on_board(donor, start) - self.on_board(donor, transfer.end)
            mass = max(mass, 0.0)
        else:
            # What comes in while the auger runs goes out with the rest.
            on_board = self.on_board(donor, transfer.end)
            mass = on_board if _QUICK * rate * time >= on_board else rate * time
            if self._hidden(transfer, start, on_board - mass):
                return
        self._make_room(receiver, mass, start)
        taker = self.accounts[receiver]
        if taker.signal is None:
            room = taker.capacity * (1.0 + self.settings.heap)
            mass = min(mass, room - self.on_board(receiver, start))
        if mass <= 0.0:
            return
        self._move(donor, start, transfer.end, -mass, "handed")
        self._move(receiver, start, transfer.end, mass, "received")
