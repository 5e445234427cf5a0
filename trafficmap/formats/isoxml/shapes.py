"""Boundaries and zones of task data as shapes in longitude and latitude."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import shapely
from shapely.geometry import MultiPolygon, Polygon

from trafficmap.core.notes import Note

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

_BOUNDARY = "1"
_OUTER, _INNER = "1", "2"


def read_boundary(
    partfield: Element, name: str
) -> tuple[MultiPolygon | None, list[Note]]:
    """Return the boundary of a field, None when it has none, with notes."""
    plans = [p for p in partfield.findall("PLN") if p.get("A") == _BOUNDARY]
    parts: list[Polygon] = []
    notes: list[Note] = []
    for plan in plans:
        polygons, found = read_polygons(plan, name)
        parts += polygons
        notes += found
    return (MultiPolygon(parts) if parts else None), notes


def read_polygons(plan: Element, name: str) -> tuple[list[Polygon], list[Note]]:
    """Return the polygons of one PLN; several outer rings may share it."""
    shells: list[Polygon] = []
    holes: list[Polygon] = []
    notes: list[Note] = []
    for line in plan.findall("LSG"):
        if line.get("A") not in (_OUTER, _INNER):
            continue
        outside = sum(1 for point in line.findall("PNT") if point.get("J"))
        if outside:
            sentence = (
                f"{name}: {outside} stretches of a boundary are in files of points of "
                "their own, which are not read; export the field with its points in "
                "the task file."
            )
            notes.append(Note("iso.points_outside", "check", sentence, outside, name))
            continue
        ring, bad = _ring(line)
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


def _ring(line: Element) -> tuple[list[tuple[float, float]], int]:
    ring, bad = [], 0
    for point in line.findall("PNT"):
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


def _lies_in(hole: Polygon, shell: Polygon) -> bool:
    # One point decides: rings that touch or cross by rounding must still match.
    inner = shapely.make_valid(hole).representative_point()
    return bool(shapely.make_valid(shell).contains(inner))
