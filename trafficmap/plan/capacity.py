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
    return run_lines(shape, width=width, heading=heading)[0]


def run_lines(
    shape: BaseGeometry, *, width: float, heading: float
) -> tuple[np.ndarray, np.ndarray]:
    """Lengths of the runs as in `run_lengths`, and of the gaps between them.

    A gap is where a run leaves the shape and comes back, as over a check strip or a
    line in the ground.

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
    lengths : ndarray
        [m]
    gaps : ndarray
        [m]

    Examples
    --------
    >>> from shapely import MultiPolygon, box
    >>> halves = MultiPolygon([box(0, 0, 5, 40), box(0, 45, 5, 100)])
    >>> lengths, gaps = run_lines(halves, width=5.0, heading=0.0)
    >>> lengths.tolist(), gaps.tolist()
    ([40.0, 55.0], [5.0])
    """
    if shape.is_empty:
        return np.empty(0), np.empty(0)
    upright = rotate(shape, math.degrees(heading), origin=(0.0, 0.0))
    west, south, east, north = upright.bounds
    count = max(1, math.ceil((east - west) / width - 1e-9))
    places = west + (east - west) * (np.arange(count) + 0.5) / count
    lines = shapely.linestrings(
        [[(place, south - 1.0), (place, north + 1.0)] for place in places]
    )
    cut, line = shapely.get_parts(
        shapely.intersection(lines, upright), return_index=True
    )
    lengths = shapely.length(cut)
    cut, line, lengths = cut[lengths > 0], line[lengths > 0], lengths[lengths > 0]
    begin = shapely.bounds(cut)[:, 1]
    order = np.lexsort((begin, line))
    end = (begin + lengths)[order]
    gaps = (begin[order][1:] - end[:-1])[line[order][1:] == line[order][:-1]]
    return lengths[order], gaps


def run_heading(row: dict, heading: float) -> float:
    """Return which way a zone or unit is driven [rad], `heading` where not said.

    Parameters
    ----------
    row : dict
        Its run_heading, clockwise from north. [deg]
    heading : float
        Direction of the rows. [rad]

    Examples
    --------
    >>> round(run_heading({"run_heading": 90.0}, 0.0), 4), run_heading({}, 0.5)
    (1.5708, 0.5)
    """
    own = float(row.get("run_heading", math.nan))
    return heading if math.isnan(own) else math.radians(own)


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
    lengths, gaps = run_lines(shape, width=width * overlap, heading=heading)
    return runs_time(
        lengths,
        gaps=gaps,
        area=shape.area,
        width=width,
        speed=speed,
        turn_time=turn_time,
    )


def runs_time(
    lengths: np.ndarray,
    *,
    area: float,
    width: float,
    speed: float,
    turn_time: float,
    gaps: np.ndarray | None = None,
) -> tuple[float, float]:
    """Machine time of runs, each with one turn, and the share of it in work.

    Over a gap the tool is lifted and the run goes on where that takes less time than
    a turn.

    Parameters
    ----------
    lengths : ndarray
        From `run_lines`. [m]
    area : float
        Ground they cover. [m2]
    width : float
        Of the tool. [m]
    speed : float
        [m/s]
    turn_time : float
        [s]
    gaps : ndarray, optional
        From `run_lines`. [m]

    Returns
    -------
    tuple of float
        Time [s] and efficiency [fraction].

    Examples
    --------
    >>> runs_time(np.array([100.0, 100.0]), area=1000.0, width=5.0, speed=2.0,
    ...           turn_time=25.0)
    (150.0, 0.6666666666666666)
    >>> runs_time(np.array([100.0, 100.0]), area=1000.0, width=5.0, speed=2.0,
    ...           turn_time=25.0, gaps=np.array([10.0]))
    (130.0, 0.7692307692307693)
    """
    if not lengths.size:
        return 0.0, 0.0
    between = np.empty(0) if gaps is None else np.minimum(gaps / speed, turn_time)
    turns = turn_time * (lengths.size - between.size)
    total = float(lengths.sum()) / speed + turns + float(between.sum())
    ideal = area / (width * speed)
    return total, min(1.0, ideal / total)
