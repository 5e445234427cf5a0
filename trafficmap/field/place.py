"""From degrees to the field's metric system and back, and areas on the ellipsoid."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pyproj
import shapely
from shapely.geometry.base import BaseGeometry

import trafficmap.formats._gdal  # noqa: F401  process settings come first
from trafficmap.core.errors import CRSError

_GEOD = pyproj.Geod(ellps="WGS84")
MAX_NORTH = 84.0
MAX_SOUTH = -80.0


def utm_epsg(longitude, latitude) -> int:
    """Return the code of the UTM zone in the middle of some places.

    Norway's and Svalbard's wider zones are left out on purpose: one rule everywhere.

    Parameters
    ----------
    longitude, latitude : array_like
        WGS 84, may lie on both sides of 180 degrees. [deg]

    Raises
    ------
    CRSError
        No finite place, or one beyond 84 N or 80 S, where UTM ends.

    Examples
    --------
    >>> utm_epsg([-93.62], [42.03])
    32615
    >>> utm_epsg([179.9, -179.9], [-17.0, -17.0])
    32701
    """
    longitude = np.asarray(longitude, dtype=float).ravel()
    latitude = np.asarray(latitude, dtype=float).ravel()
    good = np.isfinite(longitude) & np.isfinite(latitude)
    if not good.any():
        msg = "place: no position is known, need at least one."
        raise CRSError(msg, "look at the columns of longitude and latitude")
    longitude, latitude = longitude[good], latitude[good]
    if latitude.max() > MAX_NORTH or latitude.min() < MAX_SOUTH:
        worst = latitude[np.argmax(np.abs(latitude))]
        msg = (
            f"place: latitude {worst:.4f} lies beyond {MAX_NORTH:g} N or "
            f"{-MAX_SOUTH:g} S, where the metric grid ends."
        )
        raise CRSError(
            msg, "look whether longitude and latitude are swapped, or in metres"
        )
    if longitude.max() - longitude.min() > 180.0:
        longitude = np.where(longitude < 0, longitude + 360.0, longitude)
    middle = (longitude.min() + longitude.max()) / 2.0
    middle = (middle + 180.0) % 360.0 - 180.0
    zone = min(int((middle + 180.0) // 6.0) + 1, 60)
    south = (latitude.min() + latitude.max()) / 2.0 < 0.0
    return (32700 if south else 32600) + zone


@dataclass(frozen=True)
class Place:
    """The metric system of one field."""

    epsg: int

    @cached_property
    def _forward(self) -> pyproj.Transformer:
        return pyproj.Transformer.from_crs(4326, self.epsg, always_xy=True)

    def to_metric(self, longitude, latitude) -> tuple[np.ndarray, np.ndarray]:
        """Return easting and northing [m]; not finite where there is no answer."""
        east, north = self._forward.transform(
            np.asarray(longitude, float), np.asarray(latitude, float)
        )
        return np.asarray(east), np.asarray(north)

    def to_degrees(self, easting, northing) -> tuple[np.ndarray, np.ndarray]:
        """Return longitude and latitude [deg]."""
        longitude, latitude = self._forward.transform(
            np.asarray(easting, float),
            np.asarray(northing, float),
            direction="INVERSE",
        )
        return np.asarray(longitude), np.asarray(latitude)

    def geometry_to_metric(self, geometry: BaseGeometry, name: str) -> BaseGeometry:
        """Return a WGS 84 geometry in metres.

        Raises
        ------
        CRSError
            A corner has no place in this system.
        """

        def move(points: np.ndarray) -> np.ndarray:
            return np.column_stack(self.to_metric(points[:, 0], points[:, 1]))

        moved = shapely.transform(shapely.force_2d(geometry), move)
        if not np.isfinite(shapely.get_coordinates(moved)).all():
            msg = f"{name}: a corner lies too far away to be put on the field's grid."
            raise CRSError(
                msg, "look whether longitude and latitude are swapped in that file"
            )
        return moved

    def area(self, geometry: BaseGeometry) -> float:
        """Return the area on the ellipsoid of a metric geometry [m2].

        UTM itself is up to 0.08 % off, which a printed area should not be.
        """
        polygons = [
            part
            for part in shapely.get_parts(geometry)
            if part.geom_type == "Polygon" and not part.is_empty
        ]
        total = 0.0
        for polygon in polygons:
            total += self._ring_area(polygon.exterior)
            total -= sum(self._ring_area(ring) for ring in polygon.interiors)
        return total

    def _ring_area(self, ring: shapely.LinearRing) -> float:
        points = shapely.get_coordinates(ring)
        longitude, latitude = self.to_degrees(points[:, 0], points[:, 1])
        return abs(_GEOD.polygon_area_perimeter(longitude, latitude)[0])


def area_words(area: float) -> str:
    """Return an area [m2] as a person reads it.

    Examples
    --------
    >>> area_words(261_800.0)
    '26.18 ha (64.7 ac)'
    """
    return f"{area / 1e4:.2f} ha ({area / 4046.8564224:.1f} ac)"


def distance_words(distance: float) -> str:
    """Return a distance [m] as a person reads it.

    Examples
    --------
    >>> distance_words(8_312_345.0), distance_words(420.4)
    ('8,312 km', '420 m')
    """
    if not math.isfinite(distance):
        return "another part of the world"
    return f"{distance / 1000:,.0f} km" if distance >= 10_000 else f"{distance:.0f} m"
