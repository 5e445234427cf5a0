"""Long XML files read piece by piece: bounded, without document types, and forgiving.

A track is often cut off, since the phone that wrote it died. What came before the cut
is sound and is kept; the reader says at which byte it stopped.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO
from xml.parsers import expat

from trafficmap.core import limits
from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note

_PIECE = 2**18
_OLD_CODE = "iso-8859-1"
_LETTERS = expat.errors.codes[expat.errors.XML_ERROR_INVALID_TOKEN]


@dataclass(frozen=True)
class XmlHandlers:
    """What is called for the begin, the text and the end of elements.

    Names come in lower case and without their prefix, as ``trkpt``. ``start`` gets the
    name and the attributes, ``end`` the name, ``text`` pieces of text as they come.
    """

    start: Callable[[str, dict[str, str]], None]
    end: Callable[[str], None]
    text: Callable[[str], None]


def stream_xml(
    source: Path | bytes, handlers: Callable[[], XmlHandlers], *, name: str, root: str
) -> list[Note]:
    """Read an XML file in pieces, handing over what is in it.

    Parameters
    ----------
    source : Path or bytes
        A file that was looked at by `formats.paths.real_file`, or its content.
    handlers : callable
        Makes the handlers, fresh for each attempt: a file whose letters are not what
        it says is read a second time.
    name : str
        How to call it in sentences.
    root : str
        Name the root element must have, in lower case.

    Returns
    -------
    list of Note
        That it breaks off, and at which byte; that its letters are of an old kind.

    Raises
    ------
    InputError
        It is too long, has a document type, is nested too deep, has an attribute or a
        text beyond `core.limits`, has another root, or breaks off before the root.
    """
    size = len(source) if isinstance(source, bytes) else source.stat().st_size
    if size > limits.MAX_TEXT_BYTES:
        msg = f"{name}: is larger than {limits.MAX_TEXT_BYTES / 2**30:g} GB."
        raise InputError(msg, "split it by day or by field")
    stop, odd = _run(source, handlers(), name, root, None)
    if stop is not None and odd:
        stop, _ = _run(source, handlers(), name, root, _OLD_CODE)
        sentence = f"{name}: holds letters that are not of the kind it says; it was "
        note = Note("xml.letters", "info", sentence + "read as old Western text.")
        return [note, *_cut(name, stop, size)]
    return _cut(name, stop, size)


def _cut(name: str, stop: int | None, size: int) -> list[Note]:
    if stop is None:
        return []
    rest = max(size - stop, 0)
    sentence = f"{name}: breaks off or is damaged at byte {stop:,} of {size:,}; what "
    sentence += "stands before that was read"
    if rest > size / 100:
        sentence += f", the last {rest / size:.0%} of the file was not"
    sentence += ". Copy it again if you can."
    return [Note("xml.cut", "check", sentence, where=name)]


def _run(
    source: Path | bytes, handlers: XmlHandlers, name: str, root: str, code: str | None
) -> tuple[int | None, bool]:
    """Return the byte at which the file breaks off, and whether a letter was odd."""
    parser = expat.ParserCreate(code)
    guard = _Guard(handlers, name, root)
    parser.buffer_text = True
    parser.StartElementHandler = guard.start
    parser.EndElementHandler = guard.end
    parser.CharacterDataHandler = guard.text
    # Without a document type there is nothing that could be expanded or fetched.
    parser.StartDoctypeDeclHandler = guard.refuse
    parser.EntityDeclHandler = guard.refuse
    parser.ExternalEntityRefHandler = guard.refuse
    with _opened(source) as stream:
        try:
            while piece := stream.read(_PIECE):
                parser.Parse(piece, False)
            parser.Parse(b"", True)
        except expat.ExpatError as error:
            if not guard.rooted:
                msg = f"{name}: is damaged, the XML breaks off or is wrong at line "
                msg += f"{error.lineno}."
                raise InputError(msg, "copy it again from where it came") from None
            stop = max(int(parser.ErrorByteIndex), 0)
            return stop, error.code == _LETTERS and _is_letter(source, stop)
        except (LookupError, ValueError):
            # Python has no such code page, or one of several bytes a letter.
            raise _refused(name) from None
    return None, False


class _Guard:
    """Stands between the parser and the handlers: names made plain, limits kept."""

    def __init__(self, handlers: XmlHandlers, name: str, root: str) -> None:
        self._on = handlers
        self._name = name
        self._root = root
        self._plain: dict[str, str] = {}
        self._depth = 0
        self._length = 0
        self.rooted = False

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        plain = self._plain.get(tag)
        if plain is None:
            plain = self._plain[tag] = tag.rpartition(":")[2].lower()
        self._depth += 1
        self._length = 0
        if not self.rooted:
            self._check_root(tag, plain)
        if self._depth > limits.MAX_XML_DEPTH:
            msg = f"{self._name}: its elements are nested more than "
            msg += f"{limits.MAX_XML_DEPTH} deep."
            raise InputError(msg, "export it again from the program it came from")
        for value in attributes.values():
            if len(value) > limits.MAX_XML_ATTRIBUTE:
                msg = f"{self._name}: an attribute of <{tag[:40]}> is longer than "
                msg += f"{limits.MAX_XML_ATTRIBUTE:,} characters."
                raise InputError(msg, "export it again from the program it came from")
        self._on.start(plain, attributes)

    def end(self, tag: str) -> None:
        self._depth -= 1
        self._length = 0
        self._on.end(self._plain[tag])

    def text(self, text: str) -> None:
        self._length += len(text)
        if self._length > limits.MAX_XML_BYTES:
            msg = f"{self._name}: one text in it is longer than "
            msg += f"{limits.MAX_XML_BYTES / 2**20:.0f} MB."
            raise InputError(msg, "export it again from the program it came from")
        self._on.text(text)

    def refuse(self, *_: object) -> int:
        raise _refused(self._name)

    def _check_root(self, tag: str, plain: str) -> None:
        if plain != self._root:
            msg = f"{self._name}: begins with <{tag[:40]}>, need <{self._root}>."
            raise InputError(msg, "look whether this is the right file")
        self.rooted = True


def _refused(name: str) -> InputError:
    msg = f"{name}: holds a document type or a code page that no track needs; refused, "
    msg += "since such files can read or fill a computer."
    return InputError(msg, "export it again from the program it came from")


def _opened(source: Path | bytes) -> BinaryIO:
    return io.BytesIO(source) if isinstance(source, bytes) else open(source, "rb")


def _is_letter(source: Path | bytes, at: int) -> bool:
    """Tell whether a byte beyond ASCII stands where the parser stopped."""
    with _opened(source) as stream:
        stream.seek(at)
        return any(byte >= 0x80 for byte in stream.read(4))
