"""Where the wheels of a rig are, what it weighs, and which body carries how much."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trafficmap.machines.model import Axle, Machine


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


def rig_mass(machine: Machine, payload, *, state: str = "working"):
    """Mass the wheels of a rig carry in `state` with `payload` [kg]."""
    return np.asarray(payload, dtype=float) + sum(
        body.mass.empty_kg + sum(item.carried(state) for item in body.attachments)
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
