"""Unloadings that must have been but that no track shows."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from trafficmap.core.limits import GAP_SECONDS
from trafficmap.core.settings.loads import LoadSettings
from trafficmap.loads.account import Account


@dataclass(frozen=True)
class Missing:
    """A stretch in which an unloading is missing [s], the likely moment and taker."""

    begin: float
    end: float
    moment: float
    receiver: str = ""


def missing_unloadings(
    account: Account,
    spans: list[tuple[float, float]],
    takers: dict[str, Account],
    *,
    settings: LoadSettings,
) -> list[Missing]:
    """Return the unloadings without which a tank would have overflowed.

    Between two unloadings a tank takes in at most its heaped capacity. Where more came
    in, one is missing: not after the second at which the empty tank would be full
    again, not before the second from which on the rest fits. The likely moment is in a
    hole of a taker's log there, else in a stop, else in the middle.

    Parameters
    ----------
    account : Account
        Of the giver; ``flow`` is what came in.
    spans : list of (float, float)
        From the end of one unloading to the beginning of the next. [s]
    takers : dict of str to Account
    settings : LoadSettings
    """
    top = account.top
    stops = account.stops(settings.unload_stop)
    holes = [
        (name, hole)
        for name, taker in takers.items()
        for hole in taker.gaps(GAP_SECONDS)
    ]
    out: list[Missing] = []
    for begin, end in spans:
        first, last = account.flow_at(begin), account.flow_at(end)
        count = math.ceil((last - first) / top - 1e-9) - 1
        for k in range(1, count + 1):
            low = _moment(account, last - (count - k + 1) * top)
            high = _moment(account, first + k * top)
            low, high = max(low, begin), min(max(high, low), end)
            out.append(_likely(low, high, stops, holes))
    return out


def _moment(account: Account, total: float) -> float:
    """Return when a tank's intake reached a total [s]."""
    k = int(np.searchsorted(account.flow, total))
    return float(account.clock[min(k, account.clock.size - 1)])


def _likely(low, high, stops, holes) -> Missing:
    """Return the window, narrowed by a hole in a taker's log, and a moment in it."""
    inside = [
        (min(b, high) - max(a, low), name, max(a, low), min(b, high))
        for name, (a, b) in holes
        if a < high and b > low
    ]
    if inside:
        _, name, low, high = max(inside)
        return Missing(low, high, 0.5 * (low + high), name)
    here = [
        (min(b, high) - max(a, low), max(a, low), min(b, high))
        for a, b in stops
        if a < high and b > low
    ]
    if here:
        _, a, b = max(here)
        return Missing(low, high, 0.5 * (a + b))
    return Missing(low, high, 0.5 * (low + high))
