"""A table of points, from text or from shapes, as `RawLog`: which column is what.

Columns are known by their name first and by their values second; what a person told
comes before both. Every guess is a Finding with its reason.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from trafficmap.core import limits
from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.formats.bindings import (
    CLOCK_PARTS,
    SIGNALS,
    BoundColumns,
    Told,
    bind_columns,
)
from trafficmap.formats.clocks import ClockColumns, LogClock, read_clock
from trafficmap.formats.headers import Heading, plain_name
from trafficmap.formats.places import read_places
from trafficmap.formats.rawlog import RawLog
from trafficmap.formats.signals import Motion, Signals
from trafficmap.formats.ticks import spread_stamps

__all__ = ["Told", "logs_from_points"]


def logs_from_points(
    frame: pd.DataFrame,
    headings: tuple[Heading, ...],
    *,
    line: np.ndarray,
    path: Path,
    kind: str,
    told: Told,
    notes: tuple[Note, ...] = (),
    dropped: int = 0,
    dates: Mapping[str, tuple[str, bool]] | None = None,
) -> list[RawLog]:
    """Turn a table of points into logs under our names and in SI.

    Parameters
    ----------
    frame : DataFrame
        As read; one column a heading.
    headings : tuple of Heading
    line : ndarray
        Line or record number of each row in the file, from 1.
    path : Path
    kind : str
        Format as found by the bytes.
    told : Told
    notes : tuple of Note
        What the reader of the format found.
    dropped : int
        Rows it already left out.
    dates : mapping, optional
        Heading of a column of dates to why day and month were read in their order, and
        whether that is a guess.

    Returns
    -------
    list of RawLog
        One, or one a machine where a column names several.

    Raises
    ------
    InputError
        The place columns are missing, unclear or no degrees; the dates can be read
        two ways; or more than `limits.DROPPED_SHARE` of the rows are unusable.
    """
    name = path.name
    bound = bind_columns(frame, headings, told, name)
    found: list[Note] = [*notes, *bound.notes]
    places = read_places(bound.place_columns(told, name), name=name, epsg=told.epsg)
    lon, lat = places.longitude, places.latitude
    clock = _ordered(_clock(bound, lon, lat, name, told), dates or {})
    motion = Motion.between(lon, lat, clock.seconds, clock.kind)
    bound = bound.with_motion(motion)
    signals = Signals(bound.columns, bound.units(told, name), motion, name)
    columns: dict[str, np.ndarray | pd.Series] = {
        "longitude": lon,
        "latitude": lat,
        "seconds": clock.seconds,
        "row": line.astype(np.int64, copy=False),
        **{signal: signals.read(signal) for signal in SIGNALS},
    }
    for extra in bound.unused():
        columns[f"extra_{extra}"] = _compact(bound.frame[extra])
    machine, crop = bound.column("machine"), bound.single_text("crop")
    field_name, machine_name = bound.single_text("field"), bound.single_text("machine")
    findings = (*bound.place_findings(places), *clock.findings, *signals.findings)
    findings = tuple(bound.marked(finding) for finding in findings)
    # A table of views: what the file held is not copied once more.
    table = pd.DataFrame(columns, copy=False)
    del columns, bound, frame
    signals.columns = {}
    table, lost = _usable(table, name, dropped)
    found += [*places.notes, *clock.notes, *signals.notes, *lost]
    whole = RawLog(
        table=table,
        kind=kind,
        path=path,
        clock=clock.kind,
        findings=findings,
        notes=tuple(found),
        crop=crop,
        field_name=field_name,
        machine=machine_name,
    )
    return _by_machine(whole, machine)


def _ordered(clock: LogClock, dates: Mapping[str, tuple[str, bool]]) -> LogClock:
    """Give the reason for the order of day and month with the clock."""
    findings = []
    for found in clock.findings:
        for column, (why, guess) in dates.items():
            if column in found.column.split(" + "):
                found = replace(found, why=why, assumed=found.assumed or guess)
        findings.append(found)
    return replace(clock, findings=tuple(findings))


def _clock(
    bound: BoundColumns, lon: np.ndarray, lat: np.ndarray, name: str, told: Told
) -> LogClock:
    """Return the clock of the rows, those of one second told apart."""
    more = ClockColumns(
        gps_week=bound.column("gps_week"),
        gps_seconds=bound.column("gps_seconds"),
        parts={p: c for p in CLOCK_PARTS if (c := bound.column(p)) is not None},
    )
    clock = read_clock(
        bound.column("time"),
        bound.column("date"),
        name=name,
        n_rows=len(bound.frame),
        date_format=told.date_format,
        epoch=told.epoch,
        more=more,
    )
    if clock.kind == "order":
        return clock
    seconds, note = spread_stamps(
        clock.seconds,
        longitude=lon,
        latitude=lat,
        name=name,
        milliseconds=bound.numbers("milliseconds"),
        counter=bound.numbers("counter"),
    )
    if note is None:
        return clock
    return replace(clock, seconds=seconds, notes=(*clock.notes, note))


def _compact(column: pd.Series) -> pd.Series:
    """Return text as categories: a name repeated in every row costs one byte."""
    if pd.api.types.is_numeric_dtype(column.dtype) or column.dtype.kind in "Mb":
        return column.reset_index(drop=True)
    if isinstance(column.dtype, pd.DatetimeTZDtype):
        return column.reset_index(drop=True)
    return column.astype("str").astype("category").reset_index(drop=True)


def _usable(
    table: pd.DataFrame, name: str, dropped: int
) -> tuple[pd.DataFrame, list[Note]]:
    """Drop rows without a place or a time; refuse a log that loses too many."""
    good = table["longitude"].notna() & table["latitude"].notna()
    timed = table["seconds"].notna()
    lost = int((~(good & timed)).sum())
    total = len(table) + dropped
    if lost + dropped > limits.DROPPED_SHARE * total:
        what = "a usable place" if (~good).sum() >= (~timed).sum() else "a usable time"
        msg = f"{name}: {lost + dropped:,} of {total:,} rows are without {what}, need "
        msg += f"at least {1 - limits.DROPPED_SHARE:.0%}."
        raise InputError(msg, "look at the columns, or export the log again")
    if not lost:
        return table, []
    sentence = f"{name}: {lost:,} rows without a usable place or time were dropped."
    kept = table[good & timed].reset_index(drop=True)
    return kept, [Note("log.dropped", "info", sentence, lost, name)]


def _by_machine(log: RawLog, machine: pd.Series | None) -> list[RawLog]:
    """Part a log in which several machines are written."""
    if machine is None or machine.nunique() < 2:
        return [log]
    column = f"extra_{plain_name(str(machine.name))}"
    names = log.table[column].astype("str")
    logs = []
    for text in names.dropna().unique():
        rows = log.table[names == text].reset_index(drop=True)
        logs.append(replace(log, table=rows, part=str(text), machine=str(text)))
    return logs
