"""Do the clocks of two machines agree? Their own tracks tell, where they meet."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import msgspec
import numpy as np
import pandas as pd

from trafficmap.core.notes import Note
from trafficmap.core.settings.loads import LoadSettings
from trafficmap.core.tables import LIQUID
from trafficmap.loads.account import Account
from trafficmap.loads.beside import seconds_beside, side_of
from trafficmap.loads.opening import build_accounts
from trafficmap.loads.smooth import SecondTrack
from trafficmap.loads.transfer import Tracks, pairs
from trafficmap.loads.unload import unload_rate
from trafficmap.machines.model import Machine

REACH = 120
"""Offsets up to this are always looked for [s]; choice."""

_ANY_DENSITY = 720.0
"""Of grain, where only times are compared [kg/m3]."""

QUARTER = 900
_QUARTERS = 56
"""Whole quarter hours are tried up to 14 h: a wrong zone or summer time; choice."""

_COARSE = 4
_PLATEAU = 0.95
"""Offsets with this share of the most seconds are as good as the best; choice."""

_LEAST, _MORE = 60, 1.25
"""An offset is told when at least so many seconds [s] fit then, and so many times
those that fit as the clocks stand; choice."""

_NEEDED = 0.5
"""Quarter hours are tried where less than this share of the time that unloading must
have taken fits; choice."""


@dataclass(frozen=True)
class Offset:
    """An offset between two clocks, from the tracks alone.

    Parameters
    ----------
    donor, receiver : str
        Machines; the receiver's clock needs `best` seconds added to fit the donor's.
    log_id : int
        The receiver's log.
    best, low, high : int
        Middle and ends of the plateau. [s]
    seconds, as_it_is : int
        Seconds beside each other on the go at `best`, and as the clocks stand.
    """

    donor: str
    receiver: str
    log_id: int
    best: int
    low: int
    high: int
    seconds: int
    as_it_is: int


def clock_offsets(
    accounts: dict[str, Account],
    tracks: Tracks,
    *,
    log_of_row: np.ndarray,
    settings: LoadSettings,
    any_fill: bool = False,
) -> list[Offset]:
    """Return the offsets at which giver and taker would fit clearly better.

    For every giver and every log of a taker the seconds in place to hand over on the
    go are counted at each offset within two minutes; the top is a plateau some seconds
    wide, its middle is the offset and its ends are the interval. Where too few seconds
    fit for what was harvested, whole quarter hours are tried as well. Distances are
    from spout to hopper: from antenna to antenna the offset would be wrong by the way
    between over the speed.

    Parameters
    ----------
    accounts : dict of str to Account
    tracks : Tracks
    log_of_row : ndarray of int64
        Number of the log of each row of the fixes.
    settings : LoadSettings
    any_fill : bool
        Also harvesters of which nobody knows what they cut.
    """
    found = []
    takers: dict[str, list[tuple[str, int, SecondTrack]]] = {}
    for donor, receiver in pairs(accounts, any_fill=any_fill):
        if accounts[donor].role != "harvest":
            continue
        whole = tracks.of(receiver, hopper=True)
        for log_id, first, last in _logs_of(accounts[receiver], log_of_row):
            part = _part(whole, first, last)
            if part.second.size > 1:
                takers.setdefault(donor, []).append((receiver, log_id, part))
    for donor, logs in takers.items():
        giver, track = accounts[donor], tracks.of(donor, hopper=False)
        if track.second.size < 2:
            continue
        near = [_near(giver, track, part, settings) for _, _, part in logs]
        need = giver.flow_at(float(giver.clock[-1])) / unload_rate(giver, settings)
        starved = sum(n.fit for n in near) < _NEEDED * need
        for (receiver, log_id, part), one in zip(logs, near, strict=True):
            offset = _search(giver, track, part, one, settings, far=starved)
            if offset is not None:
                found.append(Offset(donor, receiver, log_id, *offset))
    return _needed_only(found)


@dataclass(frozen=True)
class _Near:
    """The best offset within two minutes: seconds that fit on the go, and in all."""

    best: int
    moving: int
    fit: int
    as_it_is: int


def compare_clocks(
    fixes: pd.DataFrame,
    *,
    machines: dict[str, Machine],
    settings: LoadSettings,
    log_names: dict[int, str] | None = None,
    log_offsets: dict[int, float] | None = None,
) -> list[Note]:
    """Say whose clocks do not fit each other, from fixes as they were read.

    Parameters
    ----------
    fixes : DataFrame
        Contract `FIXES`; nothing of it needs to be cleaned or split.
    machines : dict of str to Machine
    settings : LoadSettings
    log_names, log_offsets : dict by log_id, optional
        As in `clock_notes`.
    """
    carriers = [name for name, m in machines.items() if m.payload_kind != "none"]
    mine = fixes[fixes["machine_id"].isin(carriers) & fixes["time"].notna()]
    if mine["machine_id"].nunique() < 2:
        return []
    mine = mine.sort_values(["log_id", "time"], kind="stable", ignore_index=True)
    accounts = build_accounts(
        mine.assign(state="working"),
        machines=machines,
        density=_ANY_DENSITY,
        yield_cut=None,
        moisture_std=None,
        liquid=LIQUID.empty(),
        settings=msgspec.structs.replace(settings, flow_lag=0.0),
    )
    offsets = clock_offsets(
        accounts,
        Tracks(accounts, settings),
        log_of_row=mine["log_id"].to_numpy(dtype=np.int64),
        settings=settings,
        any_fill=True,
    )
    return clock_notes(offsets, log_names=log_names, log_offsets=log_offsets)


def clock_notes(
    offsets: list[Offset],
    *,
    log_names: dict[int, str] | None = None,
    log_offsets: dict[int, float] | None = None,
) -> list[Note]:
    """Say how far a clock is off and what to write; nothing is set right in silence.

    Parameters
    ----------
    offsets : list of Offset
    log_names : dict of int to str, optional
        What the logs are called.
    log_offsets : dict of int to float, optional
        What their clocks are already given. [s]
    """
    names, given = log_names or {}, log_offsets or {}
    groups: dict[tuple[str, str, float], list[Offset]] = {}
    for o in offsets:
        key = o.donor, o.receiver, given.get(o.log_id, 0.0)
        groups.setdefault(key, []).append(o)
    out = []
    for (_, _, had), group in groups.items():
        alike = _together(group)
        out += [
            _note(o, [names.get(m.log_id, "") for m in those], had)
            for o, those in alike
        ]
    return out


def _together(group: list[Offset]) -> list[tuple[Offset, list[Offset]]]:
    """Return offsets with the logs they hold for; all in one where they agree."""
    low, high = max(o.low for o in group), min(o.high for o in group)
    if low > high:
        return [(o, [o]) for o in group]
    one = replace(
        group[0],
        best=round((low + high) / 2),
        low=low,
        high=high,
        seconds=sum(o.seconds for o in group),
        as_it_is=sum(o.as_it_is for o in group),
    )
    return [(one, group)]


def _note(o: Offset, names: list[str], had: float) -> Note:
    """Say one offset: how far, on what evidence, and what to write."""
    which = ", ".join(name for name in names if name)
    where = f" in {which}" if which else ""
    way = "behind" if o.best > 0 else "ahead of"
    now = f" (instead of {had:g})" if had else ""
    low, high = sorted((abs(o.low), abs(o.high)))
    sentence = (
        f"{o.receiver}: its clock{where} seems {_span(abs(o.best))} {way} that of "
        f"{o.donor} ({low} to {high} s): {o.seconds:,} s of unloading on the go fit "
        f"then, {o.as_it_is:,} s as the clocks stand. Nothing was changed; to use it "
        f"put clock_offset_s = {had + o.best:g}{now} under its [[log]]."
    )
    return Note("loads.clocks_apart", "check", sentence, len(names), o.receiver)


def _span(seconds: int) -> str:
    if seconds < 600:
        return f"{seconds} s"
    return f"{seconds // 3600} h {seconds % 3600 // 60} min {seconds % 60} s"


def _logs_of(
    account: Account, log_of_row: np.ndarray
) -> list[tuple[int, float, float]]:
    """Return (log, first, last moment) of the logs of a rig."""
    logs = log_of_row[account.rows]
    cuts = np.concatenate([[0], np.flatnonzero(np.diff(logs) != 0) + 1, [logs.size]])
    return [
        (int(logs[a]), float(account.clock[a]), float(account.clock[b - 1]))
        for a, b in itertools.pairwise(cuts.tolist())
    ]


def _part(track: SecondTrack, first: float, last: float) -> SecondTrack:
    """Return the track between two moments."""
    a, b = np.searchsorted(track.second, [first, np.nextafter(last, np.inf)])
    cut = slice(int(a), int(b))
    return SecondTrack(
        track.second[cut],
        track.easting[cut],
        track.northing[cut],
        track.heading[cut],
        track.east_speed[cut],
        track.north_speed[cut],
        track.window,
        track.speed_error,
    )


def _near(giver: Account, one: SecondTrack, two: SecondTrack, settings) -> _Near:
    """Return what fits within two minutes of the clocks as they stand."""
    around = _part(one, two.second[0] - REACH - 1, two.second[-1] + REACH + 1)
    coarse = np.arange(-REACH, REACH + 1, _COARSE)
    moving, standing = seconds_beside(
        around, two, coarse, side=_side(giver), settings=settings
    )
    top = int(np.argmax(moving))
    fit = int((moving + standing).max())
    return _Near(int(coarse[top]), int(moving[top]), fit, int(moving[coarse == 0][0]))


def _search(giver, one: SecondTrack, two: SecondTrack, near: _Near, settings, *, far):
    """Return best, low, high offset, seconds there and as it is; None for no better."""
    best = near.best
    track = _part(one, two.second[0] - 2 * REACH, two.second[-1] + 2 * REACH)
    if far:
        hours = np.array([k for k in range(-_QUARTERS, _QUARTERS + 1) if k]) * QUARTER
        wide = (hours[:, None] + np.arange(-REACH, REACH + 1, 2 * _COARSE)).ravel()
        more, _ = seconds_beside(one, two, wide, side=_side(giver), settings=settings)
        top = int(np.argmax(more))
        if more[top] > 2 * near.moving + _LEAST:
            best, track = int(wide[top]), one
    elif near.moving < max(_LEAST, _MORE * near.as_it_is):
        return None
    middle, low, high, seconds = _fine(giver, track, two, best, settings)
    if low <= 0 <= high or seconds < max(_LEAST, _MORE * near.as_it_is):
        return None
    return middle, low, high, seconds, near.as_it_is


def _side(giver: Account) -> float:
    body = giver.machine.payload_body
    return side_of(body.payload.auger_side if body else "")


def _fine(giver, one: SecondTrack, two: SecondTrack, about: int, settings):
    """Return middle and ends of the plateau about an offset, and its seconds."""
    offsets = np.arange(about - 20, about + 21)
    moving, _ = seconds_beside(one, two, offsets, side=_side(giver), settings=settings)
    top = int(np.argmax(moving))
    good = moving >= _PLATEAU * moving[top]
    a = b = top
    while a > 0 and good[a - 1]:
        a -= 1
    while b < good.size - 1 and good[b + 1]:
        b += 1
    low, high = int(offsets[a]), int(offsets[b])
    return round((low + high) / 2), low, high, int(moving[top])


def _needed_only(found: list[Offset]) -> list[Offset]:
    """Return offsets without those of a taker whose giver's needs others meet.

    A truck that never met the combine finds its best chance somewhere far off.
    """
    out = []
    for o in found:
        far = max(abs(o.low), abs(o.high)) > REACH + 20
        if far and any(
            other.donor == o.donor
            and other.receiver != o.receiver
            and other.seconds > o.seconds
            for other in found
        ):
            continue
        out.append(o)
    return out
