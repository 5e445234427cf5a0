"""Only plain files and folders on this computer are ever opened."""

from __future__ import annotations

import hashlib
import os
import re
import stat
from pathlib import Path

from trafficmap.core.errors import InputError

# Two or more letters before the colon, so that a Windows drive is not caught.
_DRIVER_PREFIX = re.compile(r"^[A-Za-z][A-Za-z0-9_]+:")
_CHUNK = 2**20


def real_path(path: str | Path, *, inside: Path | None = None) -> Path:
    """Return the absolute real path of an existing plain file or folder.

    Parameters
    ----------
    path : str or Path
        As a person wrote it.
    inside : Path, optional
        When given, the real place must lie in this folder, links followed.

    Returns
    -------
    Path
        Absolute, links resolved.

    Raises
    ------
    InputError
        It is an address or names a driver, is missing, is a link to nothing, a pipe
        or a device, leads out of `inside`, or may not be read.
    """
    text = os.fspath(path)
    _refuse_addresses(text)
    name = Path(text).name or text
    if not os.path.lexists(text):
        msg = f"{name}: there is no such file or folder."
        raise InputError(msg, "look for a typing error in the name or the folder")
    if not Path(text).exists():
        msg = f"{name}: is a link to something that is not there."
        raise InputError(msg, "give the file itself")
    real = Path(text).resolve()
    mode = real.stat().st_mode
    if not (stat.S_ISREG(mode) or stat.S_ISDIR(mode)):
        msg = f"{name}: is a pipe or a device, need a plain file."
        raise InputError(msg, "save the log as a file first")
    if inside is not None and not real.is_relative_to(Path(inside).resolve()):
        msg = f"{name}: is a link that leads out of the folder {Path(inside).name}."
        raise InputError(msg, "copy the file into the folder, or write its whole path")
    if not os.access(real, os.R_OK):
        msg = f"{name}: may not be read by this user."
        raise InputError(msg, "change the permissions of the file")
    return real


def real_file(path: str | Path, *, inside: Path | None = None) -> Path:
    """Return the absolute real path of an existing, not empty, plain file.

    Raises
    ------
    InputError
        As `real_path`, or it is a folder, or it is empty.
    """
    real = real_path(path, inside=inside)
    name = Path(os.fspath(path)).name
    if real.is_dir():
        msg = f"{name}: is a folder, need a file."
        raise InputError(msg, "name the file in it")
    if real.stat().st_size == 0:
        msg = f"{name}: is empty."
        raise InputError(msg, "copy the file again from the machine or the stick")
    return real


def content_sha256(path: str | Path) -> str:
    """Return the SHA-256 of the bytes of a file, or of the files of a folder.

    A folder counts with the names below it, so that two copies in different places
    give the same text.
    """
    real = real_path(path)
    if real.is_file():
        return _file_digest(real).hexdigest()
    whole = hashlib.sha256()
    for member in sorted(p for p in real.rglob("*") if p.is_file()):
        whole.update(member.relative_to(real).as_posix().encode() + b"\0")
        whole.update(_file_digest(member).digest())
    return whole.hexdigest()


def _refuse_addresses(text: str) -> None:
    if "\0" in text:
        msg = f"{text!r}: holds a character no file name may have."
        raise InputError(msg, "write the name of a file on this computer")
    virtual = text.replace("\\", "/").lower().startswith("/vsi")
    driver = _DRIVER_PREFIX.match(text) and not os.path.lexists(text)
    if virtual or "://" in text or driver:
        msg = f"{text}: is an address or names a driver, need a file on this computer."
        raise InputError(msg, "download the file and give its place on the disk")


def _file_digest(path: Path):
    digest = hashlib.sha256()
    with open(path, "rb") as stream:
        while block := stream.read(_CHUNK):
            digest.update(block)
    return digest
