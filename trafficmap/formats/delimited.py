"""Delimited text of any kind as a table: numbers and times read from the bytes.

The file passes through memory a piece at a time. Columns of numbers and of ISO 8601
moments are read by our own kernels; what is left, by the compiled parser of pandas.
"""

from __future__ import annotations

import io
from collections import Counter, deque
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from trafficmap.core import limits
from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.formats._text_kernels import (
    EMPTY,
    FAILED,
    FRACTIONS,
    MOMENT,
    NAIVE,
    NO_MOMENT,
    NUMBER,
    WRITTEN,
    ZONED,
    parse_cells,
)
from trafficmap.formats.clocktext import date_order, day_of
from trafficmap.formats.headers import Heading
from trafficmap.formats.paths import real_file
from trafficmap.formats.sampling import sample
from trafficmap.formats.textbytes import BLANKS, Lines, TextSource
from trafficmap.formats.textshape import Shape, find_shape

MISSING = ("", "-", "--", "NaN", "nan", "NA", "N/A", "n/a", "#N/A", "null", "NULL",
           "None", "none", "?", "*")  # fmt: skip
"""Cells that mean: not known."""

_THOUSANDS = r"^-?\d{1,3}(,\d{3})+(\.\d+)?$"
_TRIAL = 2000
_AT_ONCE = 1_000_000
_DAY_US = 86_400_000_000
# The kernels run outside the interpreter's lock; more than two wait for memory.
_WORKERS = 2
# A column is read as numbers or times when nearly all cells of the trial are.
_TRIAL_SHARE = 0.9
# Text that repeats is kept once: a name in every row costs a byte or two.
_REPEATS = 0.5


@dataclass(frozen=True)
class TextTable:
    """A delimited text file as it stands, before anything is converted.

    Parameters
    ----------
    frame : DataFrame
        Columns named by their heading as written: numbers, moments (with a zone where
        the cells had one), or text.
    headings : tuple of Heading
        One a column; the unit may come from a row of units below the heading.
    line : ndarray of int64
        Line of the file each row stands on, from 1.
    notes : tuple of Note
    dropped : int
        Lines left out because they did not fit.
    dates : dict
        Heading of a column of dates whose day and month could stand in either order,
        to why they were read as they were and whether that is a guess.
    """

    frame: pd.DataFrame
    headings: tuple[Heading, ...]
    line: np.ndarray
    notes: tuple[Note, ...]
    dropped: int
    dates: dict[str, tuple[str, bool]] = field(default_factory=dict)


def read_delimited(
    path: str | Path,
    *,
    decimal: str | None = None,
    bare: bool = False,
    dates: bool = False,
    date_format: str | None = None,
) -> TextTable:
    """Read a delimited text file.

    Parameters
    ----------
    path : str or Path
    decimal : {".", ","}, optional
        Decimal mark; found from the numbers when not given.
    bare : bool
        Take a table without a line of column names, too; columns are then called
        "column 1" and so on.
    dates : bool
        Turn dates as 10/20/2026 into moments, too, where their order is beyond doubt;
        others stay text.
    date_format : {"mdy", "dmy", "ymd"}, optional
        That order as told.

    Returns
    -------
    TextTable

    Raises
    ------
    InputError
        The file holds binary zeros before its end, a line without end, no heading, no
        rows, two columns of one name, or more than `limits.DROPPED_SHARE` of its lines
        do not fit the heading.
    """
    source = TextSource(real_file(path))
    shape = find_shape(source.head(), source.name, decimal, bare=bare)
    _refuse_doubles(shape.headings, source.name)
    columns = _Columns(shape, source, dates=dates, date_format=date_format)
    count = _Count()
    with ThreadPoolExecutor(_WORKERS) as workers:
        # Pieces are converted while the next is read and cut, and joined in order.
        pending: deque[Future] = deque()
        for lines in source.lines(shape.delimiter):
            keep = count.fitting(lines, shape)
            if keep.any():
                if not columns.chosen:
                    columns.choose(lines, keep)
                pending.append(workers.submit(columns.read, lines, keep))
            if len(pending) > _WORKERS:
                columns.add(pending.popleft().result())
        for piece in pending:
            columns.add(piece.result())
    notes = count.notes(source.name, shape)
    if not columns.rows:
        msg = f"{source.name}: has a heading but no rows."
        raise InputError(msg, "export the log again, with its data")
    frame = columns.finished()
    frame, headings = _drop_empty_tail(frame, shape.headings)
    _refuse_thousands(frame, source.name)
    found = (*source.notes.values(), *notes, *shape.notes)
    return TextTable(frame, headings, count.line(), found, count.ragged, columns.orders)


