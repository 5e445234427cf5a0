"""Forage harvesters: no tank, what is cut goes straight into the trailer beside."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from trafficmap.core.limits import RATE_GAP_SECONDS
from trafficmap.core.notes import Note
from trafficmap.core.settings.loads import LoadSettings
from trafficmap.loads._columns import epoch_seconds, log_spans
from trafficmap.loads.account import Account, Fill
from trafficmap.loads.smooth import second_tracks
from trafficmap.loads.transfer import Tracks, Transfer
from trafficmap.machines.model import Machine

CLASS = "forage_harvester"

_PIECE = 30
"""What is blown over is written in pieces of this many seconds; choice."""

_REACH = 18.0
"""A spout reaches a trailer this far off, beside or behind [m]; choice."""

_LOST_SHARE = 0.10
"""More than this share blown where no trailer is known to have been is told; choice."""


@dataclass
class Blower:
    """What one forage harvester cut, second by second.

    ``second`` [s since 1970], ``flow`` [kg/s]; ``lost`` is what no logged trailer took
    [kg].
    """

    name: str
    machine: Machine
    total: float
    second: np.ndarray
    flow: np.ndarray
    easting: np.ndarray
    northing: np.ndarray
    handed: float = 0.0
    takers: list[str] = field(default_factory=list)


def forage_flows(
    fixes: pd.DataFrame,
    *,
    machines: dict[str, Machine],
    forage_yield: float | None,
    settings: LoadSettings,
) -> dict[str, Blower]:
    """Return what every forage harvester on a true clock cut.

    By its mass flow, else yield x width x way while it works.

    Parameters
    ----------
    fixes : DataFrame
        Contract `SPLIT_FIXES`.
    machines : dict of str to Machine
    forage_yield : float or None
        As cut. [kg/m2]
    settings : LoadSettings
    """
    out: dict[str, Blower] = {}
    spans: dict[str, list[tuple[int, int]]] = {}
    for name, first, last in log_spans(fixes):
        machine = machines.get(name)
        if machine is not None and machine.bodies[0].kind == CLASS:
            spans.setdefault(name, []).append((first, last))
    for name, parts in spans.items():
        rows = np.concatenate([np.arange(a, b) for a, b in parts])
        mine = fixes.iloc[rows]
        clock = epoch_seconds(mine["time"])
        if not np.isfinite(clock).all():
            continue
        order = np.argsort(clock, kind="stable")
        blower = _blower(
            name, machines[name], mine.iloc[order], clock[order], forage_yield, settings
        )
        if blower is not None:
            out[name] = blower
    return out


def _blower(name, machine, fixes, clock, forage_yield, settings) -> Blower | None:
    """Return the flow of one harvester on whole seconds, None where nothing tells."""
    dt = np.diff(clock, prepend=clock[0])
    dt[dt > RATE_GAP_SECONDS] = 0.0
    easting = fixes["easting"].to_numpy(dtype=float)
    northing = fixes["northing"].to_numpy(dtype=float)
    flow = fixes["mass_flow"].to_numpy(dtype=float)
    if np.isfinite(flow).sum() > 1:
        gain = np.maximum(np.nan_to_num(flow), 0.0)
        cut = np.cumsum(0.5 * (gain + np.concatenate([gain[:1], gain[:-1]])) * dt)
    else:
        width = fixes["width"].to_numpy(dtype=float)
        if machine.width:
            width = np.where(np.isfinite(width), width, machine.width)
        working = (fixes["state"] == "working").to_numpy(dtype=np.bool_)
        if not forage_yield or not np.isfinite(width[working]).any():
            return None
        step = np.hypot(
            np.diff(easting, prepend=easting[0]), np.diff(northing, prepend=northing[0])
        )
        swath = np.where(working & (dt > 0), np.nan_to_num(width), 0.0)
        cut = np.cumsum(forage_yield * swath * step)
    track, _ = second_tracks(
        clock, easting, northing, machine=machine, settings=settings
    )
    at = np.interp(track.second, clock, cut)
    before = np.interp(track.second - 1.0, clock, cut)
    return Blower(
        name=name,
        machine=machine,
        total=float(cut[-1]),
        second=track.second,
        flow=at - before,
        easting=track.easting,
        northing=track.northing,
    )


def blow_over(
    blowers: dict[str, Blower], accounts: dict[str, Account], tracks: Tracks
) -> list[Transfer]:
    """Return what trailers were given, piece by piece, with masses.

    At every second the nearest trailer within reach of the spout takes what is cut.

    Parameters
    ----------
    blowers : dict of str to Blower
    accounts : dict of str to Account
    tracks : Tracks
    """
    out: list[Transfer] = []
    takers = [
        name
        for name, account in accounts.items()
        if account.role == "receive"
        and account.trusted
        and account.machine.payload_kind != "liquid"
    ]
    for name, blower in blowers.items():
        near = np.full(blower.second.size, _REACH)
        who = np.full(blower.second.size, -1)
        for number, other in enumerate(takers):
            hopper = tracks.of(other, hopper=True)
            if hopper.second.size == 0:
                continue
            k = np.minimum(
                np.searchsorted(hopper.second, blower.second), hopper.second.size - 1
            )
            apart = np.hypot(
                hopper.easting[k] - blower.easting, hopper.northing[k] - blower.northing
            )
            closer = (hopper.second[k] == blower.second) & (apart < near)
            near[closer], who[closer] = apart[closer], number
        piece = blower.second // _PIECE
        cuts = np.flatnonzero((np.diff(who) != 0) | (np.diff(piece) != 0)) + 1
        edges = np.concatenate([[0], cuts, [who.size]])
        for a, b in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
            mass = float(blower.flow[a:b].sum())
            if a == b or who[a] < 0 or mass <= 0.0:
                continue
            taker = takers[who[a]]
            out.append(
                Transfer(
                    name,
                    taker,
                    float(blower.second[a]) - 1.0,
                    float(blower.second[b - 1]),
                    mass=mass,
                )
            )
            blower.handed += mass
            if taker not in blower.takers:
                blower.takers.append(taker)
                if accounts[taker].fill is Fill.ASSUMED:
                    accounts[taker].fill = Fill.RECEIVE
    return out


def blower_notes(blowers: dict[str, Blower]) -> list[Note]:
    """Say what was blown where no trailer is known to have been."""
    out = []
    for name, blower in blowers.items():
        lost = blower.total - blower.handed
        if blower.total > 0 and lost > _LOST_SHARE * blower.total:
            sentence = (
                f"{name}: {lost / 1000:.1f} of {blower.total / 1000:.1f} t were blown "
                "over where no logged trailer was beside it; another trailer drove "
                "without a log, or the clocks do not agree."
            )
            out.append(Note("loads.forage_untaken", "check", sentence, 1, name))
    return out


def blower_ledger(blower: Blower) -> dict[str, float]:
    """Return the masses of a forage harvester [kg]; see `payload.Payload`."""
    return {
        "filled": blower.total,
        "received": 0.0,
        "handed": blower.handed,
        "emptied": 0.0,
        "spread": 0.0,
        "stock": 0.0,
        "unexplained": blower.total - blower.handed,
    }
