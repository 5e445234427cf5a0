"""What the map page knows of each square of ground, small enough to travel along."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from trafficmap.core.constants import COMPUTE_DEPTHS, GRAVITY, REPORT_DEPTHS
from trafficmap.core.layers import get_layer

if TYPE_CHECKING:
    from trafficmap.pipeline import Result

MAX_SQUARES = 4_000
SIDE = 10.0
"""Side of a square [m]; larger where there would be more than MAX_SQUARES."""

MAX_PASSES = 8
"""Passes told for a square, the heaviest ones (choice)."""


def squares(result: Result) -> dict[str, Any]:
    """Return the squares of a field as plain lists.

    Returns
    -------
    dict
        ``side`` [m]; ``south``, ``west``, ``height``, ``width`` [deg], ``rows``,
        ``cols``; ``place`` numbers of the squares, row 0 in the south; and by square
        ``passes``, ``axle`` [0.1 Mg], ``risk`` (a digit a depth), ``chance``
        (hundredths, list a depth), ``visits`` (list of [pass, axle in 0.1 Mg, water
        in percent or -1]).
    """
    grid, tray = result.grid, result.tray
    inside = get_layer(tray, "inside") if "inside" in tray else np.ones(grid.shape)
    frame, square = _frame(result, inside)
    kept = np.unique(square[square >= 0])
    number = np.full(frame["rows"] * frame["cols"] + 1, -1)
    number[kept] = np.arange(kept.size)
    of_cell = np.where(square >= 0, number[square], -1)
    out: dict[str, Any] = {**frame, "place": kept.tolist()}
    if "passes" in tray:
        known = get_layer(tray, "passes").astype(np.int64).ravel()
        out["passes"] = _largest(np.where(known == 65535, 0, known), of_cell, kept.size)
    if "heaviest_axle" in tray:
        axle = np.nan_to_num(get_layer(tray, "heaviest_axle")).ravel() / 100.0
        out["axle"] = _largest(np.rint(axle).astype(np.int64), of_cell, kept.size)
    if "risk" in tray:
        out["risk"], out["chance"] = _risk(result, of_cell, kept.size)
    out["visits"] = _visits(result, of_cell, kept.size)
    return out


def _frame(result: Result, inside: np.ndarray) -> tuple[dict[str, Any], np.ndarray]:
    """Return the frame of squares in degrees, and the square of each cell."""
    from pyproj import Transformer

    grid = result.grid
    easting, northing = grid.centres()
    east, north = np.meshgrid(easting, northing)
    to_degrees = Transformer.from_crs(grid.epsg, 4326, always_xy=True)
    lon, lat = (a.ravel() for a in to_degrees.transform(east, north))
    field = inside.ravel() > 0
    if not field.any():
        field[:] = True
    area = float(field.sum()) * grid.cell_area
    side = max(SIDE, grid.cell, np.sqrt(area / MAX_SQUARES))
    metres = 111_320.0  # one degree of latitude, near enough to size a square
    height = side / metres
    width = side / (metres * np.cos(np.radians(lat.mean())))
    south, west = float(lat[field].min()), float(lon[field].min())
    row = np.floor((lat - south) / height).astype(np.int64)
    col = np.floor((lon - west) / width).astype(np.int64)
    rows, cols = int(row[field].max()) + 1, int(col[field].max()) + 1
    square = np.where(field, row * cols + col, -1)
    frame = {
        "side": round(float(side), 1),
        "south": round(south, 9),
        "west": round(west, 9),
        "height": round(float(height), 12),
        "width": round(float(width), 12),
        "rows": rows,
        "cols": cols,
    }
    return frame, square


def _largest(values: np.ndarray, of_cell: np.ndarray, n: int) -> list[int]:
    out = np.zeros(n, dtype=np.int64)
    known = of_cell >= 0
    np.maximum.at(out, of_cell[known], values[known])
    return out.tolist()


def _risk(result: Result, of_cell: np.ndarray, n: int) -> tuple[list, list]:
    """Return the worst class and chance of each square at the depths people read."""
    rows = [COMPUTE_DEPTHS.index(depth) for depth in REPORT_DEPTHS]
    risk = get_layer(result.tray, "risk")[rows].reshape(len(rows), -1).astype(np.int64)
    chance = get_layer(result.tray, "probability")[rows].reshape(len(rows), -1)
    worst, high = [], []
    for k in range(len(rows)):
        # "Not assessed" ranks above "very likely" here: it must not hide.
        worst.append(_largest(np.where(risk[k] == 255, 0, risk[k]), of_cell, n))
        hundredths = np.rint(np.nan_to_num(chance[k]) * 100).astype(np.int64)
        high.append(_largest(hundredths, of_cell, n))
    digits = ["".join(str(level[i]) for level in worst) for i in range(n)]
    return digits, [[level[i] for level in high] for i in range(n)]


def _visits(result: Result, of_cell: np.ndarray, n: int) -> list[list]:
    """Return the heaviest passes of each square, in order of time."""
    events, paths = result.events, result.paths
    out: list[list] = [[] for _ in range(n)]
    if not events.cell.size:
        return out
    axle_mass = _axle_masses(paths)
    axle = paths.wheels["axle_id"].to_numpy()[events.wheel]
    mass = axle_mass[events.state, axle]
    place = of_cell[events.cell]
    position = {p: k for k, p in enumerate(result.passes["pass_id"].to_numpy())}
    pass_of = np.array([position.get(p, -1) for p in range(events.pass_id.max() + 1)])
    row = pass_of[events.pass_id]
    good = (place >= 0) & (row >= 0) & np.isfinite(mass)
    place, row, mass = place[good], row[good], mass[good]
    time, cell = events.time[good], events.cell[good]
    # Heaviest first within each pair of square and pass, then one row a pair.
    pair = place * len(result.passes) + row
    order = np.lexsort((-mass, pair))
    first = np.diff(pair[order], prepend=-1) != 0
    chosen = order[first]
    water = _water(result, cell[chosen], time[chosen])
    place, row, mass = place[chosen], row[chosen], mass[chosen]
    start = result.passes["start"].to_numpy(dtype="datetime64[ms]").astype(np.int64)
    # The heaviest passes of each square, then in order of the time that is told.
    order = np.lexsort((-mass, place))
    rank = np.arange(order.size) - np.searchsorted(place[order], place[order])
    kept = order[rank < MAX_PASSES]
    kept = kept[np.lexsort((row[kept], start[row[kept]], place[kept]))]
    tenths = np.array([round(value / 100) for value in mass[kept].tolist()], dtype=int)
    told = np.column_stack([row[kept], tenths, water[kept]]).tolist()
    bounds = np.searchsorted(place[kept], np.arange(n + 1)).tolist()
    return [told[begin:end] for begin, end in pairwise(bounds)]


def _axle_masses(paths) -> np.ndarray:
    """Return the mass on each axle [kg], shape (states, axles)."""
    wheels = paths.wheels
    load = paths.states.load
    axles = wheels["axle_id"].to_numpy()
    out = np.full((load.shape[0], int(axles.max()) + 1 if axles.size else 1), np.nan)
    for axle in np.unique(axles):
        slots = wheels["slot"].to_numpy()[axles == axle]
        machine = wheels["machine_id"].to_numpy()[axles == axle][0]
        rows = paths.states.machine_id == machine
        out[rows, axle] = load[np.ix_(rows, slots)].sum(axis=1) / GRAVITY
    return out


def _water(result: Result, cell: np.ndarray, time: np.ndarray) -> np.ndarray:
    """Return soil water at 10 in when each pass came, in percent, -1 not known."""
    out = np.full(cell.size, -1, dtype=np.int64)
    strength, columns = result.strength, result.columns
    if strength is None or columns is None or not len(strength.times):
        return out
    column = np.asarray(columns.column_of_cell)[cell]
    hour = np.searchsorted(strength.times, time, side="right") - 1
    good = np.isfinite(time) & (hour >= 0) & (column >= 0)
    good &= (time - np.asarray(strength.times)[np.maximum(hour, 0)]) < 3600.0
    depth = COMPUTE_DEPTHS.index(0.25)
    theta = np.asarray(strength.theta)[hour[good], column[good], depth]
    out[good] = np.where(np.isfinite(theta), np.rint(100 * np.nan_to_num(theta)), -1)
    return out
