"""Files named in field.toml: where they are, and the hash of each for run.json."""

from __future__ import annotations

import difflib
import hashlib
import os
from pathlib import Path, PurePath

from trafficmap.core.errors import InputError
from trafficmap.field.strict import FILE
from trafficmap.formats.paths import content_sha256, real_path

_BESIDE_SHAPEFILE = (".shx", ".dbf", ".prj", ".cpg")


class Inputs:
    """The files of one field, each hashed once, in the order they were read."""

    def __init__(self, folder: Path) -> None:
        self.folder = Path(folder)
        self._known: dict[Path, dict] = {}

    def find(self, text: str, key: str) -> Path:
        """Return the path that `key` of field.toml names, links not followed.

        Raises
        ------
        InputError
            It leaves the folder by ``..`` or by a link, is an address instead of a
            path, or is not there.
        """
        where = f"{FILE}: {key} is {text!r}"
        if "://" in text or text.lower().startswith("/vsi") or "\0" in text:
            msg = f"{where}, need a path on this computer."
            raise InputError(msg, "save the file here and name it")
        given = PurePath(text)
        if ".." in given.parts:
            msg = f"{where}, which climbs out of the folder."
            raise InputError(msg, "write the whole path, from the root on")
        path = self.folder / given
        if not os.path.lexists(path):
            msg = f"{where}, which is not there."
            raise InputError(msg, self._nearest(path) or "correct the name")
        real_path(path, inside=None if given.is_absolute() else self.folder)
        return path

    def add(self, path: Path) -> str:
        """Remember `path` as read and return the hash of its bytes.

        A folder, or a shapefile with the files beside it, counts as one input.
        """
        path = Path(path)
        if path not in self._known:
            members = [path, *_beside(path)]
            hashes = [content_sha256(member) for member in members]
            whole = hashes[0]
            if len(members) > 1:
                whole = hashlib.sha256("".join(hashes).encode()).hexdigest()
            self._known[path] = {
                "name": path.name,
                "sha256": whole,
                "bytes": sum(_size(member) for member in members),
            }
        return self._known[path]["sha256"]

    def listed(self) -> tuple[dict, ...]:
        """Return name, sha256 and bytes of every input, in the order read."""
        return tuple(dict(entry) for entry in self._known.values())

    def _nearest(self, path: Path) -> str | None:
        if not path.parent.is_dir():
            return None
        names = sorted(entry.name for entry in path.parent.iterdir())
        near = difflib.get_close_matches(path.name, names, n=1, cutoff=0.5)
        return f"look whether {near[0]!r} is meant" if near else None


def _beside(path: Path) -> list[Path]:
    """Return the files that belong to a shapefile, in a fixed order, any case."""
    if path.suffix.lower() != ".shp":
        return []
    there = {entry.name.lower(): entry for entry in path.parent.iterdir()}
    names = [path.stem.lower() + suffix for suffix in _BESIDE_SHAPEFILE]
    return [there[name] for name in names if name in there]


def _size(path: Path) -> int:
    if path.is_dir():
        return sum(entry.stat().st_size for entry in path.rglob("*") if entry.is_file())
    return path.stat().st_size
