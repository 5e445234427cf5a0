"""Rigs that hand mass to each other: combine to cart, cart to truck."""

from __future__ import annotations

import math

import numpy as np

from trafficmap.core.limits import GAP_SECONDS
from trafficmap.core.settings.loads import LoadSettings
from trafficmap.loads.account import Account, Move
from trafficmap.loads.transfer import Transfer
from trafficmap.loads.unload import KEEP_GAP, unload_between, unload_rate

_CART_STOP = 30.0
_CART_SHARE = 0.25
_PLACE_REACH = 40.0
"""A cart that stands this long [s] with this share on board, within this distance [m]
of the place where it stands most often away from the giver, empties there; choice."""

_TRIP = 60.0
"""A cart, trailer or truck that leaves the field loaded for longer empties there;
choice [s]."""

_HIDDEN_SHARE = 0.05
"""A tank that would hold this share more than it can, or than its auger moves in the
time, tells of a transfer hidden in a hole of the cart's log, if there is one;
choice."""

_QUICK = 1.5
"""A tank counts as emptied when it could be at this times the usual rate; choice."""

_RAMP = 2.5
"""Half of the starting and stopping of an auger [s] (from memory)."""

_NOISE_SHARE = 0.02
"""A logged tank is still full, or already empty, within this share of its fall;
choice."""

_ROUNDS = 6
"""How long an auger runs and what comes in meanwhile hang together; a tank fills at
less than half the rate it empties, so each round leaves less than half of the error."""

_UNSEEN_RAMP = 60.0
"""An emptying nobody saw takes this long at most; choice [s]."""


class Coupled:
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

    def _move(self, name: str, move: Move) -> None:
        """Write one ramp and stand at its end."""
        account, (start, end, mass, *_) = self.accounts[name], move
        if account.signal is None:
            on_board = self.on_board(name, start)
            account.moves.append(move)
            self.level[name] = (
                on_board + mass + account.flow_at(end) - account.flow_at(start)
            )
        self.last[name] = max(self.last[name], end)

    def _poured(self, name: str, start: float, end: float) -> Move:
        """Return how a rig hands over its load while it is in place to do so.

        Nobody logs when the auger runs. It takes what it takes at the usual rate, and
        may be anywhere between coming and going: in the middle it is least wrong, but
        it cannot begin after the tank is full.
        """
        account = self.accounts[name]
        if account.signal is not None:
            return self._seen_falling(account, start, end)
        time, rate = end - start - _RAMP, unload_rate(account, self.settings)
        # What comes in while the auger runs goes out with the rest.
        mass = self.on_board(name, end)
        if _QUICK * rate * time < mass:
            return Move(start, end, -rate * time, "handed")
        begin, finish, latest = start, end, self._full_at(name, start)
        for _ in range(_ROUNDS):
            spare = max(0.0, time - mass / rate)
            begin = min(start + 0.5 * spare, latest)
            finish = end - spare + begin - start
            mass = self.on_board(name, finish)
        return Move(begin, finish, -mass, "handed", begin - start)

    def _full_at(self, name: str, start: float) -> float:
        """Return when a rig can take no more, not before `start`."""
        account = self.accounts[name]
        top = account.capacity * (1.0 + self.settings.heap)
        taken = account.flow_at(self.last[name]) + top - self.level[name]
        k = int(np.searchsorted(account.flow, taken))
        return (
            max(start, float(account.clock[k])) if k < account.flow.size else math.inf
        )

    def _tipped(self, name: str, start: float, end: float) -> Move:
        """Return the emptying of all on board somewhere in a stop."""
        account, mass = self.accounts[name], self.on_board(name, start)
        needs = mass / unload_rate(account, self.settings)
        slack = max(0.0, 0.5 * (end - start - needs))
        return Move(start + slack, end - slack, -mass, "emptied", slack)

    def _seen_falling(self, account: Account, start: float, end: float) -> Move:
        """Return the fall of a logged tank mass in a stretch."""
        a, b = np.searchsorted(account.clock, [start, end])
        time, mass = account.clock[a : b + 1], account.level()[a : b + 1]
        fall = float(mass.max() - mass.min())
        high = np.flatnonzero(mass >= mass.max() - _NOISE_SHARE * fall)
        low = np.flatnonzero(mass <= mass.min() + _NOISE_SHARE * fall)
        after = low[low > high[-1]]
        if fall <= 0.0 or after.size == 0:
            return Move(start, end, 0.0, "handed")
        return Move(float(time[high[-1]]), float(time[after[0]]), -fall, "handed")

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
                self._move(name, self._tipped(name, start, end))

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
        half = min(end - begin, mass / unload_rate(giver, self.settings)) / 2
        if mass <= 0.0 or half <= 0.0:
            return False
        for name in (donor, receiver):
            self.accounts[name].unknown.append((self.last[name], transfer.start))
        giver.unseen += 1
        missed = Transfer(donor, receiver, middle - half, middle + half)
        self._transfer(missed, look=False)
        self._transfer(transfer, look=False)
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
        leaves = account.role == "receive" and account.machine.road_vehicle
        if leaves or end - start >= KEEP_GAP:
            kind = "unexplained" if account.role == "harvest" else "emptied"
            self._move(name, Move(start, end, -mass, kind))
        else:
            until = min(
                (a for a, _ in self.busy[name] if a >= end),
                default=float(account.clock[-1]),
            )
            account.unknown.append((end, until))

    def _transfer(self, transfer: Transfer, *, look: bool = True) -> None:
        """Hand over what was on board, as far as time and room allow."""
        donor, receiver = transfer.donor, transfer.receiver
        start = max(transfer.start, self.last[donor], self.last[receiver])
        if transfer.end - start < 5.0:
            return
        giver = self.accounts[donor]
        time, rate = transfer.end - start - _RAMP, unload_rate(giver, self.settings)
        if look and giver.signal is None:
            # More than a tank holds, or more than could flow, hints at another one.
            most = min(
                giver.capacity * (1.0 + self.settings.heap), _QUICK * rate * time
            )
            if self._hidden(transfer, start, self.on_board(donor, transfer.end) - most):
                return
        self._settle(donor, start)
        self._settle(receiver, start)
        move = self._poured(donor, start, transfer.end)
        mass = -move.mass
        self._make_room(receiver, mass, start)
        taker = self.accounts[receiver]
        if taker.signal is None:
            room = taker.capacity * (1.0 + self.settings.heap)
            mass = min(mass, room - self.on_board(receiver, start))
        if mass <= 0.0:
            return
        self._move(donor, move._replace(mass=-mass))
        self._move(receiver, move._replace(mass=mass, kind="received"))
