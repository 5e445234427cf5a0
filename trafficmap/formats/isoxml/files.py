"""The files of a task data set, in a folder or a zip, whatever the case of names."""

from __future__ import annotations

import mmap
import re
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath

import numpy as np

from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.formats.archive import Archive, open_archive
from trafficmap.formats.paths import real_file, real_path
from trafficmap.formats.sniff import TASK_FILE_NAME, find_task_file

# Three letters and digits: a name of this form cannot lead out of the folder.
_FILE_NAME = re.compile(r"^[A-Za-z]{3}\d{1,5}$")
_LOG_FILE = re.compile(r"^(tlg\d{1,5})\.bin$")
_MAPPED_FROM = 2**20


class UntrustedError(InputError):
    """The set names a file outside its folder: nothing of it is used."""


@dataclass
class TaskFiles:
    """The files beside the task file, by lower-case name."""

    path: Path
    task_file: str
    places: dict[str, Path | str]
    archive: Archive | None = None
    notes: list[Note] = field(default_factory=list)

    def has(self, name: str) -> bool:
        """Tell whether there is a file of this name, in any case."""
        return name.lower() in self.places

    def read(self, name: str) -> bytes:
        """Return the content of a file."""
        place = self.places[name.lower()]
        if self.archive is not None:
            return self.archive.read(str(place))
        return self._real(place).read_bytes()

    def view(self, name: str) -> np.ndarray:
        """Return the bytes of a file without copying them, where it lies unpacked."""
        place = self.places[name.lower()]
        if self.archive is not None:
            return np.frombuffer(self.archive.read(str(place)), dtype=np.uint8)
        real = self._real(place)
        if real.stat().st_size < _MAPPED_FROM:
            # Mapping a small file costs more than reading it.
            return np.frombuffer(real.read_bytes(), dtype=np.uint8)
        with open(real, "rb") as stream:
            mapped = mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ)
        return np.frombuffer(mapped, dtype=np.uint8)

    def logs(self) -> list[str]:
        """Return the names of all binary time logs, as "TLG00001"."""
        found = (_LOG_FILE.match(name) for name in self.places)
        return sorted(match.group(1).upper() for match in found if match)

    @staticmethod
    def _real(place: Path | str) -> Path:
        return real_path(place, inside=Path(place).parent)


def open_task_files(path: str | Path, *, inside: str | None = None) -> TaskFiles:
    """Return the files of a task data set.

    Parameters
    ----------
    path : str or Path
        The folder (or the one above TASKDATA), a zip of it, or the task file itself.
    inside : str, optional
        Folder in a zip that holds several sets.

    Raises
    ------
    InputError
        There is no task data, or a zip holds several sets and none is chosen.
    """
    real = real_path(path)
    if real.is_dir():
        task_file = find_task_file(real)
        if task_file is None:
            msg = f"{real.name}: holds no TASKDATA.XML, need a task data folder."
            raise InputError(msg, "give the folder that TASKDATA.XML is in")
        return _open_folder(real, task_file)
    real = real_file(path)
    with open(real, "rb") as stream:
        is_zip = stream.read(2) == b"PK"
    return _open_zip(real, inside) if is_zip else _open_folder(real.parent, real)


def plain_name(name: str) -> str:
    """Return a file name from the task file, refusing one that is none."""
    if not _FILE_NAME.match(name):
        msg = f"task file: names the file {name!r}, need three letters and digits."
        raise UntrustedError(msg, "do not use this file unless you trust its sender")
    return name


def _open_folder(path: Path, task_file: Path) -> TaskFiles:
    places: dict[str, Path | str] = {}
    notes = []
    for member in sorted(task_file.parent.iterdir()):
        if not member.is_file() or member.name.startswith("._"):
            continue
        kept = places.setdefault(member.name.lower(), member)
        if kept is not member:
            sentence = (
                f"{path.name}: holds {Path(kept).name} and {member.name}, which are "
                "one file on many computers; the first was read."
            )
            notes.append(Note("iso.file_twice", "check", sentence, where=member.name))
    return TaskFiles(path, task_file.name, places, notes=notes)


def _open_zip(path: Path, inside: str | None) -> TaskFiles:
    archive = open_archive(path)
    found = {
        str(PurePosixPath(n).parent): n
        for n in archive.names
        if PurePosixPath(n).name.lower() == TASK_FILE_NAME
    }
    folders = ", ".join(found)
    if inside is not None:
        wanted = inside.strip("/") or "."
        found = {k: n for k, n in found.items() if k.casefold() == wanted.casefold()}
        if not found:
            msg = f"{path.name}: holds no task data in {inside!r}; it is in {folders}."
            raise InputError(msg, f'write layer = "{folders.split(", ")[0]}"')
    if len(found) != 1:
        if not found:
            msg = f"{path.name}: holds no TASKDATA.XML, need exactly one."
            raise InputError(msg, "pack one TASKDATA folder in a zip")
        msg = (
            f"{path.name}: holds {len(found)} task data sets, need exactly one; they "
            f"are in {folders}."
        )
        hint = f'choose one, as layer = "{next(iter(found))}" at its [[log]], or pack '
        raise InputError(msg, hint + "one TASKDATA folder in a zip")
    ((where, task_file),) = found.items()
    places: dict[str, Path | str] = {
        PurePosixPath(n).name.lower(): n
        for n in archive.names
        if str(PurePosixPath(n).parent) == where
    }
    return TaskFiles(path, PurePosixPath(task_file).name, places, archive)
