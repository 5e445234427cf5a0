"""Parts of a machine as a machine file tells them: tyres, axles, masses, hitches.

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
from trafficmap.machines.tyres import Tyre, contact_line, parse_tyre

Correction = Literal["rtk", "ppp", "submetre", "sbas", "phone"]
StateWord = Literal["working", "turning", "hauling", "loading", "idle", "road"]

MOVING = ("working", "turning", "hauling", "road")
"""States in which a rig rolls and drags what hangs on it."""

LIQUID_DENSITY = 1007.0
"""Slurry, 8.4 lb/gal: middle of 8.3 to 8.5 (Livestock and Poultry Environmental
Learning Community, manure conversion table); choice [kg/m3]."""


_ContactArea = Annotated[float, Meta(gt=0, le=5)]
_ContactMass = Annotated[float, Meta(gt=0, le=50_000)]


class Part(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Base of all parts: frozen, unknown keys refused."""


class Contact(Part, frozen=True, kw_only=True):
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
    mount: Annotated[
        Literal["rigid", "oscillating"] | None,
        Meta(
            description="of a track: an oscillating one tips with the ground and "
            "presses evenly along; left out, a track is rigid where its body stands "
            "on it alone"
        ),
    ] = None
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
    contact_pressure_kpa: (
        Annotated[
            float,
            Meta(
                gt=10,
                le=1500,
                description="mean pressure on the ground, measured or from a tyre "
                "table; counts before inflation pressure and size [kPa]",
            ),
        ]
        | None
    ) = None
    contact_area_m2: (
        Annotated[
            tuple[_ContactArea, ...],
            Meta(
                min_length=1,
                max_length=50,
                description="area on the ground at each contact_mass_kg, measured or "
                "from a tyre table [m2]",
            ),
        ]
        | _ContactArea
        | None
    ) = None
    contact_mass_kg: (
        Annotated[
            tuple[_ContactMass, ...],
            Meta(
                min_length=1,
                max_length=50,
                description="mass on the wheel at each contact_area_m2 [kg]",
            ),
        ]
        | _ContactMass
        | None
    ) = None
    contact_source: Annotated[
        str, Meta(description="who measured the contact, or which table it is from")
    ] = ""

    @property
    def contact_line(self) -> tuple[float, float]:
        """Contact area as told: the part without load [m2], and a newton [m2/N].

        A straight line through the pairs of area and mass; one pair, or a contact
        pressure, is a line through zero. NaN where nothing is told.
        """
        if self.contact_pressure_kpa is not None:
            return 0.0, 1e-3 / self.contact_pressure_kpa
        if self.contact_area_m2 is None or self.contact_mass_kg is None:
            return math.nan, math.nan
        return contact_line(self.contact_area_m2, self.contact_mass_kg)

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


class Axle(Part, frozen=True, kw_only=True):
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


class Antenna(Part, frozen=True, kw_only=True):
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


class Mass(Part, frozen=True, kw_only=True):
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


