"""From any named coordinate system to longitude and latitude, honestly."""

from __future__ import annotations

import warnings
from typing import Any

import numpy as np

# isort: off
from trafficmap.formats import _gdal  # noqa: F401  (its settings come first)
from pyproj import CRS, Transformer
from pyproj.aoi import AreaOfInterest
from pyproj.exceptions import CRSError as ProjCRSError
from pyproj.transformer import TransformerGroup
# isort: on

from trafficmap.core.errors import CRSError
from trafficmap.core.notes import Note

WGS84 = CRS.from_epsg(4326)

ACCURACY_LIMIT = 5.0
"""Worst accuracy of a transformation that is taken while a better one is known but
cannot be used here [m] (choice)."""

# National frames that move with their plate; within 1.5 m of WGS 84 everywhere.
_NATIONAL_FRAMES = {4269: 1.5, 6318: 1.5, 4258: 0.8}


def crs_of(code: object, *, name: str) -> CRS:
    """Return a coordinate system from an EPSG number, text or object.

    Raises
    ------
    CRSError
        It is not known.
    """
    try:
        return CRS.from_user_input(code)
    except (ProjCRSError, TypeError, ValueError):
        shown = f"EPSG:{code}" if isinstance(code, int) else str(code)[:60]
        msg = f"{name}: the coordinate system {shown!r} is not known."
        raise CRSError(msg, "look the EPSG code up again") from None


def check_crs(
    crs: CRS, *, name: str, bounds: tuple[float, float, float, float]
) -> list[Note]:
    """Return what the way to WGS 84 costs, or refuse one that costs too much.

    Parameters
    ----------
    crs : pyproj.CRS
    name : str
        File, for sentences.
    bounds : tuple of float
        West, south, east, north of the data in `crs`; the best way depends on the
        place.

    Raises
    ------
    CRSError
        A much better way needs a grid file that is not here, as for NAD 27.
    """
    base = crs.geodetic_crs
    if base is None:
        msg = f"{name}: its coordinate system {crs.name!r} has no place on the earth."
        raise CRSError(msg, "export it in longitude and latitude")
    known = base.to_epsg()
    if known == 4326:
        return []
    if known in _NATIONAL_FRAMES:
        sentence = (
            f"{name}: {crs.name} was taken as WGS 84; the two differ by up to "
            f"{_NATIONAL_FRAMES[known]:g} m."
        )
        return [Note("crs.frame", "info", sentence, where=name)]
    with warnings.catch_warnings():  # it says what the list below says too
        warnings.simplefilter("ignore", UserWarning)
        area: Any = _area_of(crs, base, bounds)
        group = TransformerGroup(crs, WGS84, always_xy=True, area_of_interest=area)
    accuracy = [t.accuracy for t in group.transformers if t.accuracy >= 0]
    best = min(accuracy) if accuracy else np.inf
    if group.unavailable_operations and best > ACCURACY_LIMIT:
        reach = f"to about {best:.0f} m" if np.isfinite(best) else "roughly"
        msg = f"{name}: {crs.name} can be turned into WGS 84 only {reach} here."
        raise CRSError(msg, "export it in longitude and latitude (WGS 84)")
    if np.isfinite(best) and best > 1.0:
        sentence = f"{name}: {crs.name} was turned into WGS 84 to about {best:.0f} m."
        return [Note("crs.accuracy", "info", sentence, where=name)]
    return []


def to_longitude_latitude(
    easting: np.ndarray, northing: np.ndarray, *, epsg: int, name: str
) -> tuple[np.ndarray, np.ndarray, list[Note]]:
    """Return longitude and latitude [deg] of places in a named system.

    Parameters
    ----------
    easting, northing : ndarray
        In the unit of the system, which may be feet.
    epsg : int
    name : str
        File, for sentences.

    Returns
    -------
    longitude, latitude : ndarray
        NaN where the place does not lie in the system's reach.
    notes : list of Note
    """
    crs = crs_of(epsg, name=name)
    known = np.isfinite(easting) & np.isfinite(northing)
    x, y = easting[known], northing[known]
    notes = check_crs(crs, name=name, bounds=(x.min(), y.min(), x.max(), y.max()))
    # Nearly equal frames are taken as one: no shift is ever made in silence.
    base = crs.geodetic_crs
    target = base if base is not None and base.to_epsg() in _NATIONAL_FRAMES else WGS84
    transformer = Transformer.from_crs(crs, target, always_xy=True)
    lon, lat = transformer.transform(easting, northing)
    lon, lat = np.asarray(lon, dtype=float), np.asarray(lat, dtype=float)
    good = np.isfinite(lon) & np.isfinite(lat)
    return np.where(good, lon, np.nan), np.where(good, lat, np.nan), notes


def _area_of(
    crs: CRS, base: CRS, bounds: tuple[float, float, float, float]
) -> AreaOfInterest | None:
    """Return the data's box in degrees of its own frame, None when it has none."""
    to_degrees = Transformer.from_crs(crs, base, always_xy=True)
    lon, lat = to_degrees.transform([bounds[0], bounds[2]], [bounds[1], bounds[3]])
    if not np.isfinite([*lon, *lat]).all():
        return None
    return AreaOfInterest(min(lon), min(lat), max(lon), max(lat))
