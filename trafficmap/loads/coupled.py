"""Carts, trailers and trucks: what they were given, and where they emptied it."""

from __future__ import annotations

import math

import numpy as np

from trafficmap.core.settings.loads import LoadSettings
from trafficmap.loads.account import Account, Move
from trafficmap.loads.transfer import Transfer
from trafficmap.loads.unload import KEEP_GAP, unload_rate

_CART_STOP = 30.0
_CART_SHARE = 0.25
_PLACE_REACH = 40.0
"""A cart that stands this long [s] with this share on board, within this distance [m]
of the place where it stands most often that day away from the giver, empties there;
choice."""

_TRIP = 60.0
"""A cart, trailer or truck that leaves the field loaded for longer empties there;
choice [s]."""

_QUICK = 1.5
"""A cart counts as emptied when it could be at this times the usual rate; choice."""

_RAMP = 2.5
"""Half of the starting and stopping of an auger [s] (from memory)."""

_BEFORE_TIPPING = 20.0
"""From coming to a stop to the first grain out of it, where there is time; choice
[s]."""

_UNSEEN_RAMP = 60.0
"""An emptying nobody saw takes this long at most; choice [s]."""

_EMPTY_SHARE = 0.02
"""With less on board than this share a rig counts as empty; choice."""

_LEFT_SHARE = 0.10
"""More than this share on board over night is worth telling; choice."""


