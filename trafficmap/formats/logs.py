"""Any log a person has, by its bytes."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING

import numpy as np

from trafficmap.core.errors import InputError
from trafficmap.formats.archive import open_archive
from trafficmap.formats.delimited import read_delimited
from trafficmap.formats.headers import read_heading
from trafficmap.formats.isoxml import read_task_data, task_logs
from trafficmap.formats.paths import real_path
from trafficmap.formats.pointlog import Told, logs_from_points
from trafficmap.formats.sniff import TASK_DATA, TASK_FILE_NAME, TEXT, ZIP, said, sniff
from trafficmap.formats.vector import KINDS, read_features
from trafficmap.formats.xml import parse_xml

if TYPE_CHECKING:
    import geopandas as gpd

    from trafficmap.formats.rawlog import RawLog

AS_LOGGED = "as logged"
"""Told as `epoch`: the dates of the log are right, however old they look."""

_WANTED = (".shp", ".gpkg", ".geojson", ".json", ".csv", ".txt", ".tsv")
_READABLE = "delimited text, GeoPackage, shapefile, GeoJSON, ISO 11783-10 task data"


def read_logs(
    path: str | Path,
    *,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    layer: str | None = None,
    date_format: str | None = None,
    epoch: str | date | None = None,
    decimal: str | None = None,
    epsg: int | None = None,
) -> list[RawLog]:
    """Read every log in a file or folder, whatever its name ends in.

    Parameters
    ----------
    path : str or Path
        A file, or the folder of a task data set.
    columns : mapping, optional
        Which column is which where the names do not say, as ``{"speed": "spd"}``.
    units : mapping, optional
        Units where the headings do not say, as ``{"speed": "mph"}``.
    layer : str, optional
        Layer of a GeoPackage that holds several.
    date_format : {"mdy", "dmy", "ymd"}, optional
        Order of day and month where it can be read both ways.
    epoch : str or date, optional
        Start of a clock that only counts: "unix", "gps", or a date. "as logged" makes
        task data keep a date that looks as if the clock was never set.
    decimal : {".", ","}, optional
        Decimal mark, where the numbers do not show it.
    epsg : int, optional
        Code of the coordinate system of places in metres or feet.

    Returns
    -------
    list of RawLog
        One a file, a task, or a machine named in the file.

    Raises
    ------
    InputError
        It is no readable log; the sentence says what it is and what is needed.
    """
    told = Told(columns or {}, units or {}, date_format, epoch, epsg)
    real = real_path(path)
    kind = sniff(path)
    if kind == ZIP:
        return _from_zip(real, told, layer, decimal)
    return _from_kind(real, kind, told, layer, decimal)


def _from_kind(
    path: Path, kind: str, told: Told, layer: str | None, decimal: str | None
) -> list[RawLog]:
    if kind == TASK_DATA:
        return _from_task_data(path, told)
    if kind in KINDS:
        return _from_shapes(path, kind, told, layer)
    if kind == TEXT:
        text = read_delimited(path, decimal=decimal)
        return logs_from_points(
            text.frame,
            text.headings,
            line=text.line,
            path=path,
            kind=kind,
            told=told,
            notes=text.notes,
            dropped=text.dropped,
        )
    if kind == "iso11783 time log header":
        parse_xml(path, root="TIM")
        msg = f"{path.name}: is the header of one time log, need the whole set."
        raise InputError(msg, "give the folder that TASKDATA.XML is in")
    msg = f"{path.name}: is {said(kind)}, need a log as {_READABLE}."
    raise InputError(msg, "export the log as comma-separated text")


def _from_task_data(path: Path, told: Told) -> list[RawLog]:
    data = read_task_data(path)
    logs = task_logs(data, as_logged=told.epoch == AS_LOGGED)
    if not logs:
        broken = [n for n in data.notes if n.severity == "stop"]
        why = broken[0].sentence if broken else "Its tasks have no time logs."
        msg = f"{path.name}: no log in it can be used. {why}"
        raise InputError(msg, "copy the whole TASKDATA folder again from the machine")
    # What concerns the whole set goes with its first log, so that it is told once.
    first = replace(logs[0], notes=(*data.notes, *logs[0].notes))
    return [first, *logs[1:]]


def _from_shapes(path: Path, kind: str, told: Told, layer: str | None) -> list[RawLog]:
    features = read_features(path, layer=layer)
    points = _points(features, path.name)
    notes = tuple(features.attrs.get("notes", ()))
    frame = points.drop(columns=points.geometry.name)
    taken = [c for c in frame.columns if read_heading(str(c)).whole in _PLACE_NAMES]
    frame = frame.drop(columns=taken)
    frame.insert(0, "longitude", points.geometry.x.to_numpy())
    frame.insert(1, "latitude", points.geometry.y.to_numpy())
    headings = tuple(read_heading(str(column)) for column in frame.columns)
    return logs_from_points(
        frame.reset_index(drop=True),
        headings,
        line=np.arange(1, len(frame) + 1),
        path=path,
        kind=kind,
        # The shapes are in degrees already, whatever the file was in.
        told=replace(told, epsg=None),
        notes=notes,
    )


def _points(features: gpd.GeoDataFrame, name: str) -> gpd.GeoDataFrame:
    exploded = features.explode(ignore_index=True)
    other = exploded[exploded.geom_type != "Point"]
    if len(other):
        found = other.geom_type.iloc[0].lower()
        msg = f"{name}: holds a {found}, need one point a row to be a log."
        raise InputError(msg, "export the log as points")
    return exploded


def _from_zip(
    path: Path, told: Told, layer: str | None, decimal: str | None
) -> list[RawLog]:
    archive = open_archive(path)
    names = [PurePosixPath(name) for name in archive.names]
    if any(name.name.lower() == TASK_FILE_NAME for name in names):
        return _from_task_data(path, told)
    wanted = [name for name in names if name.suffix.lower() in _WANTED]
    if len(wanted) != 1:
        listed = ", ".join(name.name for name in wanted) or "none"
        msg = f"{path.name}: holds {len(wanted)} logs ({listed}), need one."
        raise InputError(msg, "unpack it and give the logs one by one")
    with tempfile.TemporaryDirectory() as place:
        archive.extract(Path(place))
        inner = Path(place, *wanted[0].parts).resolve()
        logs = _from_kind(inner, sniff(inner), told, layer, decimal)
    return [replace(log, path=path) for log in logs]


_PLACE_NAMES = ("longitude", "latitude", "lon", "lat", "long", "lng", "x", "y",
                "easting", "northing")  # fmt: skip
