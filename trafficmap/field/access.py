"""Strips of access: ground outside the field whose traffic counts all the same."""

from __future__ import annotations

from typing import TYPE_CHECKING

import shapely

from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.field.place import Place, distance_words
from trafficmap.formats.vector import read_features

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    from trafficmap.field.boundary import Outline
    from trafficmap.field.inputs import Inputs
    from trafficmap.field.toml import AccessKeys

_LONGEST = 2_000.0
"""A strip that reaches further from the field is no access to it [m]; choice. The map
reaches as far as the strips do."""


def read_access(
    entries: tuple[AccessKeys, ...],
    *,
    place: Place,
    outline: Outline | None,
    inputs: Inputs,
) -> tuple[BaseGeometry | None, list[Note]]:
    """Return the strips as one area in metres, None where none is named.

    Lines and points are as wide as ``width_m`` says; areas are taken as they are.

    Raises
    ------
    InputError
        A file has lines or points and no width is given, or a strip lies far away.
    """
    parts: list[BaseGeometry] = []
    notes: list[Note] = []
    for number, keys in enumerate(entries, start=1):
        if keys.points is not None:
            name = keys.name or f"access[{number}]"
            shapes = [place.geometry_to_metric(shapely.LineString(keys.points), name)]
        else:
            path = inputs.find(str(keys.file), f"access[{number}].file")
            inputs.add(path)
            name = keys.name or path.name
            table = read_features(path, layer=keys.layer)
            notes += table.attrs.get("notes", ())
            shapes = [place.geometry_to_metric(s, path.name) for s in table.geometry]
        strips = [_strip(shape, keys.width_m, name) for shape in shapes]
        strip = shapely.union_all([one for one in strips if not one.is_empty])
        if strip.is_empty:
            sentence = f"{name}: holds no shape, so no strip of access is known there."
            notes.append(Note("access.empty", "check", sentence, 1, name))
            continue
        notes += _placed(strip, outline, name)
        parts.append(strip)
    if not parts:
        return None, notes
    return shapely.union_all(parts), notes


def _strip(shape: BaseGeometry, width: float | None, name: str) -> BaseGeometry:
    if shape.is_empty or "Polygon" in shape.geom_type:
        return shapely.make_valid(shape, method="structure")
    if width is None:
        msg = f"{name}: holds lines or points, need width_m to know how wide they are."
        raise InputError(msg, "add width_m = 6.0, or draw the strip as an area")
    return shape.buffer(width / 2.0)


def _placed(strip: BaseGeometry, outline: Outline | None, name: str) -> list[Note]:
    """Refuse a strip elsewhere; say so where it does not reach the field."""
    if outline is None:
        return []
    gap = float(shapely.distance(strip, outline.geometry))
    if gap > _LONGEST:
        msg = f"{name}: lies {distance_words(gap)} from the field, need it beside it."
        raise InputError(msg, "look whether this strip belongs to this field")
    reach = max(
        shapely.distance(outline.geometry, shapely.Point(corner))
        for corner in shapely.get_coordinates(strip)
    )
    notes = []
    if reach > _LONGEST:
        sentence = (
            f"{name}: reaches {distance_words(float(reach))} from the field; the map "
            "becomes that large. Cut the strip where the field road ends."
        )
        notes.append(Note("access.long", "check", sentence, 1, name))
    if gap > 20.0:
        sentence = (
            f"{name}: ends {distance_words(gap)} before the field; what is driven "
            "between them is left out."
        )
        notes.append(Note("access.apart", "check", sentence, 1, name))
    return notes
