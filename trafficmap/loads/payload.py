"""Payload of every rig at every fix: from signals, a mass ledger, or assumed."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trafficmap.core.notes import Note
from trafficmap.core.settings.loads import LoadSettings
from trafficmap.core.tables import PASSES, SPLIT_FIXES, require_table
from trafficmap.core.units import MASS_PER_BUSHEL, VOLUME_BUSHEL
from trafficmap.field.model import Crop
from trafficmap.loads.account import Account, Fill
from trafficmap.loads.clocks import clock_notes, clock_offsets
from trafficmap.loads.fill import STANDARD_MOISTURE
from trafficmap.loads.findings import account_notes, story_notes
from trafficmap.loads.forage import (
    CLASS,
    blow_over,
    blower_ledger,
    blower_notes,
    forage_flows,
)
from trafficmap.loads.ledger import run_ledger
from trafficmap.loads.opening import build_accounts
from trafficmap.loads.received import poorest_received
from trafficmap.loads.scales import yield_by_scales
from trafficmap.loads.tanker import settle_rate, tanker_notes
from trafficmap.loads.tickets import Tickets
from trafficmap.loads.transfer import Tracks, find_transfers
from trafficmap.machines.model import Machine
from trafficmap.tracks.ground import LogFacts

DENSEST_CROP = MASS_PER_BUSHEL["soybean"] / VOLUME_BUSHEL
"""Where the crop is not known grain counts as the densest, 60 lb/bu; choice [kg/m3]."""


@dataclass(frozen=True)
class Payload:
    """Payload of every fix and the ledger it comes from.

    Parameters
    ----------
    table : DataFrame
        One row a fix, index as the fixes: payload_low, payload, payload_high of the
        whole rig [kg], and source (signal, inferred, assumed, none).
    ledger : dict
        Machine -> masses [kg]: ``filled`` from crop or store, ``received`` and
        ``handed`` between machines, ``emptied`` at a stop or where it must have been,
        ``spread`` on the ground, ``stock`` gained from first to last fix, and
        ``unexplained``. filled + received - handed - emptied - spread - stock =
        unexplained.
    density : float
        Bulk density of the crop used for tanks given by volume. [kg/m3]
    """

    table: pd.DataFrame
    ledger: dict[str, dict[str, float]]
    density: float


def payload(
    split_fixes: pd.DataFrame,
    passes: pd.DataFrame,
    *,
    machines: dict[str, Machine],
    crop: Crop,
    liquid: pd.DataFrame,
    settings: LoadSettings,
    tickets: pd.DataFrame | None = None,
    time_zone: str | None = None,
    log_names: dict[int, str] | None = None,
    log_offsets: dict[int, float] | None = None,
    logs: Iterable[LogFacts] = (),
) -> tuple[Payload, list[Note]]:
    """Return what every rig carried at every fix.

    In this order: a logged tank mass; what was harvested (mass flow, else yield x
    width x distance) less what was handed to carts beside it or emptied at stops; what
    a tanker spread from full; else half full, anywhere from empty to full.

    Parameters
    ----------
    split_fixes, passes : DataFrame
        Contracts `SPLIT_FIXES` and `PASSES`.
    machines : dict of str to Machine
    crop : field.model.Crop
        Its ``now`` gives the bulk density, its ``yield_harvested`` [kg/m2] stands in
        for a missing mass flow; ``yield_expected`` only where the next crop is the
        same.
    liquid : DataFrame
        Contract `LIQUID`: rate and width of spreaders.
    settings : LoadSettings
    tickets : DataFrame, optional
        Contract `TICKETS`: what was hauled off by the scale; closes the sum.
    time_zone : str, optional
        Of the times in sentences; UTC where not given.
    log_names, log_offsets : dict by log_id, optional
        What logs are called, and what their clocks are already given [s].
    logs : iterable of LogFacts
        What was said of single logs: ``correction`` sets how long a stretch of track
        is smoothed over before two machines are paired.

    Returns
    -------
    Payload
    list of Note

    Raises
    ------
    TableError
        A table breaks its contract.
    """
    require_table(split_fixes, SPLIT_FIXES)
    require_table(passes, PASSES)
    notes: list[Note] = []
    machines = poorest_received(machines, split_fixes, logs)
    density = _crop_density(crop, machines, notes)
    n = len(split_fixes)
    low, best, high = np.zeros(n), np.zeros(n), np.zeros(n)
    source = np.full(n, "none", dtype=object)
    yield_cut, yield_note = _yield_cut(crop)
    accounts = build_accounts(
        split_fixes,
        machines=machines,
        density=density,
        yield_cut=yield_cut,
        moisture_std=STANDARD_MOISTURE.get(_crop_name(crop)),
        liquid=liquid,
        settings=settings,
    )
    closing = Tickets(tickets, accounts)
    scaled = closing.scale()
    for account in accounts.values():
        settle_rate(account, settings)
    tracks = Tracks(accounts, settings)
    transfers, met = find_transfers(accounts, tracks, settings=settings)
    weighed = yield_by_scales(accounts, transfers)
    blowers = forage_flows(
        split_fixes,
        machines=machines,
        forage_yield=_forage_yield(crop, accounts, yield_cut),
        settings=settings,
    )
    blown = blow_over(blowers, accounts, tracks) if blowers else []
    _ask_forage_yield(split_fixes, machines, blowers, accounts)
    story = run_ledger(accounts, transfers, blown=blown, settings=settings)
    if scaled and closing.close():
        for account in accounts.values():
            account.reset()
        story = run_ledger(accounts, transfers, blown=blown, settings=settings)
    offsets = clock_offsets(
        accounts,
        tracks,
        log_of_row=split_fixes["log_id"].to_numpy(dtype=np.int64),
        settings=settings,
    )
    notes += clock_notes(offsets, log_names=log_names, log_offsets=log_offsets)
    notes += met + weighed + closing.notes(scaled) + blower_notes(blowers)
    if yield_note is not None and _leans_on_yield(accounts, yield_cut):
        notes.append(yield_note)
    notes += story_notes(
        accounts,
        story,
        off_clock={o.receiver for o in offsets},
        time_zone=time_zone,
    )
    ledger: dict[str, dict[str, float]] = {}
    for name, account in accounts.items():
        rows = account.rows
        low[rows], best[rows], high[rows], source[rows] = _curve(account, settings)
        ledger[name] = account.ledger()
        notes += account_notes(account) + tanker_notes(account, settings)
    ledger |= {name: blower_ledger(blower) for name, blower in blowers.items()}
    table = pd.DataFrame(
        {
            "payload_low": low,
            "payload": best,
            "payload_high": high,
            "source": source,
        },
        index=split_fixes.index,
    )
    return Payload(table=table, ledger=ledger, density=density), notes


def _curve(account: Account, settings: LoadSettings):
    """Return low, best and high payload [kg] and its source, at every fix."""
    size = account.rows.size
    capacity, top = account.capacity, account.top
    if account.fill is Fill.ASSUMED:
        return (
            np.zeros(size),
            np.full(size, 0.5 * capacity),
            np.full(size, capacity),
            np.full(size, "assumed", dtype=object),
        )
    best = account.level()
    if account.fill is Fill.SIGNAL:
        spread, source = settings.signal_spread, "signal"
    else:
        spread, source = settings.ledger_spread, "inferred"
    reach = spread * capacity
    low = np.clip(best - reach, 0.0, None)
    high = np.minimum(best + reach, np.maximum(top, best))
    for other in account.scenarios:
        low = np.minimum(low, other)
        high = np.maximum(high, other)
    word = np.full(size, source, dtype=object)
    unknown = account.unknown_rows()
    low[unknown], high[unknown] = 0.0, np.maximum(high[unknown], top)
    word[unknown] = "assumed"
    return low, best, high, word


def _crop_density(crop: Crop, machines: dict[str, Machine], notes: list[Note]) -> float:
    """Return the bulk density of the crop [kg/m3]; a Note where it is not known."""
    mass = MASS_PER_BUSHEL.get(_crop_name(crop), math.nan)
    if math.isfinite(mass):
        return mass / VOLUME_BUSHEL
    leaning = [
        machine.id
        for machine in machines.values()
        for body in machine.bodies
        if body.payload.kind == "grain"
        and body.payload.capacity_m3 is not None
        and not math.isfinite(body.payload.density())
    ]
    if leaning:
        notes.append(
            Note(
                code="loads.density_assumed",
                severity="check",
                sentence=(
                    f"{', '.join(dict.fromkeys(leaning))}: the crop is not named or "
                    "not known, so a tank counts as full of grain of 60 lb a bushel, "
                    "the heaviest; name the crop under [crop]."
                ),
                count=len(leaning),
            )
        )
    return DENSEST_CROP


def _yield_cut(crop: Crop) -> tuple[float | None, Note | None]:
    """Return the yield of the crop that was cut [kg/m2], and what to say of it."""
    if crop.yield_harvested is not None or crop.yield_expected is None:
        return crop.yield_harvested, None
    number = f"{crop.yield_expected * 10:.1f} t/ha"
    ask = "Add harvested_yield_t_ha (or harvested_yield_bu_ac) to [crop]."
    if crop.next in ("", crop.now):
        sentence = (
            f"What was cut is taken from the yield to expect, {number}, as the next "
            f"crop is the same or not named. {ask}"
        )
        return crop.yield_expected, Note("loads.yield_stands_in", "check", sentence)
    sentence = (
        f"The yield to expect, {number}, is that of {crop.next}, not of what was cut, "
        f"so no tank is filled by it. {ask}"
    )
    return None, Note("loads.yield_of_next", "check", sentence)


def _leans_on_yield(accounts: dict[str, Account], yield_cut: float | None) -> bool:
    """Return whether any harvester is, or could be, filled by yield x width."""
    cuts = [a for a in accounts.values() if a.role == "harvest" and a.signal is None]
    if yield_cut is None:
        return any(a.fill is Fill.ASSUMED and a.area is not None for a in cuts)
    return any(a.by_yield for a in cuts)


def _forage_yield(crop: Crop, accounts, yield_cut: float | None) -> float | None:
    """Return the yield of forage as cut [kg/m2]: its own, else of the only crop."""
    if crop.yield_forage is not None:
        return crop.yield_forage
    return None if any(a.role == "harvest" for a in accounts.values()) else yield_cut


def _ask_forage_yield(fixes, machines, blowers, accounts) -> None:
    """Name what would fill trailers whose forage harvester tells nothing."""
    mute = [
        name
        for name, machine in machines.items()
        if machine.bodies[0].kind == CLASS
        and name not in blowers
        and (fixes["machine_id"] == name).any()
    ]
    for account in accounts.values() if mute else ():
        if account.role == "receive" and account.machine.payload_kind == "solid":
            account.missing = (
                "log its load, or give forage_yield_t_ha under [crop], so that "
                f"{mute[0]} fills it"
            )


def _crop_name(crop: Crop) -> str:
    return crop.now.strip().lower().replace(" ", "_")
