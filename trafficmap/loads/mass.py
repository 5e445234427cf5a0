"""From the masses of a rig to the load of every wheel: balance of moments, no more.

Bodies are solved from the rear of the chain to the front; what a pulled body puts on
its coupling is a mass on the hitch of the body in front. Bodies joined by a pivot turn
but do not nod against each other, so they share one beam.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from trafficmap.core.constants import GRAVITY
from trafficmap.machines.model import Axle, Body, Hitch, Machine
from trafficmap.machines.statics import empty_cg, payload_cg, share_on_supports


@dataclass(frozen=True)
class WheelSpot:
    """One wheel of a rig: where it is bolted and its share of the axle's load."""

    body: int
    axle: Axle
    contact: int
    right: float
    share: float


def wheel_spots(machine: Machine) -> list[WheelSpot]:
    """Return the wheels in slot order: body, axle, contact, left before right."""
    spots = []
    for b, body in enumerate(machine.bodies):
        for axle in body.axles:
            for c, contact in enumerate(axle.contacts):
                if contact.centre:
                    spots.append(WheelSpot(b, axle, c, 0.0, contact.share))
                    continue
                half = axle.track_width / 2 + contact.lateral_offset
                spots += [
                    WheelSpot(b, axle, c, side * half, contact.share / 2)
                    for side in (-1.0, 1.0)
                ]
    return spots


def rig_wheel_loads(
    machine: Machine,
    payload,
    *,
    density: float = math.nan,
    state: str = "working",
    mass_factor=1.0,
):
    """Load of every wheel of a rig standing or driving level [N].

    Parameters
    ----------
    machine : Machine
    payload : ndarray, shape (n,)
        Mass carried by the whole rig; several carriers share it by capacity. [kg]
    density : float
        Bulk density where the machine does not tell it. [kg/m3]
    state : str
        Word of the fix; attachments may be off and hitches may pull by it.
    mass_factor : float
        Factor on every empty mass and attachment, for its interval.

    Returns
    -------
    ndarray, shape (n, n_wheels)
        In the order of `wheel_spots`; a row adds up to gravity times all masses.
    """
    payload = np.atleast_1d(np.asarray(payload, dtype=float))
    parts = payload_of_bodies(machine, payload, density=density)
    on_hitch = np.zeros_like(payload)
    group_load: dict[tuple[int, str], np.ndarray] = {}
    for beam in reversed(_beams(machine)):
        on_hitch = _solve_beam(
            machine, beam, parts, on_hitch, density, state, mass_factor, group_load
        )
    shares = [
        {
            axle.name: (g, part)
            for g, axles in body.groups().items()
            for axle, part in axles
        }
        for body in machine.bodies
    ]
    columns = []
    for spot in wheel_spots(machine):
        group, part = shares[spot.body][spot.axle.name]
        columns.append(group_load[spot.body, group] * (part * spot.share))
    return np.stack(columns, axis=1) * GRAVITY


def rig_mass(machine: Machine, payload, *, state: str = "working"):
    """Mass of the whole rig with its attachments in `state` and `payload` [kg]."""
    return np.asarray(payload, dtype=float) + sum(
        body.mass.empty_kg
        + sum(item.mass_kg for item in body.attachments if state not in item.absent_in)
        for body in machine.bodies
    )


def payload_of_bodies(machine: Machine, payload, *, density: float) -> list[np.ndarray]:
    """Return the payload of each body [kg], in proportion to its capacity."""
    capacity = np.array([b.payload.capacity(density) for b in machine.bodies])
    carries = np.array([b.payload.kind != "none" for b in machine.bodies])
    if not carries.any():
        return [np.zeros_like(payload) for _ in machine.bodies]
    if np.isnan(capacity[carries]).any():
        capacity = carries.astype(float)
    weights = np.where(carries, capacity, 0.0)
    return [payload * share for share in weights / weights.sum()]


def axle_transfer(pull, *, height, wheelbase, hitch_load=0.0, behind=0.0):
    """Change of rear and front axle load by a pull and a load on the hitch [N].

    dR_r = P h / b + V (b + c) / b, dR_f = -P h / b - V c / b; moments about the other
    axle, level ground, steady travel; as in any text on tractor mechanics (derived).

    Parameters
    ----------
    pull : float or ndarray
        Level pull P. [N]
    height : float
        Of the hitch, h. [m]
    wheelbase : float
        b. [m]
    hitch_load : float or ndarray
        Downward load on the hitch, V. [N]
    behind : float
        Hitch behind the rear axle, c. [m]

    Returns
    -------
    rear, front : float or ndarray
    """
    moment = pull * height + hitch_load * behind
    return hitch_load + moment / wheelbase, -moment / wheelbase


