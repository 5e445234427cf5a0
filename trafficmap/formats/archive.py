"""Zip files from strangers: every member is checked before any is read."""

from __future__ import annotations

import lzma
import stat
import zipfile
import zlib
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from trafficmap.core import limits
from trafficmap.core.errors import InputError
from trafficmap.formats._files import write_bytes
from trafficmap.formats.paths import real_file

# Below this size the ratio says nothing: short text packs very well.
_RATIO_FROM = 2**20
_BLOCK = 2**20
_LONGEST = 255
"""Bytes of a name that every common file system takes."""

_DAMAGED = (
    zipfile.BadZipFile,
    zlib.error,
    lzma.LZMAError,
    EOFError,
    NotImplementedError,
    OSError,
)


@dataclass(frozen=True)
class Archive:
    """The checked members of a zip file.

    Parameters
    ----------
    path : Path
        The zip file.
    names : tuple of str
        Names of the files in it, without folders and leftovers of other systems.
    """

    path: Path
    names: tuple[str, ...]

    def read(self, name: str) -> bytes:
        """Return the bytes of one member.

        Raises
        ------
        InputError
            The member is not there or is damaged.
        """
        return self._bytes(name, None)

    def _bytes(self, name: str, most: int | None) -> bytes:
        if name not in self.names:
            msg = f"{self.path.name}: holds no file {name!r}."
            raise InputError(msg, "pack the folder again")
        try:
            with zipfile.ZipFile(self.path) as packed, packed.open(name) as stream:
                size = packed.getinfo(name).file_size
                return _bounded(stream, size if most is None else min(size, most))
        except _DAMAGED:
            msg = f"{self.path.name}: the file {name!r} in it is damaged."
            raise InputError(msg, "pack or copy the zip again") from None

    def head(self, name: str, *, size: int = 65_536) -> bytes:
        """Return the first bytes of one member, by which its kind is known.

        Raises
        ------
        InputError
            As `read`.
        """
        return self._bytes(name, size)

    def extract(self, folder: Path) -> list[Path]:
        """Write all members below `folder` and return their paths."""
        return [write_bytes(folder / name, self.read(name)) for name in self.names]


def open_archive(path: str | Path) -> Archive:
    """Check a zip file and return its members.

    Raises
    ------
    InputError
        It is damaged or cut off, asks for a password, holds another zip, a link, a
        name that leads out of the folder or that differs from another in case only,
        or would unpack to more than `core.limits` allows.
    """
    real = real_file(path)
    try:
        with zipfile.ZipFile(real) as packed:
            members = packed.infolist()
            _check_amount(real, members)
            kept = [m for m in members if not m.is_dir() and not _is_leftover(m)]
            for member in kept:
                _check_member(real, member)
                if _is_zip(packed, member):
                    msg = f"{real.name}: holds another zip file ({member.filename})."
                    raise InputError(msg, "unpack the inner zip and give that")
    except _DAMAGED:
        msg = f"{real.name}: is a damaged or cut-off zip file."
        raise InputError(msg, "copy it again from the stick or the mail") from None
    _check_case(real, kept)
    return Archive(real, tuple(member.filename for member in kept))


def _check_amount(path: Path, members: list[zipfile.ZipInfo]) -> None:
    total = sum(member.file_size for member in members)
    if len(members) > limits.MAX_ZIP_MEMBERS:
        msg = f"{path.name}: holds {len(members):,} files, the limit is "
        msg += f"{limits.MAX_ZIP_MEMBERS:,}."
        raise InputError(msg, "pack only the logs")
    packed = max(1, path.stat().st_size)
    swollen = total > _RATIO_FROM and total > limits.MAX_ZIP_RATIO * packed
    if total > limits.MAX_ZIP_BYTES or swollen:
        msg = f"{path.name}: would unpack to {total / 2**20:,.0f} MB from "
        msg += f"{packed / 2**20:,.1f} MB; that is too much to be a log."
        raise InputError(msg, "unpack it by hand, look at it, and give the files")


def _check_member(path: Path, member: zipfile.ZipInfo) -> None:
    # The raw name: zipfile itself already changes backslashes and cuts at NUL.
    name = member.orig_filename
    parts = PurePosixPath(name).parts
    drive = len(name) > 1 and name[1] == ":"
    if "\\" in name or "\0" in name or drive or name.startswith("/") or ".." in parts:
        msg = f"{path.name}: the name {name!r} in it leads out of the folder."
        raise InputError(msg, "do not use this file unless you trust its sender")
    if not parts or any(len(part.encode()) > _LONGEST for part in parts):
        msg = f"{path.name}: the name {name[:40]!r} in it is none a computer can write."
        raise InputError(msg, "unpack it by hand and give the files")
    if stat.S_ISLNK(member.external_attr >> 16):
        msg = f"{path.name}: the file {name!r} in it is a link."
        raise InputError(msg, "pack the file itself")
    if member.flag_bits & 0x1:
        msg = f"{path.name}: asks for a password."
        raise InputError(msg, "unpack it and give the folder")


def _check_case(path: Path, members: list[zipfile.ZipInfo]) -> None:
    seen: dict[str, str] = {}
    folders = {
        str(above).lower()
        for member in members
        for above in PurePosixPath(member.filename).parents
    }
    for member in members:
        name = member.filename
        if name.lower() in seen:
            msg = f"{path.name}: holds {seen[name.lower()]!r} and {name!r}, two names "
            msg += "that are one file on many computers."
            raise InputError(msg, "unpack it and keep one of them")
        if str(PurePosixPath(name)).lower() in folders:
            msg = f"{path.name}: {name!r} is a file and a folder in it."
            raise InputError(msg, "unpack it by hand and give the files")
        seen[name.lower()] = name


def _is_leftover(member: zipfile.ZipInfo) -> bool:
    parts = PurePosixPath(member.filename).parts
    return "__MACOSX" in parts or (bool(parts) and parts[-1].startswith("._"))


def _is_zip(packed: zipfile.ZipFile, member: zipfile.ZipInfo) -> bool:
    if member.file_size < 4:
        return False
    with packed.open(member) as stream:
        return stream.read(4) == b"PK\x03\x04"


def _bounded(stream, size: int) -> bytes:
    """Read no more than the directory promised."""
    blocks, left = [], size
    while left > 0 and (block := stream.read(min(_BLOCK, left))):
        blocks.append(block)
        left -= len(block)
    return b"".join(blocks)
