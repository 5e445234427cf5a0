"""The one file that is meant in a zip, taken out under the rules for archives."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path, PurePosixPath

from trafficmap.core.errors import InputError
from trafficmap.formats.archive import Archive, open_archive
from trafficmap.formats.sniff import SHAPEFILE, TEXT, sniff_bytes

# Any prose with a comma looks like a table of text; here the name has a say.
_TABLES = (".csv", ".txt", ".tsv", ".log", ".dat", ".asc")


@contextmanager
def inner_file(
    path: Path, *, kinds: tuple[str, ...], what: str
) -> Iterator[tuple[Path, str]]:
    """Give the one file of a zip that is of some kinds, and its kind, for a while.

    Parameters
    ----------
    path : Path
        The zip.
    kinds : tuple of str
        What can be used, as `formats.sniff.sniff` names it.
    what : str
        What those are called in the sentence, as "logs".

    Raises
    ------
    InputError
        As `formats.archive.open_archive`, or none or several are of these kinds.
    """
    archive = open_archive(path)
    found = {name: kind for name in archive.names if (kind := _kind(archive, name))}
    wanted = [name for name, kind in found.items() if kind in kinds]
    if len(wanted) != 1:
        listed = ", ".join(PurePosixPath(name).name for name in wanted[:6]) or "none"
        if len(wanted) > 6:
            listed += ", ..."
        msg = f"{path.name}: holds {len(wanted)} {what} ({listed}), need one."
        raise InputError(msg, f"unpack it and give the {what} one by one")
    with tempfile.TemporaryDirectory() as place:
        archive.extract(Path(place))
        inner = Path(place, *PurePosixPath(wanted[0]).parts).resolve()
        yield inner, found[wanted[0]]


def _kind(archive: Archive, name: str) -> str:
    """Return what a member is by its bytes, "" for what only stands beside another."""
    member = PurePosixPath(name)
    kind = sniff_bytes(archive.head(name))
    if kind == SHAPEFILE:
        # The index of a shapefile begins with the same bytes.
        return kind if member.suffix.lower() == ".shp" else ""
    if kind == TEXT:
        return kind if member.suffix.lower() in _TABLES else ""
    return kind
