"""Columns of a small table by their usual names, with the unit in the header."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.core.units import known_units, to_si
from trafficmap.formats.delimited import read_delimited
from trafficmap.formats.headers import Heading, read_heading, unit_named

_MORE = {"g/cm3": 1000.0, "kg/m3": 1.0, "MJ/m2": 1e6, "J/m2": 1.0}
FILLS = (-9999.0, -999.0, -99.0, -9999.9, -999.9, -99.9, 9999.0)
"""What stations write where nothing was measured (common practice, no source)."""


def table_columns(
    path: Path,
    *,
    told: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
) -> Columns:
    """Return the columns of a delimited text file."""
    table = read_delimited(path)
    return Columns(
        table.frame,
        name=path.name,
        headings=table.headings,
        told=told,
        units=units,
        notes=table.notes,
    )


class Columns:
    """The columns of one table, found by any of their usual names.

    Parameters
    ----------
    frame : DataFrame
        As read, the header kept.
    name : str
        What the file is called, for sentences.
    headings : sequence of Heading
        The headings taken apart, where a row of units was read; else made from the
        names of the columns.
    told : mapping
        Our name to the name in the file, where a person said so.
    units : mapping
        Our name to the unit, where a person said so.
    notes : sequence of Note
        What the reader found.
    """

    def __init__(
        self,
        frame: pd.DataFrame,
        *,
        name: str,
        headings: Sequence[Heading] = (),
        told: Mapping[str, str] | None = None,
        units: Mapping[str, str] | None = None,
        notes: Sequence[Note] = (),
    ) -> None:
        self.frame = frame
        self.notes = list(notes)
        self.name = name
        self._told = dict(told or {})
        self._units = dict(units or {})
        self._known: dict[str, tuple[str, str]] = {}
        headings = headings or [read_heading(str(text)) for text in frame.columns]
        self._units_of = {h.text: h.unit for h in headings}
        for heading in headings:
            # "t_min" is a whole name, not t in minutes; a row of units still counts.
            alone = heading.name == heading.whole
            unit = heading.unit if alone else ""
            self._known.setdefault(heading.whole, (heading.text, unit))
        for heading in headings:
            self._known.setdefault(heading.name, (heading.text, heading.unit))

    def find(self, ours: str, others: Iterable[str] = ()) -> str | None:
        """Return the column in the file that stands for `ours`, or None."""
        found = self._find(ours, others)
        return found[0] if found else None

    def text(self, ours: str, others: Iterable[str] = ()) -> pd.Series:
        """Return a column as text, empty where there is none; keys stay text."""
        column = self.require(ours, others)[0]
        values = self.frame[column]
        return values.map(key_text).astype(object)

    def number(
        self, ours: str, others: Iterable[str] = (), *, unit: str | None = None
    ) -> np.ndarray:
        """Return a column in SI, NaN where it is empty or a station's fill.

        Parameters
        ----------
        ours : str
            Our name.
        others : iterable of str
            Other usual names, without unit.
        unit : str, optional
            Taken where neither the header nor a person says one.

        Raises
        ------
        InputError
            No such column, or its unit is not known.
        """
        column, said = self.require(ours, others)
        told = self._units.get(ours)
        unit = (told and (unit_named(told) or told)) or said or unit
        if not unit:
            msg = f"{self.name}: column {column!r} does not say its unit."
            raise InputError(
                msg, f'add units = {{ {ours} = "..." }}, or put the unit in the header'
            )
        if unit not in _MORE and unit not in known_units():
            msg = f"{self.name}: {unit!r} of column {column!r} is no known unit."
            raise InputError(msg, f"use one of {', '.join([*known_units(), *_MORE])}")
        values = pd.to_numeric(self.frame[column], errors="coerce").to_numpy(float)
        values = np.where(np.isin(values, FILLS) | np.isinf(values), np.nan, values)
        return values * _MORE[unit] if unit in _MORE else to_si(values, unit)

    def unit_said(self, ours: str, others: Iterable[str] = ()) -> bool:
        """Return whether header or person names the unit of a column."""
        return bool(self._units.get(ours) or self.require(ours, others)[1])

    def require(self, ours: str, others: Iterable[str] = ()) -> tuple[str, str]:
        """Return column and unit ("" if unsaid) that stand for `ours`, or refuse."""
        found = self._find(ours, others)
        if found:
            return found
        names = [str(column) for column in self.frame.columns]
        near = difflib.get_close_matches(ours, names, n=1, cutoff=0.5)
        msg = (
            f"{self.name}: column {ours!r} is missing; found {', '.join(names[:12])}"
            f"{', ...' if len(names) > 12 else ''}."
        )
        which = f"is it {near[0]!r}? then " if near else ""
        raise InputError(msg, f"{which}rename it to {ours!r} in the first line")

    def _find(self, ours: str, others: Iterable[str]) -> tuple[str, str] | None:
        if ours in self._told:
            column = self._told[ours]
            if column not in self._units_of:
                msg = f"{self.name}: has no column {column!r}, named for {ours!r}."
                raise InputError(msg, "correct columns = { ... } in field.toml")
            return column, self._units_of[column]
        for candidate in (ours, *others):
            if candidate in self._known:
                return self._known[candidate]
        return None


def key_text(value: object) -> str:
    """Return a key as text, the same from every file.

    A table reader may have taken 0042 for the number 42, so zeros before digits fall
    away everywhere; letters and their zeros stay.

    Examples
    --------
    >>> key_text("0042"), key_text(42.0), key_text(" L138B "), key_text("0A")
    ('42', '42', 'L138B', '0A')
    """
    if value is None or (isinstance(value, float) and np.isnan(value)):
        return ""
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    text = str(value).strip()
    return text.lstrip("0") or "0" if text.isdigit() else text
