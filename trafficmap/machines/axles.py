"""From the masses of a rig to the load of every wheel: balance of forces and moments.

Bodies are solved from the rear of the chain to the front; what a pulled body puts on
its coupling, down and back, acts on the hitch of the body in front. Bodies joined by a
pivot turn but do not nod against each other, so they share one beam.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from trafficmap.core.constants import GRAVITY
from trafficmap.machines.model import MOVING, Body, Hitch, Machine
from trafficmap.machines.statics import empty_cg, payload_cg
from trafficmap.machines.wheels import payload_of_bodies, wheel_spots


def rig_wheel_loads(
    machine: Machine,
    payload,
    *,
    density: float = math.nan,
    state: str = "working",
    mass_factor=1.0,
    pull_bound: float = 0.0,
    pitch=0.0,
    roll=0.0,
    rolling_resistance: float = 0.0,
):
    """Load of every wheel of a rig standing or driving steadily, across the ground [N].

    Parameters
    ----------
    machine : Machine
    payload : ndarray, shape (n,)
        Mass carried by the whole rig; several carriers share it by capacity. [kg]
    density : float
        Bulk density where the machine does not tell it. [kg/m3]
    state : str
        Word of the fix; attachments may be off, tools and hoses may pull by it.
    mass_factor : float
        Factor on every empty mass and attachment, for its interval.
    pull_bound : float
        -1 for the least pull of tools and hoses, 0 as told, 1 for the most.
    pitch, roll : float or ndarray, shape (n,)
        Rise over run, positive with the nose up and with the right side low.
        [fraction]
    rolling_resistance : float
        Pull of what rolls behind, share of the load on its wheels. [fraction]

    Returns
    -------
    ndarray, shape (n, n_wheels)
        In the order of `wheel_spots`; on the level a row adds up to gravity times all
        masses the rig carries.
    """
    payload = np.atleast_1d(np.asarray(payload, dtype=float))
    chain = _Chain(
        machine,
        payload,
        density=density,
        state=state,
        mass_factor=mass_factor,
        pull_bound=pull_bound,
        pitch=pitch,
        roll=roll,
        rolling_resistance=rolling_resistance,
    )
    roll = np.broadcast_to(np.asarray(roll, dtype=float), payload.shape)
    spots = wheel_spots(machine)
    columns = np.empty((payload.size, len(spots)))
    for b, body in enumerate(machine.bodies):
        axle_load = {
            axle.name: chain.group_load[b, group] * part
            for group, axles in body.groups().items()
            for axle, part in axles
        }
        mine = [k for k, spot in enumerate(spots) if spot.body == b]
        for k in mine:
            columns[:, k] = axle_load[spots[k].axle.name] * spots[k].share
        if roll.any():
            _lean(
                columns, [(k, spots[k]) for k in mine], axle_load, roll, chain.high[b]
            )
    return columns * GRAVITY


def track_lean(
    machine: Machine, payload: float, *, density: float, state: str = "working"
) -> dict[int, float]:
    """How far ahead of the middle of its tracks a body alone on tracks presses [m].

    Only bodies that stand on one axle or group without a coupling are in the answer,
    by their number: draft and what hangs on them tip them back or forward, and their
    rigid tracks press more at that end. See `rig_wheel_loads`.
    """
    chain = _Chain(machine, np.array([payload]), density=density, state=state)
    return {b: float(lean[0]) for b, lean in chain.lean.items()}


def pressed_length(length: float, lean: float) -> float:
    """Length of a rigid track that presses when its load acts `lean` off its middle.

    L - 2 |e|, the length about the load: as a footing under an eccentric load (G. G.
    Meyerhof 1953, 3rd Int. Conf. Soil Mech. Found. Eng. 1:440-445, from memory); at
    least a quarter of the track (choice). [m]
    """
    return max(length - 2.0 * abs(lean), 0.25 * length)


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


@dataclass
class _Point:
    """A mass of a beam: how much across the ground [kg], where and how high [m]."""

    mass: np.ndarray
    place: np.ndarray
    height: np.ndarray


class _Chain:
    """A rig solved from its rear: `group_load` [kg] by body and group or axle name.

    ``lean`` is how far ahead of its one support the load of a body acts that stands
    alone on it, ``high`` the height of the centre of mass of each body. [m]
    """

    def __init__(
        self,
        machine: Machine,
        payload: np.ndarray,
        *,
        density: float,
        state: str,
        mass_factor=1.0,
        pull_bound: float = 0.0,
        pitch=0.0,
        roll=0.0,
        rolling_resistance: float = 0.0,
    ) -> None:
        self.machine, self.density = machine, density
        self.state, self.factor, self.bound = state, mass_factor, pull_bound
        shape = payload.shape
        alpha = np.broadcast_to(np.arctan(np.asarray(pitch, dtype=float)), shape)
        beta = np.broadcast_to(np.arctan(np.asarray(roll, dtype=float)), shape)
        self.across = np.cos(alpha) * np.cos(beta)
        self.back = np.sin(alpha)
        self.rolling = rolling_resistance if state in MOVING else 0.0
        self.parts = payload_of_bodies(machine, payload, density=density)
        self.group_load: dict[tuple[int, str], np.ndarray] = {}
        self.lean: dict[int, np.ndarray] = {}
        self.high: list[np.ndarray] = [np.zeros(shape) for _ in machine.bodies]
        down = np.zeros(shape)
        pull = np.zeros(shape)
        for beam in reversed(_beams(machine)):
            down, pull = self._solve(beam, down, pull)

    def _solve(self, beam, down, pull) -> tuple[np.ndarray, np.ndarray]:
        """Solve one beam, given what hangs behind it.

        Returns the load it puts on the hitch in front and its pull there, `down` and
        `pull` are the same of the body behind. [kg]
        """
        masses: list[_Point] = []
        supports: list[tuple[int, str, float]] = []
        for b, origin in beam:
            body = self.machine.bodies[b]
            mine = self._masses(b, body, origin)
            masses += mine
            total = np.sum([m.mass for m in mine], axis=0)
            self.high[b] = np.sum([m.mass * m.height for m in mine], axis=0) / total
            supports += [(b, name, origin + x) for name, x in body.load_points()]
        weight = np.sum([m.mass for m in masses], axis=0) * self.across + down
        slide = np.sum([m.mass for m in masses], axis=0) * self.back
        last, last_origin = beam[-1]
        behind = last + 1 < len(self.machine.bodies)
        hitch = self.machine.hitches[last] if behind else None
        hitches = [h for b, _ in beam for h in self.machine.bodies[b].hitches]
        told = sum(self._told_pull(h) for h in hitches)

        def tip(about: float) -> np.ndarray:
            """Moment about a place on the ground, positive with the nose down [kg m].

            Masses across and along the ground, the load on the hitch, and all pulls.
            """
            out = -sum(self._told_pull(h) * h.z for h in hitches)
            for m in masses:
                out = out + m.mass * self.across * (m.place - about)
                out = out - m.mass * self.back * m.height
            if hitch is not None:
                out = out + down * (last_origin + hitch.x - about) - pull * hitch.z
            return out

        first = self.machine.bodies[beam[0][0]]
        if beam[0][0] > 0 and first.coupling is not None:
            b, name, x = supports[-1]
            arm, z = first.coupling.x - x, first.coupling.z
            # All that holds the body back is pulled at its coupling; its own rolling
            # takes part of the load it is pulled off, hence the longer arm.
            held = slide + told + pull + self.rolling * weight
            on_hitch = (tip(x) + z * held) / (arm + z * self.rolling)
            # An axle cannot hang in the air; a coupling can be pulled up.
            on_axle = np.maximum(weight - on_hitch, 0.0)
            self.group_load[b, name] = on_axle
            return weight - on_axle, slide + told + pull + self.rolling * on_axle
        if len(supports) == 1:
            b, name, x = supports[0]
            self.group_load[b, name] = weight
            self.lean[b] = tip(x) / weight
            return np.zeros_like(down), np.zeros_like(pull)
        (b_f, name_f, x_f), (b_r, name_r, x_r) = supports
        front = tip(x_r) / (x_f - x_r)
        # An axle that would lift carries nothing and the other carries all.
        front = np.clip(front, 0.0, np.maximum(weight, 0.0))
        self.group_load[b_f, name_f] = front
        self.group_load[b_r, name_r] = weight - front
        return np.zeros_like(down), np.zeros_like(pull)

    def _told_pull(self, hitch: Hitch) -> float:
        """Pull of tool and hose at a hitch [kg]."""
        return hitch.pull(self.state, bound=self.bound) / GRAVITY

    def _masses(self, b: int, body: Body, origin: float) -> list[_Point]:
        """Return the masses of one body; those that are not there weigh nothing."""
        shape = self.across.shape

        def whole(value) -> np.ndarray:
            return np.broadcast_to(np.asarray(value, dtype=float), shape)

        def point(mass, place, height) -> _Point:
            return _Point(whole(mass), whole(place), whole(height))

        out = [
            point(
                body.mass.empty_kg * self.factor,
                origin + empty_cg(body),
                body.mass.cg_z,
            )
        ]
        out += [
            point(
                item.carried(self.state) * self.factor,
                origin + item.cg_x,
                body.mass.cg_z,
            )
            for item in body.attachments
        ]
        if body.payload.kind != "none":
            capacity = body.payload.capacity(self.density)
            part = self.parts[b]
            place = origin + np.asarray(payload_cg(body, part, capacity=capacity))
            told = body.payload.cg_z
            out.append(point(part, place, body.mass.cg_z if told is None else told))
        return out


def _lean(columns, spots, axle_load, roll, height) -> None:
    """Shift load to the wheels on the low side, in place [kg].

    Each axle leans with its own load on its own wheels, dual by dual in proportion to
    place and share; what a single centre wheel cannot hold goes to the other axles.
    """
    width: dict[str, float] = {}
    for _, spot in spots:
        name = spot.axle.name
        width[name] = width.get(name, 0.0) + spot.share * spot.right**2
    holding = sum(load for name, load in axle_load.items() if width[name] > 0.0)
    if np.ndim(holding) == 0:
        return
    total = sum(axle_load.values())
    more = np.divide(total, holding, out=np.ones_like(total), where=holding > 0.0)
    for name, load in axle_load.items():
        mine = [(k, spot) for k, spot in spots if spot.axle.name == name]
        if width[name] <= 0.0:
            continue
        moment = load * more * roll * height
        for k, spot in mine:
            columns[:, k] += moment * spot.share * spot.right / width[name]
        rows = [k for k, _ in mine]
        # A wheel that would lift carries nothing; the others carry the axle.
        carried = np.maximum(columns[:, rows], 0.0)
        whole = carried.sum(axis=1)
        scale = np.divide(load, whole, out=np.ones_like(load), where=whole > 0.0)
        columns[:, rows] = carried * scale[:, None]


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
