"""The bytes of a text file as clean UTF-8, a piece of whole lines at a time."""

from __future__ import annotations

import codecs
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

import numpy as np

from trafficmap.core import limits
from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note, Severity
from trafficmap.formats._text_kernels import find_lines
from trafficmap.formats.sniff import TEXT, UNKNOWN, said, sniff_bytes

HEAD_BYTES = 65_536
PIECE = 2**24
"""Bytes read at once; a choice: memory stays small and calls stay few."""

BLANKS = " "
"""Stands for any run of blanks and tabs as the delimiter."""

_RUN_OF_BLANKS = re.compile(rb"[ \t]+")
_EDGE_BLANKS = re.compile(rb"(?m)^[ \t]+|[ \t]+$")
_UTF16_SHARE = 0.4


@dataclass(frozen=True)
class Lines:
    """Some whole lines: their bytes, where each begins and ends, its delimiters.

    ``number`` is that of the first line in the file, from 1.
    """

    raw: np.ndarray
    start: np.ndarray
    end: np.ndarray
    marks: np.ndarray
    number: int

    def bytes_of(self, row: int) -> bytes:
        """Return one line."""
        return self.raw[self.start[row] : self.end[row]].tobytes()

    def select(self, keep: np.ndarray) -> bytes:
        """Return the lines to keep, each with a line feed."""
        chosen = np.flatnonzero(keep)
        if not chosen.size:
            return b""
        # Whole runs of lines at once: dropped lines are few.
        cuts = np.flatnonzero(np.diff(chosen) > 1)
        first = chosen[np.concatenate(([0], cuts + 1))]
        last = chosen[np.concatenate((cuts, [chosen.size - 1]))]
        runs = zip(self.start[first].tolist(), self.end[last].tolist(), strict=True)
        return b"\n".join(self.raw[a:b].tobytes() for a, b in runs) + b"\n"


