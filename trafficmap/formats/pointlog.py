"""A table of points, from text or from shapes, as `RawLog`: which column is what.

Columns are known by their name first and by their values second; what a person told
comes before both. Every guess is a Finding with its reason.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

from trafficmap.core import limits
from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.formats.clocks import read_clock
from trafficmap.formats.headers import (
    LOG_FIELDS,
    Heading,
    nearest,
    plain_name,
    score,
)
from trafficmap.formats.places import read_places
from trafficmap.formats.rawlog import Finding, RawLog
from trafficmap.formats.sampling import is_mostly_numbers
from trafficmap.formats.signals import Motion, Signals

_PLACES = ("longitude", "latitude", "easting", "northing")
_TEXTS = ("machine", "crop", "field")
_SIGNALS = ("speed", "heading", "altitude", "fix_quality", "width", "work_state",
            "mass_flow", "tank_mass", "moisture", "application_rate")  # fmt: skip


@dataclass(frozen=True)
class Told:
    """What a person said about a file; it comes before anything found.

    ``columns`` maps our names to headings, ``units`` our names to units.
    """

    columns: Mapping[str, str] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    date_format: str | None = None
    epoch: str | date | None = None
    epsg: int | None = None


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
    bound = _bind(frame, headings, told, name)
    found: list[Note] = [*notes, *bound.notes]
    x, y = bound.place_columns(name)
    projected = bound.has("easting") and bound.is_place("easting")
    lon, lat, more = read_places(x, y, name=name, epsg=told.epsg, projected=projected)
    found += more
    clock = read_clock(
        bound.column("time"),
        bound.column("date"),
        name=name,
        n_rows=len(frame),
        date_format=told.date_format,
        epoch=told.epoch,
    )
    motion = Motion.between(lon, lat, clock.seconds, clock.kind)
    signals = Signals(bound.columns, bound.units(told, name), motion, name)
    columns = {
        "longitude": lon,
        "latitude": lat,
        "seconds": clock.seconds,
        "row": line.astype(np.int64),
        **{signal: signals.read(signal) for signal in _SIGNALS},
    }
    table = pd.DataFrame(columns)
    for extra in bound.unused():
        table[f"extra_{extra}"] = _compact(bound.frame[extra])
    table, lost = _usable(table, name, dropped)
    found += [*clock.notes, *signals.notes, *lost]
    findings = (*bound.place_findings(lon), *clock.findings, *signals.findings)
    findings = tuple(bound.marked(finding) for finding in findings)
    whole = RawLog(
        table=table,
        kind=kind,
        path=path,
        clock=clock.kind,
        findings=findings,
        notes=tuple(found),
        crop=bound.single_text("crop"),
        field_name=bound.single_text("field"),
        machine=bound.single_text("machine"),
    )
    return _by_machine(whole, bound.column("machine"))


@dataclass(frozen=True)
class _Bound:
    """The table with its columns under unique plain names, and which is which."""

    frame: pd.DataFrame
    headings: dict[str, Heading]
    columns: dict[str, pd.Series]
    sources: dict[str, str]
    guessed: frozenset[str]
    told: frozenset[str]
    notes: tuple[Note, ...]

    def has(self, target: str) -> bool:
        return target in self.sources

    def is_place(self, target: str) -> bool:
        return target in self.sources and "longitude" not in self.sources

    def column(self, target: str) -> pd.Series | None:
        return self.columns.get(target)

    def place_columns(self, name: str) -> tuple[pd.Series, pd.Series]:
        for east, north in (("longitude", "latitude"), ("easting", "northing")):
            if east in self.columns and north in self.columns:
                return self.columns[east], self.columns[north]
        missing = "latitude" if "longitude" in self.columns else "longitude"
        texts = [heading.text for heading in self.headings.values()]
        near = nearest(missing, texts)
        msg = f"{name}: no column for the {missing} was found; the nearest name is "
        msg += f"{near!r}. The columns are {', '.join(texts[:12])}."
        hint = f"columns = {{longitude = {texts[0]!r}, latitude = {texts[-1]!r}}}"
        raise InputError(msg, f"say which it is at this log, as {hint}")

    def units(self, told: Told, name: str) -> dict[str, str]:
        units = {f: self.headings[s].unit for f, s in self.sources.items()}
        unknown = set(told.units) - set(LOG_FIELDS)
        if unknown:
            wrong = sorted(unknown)[0]
            near = nearest(wrong, list(LOG_FIELDS))
            msg = f"{name}: units name {wrong!r}; the nearest known is {near!r}."
            raise InputError(msg, f"need one of {', '.join(LOG_FIELDS)}")
        return units | dict(told.units)

    def unused(self) -> list[str]:
        used = {s for f, s in self.sources.items() if f in (*_PLACES, *_SIGNALS)}
        used |= {s for f, s in self.sources.items() if f in ("time", "date")}
        return [column for column in self.frame.columns if column not in used]

    def single_text(self, target: str) -> str:
        """Return the one text that stands in a column, "" where there are several."""
        column = self.columns.get(target)
        if column is None:
            return ""
        texts = column.dropna().unique()
        return str(texts[0]).strip() if len(texts) == 1 else ""

    def place_findings(self, lon: np.ndarray) -> list[Finding]:
        share = float(np.isfinite(lon).mean())
        return [
            Finding(f, str(self.columns[f].name), self.headings[s].unit or "deg",
                    "as named", share=share)
            for f, s in self.sources.items()
            if f in _PLACES
        ]  # fmt: skip

    def marked(self, finding: Finding) -> Finding:
        """Return a finding that says when its column was told or only guessed."""
        if finding.field in self.told:
            return replace(finding, why=f"column as told; {finding.why}")
        if finding.field in self.guessed:
            why = f"the column's name begins like it; {finding.why}"
            return replace(finding, why=why, assumed=True)
        return finding


def _bind(
    frame: pd.DataFrame, headings: tuple[Heading, ...], told: Told, name: str
) -> _Bound:
    """Decide which column is which of our fields."""
    plain = _unique([heading.whole for heading in headings])
    table = frame.set_axis(plain, axis=1)
    by_name = dict(zip(plain, headings, strict=True))
    sources = _told_columns(told, by_name, name)
    said = frozenset(sources)
    guessed: set[str] = set()
    notes: list[Note] = []
    for points in (3, 2, 1):
        for target in LOG_FIELDS.values():
            if target.name in sources:
                continue
            candidates = [
                column
                for column in plain
                if column not in sources.values()
                and score(by_name[column], target) == points
                and _plausible(table[column], target.name)
            ]
            if len(candidates) > 1:
                exact = [c for c in candidates if by_name[c].name == target.words[0]]
                candidates = exact if len(exact) == 1 else candidates
            if len(candidates) > 1:
                notes.append(_unclear(candidates, target.name, by_name, name))
                continue
            if candidates:
                sources[target.name] = candidates[0]
                if points < 3:
                    guessed.add(target.name)
    if "longitude" in sources or "latitude" in sources:
        _complete_pair(sources)
    columns = {f: table[s].rename(by_name[s].text) for f, s in sources.items()}
    return _Bound(
        table, by_name, columns, sources, frozenset(guessed), said, tuple(notes)
    )


def _told_columns(told: Told, by_name: dict[str, Heading], name: str) -> dict[str, str]:
    sources = {}
    for target, wanted in told.columns.items():
        if target not in LOG_FIELDS:
            near = nearest(target, list(LOG_FIELDS))
            msg = f"{name}: columns name {target!r}; the nearest known is {near!r}."
            raise InputError(msg, f"need one of {', '.join(LOG_FIELDS)}")
        matches = [
            column
            for column, heading in by_name.items()
            if wanted in (heading.text, column) or plain_name(wanted) == column
        ]
        if not matches:
            texts = [heading.text for heading in by_name.values()]
            msg = f"{name}: has no column {wanted!r} for {target}; the nearest name is "
            msg += f"{nearest(wanted, texts)!r}."
            raise InputError(msg, "write the column's name as it stands in the file")
        sources[target] = matches[0]
    return sources


def _plausible(column: pd.Series, target: str) -> bool:
    """Tell whether the values can be what the name says."""
    if target in _TEXTS:
        return bool(column.notna().any())
    if column.isna().all():
        return False
    if target == "work_state":
        return column.nunique() <= 2
    if target in ("latitude", "longitude", "easting", "northing", "time", "date"):
        return True
    return is_mostly_numbers(column)


def _complete_pair(sources: dict[str, str]) -> None:
    """Degrees win over metres where a file has both."""
    if "longitude" in sources and "latitude" in sources:
        sources.pop("easting", None)
        sources.pop("northing", None)


def _unclear(candidates, target: str, by_name, name: str) -> Note:
    texts = [by_name[c].text for c in candidates]
    if target in ("longitude", "latitude"):
        msg = f"{name}: {' and '.join(texts)} can both be the {target}."
        raise InputError(msg, f"write columns = {{{target} = {texts[0]!r}}}")
    sentence = (
        f"{name}: {' and '.join(texts)} can both be the {target.replace('_', ' ')}; "
        f'none was taken. Write columns = {{{target} = "{texts[0]}"}} at this log.'
    )
    return Note("log.unclear_column", "check", sentence, len(texts), name)


def _unique(names: list[str]) -> list[str]:
    """Give nameless columns a name."""
    return [name or f"column_{k + 1}" for k, name in enumerate(names)]


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
