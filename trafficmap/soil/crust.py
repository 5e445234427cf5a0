"""What a frozen crust carries, and what it does to the word for the ground."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from trafficmap.core.constants import FROST_LIMITS

if TYPE_CHECKING:
    from trafficmap.core.settings.soil import SoilSettings

GROUND_WORDS = ("not frozen", "frozen crust", "thawed over frozen")
"""States of the ground; the last is one of its own: slick, though it bears below."""
BEARING_WET = 0.86e6
"""C in load = C z^2 over wet ground [N/m2]; CRREL Report 95-1, Table A4 (excerpt)."""
BEARING_DRY = 0.35e6
"""The same over drier ground [N/m2]."""


def carries_over_frost(
    word: str,
    *,
    frozen: float,
    thawed: float,
    drier_than_plastic: bool,
    settings: SoilSettings,
) -> str:
    """Return what ground carries, given what it would carry if it were not frozen.

    A crust of 5 cm over ground drier than its plastic limit carries (CRREL SR-04-1,
    section 5.2, excerpt: 5 cm usually allows travel on ground that is only moderately
    soft). A crust of ``settings.crust_least`` keeps the top from smearing, so ground
    that does not carry may rut; it never counts as carrying, whatever the hurry.
    Ground thawed over frozen ground gets no credit for the ice below: it may rut at
    best, and beyond ``settings.thaw_slick`` it does not carry unless it would carry
    without frost. The set is a choice.

    Parameters
    ----------
    word : str
        Of the unfrozen soil: carries, may rut, does not carry, unknown.
    frozen : float
        Frozen thickness. [m]
    thawed : float
        Depth thawed above it. [m]
    drier_than_plastic : bool
        The unfrozen soil below is drier than its plastic limit.
    settings : SoilSettings

    Returns
    -------
    str
        carries, may rut, does not carry, or unknown.
    """
    state = ground_word(frozen, thawed, settings=settings)
    if state == "not frozen":
        return word
    if state == "thawed over frozen":
        if word == "carries":
            return "may rut"
        return "does not carry" if thawed > settings.thaw_slick else word
    if word == "unknown":
        return word
    if frozen >= FROST_LIMITS[1] and drier_than_plastic:
        return "carries"
    return "may rut" if word == "does not carry" else word


def ground_word(frozen: float, thawed: float, *, settings: SoilSettings) -> str:
    """Return the state of the ground, one of `GROUND_WORDS`.

    Parameters
    ----------
    frozen : float
        Frozen thickness; NaN counts as not frozen. [m]
    thawed : float
        Depth thawed above it. [m]
    settings : SoilSettings

    Returns
    -------
    str
    """
    if math.isnan(frozen) or frozen < settings.crust_least:
        return "not frozen"
    # Less than a finger of mud on top is a crust still.
    return "thawed over frozen" if thawed >= 0.01 else "frozen crust"


def bearing_load(frozen, *, wet=True):
    """Return the load a frozen crust carries over ground that carries nothing.

    W = C z^2 (Shoop 1995, Can. Geotech. J. 32:552-556, abstract), C of CRREL Report
    95-1, Table A4 (excerpt). For frozen ground, never for ice on water. A crust stops
    ruts; it does not spare the subsoil from stress.

    Parameters
    ----------
    frozen : float or ndarray
        Frozen thickness. [m]
    wet : bool
        The ground below is wet.

    Returns
    -------
    float or ndarray
        Weight force of the vehicle. [N]

    Examples
    --------
    >>> round(bearing_load(0.10))
    8600
    """
    return (BEARING_WET if wet else BEARING_DRY) * np.square(frozen)


def frozen_thickness_needed(load, *, wet=True):
    """Return the frozen thickness [m] that carries a load [N]; see `bearing_load`.

    Examples
    --------
    >>> round(float(frozen_thickness_needed(20e3 * 9.81)), 2)
    0.48
    """
    return np.sqrt(np.asarray(load) / (BEARING_WET if wet else BEARING_DRY))


def frost_word(frozen: float, *, load: float, drier_than_plastic: bool) -> str:
    """Return what frozen ground carries: carries, may rut, or does not carry.

    Parameters
    ----------
    frozen : float
        Frozen thickness. [m]
    load : float
        Weight force of the heaviest vehicle. [N]
    drier_than_plastic : bool
        The ground below the crust is drier than its plastic limit.

    Notes
    -----
    Two rules: the crust holds the vehicle by itself (`bearing_load`), or 5 cm of it lie
    over ground that is only moderately soft, which usually allows travel (CRREL
    SR-04-1, section 5.2, excerpt); the rest is a choice. Less than 5 cm never counts.
    """
    if frozen < FROST_LIMITS[1]:
        return "does not carry"
    if frozen >= float(frozen_thickness_needed(load, wet=not drier_than_plastic)):
        return "carries"
    return "carries" if drier_than_plastic else "may rut"