@dataclass
class _Count:
    """Which lines were kept, and why the others were not."""

    body: int = 0
    ragged: int = 0
    first_ragged: int = 0
    again: int = 0
    kept: list[np.ndarray | range] = field(default_factory=list)

    def fitting(self, lines: Lines, shape: Shape) -> np.ndarray:
        """Tell which lines hold a row."""
        number = lines.number + np.arange(lines.start.size)
        length = lines.end - lines.start
        body = (number >= shape.first_line) & (length > 0)
        repeated = self._headings(lines, length, body, shape)
        need = len(shape.headings) - 1
        # One empty cell more at the end is how some monitors close every row.
        fits = lines.marks == need
        closed = lines.marks == need + 1
        if closed.any() and shape.delimiter != BLANKS:
            last = lines.raw[np.maximum(lines.end - 1, 0)]
            fits |= closed & (last == ord(shape.delimiter))
        keep = body & ~repeated & fits
        ragged = body & ~repeated & ~fits
        if ragged.any() and not self.ragged:
            self.first_ragged = int(number[ragged][0])
        self.body += int(body.sum())
        self.ragged += int(ragged.sum())
        self.again += int(repeated.sum())
        whole = keep.size > 0 and bool(keep.all())
        self.kept.append(range(number[0], number[-1] + 1) if whole else number[keep])
        return keep

    def _headings(self, lines, length, body, shape: Shape) -> np.ndarray:
        repeated = np.zeros(length.size, dtype=bool)
        if not shape.heading_line:
            return repeated
        if lines.number <= shape.heading_line < lines.number + length.size:
            self._heading = lines.bytes_of(shape.heading_line - lines.number)
        heading = self._heading
        alike = body & (length == len(heading))
        alike[alike] = lines.raw[lines.start[alike]] == heading[0]
        for k in np.flatnonzero(alike):
            repeated[k] = lines.bytes_of(k) == heading
        return repeated

    _heading: bytes = b"\n"

    def line(self) -> np.ndarray:
        """Return the line of each row kept, from 1."""
        line = np.empty(sum(map(len, self.kept)), dtype=np.int64)
        at = 0
        for part in self.kept:
            if isinstance(part, range):
                part = np.arange(part.start, part.stop)
            line[at : at + len(part)] = part
            at += len(part)
        return line

    def notes(self, name: str, shape: Shape) -> list[Note]:
        """Say what was left out; refuse a file that loses too much."""
        notes = []
        if self.again:
            sentence = f"{name}: the column names stand there {self.again} times more; "
            sentence += "joined logs. Those lines were left out."
            notes.append(Note("text.heading_again", "info", sentence, self.again, name))
        if self.ragged > limits.DROPPED_SHARE * self.body:
            msg = f"{name}: {self.ragged:,} of {self.body:,} lines have more or fewer "
            msg += f"cells than the {len(shape.headings)} columns, first line "
            msg += f"{self.first_ragged}."
            raise InputError(msg, "export the log again; look for commas in names")
        if self.ragged:
            sentence = f"{name}: {self.ragged:,} lines with more or fewer cells than "
            sentence += f"columns were dropped, first line {self.first_ragged}."
            notes.append(Note("text.ragged", "check", sentence, self.ragged, name))
        return notes


