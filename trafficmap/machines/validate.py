"""The check of a machine: can it be placed and loaded, and do its numbers agree."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from trafficmap.core.constants import GRAVITY
from trafficmap.core.errors import SettingsError
from trafficmap.core.notes import Note
from trafficmap.core.units import MASS_PER_BUSHEL, VOLUME_BUSHEL
from trafficmap.machines.axles import rig_wheel_loads
from trafficmap.machines.model import Axle, Body, Contact, Machine
from trafficmap.machines.statics import body_supports, empty_cg, payload_cg, supports
from trafficmap.machines.tyres import load_of_index, pressure_needed
from trafficmap.machines.wheels import wheel_spots

_HULL_MARGIN = 1.0
"""The antenna lies inside the box around the body, this much wider all round; choice
[m]."""

_SHARE_TOLERANCE = 0.01

_ODD_CONTACT = (0.4, 2.5)
"""Contact over inflation pressure beyond which one of them is likely a slip; choice."""

DENSITY_MAIZE = MASS_PER_BUSHEL["corn"] / VOLUME_BUSHEL
"""Bulk density of shelled maize at 56 lb/bu [kg/m3]."""


@dataclass(frozen=True)
class AxleReport:
    """Load and pressure of one axle over the payload range.

    ``lightest`` and ``heaviest`` are masses on the axle, `wheel` the heaviest on one
    tyre [kg]; ``needed`` and ``set`` are pressures [Pa], NaN where not known.
    """

    body: str
    axle: str
    lightest: float
    heaviest: float
    wheel: float
    needed: float
    set: float


def check_machine(machine: Machine) -> list[Note]:
    """Refuse a machine that cannot be loaded; return what looks wrong.

    Raises
    ------
    SettingsError
        Shares that do not add up, too many supports, a tyre that does not parse, a
        reference axle that does not exist, and the like; the sentence names the body.
    """
    for body in machine.bodies:
        _check_shape(body)
        empty_cg(body)
        if body.payload.kind != "none":
            payload_cg(body, 0.0, capacity=math.nan)
    for k, body in enumerate(machine.bodies):
        joined = k < len(machine.hitches) and machine.hitches[k].kind == "pivot"
        if not joined:
            _check_alone(body)
    if machine.bodies[0].coupling is not None:
        msg = f"{machine.id}: {machine.bodies[0].id} is pulled, but nothing pulls it."
        raise SettingsError(msg, "name the tractor first and the cart under trails")
    low, high = machine.bodies[0].limits.working_speed_kmh
    if not 0.0 <= low < high:
        msg = f"{machine.id}: working_speed_kmh is {low:g} to {high:g}, need slowest "
        msg += "before fastest."
        raise SettingsError(msg, "swap the two")
    notes = [note for body in machine.bodies for note in _doubts(body, machine.id)]
    notes += _weak_tyres(machine)
    notes += _told_contacts(machine)
    return notes


def axle_report(machine: Machine, *, density: float = DENSITY_MAIZE, fill: float = 1.0):
    """Return the load of each axle over the payload range, and its pressure.

    The rig stands level with its header on and its tools lifted; what a pulled body
    puts on the hitch in front is in it. A body that nothing pulls here stands alone.

    Parameters
    ----------
    density : float
        Bulk density where the machine does not tell it. [kg/m3]
    fill : float
        The fullest it gets, as a share of what it holds. [fraction]

    Returns
    -------
    list of AxleReport
    """
    full = fill * machine.capacity(density)
    carried = np.linspace(0.0, full if math.isfinite(full) else 0.0, 11)
    on_wheels = _standing_loads(machine, carried, density)
    rows = []
    spots = wheel_spots(machine)
    for b, body in enumerate(machine.bodies):
        for axle in body.axles:
            mine = [
                k
                for k, s in enumerate(spots)
                if s.body == b and s.axle.name == axle.name
            ]
            on_axle = on_wheels[:, mine].sum(axis=1)
            heavy = max(mine, key=lambda k: spots[k].share)
            contact = axle.contacts[spots[heavy].contact]
            wheel = float(on_wheels[:, heavy].max())
            rows.append(
                AxleReport(
                    body=body.id,
                    axle=axle.name,
                    lightest=float(on_axle.min()),
                    heaviest=float(on_axle.max()),
                    wheel=wheel,
                    needed=_needed(contact, wheel),
                    set=(contact.pressure_kpa or math.nan) * 1e3,
                )
            )
    return rows


def _standing_loads(machine: Machine, carried, density: float) -> np.ndarray:
    """Mass on each wheel [kg], shape (n, n_wheels), of a rig or of a body alone."""
    if machine.bodies[0].coupling is None:
        loads = rig_wheel_loads(machine, carried, density=density, state="hauling")
        return loads / GRAVITY
    body = machine.bodies[0]
    on = body_supports(body, carried, capacity=float(carried[-1]))
    share = {
        axle.name: on[name] * part
        for name, axles in body.groups().items()
        for axle, part in axles
    }
    columns = [share[spot.axle.name] * spot.share for spot in wheel_spots(machine)]
    return np.stack(columns, axis=1)


def _needed(contact: Contact, mass: float) -> float:
    """Pressure this tyre needs under `mass` [Pa], NaN when the tyre does not tell."""
    tyre = contact.tyre
    index = contact.load_index or (tyre.load_index if tyre else None)
    if index is None or contact.ref_pressure_kpa is None or mass <= 0.0:
        return math.nan
    return float(
        pressure_needed(
            mass,
            ref_mass=load_of_index(index),
            ref_pressure=contact.ref_pressure_kpa * 1e3,
        )
    )


def _check_shape(body: Body) -> None:
    names = [axle.name for axle in body.axles]
    if len(set(names)) < len(names):
        msg = f"{body.id}: two axles have the same name."
        raise SettingsError(msg, "give each axle its own name")
    supports(body)
    origin = dict(body.load_points())
    reference = body.reference_axle
    x = origin.get(reference)
    if reference == "middle":
        x = sum(origin.values()) / len(origin)
    elif x is None:
        own = [axle.x for axle in body.axles if axle.name == reference]
        if not own:
            msg = f"{body.id}: reference_axle {reference!r} is no axle of it, need one "
            msg += f"of {', '.join([*origin, 'middle'])}."
            raise SettingsError(msg, "name the axle that is not steered")
        x = own[0]
    steered = [a.name for a in body.axles if a.name == reference and a.steered]
    if steered:
        msg = f"{body.id}: the reference axle {reference} is steered, need one that is "
        msg += "not."
        raise SettingsError(msg, "name another axle, or middle when both ends steer")
    if abs(x) > 0.01:
        msg = f"{body.id}: the reference axle {reference} is at x = {x:g} m, need 0."
        raise SettingsError(msg, "measure every x from the reference axle")
    payload = body.payload
    if payload.kind != "none" and not payload.capacity(DENSITY_MAIZE) > 0:
        msg = f"{body.id}: carries {payload.kind} but has no capacity."
        raise SettingsError(msg, "give capacity_m3 or capacity_kg")
    if payload.spout_y and payload.unload_side is not None:
        side = "left" if payload.spout_y < 0 else "right"
        if side != payload.unload_side:
            msg = f"{body.id}: spout_y {payload.spout_y:g} m lies on the {side}, but "
            msg += f"unload_side is {payload.unload_side}."
            raise SettingsError(msg, "left is minus, right is plus")
    if payload.kind == "solid" and not payload.capacity() > 0:
        msg = f"{body.id}: capacity_m3 of a load that is no grain needs its density."
        raise SettingsError(msg, "give density_kg_m3 or capacity_kg")
    for name, axles in body.groups().items():
        total = sum(share for _, share in axles)
        if abs(total - 1.0) > _SHARE_TOLERANCE:
            msg = f"{body.id}: load_share of {name} adds up to {total:g}, need 1."
            raise SettingsError(msg, "correct the load shares")
    for axle in body.axles:
        _check_axle(body, axle)


def _check_axle(body: Body, axle: Axle) -> None:
    where = f"{body.id}, axle {axle.name}"
    total = sum(contact.share for contact in axle.contacts)
    if abs(total - 1.0) > _SHARE_TOLERANCE:
        msg = f"{where}: share of the tyres adds up to {total:g}, need 1."
        raise SettingsError(msg, "inner and outer tyre together carry 1")
    for contact in axle.contacts:
        if contact.centre and len(axle.contacts) > 1:
            msg = f"{where}: a centre wheel carries the axle alone."
            raise SettingsError(msg, "give the axle one contact only")
        if not contact.centre and axle.track_width / 2 + contact.lateral_offset <= 0:
            msg = f"{where}: a wheel would stand on the centre line."
            raise SettingsError(msg, "give track_width, or centre = true")
        if not math.isfinite(contact.section_width):
            msg = f"{where}: no tyre size and no width is given."
            raise SettingsError(msg, 'write designation = "710/70R42", or a width')
        if contact.kind == "track" and contact.contact_length is None:
            msg = f"{where}: a track needs its contact_length."
            raise SettingsError(msg, "measure between the outer idler centres")
        if contact.kind == "tyre" and contact.pressure_kpa is None:
            msg = f"{where}: a tyre needs its pressure_kpa."
            raise SettingsError(msg, "read the gauge")
        _check_contact(contact, where)


def _check_contact(contact: Contact, where: str) -> None:
    """Refuse a told contact that does not say one thing, or not whose it is."""
    area, mass = contact.contact_area_m2, contact.contact_mass_kg
    pressure = contact.contact_pressure_kpa
    if area is None and mass is None and pressure is None:
        return
    if contact.kind == "track":
        msg = f"{where}: a track has no contact_pressure_kpa and no contact_area_m2."
        raise SettingsError(msg, "its contact_length and width say the same")
    if (area is None) != (mass is None):
        msg = f"{where}: contact_area_m2 and contact_mass_kg must come together."
        raise SettingsError(msg, "an area means nothing without the mass on the wheel")
    if area is not None and pressure is not None:
        msg = f"{where}: contact_pressure_kpa and contact_area_m2 are both given."
        raise SettingsError(msg, "keep one of them")
    areas = area if isinstance(area, tuple) else (area,)
    masses = mass if isinstance(mass, tuple) else (mass,)
    if len(areas) != len(masses):
        msg = f"{where}: got {len(areas)} areas and {len(masses)} masses, need as many."
        raise SettingsError(msg, "write lists of equal length, in the same order")
    box = contact.section_width * contact.overall_diameter
    if area is not None and max(value for value in areas if value) > box:
        msg = f"{where}: a contact of {max(v for v in areas if v):g} m2 is larger than "
        msg += f"the tyre, {box:.2f} m2 seen from above."
        raise SettingsError(msg, "give the area in m2")
    if not contact.contact_source.strip():
        msg = f"{where}: a told contact needs its contact_source."
        raise SettingsError(msg, 'write contact_source = "tyre table of ..., 2025"')


def _check_alone(body: Body) -> None:
    """Refuse a body that nothing holds level."""
    contacts = [c for axle in body.axles for c in axle.contacts]
    held = len(body.axles) > 1 or any(body.rigid_track(c) for c in contacts)
    if body.stands_alone and not held:
        msg = f"{body.id}: stands on one axle and nothing holds it level."
        raise SettingsError(msg, 'give a second axle, a [coupling], or mount = "rigid"')


def _doubts(body: Body, machine_id: str) -> Iterator[Note]:
    antenna = body.antenna
    if antenna is not None:
        xs = [
            axle.x + side * 0.5 * _long(contact)
            for axle in body.axles
            for contact in axle.contacts
            for side in (-1.0, 1.0)
        ]
        xs += [hitch.x for hitch in body.hitches]
        xs += [item.cg_x for item in body.attachments]
        xs += [body.coupling.x] if body.coupling else []
        half = max(
            axle.track_width / 2 + contact.lateral_offset + contact.section_width / 2
            for axle in body.axles
            for contact in axle.contacts
        )
        inside = (
            min(xs) - _HULL_MARGIN <= antenna.x <= max(xs) + _HULL_MARGIN
            and abs(antenna.y) <= half + _HULL_MARGIN
        )
        if not inside:
            yield Note(
                code="machines.antenna_outside",
                severity="check",
                sentence=(
                    f"{machine_id}: the antenna at x {antenna.x:g} m, y {antenna.y:g} "
                    f"m lies outside {body.id}; wheel tracks are drawn from it, "
                    "measure it again."
                ),
                where=machine_id,
            )
    yield from _overlaps(body, machine_id)
    payload = body.payload
    if payload.kind == "none":
        return
    if payload.capacity_m3 is not None and payload.capacity_kg is not None:
        full = payload.capacity_m3 * payload.density(DENSITY_MAIZE)
        if not 0.5 <= payload.capacity_kg / full <= 2.0:
            yield Note(
                code="machines.capacities_differ",
                severity="check",
                sentence=(
                    f"{machine_id}: {body.id} holds {payload.capacity_m3:g} m3, which "
                    f"is {full:,.0f} kg, but its limit is {payload.capacity_kg:,.0f} "
                    "kg; the smaller is used, check both."
                ),
                where=machine_id,
            )


def _overlaps(body: Body, machine_id: str) -> Iterator[Note]:
    """Say where two wheels of a body stand in one place, seen from above."""
    boxes = []
    for axle in body.axles:
        for contact in axle.contacts:
            size = (_long(contact), contact.section_width)
            half = 0.5 * axle.track_width + contact.lateral_offset
            for right in (0.0,) if contact.centre else (-half, half):
                boxes.append((axle.name, axle.x, right, *size))
    for k, (name, x, y, long, wide) in enumerate(boxes):
        for other, x2, y2, long2, wide2 in boxes[k + 1 :]:
            # Nominal sizes are good to a few percent, so a touch is no fault.
            near = abs(x - x2) < 0.48 * (long + long2)
            if near and abs(y - y2) < 0.45 * (wide + wide2):
                where = f"axle {name}" if name == other else f"axles {name} and {other}"
                yield Note(
                    code="machines.wheels_overlap",
                    severity="check",
                    sentence=(
                        f"{machine_id}: wheels of {body.id}, {where}, would stand in "
                        "one place; check x, track_width and lateral_offset."
                    ),
                    where=machine_id,
                )
                return


def _long(contact: Contact) -> float:
    """Length of a wheel or track seen from above [m]."""
    if contact.kind == "track":
        return contact.contact_length or math.nan
    return contact.overall_diameter


def _told_contacts(machine: Machine) -> list[Note]:
    """Say which contacts stand in place of inflation pressure, and which look odd."""
    named: dict[str, list[str]] = {}
    notes = []
    for body in machine.bodies:
        for axle in body.axles:
            for contact in axle.contacts:
                intercept, slope = contact.contact_line
                if not slope >= 0.0:
                    continue
                named.setdefault(contact.contact_source, []).append(axle.name)
                told = 1e-3 / slope if intercept == 0.0 else math.nan
                ratio = told / (contact.pressure_kpa or math.nan)
                if ratio < _ODD_CONTACT[0] or ratio > _ODD_CONTACT[1]:
                    sentence = (
                        f"{machine.id}: axle {axle.name} presses with {told:.0f} kPa "
                        f"as told, its tyre holds {contact.pressure_kpa:.0f} kPa; the "
                        "two should be near each other, check both."
                    )
                    notes.append(
                        Note("machines.contact_odd", "check", sentence, 1, machine.id)
                    )
    for source, axles in named.items():
        names = ", ".join(dict.fromkeys(axles))
        sentence = (
            f"{machine.id}: the contact of axle {names} on the ground is as told "
            f"({source}), not from tyre pressure."
        )
        notes.append(
            Note("machines.contact_told", "info", sentence, len(axles), machine.id)
        )
    return notes


def _weak_tyres(machine: Machine) -> list[Note]:
    """One note where a told pressure is too low for the heaviest load."""
    low = [
        row
        for row in axle_report(machine)
        if row.needed > 1.2 * row.set
        and f"{row.body}/{row.axle}" not in machine.pressure_assumed
    ]
    if not low:
        return []
    worst = max(low, key=lambda row: row.needed / row.set)
    return [
        Note(
            code="machines.pressure_low",
            severity="info",
            sentence=(
                f"{machine.id}: axle {worst.axle} needs about "
                f"{worst.needed / 1e3:.0f} kPa full and has {worst.set / 1e3:.0f}; the "
                "tyre is overloaded, or the load is less than thought."
            ),
            count=len(low),
            where=machine.id,
        )
    ]
