"""Places in a text log: degrees in any dress, metres only when told of which system."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from trafficmap.core.errors import CRSError, InputError
from trafficmap.core.notes import Note
from trafficmap.formats.crs import to_longitude_latitude
from trafficmap.formats.degrees import apply_side, from_run_together, read_degrees
from trafficmap.formats.headers import plain_name
from trafficmap.formats.sampling import is_mostly_numbers

PLACE_UNITS = ("deg", "ddmm", "1e-7 deg", "rad")
"""What `units = {latitude = ...}` may say: decimal degrees, degrees and minutes run
together, whole numbers of 1e-7 degree, radians."""

# Whole numbers of 1e-7 degree; a projected northing never passes 10 000 km.
_TENTH_MICRO = 1e7
_SAME_PLACE = 0.5
_LOOKED_AT = 100_000


@dataclass(frozen=True)
class Places:
    """Longitude and latitude [deg], NaN where a row has no usable place, and how."""

    longitude: np.ndarray
    latitude: np.ndarray
    unit: str
    why: str
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True)
class PlaceColumns:
    """The columns a place is read from.

    Parameters
    ----------
    east, north : Series
        Longitude or easting, and latitude or northing, as in the file.
    east_side, north_side : Series or None
        Columns with the letters E and W, N and S.
    units : tuple of str
        What was told or written of each, "" for nothing; see `PLACE_UNITS`.
    projected : bool
        The column names say metres.
    """

    east: pd.Series
    north: pd.Series
    east_side: pd.Series | None = None
    north_side: pd.Series | None = None
    units: tuple[str, str] = ("", "")
    projected: bool = False


def read_places(columns: PlaceColumns, *, name: str, epsg: int | None) -> Places:
    """Return the places of all rows.

    Parameters
    ----------
    columns : PlaceColumns
    name : str
        File, for sentences.
    epsg : int or None
        Code of the coordinate system, where a person told it.

    Raises
    ------
    InputError
        The columns are swapped, hold degrees and minutes run together without saying
        so, letters contradict signs, or the sign was lost in part of the rows.
    CRSError
        They are metres of an unknown system.
    """
    if epsg is not None and epsg != 4326:
        return _from_metres(columns, name, epsg)
    east, how = _axis(columns, "east", name)
    north, _ = _axis(columns, "north", name)
    _require_numbers(east, north, columns, name)
    if not columns.projected:
        if how == "decimal degrees" and _are_whole_numbers(east, north):
            east, north, how = east * 1e-7, north * 1e-7, "whole numbers of 1e-7 degree"
        # Lettered numbers as receivers print them: 4201.8 in one column, N beside it.
        if columns.north_side is not None and _is_run_together(north, 90):
            east, north = from_run_together(east), from_run_together(north)
            how = "degrees and minutes run together, as the letters beside them show"
    _refuse_odd(east, north, columns, name)
    return _sound(east, north, columns, name, how)


def _from_metres(columns: PlaceColumns, name: str, epsg: int) -> Places:
    east, north = (_finite(_numbers(c)) for c in (columns.east, columns.north))
    _require_numbers(east, north, columns, name)
    lon, lat, notes = to_longitude_latitude(east, north, epsg=epsg, name=name)
    places = _sound(lon, lat, columns, name, f"in EPSG:{epsg}, as told")
    return Places(
        places.longitude, places.latitude, f"EPSG:{epsg}", places.why, tuple(notes)
    )


def _sound(lon, lat, columns: PlaceColumns, name: str, how: str) -> Places:
    outside = ~((np.abs(lon) <= 180) & (np.abs(lat) <= 90))
    outside |= (lon == 0) & (lat == 0)
    if outside.any():
        lon, lat = np.where(outside, np.nan, lon), np.where(outside, np.nan, lat)
    _refuse_lost_sign(lon, str(columns.east.name), name)
    _refuse_lost_sign(lat, str(columns.north.name), name)
    return Places(lon, lat, "deg", how)


def _require_numbers(east, north, columns: PlaceColumns, name: str) -> None:
    if np.isfinite(east).any() and np.isfinite(north).any():
        return
    msg = f"{name}: the columns {columns.east.name!r} and {columns.north.name!r} hold "
    msg += "no numbers."
    raise InputError(msg, "name the columns with the place: columns = {...}")


def _axis(columns: PlaceColumns, axis: str, name: str) -> tuple[np.ndarray, str]:
    """Return one coordinate in degrees as far as can be said without the other."""
    column, side, unit = (
        (columns.east, columns.east_side, columns.units[0])
        if axis == "east"
        else (columns.north, columns.north_side, columns.units[1])
    )
    how = "decimal degrees"
    if _is_plain(column):
        values = _finite(_numbers(column))
    else:
        written = read_degrees(column, axis=axis, name=name)
        values, how = written.degrees, written.how
    if unit == "ddmm" or (not unit and "ddmm" in _squeezed(column.name)):
        values = from_run_together(values)
        how = "degrees and minutes run together, as told"
    elif unit == "1e-7 deg":
        values, how = values * 1e-7, "whole numbers of 1e-7 degree, as told"
    elif unit == "rad":
        values, how = np.degrees(values), "radians, as told"
    if side is not None:
        letters = side.astype("str").str.strip().str[:1].str.upper()
        values = apply_side(values, letters.to_numpy(dtype=object), column, name)
    return values, how


def _squeezed(text: object) -> str:
    return plain_name(str(text)).replace("_", "")


def _is_plain(column: pd.Series) -> bool:
    return is_mostly_numbers(column)


def _finite(values: np.ndarray) -> np.ndarray:
    infinite = np.isinf(values)
    return np.where(infinite, np.nan, values) if infinite.any() else values


def _numbers(column: pd.Series) -> np.ndarray:
    if not pd.api.types.is_numeric_dtype(column.dtype):
        column = pd.to_numeric(column.astype("str"), errors="coerce")
    return column.to_numpy(dtype=np.float64, na_value=np.nan)


def _are_whole_numbers(east: np.ndarray, north: np.ndarray) -> bool:
    return _typical(east) > _TENTH_MICRO < _typical(north)


def _typical(values: np.ndarray) -> float:
    """Return the middle of the sizes, by evenly spaced rows of a long log."""
    some = values[:: max(1, values.size // _LOOKED_AT)]
    known = some[np.isfinite(some)]
    if not known.size:
        known = values[np.isfinite(values)]
    return float(np.median(np.abs(known)))


def _refuse_odd(east, north, columns: PlaceColumns, name: str) -> None:
    a, b = _typical(east), _typical(north)
    if a <= 180 and b <= 90 and not columns.projected:
        return
    x, y = str(columns.east.name), str(columns.north.name)
    if b <= 180 and a <= 90 and not columns.projected:
        msg = f"{name}: {y!r} holds values beyond 90 degrees; latitude and "
        msg += "longitude are swapped."
        line = f"columns = {{latitude = {x!r}, longitude = {y!r}}}"
        choices = [(line, "latitude and longitude change places")]
        raise InputError(msg, f"write {line} at this log", choices=choices)
    together = _is_run_together(east, 180) and _is_run_together(north, 90)
    if not columns.projected and together:
        some = north[np.isfinite(north)][0]
        msg = f"{name}: the places, as {some:g}, are degrees and minutes run together "
        msg += "or metres, need decimal degrees or the way they are written."
        line = 'units = {latitude = "ddmm", longitude = "ddmm"}'
        read = float(from_run_together(np.array([some]))[0])
        choices = [
            (line, f"{some:g} is then {read:.6f} degrees"),
            ("epsg = 32615", "they are metres, in the system with this EPSG code"),
        ]
        raise InputError(msg, f"write {line} at this log", choices=choices)
    msg = f"{name}: the places in {x!r} and {y!r} are metres or feet of a system that "
    msg += "is not named, need degrees or the code of the system."
    choices = [("epsg = 32615", "the EPSG code of the system, here UTM zone 15 north")]
    hint = "write epsg = 32615 (your zone's code) at this log"
    raise CRSError(msg, hint, choices=choices)


def _is_run_together(values: np.ndarray, limit: float) -> bool:
    known = np.abs(values[np.isfinite(values)])
    return bool(
        known.size
        and (known <= limit * 100 + 60).all()
        and (known % 100 < 60).all()
        and np.median(known) > limit
        # Metres are seldom written with four decimals and within one degree.
        and np.ptp(known) < 100
    )


def _refuse_lost_sign(values: np.ndarray, column: str, name: str) -> None:
    known = np.isfinite(values)
    if not known.any() or np.nanmin(values) >= 0 or np.nanmax(values) <= 0:
        return
    known = values[known]
    if np.median(np.abs(known)) < 1:
        return
    fewer = known[np.sign(known) != np.sign(np.median(known))]
    if fewer.size and abs(np.median(fewer) + np.median(known)) < _SAME_PLACE:
        msg = f"{name}: {fewer.size:,} of {known.size:,} rows in {column!r} have lost "
        msg += "or gained a minus sign."
        raise InputError(msg, "export the log again, or mend the sign of those rows")
