"""The one file that is meant in a zip, taken out under the rules for archives."""

from __future__ import annotations

import difflib
import json
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
    path: Path, *, kinds: tuple[str, ...], what: str, inside: str | None = None
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
    inside : str, optional
        Which of several is meant, by its name in the zip.

    Raises
    ------
    InputError
        As `formats.archive.open_archive`, or none or several are of these kinds and
        `inside` does not say which.
    """
    archive = open_archive(path)
    found = _members(archive, kinds)
    wanted = [name for name in found if _meant(name, found, inside)]
    if len(wanted) != 1:
        raise _not_one(path.name, list(found), what, inside)
    with tempfile.TemporaryDirectory() as place:
        archive.extract(Path(place))
        inner = Path(place, *PurePosixPath(wanted[0]).parts).resolve()
        yield inner, found[wanted[0]]


def inner_names(path: Path, *, kinds: tuple[str, ...]) -> list[str]:
    """Return what each file of some kinds in a zip is called, as `inside` takes it.

    Raises
    ------
    InputError
        As `formats.archive.open_archive`.
    """
    found = _members(open_archive(path), kinds)
    return [_called(name, list(found)) for name in found]


def _members(archive: Archive, kinds: tuple[str, ...]) -> dict[str, str]:
    """Return the files of some kinds, and the kind of each."""
    told = {name: _kind(archive, name) for name in archive.names}
    return {name: kind for name, kind in told.items() if kind in kinds}


def _called(name: str, names: list[str]) -> str:
    """Return the plain name of a member, or the whole where two are alike."""
    plain = PurePosixPath(name).name
    alike = [n for n in names if PurePosixPath(n).name.casefold() == plain.casefold()]
    return plain if len(alike) == 1 else name


def _meant(name: str, found: dict[str, str], inside: str | None) -> bool:
    if inside is None:
        return True
    wanted = inside.strip("/").casefold()
    return wanted in (name.casefold(), _called(name, list(found)).casefold())


def _not_one(
    zip_name: str, names: list[str], what: str, inside: str | None
) -> InputError:
    """Return the error for a zip that holds none of what is meant, or several."""
    called = [_called(name, names) for name in names]
    listed = ", ".join(called[:6]) or "none"
    if len(called) > 6:
        listed += ", ..."
    if not called:
        msg = f"{zip_name}: holds 0 {what} (none), need one."
        return InputError(msg, f"unpack it and give the {what} one by one")
    # Names in a zip may hold anything; as JSON they are sound TOML as well.
    lines = [f"layer = {json.dumps(name, ensure_ascii=False)}" for name in called]
    if inside is not None:
        msg = f"{zip_name}: holds no {inside!r} among its {what} ({listed})."
        near = difflib.get_close_matches(inside, called, n=1)
        line = lines[called.index(near[0])] if near else lines[0]
        return InputError(msg, f"write {line}")
    msg = f"{zip_name}: holds {len(called)} {what} ({listed}), need one."
    hint = f"name each in an entry of its own, as {' and '.join(lines[:2])}"
    choices = [
        (line, f"{name} in the zip") for line, name in zip(lines, called, strict=True)
    ]
    return InputError(msg, hint, choices=choices)


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
