"""The invented machines: each body as in a machine file, and what its wheels carry.

The dictionaries are written to ``machines/*.toml`` as they stand, and the same numbers
give the true loads here by plain lever arms, so the line and the truth argue about
method, never about inputs. All masses, tyres and dimensions are invented round numbers.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from .drive import Motion, trail

BUSHEL_DENSITY = 56 * 0.45359237 / 0.03523907016688
"""Shelled corn at 56 lb in a bushel of 2 150.42 cubic inches [kg/m3]."""

LIQUID_DENSITY = 1007.0
ROLLING = 0.06
"""True pull of what rolls behind a hitch, share of the load on its wheels; invented,
and not what the line assumes."""

SILAGE_DENSITY = 350.0
"""Chopped corn as blown into a trailer [kg/m3] (from memory)."""


def tyre(designation: str, pressure: float, **more) -> dict:
    """Return a tyre position with its pressure [kPa]."""
    return {
        "kind": "tyre",
        "designation": designation,
        "pressure_kpa": pressure,
        **more,
    }


def _weighed(date: str) -> dict:
    return {"source": f"invented; as if weighed {date}", "confidence": "measured"}


COMBINE = {
    "schema": 1,
    "id": "combine",
    "class": "combine",
    "label": "combine, 12-row head (invented)",
    "reference_axle": "front",
    "antenna": {"x": 1.2, "y": 0.0, "z": 3.9, "correction": "rtk"},
    "mass": {"empty_kg": 18000.0, "empty_cg_x": -1.444, "cg_z": 1.9},
    "payload": {
        "kind": "grain",
        "capacity_m3": 14.1,
        "capacity_kg": 11000.0,
        "cg_x_empty": -0.4,
        "cg_x_full": -0.6,
        "fill": "yield_log",
        "unload_m3_s": 0.12,
        "unload_side": "left",
        "spout_x": 0.3,
        "spout_y": -8.0,
        "test_weight_lb_bu": 56.0,
        "moisture_std": 0.155,
    },
    "steering": {"mode": "rear", "min_radius_m": 6.0},
    "limits": {"working_speed_kmh": [3.0, 9.0]},
    "attachment": [
        {"name": "corn head, 12 rows", "mass_kg": 3500.0, "cg_x": 2.2, "width_m": 9.144}
    ],
    "axle": [
        {
            "name": "front",
            "x": 0.0,
            "track_width": 3.05,
            "driven": True,
            "contact": [
                tyre("620/70R42", 160.0, lateral_offset=0.0, share=0.5),
                tyre("620/70R42", 160.0, lateral_offset=0.76, share=0.5),
            ],
        },
        {
            "name": "rear",
            "x": -3.8,
            "track_width": 3.05,
            "steered": True,
            "contact": [tyre("600/65R28", 160.0)],
        },
    ],
    "provenance": _weighed("2026-09-25"),
}


def tractor(
    name: str, label: str, *, empty: float, toolbar: dict | None = None
) -> dict:
    """Return a front-assist tractor; the rear axle is its non-steered axle."""
    body = {
        "schema": 1,
        "id": name,
        "class": "tractor",
        "label": f"{label} (invented)",
        "reference_axle": "rear",
        "antenna": {"x": 0.9, "y": 0.0, "z": 3.2, "correction": "rtk"},
        "mass": {"empty_kg": empty, "empty_cg_x": 1.2, "cg_z": 1.1},
        "steering": {"mode": "front", "min_radius_m": 6.0},
        "limits": {"working_speed_kmh": [3.0, 14.0]},
        "axle": [
            {
                "name": "front",
                "x": 3.0,
                "track_width": 2.1,
                "steered": True,
                "driven": True,
                "contact": [tyre("420/85R34", 120.0)],
            },
            {
                "name": "rear",
                "x": 0.0,
                "track_width": 2.1,
                "driven": True,
                "contact": [
                    tyre("480/80R50", 90.0, lateral_offset=0.0, share=0.5),
                    tyre("480/80R50", 90.0, lateral_offset=0.7, share=0.5),
                ],
            },
        ],
        "hitch": [{"name": "drawbar", "x": -1.1, "z": 0.5, "kind": "drawbar"}],
        "provenance": _weighed("2026-09-25"),
    }
    if toolbar:
        body["attachment"] = [toolbar]
    return body


CART_TRACTOR = tractor("cart-tractor", "tractor on the grain cart", empty=15000.0)
TRAILER_TRACTOR = tractor("trailer-tractor", "tractor on the trailer", empty=11000.0)
TANKER_TRACTOR = tractor("tanker-tractor", "tractor on the tanker", empty=15000.0)
HOSE_TRACTOR = tractor(
    "hose-tractor",
    "tractor with the injection toolbar",
    empty=15000.0,
    toolbar={"name": "toolbar", "mass_kg": 2500.0, "cg_x": -2.0, "width_m": 9.0},
)

CART = {
    "schema": 1,
    "id": "cart",
    "class": "grain_cart",
    "label": "grain cart, single axle (invented)",
    "reference_axle": "axle",
    "coupling": {"x": 5.5, "z": 0.5},
    "mass": {"empty_kg": 8000.0, "tongue_share": 0.10, "cg_z": 1.6},
    "payload": {
        "kind": "grain",
        "capacity_m3": 35.0,
        "capacity_kg": 25000.0,
        "tongue_share_empty": 0.10,
        "tongue_share_full": 0.10,
        "hopper_x": 0.2,
        "unload_m3_s": 0.25,
        "test_weight_lb_bu": 56.0,
    },
    "axle": [
        {
            "name": "axle",
            "x": 0.0,
            "track_width": 3.0,
            "contact": [tyre("1250/45R32", 240.0)],
        }
    ],
    "provenance": _weighed("2026-09-25"),
}


def _bogie(gap: float, track_width: float, contact: dict) -> list[dict]:
    return [
        {
            "name": f"bogie {word}",
            "group": "bogie",
            "load_share": 0.5,
            "x": side * gap / 2,
            "track_width": track_width,
            "contact": [contact],
        }
        for word, side in (("front", 1), ("rear", -1))
    ]


FORAGE_TRAILER = {
    "schema": 1,
    "id": "trailer",
    "class": "trailer",
    "label": "forage trailer, two axles (invented)",
    "reference_axle": "bogie",
    "coupling": {"x": 5.5, "z": 0.5},
    "mass": {"empty_kg": 7500.0, "tongue_share": 0.10, "cg_z": 1.5},
    "payload": {
        "kind": "solid",
        "capacity_m3": 45.0,
        "capacity_kg": 16000.0,
        "density_kg_m3": SILAGE_DENSITY,
        "tongue_share_empty": 0.10,
        "tongue_share_full": 0.10,
    },
    "axle": _bogie(1.8, 2.1, tyre("600/55R26.5", 200.0)),
    "provenance": _weighed("2026-09-01"),
}

TANKER = {
    "schema": 1,
    "id": "tanker",
    "class": "tanker",
    "label": "slurry tanker, two axles (invented)",
    "reference_axle": "bogie",
    "coupling": {"x": 5.8, "z": 0.5},
    "mass": {"empty_kg": 8000.0, "tongue_share": 0.10, "cg_z": 1.6},
    "payload": {
        "kind": "liquid",
        "capacity_m3": 20.0,
        "capacity_kg": 21000.0,
        "density_kg_m3": LIQUID_DENSITY,
        "tongue_share_empty": 0.10,
        "tongue_share_full": 0.10,
    },
    "attachment": [
        {"name": "injector", "mass_kg": 1500.0, "cg_x": -3.0, "width_m": 6.096}
    ],
    "axle": _bogie(1.9, 2.3, tyre("750/60R30.5", 200.0)),
    "provenance": _weighed("2026-09-25"),
}

FORAGE = {
    "schema": 1,
    "id": "forage",
    "class": "forage_harvester",
    "label": "forage harvester, 8 rows (invented)",
    "reference_axle": "front",
    "antenna": {"x": 0.6, "y": 0.0, "z": 3.8, "correction": "sbas"},
    "mass": {"empty_kg": 14500.0, "empty_cg_x": -1.15, "cg_z": 1.8},
    "steering": {"mode": "rear", "min_radius_m": 6.0},
    "limits": {"working_speed_kmh": [3.0, 10.0]},
    "attachment": [
        {"name": "head, 8 rows", "mass_kg": 2800.0, "cg_x": 2.0, "width_m": 6.096}
    ],
    "axle": [
        {
            "name": "front",
            "x": 0.0,
            "track_width": 2.6,
            "driven": True,
            "contact": [tyre("710/70R42", 140.0)],
        },
        {
            "name": "rear",
            "x": -3.1,
            "track_width": 2.5,
            "steered": True,
            "contact": [tyre("540/65R30", 160.0)],
        },
    ],
    "provenance": _weighed("2026-09-01"),
}

_HIGHWAY = [
    tyre("295/75R22.5", 720.0, lateral_offset=-0.165, share=0.5),
    tyre("295/75R22.5", 720.0, lateral_offset=0.165, share=0.5),
]

TRUCK = {
    "schema": 1,
    "id": "semi",
    "class": "truck",
    "label": "truck, three axles (invented)",
    "reference_axle": "drive",
    "antenna": {"x": 3.6, "y": 0.0, "z": 2.0, "correction": "phone"},
    "mass": {"empty_kg": 8000.0, "empty_cg_x": 2.9, "cg_z": 1.1},
    "steering": {"mode": "front", "min_radius_m": 9.0},
    "axle": [
        {
            "name": "steer",
            "x": 5.0,
            "track_width": 2.05,
            "steered": True,
            "contact": [tyre("295/75R22.5", 760.0)],
        },
        {
            "name": "drive front",
            "group": "drive",
            "load_share": 0.5,
            "x": 0.65,
            "track_width": 1.85,
            "driven": True,
            "contact": _HIGHWAY,
        },
        {
            "name": "drive rear",
            "group": "drive",
            "load_share": 0.5,
            "x": -0.65,
            "track_width": 1.85,
            "driven": True,
            "contact": _HIGHWAY,
        },
    ],
    "hitch": [{"name": "fifth wheel", "x": 0.3, "z": 1.2, "kind": "kingpin"}],
    "provenance": _weighed("2026-09-25"),
}

HOPPER_TRAILER = {
    "schema": 1,
    "id": "hopper-trailer",
    "class": "trailer",
    "label": "hopper trailer (invented)",
    "reference_axle": "bogie",
    "coupling": {"x": 9.5, "z": 1.2},
    "mass": {"empty_kg": 5500.0, "tongue_share": 0.35, "cg_z": 1.6},
    "payload": {
        "kind": "grain",
        "capacity_m3": 36.0,
        "capacity_kg": 25000.0,
        "tongue_share_empty": 0.48,
        "tongue_share_full": 0.48,
        "test_weight_lb_bu": 56.0,
    },
    "axle": [
        {
            "name": f"bogie {word}",
            "group": "bogie",
            "load_share": 0.5,
            "x": side * 0.62,
            "track_width": 1.95,
            "contact": _HIGHWAY,
        }
        for word, side in (("front", 1), ("rear", -1))
    ],
    "provenance": _weighed("2026-09-25"),
}


@dataclass(frozen=True)
class Rig:
    """One machine of the field: its bodies, front first, and its class name."""

    name: str
    class_name: str
    bodies: tuple[dict, ...]

    @property
    def capacity(self) -> float:
        """Full payload of the rig [kg]."""
        return sum(_capacity(body) for body in self.bodies)


RIGS = {
    rig.name: rig
    for rig in (
        Rig("combine", "combine_large", (COMBINE,)),
        Rig("cart", "tractor_front_assist", (CART_TRACTOR, CART)),
        Rig("truck", "truck", (TRUCK, HOPPER_TRAILER)),
        Rig("forage", "forage_harvester", (FORAGE,)),
        Rig("trailer", "tractor_front_assist", (TRAILER_TRACTOR, FORAGE_TRAILER)),
        Rig("hose", "hose_tractor", (HOSE_TRACTOR,)),
        Rig("tanker", "tractor_front_assist", (TANKER_TRACTOR, TANKER)),
    )
}


@dataclass(frozen=True)
class Wheel:
    """One wheel over time: where it was, how wide it is, what mass stood on it."""

    body: str
    axle: str
    right: float
    width: float
    east: np.ndarray
    north: np.ndarray
    mass: np.ndarray


def wheels(rig: Rig, motion: Motion, payload: np.ndarray) -> list[Wheel]:
    """Return every wheel of `rig` along `motion` with `payload` [kg] on board.

    The payload rides in the last body that can carry one.
    """
    places = body_places(rig, motion)
    out = []
    axles = axle_masses(rig, payload, rolling=ROLLING * (np.abs(motion.speed) > 0.1))
    for body, (east, north, heading) in zip(rig.bodies, places, strict=True):
        for axle in body["axle"]:
            mass = axles[body["id"], axle["name"]]
            for right, width, share in wheel_slots(axle):
                out.append(
                    Wheel(
                        body["id"],
                        axle["name"],
                        right,
                        width,
                        east + axle["x"] * np.sin(heading) + right * np.cos(heading),
                        north + axle["x"] * np.cos(heading) - right * np.sin(heading),
                        mass * share,
                    )
                )
    return out


def body_places(rig: Rig, motion: Motion) -> list[tuple[np.ndarray, ...]]:
    """Return east, north, heading of each body's reference axle along the motion."""
    places: list[tuple[np.ndarray, ...]] = [(motion.east, motion.north, motion.heading)]
    for front, body in pairwise(rig.bodies):
        places.append(
            trail(
                *places[-1],
                hitch=front["hitch"][0]["x"],
                tongue=body["coupling"]["x"],
                start=float(places[-1][2][0]),
            )
        )
    return places


