"""Which way to drive a zone: across its tracks, unless slope or shape says else."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from trafficmap.zones.drivable import Size, run_lengths
from trafficmap.zones.units import REST, Units

if TYPE_CHECKING:
    from trafficmap.core.grid import FieldGrid
    from trafficmap.core.ground import GroundSlope
    from trafficmap.core.settings.zones import ZoneSettings
    from trafficmap.field.model import Field, Tool
    from trafficmap.loads.paths import WheelPaths

_TRIED = (
    (90.0, "across the tracks"),
    (60.0, "at an angle across the tracks"),
    (-60.0, "at an angle across the tracks"),
    (30.0, "at an angle to the tracks"),
    (-30.0, "at an angle to the tracks"),
)
"""Turned from the tracks [deg], best first; across or at an angle helps to break ground
evenly (extension guides on deep ripping); the steps are a choice."""

_LEAST_ORDER = 0.2
"""Below this share of one direction tracks run every way; choice."""

_ONE_WAY = 0.5
"""Below this share of one direction the ground falls every way; choice."""

_COMPASS = ("north-south", "northeast-southwest", "east-west", "northwest-southeast")


def with_runs(
    units: Units,
    *,
    paths: WheelPaths,
    field: Field,
    settings: ZoneSettings,
    tool: Tool | None = None,
) -> Units:
    """Return the units with run_heading [deg, NaN where not said] and run_words.

    Runs go across the direction most load was driven in; where the unit is too narrow
    for runs of the shortest length that way, at an angle; where also that is too
    short, along the tracks or whichever way is longest. On slopes above
    ``contour_slope``, by the map of slopes or else the field's, they follow the
    contour; only a raster of heights tells which way that runs.

    Parameters
    ----------
    units : Units
    paths : WheelPaths
    field : Field
    settings : ZoneSettings
    tool : Tool, optional
    """
    width = tool.width if tool is not None else settings.width_assumed
    cell = units.grid.cell
    size = Size(width, settings=settings, cell=cell, heading=units.heading, tool=tool)
    tracks, order = track_headings(units, paths)
    headings, words = [], []
    for row in units.table.to_dict("records"):
        unit, kind = row["unit"], row["kind"]
        slope = row.get("slope", math.nan)
        if math.isnan(slope):
            slope = field.slope or 0.0
        if unit == REST or kind == "keep_out":
            headings.append(math.nan)
            words.append("")
        elif slope > settings.contour_slope:
            along = contour(field.ground, units.label == unit, units.grid)
            headings.append(math.degrees(along) % 180.0)
            way = "" if math.isnan(along) else f", {compass(headings[-1])}"
            words.append(f"drive along the contour{way}, never up and down the hill")
        else:
            mixed = not order[unit] >= _LEAST_ORDER
            base = units.heading if mixed else tracks[unit]
            mask = units.label == unit
            heading, word = _best(mask, base, size, cell)
            if mixed:
                word = word.replace("the tracks", "the rows")
            headings.append(math.degrees(heading) % 180.0)
            words.append(f"drive {word}, {compass(headings[-1])}")
    table = units.table.assign(run_heading=headings, run_words=words)
    return units.with_table(table)


def contour(rise: GroundSlope | None, mask: np.ndarray, grid: FieldGrid) -> float:
    """Return which way the contour runs over some cells, clockwise from north [rad].

    Parameters
    ----------
    rise : GroundSlope or None
        From a raster of heights.
    mask : ndarray of bool, shape (rows, cols)
    grid : FieldGrid

    Returns
    -------
    float
        NaN where no heights tell it, or where the ground falls several ways so that
        no one direction is level.
    """
    if rise is None:
        return math.nan
    easting, northing = np.meshgrid(*grid.centres())
    east, north = rise.at(easting[mask], northing[mask])
    known = np.isfinite(east)
    if not known.any():
        return math.nan
    # Ground that falls one way or the other beside a ridge has one contour: the axial
    # mean, weighed by the square of the steepness.
    east, north = east[known], north[known]
    sine, cosine = (
        float(2.0 * (east * north).mean()),
        float((north * north - east * east).mean()),
    )
    whole = float((east * east + north * north).mean())
    if whole == 0.0 or math.hypot(sine, cosine) < _ONE_WAY * whole:
        return math.nan
    return (0.5 * math.atan2(sine, cosine) + 0.5 * math.pi) % math.pi


def track_headings(units: Units, paths: WheelPaths) -> tuple[np.ndarray, np.ndarray]:
    """Return the main direction of the tracks in each unit, and how much of them.

    The axial mean over all stations, weighted by the load of the rig.

    Parameters
    ----------
    units : Units
    paths : WheelPaths

    Returns
    -------
    ndarray, shape (n_units,)
        Clockwise from north, 0 to pi; NaN where nothing was driven. [rad]
    ndarray, shape (n_units,)
        1 where all run the same way, 0 where they run every way.
    """
    count = len(units.table)
    cell = units.grid.cell_index(paths.easting, paths.northing)
    unit = np.where(cell >= 0, units.label.ravel()[np.maximum(cell, 0)], -1)
    load = np.nansum(paths.states.load, axis=1)
    weight = load[paths.state] if load.size else np.zeros(unit.size)
    use = (unit >= 0) & np.isfinite(paths.heading) & (weight > 0.0)
    double = 2.0 * paths.heading[use]
    weight, unit = weight[use], unit[use]
    east = np.bincount(unit, weights=weight * np.sin(double), minlength=count)
    north = np.bincount(unit, weights=weight * np.cos(double), minlength=count)
    whole = np.bincount(unit, weights=weight, minlength=count)
    with np.errstate(invalid="ignore", divide="ignore"):
        order = np.hypot(east, north) / whole
    heading = np.where(whole > 0.0, np.arctan2(east, north) / 2.0 % math.pi, math.nan)
    return heading, order


def compass(heading: float) -> str:
    """Return the direction of a run in words, both ways being the same.

    Examples
    --------
    >>> compass(90.0), compass(170.0), compass(40.0)
    ('east-west', 'north-south', 'northeast-southwest')
    """
    return _COMPASS[round(heading / 45.0) % 4]


def mean_run(lengths: np.ndarray) -> float:
    """Return the length of the run an average spot lies on [m].

    Examples
    --------
    >>> mean_run(np.array([10.0, 30.0]))
    25.0
    """
    total = float(lengths.sum())
    return float((lengths**2).sum()) / total if total > 0.0 else 0.0


def _best(
    mask: np.ndarray, tracks: float, size: Size, cell: float
) -> tuple[float, str]:
    """Return the heading [rad] to drive and its words."""
    rows, cols = np.nonzero(mask)
    if not rows.size:
        return tracks, "across the tracks"
    box = mask[rows.min() : rows.max() + 1, cols.min() : cols.max() + 1]
    longest, along = -1.0, tracks
    for turn, word in (*_TRIED, (0.0, "")):
        heading = tracks + math.radians(turn)
        run = mean_run(
            run_lengths(box, heading=heading, cell=cell, width=size.narrowest)
        )
        if word and run >= size.shortest:
            return heading, word
        if run > longest:
            longest, along = run, heading
    return along, "along the strip, it is too narrow to cross"
