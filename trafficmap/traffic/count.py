"""Counts: passes, wheel passes, loads, days and load-distance of every cell."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trafficmap.core.constants import GRAVITY
from trafficmap.core.layers import layer_spec, put_layer
from trafficmap.core.notes import Note
from trafficmap.traffic import _count_kernels as rows
from trafficmap.traffic.overlap import overlap
from trafficmap.traffic.stations import DEFAULTS

if TYPE_CHECKING:
    import xarray as xr

    from trafficmap.core.grid import FieldGrid
    from trafficmap.core.settings.traffic import TrafficSettings
    from trafficmap.loads.paths import WheelPaths
    from trafficmap.traffic.events import PassEvents
    from trafficmap.traffic.overlap import Overlap


def count(
    events: PassEvents,
    paths: WheelPaths,
    *,
    grid: FieldGrid,
    inside: np.ndarray,
    tray: xr.Dataset,
    settings: TrafficSettings = DEFAULTS,
    overlaps: Overlap | None = None,
    time_zone: str = "UTC",
    beyond: np.ndarray | None = None,
) -> list[Note]:
    """Put the layers of facts into `tray`; return what was found.

    Parameters
    ----------
    events : PassEvents
        From `cover` on `grid`.
    paths : WheelPaths
        The paths `events` were made of.
    grid : FieldGrid
    inside : ndarray, shape (rows, cols)
        Share of each cell inside the boundary; where 0 the layers say not known.
    tray : xarray.Dataset
        Takes inside, run_over, run_over_again, same_track, under_3, under_5, passes,
        wheel_passes, wheel_passes_3, wheel_passes_5, heaviest_axle, heaviest_wheel
        with its low and high, first_wheel, first_day, last_day and load_distance.
    settings : TrafficSettings
        As given to `cover`.
    overlaps : Overlap, optional
        From `overlap` of the same events; made here if left out.
    time_zone : str
        Days begin at midnight there.
    beyond : ndarray, shape (rows, cols), optional
        Share of each cell on strips of access outside the boundary: where it is more
        than 0 the layers are known too.

    Returns
    -------
    list of Note

    Raises
    ------
    GridMismatchError
        `events` or `inside` belong to another grid.

    Notes
    -----
    Shares and counts are exact; see `overlap` for what they mean. Of a wheel whose
    load is not known only the passes count.

    Load-distance is the sum of mass on a wheel times distance over the area of the
    cell [1]_: its sum over cells times cell area is the sum over all wheels.

    References
    ----------
    .. [1] I. Håkansson, definition of traffic intensity in Mg km/ha (from memory).
    """
    if overlaps is None:
        overlaps = overlap(events, paths, grid=grid, inside=inside, settings=settings)
    wheel_mass, axle_mass, axle_slot = masses(paths)
    values = np.zeros((rows.ROWS, grid.size))
    unknown = rows.count_cells(
        events.cell_start,
        events.wheel.astype(np.int64),
        events.state.astype(np.int64),
        events.time.astype(np.float64),
        events.distance.astype(np.float64),
        overlaps.fresh,
        paths.wheels["slot"].to_numpy(np.int64),
        axle_slot,
        wheel_mass,
        axle_mass[1],
        values,
    )
    # kg m / m2 = 1e-3 Mg * 1e-3 km / 1e-4 ha = 1e-2 Mg km/ha
    load_distance = values[rows.DISTANCE] / grid.cell_area * 1e-2
    layers = {
        "run_over": overlaps.run_over,
        "run_over_again": overlaps.again,
        "same_track": overlaps.same_track,
        "under_3": overlaps.over_3,
        "under_5": overlaps.over_5,
        "passes": overlaps.passes,
        "wheel_passes": overlaps.wheel_passes[0],
        "wheel_passes_3": overlaps.wheel_passes[1],
        "wheel_passes_5": overlaps.wheel_passes[2],
        "heaviest_axle": values[rows.AXLE],
        "heaviest_wheel": values[rows.WHEEL],
        "heaviest_wheel_low": values[rows.WHEEL_LOW],
        "heaviest_wheel_high": values[rows.WHEEL_HIGH],
        "first_wheel": values[rows.FRESH_WHEEL],
        "first_day": _days(values[rows.FIRST], overlaps.passes, time_zone),
        "last_day": _days(values[rows.LAST], overlaps.passes, time_zone),
        "load_distance": load_distance,
    }
    put_layer(tray, "inside", inside)
    known = inside if beyond is None else np.maximum(inside, beyond)
    for name, layer in layers.items():
        _put_inside(tray, name, layer.reshape(grid.shape), known)
    return _notes(unknown, events, overlaps.passes.reshape(grid.shape), inside)


def masses(paths: WheelPaths) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return mass on wheels and on axles, and the axle of each wheel.

    Masses are by bound (low, best, high), load state and wheel slot or axle; axles are
    numbered within their machine, as slots are. [kg]
    """
    wheels, states = paths.wheels, paths.states
    axle_slot = (
        wheels.groupby("machine_id")["axle_id"]
        .rank(method="dense")
        .to_numpy()
        .astype(np.int64)
        - 1
    )
    loads = np.array([states.load_low, states.load, states.load_high])
    wheel_mass = loads / GRAVITY
    n_axles = int(axle_slot.max()) + 1 if axle_slot.size else 0
    axle_mass = np.zeros((*wheel_mass.shape[:2], n_axles))
    machine = wheels["machine_id"].to_numpy().astype(str)
    slot = wheels["slot"].to_numpy(np.int64)
    for name in np.unique(machine):
        mine = np.flatnonzero(states.machine_id.astype(str) == name)
        for wheel in np.flatnonzero(machine == name):
            axle_mass[:, mine, axle_slot[wheel]] += wheel_mass[:, mine, slot[wheel]]
    return wheel_mass, axle_mass, axle_slot


