"""Read an ISO 11783-10 task data set from a folder, a zip or its task file."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING

from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.formats.archive import Archive, open_archive
from trafficmap.formats.isoxml.attributes import decimal, number_code, whole
from trafficmap.formats.isoxml.devices import read_devices
from trafficmap.formats.isoxml.model import Partfield, Task, TaskData, TimeSpan
from trafficmap.formats.isoxml.shapes import read_boundary
from trafficmap.formats.isoxml.timelog import TimeLog, read_time_log
from trafficmap.formats.isoxml.zones import read_grid, read_zones
from trafficmap.formats.paths import real_file, real_path
from trafficmap.formats.sniff import TASK_FILE_NAME, find_task_file
from trafficmap.formats.xml import parse_xml

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

ROOT = "ISO11783_TaskData"
# Three letters and digits: a name of this form cannot lead out of the folder.
_FILE_NAME = re.compile(r"^[A-Za-z]{3}\d{1,5}$")
_ON_CHANGE = 8


def read_task_data(path: str | Path) -> TaskData:
    """Read fields, tasks, machines and time logs of a task data set.

    Parameters
    ----------
    path : str or Path
        The folder (or the one above TASKDATA), a zip of it, or the task file itself.

    Returns
    -------
    TaskData
        Its notes tell what was missing or odd; a log that is missing or broken costs
        that log only.

    Raises
    ------
    InputError
        There is no task data, or more than one set in a zip; the task file is damaged
        or names a file outside its folder.
    """
    files = _open(path)
    root = parse_xml(files.read(files.task_file), name=files.task_file, root=ROOT)
    notes = list(files.notes)
    children = [*root, *_external(root, files, notes)]
    devices, found = read_devices(_named(children, "DVC"))
    notes += found
    crops = {c.get("A", ""): c.get("B", "") for c in _named(children, "CTP")}
    partfields = []
    for element in _named(children, "PFD"):
        partfields.append(_read_partfield(element, crops, notes))
    tasks = [_read_task(element, files, notes) for element in _named(children, "TSK")]
    return TaskData(
        path=files.path,
        version=_version(root),
        partfields=tuple(partfields),
        tasks=tuple(tasks),
        devices=devices,
        notes=tuple(notes),
    )


@dataclass
class _Files:
    """The files beside the task file, found whatever the case of their names."""

    path: Path
    task_file: str
    places: dict[str, Path | str]
    archive: Archive | None = None
    notes: list[Note] = field(default_factory=list)

    def has(self, name: str) -> bool:
        return name.lower() in self.places

    def read(self, name: str) -> bytes:
        place = self.places[name.lower()]
        if self.archive is not None:
            return self.archive.read(str(place))
        real = real_path(place, inside=Path(place).parent)
        return real.read_bytes()


def _open(path: str | Path) -> _Files:
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
    return _open_zip(real) if is_zip else _open_folder(real.parent, real)


def _open_folder(path: Path, task_file: Path) -> _Files:
    places: dict[str, Path | str] = {}
    for member in sorted(task_file.parent.iterdir()):
        if member.is_file() and not member.name.startswith("._"):
            places.setdefault(member.name.lower(), member)
    return _Files(path, task_file.name, places)


def _open_zip(path: Path) -> _Files:
    archive = open_archive(path)
    found = [
        n for n in archive.names if PurePosixPath(n).name.lower() == TASK_FILE_NAME
    ]
    if len(found) != 1:
        count = "no TASKDATA.XML" if not found else f"{len(found)} task data sets"
        msg = f"{path.name}: holds {count}, need exactly one."
        raise InputError(msg, "pack one TASKDATA folder in a zip")
    folder = PurePosixPath(found[0]).parent
    places: dict[str, Path | str] = {
        PurePosixPath(n).name.lower(): n
        for n in archive.names
        if PurePosixPath(n).parent == folder
    }
    return _Files(path, PurePosixPath(found[0]).name, places, archive)


def _external(root: Element, files: _Files, notes: list[Note]) -> list[Element]:
    """Return the elements of the files the task file pulls in."""
    pulled: list[Element] = []
    seen: set[str] = set()
    for element in root.findall("XFR"):
        name = _file_name(element.get("A", ""))
        if name.lower() in seen:
            continue
        seen.add(name.lower())
        if not files.has(f"{name}.xml"):
            sentence = f"{name}.XML: is named in the task file but is missing."
            notes.append(Note("iso.file_missing", "check", sentence, where=name))
            continue
        content = files.read(f"{name}.xml")
        pulled += list(parse_xml(content, name=f"{name}.XML", root="XFC"))
    return pulled


def _read_partfield(
    element: Element, crops: dict[str, str], notes: list[Note]
) -> Partfield:
    name = element.get("C", "").strip() or element.get("A", "")
    boundary, found = read_boundary(element, name)
    notes += found
    return Partfield(
        id=element.get("A", ""),
        name=name,
        code=element.get("B", ""),
        stated_area=decimal(element, "D"),
        boundary=boundary,
        crop=crops.get(element.get("G", ""), ""),
    )


def _read_task(element: Element, files: _Files, notes: list[Note]) -> Task:
    name = element.get("B", "").strip() or element.get("A", "")
    spans = tuple(_read_span(child) for child in element.findall("TIM"))
    log_names = tuple(_file_name(t.get("A", "")) for t in element.findall("TLG"))
    starts = [span.start for span in spans]
    logs, log_starts = [], []
    for k, log_name in enumerate(log_names):
        log = _read_log(log_name, name, files, notes)
        if log is not None:
            logs.append(log)
            # Machines write one TIM a log; otherwise only the first can be trusted.
            paired = len(starts) == len(log_names)
            log_starts.append(
                starts[k] if paired else starts[0] if starts and k == 0 else ""
            )
    zones, found = read_zones(element)
    notes += found
    grid = None
    if (description := element.find("GRD")) is not None:
        grid, found = _read_grid_file(description, zones, files)
        notes += found
    return Task(
        id=element.get("A", ""),
        name=name,
        partfield=element.get("E", ""),
        status=whole(element, "G"),
        spans=spans,
        log_names=log_names,
        logs=tuple(logs),
        log_starts=tuple(log_starts),
        devices=tuple(c for d in element.findall("DAN") if (c := d.get("C"))),
        on_change=frozenset(
            number_code(d) for d in element.findall("DLT") if whole(d, "B") & _ON_CHANGE
        ),
        zones=zones,
        grid=grid,
        default_zone=whole(element, "H") if element.get("H") else None,
    )


def _read_span(element: Element) -> TimeSpan:
    totals = {}
    for value in element.findall("DLV"):
        if value.get("B"):
            key = (number_code(value), value.get("C", ""))
            totals[key] = whole(value, "B")
    return TimeSpan(
        start=element.get("A", ""),
        stop=element.get("B", ""),
        kind=whole(element, "D"),
        totals=totals,
    )


def _read_log(name: str, task: str, files: _Files, notes: list[Note]) -> TimeLog | None:
    """Return a log, or None with a note when it is missing or broken."""
    missing = [end for end in ("xml", "bin") if not files.has(f"{name}.{end}")]
    if missing:
        sentence = (
            f"{name}.{missing[0].upper()}: is named by task {task!r} but is missing; "
            "what that log drove is not on the map."
        )
        notes.append(Note("iso.log_missing", "stop", sentence, where=name))
        return None
    try:
        header, data = files.read(f"{name}.xml"), files.read(f"{name}.bin")
        log, found = read_time_log(header, data, name=name)
    except InputError as error:
        sentence = f"{error.sentence} What that log drove is not on the map."
        notes.append(Note("iso.log_broken", "stop", sentence, where=name))
        return None
    notes += found
    if log.n_records == 0:
        sentence = f"{name}: holds no records."
        notes.append(Note("iso.log_empty", "info", sentence, where=name))
        return None
    return log


def _read_grid_file(description: Element, zones, files: _Files):
    name = _file_name(description.get("G", ""))
    if not files.has(f"{name}.bin"):
        sentence = f"{name}.BIN: is named in the task file but is missing."
        return None, [Note("iso.grid_missing", "check", sentence, where=name)]
    return read_grid(description, zones, files.read(f"{name}.bin"), name=name)


def _file_name(name: str) -> str:
    """Return a file name from the task file, refusing one that is none."""
    if not _FILE_NAME.match(name):
        msg = f"task file: names the file {name!r}, need three letters and digits."
        raise InputError(msg, "do not use this file unless you trust its sender")
    return name


def _version(root: Element) -> tuple[int, int] | None:
    if not root.get("VersionMajor"):
        return None
    return whole(root, "VersionMajor"), whole(root, "VersionMinor")


def _named(elements: list[Element], tag: str) -> list[Element]:
    return [element for element in elements if element.tag == tag]
