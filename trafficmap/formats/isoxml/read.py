"""Read an ISO 11783-10 task data set from a folder, a zip or its task file."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.formats.isoxml.attributes import decimal, number_code, whole
from trafficmap.formats.isoxml.devices import read_device
from trafficmap.formats.isoxml.files import (
    TaskFiles,
    UntrustedError,
    open_task_files,
    plain_name,
)
from trafficmap.formats.isoxml.layout import Layout, read_header
from trafficmap.formats.isoxml.links import read_links
from trafficmap.formats.isoxml.model import (
    Connection,
    Partfield,
    Task,
    TaskData,
    TimeSpan,
)
from trafficmap.formats.isoxml.shapes import read_boundary
from trafficmap.formats.isoxml.timelog import TimeLog, read_time_log
from trafficmap.formats.isoxml.zones import read_grid, read_zones
from trafficmap.formats.xml import parse_xml_head

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

T = TypeVar("T")

ROOT = "ISO11783_TaskData"
NEWEST_VERSION = 4
_ON_CHANGE = 8


def read_task_data(path: str | Path, *, inside: str | None = None) -> TaskData:
    """Read fields, tasks, machines and time logs of a task data set.

    Parameters
    ----------
    path : str or Path
        The folder (or the one above TASKDATA), a zip of it, or the task file itself.
    inside : str, optional
        Folder in a zip that holds several sets.

    Returns
    -------
    TaskData
        Its notes tell what was missing or odd; a log that is missing or broken costs
        that log only, and of a task file that breaks off what is complete is kept.
        A log that no task names is read as a task of its own.

    Raises
    ------
    InputError
        There is no task data, or more than one set in a zip; the task file holds
        nothing complete or names a file outside its folder.
    """
    files = open_task_files(path, inside=inside)
    root, stop = parse_xml_head(
        files.read(files.task_file), name=files.task_file, root=ROOT
    )
    notes = [*files.notes, *_root_notes(root, stop, files.task_file)]
    children = [*root, *_external(root, files, notes)]
    devices = _each(_named(children, "DVC"), read_device, notes)
    links, found = read_links(files)
    notes += found
    crops = {c.get("A", ""): c.get("B", "") for c in _named(children, "CTP")}
    partfields = _each(
        _named(children, "PFD"), lambda e: _read_partfield(e, crops, files), notes
    )
    listed = _named(children, "TSK")
    names = [plain_name(t.get("A", "")) for k in listed for t in k.findall("TLG")]
    headers = _Headers(files, [*names, *files.logs()])
    tasks = _each(listed, lambda e: _read_task(e, files, headers), notes)
    used = {n.lower() for task in tasks for n in task.log_names}
    tasks += _unnamed(files, headers, used, notes)
    return TaskData(
        path=files.path,
        version=_version(root),
        partfields=tuple(partfields),
        tasks=tuple(tasks),
        devices=tuple(devices),
        notes=tuple(notes),
        links=links,
    )


class _Headers:
    """The sound headers of a set: what a log that lost its own may be read by."""

    def __init__(self, files: TaskFiles, names: list[str]) -> None:
        self._files = files
        self._names = list(dict.fromkeys(name.lower() for name in names))
        self._found: list[tuple[str, Layout]] | None = None

    def others(self, name: str) -> list[Layout]:
        """Return the layouts of all other logs; read only when a log asks."""
        if self._found is None:
            self._found = []
            for other in self._names:
                if not (self._files.has(f"{other}.xml")):
                    continue
                try:
                    layout, _ = read_header(self._files.read(f"{other}.xml"), other)
                except InputError:
                    continue
                if not layout.open_ended:
                    self._found.append((other, layout))
        return [layout for other, layout in self._found if other != name.lower()]


def _root_notes(root: Element, stop: int | None, name: str) -> list[Note]:
    notes = []
    if stop is not None:
        if not len(root):
            msg = f"{name}: is damaged, the XML breaks off or is wrong at byte "
            msg += f"{stop:,}, before anything in it is complete."
            raise InputError(msg, "copy it again from the machine or the stick")
        sentence = (
            f"{name}: is damaged, it breaks off at byte {stop:,}; the {len(root)} "
            "entries before that were read. Fields and machines may be missing: copy "
            "it again from the machine."
        )
        notes.append(Note("iso.task_file_cut", "stop", sentence, where=name))
    version = _version(root)
    if version is not None and version[0] > NEWEST_VERSION:
        sentence = (
            f"{name}: is of version {version[0]}, newer than this program knows "
            f"({NEWEST_VERSION}); what it understands was read."
        )
        notes.append(Note("iso.version", "check", sentence, where=name))
    return notes


def _external(root: Element, files: TaskFiles, notes: list[Note]) -> list[Element]:
    """Return the elements of the files the task file pulls in."""
    pulled: list[Element] = []
    seen: set[str] = set()
    for element in root.findall("XFR"):
        name = plain_name(element.get("A", ""))
        if name.lower() in seen:
            sentence = f"{name}.XML: is pulled in twice; it was read once."
            notes.append(Note("iso.file_repeated", "info", sentence, where=name))
            continue
        seen.add(name.lower())
        if not files.has(f"{name}.xml"):
            sentence = f"{name}.XML: is named in the task file but is missing."
            notes.append(Note("iso.file_missing", "check", sentence, where=name))
            continue
        try:
            content = files.read(f"{name}.xml")
            part, stop = parse_xml_head(content, name=f"{name}.XML", root="XFC")
        except InputError as error:
            sentence = f"{error.sentence} What it holds is missing."
            notes.append(Note("iso.file_broken", "check", sentence, where=name))
            continue
        if stop is not None:
            sentence = (
                f"{name}.XML: is damaged, it breaks off at byte {stop:,}; what came "
                "before was kept."
            )
            notes.append(Note("iso.file_broken", "check", sentence, where=name))
        pulled += list(part)
    return pulled


def _each(
    elements: list[Element],
    read: Callable[[Element], tuple[T, list[Note]]],
    notes: list[Note],
) -> list[T]:
    """Read elements one by one; one that is wrong costs only itself."""
    found = []
    for element in elements:
        try:
            thing, more = read(element)
        except UntrustedError:
            raise
        except InputError as error:
            what = element.get("A", "") or element.tag
            sentence = f"{error.sentence} {what} was left out."
            notes.append(Note("iso.element_broken", "stop", sentence, where=what))
            continue
        found.append(thing)
        notes += more
    return found


def _read_partfield(
    element: Element, crops: dict[str, str], files: TaskFiles
) -> tuple[Partfield, list[Note]]:
    name = element.get("C", "").strip() or element.get("A", "")
    boundary, notes = read_boundary(element, name, files)
    partfield = Partfield(
        id=element.get("A", ""),
        name=name,
        code=element.get("B", ""),
        stated_area=decimal(element, "D"),
        boundary=boundary,
        crop=crops.get(element.get("G", ""), ""),
    )
    return partfield, notes


def _read_task(
    element: Element, files: TaskFiles, headers: _Headers
) -> tuple[Task, list[Note]]:
    notes: list[Note] = []
    name = element.get("B", "").strip() or element.get("A", "")
    spans = tuple(_read_span(child) for child in element.findall("TIM"))
    log_names = tuple(plain_name(t.get("A", "")) for t in element.findall("TLG"))
    starts = [span.start for span in spans]
    logs, log_starts = [], []
    for k, log_name in enumerate(log_names):
        log = _read_log(log_name, f"task {name!r}", files, headers, notes)
        if log is not None:
            logs.append(log)
            # Machines write one TIM a log; otherwise only the first can be trusted.
            paired = len(starts) == len(log_names)
            log_starts.append(
                starts[k] if paired else starts[0] if starts and k == 0 else ""
            )
    zones, found = read_zones(element, files)
    notes += found
    grid = None
    if (description := element.find("GRD")) is not None:
        grid, found = _read_grid_file(description, zones, files)
        notes += found
    task = Task(
        id=element.get("A", ""),
        name=name,
        partfield=element.get("E", ""),
        status=whole(element, "G"),
        spans=spans,
        log_names=log_names,
        logs=tuple(logs),
        log_starts=tuple(log_starts),
        devices=tuple(
            dict.fromkeys(c for d in element.findall("DAN") if (c := d.get("C")))
        ),
        connections=tuple(
            Connection(*(c.get(letter, "") for letter in "ABCD"))
            for c in element.findall("CNN")
        ),
        on_change=frozenset(
            number_code(d) for d in element.findall("DLT") if whole(d, "B") & _ON_CHANGE
        ),
        zones=zones,
        grid=grid,
        default_zone=whole(element, "H") if element.get("H") else None,
    )
    return task, notes


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


def _unnamed(
    files: TaskFiles, headers: _Headers, named: set[str], notes: list[Note]
) -> list[Task]:
    """Return logs that lie in the folder and no task names, a task each.

    A task file that was reset or broke off still leaves what was driven.
    """
    tasks = []
    for name in files.logs():
        if name.lower() in named:
            continue
        log = _read_log(name, "no task", files, headers, notes)
        if log is None:
            continue
        sentence = (
            f"{name}: lies in the folder but no task names it; it was read as a task "
            "of its own. Look whether it belongs to this season."
        )
        notes.append(Note("iso.log_unnamed", "check", sentence, where=name))
        tasks.append(
            Task(
                id="",
                name=name,
                partfield="",
                status=0,
                spans=(),
                log_names=(name,),
                logs=(log,),
                log_starts=("",),
            )
        )
    return tasks


def _read_log(
    name: str, whose: str, files: TaskFiles, headers: _Headers, notes: list[Note]
) -> TimeLog | None:
    """Return a log, or None with a note when it is missing or broken.

    Records without a header can still be read; a header without records cannot.
    """
    if not files.has(f"{name}.bin"):
        end = "BIN" if files.has(f"{name}.xml") else "XML"
        sentence = (
            f"{name}.{end}: is named by {whose} but is missing; "
            "what that log drove is not on the map."
        )
        notes.append(Note("iso.log_missing", "stop", sentence, where=name))
        return None
    header = files.read(f"{name}.xml") if files.has(f"{name}.xml") else None
    data = files.view(f"{name}.bin")
    if header is None and not data.size:
        sentence = f"{name}: holds no records."
        notes.append(Note("iso.log_empty", "info", sentence, where=name))
        return None
    try:
        log, found = read_time_log(
            header, data, name=name, siblings=lambda: headers.others(name)
        )
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


def _read_grid_file(description: Element, zones, files: TaskFiles):
    name = plain_name(description.get("G", ""))
    if not files.has(f"{name}.bin"):
        sentence = f"{name}.BIN: is named in the task file but is missing."
        return None, [Note("iso.grid_missing", "check", sentence, where=name)]
    try:
        return read_grid(description, zones, files.read(f"{name}.bin"), name=name)
    except InputError as error:
        sentence = f"{error.sentence} The prescription was left out; logs are read."
        return None, [Note("iso.grid_broken", "check", sentence, where=name)]


def _version(root: Element) -> tuple[int, int] | None:
    if not root.get("VersionMajor"):
        return None
    return whole(root, "VersionMajor"), whole(root, "VersionMinor")


def _named(elements: list[Element], tag: str) -> list[Element]:
    return [element for element in elements if element.tag == tag]
