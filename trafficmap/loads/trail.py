"""From the antenna's fixes to the path of every body of the rig."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from trafficmap.core.ground import GroundSlope
from trafficmap.core.limits import GAP_SECONDS, SPEED_LIMIT, SPEED_LIMIT_ROAD
from trafficmap.core.settings.loads import LoadSettings
from trafficmap.loads._arm import follow
from trafficmap.loads._kernels import densify, keep_moving
from trafficmap.loads.heading import (
    PUSHED_ANGLE,
    body_heading,
    heading_noise,
    logged_heading,
    signs_of_travel,
)
from trafficmap.machines.model import Body, Machine

PUSHED_DOUBT = math.radians(20.0)
"""A body that was pushed ends about in line with the one that pushed it, within this,
one sigma; nobody has measured it; choice [rad]."""

_CRAB_WAY = 5.0
"""A machine turns into its crab and out of it within this way; choice [m]."""

_SPLINE_SIGMA = 0.02
"""Curves are drawn through fixes no noisier than this, else noise is amplified [m]."""

_JUMP_SLACK = 10.0
"""A step longer than the fastest drive and this is a jump, not a path; choice [m]."""

_SPLINE_STEP = 15.0
_SPLINE_TURN = math.cos(math.radians(60.0))


@dataclass(frozen=True)
class RigPath:
    """Stations of one rig in one log, the same for all its bodies.

    Parameters
    ----------
    kept : ndarray of int64, shape (n_kept,)
        Positions of the fixes that moved, in the arrays handed in.
    kept_of_fix : ndarray of int64, shape (n_fixes,)
        Position in `kept` of the last fix kept at or before each fix.
    station_of_kept : ndarray of int64, shape (n_kept,)
        Station at each kept fix.
    segment : ndarray of int64, shape (n_stations,)
        Kept fix the station lies behind, -1 at the start of a run.
    part : ndarray, shape (n_stations,)
        How far along its segment. [fraction]
    step_sign : ndarray of int8, shape (n_stations,)
        1 forward, -1 backward, 0 no step after this station.
    easting, northing, heading : list of ndarray, one a body
        Reference axle on the ground [m]; heading clockwise from grid north [rad].
    unsure : list of tuple of float, one a body
        Way on which its axle is known worse than ``settings.unsure_place`` because it
        was pushed there, and the largest error, one sigma. [m]
    heading_refused : bool
        A logged heading was asked for and disagrees with the path.
    """

    kept: np.ndarray
    kept_of_fix: np.ndarray
    station_of_kept: np.ndarray
    segment: np.ndarray
    part: np.ndarray
    step_sign: np.ndarray
    easting: list[np.ndarray]
    northing: list[np.ndarray]
    heading: list[np.ndarray]
    unsure: list[tuple[float, float]]
    heading_refused: bool = False


def rig_path(
    easting,
    northing,
    seconds,
    *,
    machine: Machine,
    settings: LoadSettings,
    standing=None,
    working=None,
    logged=None,
    bridged=None,
    reverse=None,
    begins=None,
    ground: GroundSlope | None = None,
) -> RigPath:
    """Return the path of every body of a rig from the fixes of one log.

    The antenna's path is cut into stations at most 0.5 m apart; the leading body
    turns by `body_heading`, each pulled body by the exact solution for a hitch that
    moves straight between stations: tan(phi/2) falls by exp(-ds/L). Between two cusps
    a pushed body is solved from both of them, see `_arm.follow`.

    Parameters
    ----------
    easting, northing, seconds : ndarray, shape (n,)
        Fixes in order of time. [m], [s]
    machine : Machine
    settings : LoadSettings
    standing, working : ndarray of bool, shape (n,), optional
        The machine stands, or works (crab steering acts only then).
    logged : ndarray, shape (n,), optional
        Heading as logged. [deg]
    bridged : ndarray of bool, shape (n - 1,), optional
        Steps that are driven although there is a gap in the log.
    reverse : ndarray of bool, shape (n,), optional
        The step into a fix was driven backward; told from the path if left out.
    begins : ndarray of bool, shape (n,), optional
        The track starts anew at a fix, whatever the gap before it.
    ground : GroundSlope, optional
        Slope of the ground, for an antenna that leans with it.

    Returns
    -------
    RigPath

    References
    ----------
    .. [1] M. W. Sayers (1986), Vehicle offtracking models, Transportation Research
       Record 1052:53-62 (abstract seen), for the steady state this tends to.
    """
    easting = np.ascontiguousarray(easting, dtype=float)
    northing = np.ascontiguousarray(northing, dtype=float)
    seconds = np.asarray(seconds, dtype=float)
    n = easting.size
    flags = np.zeros(n, dtype=bool)
    standing = flags if standing is None else np.asarray(standing, dtype=bool)
    working = flags if working is None else np.asarray(working, dtype=bool)
    gap = np.zeros(n, dtype=bool)
    gap[:1] = True
    passed = np.diff(seconds)
    fastest = SPEED_LIMIT_ROAD if machine.road_vehicle else SPEED_LIMIT
    far = np.hypot(np.diff(easting), np.diff(northing)) > fastest * passed + _JUMP_SLACK
    gap[1:] = (passed > GAP_SECONDS) | far
    if bridged is not None and n > 1:
        gap[1:] &= ~np.asarray(bridged, dtype=bool)
    if begins is not None:
        gap |= np.asarray(begins, dtype=bool)
    keep = np.zeros(n, dtype=bool)
    min_step = np.where(standing, settings.standing_step, settings.moving_step)
    keep_moving(easting, northing, gap, min_step, keep)
    kept = np.flatnonzero(keep)
    kept_of_fix = np.cumsum(keep) - 1
    east, north, clock = easting[kept], northing[kept], seconds[kept]
    broken = gap[kept][1:]
    if reverse is None:
        fix_sign = signs_of_travel(east, north, clock, broken=broken, settings=settings)
    else:
        fix_sign = np.where(np.asarray(reverse, dtype=bool)[kept][1:], -1, 1)
        fix_sign = np.where(broken, 0, fix_sign).astype(np.int8)
    parts, curved = _cuts(east, north, fix_sign, machine, settings)
    count = 1 + int(np.maximum(parts, 1).sum())
    e, no = np.empty(count), np.empty(count)
    segment, part = np.empty(count, dtype=np.int64), np.empty(count)
    densify(east, north, parts, curved, e, no, segment, part)
    station_of_kept = np.concatenate([[0], np.cumsum(np.maximum(parts, 1))])
    step_sign = np.zeros(count, dtype=np.int8)
    inside = segment[1:] >= 0
    step_sign[:-1][inside] = fix_sign[segment[1:][inside]]

    place, refused = _lead_body(
        e,
        no,
        step_sign,
        machine,
        settings,
        segment,
        part,
        kept,
        working,
        logged,
        ground,
    )
    eastings, northings, headings = [place[0]], [place[1]], [place[2]]
    unsure = [(0.0, 0.0)]
    for hitch, body in zip(machine.hitches, machine.bodies[1:], strict=True):
        arm = body.coupling.x if body.coupling else 1.0
        front = headings[-1]
        hitch_e = np.ascontiguousarray(eastings[-1] + hitch.x * np.sin(front))
        hitch_n = np.ascontiguousarray(northings[-1] + hitch.x * np.cos(front))
        psi, error = np.empty_like(front), np.empty_like(front)
        rules = (PUSHED_DOUBT, heading_noise(machine, arm), PUSHED_ANGLE)
        follow(hitch_e, hitch_n, step_sign, arm, front, *rules, psi, error)
        unsure.append(
            _unsure(hitch_e, hitch_n, step_sign, arm * error, settings.unsure_place)
        )
        eastings.append(hitch_e - arm * np.sin(psi))
        northings.append(hitch_n - arm * np.cos(psi))
        headings.append(psi)
    return RigPath(
        kept=kept,
        kept_of_fix=kept_of_fix,
        station_of_kept=station_of_kept,
        segment=segment,
        part=part,
        step_sign=step_sign,
        easting=eastings,
        northing=northings,
        heading=headings,
        unsure=unsure,
        heading_refused=refused,
    )


def _unsure(east, north, step_sign, error, limit: float) -> tuple[float, float]:
    """Return how far a body was pushed with a larger error than this, and the worst."""
    pushed = (step_sign[:-1] < 0) & (np.maximum(error[:-1], error[1:]) > limit)
    if not pushed.any():
        return 0.0, 0.0
    way = np.hypot(np.diff(east), np.diff(north))[pushed].sum()
    return float(way), float(error[:-1][pushed].max())


def _cuts(east, north, sign, machine: Machine, settings: LoadSettings):
    """Return into how many parts each segment is cut, and whether it is curved."""
    de, dn = np.diff(east), np.diff(north)
    length = np.hypot(de, dn)
    straight = np.zeros(length.size, dtype=bool)
    if length.size > 1:
        along = de[1:] * de[:-1] + dn[1:] * dn[:-1]
        bent = (along < _SPLINE_TURN * length[1:] * length[:-1]) | (
            sign[1:] != sign[:-1]
        )
        straight[1:] |= bent
        straight[:-1] |= bent
    curved = (
        ~straight
        & (sign != 0)
        & (length < _SPLINE_STEP)
        & (machine.sigma_within <= _SPLINE_SIGMA)
    )
    # The curve is a little longer than its chord; 5 % keeps the step below the limit.
    parts = np.ceil(1.05 * length / settings.station_step).astype(np.int64)
    parts[sign == 0] = 0
    return np.where(sign == 0, 0, np.maximum(parts, 1)), curved


def _lead_body(
    e, no, step_sign, machine, settings, segment, part, kept, working, logged, ground
):
    """Return easting, northing, heading of the first body; was the logged one bad."""
    antenna, lead = machine.antenna, machine.bodies[0]
    refused = False
    crab = _crab(lead, segment, kept, working, settings.station_step)

    def pointing(east, north):
        return body_heading(
            east, north, step_sign=step_sign, machine=machine, settings=settings
        )

    psi = pointing(e, no)
    if ground is not None and not antenna.tilt_compensated:
        # The right side low, the antenna leans to the right; taken back to the left.
        roll = np.arctan(ground.along(e, no, psi - crab)[1])
        e = e - antenna.z * np.sin(roll) * np.cos(psi - crab)
        no = no + antenna.z * np.sin(roll) * np.sin(psi - crab)
        psi = pointing(e, no)
    if antenna.y != 0.0:
        # The filter wants the point ahead of the axle centre; one repeat is enough.
        right = psi - crab
        psi = pointing(e - antenna.y * np.cos(right), no + antenna.y * np.sin(right))
    psi = psi - crab
    if lead.heading_source == "logged":
        found = None
        if logged is not None:
            where = np.maximum(segment, 0) + part
            turned = np.exp(1j * np.radians(logged[kept]))
            values = np.angle(np.interp(where, np.arange(kept.size), turned))
            found = logged_heading(np.degrees(values), psi)
        refused = found is None
        psi = psi if found is None else found
    f_e, f_n = np.sin(psi), np.cos(psi)
    return (
        e - antenna.x * f_e - antenna.y * f_n,
        no - antenna.x * f_n + antenna.y * f_e,
        psi,
    ), refused


def _crab(lead: Body, segment, kept, working, step: float):
    """Return the course right of the heading [rad] at each station, eased in."""
    angle = math.radians(lead.steering.crab_deg)
    if angle == 0.0:
        return 0.0
    ahead = np.minimum(np.maximum(segment, 0) + 1, kept.size - 1)
    on = working[kept[ahead]].astype(float)
    half = max(1, round(0.5 * _CRAB_WAY / step))
    total = np.concatenate([[0.0], np.cumsum(on)])
    place = np.arange(on.size)
    low, high = np.maximum(place - half, 0), np.minimum(place + half + 1, on.size)
    return angle * (total[high] - total[low]) / (high - low)
