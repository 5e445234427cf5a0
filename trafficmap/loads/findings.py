"""What the ledger found odd, as sentences a person can act on."""

from __future__ import annotations

import zoneinfo
from datetime import UTC, datetime

import numpy as np

from trafficmap.core.notes import Note
from trafficmap.loads._words import times
from trafficmap.loads.account import Account, Fill
from trafficmap.loads.ledger import Story

_UNEXPLAINED_SHARE = 0.15
"""More than this share of the mass moved without a reason is worth a Note; choice."""

_NAMED = 4
"""More missing unloadings of a machine are told as a number; choice."""

_RATE_OFF = 0.35
"""A day's unloading rate further than this share from the usual one is told; choice."""

_BRIMFUL_LEAST, _BRIMFUL_SHARE = 5, 0.3
"""From so many unloadings and this share of them on a tank seems too small; choice."""

_WET_RANGE = 0.04
"""A wider range of moistures (5th to 95th percentile) is told; choice [fraction]."""

_AWAY_SHARE = 0.05
"""More than this share cut off the field is told; choice."""


def account_notes(account: Account) -> list[Note]:
    """Say what was assumed, what was not seen, and what mass has no reason."""
    name, out = account.machine.id, []
    if account.fill is Fill.ASSUMED:
        out.append(
            Note(
                code="loads.payload_assumed",
                severity="check",
                sentence=(
                    f"{name}: nothing tells what it carried; it counts as half full "
                    f"({account.capacity / 2000:.1f} t), anywhere from empty to "
                    f"{account.capacity / 1000:.1f} t; {account.missing}."
                ),
                where=name,
            )
        )
        return out
    if account.unseen:
        out.append(
            Note(
                code="loads.unloading_unseen",
                severity="info" if account.alone else "check",
                sentence=(
                    f"{name}: unloadings that no log shows: {account.unseen}; each is "
                    "taken as late as the tank allows, and the load before it is less "
                    "sure."
                ),
                count=account.unseen,
                where=name,
            )
        )
    masses = account.ledger()
    moved = max(masses["filled"] + masses["received"], masses["spread"])
    lost = masses["unexplained"]
    if moved > 0 and abs(lost) > _UNEXPLAINED_SHARE * moved:
        words = (
            f"{lost / 1000:.1f} t of {moved / 1000:.1f} t left it where nothing was "
            "logged"
            if lost > 0
            else f"gave {moved / 1000:.1f} t, which is {-lost / 1000:.1f} t more than "
            "it held"
        )
        out.append(
            Note(
                code="loads.mass_unexplained",
                severity="check",
                sentence=f"{name}: {words}; {account.doubt}.",
                where=name,
            )
        )
    if account.over_full > 0:
        out.append(
            Note(
                code="loads.over_full",
                severity="check",
                sentence=(
                    f"{name}: the logged load is over its capacity of "
                    f"{account.capacity / 1000:.1f} t by up to "
                    f"{account.over_full / 1000:.1f} t; the log is used, correct the "
                    "capacity."
                ),
                where=name,
            )
        )
    return out + _harvest_notes(account)


def _harvest_notes(account: Account) -> list[Note]:
    """Say what a harvester's flow itself tells."""
    name, out = account.machine.id, []
    if np.isfinite(account.lag_found):
        sentence = (
            f"{name}: its mass flow follows the header by {account.lag_found:.0f} s; "
            "grain counts as on board from cutting on. To set it yourself write "
            f"flow_lag = {account.lag_found:.0f} into [loads] of a settings file."
        )
        out.append(Note("loads.flow_lag", "info", sentence, 1, name))
    dry, wet = account.moistures
    if account.by_yield and wet - dry > _WET_RANGE:
        sentence = (
            f"{name}: its grain was {dry:.0%} to {wet:.0%} wet; what was cut is taken "
            "as wet as the log says at each place, so loads follow the moisture."
        )
        out.append(Note("loads.moisture_range", "info", sentence, 1, name))
    if account.cut_away > _AWAY_SHARE:
        sentence = (
            f"{name}: {account.cut_away:.0%} of its mass flow was logged off this "
            "field. Its log holds another field too, or the boundary is too small; "
            "what was cut there is in its tank as well."
        )
        out.append(Note("loads.cut_elsewhere", "check", sentence, 1, name))
    return out


def story_notes(
    accounts: dict[str, Account],
    story: Story,
    *,
    off_clock: set[str],
    time_zone: str | None,
) -> list[Note]:
    """Say what the days of tanks, carts and trucks tell.

    Parameters
    ----------
    accounts : dict of str to Account
    story : Story
    off_clock : set of str
        Takers whose clock seems to be off: what is missing may be due to that.
    time_zone : str or None
        Of the times in sentences.
    """
    out: list[Note] = []
    for name, tank in story.tanks.items():
        account = accounts[name]
        out += _missing_notes(name, tank.missing, bool(off_clock), time_zone)
        out += [_perhaps(name, a, b, time_zone) for a, b in tank.perhaps[:_NAMED]]
        out += _alone_note(name, account, tank.alone, time_zone)
        out += [
            Note(
                "loads.taken_home",
                "info",
                f"{name}: had {level / 1000:.1f} t in its tank when its log ends "
                f"{moment_words(end, time_zone)}.",
                1,
                name,
            )
            for end, level in tank.taken_home
        ]
        out += [
            Note(
                "loads.had_at_start",
                "info",
                f"{name}: seems to have had {level / 1000:.1f} t in its tank when its "
                f"log begins {moment_words(begin, time_zone)}.",
                1,
                name,
            )
            for begin, level in tank.had_at_start
        ]
        out += _rate_notes(name, tank.rates)
        out += _brimful_notes(name, tank.brimful, tank.unloadings)
    for name, begin, mass in story.overnight:
        sentence = (
            f"{name}: had {mass / 1000:.1f} t on board when its log ends "
            f"{moment_words(begin, time_zone)}; it counts as emptied before the next "
            "begins, and the load is unknown until it is emptied again."
        )
        out.append(Note("loads.overnight", "info", sentence, 1, name))
    for name, mass in story.overflow.items():
        sentence = (
            f"{name}: was given {mass / 1000:.1f} t more than it can hold; correct its "
            "capacity, or an emptying is missing in its log."
        )
        out.append(Note("loads.given_too_much", "check", sentence, 1, name))
    return out + _direct_notes(accounts, story)


