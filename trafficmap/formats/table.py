"""Small tables a person typed or a station wrote: weather, soil horizons, readings."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import numpy as np
import pandas as pd

from trafficmap.core.notes import Note
from trafficmap.formats.clocks import parse_days
from trafficmap.formats.delimited import read_delimited
from trafficmap.formats.headers import Heading

FILLS = (-9999.0, -999.0, -99.9, -99.0, 9999.0)
"""Numbers that stations write for "not measured" (common practice, no source)."""


def read_table(
    path: str | Path, *, date_format: str | None = None, decimal: str | None = None
) -> tuple[pd.DataFrame, dict[str, str], list[Note]]:
    """Read a table of any columns.

    Parameters
    ----------
    path : str or Path
        Delimited text with a line of column names.
    date_format : {"mdy", "dmy", "ymd"}, optional
        Order of day and month where it can be read both ways.
    decimal : {".", ","}, optional
        Decimal mark, where the numbers do not show it.

    Returns
    -------
    frame : DataFrame
        Columns in lower case with underscores, a unit at the end of a name taken off;
        values as written, gaps as NaN. A column named date, or ending so, holds days.
    units : dict
        Column to unit, a name in `core.units`, where one was written.
    notes : list of Note

    Raises
    ------
    InputError
        As `formats.delimited.read_delimited`; or the dates can be read two ways.
    """
    text = read_delimited(path, decimal=decimal)
    names, units = _names(text.headings)
    frame = text.frame.set_axis(names, axis=1)
    notes = list(text.notes)
    name = Path(path).name
    for column in names:
        if column == "date" or column.endswith("_date"):
            days = parse_days(frame[column], name=name, date_format=date_format)
            frame[column] = days
        elif pd.api.types.is_numeric_dtype(frame[column].dtype):
            gaps = _fills(frame[column].to_numpy(dtype=np.float64))
            if gaps.any():
                frame[column] = frame[column].astype(np.float64).mask(gaps)
                notes.append(_fill_note(name, column, int(gaps.sum())))
    return frame, units, notes


def _names(headings: tuple[Heading, ...]) -> tuple[list[str], dict[str, str]]:
    """Return a name a column; the unit stays in where names would else be the same."""
    counts = Counter(heading.name for heading in headings)
    wholes = {heading.whole for heading in headings}
    names, units = [], {}
    for k, heading in enumerate(headings):
        # Low, representative and high stand side by side in soil surveys.
        low = heading.whole.endswith("_l") and f"{heading.whole[:-1]}h" in wholes
        alone = counts[heading.name] == 1 and not low
        name = (heading.name if alone else heading.whole) or f"column_{k + 1}"
        names.append(name)
        if heading.unit and alone:
            units[name] = heading.unit
    return names, units


def _fills(values: np.ndarray) -> np.ndarray:
    """Return which values stand for a gap: a fill far away from all the others."""
    gaps = np.zeros(values.size, dtype=bool)
    for fill in FILLS:
        here = values == fill
        if not here.any():
            continue
        rest = values[~here & ~gaps & np.isfinite(values)]
        far = rest.size == 0 or (
            rest.min() > fill / 2 if fill < 0 else rest.max() < fill / 2
        )
        if far:
            gaps |= here
    return gaps


def _fill_note(name: str, column: str, count: int) -> Note:
    sentence = f"{name}: {count:,} values in {column!r} are a station's mark for a gap."
    return Note("table.fill", "info", sentence, count, name)
