"""Readings of a cone in pascals: its size, and whether the unit can be right."""

from __future__ import annotations

import math

import numpy as np

from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.core.units import from_si, to_si
from trafficmap.field.columns import Columns

LARGE, SMALL = 0.02027, 0.01283
"""Diameters of the two standard cones of 30 degrees [m]: 20.27 mm for soft, 12.83 mm
for hard soil (ASAE S313.3 and EP542, as given by a public handbook of field work)."""

WORN = 0.03
"""A cone is replaced when its diameter has worn by this share (same source)."""

SOFTEST, HARDEST = 350e3, 5e6
"""Middle of many readings beside tracks outside this range is hardly soil: [Pa],
50 and 725 psi; choice."""

_ENOUGH = 8
"""Readings needed to judge a unit; choice."""


def cone_index(columns: Columns, *, told: float | None = None) -> np.ndarray | None:
    """Return the cone index [Pa], from pressures or from forces and the cone's size.

    Parameters
    ----------
    columns : Columns
        With ``value`` (a pressure), or ``force`` and the size of the cone.
    told : float, optional
        Diameter of the cone where no column says it. [m]

    Returns
    -------
    ndarray or None
        None where the table holds neither.

    Raises
    ------
    InputError
        Forces without the size of the cone.

    Notes
    -----
    Force over the area of the cone's base: 150 lb on the large cone are 300 psi.
    """
    if columns.find("force"):
        force = columns.number("force")
        size = cone_size(columns, told=told)
        if size is None or np.isnan(size[np.isfinite(force)]).any():
            msg = (
                f"{columns.name}: readings are forces and nothing says the size of "
                "the cone, need its diameter."
            )
            raise InputError(
                msg,
                "add a column cone_mm: 20.27 for the large cone, 12.83 for the small",
            )
        pressed = force / (math.pi / 4.0 * size**2)
        if columns.find("value"):
            return np.where(np.isfinite(force), pressed, columns.number("value"))
        return pressed
    return columns.number("value") if columns.find("value") else None


def cone_size(columns: Columns, *, told: float | None = None) -> np.ndarray | None:
    """Return the diameter of the cone of each row [m], None where nothing says it.

    Raises
    ------
    InputError
        A size that no cone has.
    """
    size = None
    if columns.find("cone"):
        size = columns.number("cone")
        if told is not None:
            size = np.where(np.isnan(size), told, size)
        if np.isnan(size).all():
            size = None
    elif told is not None:
        size = np.full(len(columns.frame), told)
    if size is None:
        return None
    known = size[np.isfinite(size)]
    bad = (known < 0.8 * SMALL) | (known > 1.25 * LARGE)
    if bad.any():
        shown = from_si(float(known[bad][0]), "mm")
        msg = f"{columns.name}: the cone is {shown:g} mm wide, need 10 to 25 mm."
        raise InputError(msg, "give its diameter: 20.27 mm large, 12.83 mm small")
    return size


def worn_notes(columns: Columns, *, told: float | None = None) -> list[Note]:
    """Say that a cone is worn, where its size is said."""
    size = cone_size(columns, told=told)
    if size is None:
        return []
    known = size[np.isfinite(size)]
    nominal = np.where(np.abs(known - LARGE) < np.abs(known - SMALL), LARGE, SMALL)
    worn = known < (1.0 - WORN) * nominal
    if not worn.any():
        return []
    share = float(np.max((nominal / known) ** 2 - 1.0))
    sentence = (
        f"{columns.name}: the cone is worn by more than 3 % of its diameter; a dial "
        f"made for the new cone reads up to {share:.0%} low. Replace the cone."
    )
    return [Note("dug.cone_worn", "check", sentence, int(worn.sum()), columns.name)]


def unsaid_notes(columns: Columns, *, told: float | None = None) -> list[Note]:
    """Say that nothing says the size of the cone."""
    if cone_size(columns, told=told) is not None:
        return []
    sentence = (
        f"{columns.name}: nothing says the size of the cone; its dial is taken as read "
        "on the scale for the cone it had. Write cone_mm: 20.27 large, 12.83 small."
    )
    return [Note("dug.cone_unsaid", "check", sentence, 1, columns.name)]


def check_unit(value: np.ndarray, wheeled: np.ndarray, *, name: str) -> None:
    """Refuse cone readings whose unit can hardly be right.

    The readings beside tracks are judged, or all of them where too few say their
    side: wheels make soil harder, so the ground beside them tells the unit.

    Parameters
    ----------
    value : ndarray
        Cone index of the probe rows. [Pa]
    wheeled : ndarray
        1 in a track, 0 beside it, NaN unsaid.
    name : str
        What the file is called.

    Raises
    ------
    InputError
        They look like psi in a column of kPa, or the other way round.
    """
    good = np.isfinite(value)
    beside = good & (wheeled == 0.0)
    judged = value[beside if beside.sum() >= _ENOUGH else good]
    if judged.size < _ENOUGH:
        return
    middle = float(np.median(judged))
    psi = to_si(1.0, "psi") / 1000.0
    where = "beside the tracks" if beside.sum() >= _ENOUGH else "in the middle"
    shown = f"{from_si(middle, 'kPa'):.0f} kPa ({from_si(middle, 'psi'):.0f} psi)"
    hint = (
        "if they are right all the same, say so: --unit-checked with probe read, "
        "unit_checked = true under [dug]"
    )
    if middle < SOFTEST and middle * psi < HARDEST:
        msg = (
            f"{name}: cone readings {where} are {shown}, softer than field soil; they "
            "look like psi in a column of kPa."
        )
        raise InputError(msg, f"name the column value_psi; {hint}")
    if middle > HARDEST and middle / psi > SOFTEST / 2:
        msg = (
            f"{name}: cone readings {where} are {shown}, harder than soil that can be "
            "probed; they look like kPa in a column of psi."
        )
        raise InputError(msg, f"name the column value_kpa; {hint}")