def wheel_slots(axle: dict) -> list[tuple[float, float, float]]:
    """Return (right of the centre line [m], width [m], share of the axle) a wheel."""
    slots = []
    for contact in axle["contact"]:
        outward = axle["track_width"] / 2 + contact.get("lateral_offset", 0.0)
        width = contact.get("width") or _section(contact["designation"])
        for side in (-1.0, 1.0):
            slots.append((side * outward, width, contact.get("share", 1.0) / 2))
    return sorted(slots)


def axle_masses(rig: Rig, payload, rolling=0.0) -> dict[tuple[str, str], np.ndarray]:
    """Return the mass on every axle [kg], by lever arms, level ground.

    What is pulled holds back with `rolling` times the load on its wheels, at the height
    of its coupling; no tool and no hose pulls.
    """
    payload = np.asarray(payload, dtype=float)
    out: dict[tuple[str, str], np.ndarray] = {}
    on_hitch, pull = np.zeros_like(payload), np.zeros_like(payload)
    ahead = [*rig.bodies[-2::-1], None]
    for body, in_front in zip(reversed(rig.bodies), ahead, strict=True):
        carried = payload if body is _carrier(rig) else np.zeros_like(payload)
        masses = [(body["mass"]["empty_kg"], _empty_x(body))]
        masses += [
            (part["mass_kg"], part["cg_x"]) for part in body.get("attachment", ())
        ]
        masses.append((carried, _payload_x(body, carried)))
        if "hitch" in body:
            masses.append((on_hitch, body["hitch"][0]["x"]))
        total = sum(mass for mass, _ in masses)
        moment = sum(mass * place for mass, place in masses)
        if "hitch" in body:
            moment = moment - pull * body["hitch"][0]["z"]
        points = _points(body)
        if in_front is None:
            (front, x_front), (rear, x_rear) = points
            front_mass = (moment - total * x_rear) / (x_front - x_rear)
            shares = {front: front_mass, rear: total - front_mass}
        else:
            ((only, _),) = points
            reach, height = body["coupling"]["x"], body["coupling"]["z"]
            own = moment + height * (rolling * total + pull)
            on_hitch = own / (reach + height * rolling)
            shares = {only: total - on_hitch}
            pull = pull + rolling * shares[only]
        for axle in body["axle"]:
            group = axle.get("group", axle["name"])
            out[body["id"], axle["name"]] = shares[group] * axle.get("load_share", 1.0)
    return out


