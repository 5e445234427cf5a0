"""Which rig stood or drove beside which, close enough to hand over its load."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from trafficmap.core.notes import Note
from trafficmap.core.settings.loads import LoadSettings
from trafficmap.loads._words import times
from trafficmap.loads.account import Account, Fill
from trafficmap.loads.beside import Beside, find_meetings, side_of
from trafficmap.loads.smooth import SecondTrack, second_tracks
from trafficmap.loads.unload import unload_rate

_SIDE_SHARE, _SIDE_LEAST = 2.0, 120.0
"""The auger's side is doubted when the other side has this many times the time [s] and
at least so much; choice."""

_SHIFT, _SHIFT_LEAST = 2.0, 3
"""A hopper that keeps this much nearer or farther than the auger reaches [m], in so
many unloadings on the go, tells of receivers that do not agree; choice."""


@dataclass(frozen=True)
class Transfer:
    """One rig handing its load to another, times in seconds since 1970 UTC.

    ``mass`` [kg] is NaN until the giver's ledger is solved, and the ramp then runs from
    ``start`` to ``end``, perhaps up to ``slack`` [s] earlier or later. ``right`` [m] is
    where the hopper was; a ``hidden`` one was not seen but must have been.
    """

    donor: str
    receiver: str
    start: float
    end: float
    mass: float = math.nan
    slack: float = 0.0
    right: float = math.nan
    standing: float = 0.0
    hidden: bool = False


class Tracks:
    """The smoothed tracks of rigs, each made once and only when asked for."""

    def __init__(self, accounts: dict[str, Account], settings: LoadSettings) -> None:
        self._accounts, self._settings = accounts, settings
        self._made: dict[str, tuple[SecondTrack, SecondTrack]] = {}

    def of(self, name: str, *, hopper: bool) -> SecondTrack:
        """Return the track of a rig's hopper, or of the body that gives."""
        if name not in self._made:
            account = self._accounts[name]
            self._made[name] = second_tracks(
                account.clock,
                account.easting,
                account.northing,
                machine=account.machine,
                settings=self._settings,
            )
        return self._made[name][hopper]


def find_transfers(
    accounts: dict[str, Account], tracks: Tracks, *, settings: LoadSettings
) -> tuple[list[Transfer], list[Note]]:
    """Return when rigs on trusted clocks were in place to hand over their load.

    Distances are from the body that gives to the hopper of the taker, so both rigs are
    trailed first. A taker beside two givers, or a giver beside two takers, is given to
    one of them.

    Parameters
    ----------
    accounts : dict of str to Account
    tracks : Tracks
    settings : LoadSettings

    Returns
    -------
    list of Transfer
        In order of time.
    list of Note
    """
    found: list[Transfer] = []
    notes: list[Note] = []
    for donor, receiver in pairs(accounts):
        giver = accounts[donor]
        if not _overlap(giver, accounts[receiver]):
            continue
        body = giver.machine.payload_body
        met = find_meetings(
            tracks.of(donor, hopper=False),
            tracks.of(receiver, hopper=True),
            side=side_of(body.payload.auger_side if body else ""),
            standing_only=giver.role != "harvest",
            settings=settings,
        )
        longest = 2.0 * giver.capacity / unload_rate(giver, settings)
        for m in met.meetings:
            end = min(m.end, m.start + longest)
            found.append(
                Transfer(
                    donor,
                    receiver,
                    m.start,
                    end,
                    right=m.right,
                    standing=m.standing,
                )
            )
        notes += _meeting_notes(donor, receiver, giver, met, longest)
    found, more = _one_partner(found, accounts)
    return found, notes + more


def pairs(
    accounts: dict[str, Account], *, any_fill: bool = False
) -> list[tuple[str, str]]:
    """Return who could hand to whom: harvester to cart or truck, cart to truck.

    With `any_fill` also from harvesters of which nobody knows what they cut.
    """
    out = []
    for donor, giver in accounts.items():
        for receiver, taker in accounts.items():
            if donor == receiver or not (giver.trusted and taker.trusted):
                continue
            if taker.role != "receive":
                continue
            if giver.machine.payload_kind != taker.machine.payload_kind:
                continue
            weighs = giver.area is not None and taker.signal is not None
            harvests = giver.role == "harvest" and (
                giver.fill is not Fill.ASSUMED or weighs or any_fill
            )
            shuttles = (
                giver.role == "receive"
                and not giver.machine.road_vehicle
                and taker.machine.road_vehicle
            )
            if harvests or shuttles:
                out.append((donor, receiver))
    return out


def _overlap(one: Account, two: Account) -> bool:
    return bool(one.clock[0] <= two.clock[-1] and two.clock[0] <= one.clock[-1])


def _one_partner(
    found: list[Transfer], accounts: dict[str, Account]
) -> tuple[list[Transfer], list[Note]]:
    """Settle who gave and who took where three rigs stood together.

    Of two givers the fuller tank gave; of two takers the one the auger reaches took.
    """
    found = sorted(found, key=lambda t: (t.start, t.donor, t.receiver))
    kept: list[Transfer] = []
    givers: dict[tuple[str, ...], int] = {}
    takers: dict[tuple[str, ...], int] = {}
    for t in found:
        rival = _rival(t, kept)
        if rival is None:
            kept.append(t)
            continue
        other = kept[rival]
        if other.receiver == t.receiver:
            key = (t.receiver, *sorted((other.donor, t.donor)))
            givers[key] = givers.get(key, 0) + 1
            one, two = (_fullness(x, kept, accounts) for x in (other, t))
        else:
            key = (t.donor, *sorted((other.receiver, t.receiver)))
            takers[key] = takers.get(key, 0) + 1
            one, two = (-_off_spout(x, accounts) for x in (other, t))
        if two > one:
            kept[rival] = t
    kept = _apart(kept)
    notes = [_two_givers(key, count) for key, count in givers.items()]
    return kept, notes + [_two_takers(key, count) for key, count in takers.items()]


