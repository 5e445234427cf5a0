"""Where everything lies in "Ditch sixty": every place as a constant with its reason.

Plans are drawn in metres east and north of the south-west corner, on the axes of UTM
zone 16 N, so a row runs along grid north. The place is invented; it was put on the
lake plain of the corn belt because the soil and the ditch belong there.

Rows run north. From the fence in the east to the ditch in the west lie the fence strip,
the silage ground and the lands of the grain. Three wet lands (east, ridge, middle) were
cut on 15 and 16 October and are kept apart by strips cut on dry soil on 2 October; the
buried line and the waterway cross all of them, so each wet land falls into three pieces
that can each get an answer of their own:

=======================  =====================================  ====================
ground                   what happened there                    answer
=======================  =====================================  ====================
west land, dry strips    combined on dry soil                   leave: unlikely
middle land, south       layer down to 10.6 in; crumbles        rip at 12 in
middle land, centre      layer down to 10.6 in; crumbles        rip at 12 in
middle land, north       layer down to 18.4 in                  manage
east land, south         layer down to 11.5 in; thread rolls    wait
east land, centre        nobody dug                             probe first
east land, north         no layer; ruts of 4 to 5 in            level ruts only
ridge land               loamy sand; no layer                   leave: sand
south end rows           cart and truck; layer; thread rolls    wait
north end rows           turned on wet; nobody dug              probe first
silage ground            chopped dry, slurry in November        probe first
fence strip              one log without a date                 not assessed
buried line, waterway                                           keep out
=======================  =====================================  ====================

With the middle land fit and the end rows not, the pair is the usual one: rip the body,
leave the end rows.
"""

from __future__ import annotations

import math

import numpy as np
import pyproj
from shapely import LineString, Polygon, box
from shapely.geometry.base import BaseGeometry

EPSG = 32616
ORIGIN = (747_000.0, 4_576_000.0)
"""South-west corner of the plan [m]; whole metres, so cells of 1 m fall on the plan."""

WIDTH = 430.0
HEIGHT = 600.0
DITCH_SLANT = 60.0
"""The ditch on the west side runs from (0, 0) to (60, 600) [m]."""

HEAD = 9.144
"""Combine head, 12 rows of 30 in [m]."""

CHOPPER = 6.096
"""Forage head, 8 rows of 30 in [m]."""

END_ROWS = 4 * HEAD
"""Depth of the end rows at both ends [m]."""

FENCE_STRIP_WEST = 411.0
"""East of here lies a strip where only the undated log drove [m]."""

SILAGE_EAST = 399.52
SILAGE_WEST = SILAGE_EAST - 13 * CHOPPER
"""Silage ground: 13 chopper passes wide [m]."""

GRAIN_EAST = SILAGE_WEST
"""Grain swaths are counted from here westward, 0 first."""

LANDS = {
    "strip 1": range(3),
    "east": range(3, 8),
    "strip 2": range(8, 11),
    "ridge": range(11, 15),
    "strip 3": range(15, 18),
    "middle": range(18, 24),
    "west": range(24, 33),
}
"""Grain swaths by land. Strips 27 m wide keep the zones of the wet lands apart."""

DITCH_PASSES = 2
"""Swaths laid along the ditch; the others end there as point rows."""

POINT_ROWS_END = 556.0
"""A swath that ends south of this is a point row: it never reaches the end rows [m]."""

RIDGE = Polygon([(178, 0), (222, 0), (226, 600), (182, 600)])
"""Beach ridge of loamy sand along the rows, under the land of that name."""

LINE = LineString([(-5, 178), (435, 148)])
"""Buried line; the corridor is `LINE_BUFFER` to either side [m]."""

LINE_BUFFER = 6.0

WATERWAY = LineString([(37, 386), (110, 392), (235, 400), (345, 394)]).buffer(
    8, cap_style="flat"
)
"""Grassed waterway across the lands, down to the ditch."""

GATE = (330.0, 0.0)
"""Where trucks come in from the road south of the field."""

NURSE = (360.0, -14.0)
"""Where the tanker is filled, on the road side."""

BUNKER = (385.0, -40.0)
"""Where silage is tipped, outside the field."""

HOSE_SOUTH = 318.0
"""The drag hose worked the silage ground north of here, the tanker south of it [m]."""


def boundary() -> Polygon:
    """Return the field: 24.0 ha on the plan, the west side slanted along the ditch."""
    corners = [(0, 0), (WIDTH, 0), (WIDTH, HEIGHT), (DITCH_SLANT, HEIGHT)]
    return Polygon(corners)


def ditch_east(north: float) -> float:
    """Return how far east the ditch lies at `north` [m]."""
    return DITCH_SLANT * north / HEIGHT


def swath_centre(number: int) -> float:
    """Return the easting of the middle of grain swath `number` [m]."""
    return GRAIN_EAST - (number + 0.5) * HEAD


def swath_ends(number: int) -> tuple[float, float]:
    """Return south and north end of a grain swath; point rows end at the ditch [m]."""
    south, north = END_ROWS, HEIGHT - END_ROWS
    along = math.hypot(DITCH_SLANT, HEIGHT) / HEIGHT
    free = swath_centre(number) - HEAD / 2 - DITCH_PASSES * HEAD * along
    return south, min(north, free * HEIGHT / DITCH_SLANT)


def land_box(land: str, south: float, north: float) -> Polygon:
    """Return a piece of a land between two northings."""
    swaths = LANDS[land]
    west = swath_centre(swaths[-1]) - HEAD / 2
    return box(west, south, swath_centre(swaths[0]) + HEAD / 2, north)


def pieces() -> dict[str, Polygon]:
    """Return the pieces of ground that were dug, by name.

    Each lies well inside its piece of land, so a zone drawn around its wheel tracks
    holds the readings of no other piece.
    """
    return {
        "middle_south": land_box("middle", 44, 140),
        "middle_centre": land_box("middle", 190, 370),
        "middle_north": land_box("middle", 420, 550),
        "east_south": land_box("east", 44, 138),
        "east_north": land_box("east", 420, 550),
        "ridge_south": land_box("ridge", 44, 140),
        "ridge_centre": land_box("ridge", 190, 370),
        "ridge_north": land_box("ridge", 420, 550),
        "south_end": box(232, 4, 322, 33),
    }


def soil_units() -> dict[str, BaseGeometry]:
    """Return the soil units; together they fill the boundary."""
    field = boundary()
    ridge = RIDGE.intersection(field)
    return {"clay": field.difference(ridge), "ridge": ridge}


_TO_DEGREES = pyproj.Transformer.from_crs(EPSG, 4326, always_xy=True)
_PROJECTION = pyproj.Proj(EPSG)


def to_degrees(east, north) -> tuple[np.ndarray, np.ndarray]:
    """Return longitude and latitude of places on the plan [deg]."""
    easting = np.asarray(east, dtype=float) + ORIGIN[0]
    northing = np.asarray(north, dtype=float) + ORIGIN[1]
    return _TO_DEGREES.transform(easting, northing)


def convergence() -> float:
    """Return the angle from true north to grid north in the field's middle [deg]."""
    lon, lat = to_degrees(WIDTH / 2, HEIGHT / 2)
    return _PROJECTION.get_factors(lon, lat).meridian_convergence


def latitude() -> float:
    """Return the latitude of the field's middle [deg]."""
    return float(to_degrees(WIDTH / 2, HEIGHT / 2)[1])
