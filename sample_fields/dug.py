"""What people dug on "Ditch sixty": probe pairs, spades, hand rolls, ruts.

Spots are taken from the true wheel marks: a probe in a track stands where a heavy
wheel stood on a wet day, its twin where no wheel ever stood.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import ndimage

from . import places as at
from .truth import FINE, MARGIN, Painted

DAY = "2026-11-19"
PROBE_DEPTHS = range(1, 25)
"""Depths read on the probe's rod [in]."""

ROLL_DEPTHS = (4, 7, 10, 13, 16)
PAIRS = 10
TWIN_REACH = 12.0
"""A twin is looked for this far from its track [m]."""

CLEAR = 0.4
"""Spots keep this far from the edge of a mark, or of bare ground [m]."""


@dataclass(frozen=True)
class Place:
    """What is found in a piece: layer [in], hand rolls from the top down, ruts [in]."""

    layer: tuple[float, float] | None
    rolls: tuple[str, ...] = ()
    ruts: tuple[float, ...] = ()


FOUND = {
    "middle_south": Place((6.8, 10.6), ("cracks", "cracks", "cracks", "crumbles",
                                        "crumbles"), (1.5, 2.0)),
    "middle_centre": Place((6.9, 10.6), ("cracks", "cracks", "crumbles", "cracks",
                                         "crumbles"), (1.5,)),
    "middle_north": Place((9.0, 18.4), ("cracks", "cracks", "cracks", "cracks",
                                        "rolls")),
    "east_south": Place((7.0, 11.5), ("cracks", "rolls", "rolls", "rolls", "cracks"),
                        (2.0,)),
    "east_north": Place(None, (), (4.0, 4.5, 5.0)),
    "ridge_south": Place(None),
    "ridge_centre": Place(None),
    "ridge_north": Place(None),
    "south_end": Place((6.5, 12.4), ("rolls", "rolls", "rolls", "rolls", "cracks"),
                       (2.5, 3.0)),
}  # fmt: skip


def dug(painted: Painted) -> pd.DataFrame:
    """Return every reading, one row a depth."""
    rng = np.random.default_rng(1960)
    rows: list[dict] = []
    for name, piece in at.pieces().items():
        found = FOUND[name]
        spots = _pairs(painted, piece, rng)
        for number, (track, twin) in enumerate(spots, start=1):
            for wheeled, spot in ((1, track), (0, twin)):
                point = f"{name}-{number}{'' if wheeled else 'u'}"
                values = _cone(found.layer if wheeled else None, rng)
                for depth, value in zip(PROBE_DEPTHS, values, strict=True):
                    rows.append(_row(point, spot, "probe", wheeled, depth, value))
        for number in range(3):
            point = f"{name}-{number + 1}"
            track, twin = spots[number]
            plates = "plates" if found.layer else "granular"
            rows.append(_row(point, track, "spade", 1, None, None, plates))
            rows.append(_row(f"{point}u", twin, "spade", 0, None, None, "granular"))
            for depth, word in zip(ROLL_DEPTHS, found.rolls, strict=False):
                rows.append(_row(point, track, "hand roll", 1, depth, None, word))
        for number, rut in enumerate(found.ruts):
            point = f"{name}-rut{number + 1}"
            rows.append(_row(point, spots[number][0], "rut", 1, rut, None))
    return pd.DataFrame(rows)


def dug_csv(painted: Painted) -> bytes:
    """Return the readings as text."""
    return dug(painted).to_csv(index=False, lineterminator="\n").encode()


def _pairs(painted: Painted, piece, rng) -> list[tuple]:
    """Return places in tracks, each with the nearest place no wheel touched."""
    near = round(CLEAR / FINE)
    west, south, east, north = (round((v + MARGIN) / FINE) for v in piece.bounds)
    box = np.s_[south:north, west:east]
    heavy = ndimage.binary_erosion(painted.deep[box], iterations=1)
    bare = ndimage.binary_erosion(~painted.any[box], iterations=near)
    tracks = np.argwhere(heavy)
    free = np.argwhere(bare)
    pairs: list[tuple] = []
    taken: list[np.ndarray] = []
    while len(pairs) < PAIRS:
        track = tracks[rng.integers(len(tracks))]
        # Spread over the piece: no two stops closer than a few steps.
        if taken and min(np.hypot(*(track - t)) for t in taken) * FINE < 7.0:
            continue
        away = np.hypot(*(free - track).T) * FINE
        if away.min() > TWIN_REACH:
            continue
        taken.append(track)
        pair = (track, free[int(away.argmin())])
        pairs.append(tuple(_plan(spot, west, south) for spot in pair))
    return pairs


def _plan(square: np.ndarray, west: int, south: int) -> tuple[float, float]:
    """Return east and north of the middle of a fine square [m]."""
    row, col = square
    return (
        (col + west + 0.5) * FINE - MARGIN,
        (row + south + 0.5) * FINE - MARGIN,
    )


def _cone(layer, rng) -> np.ndarray:
    """Return the cone index at every depth [psi], highest in the middle of a layer."""
    depth = np.array(PROBE_DEPTHS, dtype=float)
    base = 110.0 + 5.5 * depth + 12.0 * rng.standard_normal(len(depth))
    if layer is None:
        return np.clip(base, 60, 275).round()
    top, bottom = (edge + 0.3 * rng.standard_normal() for edge in layer)
    middle, half = (top + bottom) / 2, (bottom - top) / 2
    # 300 psi at both edges by construction, more between, less outside.
    inward = half - np.abs(depth - middle)
    value = 300.0 + 45.0 * inward
    crest = 395.0 + 12.0 * rng.standard_normal(len(depth))
    return np.clip(np.minimum(value, crest), base, None).round()


def _row(point, spot, kind, wheeled, depth, value, finding="") -> dict:
    lon, lat = at.to_degrees(*spot)
    return {
        "point": point,
        "longitude": f"{float(lon):.7f}",
        "latitude": f"{float(lat):.7f}",
        "date": DAY,
        "kind": kind,
        "wheeled": wheeled,
        "depth_in": "" if depth is None else f"{depth:g}",
        "value_psi": "" if value is None else f"{value:.0f}",
        "finding": finding,
    }
