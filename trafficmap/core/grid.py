"""Where the cells are: the only law of place."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from trafficmap.core.errors import GridMismatchError, InputError
from trafficmap.core.limits import MAX_CELLS


@dataclass(frozen=True)
class FieldGrid:
    """Square cells, north up, in a projected coordinate system in metres.

    Parameters
    ----------
    epsg : int
        Code of the projected coordinate system (a UTM zone).
    west, north : float
        Outer corner of the north-west cell, not its centre. [m]
    cell : float
        Side of a cell. [m]
    rows, cols : int
        Row 0 is the northernmost, column 0 the westernmost.
    """

    epsg: int
    west: float
    north: float
    cell: float
    rows: int
    cols: int

    @classmethod
    def covering(
        cls,
        bounds: tuple[float, float, float, float],
        *,
        cell: float,
        epsg: int,
        margin: float = 0.0,
    ) -> FieldGrid:
        """Return the grid whose cells cover `bounds`, corners on whole cells.

        Parameters
        ----------
        bounds : tuple of float
            West, south, east, north. [m]
        cell : float
            Side of a cell. [m]
        epsg : int
            Code of the coordinate system of `bounds`.
        margin : float
            Ground added on every side before rounding outward. [m]

        Raises
        ------
        InputError
            The bounds are not finite, the cell is not positive, or more than
            `limits.MAX_CELLS` cells would be needed. Nothing is allocated before.
        """
        if not (math.isfinite(cell) and cell > 0):
            msg = f"cell: got {cell:g} m, need a positive size"
            raise InputError(msg, "set cell to 1.0 m")
        if not all(math.isfinite(value) for value in bounds):
            msg = f"bounds: got {bounds}, need four finite numbers."
            raise InputError(msg, "look for a far-off or empty shape in the input")
        west = math.floor((bounds[0] - margin) / cell) * cell
        south = math.floor((bounds[1] - margin) / cell) * cell
        east = math.ceil((bounds[2] + margin) / cell) * cell
        north = math.ceil((bounds[3] + margin) / cell) * cell
        cols = max(1, round((east - west) / cell))
        rows = max(1, round((north - south) / cell))
        if rows * cols > MAX_CELLS:
            msg = (
                f"grid: {rows} x {cols} cells of {cell:g} m would be needed, the limit "
                f"is {MAX_CELLS:,}; the ground spans {(east - west) / 1000:.1f} x "
                f"{(north - south) / 1000:.1f} km."
            )
            raise InputError(msg, "use larger cells, or look for a far-off fix")
        return cls(epsg, west, north, float(cell), rows, cols)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.rows, self.cols

    @property
    def size(self) -> int:
        """Number of cells."""
        return self.rows * self.cols

    @property
    def cell_area(self) -> float:
        """Area of one cell [m2]."""
        return self.cell * self.cell

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """West, south, east, north [m]."""
        return (
            self.west,
            self.north - self.rows * self.cell,
            self.west + self.cols * self.cell,
            self.north,
        )

    @property
    def transform(self) -> tuple[float, float, float, float, float, float]:
        """Six numbers (a, b, c, d, e, f) of the affine from col, row to place."""
        return (self.cell, 0.0, self.west, 0.0, -self.cell, self.north)

    def centres(self) -> tuple[np.ndarray, np.ndarray]:
        """Return eastings (cols,) and northings (rows,) of the cell centres [m]."""
        easting = self.west + (np.arange(self.cols) + 0.5) * self.cell
        northing = self.north - (np.arange(self.rows) + 0.5) * self.cell
        return easting, northing

    def row_col(self, easting, northing) -> tuple[np.ndarray, np.ndarray]:
        """Return rows and columns (int64) of places; they may lie outside."""
        col = np.floor((np.asarray(easting) - self.west) / self.cell)
        row = np.floor((self.north - np.asarray(northing)) / self.cell)
        return row.astype(np.int64), col.astype(np.int64)

    def cell_index(self, easting, northing) -> np.ndarray:
        """Return row-major cell numbers (int64) of places, -1 where outside."""
        row, col = self.row_col(easting, northing)
        inside = (row >= 0) & (row < self.rows) & (col >= 0) & (col < self.cols)
        return np.where(inside, row * self.cols + col, -1)

    def require_same(self, other: FieldGrid, name: str) -> None:
        """Raise `GridMismatchError` unless `other` is this very grid."""
        if other != self:
            msg = f"{name}: is on another grid ({other}), need {self}."
            raise GridMismatchError(msg, "resample it to the field grid first")
