"""Which way a body points, from the path its antenna took."""

from __future__ import annotations

import math

import numpy as np

from trafficmap.core.settings.loads import LoadSettings
from trafficmap.loads._arm import follow
from trafficmap.loads._kernels import bearing, travel_signs
from trafficmap.machines.model import Machine

PUSHED_ANGLE = math.radians(80.0)
"""Largest angle between a pushed body and the one that pushes it; choice [rad]."""

BEARING_DOUBT = 0.15
"""Error of a bearing that stands in for the heading at a cusp: that of an antenna 1.8 m
ahead in a 12 m circle, one sigma; choice [rad]."""

_SPIN_COST = 30.0
_REVERSE_FREE = 40.0
_REVERSE_STEEP = 10.0
"""Reversing costs its length and ten times what is over 40 m; turning on the spot
costs 30 m; choice."""


def body_heading(
    easting, northing, *, step_sign, machine: Machine, settings: LoadSettings
):
    """Heading of the body that carries the antenna, at every station [rad].

    With the antenna `a` = 1 m or more from the reference axle the body obeys
    dpsi/ds = sin(chi - psi)/a along the antenna's path, the equation of a trailer on
    an arm of length a; the bearing alone would be wrong by asin(a/R) in a turn.
    Nearer than that the bearing of the path over a fixed distance is as good. With all
    wheels turned by the crab angle d the same holds for psi + d, on an arm a cos(d).

    Parameters
    ----------
    easting, northing : ndarray, shape (n,)
        Stations of the antenna. [m]
    step_sign : ndarray of int8, shape (n,)
        Step after each station: 1 forward, -1 backward, 0 a break.
    machine : Machine
    settings : LoadSettings

    Returns
    -------
    ndarray, shape (n,)
        Clockwise from grid north, -pi to pi; NaN where nothing ever moved. Of a machine
        that crabs the way its reference axle goes, which is its heading plus the crab.
    """
    base = max(settings.heading_base, 10.0 * machine.sigma_within)
    course = np.full(easting.size, math.nan)
    bearing(easting, northing, step_sign, base, course)
    arm = machine.antenna.x
    source = machine.bodies[0].heading_source
    by_filter = source == "kinematic" or (
        source in ("auto", "logged") and abs(arm) >= settings.filter_arm
    )
    if not by_filter or abs(arm) < 0.05:
        return course
    out = np.empty_like(course)
    arm *= math.cos(math.radians(machine.bodies[0].steering.crab_deg))
    noise = heading_noise(machine, arm)
    doubt = math.hypot(BEARING_DOUBT, math.sqrt(2.0) * machine.sigma_within / base)
    error = np.empty_like(course)
    rules = (doubt, noise, PUSHED_ANGLE)
    if arm > 0:
        follow(easting, northing, step_sign, arm, course, *rules, out, error)
        return out
    # An antenna behind the axle is pushed when the machine drives forward.
    turned = course + math.pi
    follow(easting, northing, -step_sign, -arm, turned, *rules, out, error)
    return (out + 2.0 * math.pi) % (2.0 * math.pi) - math.pi


def heading_noise(machine: Machine, arm: float) -> float:
    """Error of the heading of an arm long pulled along a path of the machine [rad].

    The error of the path across, over the arm; at least 0.01 rad for slip, slack and
    an arm told wrong by a few percent (choice).
    """
    return max(math.atan2(machine.sigma_within, abs(arm)), 0.01)


def signs_of_travel(easting, northing, seconds, *, broken, settings: LoadSettings):
    """Say for each step between fixes whether the machine drove forward or backward.

    A cusp is a change of course of more than 120 degrees around a stop. Between cusps
    the direction holds; the sequence with least reversing wins.

    Parameters
    ----------
    easting, northing, seconds : ndarray, shape (n,)
        Fixes that moved. [m], [s]
    broken : ndarray of bool, shape (n - 1,)
        Steps over a gap.

    Returns
    -------
    ndarray of int8, shape (n - 1,)
        1, -1, or 0 for a gap.
    """
    de, dn = np.diff(easting), np.diff(northing)
    if de.size == 0:
        return np.empty(0, dtype=np.int8)
    length = np.hypot(de, dn)
    speed = length / np.maximum(np.diff(seconds), 1e-3)
    along = de[1:] * de[:-1] + dn[1:] * dn[:-1]
    sharp = along < math.cos(math.radians(120.0)) * length[1:] * length[:-1]
    slow = np.minimum(speed[1:], speed[:-1]) < settings.cusp_speed
    cusp = np.zeros(de.size, dtype=bool)
    cusp[1:] = sharp & slow & ~broken[1:] & ~broken[:-1]
    run_first = np.zeros(de.size, dtype=bool)
    run_first[0] = True
    run_first[1:] = broken[:-1] | broken[1:]
    starts = np.flatnonzero(cusp | run_first)
    piece = np.cumsum(cusp | run_first) - 1
    total = np.add.reduceat(np.where(broken, 0.0, length), starts)
    sign = np.ones(starts.size, dtype=np.int8)
    travel_signs(
        total,
        cusp[starts],
        run_first[starts],
        _REVERSE_FREE,
        _REVERSE_STEEP,
        _SPIN_COST,
        sign,
    )
    out = sign[piece]
    out[broken] = 0
    return out


def logged_heading(logged_deg, course, *, tolerance: float = 10.0):
    """Return the logged heading [rad] when it agrees with the course, else None.

    The median difference on the whole path must be near 0 (or near 180 degrees, which
    is a sign mistake and is turned back).

    Parameters
    ----------
    logged_deg : ndarray
        As logged, from north. [deg]
    course : ndarray
        Heading from the path. [rad]
    """
    logged = np.radians(np.asarray(logged_deg, dtype=float))
    both = np.isfinite(logged) & np.isfinite(course)
    if both.sum() < 0.9 * logged.size or both.sum() < 3:
        return None
    error = np.exp(1j * (logged[both] - course[both]))
    middle = float(
        np.degrees(np.angle(np.median(error.real) + 1j * np.median(error.imag)))
    )
    if abs(middle) <= tolerance:
        return np.where(both, logged, course)
    if abs(abs(middle) - 180.0) <= tolerance:
        return np.where(both, logged + math.pi, course)
    return None
