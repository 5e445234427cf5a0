"""How the ground rises, cell by cell; NaN where nobody knows."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from trafficmap.core.grid import FieldGrid


@dataclass(frozen=True)
class GroundSlope:
    """Rise of the ground to the east and to the north on square cells.

    Parameters
    ----------
    west, south, cell : float
        Corner and side of the cells. [m]
    east_rise, north_rise : ndarray, shape (rows, cols), row 0 south
        Rise over run; NaN where nothing tells it. [fraction]
    source : str
        What it is from, as a person would say it.
    """

    west: float
    south: float
    cell: float
    east_rise: np.ndarray
    north_rise: np.ndarray
    source: str = "logged heights"

    def at(self, easting, northing) -> tuple[np.ndarray, np.ndarray]:
        """Return the rise to the east and to the north at places; NaN if not known."""
        rows, cols = self.east_rise.shape
        col = np.floor((np.asarray(easting) - self.west) / self.cell).astype(np.int64)
        row = np.floor((np.asarray(northing) - self.south) / self.cell).astype(np.int64)
        inside = (col >= 0) & (col < cols) & (row >= 0) & (row < rows)
        row, col = np.where(inside, row, 0), np.where(inside, col, 0)
        east = np.where(inside, self.east_rise[row, col], np.nan)
        north = np.where(inside, self.north_rise[row, col], np.nan)
        return east, north

    def along(self, easting, northing, heading) -> tuple[np.ndarray, np.ndarray]:
        """Return pitch and roll of a machine that heads so; 0 where not known.

        Pitch is positive with the nose up, roll with the right side low. [fraction]
        """
        east, north = self.at(easting, northing)
        sin, cos = np.sin(heading), np.cos(heading)
        pitch = np.nan_to_num(east * sin + north * cos)
        roll = np.nan_to_num(north * sin - east * cos)
        return pitch, roll

    def steepness(self, easting, northing) -> np.ndarray:
        """Return how steep the ground is at places, whatever way [fraction]."""
        return np.hypot(*self.at(easting, northing))

    def on(self, grid: FieldGrid) -> np.ndarray:
        """Return how steep each cell of a grid is [fraction], NaN where not known."""
        easting, northing = np.meshgrid(*grid.centres())
        return self.steepness(easting, northing)

    def steep(self, share: float) -> float:
        """Steepness that this share of the known cells stays below [fraction]."""
        return float(np.nanquantile(np.hypot(self.east_rise, self.north_rise), share))

    def without(self, mask: np.ndarray) -> GroundSlope:
        """Return the same ground with the rise of some cells not known."""
        return replace(
            self,
            east_rise=np.where(mask, np.nan, self.east_rise),
            north_rise=np.where(mask, np.nan, self.north_rise),
        )
