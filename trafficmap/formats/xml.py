"""XML from strangers: no document type, no entities, bounded size and depth."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING
from xml.etree.ElementTree import ParseError, TreeBuilder

from defusedxml.common import DefusedXmlException
from defusedxml.ElementTree import DefusedXMLParser

from trafficmap.core import limits
from trafficmap.core.errors import InputError
from trafficmap.formats.paths import real_file

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element


def parse_xml(source: str | Path | bytes, *, name: str = "", root: str = "") -> Element:
    """Return the root element of an XML file or of its bytes.

    Parameters
    ----------
    source : str, Path or bytes
        File on this computer, or the content itself.
    name : str
        How to call it in sentences; the file name when not given.
    root : str
        Name the root element must have; any when empty.

    Raises
    ------
    InputError
        It is not well formed, has a document type, is larger or deeper than
        `core.limits` allows, or has another root.
    """
    if isinstance(source, bytes):
        content, called = source, name or "XML"
    else:
        real = real_file(source)
        called = name or real.name
        _check_size(called, real.stat().st_size)
        content = real.read_bytes()
    _check_size(called, len(content))
    parser = DefusedXMLParser(target=_BoundedBuilder(called), forbid_dtd=True)
    try:
        parser.feed(content)
        element = parser.close()
    except ParseError as error:
        line = error.position[0]
        msg = f"{called}: is damaged, the XML breaks off or is wrong at line {line}."
        raise InputError(msg, "copy it again from the machine or the stick") from None
    except (DefusedXmlException, ValueError, LookupError):
        msg = f"{called}: holds a document type or a code page that no log needs; "
        msg += "refused, since such files can read or fill a computer."
        raise InputError(msg, "export it again from the machine") from None
    if root and element.tag.rpartition("}")[2] != root:
        msg = f"{called}: begins with <{element.tag}>, need <{root}>."
        raise InputError(msg, "look whether this is the right file")
    return element


def parse_xml_head(
    content: bytes, *, name: str, root: str
) -> tuple[Element, int | None]:
    """Return the root element with what is complete in it, and where it breaks off.

    As `parse_xml`, but of a file that breaks off or is damaged the elements that ended
    before that are kept, so that a log half copied is not lost. Names of elements come
    without their namespace.

    Parameters
    ----------
    content : bytes
    name : str
        How to call it in sentences.
    root : str
        Name the root element must have.

    Returns
    -------
    element : Element
        Its children are complete ones only.
    stop : int or None
        Byte at which it breaks off, None when it is whole.

    Raises
    ------
    InputError
        As `parse_xml`; a break only where it comes before the root element.
    """
    _check_size(name, len(content))
    builder = _BoundedBuilder(name)
    parser = DefusedXMLParser(target=builder, forbid_dtd=True)
    stop: int | None = None
    try:
        parser.feed(content)
        element = parser.close()
    except ParseError as error:
        if not builder.opened:
            line = error.position[0]
            msg = f"{name}: is damaged, the XML breaks off or is wrong at line {line}."
            hint = "copy it again from the machine or the stick"
            raise InputError(msg, hint) from None
        # What is still open was never finished; only the root may be.
        element, unfinished = builder.opened[0], builder.opened[1:2]
        for child in unfinished:
            element.remove(child)
        stop = int(parser.parser.ErrorByteIndex)
    except (DefusedXmlException, ValueError, LookupError):
        msg = f"{name}: holds a document type or a code page that no log needs; "
        msg += "refused, since such files can read or fill a computer."
        raise InputError(msg, "export it again from the machine") from None
    for each in element.iter():
        each.tag = each.tag.rpartition("}")[2]
    if element.tag != root:
        msg = f"{name}: begins with <{element.tag}>, need <{root}>."
        raise InputError(msg, "look whether this is the right file")
    return element, stop


class _BoundedBuilder(TreeBuilder):
    """Build the tree and stop at the first thing beyond the limits."""

    def __init__(self, name: str) -> None:
        super().__init__()
        self._name = name
        self._depth = 0
        self.opened: list[Element] = []

    def start(self, tag, attrs):
        self._depth += 1
        if self._depth > limits.MAX_XML_DEPTH:
            msg = f"{self._name}: its elements are nested more than "
            msg += f"{limits.MAX_XML_DEPTH} deep."
            raise InputError(msg, "export it again from the machine")
        if attrs and max(map(len, attrs.values())) > limits.MAX_XML_ATTRIBUTE:
            msg = f"{self._name}: an attribute of <{tag}> is longer than "
            msg += f"{limits.MAX_XML_ATTRIBUTE:,} characters."
            raise InputError(msg, "export it again from the machine")
        element = super().start(tag, attrs)
        self.opened.append(element)
        return element

    def end(self, tag):
        self._depth -= 1
        self.opened.pop()
        return super().end(tag)


def _check_size(name: str, size: int) -> None:
    if size > limits.MAX_XML_BYTES:
        msg = f"{name}: is {size / 2**20:,.0f} MB, the limit for XML is "
        msg += f"{limits.MAX_XML_BYTES / 2**20:,.0f} MB."
        raise InputError(msg, "export fewer tasks at once")
