"""What a machine is: a chain of rigid bodies; its parts are in `parts`.

A body is carried at one or two places along its length: axles or groups of axles, one
of them perhaps the coupling to the body in front.
"""

from __future__ import annotations

import math
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from trafficmap.core.constants import GRAVITY
from trafficmap.machines.parts import (
    LIQUID_DENSITY,
    MOVING,
    Antenna,
    Attachment,
    Axle,
    Contact,
    Correction,
    Cost,
    Coupling,
    Hitch,
    Hose,
    Limits,
    Mass,
    Part,
    Payload,
    Provenance,
    StateWord,
    Steering,
)

__all__ = [
    "LIQUID_DENSITY",
    "MASS_SPREAD",
    "MOVING",
    "SIGMAS",
    "TILT",
    "Antenna",
    "Attachment",
    "Axle",
    "Body",
    "BodyClass",
    "Contact",
    "Correction",
    "Cost",
    "Coupling",
    "Hitch",
    "Hose",
    "Limits",
    "Machine",
    "Mass",
    "Payload",
    "Provenance",
    "StateWord",
    "Steering",
]

BodyClass = Literal[
    "combine",
    "tractor",
    "grain_cart",
    "truck",
    "trailer",
    "tanker",
    "manure_rig",
    "forage_harvester",
    "beet_harvester",
    "sprayer",
]

SIGMAS: dict[str, tuple[float, float]] = {
    "rtk": (0.015, 0.025),
    "ppp": (0.06, 0.10),
    "submetre": (0.15, 0.50),
    "sbas": (0.20, 0.80),
    "phone": (1.0, 3.0),
}
"""Cross-track error, one sigma, within a pass and between runs [m]: upper ends of the
usual ranges of each class (choice; ranges from memory. A season-to-season 2.5 cm at
95 % for RTK is a dealer's figure)."""

TILT = math.radians(2.0)
"""Lean of a machine without tilt compensation, one sigma; choice [rad]."""

MASS_SPREAD = {"measured": 0.03, "catalogue": 0.15, "guess": 0.25}
"""Half width of the interval of an empty mass by where it comes from; choice."""


class Body(Part, frozen=True, kw_only=True):
    """One rigid body: a tractor, one half of an articulated tractor, a cart."""

    schema: Annotated[Literal[1], Meta(description="version of the format")] = 1
    id: Annotated[str, Meta(min_length=1, description="name of the body")]
    kind: Annotated[BodyClass, Meta(description="what kind of machine")] = (
        msgspec.field(name="class")
    )
    label: Annotated[str, Meta(description="words a person reads")] = ""
    reference_axle: Annotated[
        str, Meta(description="axle or group that is not steered; origin of x")
    ]
    heading_source: Annotated[
        Literal["auto", "kinematic", "course", "logged"],
        Meta(description="auto takes the antenna filter from 1 m ahead or behind"),
    ] = "auto"
    antenna: Antenna | None = None
    mass: Mass
    payload: Payload = Payload()
    steering: Steering = Steering()
    limits: Limits = Limits()
    attachments: tuple[Attachment, ...] = msgspec.field(name="attachment", default=())
    axles: Annotated[tuple[Axle, ...], Meta(min_length=1)] = msgspec.field(name="axle")
    hitches: tuple[Hitch, ...] = msgspec.field(name="hitch", default=())
    coupling: Coupling | None = None
    cost: Cost | None = None
    provenance: Provenance = Provenance()

    def groups(self) -> dict[str, list[tuple[Axle, float]]]:
        """Return the load points: group or axle name -> its axles and their shares."""
        out: dict[str, list[Axle]] = {}
        for axle in self.axles:
            out.setdefault(axle.group or axle.name, []).append(axle)
        return {
            name: [
                (a, 1.0 / len(axles) if a.load_share is None else a.load_share)
                for a in axles
            ]
            for name, axles in out.items()
        }

    def load_points(self) -> list[tuple[str, float]]:
        """Return (name, x) of every load point, the front one first [m]."""
        points = [
            (name, sum(axle.x * share for axle, share in axles))
            for name, axles in self.groups().items()
        ]
        return sorted(points, key=lambda point: -point[1])

    @property
    def stands_alone(self) -> bool:
        """One axle or group carries it and nothing holds it level."""
        return self.coupling is None and len(self.groups()) == 1

    def rigid_track(self, contact: Contact) -> bool:
        """Say whether a track of this body keeps its angle to the body."""
        if contact.kind != "track":
            return False
        if contact.mount is None:
            return self.stands_alone
        return contact.mount == "rigid"

    @property
    def mass_spread(self) -> float:
        """Half width of the interval of the empty mass [fraction]."""
        return MASS_SPREAD[self.provenance.confidence]


