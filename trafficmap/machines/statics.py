"""Where masses act and how two supports share them: lever arms, nothing else."""

from __future__ import annotations

import math

import numpy as np

from trafficmap.core.errors import SettingsError
from trafficmap.machines.model import Body


def share_on_supports(masses, positions, *, x_front: float, x_rear: float):
    """Masses carried by a front and a rear support of a level rigid body [kg].

    R_r = sum m_i (x_f - x_i) / (x_f - x_r), R_f = sum m_i - R_r: balance of moments
    about the front support. A support may come out negative where a mass overhangs.

    Parameters
    ----------
    masses, positions : ndarray, shape (n_masses, ...)
        Point masses and how far ahead they act. [kg], [m]
    x_front, x_rear : float
        The supports, the front one ahead of the rear one. [m]

    Returns
    -------
    front, rear : ndarray

    Examples
    --------
    >>> front, rear = share_on_supports([10.0], [-1.0], x_front=0.0, x_rear=-4.0)
    >>> float(front), float(rear)
    (7.5, 2.5)
    """
    masses = np.asarray(masses, dtype=float)
    arms = x_front - np.asarray(positions, dtype=float)
    rear = (masses * arms).sum(axis=0) / (x_front - x_rear)
    return masses.sum(axis=0) - rear, rear


def supports(body: Body) -> list[tuple[str, float]]:
    """Return (name, x) of what carries the body, the front one first [m].

    Two axles or groups; or one and the coupling, named ``coupling``; or one alone.

    Raises
    ------
    SettingsError
        More than two, or two at one place.
    """
    points = body.load_points()
    if body.coupling is not None:
        points = [("coupling", body.coupling.x), *points]
    if len(points) > 2:
        names = ", ".join(name for name, _ in points)
        msg = f"{body.id}: is carried at {len(points)} places ({names}), need two."
        raise SettingsError(msg, "give axles that share a load one group name")
    if len(points) == 2 and points[0][1] - points[1][1] < 0.1:
        msg = f"{body.id}: {points[0][0]} and {points[1][0]} carry at the same place."
        raise SettingsError(msg, "check x of the axles and the coupling")
    return points


def empty_cg(body: Body) -> float:
    """Place of the empty mass along the body [m], from whichever key tells it."""
    mass, points = body.mass, supports(body)
    told = [mass.empty_cg_x, mass.empty_front_share, mass.tongue_share]
    if sum(value is not None for value in told) != 1:
        msg = f"{body.id}: need exactly one of empty_cg_x, empty_front_share and "
        msg += "tongue_share."
        raise SettingsError(msg, "keep the one that was measured")
    if mass.empty_cg_x is not None:
        return mass.empty_cg_x
    if len(points) < 2:
        msg = f"{body.id}: has one axle and no coupling, a share means nothing."
        raise SettingsError(msg, "give empty_cg_x")
    share = (
        mass.empty_front_share
        if mass.empty_front_share is not None
        else mass.tongue_share
    )
    if mass.tongue_share is not None and body.coupling is None:
        msg = f"{body.id}: tongue_share is given but nothing is coupled."
        raise SettingsError(msg, "give a [coupling] or empty_front_share")
    (_, front), (_, rear) = points
    return rear + float(share or 0.0) * (front - rear)


def payload_cg(body: Body, mass, *, capacity: float):
    """Place of the payload along the body [m]; linear from nearly empty to full.

    Parameters
    ----------
    mass : float or ndarray
        Payload. [kg]
    capacity : float
        Full payload. [kg]
    """
    payload, points = body.payload, supports(body)
    by_place = (payload.cg_x_empty, payload.cg_x_full)
    by_share = (payload.tongue_share_empty, payload.tongue_share_full)
    if (by_place == (None, None)) == (by_share == (None, None)):
        msg = f"{body.id}: need either cg_x_empty and cg_x_full or tongue_share_empty "
        msg += "and tongue_share_full of the payload."
        raise SettingsError(msg, "keep the pair that was measured")
    if by_share != (None, None):
        if body.coupling is None or len(points) < 2:
            msg = f"{body.id}: a tongue share needs a coupling and an axle."
            raise SettingsError(msg, "give cg_x_empty and cg_x_full")
        (_, front), (_, rear) = points
        places = [None if s is None else rear + s * (front - rear) for s in by_share]
    else:
        places = list(by_place)
    told = [place for place in places if place is not None]
    first, last = told[0], told[-1]
    if not (math.isfinite(capacity) and capacity > 0.0):
        return np.full(np.shape(mass), 0.5 * (first + last))
    return first + (last - first) * np.clip(np.asarray(mass) / capacity, 0.0, 1.0)


def body_supports(body: Body, payload, *, capacity: float, attachments: bool = True):
    """Masses on the supports of one body standing alone, by name [kg].

    Parameters
    ----------
    payload : float or ndarray
        Payload. [kg]
    capacity : float
        Full payload. [kg]
    attachments : bool
        Whether header and toolbar are on.

    Returns
    -------
    dict of str to ndarray
    """
    payload = np.asarray(payload, dtype=float)
    masses = [np.full(payload.shape, body.mass.empty_kg)]
    places = [np.full(payload.shape, empty_cg(body))]
    if body.payload.kind != "none":
        masses.append(payload)
        places.append(np.asarray(payload_cg(body, payload, capacity=capacity)))
    for item in body.attachments if attachments else ():
        masses.append(np.full(payload.shape, item.mass_kg))
        places.append(np.full(payload.shape, item.cg_x))
    points = supports(body)
    if len(points) == 1:
        return {points[0][0]: np.sum(masses, axis=0)}
    (name_front, x_front), (name_rear, x_rear) = points
    front, rear = share_on_supports(masses, places, x_front=x_front, x_rear=x_rear)
    return {name_front: front, name_rear: rear}
