"""A cart that weighs tells what a harvester without any signal cut."""

from __future__ import annotations

import numpy as np

from trafficmap.core.notes import Note
from trafficmap.loads.account import Account, Fill
from trafficmap.loads.transfer import Transfer

_LEAST = 3
"""From fewer loads no yield is taken; choice."""


def yield_by_scales(
    accounts: dict[str, Account], transfers: list[Transfer]
) -> list[Note]:
    """Give harvesters nobody knows the yield that their carts' scales show.

    What the scales gained in all transfers, over the ground worked from the start to
    the end of the last of them.

    Parameters
    ----------
    accounts : dict of str to Account
        Changed: fill and flow of such a harvester.
    transfers : list of Transfer
    """
    notes = []
    for name, account in accounts.items():
        if account.role != "harvest" or account.fill is not Fill.ASSUMED:
            continue
        mine = [t for t in transfers if t.donor == name]
        weighed = [(t, accounts[t.receiver]) for t in mine]
        if (
            account.area is None
            or len(mine) < _LEAST
            or any(taker.signal is None for _, taker in weighed)
        ):
            continue
        total = sum(gain(t, taker) for t, taker in weighed)
        worked = float(np.interp(mine[-1].end, account.clock, account.area))
        if total <= 0.0 or worked <= 0.0:
            continue
        account.fill = Fill.HARVEST
        account.flow = total / worked * account.area
        sentence = (
            f"{name}: nothing tells what it cut; the scale of its cart gained "
            f"{total / 1000:.1f} t in {len(mine)} loads, "
            f"{total / worked * 10:.1f} t/ha over the ground worked, and its tank is "
            "filled by that."
        )
        notes.append(Note("loads.yield_by_scale", "check", sentence, 1, name))
    return notes


def gain(t: Transfer, taker: Account) -> float:
    """Return what a taker's scale gained in a transfer, not below 0 [kg]."""
    if taker.signal is None:
        return 0.0
    values = np.interp([t.start, t.end], taker.clock, taker.signal)
    return max(0.0, float(values[1] - values[0]))
