"""Boundaries and zones of task data as shapes in longitude and latitude."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import shapely
from shapely.geometry import MultiPolygon, Polygon

from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.formats.isoxml.files import TaskFiles, UntrustedError, plain_name
from trafficmap.formats.isoxml.points import points_in_file

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

    import numpy as np

_BOUNDARY = "1"
_OUTER, _INNER = "1", "2"


def read_boundary(
    partfield: Element, name: str, files: TaskFiles | None = None
) -> tuple[MultiPolygon | None, list[Note]]:
    """Return the boundary of a field, None when it has none, with notes."""
    plans = [p for p in partfield.findall("PLN") if p.get("A") == _BOUNDARY]
    parts: list[Polygon] = []
    notes: list[Note] = []
    for plan in plans:
        polygons, found = read_polygons(plan, name, files)
        parts += polygons
        notes += found
    return (MultiPolygon(parts) if parts else None), notes


def read_polygons(
    plan: Element, name: str, files: TaskFiles | None = None
) -> tuple[list[Polygon], list[Note]]:
    """Return the polygons of one PLN; several outer rings may share it.

    Points in binary files of their own are read from `files`.
    """
    shells: list[Polygon] = []
    holes: list[Polygon] = []
    notes: list[Note] = []
    for line in plan.findall("LSG"):
        if line.get("A") not in (_OUTER, _INNER):
            continue
        try:
            ring, bad = _ring(line, files)
        except UntrustedError:
            raise
        except InputError as error:
            sentence = f"{name}: a stretch of its boundary was left out. "
            sentence += error.sentence
            notes.append(Note("iso.points_outside", "check", sentence, where=name))
            continue
        if bad:
            sentence = f"{name}: {bad} points of a boundary have no usable place."
            notes.append(Note("iso.bad_points", "check", sentence, bad, name))
        if len(ring) < 3:
            sentence = f"{name}: a boundary of {len(ring)} points was left out."
            notes.append(Note("iso.short_ring", "check", sentence, where=name))
            continue
        (shells if line.get("A") == _OUTER else holes).append(Polygon(ring))
    polygons = []
    for shell in shells:
        inside = [h for h in holes if _lies_in(h, shell)]
        polygons.append(Polygon(shell.exterior, [h.exterior for h in inside]))
    lost = len([h for h in holes if not any(_lies_in(h, s) for s in shells)])
    if lost:
        sentence = f"{name}: {lost} holes lie outside the boundary and were left out."
        notes.append(Note("iso.lost_holes", "check", sentence, lost, name))
    return polygons, notes


def _ring(
    line: Element, files: TaskFiles | None
) -> tuple[list[tuple[float, float]], int]:
    ring: list[tuple[float, float]] = []
    bad = 0
    for point in line.findall("PNT"):
        if point.get("J"):
            places = _from_file(point, files)
            nowhere = (places == 0.0).all(axis=1)
            bad += int(nowhere.sum())
            ring += [(east, north) for east, north in places[~nowhere].tolist()]
            continue
        try:
            lat, lon = float(point.get("C", "")), float(point.get("D", ""))
        except ValueError:
            bad += 1
            continue
        nowhere = lat == 0.0 and lon == 0.0
        finite = math.isfinite(lat) and math.isfinite(lon)
        if nowhere or not finite or abs(lat) > 90 or abs(lon) > 180:
            bad += 1
            continue
        ring.append((lon, lat))
    return ring, bad


def _from_file(point: Element, files: TaskFiles | None) -> np.ndarray:
    """Return the places in the file that a point names."""
    name = plain_name(point.get("J", ""))
    if files is None or not files.has(f"{name}.bin"):
        msg = f"{name}.BIN: is named by its boundary but is missing."
        raise InputError(msg, "copy the whole TASKDATA folder again")
    return points_in_file(point, files.read(f"{name}.bin"), name=name)


def _lies_in(hole: Polygon, shell: Polygon) -> bool:
    # One point decides: rings that touch or cross by rounding must still match.
    inner = shapely.make_valid(hole).representative_point()
    return bool(shapely.make_valid(shell).contains(inner))