@dataclass
class TextSource:
    """A text file that can be read again and again, and what was odd about it."""

    path: Path
    notes: dict[str, Note] = field(default_factory=dict)
    _whole: bytes | None = None
    _mark: int = ord(",")

    @property
    def name(self) -> str:
        """File name, for sentences."""
        return self.path.name

    def head(self) -> bytes:
        """Return the first lines, and refuse what is no text."""
        size = self.path.stat().st_size
        if size > limits.MAX_TEXT_BYTES:
            msg = f"{self.name}: is larger than {limits.MAX_TEXT_BYTES / 2**30:g} GB."
            raise InputError(msg, "split it by day or by field")
        with open(self.path, "rb") as stream:
            first = stream.read(HEAD_BYTES)
        code = _utf16(first)
        if code:
            try:
                text = self.path.read_bytes().decode(code)
            except UnicodeDecodeError:
                msg = f"{self.name}: is UTF-16 text that breaks off in the middle of "
                msg += "a letter."
                raise InputError(msg, "copy the file again") from None
            self._whole = text.removeprefix("\ufeff").encode()
            self._note("text.utf16", f"{self.name}: is UTF-16 text; it was read so.")
        return next(self.pieces(), b"")[:HEAD_BYTES]

    def lines(self, delimiter: str) -> Iterator[Lines]:
        """Yield the lines of the file, a piece at a time."""
        done = 0
        self._mark = 9 if delimiter == BLANKS else ord(delimiter)
        for piece in self.pieces():
            if delimiter == BLANKS:
                piece = _RUN_OF_BLANKS.sub(b"\t", _EDGE_BLANKS.sub(b"", piece))
            raw = np.frombuffer(piece, dtype=np.uint8)
            most = int(np.count_nonzero(raw == 10)) + 1
            start, end = np.empty((2, most), dtype=np.int64)
            marks = np.empty(most, dtype=np.int32)
            count, rest = find_lines(raw, self._mark, start, end, marks)
            if rest < raw.size:  # a quote that nobody closed
                start[count], end[count], marks[count] = rest, raw.size - 1, -1
                count += 1
            lines = Lines(raw, start[:count], end[:count], marks[:count], done + 1)
            length = lines.end - lines.start
            if count and int(length.max()) > limits.MAX_TEXT_LINE:
                self._refuse_long(done + 1 + int(length.argmax()))
            yield lines
            done += count

    def pieces(self) -> Iterator[bytes]:
        """Yield the file as UTF-8 with line feeds, some whole lines at a time."""
        rest = b""
        at = 0
        with self._open() as stream:
            while True:
                more = stream.read(PIECE)
                if (zero := more.find(b"\0")) >= 0:
                    self._zeros(stream, more, zero, at + zero)
                    more = more[:zero]
                at += len(more)
                piece = rest + more
                last = not more or zero >= 0
                cut = len(piece) if last else _last_line_end(piece, self._mark)
                piece, rest = piece[:cut], piece[cut:]
                if len(rest) > PIECE + limits.MAX_TEXT_LINE:
                    self._refuse_long(0)
                if piece:
                    piece = self._as_utf8(piece)
                    yield piece if piece.endswith(b"\n") else piece + b"\n"
                if last:
                    return

    def _open(self) -> BinaryIO:
        if self._whole is not None:
            return io.BytesIO(self._whole)
        stream = open(self.path, "rb")  # noqa: SIM115
        if stream.read(3) != codecs.BOM_UTF8:
            stream.seek(0)
        return stream

    def _as_utf8(self, piece: bytes) -> bytes:
        if not piece.isascii():
            piece = self._decoded(piece)
        # A return before a line feed goes with the line; a lone one is a line end.
        if b"\r" in piece and piece.count(b"\r") != piece.count(b"\r\n"):
            piece = piece.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
        return piece

    def _decoded(self, piece: bytes) -> bytes:
        """Return a piece as UTF-8; lines of joined logs may differ in encoding."""
        try:
            piece.decode("utf-8")
        except UnicodeDecodeError:
            pass
        else:
            return piece
        lines = piece.split(b"\n")
        good = 0
        for k, line in enumerate(lines):
            if line.isascii():
                continue
            try:
                line.decode("utf-8")
                good += 1
            except UnicodeDecodeError:
                lines[k] = line.decode("cp1252", errors="replace").encode()
        if good:
            sentence = f"{self.name}: some lines are UTF-8 text and some in an old "
            sentence += "Windows encoding, as in joined logs; each was read as such."
            self._note("text.mixed_encoding", sentence)
        else:
            sentence = f"{self.name}: is text in an old Windows encoding; it was read "
            self._note("text.cp1252", sentence + "as such.")
        return b"\n".join(lines)

    def _zeros(self, stream: BinaryIO, more: bytes, zero: int, at: int) -> None:
        """Accept zeros that only fill the end of the file, as after a power cut."""
        tail = more[zero:].strip(b"\0\r\n ")
        while not tail and (block := stream.read(PIECE)):
            tail = block.strip(b"\0\r\n ")
        if not tail and at:
            count = self.path.stat().st_size - at
            sentence = f"{self.name}: ends in {count:,} binary zeros, as when power is "
            sentence += "cut while a log is written; the lines before them were read."
            self._note("text.zeros_at_end", sentence, "check")
            return
        kind = sniff_bytes(more[:HEAD_BYTES])
        if kind not in (TEXT, UNKNOWN):
            msg = f"{self.name}: is {said(kind)}, need a table as delimited text."
            raise InputError(msg, "export the table as comma-separated text")
        msg = f"{self.name}: holds a binary zero at byte {at:,}; it is damaged or no "
        raise InputError(msg + "text.", "copy the file again from the machine")

    def _refuse_long(self, line: int) -> None:
        where = f"line {line}" if line else "a line"
        msg = f"{self.name}: {where} is longer than {limits.MAX_TEXT_LINE:,} "
        msg += "characters; this is no table."
        raise InputError(msg, "export the log again as text with one row a line")

    def _note(self, code: str, sentence: str, severity: Severity = "info") -> None:
        self.notes.setdefault(code, Note(code, severity, sentence, where=self.name))


def _utf16(first: bytes) -> str:
    """Return the kind of UTF-16 some bytes are in, "" for none."""
    if first.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    half = len(first) // 2
    if half < 4:
        return ""
    even, odd = first[0::2].count(0), first[1::2].count(0)
    if odd > _UTF16_SHARE * half and not even:
        return "utf-16-le"
    return "utf-16-be" if even > _UTF16_SHARE * half and not odd else ""


def _last_line_end(piece: bytes, mark: int) -> int:
    """Return where to cut so that no line and no quoted cell is cut in two."""
    cut = piece.rfind(b"\n")
    if cut < 0:
        # Old files end lines with a return only; the last may be half of a pair.
        return piece.rfind(b"\r", 0, len(piece) - 1) + 1
    if b'"' not in piece:
        return cut + 1
    raw = np.frombuffer(piece, dtype=np.uint8)
    most = int(np.count_nonzero(raw == 10))
    start, end = np.empty((2, most), dtype=np.int64)
    marks = np.empty(most, dtype=np.int32)
    return int(find_lines(raw, mark, start, end, marks)[1])
