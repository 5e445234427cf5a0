"""The season as it was driven, as fixes, passes and payload that belong together."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trafficmap.core.tables import PASSES
from trafficmap.loads.payload import Payload
from trafficmap.season.ways import evenly

if TYPE_CHECKING:
    from trafficmap.core.notes import Note

_STEP = 2.0
"""Places of a drawn way are about this far apart [m]; choice."""

_PAUSE = 60.0
"""Less than this without a kilogram moving is still one handing over [s]; choice."""


@dataclass(frozen=True)
class Driven:
    """Fixes, passes and payload that belong together, and what was done to them.

    Parameters
    ----------
    fixes, passes : DataFrame
        Contracts `SPLIT_FIXES` and `PASSES`.
    payload : Payload
        One row a fix.
    trips : int
        Trips with a load more than were made.
    notes : tuple of Note
    """

    fixes: pd.DataFrame
    passes: pd.DataFrame
    payload: Payload
    trips: int = 0
    notes: tuple[Note, ...] = ()

    def with_notes(self, *notes: Note, trips: int = 0) -> Driven:
        """Return the same with more to say and more trips."""
        return dataclasses.replace(
            self, notes=(*self.notes, *notes), trips=self.trips + trips
        )

    def with_table(self, table: pd.DataFrame) -> Driven:
        """Return the same with another payload table."""
        return dataclasses.replace(
            self, payload=dataclasses.replace(self.payload, table=table)
        )

    def rows_of(self, machine_id: str) -> list[np.ndarray]:
        """Return the rows of each log of a machine."""
        mine = np.flatnonzero((self.fixes["machine_id"] == machine_id).to_numpy())
        if not mine.size:
            return []
        log = self.fixes["log_id"].to_numpy()[mine]
        return np.split(mine, np.flatnonzero(np.diff(log)) + 1)


@dataclass(frozen=True)
class Leg:
    """One way driven with one load.

    ``way`` holds the places, shape (k, 2) [m]; ``load`` is carried from its first to
    its last [kg], anywhere between ``low`` and ``high``; ``start`` is on the clock of
    the row it is told from [s].
    """

    row: int
    way: np.ndarray
    start: float
    load: float
    low: float
    high: float


@dataclass
class Moves:
    """Where one log took on and gave off its load, as ramps of the payload."""

    first: np.ndarray = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    last: np.ndarray = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    mass: np.ndarray = field(default_factory=lambda: np.empty(0))

    @property
    def loads(self) -> int:
        """How often it was emptied after it had taken something on."""
        sign = np.sign(self.mass)
        kept = sign[np.concatenate([[True], np.diff(sign) != 0])] if sign.size else sign
        return int((kept < 0).sum())


def moves(level: np.ndarray, seconds: np.ndarray, *, least: float) -> Moves:
    """Return the ramps of a payload curve.

    Parameters
    ----------
    level : ndarray, shape (n,)
        Payload of one log. [kg]
    seconds : ndarray, shape (n,)
        Its clock. [s]
    least : float
        A smaller ramp is none. [kg]

    Returns
    -------
    Moves
        Positions in `level`; a ramp runs over ``first .. last``.

    Examples
    --------
    >>> import numpy as np
    >>> found = moves(np.array([0.0, 0, 500, 900, 900, 0]), np.arange(6.0), least=100)
    >>> found.first, found.last, found.mass
    (array([1, 4]), array([3, 5]), array([ 900., -900.]))
    """
    change = np.diff(level)
    moved = np.flatnonzero(np.abs(change) > 1e-3)
    if not moved.size:
        return Moves()
    sign = np.sign(change[moved])
    apart = seconds[moved[1:]] - seconds[moved[:-1] + 1] > _PAUSE
    cut = np.flatnonzero((np.diff(sign) != 0) | apart) + 1
    starts = np.concatenate([[0], cut])
    ends = np.concatenate([cut, [moved.size]]) - 1
    total = np.add.reduceat(change[moved], starts)
    good = np.abs(total) >= least
    return Moves(moved[starts][good], moved[ends][good] + 1, total[good])


def without(driven: Driven, gone: np.ndarray) -> Driven:
    """Return the season without some fixes, and without the passes they made up.

    Parameters
    ----------
    driven : Driven
    gone : ndarray of bool, shape (n_fixes,)
        A pass goes with its first fix.
    """
    place = np.concatenate([[0], np.cumsum(~gone)])
    passes = driven.passes
    first = passes["first"].to_numpy()
    last = passes["last"].to_numpy()
    left = place[last] - place[first]
    kept = left > 0
    passes = passes.assign(first=place[first], last=place[last])[kept]
    return dataclasses.replace(
        driven,
        fixes=driven.fixes[~gone].reset_index(drop=True),
        passes=passes.reset_index(drop=True),
        payload=dataclasses.replace(
            driven.payload, table=driven.payload.table[~gone].reset_index(drop=True)
        ),
    )


def with_legs(driven: Driven, legs: list[Leg], *, speed: float) -> Driven:
    """Return the season with more ways driven, each as a log of its own.

    Parameters
    ----------
    driven : Driven
    legs : list of Leg
        A leg takes machine, session and day from its row.
    speed : float
        [m/s]
    """
    if not legs:
        return driven
    fixes, passes, table = driven.fixes, driven.passes, driven.payload.table
    log_id = int(fixes["log_id"].max()) + 1
    pass_id = int(passes["pass_id"].max()) + 1 if len(passes) else 0
    position = len(fixes)
    rows, loads, heads = [], [], []
    for leg in legs:
        way = evenly(leg.way, step=_STEP)
        if len(way) < 2:
            continue
        length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(way, axis=0).T))])
        told = fixes.iloc[[leg.row]]
        piece = told.iloc[np.zeros(len(way), dtype=int)].reset_index(drop=True)
        seconds = leg.start + length / speed
        passed = pd.to_timedelta(seconds - float(told["seconds"].iloc[0]), unit="s")
        begins = np.zeros(len(way), dtype=bool)
        begins[0] = True
        piece = piece.assign(
            log_id=log_id,
            seconds=seconds,
            time=(piece["time"] + passed.round("ms")).astype(fixes["time"].dtype),
            easting=way[:, 0],
            northing=way[:, 1],
            state="hauling",
            pass_id=pass_id,
            speed=speed,
            **dict.fromkeys(_NOT_TOLD, np.nan),
            **{
                name: values
                for name, values in (
                    ("begins", begins),
                    ("reverse", False),
                    ("inferred", False),
                    ("source_log", log_id),
                )
                if name in fixes
            },
        )
        rows.append(piece[list(fixes.columns)])
        loads.append((len(way), leg.low, leg.load, leg.high))
        heads.append(
            {
                "pass_id": pass_id,
                "machine_id": str(told["machine_id"].iloc[0]),
                "log_id": log_id,
                "state": "hauling",
                "start": piece["time"].iloc[0],
                "end": piece["time"].iloc[-1],
                "first": position,
                "last": position + len(way),
                "length": float(length[-1]),
                "inferred": False,
                "session": int(told["session"].iloc[0]) if "session" in told else -1,
            }
        )
        position += len(way)
        log_id, pass_id = log_id + 1, pass_id + 1
    if not rows:
        return driven
    new = pd.DataFrame(heads)[list(passes.columns)]
    new = new.astype({name: passes[name].dtype for name in ("start", "end")})
    count = [n for n, *_ in loads]
    more = pd.DataFrame(
        {
            "payload_low": np.repeat([low for _, low, _, _ in loads], count),
            "payload": np.repeat([best for _, _, best, _ in loads], count),
            "payload_high": np.repeat([high for _, _, _, high in loads], count),
            "source": "inferred",
        }
    )
    return dataclasses.replace(
        driven,
        fixes=pd.concat([fixes, *rows], ignore_index=True).astype(
            {name: fixes[name].dtype for name in fixes.columns}
        ),
        passes=pd.concat([passes, new], ignore_index=True)
        if len(passes)
        else new[PASSES.names()],
        payload=dataclasses.replace(
            driven.payload, table=pd.concat([table, more], ignore_index=True)
        ),
    )


def with_level(
    table: pd.DataFrame, rows: np.ndarray, level: np.ndarray, *, top: float
) -> pd.DataFrame:
    """Return a payload table with another best value in some rows.

    The interval goes with it, as wide as it was, within empty and `top` [kg].
    """
    best = table["payload"].to_numpy(float).copy()
    low = table["payload_low"].to_numpy(float).copy()
    high = table["payload_high"].to_numpy(float).copy()
    under, over = best[rows] - low[rows], high[rows] - best[rows]
    best[rows] = level
    low[rows] = np.clip(level - under, 0.0, None)
    high[rows] = np.maximum(level, np.minimum(level + over, max(top, 0.0)))
    return table.assign(payload_low=low, payload=best, payload_high=high)


def speed_of(driven: Driven, machine_id: str) -> float:
    """Return how fast a machine hauled [m/s]: the middle of its moving fixes."""
    fixes = driven.fixes
    mine = (fixes["machine_id"] == machine_id) & (fixes["state"] == "hauling")
    place = fixes.loc[mine, ["easting", "northing"]].to_numpy(float)
    seconds = fixes.loc[mine, "seconds"].to_numpy(float)
    passed = np.diff(seconds)
    step = np.hypot(*np.diff(place, axis=0).T)
    good = (passed > 0.0) & (passed <= 5.0) & (step > 0.5 * passed)
    return float(np.median(step[good] / passed[good])) if good.sum() > 20 else 3.0


_NOT_TOLD = (
    "heading",
    "altitude",
    "width",
    "work_state",
    "mass_flow",
    "tank_mass",
    "moisture",
    "application_rate",
)