class Payload(Part, frozen=True, kw_only=True):
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
    cg_z: (
        Annotated[
            float,
            Meta(
                ge=0,
                le=6,
                description="height of its centre; that of the body if left out [m]",
            ),
        ]
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


class Steering(Part, frozen=True, kw_only=True):
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


class Limits(Part, frozen=True, kw_only=True):
    """What is usual in work."""

    working_speed_kmh: Annotated[
        tuple[float, float], Meta(description="slowest and fastest at work [km/h]")
    ] = (2.0, 12.0)


class Attachment(Part, frozen=True, kw_only=True):
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
    working_share: Annotated[
        float,
        Meta(
            ge=0,
            le=1,
            description="of its mass the machine carries while it works in the ground; "
            "its own wheels and points carry the rest; lifted it is all [fraction]",
        ),
    ] = 1.0

    def carried(self, state: str) -> float:
        """Mass on the machine in a state [kg]."""
        if state in self.absent_in:
            return 0.0
        return self.mass_kg * (self.working_share if state == "working" else 1.0)


class Hose(Part, frozen=True, kw_only=True):
    """A full hose dragged over the ground behind a machine."""

    inner_m: Annotated[float, Meta(gt=0, le=0.5, description="diameter inside [m]")]
    dragged_m: Annotated[
        float, Meta(ge=0, le=2000, description="length dragged, on average [m]")
    ]
    friction: Annotated[
        float,
        Meta(ge=0, le=1.5, description="pull over weight; 0.3 to 0.6 on stubble"),
    ] = 0.45
    hose_kg_m: Annotated[
        float, Meta(ge=0, le=20, description="mass of the hose itself [kg/m]")
    ] = 3.0
    density_kg_m3: Annotated[
        float, Meta(ge=0, le=2000, description="of what is in it [kg/m3]")
    ] = LIQUID_DENSITY

    @property
    def pull(self) -> float:
        """Level pull mu g L (pi/4 d^2 rho + m_hose) [N]."""
        inside = math.pi / 4 * self.inner_m**2 * self.density_kg_m3
        weight = GRAVITY * self.dragged_m * (inside + self.hose_kg_m)
        return self.friction * weight


class Hitch(Part, frozen=True, kw_only=True):
    """A point another body hangs on."""

    name: Annotated[str, Meta(min_length=1, description="name")]
    x: Annotated[float, Meta(ge=-20, le=20, description="place along the body [m]")]
    z: Annotated[float, Meta(ge=0, le=3, description="height [m]")] = 0.5
    kind: Annotated[
        Literal["drawbar", "three_point", "kingpin", "pivot"],
        Meta(description="kind; a pivot joins the halves of an articulated tractor"),
    ] = "drawbar"
    pull_kn: Annotated[
        float,
        Meta(
            ge=0,
            le=300,
            description="level pull of a tool in the ground; what rolls behind is "
            "added by itself [kN]",
        ),
    ] = 0.0
    pull_in: Annotated[
        tuple[StateWord, ...], Meta(description="states in which the tool pulls")
    ] = ("working",)
    pull_spread: Annotated[
        float,
        Meta(
            ge=0,
            le=1,
            description="half width of the interval of all pulls here; 50 % is that of "
            "the draft form of ASABE D497 as quoted second hand [fraction]",
        ),
    ] = 0.5
    hose: Hose | None = None

    def pull(self, state: str, *, bound: float = 0.0) -> float:
        """Level pull of tool and hose in a state, of what is told here only [N].

        ``bound`` is -1 for the least, 0 for what is told, 1 for the most.
        """
        pull = self.pull_kn * 1e3 if state in self.pull_in else 0.0
        if self.hose is not None and state in MOVING:
            pull += self.hose.pull
        return pull * (1.0 + bound * self.pull_spread)


class Coupling(Part, frozen=True, kw_only=True):
    """Where this body hangs on the one in front."""

    x: Annotated[float, Meta(gt=0, le=20, description="ahead of the origin [m]")]
    z: Annotated[float, Meta(ge=0, le=3, description="height [m]")] = 0.5


class Cost(Part, frozen=True, kw_only=True):
    """What it costs to own; kept with the machine, no part of its loads."""

    list_price: Annotated[float, Meta(ge=0, description="list price [currency]")] = 0.0
    life_h: Annotated[float, Meta(gt=0, description="life [h]")] = 3000.0
    repair_rf1: Annotated[float, Meta(ge=0, description="repair factor 1")] = 0.0
    repair_rf2: Annotated[float, Meta(ge=0, description="repair factor 2")] = 1.0


class Provenance(Part, frozen=True, kw_only=True):
    """Where the numbers come from."""

    source: Annotated[str, Meta(description="who weighed it, when")] = ""
    confidence: Annotated[
        Literal["measured", "catalogue", "guess"],
        Meta(description="sets the interval of the empty mass: 3, 15 or 25 %"),
    ] = "guess"