class Machine(msgspec.Struct, frozen=True, kw_only=True):
    """A rig: bodies in a chain, the one with the antenna first.

    Parameters
    ----------
    id : str
        Name in field.toml.
    class_name : str
        Catalogue class, or the ``class`` of a machine file.
    label : str
        Words a person reads.
    bodies : tuple of Body
    hitches : tuple of Hitch
        The hitch of the body in front each trailed body hangs on, one less than the
        bodies.
    assumed : tuple of str
        What was taken from the class and not told: ``empty mass``, ``pressure``,
        ``capacity``, ``antenna``, ``correction``.
    pressure_assumed : tuple of str
        Axles whose pressure is the class value, as ``body id/axle name``.
    """

    id: str
    class_name: str
    label: str
    bodies: tuple[Body, ...]
    hitches: tuple[Hitch, ...] = ()
    assumed: tuple[str, ...] = ()
    pressure_assumed: tuple[str, ...] = ()

    @property
    def antenna(self) -> Antenna:
        """The antenna of the first body."""
        return self.bodies[0].antenna or Antenna()

    @property
    def correction(self) -> str:
        """Correction class of the receiver; ``sbas`` when not told."""
        return self.antenna.correction or "sbas"

    @property
    def sigma_within(self) -> float:
        """Cross-track error within a pass, one sigma [m]."""
        antenna = self.antenna
        sigma = antenna.sigma_within_m or SIGMAS[self.correction][0]
        if antenna.tilt_compensated:
            return sigma
        return math.hypot(sigma, antenna.z * math.sin(TILT))

    @property
    def sigma_between(self) -> float:
        """Cross-track error between runs, one sigma [m]."""
        return self.antenna.sigma_between_runs_m or SIGMAS[self.correction][1]

    def received_with(self, correction: str | None) -> Machine:
        """Return the same rig with another correction of its receiver, or its own.

        Errors that its machine file names are those of its own correction, so they
        fall away with it.
        """
        if correction is None or correction == self.correction:
            return self
        antenna = msgspec.structs.replace(
            self.antenna,
            correction=correction,
            sigma_within_m=None,
            sigma_between_runs_m=None,
        )
        first = msgspec.structs.replace(self.bodies[0], antenna=antenna)
        return msgspec.structs.replace(self, bodies=(first, *self.bodies[1:]))

    @property
    def working_speed(self) -> tuple[float, float]:
        """Slowest and fastest speed at work [m/s]."""
        low, high = self.bodies[0].limits.working_speed_kmh
        return low / 3.6, high / 3.6

    @property
    def road_vehicle(self) -> bool:
        """True for a truck, which may go faster than a field machine."""
        return self.bodies[0].kind == "truck"

    @property
    def min_radius(self) -> float:
        """Smallest turning radius of the rig [m]."""
        return max(body.steering.min_radius_m for body in self.bodies)

    @property
    def width(self) -> float | None:
        """Working width of the widest attachment [m], None when not told."""
        widths = [a.width_m for b in self.bodies for a in b.attachments if a.width_m]
        return max(widths) if widths else None

    @property
    def payload_body(self) -> Body | None:
        """The body that carries the most, None when none carries anything."""
        carriers = [body for body in self.bodies if body.payload.kind != "none"]
        if not carriers:
            return None
        return max(carriers, key=lambda body: body.payload.capacity(720.0))

    @property
    def payload_kind(self) -> str:
        """What the rig carries: grain, solid, liquid or none."""
        body = self.payload_body
        return body.payload.kind if body else "none"

    def capacity(self, default_density: float = math.nan) -> float:
        """Return the full payload of the rig [kg]; NaN when not known."""
        return sum(body.payload.capacity(default_density) for body in self.bodies)

    @property
    def empty_mass(self) -> float:
        """Mass of all bodies without attachments [kg]."""
        return sum(body.mass.empty_kg for body in self.bodies)

    @property
    def empty_load(self) -> float:
        """Weight force of all bodies without attachments [N]."""
        return self.empty_mass * GRAVITY
