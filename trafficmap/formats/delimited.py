"""Delimited text of any kind: encoding, delimiter, decimal mark, headings, rows.

The bulk is read by the compiled parser of pandas; what is odd about a file is found
before on its bytes, whole columns at a time.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from trafficmap.core import limits
from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.formats.headers import Heading, read_heading, unit_named
from trafficmap.formats.paths import real_file
from trafficmap.formats.sampling import sample
from trafficmap.formats.sniff import TEXT, UNKNOWN, said, sniff_bytes

MISSING = ("", "-", "--", "NaN", "nan", "NA", "N/A", "n/a", "#N/A", "null", "NULL",
           "None", "none", "?", "*")  # fmt: skip
"""Cells that mean: not known."""

_DELIMITERS = ("\t", ";", "|", ",")
_HEAD_LINES = 60
_HEAD_BYTES = 65_536
_SAME_SHARE = 0.8
_NUMBER = re.compile(r"^[-+]?(\d+([.,]\d*)?|[.,]\d+)([eE][-+]?\d+)?$")
_DECIMAL_COMMA = re.compile(r"^[-+]?\d+,\d+$")
_DECIMAL_POINT = re.compile(r"^[-+]?\d*\.\d+([eE][-+]?\d+)?$")
_THOUSANDS = r"^-?\d{1,3}(,\d{3})+(\.\d+)?$"


@dataclass(frozen=True)
class TextTable:
    """A delimited text file as it stands, before anything is converted.

    Parameters
    ----------
    frame : DataFrame
        Columns named by their heading as written.
    headings : tuple of Heading
        One a column; the unit may come from a row of units below the heading.
    line : ndarray of int64
        Line of the file each row stands on, from 1.
    notes : tuple of Note
    dropped : int
        Lines left out because they did not fit.
    """

    frame: pd.DataFrame
    headings: tuple[Heading, ...]
    line: np.ndarray
    notes: tuple[Note, ...]
    dropped: int


def read_delimited(path: str | Path, *, decimal: str | None = None) -> TextTable:
    """Read a delimited text file.

    Parameters
    ----------
    path : str or Path
    decimal : {".", ","}, optional
        Decimal mark; found from the numbers when not given.

    Returns
    -------
    TextTable

    Raises
    ------
    InputError
        The file holds binary zeros, a line without end, no heading, no rows, two
        columns of one name, or more than `limits.DROPPED_SHARE` of its lines do not
        fit the heading.
    """
    real = real_file(path)
    name = real.name
    content, notes = _as_utf8(real)
    lines = _Lines.of(content, name)
    shape = _find_shape(content, name, decimal)
    names = [heading.text for heading in shape.headings]
    _refuse_doubles(shape.headings, name)
    keep, dropped, found = _fitting_lines(content, lines, shape, name)
    notes += found + list(shape.notes)
    if not keep.any():
        msg = f"{name}: has a heading but no rows."
        raise InputError(msg, "export the log again, with its data")
    body = lines.select(content, keep)
    frame = _parse(body, shape, names, name)
    line = np.flatnonzero(keep) + 1
    if len(frame) != line.size:  # blank cells only, or a line feed inside quotes
        line = shape.first_line + np.arange(len(frame))
    frame, headings = _drop_empty_tail(frame, shape.headings)
    _refuse_thousands(frame, name)
    return TextTable(frame, headings, line.astype(np.int64), tuple(notes), dropped)


@dataclass(frozen=True)
class _Shape:
    """Delimiter, decimal mark, headings and the first line of data, from 1."""

    delimiter: str
    decimal: str
    headings: tuple[Heading, ...]
    heading_line: int
    first_line: int
    notes: tuple[Note, ...]


@dataclass(frozen=True)
class _Lines:
    """Where each line of the content begins and ends, line feeds in quotes apart."""

    start: np.ndarray
    end: np.ndarray

    @classmethod
    def of(cls, content: bytes, name: str) -> _Lines:
        raw = np.frombuffer(content, dtype=np.uint8)
        feeds = raw == 10
        if b'"' in content:
            feeds &= _outside_quotes(raw)
        end = np.flatnonzero(feeds)
        if raw.size and (end.size == 0 or end[-1] != raw.size - 1):
            end = np.append(end, raw.size)
        start = np.concatenate(([0], end[:-1] + 1))
        if end.size and int((end - start).max()) > limits.MAX_TEXT_LINE:
            msg = f"{name}: line {int((end - start).argmax()) + 1} is longer than "
            msg += f"{limits.MAX_TEXT_LINE:,} characters; this is no table."
            raise InputError(msg, "export the log again as text with one row a line")
        return cls(start, end)

    def count(self, content: bytes, mark: str) -> np.ndarray:
        """Return how often `mark` stands in each line, outside quotes."""
        raw = np.frombuffer(content, dtype=np.uint8)
        marks = raw == ord(mark)
        if b'"' in content:
            marks &= _outside_quotes(raw)
        places = np.flatnonzero(marks)
        return np.searchsorted(places, self.end) - np.searchsorted(places, self.start)

    def select(self, content: bytes, keep: np.ndarray) -> bytes:
        """Return the content of the lines to keep."""
        chosen = np.flatnonzero(keep)
        if chosen.size == chosen[-1] - chosen[0] + 1:
            return content[self.start[chosen[0]] : self.end[chosen[-1]]]
        # Whole runs of lines at once: dropped lines are few.
        cuts = np.flatnonzero(np.diff(chosen) > 1)
        first = np.concatenate(([0], cuts + 1))
        last = np.concatenate((cuts, [chosen.size - 1]))
        runs = zip(chosen[first].tolist(), chosen[last].tolist(), strict=True)
        return b"\n".join(content[self.start[a] : self.end[b]] for a, b in runs)


def _outside_quotes(raw: np.ndarray) -> np.ndarray:
    return np.bitwise_xor.accumulate((raw == 34).view(np.uint8)) == 0


def _as_utf8(path: Path) -> tuple[bytes, list[Note]]:
    """Return the content as UTF-8 with plain line feeds."""
    name = path.name
    if path.stat().st_size > limits.MAX_TEXT_BYTES:
        msg = f"{name}: is larger than {limits.MAX_TEXT_BYTES / 2**30:g} GB."
        raise InputError(msg, "split it by day or by field")
    content, notes = path.read_bytes(), []
    if content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        try:
            content = content.decode("utf-16").encode()
        except UnicodeDecodeError:
            msg = f"{name}: is UTF-16 text that breaks off in the middle of a letter."
            raise InputError(msg, "copy the file again") from None
        sentence = f"{name}: is UTF-16 text; it was read as such."
        notes.append(Note("text.utf16", "info", sentence, where=name))
    content = content.removeprefix(codecs.BOM_UTF8)
    if (at := content.find(b"\0")) >= 0:
        kind = sniff_bytes(content[:_HEAD_BYTES])
        if kind not in (TEXT, UNKNOWN):
            msg = f"{name}: is {said(kind)}, need a table as delimited text."
            raise InputError(msg, "export the table as comma-separated text")
        msg = f"{name}: holds a binary zero at byte {at:,}; it is damaged or no text."
        raise InputError(msg, "copy the file again from the machine or the stick")
    try:
        content.decode("utf-8")
    except UnicodeDecodeError:
        content = content.decode("cp1252", errors="replace").encode()
        sentence = f"{name}: is text in an old Windows encoding; it was read as such."
        notes.append(Note("text.cp1252", "info", sentence, where=name))
    if b"\r" in content:
        content = content.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    return content, notes


def _find_shape(content: bytes, name: str, decimal: str | None) -> _Shape:
    head = content[:_HEAD_BYTES].decode("utf-8", errors="replace").split("\n")
    if len(content) > _HEAD_BYTES:
        head = head[:-1]  # cut in the middle
    head = head[:_HEAD_LINES]
    delimiter, width = _find_delimiter(head, name)
    rows = [_cells(line, delimiter) for line in head]
    at = next((k for k, r in enumerate(rows) if _is_heading(r, width)), None)
    if at is None:
        msg = f"{name}: no line of column names was found before the numbers."
        raise InputError(msg, "put a first line with the names of the columns")
    headings = [read_heading(cell.strip()) for cell in rows[at]]
    if len(headings) == width + 1 and not headings[-1].text:
        headings.pop()  # only the line of names is closed by a delimiter
    notes = []
    if at > sum(1 for line in head[:at] if not line.strip()):
        sentence = f"{name}: {at} lines before the column names were skipped."
        notes.append(Note("text.preamble", "info", sentence, at, name))
    below = next((k for k in range(at + 1, len(rows)) if any(rows[k])), None)
    first = at + 1
    if below is not None and _is_unit_row(rows[below]):
        units = [unit_named(cell) for cell in rows[below]]
        units += [""] * (len(headings) - len(units))
        headings = [
            replace(h, unit=unit or h.unit)
            for h, unit in zip(headings, units, strict=False)
        ]
        first = below + 1
        sentence = f"{name}: line {below + 1} holds units; they were used."
        notes.append(Note("text.unit_row", "info", sentence, where=name))
    mark = decimal or _find_decimal(rows[first:], delimiter)
    if mark == "," and decimal is None:
        sentence = f"{name}: its numbers have a decimal comma."
        notes.append(Note("text.decimal_comma", "info", sentence, where=name))
    return _Shape(delimiter, mark, tuple(headings), at + 1, first + 1, tuple(notes))


def _find_delimiter(head: list[str], name: str) -> tuple[str, int]:
    """Return the delimiter and the number of cells most lines have with it."""
    filled = [line for line in head if line.strip()]
    best = ("", 0, 0.0)
    for mark in _DELIMITERS:
        counts = Counter(len(_cells(line, mark)) for line in filled)
        cells, often = max(counts.items(), key=lambda item: (item[1], item[0]))
        share = often / len(filled) if filled else 0.0
        if cells < 2:
            continue
        if share >= _SAME_SHARE:
            return mark, cells
        if share > best[2]:
            best = (mark, cells, share)
    if not best[0]:
        msg = f"{name}: is no table; no comma, semicolon, tab or bar parts its lines."
        raise InputError(msg, "export the log as comma-separated text")
    return best[0], best[1]


def _cells(line: str, delimiter: str) -> list[str]:
    try:
        return next(csv.reader([line], delimiter=delimiter), [])
    except csv.Error:
        return line.split(delimiter)


def _is_heading(cells: list[str], width: int) -> bool:
    filled = [cell.strip() for cell in cells if cell.strip()]
    numbers = sum(1 for cell in filled if _NUMBER.match(cell))
    enough = len(filled) >= max(2, width - 2)
    return enough and len(cells) >= width - 1 and numbers * 4 <= len(filled)


def _is_unit_row(cells: list[str]) -> bool:
    filled = [cell for cell in cells if cell.strip()]
    known = [cell for cell in filled if unit_named(cell)]
    wordy = [c for c in filled if not unit_named(c) and not c.strip().startswith("(")]
    numbers = any(_NUMBER.match(cell.strip()) for cell in filled)
    return bool(known) and not numbers and len(wordy) <= len(known)


def _find_decimal(rows: list[list[str]], delimiter: str) -> str:
    if delimiter == ",":
        return "."
    cells = [cell.strip() for row in rows for cell in row]
    commas = sum(1 for cell in cells if _DECIMAL_COMMA.match(cell))
    points = sum(1 for cell in cells if _DECIMAL_POINT.match(cell))
    return "," if commas > 9 * points else "."


def _refuse_doubles(headings: tuple[Heading, ...], name: str) -> None:
    counts = Counter(h.whole for h in headings if h.whole)
    double = [whole for whole, count in counts.items() if count > 1]
    if double:
        msg = f"{name}: the column {double[0]!r} stands there twice, need it once."
        raise InputError(msg, "rename or delete one of the two columns")


def _fitting_lines(
    content: bytes, lines: _Lines, shape: _Shape, name: str
) -> tuple[np.ndarray, int, list[Note]]:
    """Return which lines hold rows, how many were dropped, and notes."""
    marks = lines.count(content, shape.delimiter)
    length = lines.end - lines.start
    number = np.arange(1, length.size + 1)
    body = (number >= shape.first_line) & (length > 0)
    head = shape.heading_line - 1
    heading = content[lines.start[head] : lines.end[head]]
    repeated = np.zeros(length.size, dtype=bool)
    raw = np.frombuffer(content, dtype=np.uint8)
    alike = body & (length == len(heading))
    alike[alike] = raw[lines.start[alike]] == heading[0]
    for k in np.flatnonzero(alike):
        repeated[k] = content[lines.start[k] : lines.end[k]] == heading
    need = len(shape.headings) - 1
    # One empty cell more at the end is how some monitors close every row.
    fits = (marks == need) | (marks == need + 1) & _ends_with(content, lines, shape)
    ragged = body & ~repeated & ~fits
    notes = []
    if repeated.any():
        count = int(repeated.sum())
        sentence = f"{name}: the column names stand there {count} times more; joined "
        sentence += "logs. Those lines were left out."
        notes.append(Note("text.heading_again", "info", sentence, count, name))
    if ragged.any():
        count, total = int(ragged.sum()), int(body.sum())
        first = int(np.flatnonzero(ragged)[0]) + 1
        if count > limits.DROPPED_SHARE * total:
            msg = f"{name}: {count:,} of {total:,} lines have more or fewer cells than "
            msg += f"the {len(shape.headings)} columns, first line {first}."
            raise InputError(msg, "export the log again; look for commas in names")
        sentence = f"{name}: {count:,} lines with more or fewer cells than columns "
        sentence += f"were dropped, first line {first}."
        notes.append(Note("text.ragged", "check", sentence, count, name))
    return body & ~repeated & ~ragged, int(ragged.sum()), notes


def _ends_with(content: bytes, lines: _Lines, shape: _Shape) -> np.ndarray:
    raw = np.frombuffer(content, dtype=np.uint8)
    return raw[np.maximum(lines.end - 1, 0)] == ord(shape.delimiter)


def _parse(body: bytes, shape: _Shape, names: list[str], name: str) -> pd.DataFrame:
    # Unnamed columns and a closing delimiter still need a name of their own.
    columns = [text or f"column {k + 1}" for k, text in enumerate(names)]
    try:
        frame = pd.read_csv(
            io.BytesIO(body),
            sep=shape.delimiter,
            header=None,
            names=[*columns, "\0tail"],
            index_col=False,
            decimal=shape.decimal,
            na_values=list(MISSING),
            keep_default_na=False,
            engine="c",
            low_memory=False,
            skipinitialspace=True,
            encoding="utf-8",
        )
    except (pd.errors.ParserError, pd.errors.EmptyDataError, ValueError) as error:
        msg = f"{name}: cannot be read as a table ({error})."
        raise InputError(msg, "export the log again as comma-separated text") from None
    return frame.drop(columns="\0tail")


def _drop_empty_tail(
    frame: pd.DataFrame, headings: tuple[Heading, ...]
) -> tuple[pd.DataFrame, tuple[Heading, ...]]:
    nameless = [
        k
        for k, h in enumerate(headings)
        if not h.text and frame.iloc[:, k].isna().all()
    ]
    kept = [k for k in range(len(headings)) if k not in nameless]
    return frame.iloc[:, kept], tuple(headings[k] for k in kept)


def _refuse_thousands(frame: pd.DataFrame, name: str) -> None:
    for column in frame.columns:
        if not pd.api.types.is_string_dtype(frame[column].dtype):
            continue
        filled = sample(frame[column]).astype(str).str.strip()
        matched = filled.str.match(_THOUSANDS) & filled.str.contains(",")
        if filled.size and matched.mean() > 0.5:
            msg = f"{name}: the column {column!r} has commas between thousands "
            msg += f"({filled[matched].iloc[0]})."
            raise InputError(msg, "export the numbers without thousands separators")
