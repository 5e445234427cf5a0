"""Other tires, other pressures, another machine, another day: a changed Field."""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING, Any

import msgspec
import numpy as np
import pandas as pd

from trafficmap.core.errors import InputError, SettingsError
from trafficmap.core.notes import Note
from trafficmap.machines.read import read_machine
from trafficmap.machines.validate import axle_report
from trafficmap.season import _say
from trafficmap.season.changes import Change, pressures_set

if TYPE_CHECKING:
    from trafficmap.field.model import Field
    from trafficmap.machines.model import Body, Machine

_GRAIN = 720.0
"""Bulk density of grain where a machine does not tell it [kg/m3]; corn, see units."""


def changed_field(field: Field, change: Change) -> tuple[Field, list[Note]]:
    """Return the field with the machines and days of a change, and what to say of it.

    Parameters
    ----------
    field : Field
    change : Change

    Returns
    -------
    Field
        Itself where the change touches neither machines nor days.
    list of Note

    Raises
    ------
    SettingsError
        A class does not fit where it is put.
    InputError
        The days moved to have no weather, or would change the order of the passes.
    """
    notes: list[Note] = []
    machines = dict(field.machines)
    for key, name in change.instead.items():
        machine_id, _, body = key.partition("/")
        machines[machine_id], found = _replaced(
            machines[machine_id], body, name, field.units
        )
        notes += found
    told = pressures_set(change)
    for key in {**told, **change.pressure_times}:
        machine_id, _, body = key.partition("/")
        machines[machine_id] = _pumped(
            machines[machine_id],
            body,
            pressure=told.get(key),
            times=change.pressure_times.get(key),
        )
    bodies: dict[str, set[str]] = {}
    for key in _pressed(change):
        machine_id, _, body = key.partition("/")
        bodies.setdefault(machine_id, set()).add(body)
    for machine_id, named in sorted(bodies.items()):
        notes += _limits(
            machines[machine_id],
            named,
            share=change.fill.get(machine_id, 1.0),
            units=field.units,
        )
    out = dataclasses.replace(field, machines=machines)
    if change.days_later:
        out, found = _later(out, change)
        notes += found
    return out, notes


def _pressed(change: Change) -> list[str]:
    return [*change.pressure_kpa, *change.pressure_psi, *change.pressure_times]


def _pumped(
    machine: Machine, body_id: str, *, pressure: float | None, times: float | None
) -> Machine:
    """Return a machine with other pressure in its tyres, tracks as they are."""
    bodies = []
    done = 0
    for body in machine.bodies:
        if body_id and body.id != body_id:
            bodies.append(body)
            continue
        axles = []
        for axle in body.axles:
            contacts = []
            for contact in axle.contacts:
                if contact.kind != "tyre":
                    contacts.append(contact)
                    continue
                new = (
                    pressure
                    if pressure is not None
                    else (contact.pressure_kpa or math.nan) * 1e3 * (times or 1.0)
                )
                # A measured footprint was measured at the old pressure.
                contacts.append(
                    msgspec.structs.replace(
                        contact,
                        pressure_kpa=new / 1e3,
                        contact_pressure_kpa=None,
                        contact_area_m2=None,
                        contact_mass_kg=None,
                    )
                )
                done += 1
            axles.append(msgspec.structs.replace(axle, contacts=tuple(contacts)))
        bodies.append(msgspec.structs.replace(body, axles=tuple(axles)))
    if not done:
        msg = f"{machine.id}: has no tires there, need tires to change their pressure."
        raise SettingsError(msg, "tracks have no pressure; name the body with tires")
    kept = tuple(
        name
        for name in machine.pressure_assumed
        if body_id and not name.startswith(f"{body_id}/")
    )
    return msgspec.structs.replace(machine, bodies=tuple(bodies), pressure_assumed=kept)


