"""Layers as pictures for the map page, placed without stretching."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from trafficmap.core.grid import FieldGrid
from trafficmap.outputs import png
from trafficmap.outputs.inks import DARK, LIGHT

MAX_SIDE = 1_600
"""Most pixels a side; a larger field gets coarser pictures (choice)."""

FINE_SIDE = 900
"""Cells are drawn with several pixels each until about so many stand side by side, so
that hatch and dots look like strokes and not like cells (choice)."""

_PATTERNS = 4
_PLAIN, _DOT, _LINE, _CROSS = range(_PATTERNS)


@dataclass(frozen=True)
class Picture:
    """A picture with its place and the palettes that go with it.

    ``letters`` is the PNG in base64 with the light palette; ``palettes`` are the
    letters to put in place of the palette, by theme. ``bounds`` are south, west,
    north, east [deg].
    """

    letters: str
    palettes: dict[str, str]
    bounds: tuple[float, float, float, float]


@dataclass(frozen=True)
class Ramp:
    """Classes 1 to n of one ramp; the last may be drawn as a hatch alone."""

    inks: tuple[str, ...]
    hatched: str = ""
    print_patterns: bool = False


FACTS = Ramp(("fact-1", "fact-2", "fact-3"))
RISK = Ramp(
    ("risk-1", "risk-2", "risk-3", "risk-4"),
    hatched="not-assessed",
    print_patterns=True,
)


def picture(
    classes: np.ndarray,
    *,
    grid: FieldGrid,
    ramp: Ramp,
    dots: np.ndarray | None = None,
) -> Picture:
    """Return a layer of classes as a picture in the projection of web maps.

    Parameters
    ----------
    classes : ndarray of uint8, shape (rows, cols)
        0 is nothing, 1 to n the classes of `ramp`, n + 1 the hatched one.
    grid : FieldGrid
    ramp : Ramp
    dots : ndarray of bool, optional
        Where the class is undecided.
    """
    classes, bounds = to_web(classes, grid)
    marked = np.zeros(classes.shape, dtype=bool)
    if dots is not None:
        marked = to_web(dots.astype(np.uint8), grid)[0] == 1
    n = len(ramp.inks) + (1 if ramp.hatched else 0)
    pattern = _pattern(classes.shape)
    # The number of a pixel says class, doubt and place in the pattern at once, so
    # that only the palette has to change for the dark page and for print.
    number = (classes * np.uint8(2) + marked) * np.uint8(_PATTERNS) + pattern
    alpha = [_alpha(k, ramp) for k in range((n + 1) * 2 * _PATTERNS)]
    palettes = {
        theme: [_ink(k, ramp, theme) for k in range((n + 1) * 2 * _PATTERNS)]
        for theme in ("light", "dark", "print")
    }
    file = png.palette_png(number, palettes["light"], alpha)
    return Picture(
        letters=png.base64_text(file),
        palettes={
            theme: png.base64_text(png.palette_chunk(inks))
            for theme, inks in palettes.items()
        },
        bounds=bounds,
    )


def to_web(
    classes: np.ndarray, grid: FieldGrid
) -> tuple[np.ndarray, tuple[float, float, float, float]]:
    """Return classes on web Mercator by the nearest cell, and the degrees it spans."""
    nearest, bounds = _nearest_cell(grid)
    padded = np.append(np.asarray(classes, dtype=np.uint8).ravel(), np.uint8(0))
    return padded[nearest], bounds


# Every picture of a page shows the same grid.
@lru_cache(maxsize=2)
def _nearest_cell(
    grid: FieldGrid,
) -> tuple[np.ndarray, tuple[float, float, float, float]]:
    """Return the cell under each pixel, one past the last where there is none."""
    from rasterio.crs import CRS
    from rasterio.transform import Affine
    from rasterio.warp import Resampling, reproject, transform_bounds

    here, web = CRS.from_epsg(grid.epsg), CRS.from_epsg(3857)
    west, south, east, north = transform_bounds(here, web, *grid.bounds, densify_pts=21)
    # A pixel about as large as a cell: Mercator stretches both sides alike.
    pixel = math.sqrt((east - west) * (north - south) / grid.size)
    pixel /= max(1, round(FINE_SIDE / max(grid.shape)))
    pixel = max(pixel, (east - west) / MAX_SIDE, (north - south) / MAX_SIDE)
    width = math.ceil((east - west) / pixel)
    height = math.ceil((north - south) / pixel)
    transform = Affine(pixel, 0.0, west, 0.0, -pixel, north)
    nearest = np.full((height, width), grid.size, dtype=np.int32)
    reproject(
        np.arange(grid.size, dtype=np.int32).reshape(grid.shape),
        nearest,
        src_transform=Affine(*grid.transform),
        src_crs=here,
        dst_transform=transform,
        dst_crs=web,
        dst_nodata=grid.size,
        resampling=Resampling.nearest,
        num_threads=1,
    )
    nearest.setflags(write=False)
    east, south = west + pixel * width, north - pixel * height
    west, south, east, north = transform_bounds(
        web, CRS.from_epsg(4326), west, south, east, north, densify_pts=21
    )
    return nearest, (
        round(south, 8),
        round(west, 8),
        round(north, 8),
        round(east, 8),
    )


@lru_cache(maxsize=2)
def _pattern(shape: tuple[int, int]) -> np.ndarray:
    """Return the place of each pixel in the pattern: plain, dot, line or crossing."""
    # About 80 strokes over the longer side read well on a desk and on paper.
    period = max(6, round(max(shape) / 80))
    row, col = np.ogrid[: shape[0], : shape[1]]
    thick = max(1, round(period / 10))
    falling = (row + col) % period < thick
    rising = (row - col) % period < thick
    half = period // 2
    dot = ((row + half) % period < thick + 1) & ((col + half) % period < thick + 1)
    out = np.full(shape, _PLAIN, dtype=np.uint8)
    out[rising] = _CROSS
    out[falling] = _LINE
    out[dot] = _DOT
    out.setflags(write=False)
    return out


def _split(number: int) -> tuple[int, bool, int]:
    rest, pattern = divmod(number, _PATTERNS)
    return rest // 2, bool(rest % 2), pattern


def _alpha(number: int, ramp: Ramp) -> int:
    klass, _, pattern = _split(number)
    if klass == 0:
        return 0
    if klass > len(ramp.inks):
        return 255 if pattern == _LINE else 0
    return 255


def _ink(number: int, ramp: Ramp, theme: str) -> str:
    inks = DARK if theme == "dark" else LIGHT
    klass, doubtful, pattern = _split(number)
    if klass == 0:
        return inks["paper"]
    if klass > len(ramp.inks):
        return inks[ramp.hatched]
    fill = inks[ramp.inks[klass - 1]]
    if doubtful and pattern == _DOT:
        return inks["text"] if klass < 3 else inks["paper"]
    if theme != "print" or not ramp.print_patterns:
        return fill
    # Paper in black and white: none, dots, lines, cross-lines, as dark as the class.
    shown = {2: (_DOT,), 3: (_LINE,), 4: (_LINE, _CROSS)}.get(klass, ())
    if pattern in shown:
        return inks["paper"] if klass > 2 else inks["text"]
    return fill
