"""Places of clean fixes: age taken out, noise smoothed, standing put on one spot."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trafficmap.core.notes import Note
from trafficmap.core.tables import shared_text
from trafficmap.machines.model import SIGMAS
from trafficmap.tracks._clean_kernels import find_still, hold_still, smooth_track
from trafficmap.tracks.ground import blocks, breaks

if TYPE_CHECKING:
    from collections.abc import Mapping

    from trafficmap.core.settings.tracks import TrackSettings
    from trafficmap.machines.model import Machine
    from trafficmap.tracks.ground import LogFacts

OWN_SIGNALS = (
    "width",
    "work_state",
    "mass_flow",
    "tank_mass",
    "moisture",
    "application_rate",
)
"""Signals of the machine, not of the receiver: they are as old as their stamp."""


def lag_of(facts: LogFacts | None, machine: Machine | None) -> float:
    """Return how old places of a log are at their stamp [s].

    What the log says counts before what its machine says.
    """
    told = getattr(facts, "position_lag", None)
    if told is not None:
        return float(told)
    return float(getattr(getattr(machine, "antenna", None), "latency_s", 0.0))


def receiver_of(
    facts: LogFacts | None, machine: Machine | None, settings: TrackSettings
) -> tuple[str, float, float, bool]:
    """Return correction, error within a session and shift of a session [m], assumed.

    A correction that the log names counts before that of its machine; what neither
    tells is `settings.sigma` within, and the shift of the class ``sbas``.
    """
    told = getattr(facts, "correction", None)
    if told:
        return told, *SIGMAS[told], False
    if machine is None:
        return "sbas", settings.sigma, SIGMAS["sbas"][1], True
    within = float(getattr(machine, "sigma_within", settings.sigma))
    correction = str(getattr(machine, "correction", "sbas"))
    shift = float(getattr(machine, "sigma_between", SIGMAS[correction][1]))
    assumed = "GNSS correction" in getattr(machine, "assumed", ())
    return correction, within, shift, assumed


def without_lag(log: pd.DataFrame, lag: float) -> pd.DataFrame:
    """Return a log whose clock says when its places were true.

    A place that is `lag` old at its stamp was true `lag` before; the signals of the
    machine are taken from the record nearest to that moment.
    """
    if lag == 0.0 or not len(log):
        return log
    clock = log["seconds"].to_numpy(dtype=float)
    moment = clock - lag
    after = np.clip(np.searchsorted(clock, moment), 1, max(clock.size - 1, 1))
    after = np.minimum(after, clock.size - 1)
    before = np.maximum(after - 1, 0)
    nearest = np.where(clock[after] - moment < moment - clock[before], after, before)
    # Over a gap the record's own signals are nearer in time than any other.
    own = np.arange(clock.size)
    nearest = np.where(np.abs(clock[nearest] - moment) < abs(lag), nearest, own)
    shifted = {name: log[name].to_numpy()[nearest] for name in OWN_SIGNALS}
    time = log["time"] - pd.to_timedelta(round(1000.0 * lag), unit="ms")
    return log.assign(
        seconds=moment, time=time.astype("datetime64[ms, UTC]"), **shifted
    )


def settled(
    table: pd.DataFrame,
    *,
    machines: Mapping[str, Machine],
    facts: Mapping[int, LogFacts],
    settings: TrackSettings,
) -> tuple[pd.DataFrame, list[Note]]:
    """Return the table with smoothed places and machines that stand put on a spot."""
    start, jump = breaks(table, machines=machines, settings=settings)
    seconds = table["seconds"].to_numpy(dtype=float)
    place = table[["easting", "northing"]].to_numpy(dtype=float)
    machine_id = shared_text(table["machine_id"])
    log_id = table["log_id"].to_numpy()
    out = np.empty_like(place)
    standing = 0.0
    for part in blocks(log_id):
        a, b = part.start, part.stop
        machine = machines.get(str(machine_id[a]))
        _, sigma, _, _ = receiver_of(facts.get(int(log_id[a])), machine, settings)
        # Relative to the first fix: eastings of half a million metres would cost
        # digits that a millimetre needs.
        origin = place[a]
        smoothed = np.empty((b - a, 2))
        smooth_track(
            seconds[part],
            start[part],
            sigma,
            settings.acceleration**2,
            place[part] - origin,
            smoothed,
        )
        still = np.zeros(b - a, dtype=np.bool_)
        find_still(
            seconds[part],
            start[part],
            smoothed,
            settings.still_window,
            settings.idle_speed,
            3.0 * sigma,
            still,
        )
        hold_still(seconds[part], start[part], settings.idle_seconds, smoothed, still)
        out[part] = smoothed + origin
        passed = np.diff(seconds[part])
        standing += float(passed[still[1:] & ~start[part][1:]].sum())
    notes = []
    if jump.any():
        sentence = (
            "The position shifted faster than the machine can drive and stayed there; "
            "the track is cut at these places."
        )
        notes.append(Note("tracks.shift", "info", sentence, int(jump.sum())))
    if standing:
        sentence = (
            f"Machines stood for {standing / 60:.0f} min in all; the wandering of the "
            "position meanwhile was taken out."
        )
        notes.append(Note("tracks.standing", "info", sentence))
    return table.assign(easting=out[:, 0], northing=out[:, 1], begins=start), notes
