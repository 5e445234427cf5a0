"""The `new` command: a field.toml that runs as it stands and asks for what is missing.

Logs stay where they are and are named by their whole path. Whatever is guessed is
marked as a guess.
"""

from __future__ import annotations

import contextlib
import json
import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from trafficmap.core.errors import InputError, TrafficmapError
from trafficmap.field.boundary import is_task_data, settle_boundary
from trafficmap.field.guess import guess_class
from trafficmap.field.logs import shared_seconds
from trafficmap.field.strict import FILE
from trafficmap.field.template import field_toml
from trafficmap.formats._files import make_folder, write_text
from trafficmap.formats.isoxml import TaskData, read_task_data
from trafficmap.formats.logs import logs_in_zip, read_logs
from trafficmap.formats.paths import real_path
from trafficmap.formats.rawlog import RawLog

BOUNDARY = "boundary.geojson"

_ONE_SPOT = 1e-4
"""A log that never leaves so many degrees is of no drive [deg]; choice, 10 m."""


@dataclass
class Found:
    """One log for the new file: where it is and what it says.

    ``asked`` is the question that must be answered before the log can be read;
    ``raw`` is then None, or what the log says apart from its dates. ``layer`` is its
    name in a zip that holds several.
    """

    path: Path
    raw: RawLog | None
    part: str = ""
    machine: str = ""
    layer: str = ""
    asked: TrafficmapError | None = None


@dataclass
class NewField:
    """One field to be written: its name, its outline where known, its logs."""

    name: str
    outline: BaseGeometry | None = None
    logs: list[Found] = field(default_factory=list)
    machines: dict[str, tuple[str, str]] = field(default_factory=dict)


def new_field(folder: Path, logs: Sequence[str | Path]) -> list[Path]:
    """Write field.toml for some logs, one folder a field where they hold several.

    Parameters
    ----------
    folder : Path
        Where to write; made when absent. One field goes here, several into folders of
        their own below it.
    logs : sequence of path
        Logs of any kind that `formats.logs.read_logs` takes, and task data sets, whose
        field boundaries are written beside as boundary.geojson.

    Returns
    -------
    list of Path
        Every field.toml written.

    Raises
    ------
    InputError
        No log is given, one cannot be read, or a file is already there: nothing is
        ever overwritten, and then nothing at all is written.
    """
    folder = Path(folder)
    if not logs:
        msg = "new: no log is given, need at least one."
        raise InputError(msg, f"trafficmap new {folder} LOG...")
    fields = _fields([real_path(log) for log in logs], folder.resolve().name)
    places = _places(folder, fields)
    for place, _ in places:
        for name in (FILE, BOUNDARY):
            if (place / name).exists():
                msg = f"{place / name}: is already there, nothing was written."
                raise InputError(msg, "choose another folder, or move that file away")
    written = []
    for place, one in places:
        _name_machines(one)
        make_folder(place)
        if one.outline is not None:
            write_text(place / BOUNDARY, _geojson(one))
        written.append(write_text(place / FILE, field_toml(one)))
    return written


def _fields(paths: list[Path], folder_name: str) -> list[NewField]:
    """Return the fields that the logs are of."""
    known: list[NewField] = []
    loose: list[Found] = []
    for path in paths:
        if is_task_data(path):
            known += _task_fields(path)
        else:
            loose += _found(path)
    rest = NewField(folder_name)
    for found in loose:
        home = next((f for f in known if _drove_on(f.outline, found.raw)), rest)
        home.logs.append(found)
    if rest.logs:
        raws = [found.raw for found in rest.logs if found.raw is not None]
        names = {raw.field_name for raw in raws if raw.field_name}
        if len(names) == 1:
            rest.name = names.pop()
        known.append(rest)
    return known


def _found(path: Path, layer: str = "") -> list[Found]:
    """Return the logs of a file; one that cannot be read yet comes with a question."""
    inside = [] if layer else logs_in_zip(path)
    if inside:
        return [found for name in inside for found in _found(path, name)]
    try:
        logs = read_logs(path, layer=layer or None)
    except InputError as error:
        if not error.choices:
            raise
        raw = _undated(path, error, layer)
        return [Found(path, raw, asked=error, layer=layer)]
    for log in logs:
        if len(log.table) > 1 and not _moves(log):
            msg = f"{path.name}: all its places are one spot, need a log of driving."
            raise InputError(msg, "a weather station belongs into [weather]")
    several = len(logs) > 1
    return [Found(path, log, log.part if several else "", layer=layer) for log in logs]


def _undated(path: Path, error: InputError, layer: str) -> RawLog | None:
    """Return a log of dates that read two ways, for all it says apart from them."""
    for line, _ in error.choices:
        order = tomllib.loads(line).get("date_format")
        if order is None:
            return None
        with contextlib.suppress(TrafficmapError):
            logs = read_logs(path, date_format=order, layer=layer or None)
            return logs[0] if len(logs) == 1 else None
    return None


