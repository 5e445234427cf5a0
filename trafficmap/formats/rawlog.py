"""What every reader of logs returns: the table, and what was found in the file."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import pandas as pd

from trafficmap.core.notes import Note

ClockKind = Literal["utc", "wall", "no_epoch", "order"]
"""utc: seconds since 1970 UTC, proven. wall: date and time without a zone, as seconds
since 1970 as if it were UTC. no_epoch: seconds count from an unknown start. order: no
clock at all, the row number stands in."""


@dataclass(frozen=True)
class Finding:
    """How one column was understood.

    Parameters
    ----------
    field : str
        Our name, as ``speed``.
    column : str
        Name or number in the file.
    unit : str
        Unit it was read in.
    why : str
        The reason for the guess in plain words, or "as told".
    assumed : bool
        True when it was a guess a person should look at.
    share : float
        Share of the rows that could be read.
    """

    field: str
    column: str
    unit: str
    why: str
    assumed: bool = False
    share: float = 1.0


@dataclass(frozen=True)
class Described:
    """What the machine of a log says of itself: suggestions for its machine table.

    Parameters
    ----------
    device : str
        Name of the machine that carries the antenna, as written in the file.
    antenna : tuple or None
        Forward, right, up of the reference point [m].
    reference_height : float
        Of the reference point above the ground [m]; NaN where it is not told.
    width : float
        Working width of the whole rig [m]; NaN where it is not told.
    hitch : tuple or None
        Where the trailed machine hangs: forward, right, up of the reference point [m].
    hitch_kind : str
        "drawbar", "three_point", or "" where it is not told.
    """

    device: str = ""
    antenna: tuple[float, float, float] | None = None
    reference_height: float = math.nan
    width: float = math.nan
    hitch: tuple[float, float, float] | None = None
    hitch_kind: str = ""


@dataclass(frozen=True)
class RawLog:
    """One log as read: a table that keeps `core.tables.RAW_FIXES`, and its story.

    Parameters
    ----------
    table : DataFrame
        Contract `RAW_FIXES`, in file order; unknown columns as ``extra_<name>``.
    kind : str
        Format found by the bytes, as "delimited text" or "ISO 11783-10 time log".
    path : Path
        The file or folder.
    part : str
        Which log inside the file, as a task name; empty when the file is one log.
    clock : str
        See `ClockKind`.
    clock_error : float
        Remainder after rounding a clock offset to 15 min [s].
    findings : tuple of Finding
    notes : tuple of Note
    crop : str
        Crop named in the file, as written there, or "".
    field_name : str
        Field named in the file, or "".
    counters : dict
        Totals the machine itself counted: ``area`` [m2], ``distance`` [m], ``mass``
        [kg], ``duration`` [s].
    antenna : tuple or None
        Offset of the antenna from the reference point [m]: forward, right, up.
    machine : str
        Name of the machine in the file, or "".
    described : Described or None
        What the machine says of itself, None when it says nothing.
    """

    table: pd.DataFrame
    kind: str
    path: Path
    part: str = ""
    clock: ClockKind = "wall"
    clock_error: float = 0.0
    findings: tuple[Finding, ...] = ()
    notes: tuple[Note, ...] = ()
    crop: str = ""
    field_name: str = ""
    counters: dict[str, float] = field(default_factory=dict)
    antenna: tuple[float, float, float] | None = None
    machine: str = ""
    described: Described | None = None