def _missing_notes(name, missing, clock_off: bool, zone) -> list[Note]:
    """Name each unloading that is missing, or their number where there are many."""
    if not missing:
        return []
    why = (
        "The tank would have overflowed without it; the load there is unknown. Was "
        "another cart there, or was a log switched off?"
    )
    if clock_off:
        why = "The clocks do not seem to agree, see there; the load there is unknown."
    if len(missing) <= _NAMED:
        return [
            Note(
                "loads.transfer_missing",
                "check",
                f"{name}: an unloading is missing "
                f"{span_words(m.begin, m.end, zone)}. {why}",
                1,
                name,
            )
            for m in missing
        ]
    first = "; ".join(span_words(m.begin, m.end, zone) for m in missing[: _NAMED - 1])
    sentence = (
        f"{name}: {len(missing)} unloadings are missing, as {first}. "
        f"{why.replace('without it', 'without them')}"
    )
    return [Note("loads.transfer_missing", "check", sentence, len(missing), name)]


def _perhaps(name: str, begin: float, end: float, zone) -> Note:
    sentence = (
        f"{name}: an unloading seems to be missing {span_words(begin, end, zone)}, "
        "where the log of its cart has a hole; the next was too short for what was in "
        "the tank. The load there is unknown."
    )
    return Note("loads.transfer_missing", "check", sentence, 1, name)


def _alone_note(name, account: Account, alone, zone) -> list[Note]:
    """Say on which days nobody was seen to take from a tank."""
    if not alone or account.alone:
        return []
    days = ", ".join(moment_words(a, zone, day_only=True) for a, _ in alone[:_NAMED])
    sentence = (
        f"{name}: no cart or truck was seen to take from it on {days}; its tank is "
        "emptied where it must be, or at a stop. Was its cart logged?"
    )
    return [Note("loads.day_alone", "check", sentence, len(alone), name)]


def _rate_notes(name, rates) -> list[Note]:
    """Say when unloading fits only at an odd rate: the log or the tank is off."""
    odd = [r for r in rates if abs(r - 1.0) > _RATE_OFF]
    if not odd or len(odd) < 0.5 * len(rates):
        return []
    middle = float(np.median(odd))
    slow = middle < 1.0
    sentence = (
        f"{name}: its unloadings fit only at {middle:.0%} of the usual rate. "
        + (
            "Its yield log says too little, or carts wait long beside it"
            if slow
            else "Its yield log says too much, or its auger is faster than told"
        )
        + "; scale tickets would settle it."
    )
    return [Note("loads.unload_rate", "check", sentence, len(odd), name)]


def _brimful_notes(name: str, brimful: int, unloadings: int) -> list[Note]:
    """Say when a tank seems to hold more than its volume time after time."""
    if unloadings < _BRIMFUL_LEAST or brimful < _BRIMFUL_SHARE * unloadings:
        return []
    sentence = (
        f"{name}: its tank was more than level full before {brimful} of {unloadings} "
        "unloadings. The yield log says too much, a bushel weighs more than told "
        "(test_weight_lb_bu), or the tank is larger than capacity_m3."
    )
    return [Note("loads.brimful", "check", sentence, brimful, name)]


def _direct_notes(accounts: dict[str, Account], story: Story) -> list[Note]:
    """Say that trucks were loaded by a harvester itself."""
    counts: dict[tuple[str, str], int] = {}
    for t in story.transfers:
        giver, taker = accounts.get(t.donor), accounts.get(t.receiver)
        if giver is None or taker is None or giver.role != "harvest":
            continue
        if taker.machine.road_vehicle:
            counts[t.receiver, t.donor] = counts.get((t.receiver, t.donor), 0) + 1
    return [
        Note(
            "loads.truck_in_field",
            "info",
            f"{truck}: was loaded by {donor} itself {times(count)}, so it drove to it "
            "across the field.",
            count,
            truck,
        )
        for (truck, donor), count in counts.items()
    ]


def span_words(begin: float, end: float, zone: str | None) -> str:
    """Return "on Oct 2 between 14:10 and 15:30" in the farm's zone.

    Examples
    --------
    >>> span_words(0.0, 3600.0, None)
    'on Jan 1 between 00:00 and 01:00 UTC'
    """
    one, two = _local(begin, zone), _local(end, zone)
    utc = " UTC" if zone is None else ""
    day = "" if one.date() == two.date() else f"{two:%b} {two.day} "
    return f"on {one:%b} {one.day} between {one:%H:%M} and {day}{two:%H:%M}{utc}"


def moment_words(moment: float, zone: str | None, *, day_only: bool = False) -> str:
    """Return "on Oct 2 at 14:10", or "Oct 2", in the farm's zone."""
    one = _local(moment, zone)
    if day_only:
        return f"{one:%b} {one.day}"
    utc = " UTC" if zone is None else ""
    return f"on {one:%b} {one.day} at {one:%H:%M}{utc}"


def _local(moment: float, zone: str | None) -> datetime:
    return datetime.fromtimestamp(moment, zoneinfo.ZoneInfo(zone) if zone else UTC)