class Coupled:
    """Rigs that are given mass, event by event in order of time."""

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
        self.accounts = {name: accounts[name] for name in sorted(names)}
        self.settings = settings
        self.level = dict.fromkeys(self.accounts, 0.0)
        self.last = {n: float(a.clock[0]) for n, a in self.accounts.items()}
        self.busy: dict[str, list[tuple[float, float]]] = {n: [] for n in self.accounts}
        self.gives: set[str] = set()
        self.unsure: dict[str, float] = {}
        self.overnight: list[tuple[str, float, float]] = []
        self.overflow: dict[str, float] = {}
        self.blind: dict[str, list[tuple[float, float]]] = {}

    def run(
        self,
        transfers: list[Transfer],
        blind: dict[str, list[tuple[float, float]]] | None = None,
    ) -> None:
        """Work through holes in the logs and transfers, then close every account.

        Transfers of harvesters come with their mass; a cart gives what it has. While
        `blind` the log of who gives to a rig has a hole.
        """
        self.blind = blind or {}
        events: list[tuple[float, Transfer | tuple[str, float, float]]] = []
        for t in transfers:
            events.append((t.start, t))
            for name in {t.donor, t.receiver} & self.accounts.keys():
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
            self._sure(name, float(account.clock[-1]))
            if account.signal is None:
                account.unknown += [
                    (a, self._empty_after(account, b))
                    for a, b in self.blind.get(name, [])
                ]

    def on_board(self, name: str, moment: float) -> float:
        """Return the mass on a rig at a moment after its last event [kg]."""
        account = self.accounts[name]
        if account.signal is not None:
            return float(np.interp(moment, account.clock, account.signal))
        return self.level[name]

    def _move(self, name: str, move: Move) -> None:
        """Write one ramp and stand at its end."""
        account = self.accounts[name]
        if account.signal is None:
            account.moves.append(move)
            self.level[name] = self.on_board(name, move.start) + move.mass
            if move.mass < 0 and self.level[name] < _EMPTY_SHARE * account.capacity:
                self._sure(name, move.end)
        self.last[name] = max(self.last[name], move.end)

    def _sure(self, name: str, moment: float) -> None:
        """End a stretch of unknown load: the rig is empty again."""
        if name in self.unsure:
            self.accounts[name].unknown.append((self.unsure.pop(name), moment))

    @staticmethod
    def _empty_after(account: Account, moment: float) -> float:
        """Return when a rig was first emptied for sure after a moment [s]."""
        knots = np.array([m.end for m in account.moves if m.mass < 0])
        knots = np.sort(knots[knots > moment])
        level = account.start + account.moved_at(knots)
        empty = knots[level < _EMPTY_SHARE * account.capacity]
        return float(empty[0]) if empty.size else float(account.clock[-1])

    def _transfer(self, transfer: Transfer) -> None:
        """Hand over what the giver had, as far as time and room allow."""
        donor, receiver = transfer.donor, transfer.receiver
        if donor in self.accounts:
            self._from_cart(transfer)
            return
        if receiver not in self.accounts or not transfer.mass > 0.0:
            return
        start = transfer.start
        self._settle(receiver, start)
        self._make_room(receiver, transfer.mass, start)
        if transfer.hidden:
            self.unsure.setdefault(receiver, start)
        self._take(receiver, transfer)

    def _take(self, receiver: str, transfer: Transfer) -> None:
        """Write what a rig was given; what it cannot hold has no reason."""
        account, mass = self.accounts[receiver], transfer.mass
        slack = transfer.slack
        move = Move(transfer.start, transfer.end, mass, "received", slack, slack)
        over = 0.0
        if account.signal is None:
            top = account.top
            over = self.on_board(receiver, transfer.start) + mass - top
        self._move(receiver, move)
        if over > 1e-6 * mass:
            self.overflow[receiver] = self.overflow.get(receiver, 0.0) + over
            self._move(receiver, move._replace(mass=-over, kind="unexplained"))

    def _from_cart(self, transfer: Transfer) -> None:
        """Empty a cart into a truck beside it."""
        donor, receiver = transfer.donor, transfer.receiver
        start = max(transfer.start, self.last[donor], self.last[receiver])
        if transfer.end - start < 5.0:
            return
        self._settle(donor, start)
        self._settle(receiver, start)
        move = self._poured(donor, start, transfer.end)
        mass = -move.mass
        self._make_room(receiver, mass, start)
        taker = self.accounts[receiver]
        if taker.signal is None:
            room = taker.top
            mass = min(mass, room - self.on_board(receiver, start))
        if mass <= 0.0:
            return
        if donor in self.unsure:
            self.unsure.setdefault(receiver, start)
        self._move(donor, move._replace(mass=-mass))
        self._move(receiver, move._replace(mass=mass, kind="received"))

    def _poured(self, name: str, start: float, end: float) -> Move:
        """Return how a cart hands over its load while it stands by a truck.

        Nobody logs when the auger runs. It takes what it takes at the usual rate, in
        the middle of the time there.
        """
        account = self.accounts[name]
        if account.signal is not None:
            before, after = (self.on_board(name, t) for t in (start, end))
            return Move(start, end, -max(before - after, 0.0), "handed")
        time, rate = end - start - _RAMP, unload_rate(account, self.settings)
        mass = self.on_board(name, end)
        if _QUICK * rate * time < mass:
            return Move(start, end, -rate * time, "handed")
        spare = max(0.0, time - mass / rate)
        begin = start + 0.5 * spare
        half = 0.5 * spare
        return Move(begin, end - half, -mass, "handed", half, half)

    def _tipped(self, name: str, start: float, end: float) -> Move:
        """Return the emptying of all on board soon after coming to a stop.

        A cart empties at once and waits afterwards; but it may have waited before.
        """
        account, mass = self.accounts[name], self.on_board(name, start)
        needs = mass / unload_rate(account, self.settings)
        spare = max(0.0, end - start - needs)
        early = min(0.5 * spare, _BEFORE_TIPPING)
        begin, finish = start + early, end - spare + early
        return Move(begin, finish, -mass, "emptied", early, spare - early)

    def _settle(self, name: str, until: float) -> None:
        """Empty what must have been emptied since the last event."""
        account, since = self.accounts[name], self.last[name]
        if account.signal is not None or until <= since:
            return
        for start, end in self.place[name]:
            if not since <= start < end <= until:
                continue
            mass = self.on_board(name, start)
            if mass >= _CART_SHARE * account.capacity:
                self._move(name, self._tipped(name, start, end))

    def _usual_stops(self, name: str, account: Account) -> list[tuple[float, float]]:
        """Return when a taker empties: off the field, and where it stands most often.

        A cart seen handing to a truck empties only there.
        """
        trips = account.trips(_TRIP)
        if not self.by_place or name in self.gives:
            return trips
        stops = self._free_stops(name, -math.inf, math.inf)
        nights = [-math.inf, *(a for a, _ in account.gaps(KEEP_GAP)), math.inf]
        for k in range(len(nights) - 1):
            day = [s for s in stops if nights[k] < s[0] <= nights[k + 1]]
            trips = trips + self._crowded(account, day)
        return sorted(trips)

    def _crowded(self, account: Account, stops):
        """Return the stops at the place where a rig stands most often, if any."""
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
        room = account.top - mass
        if account.signal is not None or need <= room or mass <= 0.0:
            return
        stops = self._free_stops(name, since, until)
        if stops:
            longest = max(stops, key=lambda stop: stop[1] - stop[0])
            self._move(name, self._tipped(name, *longest))
            return
        middle, half = 0.5 * (since + until), min(_UNSEEN_RAMP, until - since) / 2
        account.unseen += 1
        account.unknown.append((since, until))
        end = max(middle + half, middle - half + 1e-3)
        self._move(name, Move(middle - half, end, -mass, "emptied"))

    def _hole(self, name: str, start: float, end: float) -> None:
        """Carry a load over a hole in the log, or let it go."""
        account = self.accounts[name]
        self._settle(name, start)
        mass = self.on_board(name, start)
        if account.signal is not None or mass <= 0.0:
            return
        leaves = account.machine.road_vehicle
        if leaves or end - start >= KEEP_GAP:
            self._move(name, Move(start, end, -mass, "emptied"))
            if not leaves and mass > _LEFT_SHARE * account.capacity:
                # Emptied that night, or still on board in the morning.
                self.overnight.append((name, start, mass))
                self.unsure.setdefault(name, end)
        else:
            self.unsure.setdefault(name, end)
