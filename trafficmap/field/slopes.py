"""A map of slopes: polygons of a soil survey or a raster made from heights."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

# isort: off
from trafficmap.formats import _gdal  # noqa: F401  (its settings come first)
import geopandas as gpd
import numpy as np
import shapely
# isort: on

from trafficmap.core.errors import InputError
from trafficmap.core.grid import FieldGrid
from trafficmap.core.notes import Note
from trafficmap.formats.paths import real_file
from trafficmap.formats.sniff import GEOTIFF, sniff
from trafficmap.formats.vector import read_polygons

if TYPE_CHECKING:
    from pathlib import Path

    from trafficmap.core.ground import GroundSlope
    from trafficmap.field.boundary import Outline
    from trafficmap.field.inputs import Inputs
    from trafficmap.field.place import Place
    from trafficmap.field.toml import FieldKeys

_PERCENT = (
    "slope_pct", "slope_percent", "slope_r", "slope.r", "slopegradwta",
    "slopegraddcp", "slope",
)  # fmt: skip
"""Attributes that hold slope in percent, ours first, then those of a public survey."""
_DEGREES = ("slope_deg", "slope_degrees")
_STEP = 5.0
"""Cells on which the middle slope of the field is found [m]; choice."""
_MAX_PIXELS = 25_000_000
_STEEPEST = 1.5
"""Nobody farms ground steeper than this, so the number is something else [fraction];
choice."""


@dataclass(frozen=True)
class SlopeMap:
    """Slope over the field, as polygons or as a raster; one of the two is there.

    Parameters
    ----------
    shapes : GeoDataFrame or None
        slope [fraction] and geometry, in the field's metric system.
    values : ndarray of float32, shape (rows, cols), or None
        NaN where not known. [fraction]
    transform : tuple of float
        The six numbers that lead from (col, row) to a place.
    epsg : int
        System of the raster.
    """

    shapes: gpd.GeoDataFrame | None = None
    values: np.ndarray | None = None
    transform: tuple[float, ...] = ()
    epsg: int = 0

    def on(self, grid: FieldGrid) -> np.ndarray:
        """Return the slope of each cell [fraction], NaN where the map says nothing."""
        if self.shapes is not None:
            return _burnt(self.shapes, grid)
        return self._sampled(grid)

    def _sampled(self, grid: FieldGrid) -> np.ndarray:
        from pyproj import Transformer

        assert self.values is not None
        easting, northing = np.meshgrid(*grid.centres())
        move = Transformer.from_crs(grid.epsg, self.epsg, always_xy=True)
        across, up = move.transform(easting, northing)
        row, col = _row_col(self.transform, across, up)
        rows, cols = self.values.shape
        there = (row >= 0) & (row < rows) & (col >= 0) & (col < cols)
        out = np.full(grid.shape, np.nan, dtype=np.float32)
        out[there] = self.values[row[there].astype(int), col[there].astype(int)]
        return out


def read_slopes(
    keys: FieldKeys, *, place: Place, outline: Outline | None, inputs: Inputs
) -> tuple[SlopeMap | None, list[Note]]:
    """Return the map that ``slope_map`` of [field] names, None where it names none.

    Raises
    ------
    InputError
        The file holds no slope, has no coordinate system, or holds numbers that are
        no slope.
    """
    if keys.slope_map is None:
        return None, []
    path = inputs.find(keys.slope_map, "field.slope_map")
    inputs.add(path)
    unit = keys.slope_map_unit
    if sniff(path) == GEOTIFF:
        found, notes = _raster(path, unit, place, outline)
    else:
        found, notes = _polygons(path, unit, place)
    return found, notes


def slope_of_field(
    keys: FieldKeys,
    slopes: SlopeMap | GroundSlope | None,
    outline: Outline | None,
    epsg: int,
) -> float | None:
    """Return the median slope [fraction]: as it was said, else that of the map.

    None where nothing tells it.
    """
    if keys.slope_pct is not None:
        return keys.slope_pct / 100.0
    if slopes is None or outline is None:
        return None
    grid = FieldGrid.covering(outline.geometry.bounds, cell=_STEP, epsg=epsg)
    easting, northing = np.meshgrid(*grid.centres())
    values = slopes.on(grid)[shapely.contains_xy(outline.geometry, easting, northing)]
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else None


def _polygons(
    path: Path, unit: str | None, place: Place
) -> tuple[SlopeMap, list[Note]]:
    shapes = read_polygons(path)
    notes = list(shapes.attrs.get("notes", ()))
    names = {str(name).casefold(): name for name in shapes.columns}
    ours = next((name for name in (*_PERCENT, *_DEGREES) if name in names), None)
    if ours is None:
        held = ", ".join(sorted(set(names) - {"geometry"})) or "no attribute"
        msg = f"{path.name}: holds {held}, need an attribute slope_pct."
        raise InputError(msg, "name the attribute slope_pct or slope_deg")
    told = np.asarray(shapes[names[ours]], dtype=object)
    values = np.array([_number(value) for value in told], dtype=float)
    slope = _fraction(values, unit or ("degrees" if ours in _DEGREES else "percent"))
    _require_slope(slope, path.name)
    metric = [place.geometry_to_metric(shape, path.name) for shape in shapes.geometry]
    table = gpd.GeoDataFrame({"slope": slope}, geometry=metric, crs=place.epsg)
    return SlopeMap(shapes=table), notes


def _raster(
    path: Path, unit: str | None, place: Place, outline: Outline | None
) -> tuple[SlopeMap, list[Note]]:
    import rasterio

    name = path.name
    try:
        with rasterio.open(real_file(path), driver="GTiff") as dataset:
            if dataset.crs is None or dataset.crs.to_epsg() is None:
                msg = f"{name}: has no coordinate system that is known by a number."
                raise InputError(msg, "write the raster with its coordinate system")
            epsg = int(dataset.crs.to_epsg())
            told = tuple(dataset.transform)[:6]
            rows, cols = (0, dataset.height), (0, dataset.width)
            if outline is not None:
                shape = gpd.GeoSeries([outline.geometry], crs=place.epsg).to_crs(epsg)
                rows, cols = _around(told, shape.total_bounds, rows[1], cols[1])
            if rows[0] >= rows[1] or cols[0] >= cols[1]:
                msg = f"{name}: lies beside the field, need it over the field."
                raise InputError(msg, "look whether it belongs to this field")
            if (rows[1] - rows[0]) * (cols[1] - cols[0]) > _MAX_PIXELS:
                msg = f"{name}: is finer than need be, {cols[1] - cols[0]} pixels wide."
                raise InputError(msg, "make it coarser, 1 m is enough")
            values = dataset.read(1, window=(rows, cols), masked=True)
    except rasterio.errors.RasterioError:
        msg = f"{name}: cannot be read as a GeoTIFF."
        raise InputError(msg, "write it anew, as a GeoTIFF with one band") from None
    notes = []
    if unit is None:
        sentence = (
            f"{name}: nothing says in what unit its slopes are; percent was taken. Say "
            'slope_map_unit = "percent" or "degrees".'
        )
        notes.append(Note("slope.unit", "check", sentence, 1, name))
    slope = _fraction(values.astype(float).filled(np.nan), unit or "percent")
    _require_slope(slope, name)
    a, b, c, d, e, f = told
    # The corner of the part that was read.
    c, f = c + a * cols[0] + b * rows[0], f + d * cols[0] + e * rows[0]
    return SlopeMap(None, slope.astype(np.float32), (a, b, c, d, e, f), epsg), notes


def _around(
    transform: tuple[float, ...], bounds, height: int, width: int
) -> tuple[tuple[int, int], tuple[int, int]]:
    """Return the rows and columns over `bounds` with two more on every side."""
    corners = [(x, y) for x in bounds[::2] for y in bounds[1::2]]
    row, col = _row_col(transform, *np.transpose(corners))
    span = []
    for at, most in ((row, height), (col, width)):
        first, last = int(at.min()) - 2, int(at.max()) + 3
        span.append((max(first, 0), min(last, most)))
    return span[0], span[1]


def _row_col(transform: tuple[float, ...], across, up) -> tuple[np.ndarray, np.ndarray]:
    """Return in which row and column of a raster a place lies."""
    a, b, c, d, e, f = transform
    size = a * e - b * d
    col = np.floor((e * (across - c) - b * (up - f)) / size)
    row = np.floor((a * (up - f) - d * (across - c)) / size)
    return row, col


def _burnt(shapes: gpd.GeoDataFrame, grid: FieldGrid) -> np.ndarray:
    """Return the slope of the polygon each cell's middle lies in."""
    from rasterio.features import rasterize
    from rasterio.transform import Affine

    out = np.full(grid.shape, np.nan, dtype=np.float32)
    known = shapes[np.isfinite(shapes["slope"])]
    if len(known):
        pairs = list(zip(known.geometry, known["slope"], strict=True))
        transform = Affine(*grid.transform)
        rasterize(pairs, out=out, transform=transform)
    return out


def _fraction(values: np.ndarray, unit: str) -> np.ndarray:
    """Return slopes as fractions from percent or degrees."""
    if unit == "degrees":
        return np.tan(np.radians(values))
    return values / 100.0


def _require_slope(slope: np.ndarray, name: str) -> None:
    known = slope[np.isfinite(slope)]
    if not known.size:
        msg = f"{name}: holds no number, need a slope on every piece of ground."
        raise InputError(msg, "look whether the attribute or band holds slopes")
    low, high = float(known.min()), float(known.max())
    if low < 0.0 or high > _STEEPEST:
        msg = (
            f"{name}: slopes from {100 * low:.0f} to {100 * high:.0f} %, need 0 to "
            f"{100 * _STEEPEST:.0f} %."
        )
        raise InputError(
            msg, "look at slope_map_unit; a raster of heights is not one of slopes"
        )


def _number(value: object) -> float:
    try:
        return float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return float("nan")