def axle_loads_on_grade(weight, *, grade, cg_height, cg_from_rear, wheelbase):
    """Rear and front axle load on an up-grade [N].

    Parameters
    ----------
    weight : float or ndarray
        Mass times gravity. [N]
    grade : float
        Rise over run, up positive. [fraction]
    cg_height, cg_from_rear, wheelbase : float
        [m]

    Returns
    -------
    rear, front : float or ndarray
        Loads normal to the ground.
    """
    alpha = np.arctan(grade)
    front = (
        weight * (np.cos(alpha) * cg_from_rear - np.sin(alpha) * cg_height) / wheelbase
    )
    return weight * np.cos(alpha) - front, front


def side_loads_on_slope(axle_load, *, slope, cg_height, track_width):
    """Downhill and uphill wheel load of an axle on a side slope [N].

    Parameters
    ----------
    axle_load : float or ndarray
        Load of the axle on the level. [N]
    slope : float
        Rise over run across the axle. [fraction]
    cg_height, track_width : float
        [m]
    """
    alpha = np.arctan(slope)
    even = axle_load * np.cos(alpha) / 2
    shift = axle_load * np.sin(alpha) * cg_height / track_width
    return even + shift, even - shift


def _beams(machine: Machine) -> list[list[tuple[int, float]]]:
    """Return runs of bodies joined by pivots, with the place of each origin [m]."""
    beams = [[(0, 0.0)]]
    for k, hitch in enumerate(machine.hitches, start=1):
        coupling = machine.bodies[k].coupling
        if hitch.kind == "pivot" and coupling is not None:
            beams[-1].append((k, beams[-1][-1][1] + hitch.x - coupling.x))
        else:
            beams.append([(k, 0.0)])
    return beams


def _solve_beam(
    machine: Machine, beam, parts, on_hitch, density, state, factor, group_load
) -> np.ndarray:
    """Fill `group_load` [kg] for one beam; return what it puts on the one in front."""
    masses: list[np.ndarray] = []
    places: list[np.ndarray] = []
    points: list[tuple[int, str, float]] = []
    for b, origin in beam:
        body = machine.bodies[b]
        _add_masses(body, origin, parts[b], density, state, factor, masses, places)
        points += [(b, name, origin + x) for name, x in body.load_points()]
    last, last_origin = beam[-1]
    if last + 1 < len(machine.bodies):
        masses.append(on_hitch)
        places.append(np.full(on_hitch.shape, last_origin + machine.hitches[last].x))
    first = machine.bodies[beam[0][0]]
    pulled = beam[0][0] > 0 and first.coupling is not None
    if pulled:
        points.insert(0, (-1, "", first.coupling.x))
    if len(points) == 1:
        group_load[points[0][:2]] = np.sum(masses, axis=0)
        return np.zeros_like(on_hitch)
    (b_f, name_f, x_f), (b_r, name_r, x_r) = points
    front, rear = share_on_supports(masses, places, x_front=x_f, x_rear=x_r)
    if not pulled:
        moment = _pull_moment(machine, beam, state)
        front, rear = front - moment / (x_f - x_r), rear + moment / (x_f - x_r)
        front, rear = _not_lifted(front, rear)
        group_load[b_f, name_f] = front
        group_load[b_r, name_r] = rear
        return np.zeros_like(on_hitch)
    # An axle cannot hang in the air; a coupling can be pulled up.
    total = front + rear
    rear = np.maximum(rear, 0.0)
    group_load[b_r, name_r] = rear
    return total - rear


def _add_masses(
    body: Body, origin, part, density, state, factor, masses, places
) -> None:
    masses.append(np.full(part.shape, body.mass.empty_kg * factor))
    places.append(np.full(part.shape, origin + empty_cg(body)))
    for item in body.attachments:
        if state not in item.absent_in:
            masses.append(np.full(part.shape, item.mass_kg * factor))
            places.append(np.full(part.shape, origin + item.cg_x))
    if body.payload.kind != "none":
        capacity = body.payload.capacity(density)
        masses.append(part)
        places.append(origin + np.asarray(payload_cg(body, part, capacity=capacity)))


def _pull_moment(machine: Machine, beam, state: str) -> float:
    """Moment of the level pull on the hitches of a beam [kg m]."""
    if state != "working":
        return 0.0
    hitches: list[Hitch] = [h for b, _ in beam for h in machine.bodies[b].hitches]
    return sum(h.pull_kn * 1e3 / GRAVITY * h.z for h in hitches)


def _not_lifted(front, rear):
    """An axle that would lift carries nothing and the other carries all."""
    total = front + rear
    front = np.clip(front, 0.0, np.maximum(total, 0.0))
    return front, total - front
