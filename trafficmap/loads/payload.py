"""Payload of every rig at every fix: from signals, a mass ledger, or assumed."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trafficmap.core.notes import Note
from trafficmap.core.settings.loads import LoadSettings
from trafficmap.core.tables import PASSES, SPLIT_FIXES, require_table
from trafficmap.core.units import MASS_PER_BUSHEL, VOLUME_BUSHEL
from trafficmap.field.model import Crop
from trafficmap.loads.account import Account, Fill, build_accounts
from trafficmap.loads.fill import STANDARD_MOISTURE
from trafficmap.loads.ledger import run_ledger
from trafficmap.loads.transfer import find_transfers
from trafficmap.machines.model import Machine

DENSEST_CROP = MASS_PER_BUSHEL["soybean"] / VOLUME_BUSHEL
"""Where the crop is not known grain counts as the densest, 60 lb/bu; choice [kg/m3]."""

_UNEXPLAINED_SHARE = 0.15
"""More than this share of the mass moved without a reason is worth a Note; choice."""


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
        Its ``now`` gives the bulk density, its ``yield_expected`` [kg/m2] stands in
        for a missing mass flow.
    liquid : DataFrame
        Contract `LIQUID`: rate and width of spreaders.
    settings : LoadSettings

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
    density = _crop_density(crop, machines, notes)
    n = len(split_fixes)
    low, best, high = np.zeros(n), np.zeros(n), np.zeros(n)
    source = np.full(n, "none", dtype=object)
    accounts = build_accounts(
        split_fixes,
        machines=machines,
        density=density,
        yield_expected=crop.yield_expected,
        moisture_std=STANDARD_MOISTURE.get(_crop_name(crop)),
        liquid=liquid,
        settings=settings,
    )
    transfers, transfer_notes = find_transfers(
        split_fixes, accounts, machines=machines, settings=settings
    )
    notes += transfer_notes
    run_ledger(accounts, transfers, settings=settings)
    ledger: dict[str, dict[str, float]] = {}
    for name, account in accounts.items():
        rows = account.rows
        low[rows], best[rows], high[rows], source[rows] = _curve(account, settings)
        ledger[name] = account.ledger()
        notes += _account_notes(account)
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
    capacity, top = account.capacity, account.capacity * (1.0 + settings.heap)
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


def _crop_name(crop: Crop) -> str:
    return crop.now.strip().lower().replace(" ", "_")


def _account_notes(account: Account) -> list[Note]:
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
    return out
