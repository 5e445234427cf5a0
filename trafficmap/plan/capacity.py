"""How much ground an hour: field capacity with the real runs of a zone."""

from __future__ import annotations

import math

import numpy as np
import shapely
from shapely.affinity import rotate
from shapely.geometry.base import BaseGeometry


def field_capacity(speed: float, *, width: float, efficiency: float) -> float:
    """Area by time: speed x width x efficiency.

    Parameters
    ----------
    speed : float
        [m/s]
    width : float
        [m]
    efficiency : float
        [fraction]

    Returns
    -------
    float
        [m2/s]

    References
    ----------
    .. [1] Iowa State extension PM 696: C = S W E / 8.25 in acres an hour, mph and feet.

    Examples
    --------
    >>> round(field_capacity(2.0, width=5.0, efficiency=0.8), 3)
    8.0
    """
    return speed * width * efficiency


def run_efficiency(length: float, *, speed: float, turn_time: float) -> float:
    """Share of time in work when every run of `length` [m] ends in one turn.

    Examples
    --------
    >>> round(run_efficiency(100.0, speed=2.0, turn_time=20.0), 4)
    0.7143
    """
    if length <= 0:
        return 0.0
    run = length / speed
    return run / (run + turn_time)


def run_lengths(shape: BaseGeometry, *, width: float, heading: float) -> np.ndarray:
    """Lengths of the runs that cover a shape, a working width apart.

    Parameters
    ----------
    shape : Polygon or MultiPolygon
        Metric coordinates.
    width : float
        [m]
    heading : float
        Direction of the runs, clockwise from north. [rad]

    Returns
    -------
    ndarray
        One length a run; a run that leaves the shape and comes back is two. [m]

    Examples
    --------
    >>> from shapely import box
    >>> run_lengths(box(0, 0, 20, 100), width=5.0, heading=0.0).tolist()
    [100.0, 100.0, 100.0, 100.0]
    """
    if shape.is_empty:
        return np.empty(0)
    upright = rotate(shape, math.degrees(heading), origin=(0.0, 0.0))
    west, south, east, north = upright.bounds
    count = max(1, math.ceil((east - west) / width - 1e-9))
    places = west + (east - west) * (np.arange(count) + 0.5) / count
    lines = shapely.linestrings(
        [[(place, south - 1.0), (place, north + 1.0)] for place in places]
    )
    cut = shapely.get_parts(shapely.intersection(lines, upright))
    lengths = shapely.length(cut)
    return lengths[lengths > 0]


def zone_time(
    shape: BaseGeometry,
    *,
    width: float,
    heading: float,
    speed: float,
    turn_time: float,
    overlap: float,
) -> tuple[float, float]:
    """Machine time for a zone, and the share of it in work.

    Parameters
    ----------
    shape : Polygon or MultiPolygon
    width : float
        [m]
    heading : float
        [rad]
    speed : float
        [m/s]
    turn_time : float
        [s]
    overlap : float
        Share of the width that is new ground in each run. [fraction]

    Returns
    -------
    tuple of float
        Time [s] and efficiency [fraction].
    """
    lengths = run_lengths(shape, width=width * overlap, heading=heading)
    if not lengths.size:
        return 0.0, 0.0
    total = float(lengths.sum()) / speed + turn_time * lengths.size
    ideal = shape.area / (width * speed)
    return total, min(1.0, ideal / total)