@dataclass(frozen=True)
class _Piece:
    """What was read from some lines: cells of a column, and what happened in them."""

    rows: int
    size: int
    cells: dict[int, np.ndarray]
    texts: dict[int, pd.Series]
    counts: np.ndarray


class _Columns:
    """The columns of a table, filled piece by piece."""

    def __init__(
        self, shape: Shape, source: TextSource, *, dates: bool, date_format: str | None
    ) -> None:
        self.shape = shape
        self.source = source
        self.dates = dates
        self.date_format = date_format
        self.orders: dict[str, tuple[str, bool]] = {}
        self.size = len(shape.headings)
        # Unnamed columns need a name of their own.
        self.names = [h.text or f"column {k + 1}" for k, h in enumerate(shape.headings)]
        self.kinds = np.zeros(self.size, dtype=np.int64)
        self.counts = np.zeros((self.size, 5), dtype=np.int64)
        # Numbers and moments, with room for more rows; text piece by piece.
        self.values: dict[int, np.ndarray] = {}
        self.parts: list[list] = [[] for _ in range(self.size)]
        self.rows = 0
        self.bytes_seen = 0
        self.chosen = False

    def read(self, lines: Lines, keep: np.ndarray) -> _Piece:
        """Read the rows of some lines; may run beside other pieces."""
        start, end = lines.start, lines.end
        if not keep.all():
            start, end = start[keep], end[keep]
        counts = np.zeros_like(self.counts)
        cells = self._parsed(lines.raw, start, end, self.kinds, counts)
        rest = np.flatnonzero(self.kinds == 0)
        texts = self._texts(lines, keep, rest) if rest.size else {}
        return _Piece(start.size, lines.raw.size, cells, texts, counts)

    def add(self, piece: _Piece) -> None:
        """Put the rows of the next piece below the others."""
        self.counts += piece.counts
        self.bytes_seen += piece.size
        for column, cells in piece.cells.items():
            self._room(column, piece.rows, cells.dtype)[:] = cells
        for column, text in piece.texts.items():
            self.parts[column].append(text)
        self.rows += piece.rows

    def _room(self, column: int, more: int, dtype: np.dtype) -> np.ndarray:
        """Return where the next rows of a column go; pages not used cost nothing."""
        values = self.values.get(column)
        need = self.rows + more
        if values is None or values.size < need:
            share = self.source.path.stat().st_size / max(self.bytes_seen, 1)
            size = max(need, int(need * share * 1.02) + 1000)
            grown = np.empty(max(size, need), dtype=dtype)
            if values is not None:
                grown = np.empty(max(size, need + need // 2), dtype=dtype)
                grown[: self.rows] = values[: self.rows]
            self.values[column] = values = grown
        return values[self.rows : need]

    def finished(self) -> pd.DataFrame:
        """Return the table; columns that were not what they seemed are read again."""
        # Some moments with a zone and some without, or dates with dots and slashes.
        mixed = (self.counts[:, NAIVE] > 0) & (self.counts[:, ZONED] > 0)
        bad = (self.kinds > 0) & (mixed | (self.counts[:, FAILED] > 0))
        for column in np.flatnonzero((self.kinds == WRITTEN) & ~bad).tolist():
            bad[column] = not self._settle_dates(column)
        wrong = np.flatnonzero(bad)
        if wrong.size:
            again = _Count()
            for lines in self.source.lines(self.shape.delimiter):
                keep = again.fitting(lines, self.shape)
                if keep.any():
                    for column, text in self._texts(lines, keep, wrong).items():
                        self.parts[column].append(text)
            self.kinds[wrong] = 0
            for column in wrong.tolist():
                del self.values[column]
        columns = {}
        for column, name in enumerate(self.names):
            columns[name] = self._column(column)
        return pd.DataFrame(columns, copy=False)

    def _settle_dates(self, column: int) -> bool:
        """Turn packed dates into moments where their order is beyond doubt."""
        packed = self.values[column][: self.rows]
        known = packed != NO_MOMENT
        day = packed // _DAY_US
        start = np.concatenate(([0], np.flatnonzero(np.diff(day)) + 1))
        codes = day[start][known[start]]
        if not codes.size:
            return False
        mark = "." if self.counts[column, ZONED] else "/"
        parts = pd.DataFrame(
            {
                0: (codes // 100 % 100).astype(str),
                1: mark,
                2: (codes % 100).astype(str),
                3: (codes // 10_000).astype(str),
                4: None,
            }
        )
        order, why = date_order(parts, self.date_format)
        if order is None:
            return False
        days = np.where(known[start], day_of(day[start], order), NO_MOMENT)
        length = np.diff(np.append(start, packed.size))
        packed %= _DAY_US
        packed += np.repeat(np.where(days == NO_MOMENT, 0, days) * _DAY_US, length)
        packed[np.repeat(days == NO_MOMENT, length)] = NO_MOMENT
        guess = self.date_format is None and "dots" in why
        self.orders[self.names[column]] = (why, guess)
        return True

    def choose(self, lines: Lines, keep: np.ndarray) -> None:
        """Try the first rows as numbers and as moments."""
        raw, start, end = lines.raw, lines.start[keep], lines.end[keep]
        some = np.linspace(0, start.size - 1, min(start.size, _TRIAL)).astype(np.int64)
        share = np.zeros((4, self.size))
        for kind in (NUMBER, MOMENT, WRITTEN) if self.dates else (NUMBER, MOMENT):
            counts = np.zeros((self.size, 5), dtype=np.int64)
            kinds = np.full(self.size, kind)
            self._parsed(raw, start[some], end[some], kinds, counts)
            filled = some.size - counts[:, EMPTY]
            share[kind] = 1 - counts[:, FAILED] / np.maximum(filled, 1)
        self.kinds[share[WRITTEN] >= _TRIAL_SHARE] = WRITTEN
        self.kinds[share[MOMENT] >= _TRIAL_SHARE] = MOMENT
        # An empty column can be either; NaN says so.
        self.kinds[share[NUMBER] >= _TRIAL_SHARE] = NUMBER
        self.chosen = True

    def _parsed(self, raw, start, end, kinds, counts) -> dict[int, np.ndarray]:
        """Return the numbers and moments of some lines, a column each."""
        slots = np.zeros(self.size, dtype=np.int64)
        for here in (kinds == NUMBER, kinds > NUMBER):
            slots[here] = np.arange(int(here.sum()))
        numbers = np.empty((int((kinds == NUMBER).sum()), start.size))
        moments = np.empty((int((kinds > NUMBER).sum()), start.size), dtype=np.int64)
        blanks = self.shape.delimiter == BLANKS
        parse_cells(
            raw,
            start,
            end,
            9 if blanks else ord(self.shape.delimiter),
            ord(self.shape.decimal),
            kinds,
            slots,
            _MISSING_BYTES,
            numbers,
            moments,
            counts,
        )
        return {
            column: (numbers if kinds[column] == NUMBER else moments)[slots[column]]
            for column in np.flatnonzero(kinds).tolist()
        }

    def _texts(
        self, lines: Lines, keep: np.ndarray, columns: np.ndarray
    ) -> dict[int, pd.Series]:
        """Return the other columns of some lines, by the parser of pandas."""
        blanks, name = self.shape.delimiter == BLANKS, self.source.name
        # A closing delimiter needs a name of its own.
        width = int(lines.marks[keep].max()) + 1
        try:
            frame = pd.read_csv(
                io.BytesIO(lines.select(keep)),
                sep="\t" if blanks else self.shape.delimiter,
                header=None,
                names=range(width),
                usecols=columns.tolist(),
                index_col=False,
                dtype=str,
                na_values=list(MISSING),
                keep_default_na=False,
                engine="c",
                skipinitialspace=True,
                skip_blank_lines=False,
                encoding="utf-8",
            )
        except (pd.errors.ParserError, pd.errors.EmptyDataError, ValueError) as error:
            msg = f"{name}: cannot be read as a table ({error})."
            raise InputError(msg, "export it again as comma-separated text") from None
        return {column: _folded(frame[column]) for column in columns.tolist()}

    def _column(self, column: int) -> pd.Series | np.ndarray:
        kind, counts = self.kinds[column], self.counts[column]
        if kind == NUMBER:
            values = self.values.pop(column)[: self.rows]
            whole = counts[FRACTIONS] == counts[EMPTY] == 0
            return _as_integers(values) if whole else values
        if kind > NUMBER:
            stamps = self.values.pop(column)[: self.rows]
            moments = pd.Series(stamps.view("datetime64[us]"), copy=False)
            zoned = kind == MOMENT and counts[ZONED]
            return moments.dt.tz_localize("UTC") if zoned else moments
        return _as_pandas_would(self._text(column), self.shape.decimal)

    def _text(self, column: int) -> pd.Series:
        parts, self.parts[column] = self.parts[column], []
        if len(parts) == 1:
            return parts[0]
        if all(isinstance(part.dtype, pd.CategoricalDtype) for part in parts):
            whole = pd.api.types.union_categoricals([part.array for part in parts])
            return pd.Series(whole)
        return pd.concat([part.astype("str") for part in parts], ignore_index=True)


def _as_integers(values: np.ndarray) -> np.ndarray:
    """Turn whole numbers into integers where they stand, without a second copy."""
    integers = values.view(np.int64)
    for at in range(0, values.size, _AT_ONCE):
        integers[at : at + _AT_ONCE] = values[at : at + _AT_ONCE].astype(np.int64)
    return integers


def _folded(text: pd.Series) -> pd.Series:
    """Return text with each word kept once where words repeat."""
    some = sample(text)
    if len(text) < _TRIAL or some.nunique() > _REPEATS * max(len(some), 1):
        return text
    return text.astype("category")


def _as_pandas_would(text: pd.Series, decimal: str) -> pd.Series:
    """Return numbers where every filled cell is one, else the text as it is."""
    folded = isinstance(text.dtype, pd.CategoricalDtype)
    words = pd.Series(text.cat.categories) if folded else text
    point = words.str.replace(",", ".", regex=False) if decimal == "," else words
    if not len(point) or not point.notna().any():
        return text.astype(np.float64) if not folded else text
    try:
        numbers = pd.to_numeric(point)
    except (ValueError, OverflowError):
        return text
    if not folded:
        return numbers
    values = numbers.to_numpy()[text.cat.codes]
    if text.isna().any():
        values = np.where(text.isna(), np.nan, values.astype(np.float64))
    return pd.Series(values)


def _packed(words: tuple[str, ...]) -> np.ndarray:
    """Return words as rows of bytes, the length first."""
    table = np.zeros((len(words), 1 + max(map(len, words))), dtype=np.uint8)
    for row, word in enumerate(words):
        table[row, 0] = len(word)
        table[row, 1 : 1 + len(word)] = list(word.encode())
    return table


_MISSING_BYTES = _packed(MISSING)


def _refuse_doubles(headings: tuple[Heading, ...], name: str) -> None:
    counts = Counter(h.whole for h in headings if h.whole)
    double = [whole for whole, count in counts.items() if count > 1]
    if double:
        msg = f"{name}: the column {double[0]!r} stands there twice, need it once."
        raise InputError(msg, "rename or delete one of the two columns")


def _drop_empty_tail(
    frame: pd.DataFrame, headings: tuple[Heading, ...]
) -> tuple[pd.DataFrame, tuple[Heading, ...]]:
    nameless = [
        k
        for k, h in enumerate(headings)
        if not h.text and frame.iloc[:, k].isna().all()
    ]
    if not nameless:
        return frame, headings
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
