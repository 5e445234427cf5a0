"""Columns known by what they hold where their names say nothing.

A column is taken only where its values leave one reading; the reason is in the
Finding, and what stays open is asked for.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from trafficmap.core.units import to_si
from trafficmap.formats.sampling import is_mostly_numbers, sample

# A log of one season stays within this; a stray fix may lie outside. [deg]; choice.
_REACH = 3.0
_STEP = 0.01
_INSIDE = 0.95
# Degrees of a log are written finer than this, other signals are not. [deg]; choice.
_COARSE = 1e-4
_FINE_SHARE = 0.5
_TOLERANCE = 0.05
_SPREAD = 0.15
_BEARING = np.radians(8.0)
_LEAST = 50
_MOVING = 0.5
_UNITS = ("m/s", "km/h", "mph", "kn")
_TIME = (
    r"^\s*(\d{4}[-/]\d{1,2}[-/]\d{1,2}|\d{1,2}[./-]\d{1,2}[./-]\d{2,4})[T ]+\d{1,2}:"
)
_UNIX = (1e9, 2.2e9)


@dataclass(frozen=True)
class ByValue:
    """One column taken by its values: which, in what unit, and why."""

    column: str
    unit: str
    why: str


@dataclass(frozen=True)
class PlacePair:
    """Two columns that hold degrees; ``east`` is None while either can be it."""

    east: str | None
    north: str | None
    columns: tuple[str, str]
    why: str = ""


def find_places(frame: pd.DataFrame, free: list[str]) -> PlacePair | None:
    """Return the two free columns that can be degrees of a track, None for no pair.

    Parameters
    ----------
    frame : DataFrame
    free : list of str
        Columns that are nothing else.
    """
    found = [name for name in free if _is_track(frame[name])]
    if len(found) != 2:
        return None
    one, two = found
    beyond = [float(frame[name].abs().median()) > 90 for name in found]
    if beyond == [True, False] or beyond == [False, True]:
        east, north = (one, two) if beyond[0] else (two, one)
        why = "by its values: moves by small steps, and only a longitude passes 90"
        return PlacePair(east, north, (one, two), why)
    return PlacePair(None, None, (one, two))


def find_time(frame: pd.DataFrame, free: list[str]) -> ByValue | None:
    """Return the free column that holds day and time, None for none or several."""
    found = []
    for name in free:
        column = frame[name]
        if column.dtype.kind == "M" or isinstance(column.dtype, pd.DatetimeTZDtype):
            found.append(ByValue(name, "", "by its values: dates and times"))
        elif is_mostly_numbers(column):
            value = pd.to_numeric(column, errors="coerce").to_numpy(dtype=float)
            known = value[np.isfinite(value)]
            for factor in (1.0, 1e3):
                low, high = _UNIX[0] * factor, _UNIX[1] * factor
                inside = known.size > 2 and low < known.min() and known.max() < high
                # Rising by the second and not by accident: 98 of 100 steps.
                if inside and (np.diff(known) >= 0).mean() > 0.98:
                    why = "by its values: rising seconds since 1970"
                    found.append(ByValue(name, "", why))
        else:
            some = sample(column).astype("str")
            if len(some) and some.str.match(_TIME).mean() > 0.9:
                found.append(ByValue(name, "", "by its values: dates and times"))
    return found[0] if len(found) == 1 else None


def find_speed(
    frame: pd.DataFrame, free: list[str], *, speed: np.ndarray
) -> ByValue | None:
    """Return the free column that runs with the speed of the places.

    Parameters
    ----------
    frame : DataFrame
    free : list of str
    speed : ndarray, shape (n,)
        From places and clock, NaN where unknown. [m/s]
    """
    found = []
    for name in free:
        if not is_mostly_numbers(frame[name]):
            continue
        value = pd.to_numeric(frame[name], errors="coerce").to_numpy(dtype=float)
        moving = (speed > _MOVING) & np.isfinite(value) & (value > 0)
        if moving.sum() < _LEAST or np.ptp(value[moving]) == 0:
            continue
        ratio = value[moving] / speed[moving]
        low, middle, high = np.quantile(ratio, (0.25, 0.5, 0.75))
        off = {unit: abs(to_si(middle, unit) - 1) for unit in _UNITS}
        best = min(off, key=lambda unit: off[unit])
        if off[best] < _TOLERANCE and high - low < _SPREAD * middle:
            why = f"by its values: in {best} it agrees with the places within "
            found.append(ByValue(name, best, f"{why}{off[best]:.1%}"))
    return found[0] if len(found) == 1 else None


def find_heading(
    frame: pd.DataFrame, free: list[str], *, bearing: np.ndarray
) -> ByValue | None:
    """Return the free column that runs with the direction of travel.

    Parameters
    ----------
    frame : DataFrame
    free : list of str
    bearing : ndarray, shape (n,)
        Of the steps, NaN where it stands still. [rad]
    """
    found = []
    for name in free:
        if not is_mostly_numbers(frame[name]):
            continue
        value = pd.to_numeric(frame[name], errors="coerce").to_numpy(dtype=float)
        known = np.isfinite(value) & np.isfinite(bearing)
        if known.sum() < _LEAST or np.ptp(value[known]) == 0:
            continue
        if value[known].min() < -180 or value[known].max() > 360:
            continue
        off = np.median(np.abs(turn(np.radians(value[known]) - bearing[known])))
        if off < _BEARING:
            why = "by its values: the direction of the steps within "
            found.append(ByValue(name, "deg", f"{why}{np.degrees(off):.0f} degrees"))
    return found[0] if len(found) == 1 else None


def turn(angle: np.ndarray) -> np.ndarray:
    """Return angles between -pi and pi [rad]."""
    return (angle + np.pi) % (2 * np.pi) - np.pi


def _is_track(column: pd.Series) -> bool:
    if not is_mostly_numbers(column):
        return False
    value = pd.to_numeric(column, errors="coerce").to_numpy(dtype=float)
    known = value[np.isfinite(value)]
    if known.size < _LEAST or np.abs(np.median(known)) > 180:
        return False
    near = np.abs(known - np.median(known)) < _REACH
    steps = np.abs(np.diff(known)) < _STEP
    fine = np.abs(known / _COARSE - np.round(known / _COARSE)) > 1e-3
    still = np.ptp(known) == 0
    return bool(
        near.mean() > _INSIDE
        and steps.mean() > _INSIDE
        and fine.mean() > _FINE_SHARE
        and not still
    )
