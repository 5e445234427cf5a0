"""Which steps a machine drove backward, from its track and what its log says."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from trafficmap.core.notes import Note
from trafficmap.core.tables import shared_text
from trafficmap.tracks._reverse_kernels import choose_signs, find_cusps
from trafficmap.tracks._split_kernels import track_shape
from trafficmap.tracks.ground import blocks, steps, way_words
from trafficmap.tracks.settle import receiver_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

    from trafficmap.core.settings.tracks import TrackSettings
    from trafficmap.machines.model import Machine
    from trafficmap.tracks.ground import LogFacts

FREE, FAST, STEEP = 40.0, 8.0 / 3.6, 10.0
"""More than 40 m backward at more than 8 km/h is next to impossible with a cart and
costs ten times its length; choice."""

SPIN = 100.0
"""Turning by 120 degrees within 6 m, as going on forward through a cusp would be, costs
as much as so many metres backward; choice."""

WORKING = 2.0
"""Way logged as worked counts so many times more where it would be backward; choice:
a header may stay switched on for a few metres back, never for a row."""

LATE = 6.0
"""A heading must differ from the course over a longer way to say something [m];
choice."""

SURE = 1e6
"""Weight of what the log itself says [m]."""


def reversing(
    fixes: pd.DataFrame,
    start: np.ndarray,
    *,
    machines: Mapping[str, Machine],
    facts: Mapping[int, LogFacts],
    settings: TrackSettings,
) -> tuple[np.ndarray, list[Note]]:
    """Return whether the step into each fix was driven backward.

    Parameters
    ----------
    fixes : DataFrame
        Contract `FIXES`, clean.
    start : ndarray of bool
        Where the track starts anew.
    machines, facts
        For the error of a fix; see `settle.receiver_of`.
    settings : TrackSettings
        ``cusp_reach``, ``cusp_speed``.

    Returns
    -------
    ndarray of bool
    list of Note

    Notes
    -----
    A machine turns back at a cusp: its course changes by more than 120 degrees within
    ``cusp_reach`` before and after, where it is slow. Between cusps the sense of travel
    holds. Of all ways to give the stretches a sense the one with the least driven
    backward is taken, where way logged as worked counts three times; a negative logged
    speed, or a logged heading against the course in a log in which it mostly agrees,
    counts before that. Between two breaks without a cusp and without such a signal a
    machine is taken to drive forward.
    """
    n = len(fixes)
    back = np.zeros(n, dtype=np.bool_)
    length, duration = steps(fixes, start)
    log = fixes["log_id"].to_numpy()
    machine_id = shared_text(fixes["machine_id"])
    place = fixes[["easting", "northing"]].to_numpy(dtype=float)
    seconds = fixes["seconds"].to_numpy(dtype=float)
    told: dict[str, tuple[float, int]] = {}
    for part in blocks(log):
        a, b = part.start, part.stop
        name = str(machine_id[a])
        _, sigma, _, _ = receiver_of(
            facts.get(int(log[a])), machines.get(name), settings
        )
        reach = max(settings.cusp_reach, 10.0 * sigma)
        before, after = np.full(b - a, np.nan), np.full(b - a, np.nan)
        near = place[part] - place[a]
        shape = (seconds[part], start[part], length[part], near)
        track_shape(*shape, reach, before, after, np.zeros(b - a))
        cusp = np.zeros(b - a, dtype=np.bool_)
        find_cusps(
            start[part],
            length[part],
            duration[part],
            near,
            before,
            after,
            reach,
            settings.cusp_speed,
            cusp,
        )
        mine = _signs(
            start[part],
            cusp,
            length[part],
            duration[part],
            _evidence(fixes.iloc[part], before, length[part]),
            length[part] * (fixes["work_state"].to_numpy()[part] > 0.0),
        )
        back[part] = mine
        if mine.any():
            way, count = told.get(name, (0.0, 0))
            runs = np.diff(mine.astype(np.int8), prepend=0) > 0
            told[name] = (
                way + float(length[part][mine].sum()),
                count + int(runs.sum()),
            )
    return back, _notes(told)


def _signs(start, cusp, length, duration, evidence, worked) -> np.ndarray:
    """Return whether each step was driven backward, cusps and evidence given."""
    n = start.size
    opens = start.copy()
    opens[:1] = True
    # The step into a cusp belongs to the stretch before it.
    begins = opens.copy()
    begins[1:] |= cusp[:-1]
    first = np.flatnonzero(begins)
    way = np.add.reduceat(length, first)
    took = np.add.reduceat(np.where(length > 0.05 * duration, duration, 0.0), first)
    weight = np.add.reduceat(np.abs(evidence), first)
    vote = np.add.reduceat(evidence, first)
    # A stretch is spoken for where most of its way says the same.
    sure = np.abs(vote) > 0.5 * np.maximum(way, 1e-9)
    lean = WORKING * np.add.reduceat(worked, first)
    lean = np.where(sure & (weight > 0.0), -np.sign(vote) * SURE, lean)
    back = np.zeros(first.size, dtype=np.bool_)
    fast = way > FAST * np.maximum(took, 1e-9)
    choose_signs(way, fast, lean, opens[first], FREE, STEEP, SPIN, back)
    return np.repeat(back, np.diff(np.append(first, n))) & ~start


def _evidence(log: pd.DataFrame, course: np.ndarray, length: np.ndarray) -> np.ndarray:
    """Return the way [m] of each step, plus where the log says backward, else 0.

    A heading that never differs from the course is a course itself and says nothing;
    one that always does has its sign wrong.
    """
    out = np.zeros(length.size)
    speed = log["speed"].to_numpy(dtype=float)
    if (speed > 0.1).sum() > (speed < -0.1).sum() > 0:
        out[speed < -0.1] = length[speed < -0.1]
        out[speed > 0.1] = -length[speed > 0.1]
        return out
    heading = np.radians(log["heading"].to_numpy(dtype=float))
    agree = np.cos(heading - course)
    against, along = agree < -0.8, agree > 0.8
    for part in blocks(against):
        # A course told a second late disagrees for a few metres behind every cusp.
        if length[part].sum() < LATE:
            against[part] = False
    whole = length[np.isfinite(agree)].sum()
    if 0.0 < length[against].sum() < 0.3 * whole < 0.5 * length[along].sum():
        out[against] = length[against]
        out[along] = -length[along]
    return out


def _notes(told: dict[str, tuple[float, int]]) -> list[Note]:
    if not told:
        return []
    way = sum(way for way, _ in told.values())
    count = sum(count for _, count in told.values())
    sentence = (
        f"Driven backward, as the tracks show: {way_words(way)} in {count} "
        f"stretch{'es' * (count > 1)}; machines and what they pull are led that way."
    )
    where = ", ".join(f"{name} {way_words(told[name][0])}" for name in sorted(told))
    return [Note("tracks.reverse", "info", sentence, count, where)]