def _moves(log: RawLog) -> bool:
    """Return whether the places of a log are more than one spot."""
    reach = max(np.ptp(log.table["longitude"]), np.ptp(log.table["latitude"]))
    return bool(reach > _ONE_SPOT)


def _task_fields(path: Path) -> list[NewField]:
    """Return the fields of a task data set that were driven on."""
    data = read_task_data(path)
    raws = read_logs(path)
    if not raws:
        msg = f"{path.name}: holds no log with places."
        raise InputError(msg, "name the set that the machine sent back")
    homes: dict[str, NewField] = {}
    for raw in raws:
        identity = _partfield_of(data, raw)
        if identity not in homes:
            about = data.partfield(identity)
            name = (about.name or about.id) if about else raw.part or path.stem
            homes[identity] = NewField(name, _usable(about and about.boundary))
        part = raw.part if len(raws) > 1 else ""
        homes[identity].logs.append(Found(path, raw, part))
    return list(homes.values())


def _partfield_of(data: TaskData, raw: RawLog) -> str:
    """Return the id of the field a log was made on, or its own part for none."""
    # Where machines shared a task, the names of their logs follow it.
    part = raw.part.split(", TLG")[0]
    for task in data.tasks:
        if part in (task.name, f"{task.name} ({task.id})") and task.partfield:
            return task.partfield
    return f"\0{raw.part}"


def _usable(boundary: BaseGeometry | None) -> BaseGeometry | None:
    """Return a boundary that can be read back, mended, in degrees; else None."""
    if boundary is None:
        return None
    try:
        outline, _ = settle_boundary([boundary], name=BOUNDARY)
    except TrafficmapError:
        return None  # the file then asks for a boundary
    return shapely.transform(
        outline.geometry,
        lambda points: np.column_stack(
            outline.place.to_degrees(points[:, 0], points[:, 1])
        ),
    )


def _drove_on(outline: BaseGeometry | None, raw: RawLog | None) -> bool:
    if outline is None or raw is None:
        return False
    longitude = raw.table["longitude"].to_numpy(float)
    latitude = raw.table["latitude"].to_numpy(float)
    return bool(shapely.contains_xy(outline, longitude, latitude).any())


def _places(folder: Path, fields: list[NewField]) -> list[tuple[Path, NewField]]:
    """Return where each field goes; names that clash get a number."""
    if len(fields) == 1:
        return [(folder, fields[0])]
    taken: set[str] = set()
    places = []
    for one in fields:
        name = _free(slug(one.name, "field"), taken)
        places.append((folder / name, one))
    return places


def _name_machines(one: NewField) -> None:
    """Give each log a machine; logs that run at the same time get two machines."""
    seen: dict[str, list[Found]] = {}
    for found in one.logs:
        class_name, why = guess_class(Path(found.layer or found.path).stem, found.raw)
        said = found.raw.machine if found.raw is not None else ""
        base = slug(said or class_name.split("_")[0], "machine").lower()
        number = 1
        while True:
            name = base if number == 1 else f"{base}_{number}"
            others = seen.setdefault(name, [])
            same = one.machines.setdefault(name, (class_name, why))[0] == class_name
            if same and not any(_at_once(found, other) for other in others):
                break
            number += 1
        others.append(found)
        found.machine = name


def _at_once(one: Found, two: Found) -> bool:
    """Return whether two logs ran at the same time, so are of two machines."""
    raws = [found.raw for found in (one, two) if not found.asked and found.raw]
    if len(raws) < 2 or raws[0].clock != raws[1].clock:
        return False
    seconds = [np.sort(raw.table["seconds"].to_numpy(float)) for raw in raws]
    return shared_seconds(*seconds) > 0.0


def _geojson(one: NewField) -> str:
    """Return the outline as GeoJSON, nine decimals, names escaped."""
    geometry = shapely.geometry.mapping(one.outline)

    def rounded(value):
        if isinstance(value, (tuple, list)):
            return [rounded(item) for item in value]
        return round(float(value), 9)

    feature = {
        "type": "Feature",
        "properties": {"name": one.name},
        "geometry": {
            "type": geometry["type"],
            "coordinates": rounded(geometry["coordinates"]),
        },
    }
    whole = {"type": "FeatureCollection", "features": [feature]}
    return json.dumps(whole, ensure_ascii=False, indent=1) + "\n"


def slug(text: str, otherwise: str) -> str:
    """Return a name that is safe as a folder and as a key.

    Examples
    --------
    >>> slug("North 40 / west", "field"), slug("../..", "field")
    ('North_40_west', 'field')
    """
    plain = re.sub(r"[^A-Za-z0-9_-]+", "_", text).strip("_-")[:40]
    reserved = re.fullmatch(r"(con|prn|aux|nul|com\d|lpt\d)", plain.casefold())
    return otherwise if not plain or reserved else plain


def _free(name: str, taken: set[str]) -> str:
    number, free = 1, name
    while free.casefold() in taken:
        number += 1
        free = f"{name}_{number}"
    taken.add(free.casefold())
    return free
