"""Tankers: where they were filled again, and what rate their loads tell."""

from __future__ import annotations

import itertools
import math

import numpy as np

from trafficmap.core.notes import Note
from trafficmap.core.settings.loads import LoadSettings
from trafficmap.loads._words import times
from trafficmap.loads.account import Account, Fill, Move

_SHORT_GAP = 120.0
"""A hole in a tanker's log longer than this may have been a trip to the store; choice
[s]."""

_DRY_SHARE = 0.25
"""A tanker with less than this left fills at a stop even if it could go on; choice."""

_LONG_STOP = 900.0
"""Filling takes no longer; who stands longer agitates or is parked; choice [s]."""

_STORE_REACH = 40.0
_STORE_VISITS = 3
"""Stops within this distance [m] are at one place; the place with most of them, at
least so many, is the store; choice."""

_LOADS = 3
_LOAD_SPREAD = 0.25
"""A rate is taken from at least so many loads, alike to within this share; choice."""

_OFF = 0.15
"""Loads further than this share from a full tank are told; choice."""


def spread(account: Account, settings: LoadSettings) -> None:
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


def loads_between(account: Account, settings: LoadSettings) -> np.ndarray:
    """Return the ground worked between visits to the store [m2].

    Visits are stops of 1 to 15 minutes at the place where the tanker stops most, trips
    off the field, and holes in the log. A short piece of a load is no load.
    """
    if account.area is None:
        return np.empty(0)
    stops = [
        s for s in account.stops(settings.refill_stop) if s[1] - s[0] <= _LONG_STOP
    ]
    visits = account.gaps(_SHORT_GAP) + account.trips(settings.refill_stop)
    if len(stops) >= _STORE_VISITS:
        east = np.interp([a for a, _ in stops], account.clock, account.easting)
        north = np.interp([a for a, _ in stops], account.clock, account.northing)
        near = np.hypot(east[:, None] - east, north[:, None] - north) <= _STORE_REACH
        if near.sum(axis=1).max() >= _STORE_VISITS:
            here = near[int(near.sum(axis=1).argmax())]
            visits += [s for s, at in zip(stops, here, strict=True) if at]
    moments = sorted(0.5 * (a + b) for a, b in visits)
    worked = np.interp(moments, account.clock, account.area)
    pieces = np.array([b - a for a, b in itertools.pairwise(worked)])
    if pieces.size == 0:
        return pieces
    return pieces[pieces > 0.3 * np.median(pieces)]


def rate_from_loads(account: Account, settings: LoadSettings) -> float:
    """Return the rate at which each load would be a full tank [kg/m2], NaN if unclear.

    Capacity over the middle of the ground worked between two fillings.
    """
    pieces = loads_between(account, settings)
    if pieces.size < _LOADS or not math.isfinite(account.capacity):
        return math.nan
    middle = float(np.median(pieces))
    if np.median(np.abs(pieces - middle)) > _LOAD_SPREAD * middle:
        return math.nan
    return account.capacity / middle


def settle_rate(account: Account, settings: LoadSettings) -> None:
    """Give a tanker whose rate nobody told the one its loads tell."""
    if account.fill is not Fill.ASSUMED or account.signal is not None:
        return
    rate = rate_from_loads(account, settings)
    if account.area is None or not math.isfinite(rate):
        return
    account.fill = Fill.SPREAD
    account.flow = -rate * account.area
    account.start = account.capacity
    account.rate_found = rate


def tanker_notes(account: Account, settings: LoadSettings) -> list[Note]:
    """Say what a tanker's loads tell of its rate, and where it only stood."""
    if account.signal is not None or account.role != "spread":
        return []
    name, out = account.machine.id, []
    body = account.machine.payload_body
    density = body.payload.density(account.density) if body else account.density
    if math.isfinite(account.rate_found):
        sentence = (
            f"{name}: its rate is not told; "
            f"{account.rate_found / density * 1e4:.0f} m3/ha would spread one full "
            "tank between two fillings and is used; write the true one under "
            "[[liquid]]."
        )
        out.append(Note("loads.rate_found", "check", sentence, 1, name))
        return out
    rate = rate_from_loads(account, settings)
    if account.fill is Fill.SPREAD and account.area is not None and rate > 0.0:
        share = -float(account.flow[-1]) / float(account.area[-1]) / rate
        if abs(share - 1.0) > _OFF:
            volume = account.capacity / density
            sentence = (
                f"{name}: spreads {share * volume:.1f} m3 between two fillings by its "
                f"rate, but its tank takes {volume:.1f} m3; "
                f"{rate / density * 1e4:.0f} m3/ha would fit. Look at the rate, the "
                "width and the tank, or it was not filled up."
            )
            severity = "check" if share > 1.0 else "info"
            out.append(Note("loads.rate_doubted", severity, sentence, 1, name))  # type: ignore[arg-type]
    long = [s for s in account.stops(_LONG_STOP) if s[1] - s[0] > _LONG_STOP]
    if long and account.fill is Fill.SPREAD:
        sentence = (
            f"{name}: stood {times(len(long))} for more than 15 minutes, agitating or "
            "parked; that counts as a filling only where it must have been one."
        )
        out.append(Note("loads.tanker_parked", "info", sentence, len(long), name))
    return out