def _limits(
    machine: Machine, bodies: set[str], *, share: float, units: str
) -> list[Note]:
    """Say where a tyre of some bodies would be overloaded, or nobody can know.

    An empty name stands for the whole rig.
    """
    rows = [
        row
        for row in axle_report(machine, density=_GRAIN, fill=share)
        if "" in bodies or row.body in bodies
    ]
    low = [row for row in rows if row.needed > row.set]
    unknown = [row for row in rows if math.isnan(row.needed) and math.isfinite(row.set)]
    full = "full" if share >= 1.0 else f"filled to {100 * share:.0f} %"
    notes = []
    if low:
        worst = max(low, key=lambda row: row.needed / row.set)
        notes.append(
            Note(
                "season.pressure_low",
                "check",
                f"{machine.id}: {full}, axle {worst.axle} needs about "
                f"{_say.pressure(worst.needed, units)} and would have "
                f"{_say.pressure(worst.set, units)}; the tire would be overloaded. "
                "This change needs other tires or a smaller load.",
                len(low),
                machine.id,
            )
        )
    if unknown:
        names = ", ".join(dict.fromkeys(f"{row.body} {row.axle}" for row in unknown))
        notes.append(
            Note(
                "season.pressure_unknown",
                "check",
                f"{machine.id}: what its tires need to carry the load is not known "
                f"({names}); look the pressure up in the tire maker's table before "
                "you let any air out, or give load_index and ref_pressure_kpa.",
                len(unknown),
                machine.id,
            )
        )
    return notes


def _replaced(
    machine: Machine, body_id: str, name: str, units: str
) -> tuple[Machine, list[Note]]:
    """Return a rig with one body, or its only one, of another class."""
    from pathlib import Path

    new, notes = read_machine({"class": name}, name=machine.id, folder=Path())
    towed = [b for b in new.bodies if b.coupling is not None]
    own = [b for b in new.bodies if b.coupling is None]
    place = 0
    if body_id:
        place = [b.id for b in machine.bodies].index(body_id)
    elif len(machine.bodies) > 1:
        names = ", ".join(f'"{machine.id}/{b.id}"' for b in machine.bodies)
        msg = f"{machine.id}: is a rig of several bodies, need which one to replace."
        raise SettingsError(msg, f"name one of {names}")
    old = machine.bodies[place]
    driven = own if not towed else []
    found = towed[:1] if old.coupling is not None else driven
    if not found:
        word = "pulled" if old.coupling is not None else "driven"
        msg = f"{machine.id}: {name} cannot stand for {old.id}, need a {word} machine."
        raise SettingsError(msg, "choose a class that is driven or pulled alike")
    bodies: list[Body] = list(machine.bodies)
    kept: dict[str, Any] = {"id": old.id, "antenna": old.antenna}
    if old.attachments and found[0].kind == old.kind:
        kept["attachments"] = old.attachments
    bodies[place : place + 1] = [msgspec.structs.replace(found[0], **kept), *found[1:]]
    hitches = list(machine.hitches)
    if len(found) > 1:
        hitches[place:place] = list(new.hitches)
    if place < len(machine.bodies) - 1:
        # What it pulls must still find a hitch.
        kind = found[-1].hitches
        if not kind:
            msg = f"{machine.id}: {name} has no hitch for what {old.id} pulls."
            raise SettingsError(msg, "choose a class that pulls")
        hitches[place + len(found) - 1] = kind[0]
    out = msgspec.structs.replace(
        machine,
        bodies=tuple(bodies),
        hitches=tuple(hitches),
        label=f"{name} in place of {old.label or old.id}",
        pressure_assumed=(
            *(p for p in machine.pressure_assumed if not p.startswith(f"{old.id}/")),
        ),
    )
    before, after = old.payload.capacity(_GRAIN), found[0].payload.capacity(_GRAIN)
    said = [
        Note(
            "season.class_stands_in",
            "info",
            f"{machine.id}: masses, tires and loads are those usual for {name}; put "
            "the figures of the very machine into a machine file to be surer.",
            where=machine.id,
        )
    ]
    if before > 0.0 and after > 0.0 and abs(after - before) > 0.05 * before:
        said.append(
            Note(
                "season.class_capacity",
                "check",
                f"{machine.id}: {name} holds {_say.mass(after, units)} of grain where "
                f"it held {_say.mass(before, units)}; the trips are those that were "
                "driven.",
                where=machine.id,
            )
        )
    # That its values are the class's is said below, in words that fit.
    found_wrong = [note for note in notes if note.code != "machines.assumed"]
    return out, [*(n for n in found_wrong if n.severity != "info"), *said]


