"""What a tractor can pull: engine to drawbar, and whether it slips."""

from __future__ import annotations

import math

from trafficmap.core.constants import GRAVITY
from trafficmap.core.errors import InputError

PTO_FROM_ENGINE = 0.9
"""PTO power as share of engine power (Univ. of Arizona extension, tractor power)."""

PTO_TO_DRAWBAR = {
    # drive: (concrete, firm, tilled, soft), Univ. of Arizona extension
    "2wd": (0.87, 0.72, 0.67, 0.55),
    "front_assist": (0.87, 0.77, 0.73, 0.65),
    "4wd": (0.88, 0.78, 0.75, 0.70),
    "tracks": (0.88, 0.79, 0.80, 0.78),
}
"""Drawbar power as share of PTO power, by drive and ground."""

_GROUNDS = ("concrete", "firm", "tilled", "soft")


def drawbar_share(drive: str, *, ground: str) -> float:
    """Drawbar power as share of PTO power.

    Parameters
    ----------
    drive : {"2wd", "front_assist", "4wd", "tracks"}
    ground : {"concrete", "firm", "tilled", "soft"}

    Returns
    -------
    float
        [fraction]

    Raises
    ------
    InputError
        The drive or the ground is not in the table.

    Examples
    --------
    >>> drawbar_share("front_assist", ground="tilled")
    0.73
    """
    if drive not in PTO_TO_DRAWBAR or ground not in _GROUNDS:
        msg = (
            f"tractor: got drive {drive!r} on {ground!r} ground, need one of "
            f"{', '.join(PTO_TO_DRAWBAR)} on {', '.join(_GROUNDS)}."
        )
        raise InputError(msg, "write the drive as in the list")
    return PTO_TO_DRAWBAR[drive][_GROUNDS.index(ground)]


def pto_power(draft: float, *, speed: float, share: float) -> float:
    """PTO power [W] that a draft [N] at a speed [m/s] needs, `share` from the table."""
    return draft * speed / share


def shanks_to_lift(
    draft: float, *, shanks: int, speed: float, engine_power: float, share: float
) -> int:
    """How many shanks must come out before the tractor can pull the rest.

    Parameters
    ----------
    draft : float
        Draft of the whole tool. [N]
    shanks : int
    speed : float
        [m/s]
    engine_power : float
        [W]
    share : float
        Drawbar power as share of PTO power. [fraction]

    Examples
    --------
    >>> shanks_to_lift(70e3, shanks=7, speed=2.0, engine_power=200e3, share=0.75)
    1
    """
    drawbar = engine_power * PTO_FROM_ENGINE * share
    most = drawbar / speed
    if draft <= most:
        return 0
    return min(shanks, math.ceil(shanks * (1.0 - most / draft) - 1e-9))


def traction_brixius(
    cone_index: float,
    *,
    width: float,
    diameter: float,
    load: float,
    slip: float,
    deflection: float = 0.2,
) -> dict[str, float]:
    """Pull of one bias-ply drive wheel on soil (form from memory).

    Bn = (CI b d / W)(1 + 5 h)/(1 + 3 b/d), gross traction
    0.88 (1 - e^(-0.1 Bn))(1 - e^(-7.5 s)) + 0.04, motion resistance
    1/Bn + 0.04 + 0.5 s / sqrt(Bn); net is the difference and efficiency
    (1 - s) net/gross. Low by a few points of best slip on soft soil.

    Parameters
    ----------
    cone_index : float
        [Pa]
    width, diameter : float
        [m]
    load : float
        On the wheel. [N]
    slip : float
        [fraction]
    deflection : float
        Tyre deflection as share of the section height. [fraction]

    Returns
    -------
    dict
        mobility, gross, resistance, net, efficiency. [unitless]

    References
    ----------
    .. [1] W. W. Brixius (1987), Traction prediction equations for bias ply tires,
       ASAE paper 87-1622 (from memory).
    """
    mobility = (cone_index * width * diameter / load) * (1 + 5 * deflection)
    mobility /= 1 + 3 * width / diameter
    gross = 0.88 * (1 - math.exp(-0.1 * mobility)) * (1 - math.exp(-7.5 * slip)) + 0.04
    resistance = 1 / mobility + 0.04 + 0.5 * slip / math.sqrt(mobility)
    net = gross - resistance
    return {
        "mobility": mobility,
        "gross": gross,
        "resistance": resistance,
        "net": net,
        "efficiency": (1 - slip) * net / gross,
    }


_WHEEL = (0.71, 2.06)  # width and diameter of a usual drive tyre [m]; choice
_DRIVEN = {"2wd": (2, 0.65), "front_assist": (4, 1.0), "4wd": (4, 1.0)}
"""Driven wheels and the share of the tractor's weight on them (choice)."""


def most_pull(
    mass: float, *, drive: str, cone_index: float, slip: float
) -> float | None:
    """Most pull of a wheeled tractor [N] at the most slip that is let be.

    The weight on its driven wheels times the net traction of one such wheel
    (`traction_brixius`). None for tracks, of which the form says nothing.

    Parameters
    ----------
    mass : float
        Of the tractor with ballast. [kg]
    drive : {"2wd", "front_assist", "4wd", "tracks"}
    cone_index : float
        Of the ground it runs on. [Pa]
    slip : float
        [fraction]

    Examples
    --------
    >>> round(most_pull(16_300, drive="4wd", cone_index=900e3, slip=0.10) / 1000)
    65
    """
    if drive not in _DRIVEN:
        return None
    wheels, share = _DRIVEN[drive]
    load = mass * GRAVITY * share
    width, diameter = _WHEEL
    found = traction_brixius(
        cone_index, width=width, diameter=diameter, load=load / wheels, slip=slip
    )
    return load * max(0.0, found["net"])


BEST_SLIP = {
    "concrete": (0.04, 0.08),
    "firm": (0.08, 0.10),
    "tilled": (0.11, 0.13),
    "soft": (0.14, 0.16),
}
"""Slip at which tractors pull best (Univ. of Arizona extension)."""


def slip_verdict(slip: float, *, ground: str) -> str:
    """Say whether a measured slip is low, right or high for the ground.

    Examples
    --------
    >>> slip_verdict(0.2, ground="tilled")
    'too much slip: lighten the pull or add traction'
    """
    low, high = BEST_SLIP[ground]
    if slip > high:
        return "too much slip: lighten the pull or add traction"
    if slip < low:
        return "little slip: the tractor is heavier than this work needs"
    return "right"
