"""The list of outside names that goes with task data of version 4."""

from __future__ import annotations

from dataclasses import dataclass

from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.formats.isoxml.files import TaskFiles
from trafficmap.formats.xml import parse_xml_head

FILE = "LINKLIST.XML"
ROOT = "ISO11783LinkList"

# Link group types of the public schema ISO11783_LinkListFile_V4-3.xsd.
_KINDS = {"1": "uuid", "2": "maker", "3": "unique address", "4": "address"}


@dataclass(frozen=True)
class Link:
    """What a thing of a task data set is called elsewhere.

    Parameters
    ----------
    id : str
        Id in the task file, as "PFD-2".
    kind : str
        "uuid", "maker", "unique address", "address", or the number as written.
    value : str
        The outside name.
    space : str
        Whose name it is, as an address; may be empty.
    """

    id: str
    kind: str
    value: str
    space: str = ""


def read_links(files: TaskFiles) -> tuple[tuple[Link, ...], list[Note]]:
    """Return the outside names of a set; a damaged list costs only itself."""
    if not files.has(FILE):
        return (), []
    try:
        root, stop = parse_xml_head(files.read(FILE), name=FILE, root=ROOT)
    except InputError as error:
        sentence = f"{error.sentence} Tracks and fields do not need it."
        return (), [Note("iso.links", "info", sentence, where=FILE)]
    found = []
    for group in root.findall("LGP"):
        kind = group.get("B", "")
        for link in group.findall("LNK"):
            if link.get("A") and link.get("B"):
                found.append(
                    Link(
                        link.get("A", ""),
                        _KINDS.get(kind, kind),
                        link.get("B", ""),
                        group.get("D", ""),
                    )
                )
    if stop is None:
        return tuple(found), []
    sentence = f"{FILE}: breaks off at byte {stop:,}; what came before was kept."
    return tuple(found), [Note("iso.links", "info", sentence, where=FILE)]