def _days(seconds: np.ndarray, passes: np.ndarray, time_zone: str) -> np.ndarray:
    """Return days as year, month and day in one number; 0 where no wheel passed."""
    out = np.where(passes > 0, int(layer_spec("first_day").nodata), 0)
    known = np.isfinite(seconds)
    # A quarter of an hour is in one day everywhere; few of them need the calendar.
    quarter, place = np.unique(seconds[known] // 900.0, return_inverse=True)
    local = pd.to_datetime(quarter * 900.0, unit="s", utc=True).tz_convert(time_zone)
    told = local.year * 10_000 + local.month * 100 + local.day
    out[known] = told.to_numpy()[place]
    return out


def _put_inside(tray, name: str, values: np.ndarray, inside: np.ndarray) -> None:
    """Put a layer with the mark for not known outside the boundary."""
    spec = layer_spec(name)
    if np.issubdtype(np.dtype(spec.dtype), np.integer):
        values = np.minimum(values, int(spec.high))
    put_layer(tray, name, np.where(inside > 0.0, values, spec.nodata))


def _notes(unknown, events, passes, inside) -> list[Note]:
    notes = []
    if unknown:
        notes.append(
            Note(
                "traffic.load_unknown",
                "check",
                "The load on some wheels is not known; where only such wheels passed, "
                "the heaviest axle and wheel and the load-distance are left open.",
                int(unknown),
            )
        )
    if not (passes[inside > 0.0] > 0).any():
        sentence = (
            "No wheel passed inside the boundary; the traffic maps show no passes. "
            "Look whether the logs belong to this field."
        )
        if events.cell.size:
            sentence = (
                f"{events.cell.size} wheel events lie outside the boundary and none "
                "inside; the traffic maps show no passes. Look whether the logs and "
                "the boundary belong together."
            )
        notes.append(Note("traffic.none", "stop", sentence))
    return notes
