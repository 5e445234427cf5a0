"""When a tank is emptied that nobody was seen to take from."""

from __future__ import annotations

import bisect
import math

import numpy as np

from trafficmap.core.settings.loads import LoadSettings
from trafficmap.loads.account import Account, Move

KEEP_GAP = 7200.0
"""A load is thought to stay on board over a shorter hole in the log; choice [s]."""


def unload_between(
    account: Account,
    level: float,
    begin: float,
    end: float,
    share: float,
    use_stops: bool,
    settings: LoadSettings,
) -> tuple[list[Move], float, int]:
    """Empty a tank between two moments whenever it must be, or at a stop.

    Parameters
    ----------
    level : float
        On board at `begin`. [kg]
    share : float
        Of the capacity at which it is emptied wherever it is.

    Returns
    -------
    moves : list of Move
    level : float
        On board at `end`. [kg]
    unseen : int
        Emptyings without a stop.
    """
    rate = unload_rate(account, settings)
    first, last = np.searchsorted(account.clock, [begin, end])
    flow = account.flow[: last + 1]
    stops = [s for s in account.stops(settings.unload_stop) if begin < s[0] < end]
    starts = [s[0] for s in stops]
    moves: list[Move] = []
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
        moves.append(Move(start, finish, -mass, "emptied"))
        level = 0.0
        now, base = finish, account.flow_at(finish)
    return moves, level + account.flow_at(end) - base, unseen


def unload_rate(account: Account, settings: LoadSettings) -> float:
    """Return how fast a tank empties, the usual rate where it is not told [kg/s]."""
    if math.isfinite(account.rate):
        return account.rate
    harvests = account.role == "harvest"
    usual = settings.unload_rate if harvests else settings.cart_unload_rate
    body = account.machine.payload_body
    density = body.payload.density(account.density) if body else account.density
    return usual * density
