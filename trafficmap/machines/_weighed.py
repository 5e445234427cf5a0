"""From axles on a scale to the empty mass and where it acts."""

from __future__ import annotations

import copy
from typing import Any

from trafficmap.core.errors import SettingsError
from trafficmap.machines._convert import convert, own_unit
from trafficmap.machines.catalogue import nearest
from trafficmap.machines.model import Body
from trafficmap.machines.statics import empty_cg, supports

KEY = "weighed_kg"


def take_weighed(values: Any, *, path: str) -> dict[str, float] | None:
    """Take ``weighed_kg`` (or ``_lb``, ``_t``) out of a table of masses, None if not.

    Raises
    ------
    SettingsError
        It is no table of names and masses above 0.
    """
    if not isinstance(values, dict):
        return None
    for key in list(values):
        if not str(key).startswith("weighed_"):
            continue
        _, weighed = own_unit(key, values.pop(key), (KEY,), path=f"{path}.mass")
        where = f"{path}.mass.{key}"
        if not isinstance(weighed, dict) or not weighed:
            msg = f"{where}: got {weighed!r}, need a mass for each axle."
            raise SettingsError(
                msg, "write weighed_kg = { front = 11000, rear = 6500 }"
            )
        for axle, mass in weighed.items():
            if isinstance(mass, bool) or not isinstance(mass, int | float) or mass <= 0:
                msg = f"{where}.{axle}: got {mass!r}, need a mass above 0."
                raise SettingsError(msg, "write what the scale said")
        return {str(axle): float(mass) for axle, mass in weighed.items()}
    return None


def settle_weighed(raw: list[dict], weighed: dict[str, float], *, path: str) -> None:
    """Write empty mass and its place into `raw`, from what axles or groups weighed.

    Weighed with the tank empty and the attachments of the machine on and lifted. A
    pulled body may name its ``coupling`` as well; without it the place of the mass
    stays as the class or file has it, and the axle tells how much it is.

    Raises
    ------
    SettingsError
        An axle is not known or missing, or weighs less than what hangs on it.
    """
    where = f"{path}.mass.{KEY}"
    known: list[str] = []
    for body in raw:
        known += _settle_body(body, weighed, where, path)
    for name in weighed:
        if name not in known:
            msg = (
                f"{where}.{name}: is no axle of this machine, need {', '.join(known)}."
            )
            near = nearest(name, known)
            raise SettingsError(msg, f"write {near}" if near else "name an axle")


def _settle_body(
    body: dict, weighed: dict[str, float], where: str, path: str
) -> list[str]:
    """Settle one body; return the names it can be weighed at."""
    told = dict(body.get("mass", {}))
    plain = copy.deepcopy(body)
    plain["mass"] = {"empty_kg": 1.0, "empty_cg_x": 0.0}
    shape = convert(plain, Body, path=path)
    points = dict(supports(shape))
    ground = [name for name, _ in shape.load_points()]
    if not any(name in weighed for name in points):
        return list(points)
    missing = [name for name in ground if name not in weighed]
    if missing:
        msg = f"{where}: {shape.id} stands on {', '.join(ground)}, need all of them."
        raise SettingsError(msg, f"weigh {missing[0]} too")
    on = [(item.mass_kg, item.cg_x) for item in shape.attachments]
    if shape.coupling is not None and "coupling" not in weighed:
        rear, ahead = points[ground[0]], points["coupling"]
        mine = convert({**plain, "mass": {**told, "empty_kg": 1.0}}, Body, path=path)
        place = empty_cg(mine)
        hung = sum(mass * (ahead - x) for mass, x in on) / (ahead - rear)
        mass = (weighed[ground[0]] - hung) * (ahead - rear) / (ahead - place)
    else:
        mass = sum(weighed[name] for name in points) - sum(m for m, _ in on)
        moment = sum(weighed[name] * x for name, x in points.items())
        moment -= sum(m * x for m, x in on)
        place = moment / mass if mass > 0.0 else 0.0
    if not mass > 0.0:
        msg = f"{where}: {shape.id} weighs less than what hangs on it."
        raise SettingsError(msg, "leave off attachments that were not on the scale")
    for key in ("empty_front_share", "tongue_share", "empty_lb", "empty_t"):
        told.pop(key, None)
    body["mass"] = {**told, "empty_kg": mass, "empty_cg_x": place}
    body.setdefault("provenance", {}).setdefault("confidence", "measured")
    return list(points)
