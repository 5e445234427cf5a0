"""The outline of the field: read, mended where that changes nothing, else refused."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import shapely
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from trafficmap.core import limits
from trafficmap.core.errors import CRSError, InputError
from trafficmap.core.notes import Note
from trafficmap.field.place import Place, area_words, utm_epsg
from trafficmap.formats.archive import open_archive
from trafficmap.formats.isoxml import read_task_data
from trafficmap.formats.sniff import TASK_DATA, TASK_FILE_NAME, ZIP, sniff
from trafficmap.formats.vector import read_features

_POLYGONS = ("Polygon", "MultiPolygon")
_SNAP = 0.001
"""Corners are put on a grid this fine before outlines are joined [m]; choice."""

_SLIVER = 1.0
"""A piece smaller than this is no part of a field [m2]; choice."""

_OVERLAP_SHARE = 0.001
"""Neighbours drawn by hand may overlap by this share of the smaller; choice."""


@dataclass(frozen=True)
class Outline:
    """A checked boundary on its metric system, and its area [m2]."""

    place: Place
    geometry: BaseGeometry
    area: float


def read_boundary(
    path: Path, *, part: str | None = None, layer: str | None = None
) -> tuple[Outline, list[Note]]:
    """Return the outline in a file of any vector format, or of a task data set.

    Parameters
    ----------
    path : Path
    part : str, optional
        Which field in a file of several: a name or number among its attributes, or
        ``attribute=value`` where several attributes hold it.
    layer : str, optional
        Layer of a GeoPackage.

    Raises
    ------
    InputError
        As `settle_boundary`; also when a task data set holds several fields and
        `part` does not say which, or names none of them.
    """
    if is_task_data(path):
        shapes = _partfields(path, part)
        return settle_boundary(shapes, name=path.name)
    features = read_features(path, layer=layer)
    notes = list(features.attrs.get("notes", ()))
    if part is not None:
        features = features[_rows_named(features, part, path.name)]
    outline, more = settle_boundary(list(features.geometry), name=path.name)
    return outline, notes + more


def is_task_data(path: Path) -> bool:
    """Return whether a file, folder or zip holds ISO 11783-10 task data."""
    kind = sniff(path)
    if kind == ZIP:
        names = open_archive(path).names
        return any(n.rsplit("/", 1)[-1].lower() == TASK_FILE_NAME for n in names)
    return kind == TASK_DATA


def settle_boundary(
    shapes: Sequence[BaseGeometry], *, name: str
) -> tuple[Outline, list[Note]]:
    """Return one valid outline from the shapes of a file.

    Parameters
    ----------
    shapes : sequence of geometry
        WGS 84 longitude and latitude, as read; heights are dropped.
    name : str
        What the file is called, for the sentences.

    Raises
    ------
    InputError
        No area, points or lines, a corner that is no number, two outlines on one
        another, a repair that would change the area by more than
        `limits.BOUNDARY_REPAIR_SHARE`, or more ground than `limits.BOUNDARY_MAX_M2`.
    CRSError
        The corners cannot be degrees, or lie beyond 84 N or 80 S.
    """
    polygons = _polygons(shapes, name)
    points = np.vstack([shapely.get_coordinates(polygon) for polygon in polygons])
    _require_degrees(points, name)
    place = Place(utm_epsg(points[:, 0], points[:, 1]))
    notes: list[Note] = []
    mended = []
    for polygon in polygons:
        moved = place.geometry_to_metric(polygon, name)
        if moved.bounds[2] - moved.bounds[0] > 1e6:  # spans the date line unsplit
            msg = f"{name}: the outline is more than 1,000 km wide."
            raise InputError(msg, "look for a corner far off the field")
        good, more = _mend(moved, place, name)
        mended.append(good)
        notes += more
    _require_apart(mended, name)
    whole = shapely.union_all(mended, grid_size=_SNAP)
    area = place.area(whole)
    notes += _size_notes(area, name)
    if len(shapely.get_parts(whole)) > 1:
        count = len(shapely.get_parts(whole))
        sentence = f"{name}: {count} separate pieces are taken as one field."
        notes.append(Note("boundary.pieces", "info", sentence, count, name))
    return Outline(place, whole, area), notes


def polygons_only(geometry: BaseGeometry) -> BaseGeometry:
    """Return the areas in a geometry; points and lines a repair left fall away."""
    parts = [
        part
        for part in shapely.get_parts(shapely.get_parts(geometry))
        if part.geom_type == "Polygon" and not part.is_empty
    ]
    return parts[0] if len(parts) == 1 else MultiPolygon(parts)


def _polygons(shapes: Sequence[BaseGeometry], name: str) -> list[Polygon]:
    """Return every polygon of the file, refusing what is no area."""
    found: list[Polygon] = []
    for shape in shapes:
        if shape is None or shape.is_empty:
            continue
        for part in shapely.get_parts(shape):
            if part.geom_type not in _POLYGONS:
                word = "a point" if "Point" in part.geom_type else "a line"
                msg = f"{name}: holds {word}, need the outline of the field as an area."
                raise InputError(msg, "draw the field as a closed area and save it")
            found.append(shapely.force_2d(part))
    if not found:
        msg = f"{name}: holds no outline, need one area."
        raise InputError(msg, "draw the field as a closed area and save it")
    for polygon in found:
        if not np.isfinite(shapely.get_coordinates(polygon)).all():
            msg = f"{name}: a corner of the outline is not a number."
            raise InputError(msg, "remove that corner, or export the boundary again")
    return found


def _require_degrees(points: np.ndarray, name: str) -> None:
    """Refuse corners that cannot be longitude and latitude."""
    if (np.abs(points[:, 1]) <= 90.0).all() and (np.abs(points[:, 0]) <= 360.0).all():
        return
    worst = points[np.argmax(np.abs(points).max(axis=1))]
    msg = (
        f"{name}: a corner stands at {worst[0]:.4f}, {worst[1]:.4f}, need longitude "
        "and latitude in degrees."
    )
    swapped = (np.abs(points[:, 0]) <= 90.0).all()
    hint = "swap longitude and latitude" if swapped else "save it again in WGS 84"
    raise CRSError(msg, hint)


def _mend(polygon: Polygon, place: Place, name: str) -> tuple[BaseGeometry, list[Note]]:
    """Return a valid outline, the change told; refuse a change of any size."""
    notes: list[Note] = []
    shell = Polygon(polygon.exterior)
    holes = [ring for ring in polygon.interiors if _inside(ring, shell)]
    lost = len(polygon.interiors) - len(holes)
    if lost:
        sentence = (
            f"{name}: {lost} hole{'s' if lost > 1 else ''} outside the outline left "
            "out; look at the boundary on the map."
        )
        notes.append(Note("boundary.hole_outside", "check", sentence, lost, name))
        polygon = Polygon(polygon.exterior, holes)
    if polygon.is_valid:
        return polygon, notes
    where = _where(polygon, place)
    before = polygon.area
    good = _without_slivers(
        polygons_only(shapely.make_valid(polygon, method="structure"))
    )
    after = good.area
    if after <= 0 or abs(after - before) > limits.BOUNDARY_REPAIR_SHARE * after:
        msg = (
            f"{name}: the outline crosses itself{where}; mending it changes the area "
            f"from {area_words(before)} to {area_words(after)}, more than "
            f"{100 * limits.BOUNDARY_REPAIR_SHARE:g} %."
        )
        raise InputError(msg, "draw the outline again, corner after corner")
    sentence = (
        f"{name}: the outline crosses itself{where}. Mended: {area_words(before)} "
        f"before, {area_words(after)} after. Look at the boundary on the map."
    )
    notes.append(Note("boundary.crosses_itself", "check", sentence, 1, name))
    return good, notes


def _without_slivers(shape: BaseGeometry) -> BaseGeometry:
    """Return the shape without the crumbs that a mended crossing leaves behind."""
    parts = [part for part in shapely.get_parts(shape) if part.area > _SLIVER]
    return parts[0] if len(parts) == 1 else MultiPolygon(parts)


def _inside(ring: shapely.LinearRing, shell: Polygon) -> bool:
    """Return whether a hole touches the ground inside the outline at all."""
    good_shell = shapely.make_valid(shell, method="structure")
    hole = shapely.make_valid(Polygon(ring), method="structure")
    return shapely.area(shapely.intersection(hole, good_shell)) > 0.0


def _where(polygon: Polygon, place: Place) -> str:
    found = re.search(
        r"\[(-?[\d.eE+-]+) (-?[\d.eE+-]+)\]", shapely.is_valid_reason(polygon)
    )
    if not found:
        return ""
    longitude, latitude = place.to_degrees(float(found[1]), float(found[2]))
    return f" near ({float(longitude):.4f}, {float(latitude):.4f})"


def _require_apart(shapes: list[BaseGeometry], name: str) -> None:
    """Refuse two outlines over the same ground."""
    tree = shapely.STRtree(shapes)
    for one, two in tree.query(shapes, predicate="intersects").T:
        if one >= two:
            continue
        common = shapely.intersection(shapes[one], shapes[two]).area
        smaller = min(shapes[one].area, shapes[two].area)
        if common > _OVERLAP_SHARE * smaller:
            same = "is given twice" if shapes[one].equals(shapes[two]) else "overlaps"
            msg = (
                f"{name}: outline {one + 1} {same}"
                f"{'' if same == 'is given twice' else f' outline {two + 1}'}, "
                f"{area_words(common)} in common; need each piece of ground once."
            )
            raise InputError(
                msg, "remove one, or choose one with boundary_part in [field]"
            )


def _size_notes(area: float, name: str) -> list[Note]:
    if area > limits.BOUNDARY_MAX_M2:
        msg = (
            f"{name}: the outline holds {area_words(area)}, the limit is "
            f"{area_words(limits.BOUNDARY_MAX_M2)}."
        )
        raise InputError(msg, "give one field at a time")
    if area < limits.BOUNDARY_NOTE_M2:
        sentence = (
            f"{name}: the outline holds only {area:.0f} m2; look whether it is the "
            "whole field."
        )
        return [Note("boundary.small", "check", sentence, 1, name)]
    return []


def _partfields(path: Path, part: str | None) -> list[BaseGeometry]:
    """Return the boundary of the one field of a task data set that is meant."""
    fields = [f for f in read_task_data(path).partfields if f.boundary is not None]
    if part is not None:
        wanted = part.casefold()
        chosen = [f for f in fields if wanted in (f.id.casefold(), f.name.casefold())]
    else:
        chosen = fields
    if len(chosen) == 1:
        return [chosen[0].boundary]
    names = ", ".join(f"{f.name} ({f.id})" for f in fields) or "none"
    what = "no field" if not chosen else f"{len(chosen)} fields"
    asked = f" called {part!r}" if part is not None else ""
    msg = f"{path.name}: holds {what} with a boundary{asked}, need one; found {names}."
    first = f' as boundary_part = "{fields[0].id}"' if fields else ""
    raise InputError(msg, f"name the field in [field]{first}")


def _rows_named(features: gpd.GeoDataFrame, part: str, name: str) -> np.ndarray:
    """Return which shapes carry a name or number, as ``7`` or ``parcel=7``."""
    texts = features.drop(columns=features.geometry.name).astype(str)
    column, equals, value = part.partition("=")
    if equals and column.strip() in texts.columns:
        texts, wanted = texts[[column.strip()]], value.strip()
    else:
        wanted = part
    found = {
        column: (texts[column].str.casefold() == wanted.casefold()).to_numpy(bool)
        for column in texts.columns
    }
    hits = {column: rows for column, rows in found.items() if rows.any()}
    if not hits:
        said = ", ".join(list(dict.fromkeys(texts.to_numpy().ravel()))[:12])
        msg = f"{name}: no shape is called {part!r}; its attributes say "
        msg += f"{said or 'nothing'}."
        raise InputError(msg, "correct boundary_part in [field]")
    first = next(iter(hits.values()))
    if any((rows != first).any() for rows in hits.values()):
        columns = ", ".join(hits)
        msg = f"{name}: {part!r} stands in {columns}, at different shapes."
        column = next(iter(hits))
        raise InputError(msg, f'write boundary_part = "{column}={wanted}", or another')
    return first