def _rival(t: Transfer, kept: list[Transfer]) -> int | None:
    """Return which earlier one shares a rig and more than half of the shorter time."""
    for k in range(len(kept) - 1, max(len(kept) - 12, -1), -1):
        other = kept[k]
        if other.donor != t.donor and other.receiver != t.receiver:
            continue
        shared = min(other.end, t.end) - max(other.start, t.start)
        if shared > 0.5 * min(other.end - other.start, t.end - t.start):
            return k
    return None


def _apart(kept: list[Transfer]) -> list[Transfer]:
    """Return transfers of which none of a giver runs into its next."""
    kept = sorted(kept, key=lambda t: (t.start, t.donor, t.receiver))
    until: dict[str, float] = {}
    out = []
    for t in kept:
        start = max(t.start, until.get(t.donor, -math.inf))
        if t.end - start < 5.0:
            continue
        until[t.donor] = t.end
        out.append(replace(t, start=start))
    return out


def _fullness(t: Transfer, kept: list[Transfer], accounts: dict[str, Account]) -> float:
    """Return the share of its tank a giver filled since it last gave."""
    giver = accounts[t.donor]
    if giver.signal is not None:
        return float(np.interp(t.start, giver.clock, giver.signal)) / giver.capacity
    before = [x.end for x in kept if x.donor == t.donor and x.end <= t.start]
    since = max(before, default=float(giver.clock[0]))
    return (giver.flow_at(t.end) - giver.flow_at(since)) / giver.capacity


def _off_spout(t: Transfer, accounts: dict[str, Account]) -> float:
    """Return how far beside the spout a hopper was [m]."""
    body = accounts[t.donor].machine.payload_body
    spout = body.payload.spout_y if body else None
    return abs(t.right - spout) if spout else abs(t.right)


def _meeting_notes(
    donor: str, receiver: str, giver: Account, met: Beside, longest: float
) -> list[Note]:
    """Say what is odd in how a pair met."""
    out = []
    waits = sum(m.end - m.start > longest for m in met.meetings)
    if waits:
        out.append(_wait_note(donor, receiver, waits))
    if met.breaks and giver.role == "harvest":
        sentence = (
            f"{receiver}: stood beside {donor} {times(met.breaks)} for more than 10 "
            "minutes, as in a break; that counts as no unloading."
        )
        out.append(Note("loads.long_break", "info", sentence, met.breaks, receiver))
    side = giver.machine.payload_body
    word = side.payload.auger_side if side else ""
    right_time = sum(m.end - m.start for m in met.meetings)
    if (
        giver.role == "harvest"
        and word
        and met.other_side > max(_SIDE_LEAST, _SIDE_SHARE * right_time)
    ):
        other = "right" if word == "left" else "left"
        sentence = (
            f"{receiver}: kept {met.other_side:.0f} s on the {other} of {donor}, but "
            f"its auger is said to be on the {word}, where only {right_time:.0f} s "
            f'fit; if that is wrong write unload_side = "{other}".'
        )
        out.append(Note("loads.auger_side", "check", sentence, 1, donor))
    shift = _shift(giver, met)
    if shift is not None:
        near = "nearer" if shift < 0 else "farther"
        sentence = (
            f"{receiver}: kept {abs(shift):.1f} m {near} than the auger of {donor} "
            "reaches. The two receivers may stand on two frames, or the place of "
            "auger, hopper or antenna is not as given."
        )
        out.append(Note("loads.receivers_apart", "check", sentence, 1, receiver))
    return out


def _shift(giver: Account, met: Beside) -> float | None:
    """Return how much farther out than the spout the hopper kept, None if it fits."""
    body = giver.machine.payload_body
    spout = body.payload.spout_y if body else None
    on_the_go = [m.right for m in met.meetings if m.standing < 0.5]
    if giver.role != "harvest" or not spout or len(on_the_go) < _SHIFT_LEAST:
        return None
    off = np.abs(on_the_go) - abs(spout)
    middle = float(np.median(off))
    steady = float(np.median(np.abs(off - middle))) < 0.5 * _SHIFT
    return middle if steady and abs(middle) > _SHIFT else None


def _wait_note(donor: str, receiver: str, count: int) -> Note:
    return Note(
        code="loads.waited_alongside",
        severity="info",
        sentence=(
            f"{receiver}: drove or stood beside {donor} {times(count)} for longer than "
            "emptying a tank takes; each counts as one transfer at its beginning."
        ),
        count=count,
        where=receiver,
    )


def _two_givers(key: tuple[str, ...], count: int) -> Note:
    receiver, one, two = key
    sentence = (
        f"{receiver}: was beside {one} and {two} at once {times(count)}; each load "
        "counts as that of the fuller tank."
    )
    return Note("loads.two_givers", "check", sentence, count, receiver)


def _two_takers(key: tuple[str, ...], count: int) -> Note:
    donor, one, two = key
    sentence = (
        f"{donor}: had {one} and {two} beside it at once {times(count)}; each load "
        "counts as taken by the one nearer to its spout."
    )
    return Note("loads.two_takers", "check", sentence, count, donor)
