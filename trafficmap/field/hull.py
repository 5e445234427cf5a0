"""The ground that worked steps cover, for a field whose boundary was not given."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from trafficmap.core import limits
from trafficmap.core.notes import Note
from trafficmap.field.place import Place, area_words

ASSUMED_WIDTH = 6.0
"""Working width where no log says one [m]; choice."""

FASTEST_WORK = 12.0
"""A worked step is never faster [m/s]; choice."""

_WORK_SPEEDS = (0.5, 4.5)
"""Where no log says when it worked, driving this fast counts as work [m/s]; choice."""

_TOLERANCE = 0.2
"""Paths are thinned by this before they are widened [m]; choice."""


def worked_hull(
    fixes: pd.DataFrame, *, place: Place
) -> tuple[BaseGeometry | None, list[Note]]:
    """Return the ground within half a width of worked steps, small holes closed.

    A worked step joins two fixes of one log at most 30 s apart, no faster than 12 m/s,
    the later of them at work.

    Parameters
    ----------
    fixes : DataFrame
        Contract `core.tables.FIXES`.
    place : Place

    Returns
    -------
    hull : Polygon, MultiPolygon or None
        None when no step was worked, as on a road trip.
    notes : list of Note
    """
    lines, widths, guessed = _worked_lines(fixes)
    if not lines:
        sentence = (
            "No boundary was given and no log shows worked ground: this looks like "
            "road travel only, so there is no map. Give a boundary in [field]."
        )
        return None, [Note("boundary.road_only", "stop", sentence)]
    notes: list[Note] = []
    known = np.asarray(widths)
    if not np.isfinite(known).any():
        sentence = (
            f"No log says the working width; {ASSUMED_WIDTH:g} m assumed for the "
            "outline of the worked ground. Give a boundary in [field]."
        )
        notes.append(Note("boundary.width_assumed", "check", sentence))
    usual = np.nanmedian(known) if np.isfinite(known).any() else ASSUMED_WIDTH
    known = np.where(np.isfinite(known), known, usual)
    strips = shapely.buffer(
        shapely.simplify(lines, _TOLERANCE), known / 2, cap_style="flat"
    )
    whole = shapely.union_all(strips)
    reach = float(known.max()) / 2  # closes gaps between neighbouring runs
    whole = whole.buffer(reach).buffer(-reach)
    hull = shapely.union_all([_small_holes_closed(p) for p in shapely.get_parts(whole)])
    how = "the speed driven" if guessed else "the logged work state"
    sentence = (
        f"No boundary was given: only the ground covered by worked steps is mapped, "
        f"{area_words(place.area(hull))}, by {how}. Give a boundary in [field]."
    )
    notes.append(Note("boundary.from_logs", "check", sentence))
    return hull, notes


def _small_holes_closed(part: shapely.Polygon) -> shapely.Polygon:
    """Return a piece without the holes that no one would leave standing."""
    holes = [
        ring
        for ring in part.interiors
        if shapely.Polygon(ring).area >= limits.BOUNDARY_NOTE_M2
    ]
    return shapely.Polygon(part.exterior, holes)


def _worked_lines(fixes: pd.DataFrame) -> tuple[list, list[float], bool]:
    """Return worked stretches as lines with their width, and whether it was guessed."""
    lines: list = []
    widths: list[float] = []
    guessed = False
    for _, log in fixes.groupby("log_id", sort=True):
        east, north = log["easting"].to_numpy(), log["northing"].to_numpy()
        if east.size < 2:
            continue
        step = np.hypot(np.diff(east), np.diff(north))
        duration = np.diff(log["seconds"].to_numpy())
        moving = (duration > 0) & (duration <= limits.GAP_SECONDS)
        speed = np.divide(step, duration, out=np.zeros_like(step), where=moving)
        good = moving & (speed <= FASTEST_WORK)
        at_work, from_speed = _at_work(log, speed)
        guessed |= from_speed
        width = np.nan_to_num(log["width"].to_numpy()[1:], nan=-1.0)
        # One line runs on while the step is worked at an unchanged width.
        mark = np.where(good & at_work, width, -2.0)
        cuts = np.flatnonzero(np.diff(mark) != 0) + 1
        for run in np.split(np.arange(mark.size), cuts):
            if mark[run[0]] <= -2.0 or mark[run[0]] == 0.0:
                continue
            points = np.arange(run[0], run[-1] + 2)
            line = shapely.linestrings(east[points], north[points])
            if line.length > 0:
                lines.append(line)
                widths.append(mark[run[0]] if mark[run[0]] > 0 else np.nan)
    return lines, widths, guessed


def _at_work(log: pd.DataFrame, speed: np.ndarray) -> tuple[np.ndarray, bool]:
    """Return which steps were worked, by state, else by crop flow, else by speed."""
    state = log["work_state"].to_numpy()[1:]
    if np.isfinite(state).any():
        return state == 1.0, False
    for column in ("mass_flow", "application_rate"):
        signal = log[column].to_numpy()[1:]
        if (np.nan_to_num(signal) > 0).any():
            return np.nan_to_num(signal) > 0, False
    low, high = _WORK_SPEEDS
    return (speed >= low) & (speed <= high), True
