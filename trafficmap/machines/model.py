"""What a machine is: a chain of rigid bodies with axles, tyres, masses and hitches.

Field names are the keys of a machine file; a key with a unit suffix keeps it, and a
property without the suffix gives the same thing in SI. x is ahead of the body's
reference axle, y right of its centre line, z above the ground.
"""

from __future__ import annotations

import math
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from trafficmap.core.constants import GRAVITY
from trafficmap.core.units import VOLUME_BUSHEL, to_si
from trafficmap.machines.tyres import Tyre, parse_tyre

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
Correction = Literal["rtk", "ppp", "submetre", "sbas", "phone"]
StateWord = Literal["working", "turning", "hauling", "loading", "idle", "road"]

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

LIQUID_DENSITY = 1007.0
"""Slurry, 8.4 lb/gal: middle of 8.3 to 8.5 (Livestock and Poultry Environmental
Learning Community, manure conversion table); choice [kg/m3]."""


class _Part(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Base of all parts: frozen, unknown keys refused."""


class Contact(_Part, frozen=True, kw_only=True):
    """One tyre or track position, mirrored left and right unless `centre`."""

    kind: Annotated[
        Literal["tyre", "track"], Meta(description="tyre or rubber track")
    ] = "tyre"
    lateral_offset: Annotated[
        float,
        Meta(ge=-2, le=3, description="outward of half the track width [m]"),
    ] = 0.0
    share: Annotated[
        float, Meta(gt=0, le=1, description="of the load of its side [fraction]")
    ] = 1.0
    centre: Annotated[
        bool, Meta(description="single wheel on the centre line, carries the axle")
    ] = False
    designation: Annotated[
        str, Meta(description="as on the side wall, 'IF710/70R42 179D'")
    ] = ""
    width: (
        Annotated[float, Meta(gt=0, le=3, description="tyre or track width [m]")] | None
    ) = None
    diameter: (
        Annotated[float, Meta(gt=0, le=3, description="overall diameter [m]")] | None
    ) = None
    contact_length: (
        Annotated[float, Meta(gt=0, le=6, description="track on the ground [m]")] | None
    ) = None
    rollers: Annotated[
        int, Meta(ge=0, le=12, description="load-carrying rollers of a track [count]")
    ] = 0
    load_index: (
        Annotated[int, Meta(ge=60, le=230, description="load index on the side wall")]
        | None
    ) = None
    ref_pressure_kpa: (
        Annotated[
            float, Meta(gt=0, le=1000, description="goes with the load index [kPa]")
        ]
        | None
    ) = None
    pressure_kpa: (
        Annotated[
            float, Meta(gt=10, le=1000, description="inflation pressure set [kPa]")
        ]
        | None
    ) = None

    @property
    def tyre(self) -> Tyre | None:
        """The parsed designation, None for tracks and unnamed tyres."""
        return parse_tyre(self.designation) if self.designation else None

    @property
    def section_width(self) -> float:
        """Width of tyre or track [m]; NaN when neither key tells it."""
        if self.width is not None:
            return self.width
        return self.tyre.width if self.tyre else math.nan

    @property
    def overall_diameter(self) -> float:
        """Free diameter [m], NaN for a track."""
        if self.diameter is not None:
            return self.diameter
        return self.tyre.diameter if self.tyre else math.nan


class Axle(_Part, frozen=True, kw_only=True):
    """A line of wheels across the body."""

    name: Annotated[str, Meta(min_length=1, description="name, unique in the body")]
    x: Annotated[float, Meta(ge=-20, le=20, description="place along the body [m]")]
    track_width: Annotated[
        float, Meta(ge=0, le=6, description="between left and right centres [m]")
    ]
    contacts: Annotated[
        tuple[Contact, ...], Meta(min_length=1, description="tyres of one side")
    ] = msgspec.field(name="contact")
    group: Annotated[
        str, Meta(description="axles of one group share its load as one point")
    ] = ""
    load_share: (
        Annotated[
            float,
            Meta(gt=0, le=1, description="of the group's load; equal if left out"),
        ]
        | None
    ) = None
    steered: Annotated[bool, Meta(description="turns when steering")] = False
    driven: Annotated[bool, Meta(description="pulls")] = False


class Antenna(_Part, frozen=True, kw_only=True):
    """Where the receiver's antenna sits and how good it is."""

    x: Annotated[float, Meta(ge=-15, le=15, description="ahead [m]")] = 0.0
    y: Annotated[float, Meta(ge=-5, le=5, description="right [m]")] = 0.0
    z: Annotated[float, Meta(ge=0, le=8, description="above the ground [m]")] = 3.5
    correction: Annotated[
        Correction | None, Meta(description="correction service; gives the error")
    ] = None
    sigma_within_m: (
        Annotated[float, Meta(gt=0, le=20, description="error within one pass [m]")]
        | None
    ) = None
    sigma_between_runs_m: (
        Annotated[float, Meta(gt=0, le=50, description="error between runs [m]")] | None
    ) = None
    latency_s: Annotated[
        float, Meta(ge=0, le=5, description="age of a position at its stamp [s]")
    ] = 0.0
    tilt_compensated: Annotated[
        bool, Meta(description="the receiver takes out roll")
    ] = True


class Mass(_Part, frozen=True, kw_only=True):
    """Empty mass without attachments, and where it acts."""

    empty_kg: Annotated[float, Meta(gt=0, le=100_000, description="empty mass [kg]")]
    empty_cg_x: (
        Annotated[float, Meta(ge=-20, le=20, description="centre of mass [m]")] | None
    ) = None
    empty_front_share: (
        Annotated[float, Meta(ge=0, le=1, description="of it on the front axle")] | None
    ) = None
    tongue_share: (
        Annotated[float, Meta(ge=-0.5, le=1, description="of it on the coupling")]
        | None
    ) = None
    cg_z: Annotated[float, Meta(ge=0, le=6, description="height [m]")] = 1.5


class Payload(_Part, frozen=True, kw_only=True):
    """What the body can carry."""

    kind: Annotated[
        Literal["grain", "solid", "liquid", "none"], Meta(description="what it carries")
    ] = "none"
    capacity_m3: (
        Annotated[float, Meta(gt=0, le=200, description="level full volume [m3]")]
        | None
    ) = None
    capacity_kg: (
        Annotated[float, Meta(gt=0, le=100_000, description="structural limit [kg]")]
        | None
    ) = None
    cg_x_empty: (
        Annotated[
            float, Meta(ge=-20, le=20, description="of the first of the load [m]")
        ]
        | None
    ) = None
    cg_x_full: (
        Annotated[float, Meta(ge=-20, le=20, description="of the full load [m]")] | None
    ) = None
    tongue_share_empty: (
        Annotated[float, Meta(ge=-0.5, le=1, description="of the first of the load")]
        | None
    ) = None
    tongue_share_full: (
        Annotated[float, Meta(ge=-0.5, le=1, description="of the full load")] | None
    ) = None
    fill: Annotated[
        Literal["auto", "signal", "yield_log", "swath_x_yield", "none"],
        Meta(description="where the load comes from; auto takes the best there is"),
    ] = "auto"
    unload_m3_s: (
        Annotated[float, Meta(gt=0, le=5, description="unloading rate [m3/s]")] | None
    ) = None
    unload_side: Annotated[
        Literal["left", "right"] | None, Meta(description="side of the auger")
    ] = None
    spout_x: Annotated[float, Meta(ge=-20, le=20, description="auger tip [m]")] = 0.0
    spout_y: (
        Annotated[
            float, Meta(ge=-20, le=20, description="auger tip, left is minus [m]")
        ]
        | None
    ) = None
    hopper_x: Annotated[
        float, Meta(ge=-20, le=20, description="opening a spout must meet [m]")
    ] = 0.0
    hopper_y: Annotated[float, Meta(ge=-5, le=5, description="opening [m]")] = 0.0
    test_weight_lb_bu: (
        Annotated[float, Meta(gt=0, le=80, description="mass of a bushel [lb/bu]")]
        | None
    ) = None
    density_kg_m3: (
        Annotated[float, Meta(gt=0, le=2500, description="bulk density [kg/m3]")] | None
    ) = None
    moisture_std: (
        Annotated[float, Meta(ge=0, lt=1, description="standard moisture [fraction]")]
        | None
    ) = None

    @property
    def auger_side(self) -> str:
        """Side it unloads to, left or right; empty when neither key tells it."""
        if self.unload_side is not None:
            return self.unload_side
        if not self.spout_y:
            return ""
        return "left" if self.spout_y < 0 else "right"

    def density(self, default: float = math.nan) -> float:
        """Bulk density [kg/m3]: as given, else `default`, else of slurry."""
        if self.density_kg_m3 is not None:
            return self.density_kg_m3
        if self.test_weight_lb_bu is not None:
            return float(to_si(self.test_weight_lb_bu, "lb")) / VOLUME_BUSHEL
        return LIQUID_DENSITY if self.kind == "liquid" else default

    def capacity(self, default_density: float = math.nan) -> float:
        """Return the full mass [kg]: the smaller of the volume's and the structure's.

        0 when it carries nothing; NaN when no key tells it.
        """
        if self.kind == "none":
            return 0.0
        volume = self.capacity_m3 if self.capacity_m3 is not None else math.nan
        limit = self.capacity_kg if self.capacity_kg is not None else math.nan
        full = volume * self.density(default_density)
        known = [value for value in (full, limit) if math.isfinite(value)]
        return min(known) if known else math.nan


class Steering(_Part, frozen=True, kw_only=True):
    """How it turns."""

    mode: Annotated[
        Literal["front", "rear", "articulated", "four_wheel", "crab", "none"],
        Meta(description="what steers"),
    ] = "none"
    min_radius_m: Annotated[
        float, Meta(ge=0, le=50, description="smallest turning radius [m]")
    ] = 5.5
    crab_deg: Annotated[
        float,
        Meta(ge=-30, le=30, description="course right of heading when working [deg]"),
    ] = 0.0


class Limits(_Part, frozen=True, kw_only=True):
    """What is usual in work."""

    working_speed_kmh: Annotated[
        tuple[float, float], Meta(description="slowest and fastest at work [km/h]")
    ] = (2.0, 12.0)


class Attachment(_Part, frozen=True, kw_only=True):
    """A header, toolbar or ballast that may come off."""

    name: Annotated[str, Meta(description="what it is")]
    mass_kg: Annotated[float, Meta(ge=0, le=30_000, description="mass [kg]")]
    cg_x: Annotated[float, Meta(ge=-20, le=20, description="centre of mass [m]")]
    width_m: (
        Annotated[float, Meta(gt=0, le=60, description="working width [m]")] | None
    ) = None
    absent_in: Annotated[
        tuple[StateWord, ...], Meta(description="states in which it is off")
    ] = ()


class Hitch(_Part, frozen=True, kw_only=True):
    """A point another body hangs on."""

    name: Annotated[str, Meta(min_length=1, description="name")]
    x: Annotated[float, Meta(ge=-20, le=20, description="place along the body [m]")]
    z: Annotated[float, Meta(ge=0, le=3, description="height [m]")] = 0.5
    kind: Annotated[
        Literal["drawbar", "three_point", "kingpin", "pivot"],
        Meta(description="kind; a pivot joins the halves of an articulated tractor"),
    ] = "drawbar"
    pull_kn: Annotated[
        float, Meta(ge=0, le=300, description="level pull while working [kN]")
    ] = 0.0


class Coupling(_Part, frozen=True, kw_only=True):
    """Where this body hangs on the one in front."""

    x: Annotated[float, Meta(gt=0, le=20, description="ahead of the origin [m]")]
    z: Annotated[float, Meta(ge=0, le=3, description="height [m]")] = 0.5


class Cost(_Part, frozen=True, kw_only=True):
    """What it costs to own; kept with the machine, no part of its loads."""

    list_price: Annotated[float, Meta(ge=0, description="list price [currency]")] = 0.0
    life_h: Annotated[float, Meta(gt=0, description="life [h]")] = 3000.0
    repair_rf1: Annotated[float, Meta(ge=0, description="repair factor 1")] = 0.0
    repair_rf2: Annotated[float, Meta(ge=0, description="repair factor 2")] = 1.0


class Provenance(_Part, frozen=True, kw_only=True):
    """Where the numbers come from."""

    source: Annotated[str, Meta(description="who weighed it, when")] = ""
    confidence: Annotated[
        Literal["measured", "catalogue", "guess"],
        Meta(description="sets the interval of the empty mass: 3, 15 or 25 %"),
    ] = "guess"


class Body(_Part, frozen=True, kw_only=True):
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