def _later(field: Field, change: Change) -> tuple[Field, list[Note]]:
    """Return the field with its passes on other days."""
    step = pd.Timedelta(days=change.days_later)
    fixes = field.fixes
    time = fixes["time"]
    known = time.notna().to_numpy()
    if not known.any():
        msg = f"{field.name}: no log tells its day, need one to drive on another day."
        raise InputError(msg, "use logs whose clock can be trusted")
    moved = known.copy()
    zone = field.time_zone or "UTC"
    if change.days_later_from is not None:
        since = pd.Timestamp(change.days_later_from).tz_localize(zone)
        moved &= (time >= since).to_numpy()
        if not moved.any():
            msg = (
                f"{change.name}: no pass was made on {change.days_later_from} or "
                "after, need a day of this season."
            )
            raise InputError(msg, "look at first_day and last_day in the run")
        stay = known & ~moved
        if stay.any() and time[moved].min() + step < time[stay].max():
            msg = (
                f"{change.name}: {-change.days_later} days earlier would put passes "
                "before others they came after, need the same order."
            )
            raise InputError(msg, "move fewer days, or leave days_later_from out")
    new = time.where(~moved, time + step)
    _require_weather(field, change, new[moved].dt.tz_convert(zone))
    since_first = time[moved].min()
    crop = field.crop
    if crop.harvested:
        day = pd.Timestamp(crop.harvested)
        if day.tz_localize(zone) + pd.Timedelta(days=1) > since_first:
            # The crop leaves the field with its harvest; water is used until then.
            crop = dataclasses.replace(crop, harvested=str((day + step).date()))
    tillage = tuple(
        dataclasses.replace(one, date=str((pd.Timestamp(one.date) + step).date()))
        if pd.Timestamp(one.date).tz_localize(zone) >= since_first.tz_convert(zone)
        else one
        for one in field.tillage
    )
    tickets = field.tickets
    if len(tickets) and tickets["day"].notna().any():
        weighed = tickets["day"]
        late = weighed >= np.datetime64(since_first.tz_convert(zone).date())
        other = weighed.where(~late, weighed + step).astype(weighed.dtype)
        tickets = tickets.assign(day=other)
    notes = []
    if not known.all():
        notes.append(
            Note(
                "season.days_unknown",
                "check",
                f"{int((~known).sum())} fixes have no day, so they cannot be moved to "
                "another one; their damage stays not assessed.",
                int((~known).sum()),
            )
        )
    out = dataclasses.replace(
        field,
        fixes=fixes.assign(time=new),
        crop=crop,
        tillage=tillage,
        tickets=tickets,
    )
    return out, notes


def _require_weather(field: Field, change: Change, time: pd.Series) -> None:
    """Refuse days the weather file does not hold."""
    if field.weather is None or not len(field.weather):
        return
    days = pd.to_datetime(field.weather["date"])
    first, last = time.min().date(), time.max().date()
    begin, end = days.min().date(), days.max().date()
    if begin <= first and last <= end:
        return
    msg = (
        f"{change.name}: puts passes on days from {first} to {last}, the weather goes "
        f"from {begin} to {end}, need weather on every day with a pass."
    )
    raise InputError(msg, "give a longer weather file, or move fewer days")
