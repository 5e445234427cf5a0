"""What a machine can drive: marked cells grown, joined and trimmed to its size."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage
from shapely.affinity import translate

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    from trafficmap.core.settings.zones import ZoneSettings
    from trafficmap.field.model import Tool

_TURNS = 12
"""Directions a piece is looked at for a straight run, 15 degrees apart; choice."""


class Size:
    """Grows marked cells to what a machine can drive, and drops what it cannot.

    Parameters
    ----------
    width : float
        Working width. [m]
    settings : ZoneSettings
    cell : float
        [m]
    heading : float
        Direction of the rows. [rad]
    tool : Tool, optional
        Its length sets the shortest run.
    """

    def __init__(
        self,
        width: float,
        *,
        settings: ZoneSettings,
        cell: float,
        heading: float,
        tool: Tool | None = None,
    ) -> None:
        self.cell = cell
        self.heading = heading
        self.narrowest = width + 2 * settings.place_error
        # A single cell must come out as wide as the machine needs, in whole cells.
        self.widen = math.ceil((self.narrowest - cell) / 2 / cell) * cell
        self.close = width / 2
        rig = (tool.length or 0.0) if tool is not None else 0.0
        self.shortest = max(settings.min_length, settings.machine_lengths * rig)
        self.min_area = settings.min_area

    def grow(self, seeds: np.ndarray, *, free: np.ndarray) -> np.ndarray:
        """Return the ground a machine has to drive to work the seeds.

        Every seed gets the nearest circle, one working width across, that lies wholly
        on free ground, so that a track along a fence grows inward. What lies between
        circles, or between them and ground that is not free, and is narrower than
        half a width belongs to them. What then is too small or short is dropped.

        Parameters
        ----------
        seeds, free : ndarray of bool, shape (rows, cols)
        """
        seeds = seeds & free
        if not seeds.any():
            return seeds
        box = self._around(seeds)
        out = np.zeros_like(seeds)
        out[box] = self._grown(seeds[box], free[box])
        return out

    def _around(self, mask: np.ndarray) -> tuple[slice, slice]:
        """Return the part of the array that growing `mask` can look at."""
        reach = math.ceil((3 * self.narrowest + self.close) / self.cell) + 2
        spans = []
        for axis in (1, 0):
            found = np.flatnonzero(mask.any(axis=axis))
            spans.append(
                slice(max(int(found[0]) - reach, 0), int(found[-1]) + reach + 1)
            )
        return spans[0], spans[1]

    def _grown(self, seeds: np.ndarray, free: np.ndarray) -> np.ndarray:
        """Return what `grow` does, on a part of the array."""
        near = self._circles(seeds, free)
        if not near.any():
            return near
        away = ndimage.distance_transform_edt(~near) * self.cell
        # Closing: what lies nearer to the ground outside than half a width after
        # widening by half a width stays outside. Ground that is not free counts as
        # taken, so that no sliver stays between a zone and a fence.
        taken = np.pad(near | ~free, 1, constant_values=True)
        wide = ndimage.distance_transform_edt(~taken) * self.cell <= self.close
        filled = wide
        # The transform measures to ground outside: where there is none all is filled.
        if not wide.all():
            filled = ndimage.distance_transform_edt(wide) * self.cell > self.close
        filled = filled[1:-1, 1:-1] & (away <= self.narrowest)
        return self.drivable((near | filled) & free)

    def has_room(self, free: np.ndarray) -> bool:
        """Return whether a circle of a working width lies anywhere on free ground."""
        return bool(self._middles(free).any())

    def _middles(self, free: np.ndarray) -> np.ndarray:
        """Return the middles of all circles of a working width on free ground."""
        room = ndimage.distance_transform_edt(np.pad(free, 1))[1:-1, 1:-1] * self.cell
        return room > self.widen

    def _circles(self, seeds: np.ndarray, free: np.ndarray) -> np.ndarray:
        """Return circles of a working width that lie on free ground, at the seeds."""
        middles = self._middles(free)
        if not seeds.any() or not middles.any():
            return np.zeros_like(seeds)
        away, place = ndimage.distance_transform_edt(~middles, return_indices=True)
        take = seeds & (away * self.cell <= self.narrowest)
        chosen = np.zeros_like(seeds)
        chosen[place[0][take], place[1][take]] = True
        if not chosen.any():
            return chosen
        return ndimage.distance_transform_edt(~chosen) * self.cell <= self.widen

    def drivable(self, mask: np.ndarray) -> np.ndarray:
        """Return `mask` without tongues, and without pieces too small or too short."""
        if not mask.any():
            return mask
        around = self._around(mask)
        whole, mask = np.zeros_like(mask), mask[around]
        out = self.without_tongues(mask)
        parts, count = ndimage.label(out)
        sizes = np.bincount(parts.ravel(), minlength=count + 1) * self.cell**2
        for part, box in enumerate(ndimage.find_objects(parts), start=1):
            mine = parts[box] == part
            if sizes[part] < self.min_area or not self.long_enough(mine):
                out[box][mine] = False
        whole[around] = out
        return whole

    def without_tongues(self, mask: np.ndarray) -> np.ndarray:
        """Return `mask` less what is too narrow for the tool.

        No circle one working width across fits into a tongue. Corners, into which none
        fits either, stay: a square implement fills them.
        """
        half = max((self.narrowest - self.cell) / 2, 0.0)
        inner = ndimage.distance_transform_edt(np.pad(mask, 1))[1:-1, 1:-1] * self.cell
        core = inner > half
        if not core.any():
            return np.zeros_like(mask)
        opened = ndimage.distance_transform_edt(~core) * self.cell <= half
        lost = mask & ~opened
        if not lost.any():
            return mask
        parts, count = ndimage.label(lost, structure=np.ones((3, 3)))
        sizes = np.bincount(parts.ravel(), minlength=count + 1) * self.cell**2
        tongue = sizes > self.narrowest**2
        tongue[0] = False
        return mask & ~tongue[parts]

    def long_enough(self, mask: np.ndarray) -> bool:
        """Return whether a straight run in some direction is as long as needed."""
        for turn in range(_TURNS):
            heading = self.heading + math.pi * turn / _TURNS
            lengths = run_lengths(
                mask, heading=heading, cell=self.cell, width=self.narrowest
            )
            if lengths.size and lengths.max() >= self.shortest:
                return True
        return False


def run_lengths(
    mask: np.ndarray, *, heading: float, cell: float, width: float
) -> np.ndarray:
    """Return the lengths of straight runs a `width` apart that cover `mask`.

    A run goes on while at least half of the width lies on marked cells.

    Parameters
    ----------
    mask : ndarray of bool, shape (rows, cols)
    heading : float
        Direction of the runs, clockwise from north. [rad]
    cell, width : float
        [m]

    Returns
    -------
    ndarray
        [m]

    Examples
    --------
    >>> marked = np.zeros((40, 40), dtype=bool)
    >>> marked[5:35, 10:20] = True
    >>> run_lengths(marked, heading=0.0, cell=1.0, width=5.0).tolist()
    [30.0, 30.0]
    """
    rows, cols = np.nonzero(mask)
    if rows.size == 0:
        return np.empty(0)
    sin, cos = math.sin(heading), math.cos(heading)
    along = (cols * sin - rows * cos) * cell
    right = (cols * cos + rows * sin) * cell
    wide = max(width, cell)
    step = np.floor((along - along.min()) / cell + 1e-6).astype(np.int64) + 1
    lane = np.floor((right - right.min()) / wide + 1e-6).astype(np.int64)
    lanes, steps = int(lane.max()) + 1, int(step.max()) + 2
    count = np.bincount(lane * steps + step, minlength=lanes * steps)
    full = count.reshape(lanes, steps) * cell >= 0.5 * wide
    # A turned lattice leaves single steps one cell short: they do not end a run.
    if steps > 3:
        full[:, 1:-1] |= full[:, :-2] & full[:, 2:]
    change = np.diff(full.astype(np.int8), axis=1, prepend=0, append=0)
    begin, end = np.nonzero(change == 1)[1], np.nonzero(change == -1)[1]
    return (end - begin) * cell


def row_heading(boundary: BaseGeometry, heading_deg: float | None) -> float:
    """Return the direction of the rows [rad], from the long side if nobody said.

    Parameters
    ----------
    boundary : Polygon or MultiPolygon
        Metric coordinates.
    heading_deg : float or None
        Clockwise from north. [deg]
    """
    if heading_deg is not None and not math.isnan(heading_deg):
        return math.radians(heading_deg)
    box = boundary.minimum_rotated_rectangle
    corners = np.asarray(box.exterior.coords)
    sides = np.diff(corners, axis=0)[:2]
    longest = sides[np.argmax(np.hypot(sides[:, 0], sides[:, 1]))]
    return math.atan2(longest[0], longest[1]) % math.pi


def end_row_ground(
    boundary: BaseGeometry, *, width: float, heading: float
) -> BaseGeometry:
    """Return the ground from which a run of `width` along the rows leaves the field.

    Parameters
    ----------
    boundary : Polygon or MultiPolygon
        Metric coordinates.
    width : float
        Width of the end rows. [m]
    heading : float
        Direction of the rows. [rad]
    """
    east, north = width * math.sin(heading), width * math.cos(heading)
    body = boundary.intersection(translate(boundary, east, north))
    body = body.intersection(translate(boundary, -east, -north))
    return boundary.difference(body)


def narrowest_side(shape: BaseGeometry) -> float:
    """Return the shorter side of the smallest rectangle round a shape [m]."""
    box = shape.minimum_rotated_rectangle
    if box.geom_type != "Polygon":
        return 0.0
    sides = np.diff(np.asarray(box.exterior.coords), axis=0)[:2]
    return float(np.hypot(sides[:, 0], sides[:, 1]).min())