def _carrier(rig: Rig) -> dict | None:
    carriers = [
        b for b in rig.bodies if b.get("payload", {}).get("kind", "none") != "none"
    ]
    return carriers[-1] if carriers else None


def _points(body: dict) -> list[tuple[str, float]]:
    groups: dict[str, float] = {}
    for axle in body["axle"]:
        name = axle.get("group", axle["name"])
        groups[name] = groups.get(name, 0.0) + axle["x"] * axle.get("load_share", 1.0)
    return sorted(groups.items(), key=lambda point: -point[1])


def _empty_x(body: dict) -> float:
    mass = body["mass"]
    if "empty_cg_x" in mass:
        return mass["empty_cg_x"]
    return mass["tongue_share"] * body["coupling"]["x"]


def _payload_x(body: dict, carried):
    payload = body.get("payload")
    if not payload or payload["kind"] == "none":
        return 0.0
    if "cg_x_empty" in payload:
        low, high = payload["cg_x_empty"], payload["cg_x_full"]
    else:
        reach = body["coupling"]["x"]
        low = payload["tongue_share_empty"] * reach
        high = payload["tongue_share_full"] * reach
    return low + (high - low) * carried / _capacity(body)


def _capacity(body: dict) -> float:
    payload = body.get("payload")
    if not payload or payload["kind"] == "none":
        return 0.0
    density = payload.get("density_kg_m3", BUSHEL_DENSITY)
    return min(payload["capacity_kg"], payload["capacity_m3"] * density)


def _section(designation: str) -> float:
    """Return the section width in a designation such as 710/70R42 [m]."""
    return float(designation.split("/")[0]) / 1000.0
