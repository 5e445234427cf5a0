"""The shape of a table of text: delimiter, decimal mark, headings, first line of data.

Found on the first lines; nothing is converted here.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from dataclasses import dataclass, replace

from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.formats.headers import Heading, plain_name, read_heading, unit_named
from trafficmap.formats.textbytes import BLANKS

NUMBER = re.compile(r"^[-+]?(\d+([.,]\d*)?|[.,]\d+)([eE][-+]?\d+)?$")

_DELIMITERS = ("\t", ";", "|", ",", "^", "~")
_HEAD_LINES = 60
_SAME_SHARE = 0.8
# A number alone in its cell cannot hold blanks; three cells are no accident.
_LEAST_BY_BLANKS = 3
_DECIMAL_COMMA = re.compile(r"^[-+]?\d+,\d+$")
_DECIMAL_POINT = re.compile(r"^[-+]?\d*\.\d+([eE][-+]?\d+)?$")
_THOUSANDS = re.compile(r"^-?\d{1,3}(,\d{3})+(\.\d+)?$")
_DATE = re.compile(r"^(\d{4}[-/]\d{1,2}[-/]\d{1,2}|\d{1,2}[./-]\d{1,2}[./-]\d{2,4})$")
_TIME = re.compile(r"^\d{1,2}:\d{2}(:\d{2}([.,]\d+)?)?([Zz]|[+-]\d{2}:?\d{2})?$")


@dataclass(frozen=True)
class Shape:
    """Delimiter, decimal mark, headings and the first line of data, from 1.

    ``heading_line`` is 0 for a file whose columns have no names.
    """

    delimiter: str
    decimal: str
    headings: tuple[Heading, ...]
    heading_line: int
    first_line: int
    notes: tuple[Note, ...]


def find_shape(head: bytes, name: str, decimal: str | None, *, bare: bool) -> Shape:
    """Return the shape of a table by its first lines.

    Parameters
    ----------
    head : bytes
        First lines as UTF-8; the last may be cut.
    name : str
        File, for sentences.
    decimal : {".", ","} or None
        As told.
    bare : bool
        Take a table without names for its columns, too.

    Raises
    ------
    InputError
        Nothing parts the lines, or no line of column names stands before the numbers.
    """
    lines = head.decode("utf-8", errors="replace").split("\n")
    if len(lines) > 1:
        lines = lines[:-1]  # empty, or cut in the middle
    lines = [line.rstrip("\r") for line in lines[:_HEAD_LINES]]
    delimiter, width = _find_delimiter(lines, name)
    rows = [cells_of(line, delimiter) for line in lines]
    notes: list[Note] = []
    at = next((k for k, row in enumerate(rows) if _is_heading(row, width)), None)
    if at is None and delimiter == BLANKS:
        at = next((k for k, r in enumerate(rows) if _is_heading(r, width - 1)), None)
    if at is None:
        if not bare or not (first := _first_numbers(rows, width)):
            msg = f"{name}: no line of column names was found before the numbers."
            raise InputError(msg, "put a first line with the names of the columns")
        headings = [read_heading(f"column {k + 1}") for k in range(width)]
        sentence = f"{name}: its columns have no names; they are numbered from 1 and "
        sentence += "known by their values only."
        notes.append(Note("text.no_heading", "check", sentence, where=name))
        first -= 1
        heading_line = 0
    else:
        headings = [read_heading(cell.strip()) for cell in rows[at]]
        if len(headings) == width + 1 and not headings[-1].text:
            headings.pop()  # only the line of names is closed by a delimiter
        if at > sum(1 for line in lines[:at] if not line.strip()):
            lines_were = "1 line before the column names was"
            if at > 1:
                lines_were = f"{at} lines before the column names were"
            sentence = f"{name}: {lines_were} skipped."
            notes.append(Note("text.preamble", "info", sentence, at, name))
        first, heading_line = at + 1, at + 1
        below = next((k for k in range(at + 1, len(rows)) if any(rows[k])), None)
        if below is not None and _is_unit_row(rows[below]):
            headings = _with_units(headings, rows[below])
            first = below + 1
            sentence = f"{name}: line {below + 1} holds units; they were used."
            notes.append(Note("text.unit_row", "info", sentence, where=name))
    if delimiter == BLANKS and len(headings) == width - 1:
        headings, more = _split_moment(headings, rows[first:], name)
        notes += more
    mark = decimal or _find_decimal(rows[first:], delimiter)
    if mark == "," and decimal is None:
        sentence = f"{name}: its numbers have a decimal comma."
        notes.append(Note("text.decimal_comma", "info", sentence, where=name))
    return Shape(
        delimiter, mark, tuple(headings), heading_line, first + 1, tuple(notes)
    )


def cells_of(line: str, delimiter: str) -> list[str]:
    """Return the cells of one line."""
    if delimiter == BLANKS:
        line, delimiter = re.sub(r"[ \t]+", "\t", line.strip()), "\t"
    try:
        return next(csv.reader([line], delimiter=delimiter), [])
    except csv.Error:
        return line.split(delimiter)


def _find_delimiter(head: list[str], name: str) -> tuple[str, int]:
    """Return the delimiter and the number of cells most lines have with it."""
    filled = [line for line in head if line.strip()]
    best = ("", 0, 0.0)
    for mark in _DELIMITERS:
        cells, share = _most_cells(filled, mark)
        if cells < 2:
            continue
        if share >= _SAME_SHARE and not _is_decimal(mark, filled, cells):
            return mark, cells
        if share > best[2]:
            best = (mark, cells, share)
    cells, share = _most_cells(filled, BLANKS)
    if cells >= _LEAST_BY_BLANKS and share > best[2] and _are_numbers(filled):
        return BLANKS, cells
    if not best[0]:
        msg = f"{name}: is no table; no comma, semicolon, tab, bar or run of blanks "
        raise InputError(msg + "parts its lines.", "export it as comma-separated text")
    return best[0], best[1]


def _most_cells(filled: list[str], mark: str) -> tuple[int, float]:
    counts = Counter(len(cells_of(line, mark)) for line in filled)
    if not counts:
        return 0, 0.0
    cells, often = max(counts.items(), key=lambda item: (item[1], item[0]))
    return cells, often / len(filled)


def _is_decimal(mark: str, filled: list[str], cells: int) -> bool:
    """Tell whether commas are decimal marks of cells that blanks part."""
    if mark != ",":
        return False
    by_blanks, share = _most_cells(filled[1:], BLANKS)
    if share < _SAME_SHARE or by_blanks < _LEAST_BY_BLANKS or cells > by_blanks + 1:
        return False
    sample = [cell for line in filled[1:] for cell in cells_of(line, BLANKS)]
    return sum(bool(_DECIMAL_COMMA.match(c)) for c in sample) * 2 > len(sample)


def _are_numbers(filled: list[str]) -> bool:
    """Tell whether most cells between blanks are numbers: prose is no table."""
    cells = [cell for line in filled[1:] for cell in cells_of(line, BLANKS)]
    good = sum(1 for c in cells if NUMBER.match(c) or _DATE.match(c) or _TIME.match(c))
    return bool(cells) and good * 2 > len(cells)


def _is_heading(cells: list[str], width: int) -> bool:
    filled = [cell.strip() for cell in cells if cell.strip()]
    numbers = sum(1 for c in filled if NUMBER.match(c) or _DATE.match(c[:10]))
    enough = len(filled) >= max(2, width - 2)
    return enough and len(cells) >= width - 1 and numbers * 4 <= len(filled)


def _first_numbers(rows: list[list[str]], width: int) -> int:
    """Return the first line of numbers, from 1, 0 for none."""
    for k, row in enumerate(rows, start=1):
        numbers = sum(1 for cell in row if NUMBER.match(cell.strip()))
        if len(row) == width and numbers * 2 >= width and width > 2:
            return k
    return 0


def _is_unit_row(cells: list[str]) -> bool:
    filled = [cell for cell in cells if cell.strip()]
    known = [cell for cell in filled if unit_named(cell)]
    wordy = [c for c in filled if not unit_named(c) and not c.strip().startswith("(")]
    numbers = any(NUMBER.match(cell.strip()) for cell in filled)
    return bool(known) and not numbers and len(wordy) <= len(known)


def _with_units(headings: list[Heading], cells: list[str]) -> list[Heading]:
    units = [unit_named(cell) for cell in cells]
    units += [""] * (len(headings) - len(units))
    return [
        replace(h, unit=unit or h.unit)
        for h, unit in zip(headings, units, strict=False)
    ]


def _split_moment(
    headings: list[Heading], rows: list[list[str]], name: str
) -> tuple[list[Heading], list[Note]]:
    """Name both halves of a time that the blank between day and hour cut in two."""
    full = [row for row in rows if len(row) == len(headings) + 1]
    for k in range(len(headings)):
        halves = [
            row for row in full if _DATE.match(row[k]) and _TIME.match(row[k + 1])
        ]
        if full and len(halves) * 2 > len(full):
            whole = headings[k]
            text = "date" if plain_name(whole.text) != "date" else "time"
            pair = [read_heading("date"), whole]
            if text == "time":
                pair = [whole, read_heading("time")]
            sentence = f"{name}: the column {whole.text!r} holds day and time with a "
            sentence += "blank between; read as two columns."
            note = Note("text.split_time", "info", sentence, where=name)
            return [*headings[:k], *pair, *headings[k + 1 :]], [note]
    return headings, []


def _find_decimal(rows: list[list[str]], delimiter: str) -> str:
    cells = [cell.strip() for row in rows for cell in row]
    commas = [cell for cell in cells if _DECIMAL_COMMA.match(cell)]
    points = sum(1 for cell in cells if _DECIMAL_POINT.match(cell))
    if delimiter == "," and all(_THOUSANDS.match(cell) for cell in commas):
        return "."  # in quotes, and commas between thousands
    return "," if len(commas) > 9 * points else "."
