"""Heights of the ground from a GeoTIFF, on square metric cells."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyproj

import trafficmap.formats._gdal  # noqa: F401 - process settings before rasterio
from trafficmap.core.errors import CRSError, InputError
from trafficmap.formats.paths import real_file

import rasterio  # isort: skip
from rasterio.crs import CRS  # isort: skip
from rasterio.enums import Resampling  # isort: skip
from rasterio.transform import Affine  # isort: skip
from rasterio.warp import reproject, transform  # isort: skip
from rasterio.windows import Window  # isort: skip

FINEST = 5.0
"""Finer heights are averaged to cells of this side [m], about the length of a machine:
furrows, ruts and stones are no slope; choice."""

COARSEST = 100.0
"""Heights on coarser cells say nothing of one field [m]; choice."""

MAX_CELLS = 4_000_000
"""More cells than this round one field are a mistake; choice."""

_FEET = {"ft": 0.3048, "foot": 0.3048, "feet": 0.3048, "us survey foot": 1200 / 3937,
         "us_survey_foot": 1200 / 3937, "ftus": 1200 / 3937, "us-ft": 1200 / 3937,
         "foot_us": 1200 / 3937}  # fmt: skip
_METRES = ("m", "metre", "meter", "metres", "meters")
_EDGE = 2
"""Cells kept round the field: a slope needs both neighbours."""


@dataclass(frozen=True)
class Heights:
    """Heights of the ground on square cells.

    Parameters
    ----------
    west, south, cell : float
        Corner and side of the cells in the field's system. [m]
    height : ndarray, shape (rows, cols), row 0 south
        NaN where not known. [m]
    unit_said : bool
        Whether the file itself says in which unit its heights are.
    """

    west: float
    south: float
    cell: float
    height: np.ndarray
    unit_said: bool


def read_heights(
    path: str | Path,
    *,
    epsg: int,
    bounds: tuple[float, float, float, float],
    unit: str | None = None,
    given_epsg: int | None = None,
) -> Heights:
    """Read the part of a raster of heights that lies round a field.

    Cells of the same metric system, 5 m or more, are taken as they are. Smaller ones
    are averaged to 5 m or a little more, others laid on the field's system bilinearly.
    Only this part of a large raster is read.

    Parameters
    ----------
    path : str or Path
        A GeoTIFF; the first band counts.
    epsg : int
        Metric system of the field.
    bounds : tuple of float
        West, south, east and north of the ground of interest. [m]
    unit : {"m", "ft"}, optional
        Of the heights, where the file does not say it.
    given_epsg : int, optional
        System of the raster, where the file does not say it.

    Returns
    -------
    Heights

    Raises
    ------
    InputError
        It is no GeoTIFF, too coarse, in an unknown unit, or not of this place.
    CRSError
        Nobody says which coordinate system it is in.
    """
    name = Path(path).name
    try:
        with rasterio.open(real_file(path), driver="GTiff") as dataset:
            crs = _system(dataset, name, given_epsg)
            factor, said = _factor(dataset, name, unit)
            grid = _grid(dataset, crs, CRS.from_epsg(epsg), bounds, name)
            height = _laid(dataset, crs, CRS.from_epsg(epsg), grid)
    except rasterio.errors.RasterioError:
        msg = f"{name}: is no readable GeoTIFF, need a raster of heights."
        raise InputError(msg, "export the elevation model as GeoTIFF") from None
    if not np.isfinite(height).any():
        msg = f"{name}: holds no height where the field is."
        raise InputError(msg, "take the tile of the elevation model that covers it")
    west, south, cell, _, _, _ = grid
    return Heights(west, south, cell, factor * height, said)


def _system(dataset, name: str, given: int | None) -> CRS:
    if given is not None:
        try:
            return CRS.from_epsg(given)
        except rasterio.errors.CRSError:
            msg = f"{name}: epsg {given} is no coordinate system."
            raise CRSError(msg, "correct slope.epsg in field.toml") from None
    crs = dataset.crs
    if crs is None or not (crs.is_geographic or crs.is_projected):
        msg = f"{name}: does not say which coordinate system it is in, need one."
        raise CRSError(msg, "add epsg = 32615, or the code it has, to [slope]")
    return crs


def _factor(dataset, name: str, unit: str | None) -> tuple[float, bool]:
    """Return metres a unit of height, and whether the file says the unit."""
    if unit is not None:
        return (0.3048 if unit == "ft" else 1.0), True
    told = (dataset.units[0] or "").strip().lower()
    if told in _METRES:
        return 1.0, True
    if told in _FEET:
        return _FEET[told], True
    if told:
        msg = f"{name}: its heights are in {told!r}, need metres or feet."
        raise InputError(msg, 'add unit = "m" or unit = "ft" to [slope]')
    vertical = _vertical(dataset.crs)
    return (1.0, False) if vertical is None else (vertical, True)


def _vertical(crs) -> float | None:
    """Return metres a unit of the heights of a compound system, None where it is none.

    A state plane tile often says its feet there and nowhere else.
    """
    if crs is None:
        return None
    for part in pyproj.CRS.from_wkt(crs.to_wkt()).sub_crs_list:
        if part.is_vertical:
            return float(part.axis_info[0].unit_conversion_factor)
    return None


def _grid(dataset, crs, field_crs, bounds, name: str):
    """Return west, south, cell, rows and cols to lay heights on, and cells averaged."""
    at = dataset.transform
    same = crs == field_crs and at.b == at.d == 0.0 and math.isclose(at.a, -at.e)
    size = at.a if same else _side(dataset, crs, field_crs, bounds)
    if not size <= COARSEST:
        msg = f"{name}: has cells of {size:,.0f} m, need {COARSEST:.0f} m at most."
        raise InputError(msg, "take a finer elevation model")
    # Whole source cells go into one of ours, so that averaging repeats none.
    many = max(1, math.ceil(FINEST / size - 1e-9))
    cell = size * many
    west, south, east, north = bounds
    left, low = (at.c, at.f) if same else (0.0, 0.0)
    first_col = math.floor((west - left) / cell) - _EDGE
    first_row = math.floor((south - low) / cell) - _EDGE
    cols = math.ceil((east - left) / cell) + _EDGE - first_col
    rows = math.ceil((north - low) / cell) + _EDGE - first_row
    if cols * rows > MAX_CELLS:
        msg = f"{name}: {cols * rows:,} cells of heights lie round the field."
        raise InputError(msg, "look whether the boundary belongs to this place")
    return left + first_col * cell, low + first_row * cell, cell, rows, cols, many


def _side(dataset, crs, field_crs, bounds) -> float:
    """Return the side of a cell of the raster where the field is [m]."""
    at = dataset.transform
    spot = [[0.5 * (bounds[0] + bounds[2])], [0.5 * (bounds[1] + bounds[3])]]
    (x,), (y,) = transform(field_crs, crs, *spot)
    east, north = transform(
        crs, field_crs, [x, x + at.a, x + at.b], [y, y + at.d, y + at.e]
    )
    across = math.hypot(east[1] - east[0], north[1] - north[0])
    along = math.hypot(east[2] - east[0], north[2] - north[0])
    size = math.sqrt(across * along)
    return size if size > 0.0 else math.inf


def _laid(dataset, crs, field_crs, grid) -> np.ndarray:
    """Return the heights on the field's cells, row 0 south, as the file has them."""
    west, south, cell, rows, cols, many = grid
    out = np.full((rows, cols), np.nan)
    north = south + rows * cell
    window = _window(dataset, crs, field_crs, (west, south, west + cols * cell, north))
    if window is None:
        return out
    at = dataset.transform
    col, row = window.col_off, window.row_off
    held = dataset.read(1, window=window, masked=True)
    # Heights may be packed as whole numbers: metres are what the band makes of them.
    value = held.astype(float).filled(np.nan) * dataset.scales[0] + dataset.offsets[0]
    reproject(
        value,
        out,
        src_transform=Affine(
            at.a, at.b, at.c + col * at.a + row * at.b,
            at.d, at.e, at.f + col * at.d + row * at.e,
        ),
        src_crs=crs,
        src_nodata=np.nan,
        dst_transform=Affine(cell, 0.0, west, 0.0, -cell, north),
        dst_crs=field_crs,
        dst_nodata=np.nan,
        init_dest_nodata=True,
        resampling=Resampling.average if many > 1 else Resampling.bilinear,
    )  # fmt: skip
    return out[::-1]


def _window(dataset, crs, field_crs, bounds) -> Window | None:
    """Return the pixels round `bounds`, None where the raster has none there."""
    west, south, east, north = bounds
    x, y = transform(field_crs, crs, [west, west, east, east], [south, north] * 2)
    back = ~dataset.transform
    col = np.array(
        [back.a * px + back.b * py + back.c for px, py in zip(x, y, strict=True)]
    )
    row = np.array(
        [back.d * px + back.e * py + back.f for px, py in zip(x, y, strict=True)]
    )
    if not (np.isfinite(col).all() and np.isfinite(row).all()):
        return None
    # Lines bend on the way from one system to the other; two pixels cover a field's.
    first_col = max(0, math.floor(col.min()) - 2)
    first_row = max(0, math.floor(row.min()) - 2)
    last_col = min(dataset.width, math.ceil(col.max()) + 2)
    last_row = min(dataset.height, math.ceil(row.max()) + 2)
    if last_col <= first_col or last_row <= first_row:
        return None
    return Window(first_col, first_row, last_col - first_col, last_row - first_row)
