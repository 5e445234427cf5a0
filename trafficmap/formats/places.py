"""Places in a text log: degrees in any dress, metres only when told of which system."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from trafficmap.core.errors import CRSError, InputError
from trafficmap.core.notes import Note
from trafficmap.formats.crs import to_longitude_latitude
from trafficmap.formats.sampling import is_mostly_numbers

_DEGREES = re.compile(
    r"^\s*([NSEWO]?)\s*(-?\d+(?:[.,]\d+)?)\s*[°d:\s]?\s*"
    r"(?:(\d+(?:[.,]\d+)?)\s*['’m:]?\s*)?(?:(\d+(?:[.,]\d+)?)\s*[\"”s]?\s*)?"
    r"([NSEW]?)\s*$",
    re.IGNORECASE,
)
# Whole numbers of 1e-7 degree; a projected northing never passes 10 000 km.
_TENTH_MICRO = 1e7
_SAME_PLACE = 0.5


def read_places(
    x: pd.Series, y: pd.Series, *, name: str, epsg: int | None, projected: bool
) -> tuple[np.ndarray, np.ndarray, list[Note]]:
    """Return longitude and latitude [deg], NaN where a row has no usable place.

    Parameters
    ----------
    x, y : Series
        Longitude or easting, and latitude or northing, as in the file.
    name : str
        File, for sentences.
    epsg : int or None
        Code of the coordinate system, where a person told it.
    projected : bool
        The column names say metres.

    Raises
    ------
    InputError
        The columns are swapped, hold degrees and minutes run together, or lost the
        sign in part of the rows.
    CRSError
        They are metres of an unknown system.
    """
    east, north = (_finite(_numbers(column)) for column in (x, y))
    notes: list[Note] = []
    if not (np.isfinite(east).any() and np.isfinite(north).any()):
        msg = f"{name}: the columns {x.name!r} and {y.name!r} hold no numbers."
        raise InputError(msg, "name the columns with the place: columns = {...}")
    if epsg is not None and epsg != 4326:
        lon, lat, notes = to_longitude_latitude(east, north, epsg=epsg, name=name)
    else:
        if not projected:
            east, north = _from_whole_numbers(east, north)
        _refuse_odd(east, north, x, y, name, projected)
        lon, lat = east, north
    outside = ~((np.abs(lon) <= 180) & (np.abs(lat) <= 90))
    nowhere = (lon == 0) & (lat == 0)
    lon = np.where(outside | nowhere, np.nan, lon)
    lat = np.where(outside | nowhere, np.nan, lat)
    _refuse_lost_sign(lon, str(x.name), name)
    _refuse_lost_sign(lat, str(y.name), name)
    return lon, lat, notes


def _finite(values: np.ndarray) -> np.ndarray:
    return np.where(np.isfinite(values), values, np.nan)


def _numbers(column: pd.Series) -> np.ndarray:
    """Return numbers, reading degrees with minutes, seconds and letters."""
    if pd.api.types.is_numeric_dtype(column.dtype):
        return column.to_numpy(dtype=np.float64, na_value=np.nan)
    if is_mostly_numbers(column):
        plain = pd.to_numeric(column, errors="coerce")
        return plain.to_numpy(dtype=np.float64, na_value=np.nan)
    parts = column.astype("str").str.extract(_DEGREES)
    number = [
        pd.to_numeric(parts[k].str.replace(",", ".", regex=False), errors="coerce")
        for k in (1, 2, 3)
    ]
    degrees = number[0].abs() + number[1].fillna(0) / 60 + number[2].fillna(0) / 3600
    letter = parts[0].fillna("").str.upper() + parts[4].fillna("").str.upper()
    negative = (number[0] < 0) | letter.isin(["S", "W"])
    return np.where(negative, -degrees, degrees).astype(np.float64)


def _from_whole_numbers(
    east: np.ndarray, north: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    if np.nanmedian(np.abs(east)) > _TENTH_MICRO < np.nanmedian(np.abs(north)):
        return east * 1e-7, north * 1e-7
    return east, north


def _refuse_odd(east, north, x, y, name: str, projected: bool) -> None:
    a, b = np.nanmedian(np.abs(east)), np.nanmedian(np.abs(north))
    if a <= 180 and b <= 90 and not projected:
        return
    if b <= 180 and a <= 90 and not projected:
        msg = f"{name}: {y.name!r} holds values beyond 90 degrees; latitude and "
        msg += "longitude are swapped."
        hint = f"columns = {{latitude = {str(x.name)!r}, longitude = {str(y.name)!r}}}"
        raise InputError(msg, f"write {hint} at this log")
    if not projected and _is_run_together(east, 180) and _is_run_together(north, 90):
        msg = f"{name}: the places, as {north[np.isfinite(north)][0]:g}, are degrees "
        msg += "and minutes run together, need decimal degrees."
        raise InputError(msg, "export the log with decimal degrees")
    msg = f"{name}: the places in {x.name!r} and {y.name!r} are metres or feet of a "
    msg += "system that is not named, need degrees or the code of the system."
    raise CRSError(msg, "write epsg = 32615 (your zone's code) at this log")


def _is_run_together(values: np.ndarray, limit: float) -> bool:
    known = np.abs(values[np.isfinite(values)])
    return bool(
        (known <= limit * 100 + 60).all()
        and (known % 100 < 60).all()
        and np.median(known) > limit
        # Metres are seldom written with four decimals and within one degree.
        and np.ptp(known) < 100
    )


def _refuse_lost_sign(values: np.ndarray, column: str, name: str) -> None:
    known = values[np.isfinite(values)]
    if known.size == 0 or np.median(np.abs(known)) < 1:
        return
    fewer = known[np.sign(known) != np.sign(np.median(known))]
    if fewer.size and abs(np.median(fewer) + np.median(known)) < _SAME_PLACE:
        msg = f"{name}: {fewer.size:,} of {known.size:,} rows in {column!r} have lost "
        msg += "or gained a minus sign."
        raise InputError(msg, "export the log again, or mend the sign of those rows")
