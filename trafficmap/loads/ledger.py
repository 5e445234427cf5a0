"""The mass ledger: when tanks, carts and tankers were filled and emptied."""

from __future__ import annotations

import numpy as np

from trafficmap.core.settings.loads import LoadSettings
from trafficmap.loads.account import Account, Fill, Move
from trafficmap.loads.coupled import Coupled
from trafficmap.loads.transfer import Transfer
from trafficmap.loads.unload import KEEP_GAP, unload_between

_SHORT_GAP = 120.0
"""A hole in a tanker's log longer than this may have been a trip to the store; choice
[s]."""

_DRY_SHARE = 0.25
"""A tanker with less than this left fills at a stop even if it could go on; choice."""


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
    known = _known(accounts, transfers)
    transfers = [t for t in transfers if t.donor in known]
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
        Coupled(accounts, partners, settings, by_place=False).run(transfers)
        full = {name: accounts[name].level() for name in partners}
        for name in partners:
            accounts[name].moves, accounts[name].unknown = [], []
            accounts[name].unseen = 0
        Coupled(accounts, partners, settings, by_place=True).run(transfers)
        for name in partners:
            account = accounts[name]
            account.scenarios = [account.level(late=-1.0), account.level(late=1.0)]
            if account.role == "receive":
                account.scenarios.append(full[name])


def _known(accounts: dict[str, Account], transfers: list[Transfer]) -> set[str]:
    """Return the rigs whose mass is known, or comes from one whose mass is known.

    What a giver of unknown load handed over is unknown, not nothing.
    """
    known = {
        name
        for name, account in accounts.items()
        if account.fill is not Fill.ASSUMED or account.signal is not None
    }
    while True:
        more = {t.receiver for t in transfers if t.donor in known} - known
        if not more:
            return known
        known |= more


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
) -> tuple[list[Move], int]:
    """Return the moves of a harvester working alone, and how many were not seen."""
    moves: list[Move] = []
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
        if level > 0 and not (keep and hole[1] - hole[0] < KEEP_GAP):
            moves.append(Move(hole[0], hole[1], -level, "unexplained"))
            level = 0.0
        begin = hole[1]
    return moves, unseen


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
            account.moves.append(Move(dry, begin, -level, "unexplained"))
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
            account.moves.append(
                Move(begin, finish, account.capacity - level, "filled")
            )
            base_after = account.flow_at(finish)
            level, base, t = account.capacity + base_after - base, base_after, finish


def _time_dry(account: Account, begin: float, end: float, missing: float) -> float:
    """Return when a tanker ran dry that had spread `missing` too much by `end`."""
    left = -account.flow
    empty = left[np.searchsorted(account.clock, end)] - missing
    a, b = np.searchsorted(account.clock, [begin, end])
    k = a + int(np.searchsorted(left[a : b + 1], empty))
    return min(float(account.clock[min(k, b)]), end - 1e-3)
