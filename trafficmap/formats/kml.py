"""KML and KMZ: tracks and timed points as logs, areas and lines as shapes.

References to other files and pages are never followed.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.formats.archive import open_archive
from trafficmap.formats.sniff import KML, KMZ, sniff, sniff_bytes
from trafficmap.formats.trackpoints import (
    TrackTable,
    drawn_table,
    numbers_of,
    times_of,
    without_zone,
)
from trafficmap.formats.xmlstream import XmlHandlers, stream_xml

KIND = "KML track"
"""What a log of this kind is called in the record."""

_MAIN = "doc.kml"
_MOST_FIELDS = 60
_COMMA = re.compile(r"\s*,\s*")
_RESERVED = ("longitude", "latitude", "segment", "time", "geometry", "altitude",
             "heading", "name")  # fmt: skip


@dataclass
class _Track:
    when: list[str] = field(default_factory=list)
    coord: list[str] = field(default_factory=list)
    angles: list[str] = field(default_factory=list)
    arrays: dict[str, list[str]] = field(default_factory=dict)


@dataclass
class _Place:
    """One placemark: its name, what stands beside it, and all its shapes."""

    name: str = ""
    when: str = ""
    data: dict[str, str] = field(default_factory=dict)
    points: list[np.ndarray] = field(default_factory=list)
    lines: list[np.ndarray] = field(default_factory=list)
    polygons: list[list[np.ndarray]] = field(default_factory=list)
    tracks: list[_Track] = field(default_factory=list)


@dataclass
class _Reader:
    """Follows the elements of a KML file."""

    places: list[_Place] = field(default_factory=list)
    links: int = 0
    _path: list[str] = field(default_factory=list)
    _words: list[str] = field(default_factory=list)
    _place: _Place = field(default_factory=_Place)
    _array: list[str] | None = None
    _key: str = ""

    def handlers(self) -> XmlHandlers:
        return XmlHandlers(self._start, self._end, self._words.append)

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        self._words.clear()
        self._path.append(tag)
        if tag == "placemark":
            self._place = _Place()
            self.places.append(self._place)
        elif tag == "track":
            self._place.tracks.append(_Track())
        elif tag == "polygon":
            self._place.polygons.append([])
        elif tag in ("data", "simpledata"):
            self._key = attributes.get("name", "").strip()
        elif tag == "simplearraydata":
            self._array = []
            tracks = self._place.tracks
            key = attributes.get("name", "").strip()
            if tracks and key and len(tracks[-1].arrays) < _MOST_FIELDS:
                tracks[-1].arrays[key] = self._array
        elif tag == "networklink":
            self.links += 1

    def _end(self, tag: str) -> None:
        text = "".join(self._words).strip()
        self._words.clear()
        self._path.pop()
        parent = self._path[-1] if self._path else ""
        if parent == "track" and self._place.tracks:
            track = self._place.tracks[-1]
            kept = {"when": track.when, "coord": track.coord, "angles": track.angles}
            if tag in kept:
                kept[tag].append(text)
        elif tag == "value" and parent == "simplearraydata":
            if self._array is not None:
                self._array.append(text)
        elif tag == "coordinates":
            self._corners(parent, text)
        elif tag == "when" and parent == "timestamp":
            self._place.when = text
        elif tag == "name" and parent == "placemark":
            self._place.name = " ".join(text.split())[:80]
        elif tag == "simpledata" or (tag == "value" and parent == "data"):
            self._beside(text)

    def _beside(self, text: str) -> None:
        if self._key and len(self._place.data) < _MOST_FIELDS:
            self._place.data[self._key] = text

    def _corners(self, parent: str, text: str) -> None:
        corners = _numbers(text)
        if parent == "point":
            self._place.points.append(corners[:1])
        elif "polygon" in self._path and self._place.polygons:
            rings = self._place.polygons[-1]
            if "outerboundaryis" in self._path:
                rings.insert(0, corners)
            else:
                rings.append(corners)
        elif parent in ("linestring", "linearring"):
            self._place.lines.append(corners)


def read_kml_tracks(path: Path) -> list[TrackTable]:
    """Read the tracks of a KML or KMZ file.

    Parameters
    ----------
    path : Path

    Returns
    -------
    list of TrackTable
        One a placemark with tracks; else the placemarks with a point and a time, in
        the order of the file, as one; else the lines, marked as drawn.

    Raises
    ------
    InputError
        It is damaged from its begin on, breaks a limit, or holds none of these.
    """
    reader, notes = _read(path)
    name = path.name
    tables = []
    for place in reader.places:
        if place.tracks:
            table = _table_of(place, name)
            if len(table.frame):
                tables.append(table)
    stamped = [p for p in reader.places if p.when and _pin(p) and not p.tracks]
    lines = [p for p in reader.places if any(len(line) > 1 for line in p.lines)]
    areas = sum(len(place.polygons) for place in reader.places)
    if not tables and len(stamped) > 1:
        tables = [_table_of_points(stamped)]
    if tables and lines:
        sentence = f"{name}: {len(lines):,} lines without times were left out; only "
        sentence += "tracks are read."
        notes.append(Note("kml.lines", "info", sentence, len(lines), name))
    if not tables:
        tables = [drawn_table(place.name, place.lines) for place in lines]
    if not tables:
        held = "only areas" if areas else "no track and no line"
        msg = f"{name}: holds {held}, need a track with times to be a log."
        hint = f'write boundary = "{name}" in [field] if it is the outline of the field'
        raise InputError(msg, hint if areas else "export the track, not the places")
    if areas:
        sentence = f"{name}: {areas:,} areas in it are no part of the log. If one is "
        sentence += f'the outline of the field, write boundary = "{name}" in [field].'
        notes.append(Note("kml.areas", "info", sentence, areas, name))
    tables[0].notes.extend(notes)
    return tables


def read_kml_shapes(path: Path) -> tuple[list[dict], list[Note]]:
    """Read the areas and lines of a KML or KMZ file, in degrees of WGS 84.

    Parameters
    ----------
    path : Path

    Returns
    -------
    rows : list of dict
        ``name``, ``geometry`` and what stands beside it. Pins only where there are no
        areas and no lines, tracks only where there is nothing else.
    notes : list of Note

    Raises
    ------
    InputError
        As `read_kml_tracks`, it holds no shapes, or an area has less than three
        corners.
    """
    reader, notes = _read(path)
    name = path.name
    shapes: dict[str, list[dict]] = {"shape": [], "pin": [], "track": []}
    opened = 0
    for place in reader.places:
        about = {k: v for k, v in place.data.items() if k.lower() not in _RESERVED}
        found: dict[str, list[BaseGeometry]] = {"shape": [], "pin": [], "track": []}
        _require_numbers(place, name)
        for rings in place.polygons:
            opened += sum(1 for ring in rings if _is_open(ring))
            found["shape"].append(_polygon(rings, name))
        found["shape"] += [shapely.LineString(li) for li in place.lines if len(li) > 1]
        found["pin"] += [shapely.Point(pin[0]) for pin in place.points if len(pin)]
        for track in place.tracks:
            places = _coords(track.coord)[:, :2]
            places = places[np.isfinite(places).all(axis=1)]
            if len(places) > 1:
                found["track"].append(shapely.LineString(places))
        for kind, geometries in found.items():
            shapes[kind] += [
                {"name": place.name, **about, "geometry": g} for g in geometries
            ]
    for kind in ("shape", "track", "pin"):
        if shapes[kind]:
            chosen = kind
            break
    else:
        msg = f"{name}: holds no shapes."
        raise InputError(msg, "export the areas or lines that you drew")
    rest = sum(len(rows) for kind, rows in shapes.items() if kind != chosen)
    if rest:
        sentence = f"{name}: {rest:,} pins and tracks beside its shapes were left out."
        notes.append(Note("kml.pins", "info", sentence, rest, name))
    if opened:
        sentence = (
            f"{name}: an outline does not end where it began; the last corner was "
            "joined to the first. Look at it on the map."
        )
        notes.append(Note("vector.open_ring", "check", sentence, opened, name))
    return shapes[chosen], notes


def _read(path: Path) -> tuple[_Reader, list[Note]]:
    source, notes = _content(path)
    made: list[_Reader] = []

    def fresh() -> XmlHandlers:
        made.append(_Reader())
        return made[-1].handlers()

    notes += stream_xml(source, fresh, name=path.name, root="kml")
    reader = made[-1]
    if reader.links:
        sentence = f"{path.name}: {reader.links:,} links to other files or pages in it "
        sentence += "were not followed."
        note = Note("kml.links", "check", sentence, reader.links, path.name)
        notes.append(note)
    return reader, notes


def _content(path: Path) -> tuple[Path | bytes, list[Note]]:
    """Return the KML itself, taken out of its zip where it lies in one."""
    if sniff(path) != KMZ:
        return path, []
    archive = open_archive(path)
    inner = [n for n in archive.names if sniff_bytes(archive.head(n)) == KML]
    if not inner:
        msg = f"{path.name}: holds no KML file."
        raise InputError(msg, "export it again from the program it came from")
    main = next((n for n in inner if n.lower() == _MAIN), inner[0])
    notes = []
    if len(inner) > 1:
        count = len(inner) - 1
        sentence = f"{path.name}: {main} in it was read; {count:,} more KML files in "
        sentence += "it were not. If they matter, unpack it and give them one by one."
        notes.append(Note("kml.more", "check", sentence, count, path.name))
    return archive.read(main), notes


def _table_of(place: _Place, file: str) -> TrackTable:
    """Return the tracks of one placemark, each a segment."""
    frames = []
    naive = 0
    notes: list[Note] = []
    for number, track in enumerate(place.tracks):
        count = len(track.coord)
        if track.when and len(track.when) != count:
            sentence = (
                f"{file}: a track has {len(track.when):,} times and {count:,} places; "
                "they were paired from the begin on and the rest was left out."
            )
            missing = abs(len(track.when) - count)
            notes.append(Note("kml.unpaired", "check", sentence, missing, file))
            count = min(count, len(track.when))
        coords = _coords(track.coord)[:count]
        columns: dict[str, object] = {
            "longitude": coords[:, 0],
            "latitude": coords[:, 1],
            "segment": np.full(count, number, dtype=np.int64),
        }
        if np.isfinite(coords[:, 2]).any():
            columns["altitude"] = coords[:, 2]
        if track.when and count:
            columns["time"] = times_of(track.when[:count]).to_numpy()
            naive += without_zone(track.when[:count])
        if len(track.angles) == len(track.coord) and count:
            first = [text.split()[0] if text.split() else "" for text in track.angles]
            heading = numbers_of(first)[:count]
            # Some programs write zeros for all angles.
            if np.isfinite(heading).any() and np.nanmax(np.abs(heading)) > 0:
                columns["heading"] = heading
        for key, texts in track.arrays.items():
            if len(texts) != len(track.coord):
                sentence = f"{file}: the values of {key!r} are {len(texts):,} for "
                sentence += f"{len(track.coord):,} places and were left out."
                notes.append(Note("kml.array", "info", sentence, len(texts), file))
                continue
            label = key if key.lower() not in _RESERVED else f"also {key}"
            values = numbers_of(texts)[:count]
            worded = not np.isfinite(values).any() and any(texts)
            columns[label] = np.array(texts[:count], object) if worded else values
        frames.append(pd.DataFrame(columns))
    whole = frames[0] if len(frames) == 1 else pd.concat(frames, ignore_index=True)
    if "time" in whole:
        whole["time"] = pd.to_datetime(whole["time"], utc=True)
    headings = {"altitude": "altitude (m)", "heading": "heading (deg)"}
    return TrackTable(whole, headings, place.name, False, naive, notes)


def _table_of_points(places: Sequence[_Place]) -> TrackTable:
    """Return placemarks with a point and a time as one track."""
    coords = np.vstack([place.points[0] for place in places])
    when = [place.when for place in places]
    frame = pd.DataFrame({"longitude": coords[:, 0], "latitude": coords[:, 1]})
    frame["segment"] = np.int64(0)
    frame["time"] = times_of(when)
    for key in dict.fromkeys(key for place in places for key in place.data):
        label = key if key.lower() not in _RESERVED else f"also {key}"
        if len(frame.columns) < _MOST_FIELDS:
            texts = np.array([place.data.get(key) for place in places], dtype=object)
            values = numbers_of(texts)
            frame[label] = values if np.isfinite(values).any() else texts
    return TrackTable(frame, {}, "", False, without_zone(when))


def _pin(place: _Place) -> bool:
    return bool(place.points) and len(place.points[0]) == 1


def _require_numbers(place: _Place, name: str) -> None:
    rings = (ring for polygon in place.polygons for ring in polygon)
    for corners in (*rings, *place.lines, *place.points):
        if not np.isfinite(corners).all():
            msg = f"{name}: a shape has a corner that is no number."
            raise InputError(msg, "export it again")


def _is_open(ring: np.ndarray) -> bool:
    return len(ring) > 0 and bool((ring[0] != ring[-1]).any())


def _polygon(rings: Sequence[np.ndarray], name: str) -> BaseGeometry:
    if not rings or min(len(np.unique(ring, axis=0)) for ring in rings) < 3:
        msg = f"{name}: an area in it has less than three corners."
        raise InputError(msg, "draw the area again, corner after corner")
    return shapely.Polygon(rings[0], rings[1:])


def _coords(texts: Sequence[str]) -> np.ndarray:
    """Return longitude, latitude, height of the places of a track, NaN for none."""
    out = np.full((len(texts), 3), np.nan)
    parts = [text.split() for text in texts]
    for column in range(3):
        words = [part[column] if len(part) > column else "" for part in parts]
        out[:, column] = numbers_of([word or None for word in words])
    return out


def _numbers(text: str) -> np.ndarray:
    """Return longitude and latitude of each corner of a line or ring."""
    rows = [corner.split(",") for corner in _COMMA.sub(",", text).split()]
    out = np.full((len(rows), 2), np.nan)
    for column in range(2):
        words = [row[column] if len(row) > column else None for row in rows]
        out[:, column] = numbers_of(words)
    return out
