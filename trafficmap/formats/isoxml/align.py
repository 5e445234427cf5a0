"""Several logs of one task on one clock: one after the other, or side by side."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trafficmap.core.notes import Note
from trafficmap.formats.isoxml.ddi import VALUE_AGE
from trafficmap.formats.isoxml.timelog import TimeLog

SHARED_SECONDS = 5.0
"""Logs that share no more time than this follow each other [s] (choice)."""

TOGETHER = 15.0
"""Logs whose places at the same time are this near were driven together [m] (choice):
a rig with two receivers is no longer."""

_EARTH_RADIUS = 6_371_000.0
_PLACE = ("longitude", "latitude", "seconds", "row")
_SAMPLES = 500


@dataclass(frozen=True)
class Piece:
    """The columns of one time log."""

    name: str
    columns: dict[str, np.ndarray]

    @property
    def seconds(self) -> np.ndarray:
        """Its clock [s]."""
        return self.columns["seconds"]

    @property
    def n_places(self) -> int:
        """Rows with a place."""
        return int(np.count_nonzero(np.isfinite(self.columns["longitude"])))


def split_by_machine(logs: list[TimeLog]) -> list[list[int]]:
    """Return the numbers of the logs that one machine wrote, a list a machine.

    Two logs that run at the same time in places apart are of two machines. A log that
    runs alone goes to the machine that was nearest before it.

    Parameters
    ----------
    logs : list of TimeLog
        In order of their first second.
    """
    groups: list[list[int]] = []
    for k, log in enumerate(logs):
        fitting = [
            group
            for group in groups
            if all(_one_machine(logs[other], log) for other in group)
        ]
        if not fitting:
            groups.append([k])
        elif len(fitting) == 1:
            fitting[0].append(k)
        else:
            min(fitting, key=lambda group: _jump(logs[group[-1]], log)).append(k)
    return groups


def join_pieces(
    pieces: list[Piece], *, part: str
) -> tuple[dict[str, np.ndarray], list[Note]]:
    """Return the pieces of one machine as one table's columns, in order of time.

    Pieces that run at the same time become one row a second of the piece with the most
    places; what it does not hold comes from the other, no older than a value may be.
    """
    joined: list[Piece] = []
    notes = []
    for piece in pieces:
        if joined and _shared(joined[-1].seconds, piece.seconds) > SHARED_SECONDS:
            sentence = (
                f"task {part}: {joined[-1].name} and {piece.name} run at the same "
                "time and were laid beside each other by their clocks."
            )
            notes.append(Note("iso.logs_aligned", "info", sentence, where=part))
            joined[-1] = _beside(joined[-1], piece)
        else:
            joined.append(piece)
    if len(joined) == 1:
        return joined[0].columns, notes
    names = dict.fromkeys(name for piece in joined for name in piece.columns)
    columns = {
        name: np.concatenate(
            [
                piece.columns.get(name, np.full(piece.seconds.size, np.nan))
                for piece in joined
            ]
        )
        for name in names
    }
    return columns, notes


def _beside(one: Piece, two: Piece) -> Piece:
    main, other = (one, two) if one.n_places >= two.n_places else (two, one)
    outside = (other.seconds < main.seconds.min()) | (
        other.seconds > main.seconds.max()
    )
    order = np.argsort(other.seconds, kind="stable")
    source = np.searchsorted(other.seconds[order], main.seconds, side="right") - 1
    source = np.where(source >= 0, order[np.maximum(source, 0)], -1)
    age = main.seconds - other.seconds[np.maximum(source, 0)]
    usable = (source >= 0) & (age <= VALUE_AGE)
    columns: dict[str, np.ndarray] = {}
    nothing = np.full(main.seconds.size, np.nan)
    for name in dict.fromkeys((*main.columns, *other.columns)):
        values = main.columns.get(name, nothing)
        if name not in _PLACE and name in other.columns:
            lent = np.where(usable, other.columns[name][np.maximum(source, 0)], np.nan)
            # A column the main log has at all is its own, gaps and all.
            values = lent if not np.isfinite(values).any() else values
        columns[name] = values
    if outside.any():
        rest = {
            name: other.columns.get(name, np.full(other.seconds.size, np.nan))[outside]
            for name in columns
        }
        columns = {n: np.concatenate([columns[n], rest[n]]) for n in columns}
        in_order = np.argsort(columns["seconds"], kind="stable")
        columns = {name: values[in_order] for name, values in columns.items()}
    return Piece(f"{one.name} with {two.name}", columns)


def _shared(one: np.ndarray, two: np.ndarray) -> float:
    """Return for how long two logs run at the same time [s]."""
    return float(min(one.max(), two.max()) - max(one.min(), two.min()))


def _one_machine(one: TimeLog, two: TimeLog) -> bool:
    """Tell whether two logs can be of one machine: never at once in two places."""
    if _shared(one.seconds, two.seconds) <= SHARED_SECONDS:
        return True
    placed = [log.seconds[np.isfinite(log.longitude)] for log in (one, two)]
    if not (placed[0].size and placed[1].size):
        return True
    if _shared(*placed) <= SHARED_SECONDS:
        return True
    begin = max(p.min() for p in placed)
    end = min(p.max() for p in placed)
    moments = np.linspace(begin, end, _SAMPLES)
    return bool(np.median(_apart(_at(one, moments), _at(two, moments))) <= TOGETHER)


def _at(log: TimeLog, moments: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    good = np.isfinite(log.longitude)
    seconds = log.seconds[good]
    order = np.argsort(seconds, kind="stable")
    return (
        np.interp(moments, seconds[order], log.longitude[good][order]),
        np.interp(moments, seconds[order], log.latitude[good][order]),
    )


def _apart(one, two) -> np.ndarray:
    """Return the distance of places [m]; near enough over a few kilometres."""
    north = np.radians(two[1] - one[1])
    east = np.radians(two[0] - one[0]) * np.cos(np.radians(one[1]))
    return _EARTH_RADIUS * np.hypot(east, north)


def _jump(before: TimeLog, after: TimeLog) -> float:
    """Return how far a log begins from where another ended [m]."""
    here, there = np.isfinite(before.longitude), np.isfinite(after.longitude)
    if not (here.any() and there.any()):
        return float("inf")
    end, start = np.flatnonzero(here)[-1], np.flatnonzero(there)[0]
    return float(
        _apart(
            (before.longitude[end], before.latitude[end]),
            (after.longitude[start], after.latitude[start]),
        )
    )
