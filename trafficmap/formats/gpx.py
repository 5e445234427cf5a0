"""GPX tracks, as phones and hand-held receivers write them, as a table of points."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd
import shapely

from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.formats.trackpoints import (
    TrackTable,
    numbers_of,
    times_of,
    without_zone,
)
from trafficmap.formats.xmlstream import XmlHandlers, stream_xml

KIND = "GPX track"
"""What a log of this kind is called in the record."""

_BLOCK = 200_000
"""Points turned into numbers at once: their text takes ten times the room; choice."""

_MOST_FIELDS = 60
# The words of the schema for `fix`, as the qualities of NMEA 0183 number them.
_FIX = {"none": 0.0, "2d": 1.0, "3d": 1.0, "dgps": 2.0, "pps": 3.0}
# Our heading for what the schema or the usual extensions name, and its unit where one
# of them fixes it. Speed is in m/s in GPX 1.0 and in the track point extension.
_HEADINGS = {
    "ele": "altitude (m)",
    "course": "course (deg)",
    "bearing": "bearing (deg)",
    "heading": "heading (deg)",
    "fix": "fix quality",
    "sat": "satellites",
}
_SURE_PARENTS = ("trkpt", "rtept", "trackpointextension")


@dataclass
class _Points:
    """Points as they come; what only some of them say as index and text."""

    longitude: list[str] = field(default_factory=list)
    latitude: list[str] = field(default_factory=list)
    segment: list[int] = field(default_factory=list)
    said: dict[str, tuple[list[int], list[str]]] = field(default_factory=dict)

    def table(self) -> pd.DataFrame:
        """Return the points with numbers for text."""
        columns: dict[str, object] = {
            "longitude": numbers_of(self.longitude),
            "latitude": numbers_of(self.latitude),
            "segment": np.array(self.segment, dtype=np.int64),
        }
        for name, (index, texts) in self.said.items():
            whole = np.full(len(self.longitude), None, dtype=object)
            whole[index] = texts
            columns[name] = times_of(whole) if name == "time" else whole
            if name not in ("time", "fix"):
                values = numbers_of(whole)
                # A column of words stays text; a word among numbers is no number.
                if np.isfinite(values).sum() * 2 >= len(index):
                    columns[name] = values
        return pd.DataFrame(columns)


@dataclass
class _Track:
    """One track or route: its name, its points, in blocks that are done and one not."""

    name: str = ""
    planned: bool = False
    naive: int = 0
    blocks: list[pd.DataFrame] = field(default_factory=list)
    open: _Points = field(default_factory=_Points)

    def close_block(self) -> None:
        if self.open.longitude:
            self.naive += without_zone(self.open.said.get("time", ([], []))[1])
            self.blocks.append(self.open.table())
            self.open = _Points()

    def table(self) -> pd.DataFrame:
        self.close_block()
        if len(self.blocks) == 1:
            return self.blocks[0]
        return pd.concat(self.blocks, ignore_index=True)


class _Reader:
    """Follows the elements of a GPX file."""

    def __init__(self) -> None:
        self.tracks: list[_Track] = []
        self.waypoints = 0
        self.loose_speed = False
        self._track: _Track | None = None
        self._segment = -1
        self._inside: list[str] = []
        self._point = False
        self._words: list[str] = []

    def handlers(self) -> XmlHandlers:
        return XmlHandlers(self._start, self._end, self._words.append)

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        self._words.clear()
        if self._point:
            self._inside.append(tag)
        elif tag in ("trkpt", "rtept"):
            self._begin_point(tag, attributes)
        elif tag == "trkseg":
            self._segment += 1
        elif tag in ("trk", "rte"):
            self._track = _Track(planned=tag == "rte")
            self._segment = 0 if tag == "rte" else -1
            self.tracks.append(self._track)
        elif tag == "wpt":
            self.waypoints += 1
            self._inside = [tag]
        elif self._inside:
            self._inside.append(tag)

    def _begin_point(self, tag: str, attributes: dict[str, str]) -> None:
        if self._track is None:  # a point outside of any track
            self._track = _Track()
            self.tracks.append(self._track)
        points = self._track.open
        if len(points.longitude) >= _BLOCK:
            self._track.close_block()
            points = self._track.open
        points.longitude.append(attributes.get("lon", ""))
        points.latitude.append(attributes.get("lat", ""))
        points.segment.append(max(self._segment, 0))
        self._point = True
        self._inside = [tag]

    def _end(self, tag: str) -> None:
        if self._inside:
            if self._point and len(self._inside) > 1:
                text = "".join(self._words).strip()
                if text:
                    self._said(tag, text)
            self._inside.pop()
            self._point = self._point and bool(self._inside)
        elif tag in ("trk", "rte"):
            if self._track is not None:
                self._track.close_block()
            self._track = None
        elif tag == "name" and self._track is not None and not self._track.name:
            self._track.name = " ".join("".join(self._words).split())[:80]
        self._words.clear()

    def _said(self, tag: str, text: str) -> None:
        assert self._track is not None
        points = self._track.open
        if tag not in points.said:
            if len(points.said) >= _MOST_FIELDS:
                return
            points.said[tag] = ([], [])
        if tag == "speed" and self._inside[-2] not in _SURE_PARENTS:
            self.loose_speed = True
        index, texts = points.said[tag]
        at = len(points.longitude) - 1
        if index and index[-1] == at:  # said twice; the last one counts
            texts[-1] = text
            return
        index.append(at)
        texts.append(text)


def read_gpx(path: Path) -> list[TrackTable]:
    """Read the tracks of a GPX file.

    Parameters
    ----------
    path : Path

    Returns
    -------
    list of TrackTable
        One a track that has points; routes, which were planned and not driven, only
        where there is no track. Columns ``longitude``, ``latitude``, ``segment``, and
        of what the points say ``time`` (UTC), ``altitude``, ``speed``, ``course`` and
        the rest under their own names.

    Raises
    ------
    InputError
        As `formats.xmlstream.stream_xml`, or it holds no track and no route.
    """
    name = path.name
    made: list[_Reader] = []

    def fresh() -> XmlHandlers:
        made.append(_Reader())
        return made[-1].handlers()

    notes = stream_xml(path, fresh, name=name, root="gpx")
    reader = made[-1]
    full = [t for t in reader.tracks if t.blocks or t.open.longitude]
    chosen = [t for t in full if not t.planned] or full
    if not chosen:
        also = f", only {reader.waypoints:,} way points" if reader.waypoints else ""
        msg = f"{name}: holds no track{also}; need one with times."
        raise InputError(msg, "export the track, not the places you marked")
    notes += _left_out(reader, full, chosen, name)
    tables = []
    for track in chosen:
        frame = track.table()
        headings = _headings(frame, reader.loose_speed)
        frame = _with_fix(frame)
        tables.append(
            TrackTable(frame, headings, track.name, track.planned, track.naive)
        )
    tables[0].notes.extend(notes)
    return tables


def gpx_lines(path: Path) -> tuple[list[dict], list[Note]]:
    """Return the tracks and routes of a GPX file as lines with a name, and notes.

    Raises
    ------
    InputError
        As `read_gpx`, or no track has two places.
    """
    shapes = []
    notes: list[Note] = []
    for track in read_gpx(path):
        notes += track.notes
        for _, part in track.frame.groupby("segment", sort=True):
            place = part[["longitude", "latitude"]].to_numpy(dtype=np.float64)
            place = place[np.isfinite(place).all(axis=1)]
            if len(place) > 1:
                line = shapely.LineString(place)
                shapes.append({"name": track.name, "geometry": line})
    if not shapes:
        msg = f"{path.name}: no track in it has two places, need a line."
        raise InputError(msg, "export the whole track")
    return shapes, notes


def _left_out(reader: _Reader, full: list, chosen: list, name: str) -> list[Note]:
    notes = []
    if reader.waypoints:
        count = reader.waypoints
        sentence = f"{name}: {count:,} way points were left out; only tracks are read."
        notes.append(Note("gpx.waypoints", "info", sentence, count, name))
    routes = len(full) - len(chosen)
    if routes:
        sentence = f"{name}: {routes:,} routes were left out; a route is planned, not "
        notes.append(Note("gpx.routes", "info", sentence + "driven.", routes, name))
    return notes


def _headings(frame: pd.DataFrame, loose_speed: bool) -> Mapping[str, str]:
    told = dict(_HEADINGS)
    if "course" in frame and "bearing" in frame:
        # The way it moves counts; where a phone points does not.
        told["bearing"] = "pointing"
    if not loose_speed:
        told["speed"] = "speed (m/s)"
    return {column: told.get(column, column) for column in frame.columns}


def _with_fix(frame: pd.DataFrame) -> pd.DataFrame:
    if "fix" not in frame:
        return frame
    words = frame["fix"].astype("str").str.strip().str.lower()
    return frame.assign(fix=words.map(_FIX).astype(np.float64))
