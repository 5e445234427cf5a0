"""Any log a person has, by its bytes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import shapely

from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.formats.archive import Archive, open_archive
from trafficmap.formats.can import read_can_log
from trafficmap.formats.delimited import read_delimited
from trafficmap.formats.gpx import KIND as GPX_TRACK
from trafficmap.formats.gpx import read_gpx
from trafficmap.formats.headers import read_heading
from trafficmap.formats.isoxml import read_task_data, task_logs
from trafficmap.formats.kml import KIND as KML_TRACK
from trafficmap.formats.kml import read_kml_tracks
from trafficmap.formats.nmea import read_nmea_log
from trafficmap.formats.parquet import GEOPARQUET, has_shapes, read_parquet
from trafficmap.formats.parquet import KIND as PARQUET_TABLE
from trafficmap.formats.paths import real_path
from trafficmap.formats.pointlog import Told, logs_from_points
from trafficmap.formats.sniff import (
    CAN_LOG,
    GEOJSON,
    GEOPACKAGE,
    GPX,
    KML,
    KMZ,
    NMEA,
    PARQUET,
    SHAPEFILE,
    TASK_DATA,
    TASK_FILE_NAME,
    TEXT,
    ZIP,
    said,
    sniff,
)
from trafficmap.formats.trackpoints import (
    DRAWN_SPEED,
    drawn_table,
    logs_from_tracks,
    way_along,
)
from trafficmap.formats.vector import KINDS, read_features
from trafficmap.formats.xml import parse_xml
from trafficmap.formats.zipped import inner_file, inner_names

if TYPE_CHECKING:
    import geopandas as gpd

    from trafficmap.formats.rawlog import RawLog

AS_LOGGED = "as logged"
"""Told as `epoch`: the dates of the log are right, however old they look."""

_IN_ZIP = (TEXT, SHAPEFILE, GEOPACKAGE, GEOJSON, CAN_LOG, GPX, KML, NMEA, PARQUET)
_READABLE = (
    "delimited text, GPX, KML, GeoPackage, shapefile, GeoJSON, GeoParquet, "
    "ISO 11783-10 task data, an NMEA or a CAN log"
)


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
        Layer of a GeoPackage that holds several, or which log of a zip that holds
        several: its name there, or the folder of a task data set.
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
        return _from_task_data(path, told, layer)
    if kind in KINDS:
        return _paced(_from_shapes(path, kind, told, layer))
    if kind == TEXT:
        text = read_delimited(
            path,
            decimal=decimal,
            bare=True,
            dates=True,
            date_format=told.date_format,
        )
        logs = logs_from_points(
            text.frame,
            text.headings,
            line=text.line,
            path=path,
            kind=kind,
            told=told,
            notes=text.notes,
            dropped=text.dropped,
            dates=text.dates,
        )
        return _paced(logs)
    if kind == GPX:
        tracks = read_gpx(path)
        return logs_from_tracks(tracks, path=path, kind=GPX_TRACK, told=told)
    if kind in (KML, KMZ):
        tracks = read_kml_tracks(path)
        return logs_from_tracks(tracks, path=path, kind=KML_TRACK, told=told)
    if kind == NMEA:
        return [read_nmea_log(path, epoch=told.epoch)]
    if kind == PARQUET:
        return _paced(_from_parquet(path, told))
    if kind == CAN_LOG:
        return [read_can_log(path, epoch=told.epoch)]
    if kind == "iso11783 time log header":
        parse_xml(path, root="TIM")
        msg = f"{path.name}: is the header of one time log, need the whole set."
        raise InputError(msg, "give the folder that TASKDATA.XML is in")
    msg = f"{path.name}: is {said(kind)}, need a log as {_READABLE}."
    raise InputError(msg, "export the log as comma-separated text")


def _paced(logs: list[RawLog]) -> list[RawLog]:
    """Lay logs without a clock along their way where a row is no second.

    A row a second would make a drive on the road of a log kept every five seconds.
    """
    return [_at_a_walk(log) if log.clock == "order" else log for log in logs]


def _at_a_walk(log: RawLog) -> RawLog:
    table = log.table
    way = way_along(table["longitude"].to_numpy(), table["latitude"].to_numpy())
    step = np.diff(way)
    moved = step[step > _STOOD]
    if not moved.size or np.median(moved) <= _STEP_OF_A_SECOND:
        return log
    sentence = (
        f"{log.path.name}: without a clock its rows, {np.median(moved):.0f} m apart, "
        f"are taken as driven at {DRAWN_SPEED * 3.6:.0f} km/h."
    )
    note = Note("log.pace_assumed", "check", sentence, where=log.path.name)
    table = table.assign(seconds=way / DRAWN_SPEED)
    return replace(log, table=table, notes=(*log.notes, note))


def _from_task_data(path: Path, told: Told, layer: str | None) -> list[RawLog]:
    data = read_task_data(path, inside=layer)
    logs = task_logs(data, as_logged=told.epoch == AS_LOGGED)
    if not logs:
        broken = [n for n in data.notes if n.severity == "stop"]
        why = broken[0].sentence if broken else "Its tasks have no time logs."
        msg = f"{path.name}: no log in it can be used. {why}"
        # A plan or a map of rates is a sound set that tells of no drive.
        hint = "take the set off the display again after the work was done"
        if broken:
            hint = "copy the whole TASKDATA folder again from the machine"
        raise InputError(msg, hint)
    # What concerns the whole set goes with its first log, so that it is told once.
    first = replace(logs[0], notes=(*data.notes, *logs[0].notes))
    return [first, *logs[1:]]


def _from_shapes(path: Path, kind: str, told: Told, layer: str | None) -> list[RawLog]:
    features = read_features(path, layer=layer)
    if told.epoch is not None and set(features.geom_type) <= _LINES:
        return _from_lines(features, path, kind, told)
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


def _from_parquet(path: Path, told: Told) -> list[RawLog]:
    if has_shapes(path):
        return _from_shapes(path, GEOPARQUET, told, None)
    frame = read_parquet(path)
    headings = tuple(read_heading(str(column)) for column in frame.columns)
    return logs_from_points(
        frame,
        headings,
        line=np.arange(1, len(frame) + 1),
        path=path,
        kind=PARQUET_TABLE,
        told=told,
    )


def _from_lines(
    features: gpd.GeoDataFrame, path: Path, kind: str, told: Told
) -> list[RawLog]:
    """Return lines that somebody drew as driven on the day that was told."""
    parts = shapely.get_parts(features.geometry.to_numpy())
    lines = [shapely.get_coordinates(part) for part in parts]
    table = drawn_table("", lines)
    table.notes.extend(features.attrs.get("notes", ()))
    return logs_from_tracks([table], path=path, kind=kind, told=told)


def _points(features: gpd.GeoDataFrame, name: str) -> gpd.GeoDataFrame:
    exploded = features.explode(ignore_index=True)
    other = exploded[exploded.geom_type != "Point"]
    if len(other):
        found = other.geom_type.iloc[0].lower()
        msg = f"{name}: holds a {found}, need one point a row to be a log."
        hint = "export the log as points"
        if "line" in found:
            hint += ', or write epoch = "2026-10-14", the day this way was driven'
        raise InputError(msg, hint)
    return exploded


def _from_zip(
    path: Path, told: Told, layer: str | None, decimal: str | None
) -> list[RawLog]:
    if _holds_tasks(open_archive(path)):
        return _from_task_data(path, told, layer)
    names = inner_names(path, kinds=_IN_ZIP)
    # With one log in the zip the layer is that of a GeoPackage.
    inside = layer if len(names) > 1 else None
    with inner_file(path, kinds=_IN_ZIP, what="logs", inside=inside) as (inner, kind):
        deeper = None if inside is not None else layer
        logs = _from_kind(inner, kind, told, deeper, decimal)
    if inside is not None:
        logs = [replace(log, part=log.part or inner.name) for log in logs]
    return [replace(log, path=path) for log in logs]


def logs_in_zip(path: str | Path) -> list[str]:
    """Return the names of the logs in a zip that holds several, for `layer`.

    Empty for anything else, and for task data, whose logs belong together.
    """
    real = real_path(path)
    if sniff(path) != ZIP or _holds_tasks(open_archive(real)):
        return []
    names = inner_names(real, kinds=_IN_ZIP)
    return names if len(names) > 1 else []


def _holds_tasks(archive: Archive) -> bool:
    return any(n.rpartition("/")[2].lower() == TASK_FILE_NAME for n in archive.names)


_LINES = {"LineString", "MultiLineString"}
_PLACE_NAMES = ("longitude", "latitude", "lon", "lat", "long", "lng", "x", "y",
                "easting", "northing")  # fmt: skip
_STEP_OF_A_SECOND = 5.0
"""Rows of a field machine further apart than this are no second apart [m]; choice."""
_STOOD = 0.2
"""Rows nearer than this stood still [m]; choice."""
