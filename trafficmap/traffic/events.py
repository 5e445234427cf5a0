"""What wheels did to cells: cover by exact strips, and visits for stress."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from trafficmap.traffic.stations import Stations


@dataclass(frozen=True, eq=False)
class Pieces:
    """The pieces of ground each event is made of, to lay events over one another.

    Parameters
    ----------
    stations : Stations
        What the strips were drawn between.
    start : ndarray of int64, shape (n_events + 1,)
        Pieces of event ``e`` are ``start[e] .. start[e + 1]``.
    station : ndarray of int32
        Station a piece leads on from.
    part : ndarray of int32
        Which part of the step the piece is, where a long step was cut.
    """

    stations: Stations
    start: np.ndarray
    station: np.ndarray
    part: np.ndarray

    @property
    def refs(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return the arrays as the kernels want them."""
        return self.start, self.station, self.part


@dataclass(frozen=True)
class PassEvents:
    """One wheel in one pass over one cell; sorted by cell, then time, pass, axle.

    Events of cell ``c`` are ``cell_start[c] .. cell_start[c + 1]``. A wheel that
    lingers in a cell is one event; leaving and coming back in the same pass is
    another.

    Parameters
    ----------
    cell : ndarray of int64
        Row-major cell number.
    wheel : ndarray of int32
        Row in the `WHEELS` table.
    pass_id : ndarray of int64
        Where one pass ends and the next begins under a rig, all its wheels keep the
        pass its first wheel came in.
    state : ndarray of int32
        Row in `LoadStates`.
    time : ndarray of float64
        Seconds since 1970 UTC when the wheel was nearest to the centre of the cell,
        NaN where not known. [s]
    cover : ndarray of float64
        Share of the cell the wheel ran over, 0 to 1; ground it ran over more than
        once in one event counts once.
    distance : ndarray of float32
        Length of the wheel's path, shared among cells by the area it swept in each,
        so that the sum over cells is the length driven. [m]
    cell_start : ndarray of int64, shape (grid.size + 1,)
    entry : ndarray of int32 or None
        Number, within the cell, of the time the rig came through: the wheels of a rig
        that rolled over the cell together share one. The first event of the first
        entry is the first wheel on the cell.
    pieces : Pieces or None
        What the events were laid from, for `count`.
    """

    cell: np.ndarray
    wheel: np.ndarray
    pass_id: np.ndarray
    state: np.ndarray
    time: np.ndarray
    cover: np.ndarray
    distance: np.ndarray
    cell_start: np.ndarray
    entry: np.ndarray | None = None
    pieces: Pieces | None = None


@dataclass(frozen=True)
class Visits:
    """One axle in one pass coming past one cell; sorted by cell, then time.

    Parameters
    ----------
    cell : ndarray of int64
    axle_id : ndarray of int32
    pass_id : ndarray of int64
    state : ndarray of int32
    time : ndarray of float64
        Seconds since 1970 UTC, NaN where not known. [s]
    offset : ndarray of float32
        Cell centre right of the axle's centre line at the nearest point. [m]
    heading : ndarray of float32
        Heading of the axle there, clockwise from north. [rad]
    cell_start : ndarray of int64, shape (grid.size + 1,)
    """

    cell: np.ndarray
    axle_id: np.ndarray
    pass_id: np.ndarray
    state: np.ndarray
    time: np.ndarray
    offset: np.ndarray
    heading: np.ndarray
    cell_start: np.ndarray
