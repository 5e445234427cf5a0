"""Ground no shank goes into, and ground where it may go only so deep."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from trafficmap.core.notes import Note
from trafficmap.core.units import from_si

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    from trafficmap.core.settings.zones import ZoneSettings
    from trafficmap.field.model import Field

_UNLOCATED = ("buried line", "tile")

_WHY = {
    "lane": "wheels will use it again, loosening it is wasted",
    "crossing": "loaded wheels cross here again before planting and would press "
    "loosened ground harder than before",
    "waterway": "water runs here and would wash loose soil away",
    "slope": "too steep, loosened soil would wash",
    "organic soil": "organic soil shrinks and rots when it is opened",
    "wet spot": "it stays wet at depth and would smear",
}
"""What stands against shanks, by kind of keep-out; common practice, no source."""

_SAME = 0.03  # covers nearer than this are the same [m]; choice


@dataclass(frozen=True)
class Cap:
    """A strip above located tile where the tip may go only so deep.

    Parameters
    ----------
    geometry : Polygon or MultiPolygon
        The line with its buffer, cut to the boundary.
    name : str
    cover : float
        Soil above the tile. [m]
    deepest : float
        Deepest tip there. [m]
    """

    geometry: BaseGeometry
    name: str
    cover: float
    deepest: float


def keep_out_shapes(field: Field, *, width: float = 0.0) -> list[dict]:
    """Return geometry (buffered, cut to the boundary), why and located of keep-outs.

    Earlier ones win where they overlap, those that are not located first. Located tile
    whose depth is known is no keep-out, see `tile_caps`.

    Parameters
    ----------
    field : Field
    width : float
        Kept free round points and lines that have no buffer, half to each side. [m]
    """
    shapes = []
    for row in field.obstacles.itertuples():
        if _is_cap(row, field):
            continue
        geometry = _with_buffer(row, width).intersection(field.boundary)
        if geometry.is_empty or geometry.area == 0.0:
            continue
        located = bool(row.located) or row.kind not in _UNLOCATED
        name = str(getattr(row, "name", "") or "")
        what = row.kind if name in ("", row.kind) else f"{row.kind} ({name})"
        because = f", {_WHY[row.kind]}" if row.kind in _WHY else ""
        why = f"{what}: keep the shanks up{because}"
        shapes.append({"geometry": geometry, "why": why, "located": located})
    return sorted(shapes, key=lambda shape: shape["located"])


def tile_caps(field: Field, *, settings: ZoneSettings) -> list[Cap]:
    """Return the strips above located tile of known depth, shallowest first.

    Parameters
    ----------
    field : Field
    settings : ZoneSettings
        ``tile_clearance`` is kept between tip and tile.
    """
    caps = []
    for row in field.obstacles.itertuples():
        if not _is_cap(row, field):
            continue
        geometry = _with_buffer(row, 0.0).intersection(field.boundary)
        if geometry.is_empty or geometry.area == 0.0:
            continue
        cover = _cover(row, field)
        deepest = cover - settings.tile_clearance
        name = str(getattr(row, "name", "") or "tile")
        caps.append(Cap(geometry, name, cover, deepest))
    return sorted(caps, key=lambda cap: cap.deepest)


def exclusion_notes(field: Field, *, width: float) -> list[Note]:
    """Say what was assumed of keep-outs, and what of tile contradicts itself.

    Parameters
    ----------
    field : Field
    width : float
        Kept free where no buffer is said. [m]
    """
    notes = []
    obstacles = field.obstacles
    flat = [row for row in obstacles.itertuples() if _is_flat(row)]
    if flat:
        kinds = ", ".join(sorted({str(row.kind) for row in flat}))
        told = (
            "keep-out is a line or point"
            if len(flat) == 1
            else ("keep-outs are lines or points")
        )
        sentence = (
            f"{len(flat)} {told} without a width ({kinds}): "
            f"{_short(width)} is kept free along them; say buffer_m."
        )
        notes.append(Note("zones.keep_out_width", "check", sentence, len(flat)))
    covers = [
        (str(row.name or "tile"), float(row.cover))
        for row in obstacles.itertuples()
        if row.kind == "tile" and not math.isnan(row.cover)
    ]
    stated = field.tile.cover if field.tile.state == "known" else None
    for name, cover in covers:
        if stated is None or abs(cover - stated) < _SAME:
            continue
        word = "shallower" if cover < stated else "deeper"
        rule = (
            "the smaller counts along that line"
            if cover < stated
            else "the smaller counts everywhere, also along that line"
        )
        sentence = (
            f"tile line {name} lies {word} than stated: {_short(cover)} of soil above "
            f"it, {_short(stated)} under [tile]; {rule}. Measure it and correct one of "
            "the two."
        )
        notes.append(Note("zones.tile_covers", "check", sentence, 1, name))
    tiles = int((obstacles["kind"] == "tile").sum())
    if tiles and field.tile.state == "none":
        told = "1 tile line is" if tiles == 1 else f"{tiles} tile lines are"
        sentence = (
            f"[tile] says there is none, yet {told} drawn: the lines count where they "
            "lie, nothing is held back elsewhere. Correct [tile]."
        )
        notes.append(Note("zones.tile_denied", "check", sentence, tiles))
    return notes


def cap_reason(cap: Cap, depth: float, clearance: float) -> str:
    """Say why the shanks stay up over tile in ground that is ripped to `depth` [m]."""
    return (
        f"tile ({cap.name}) has {_short(cap.cover)} of soil above it: a tip at "
        f"{_short(depth)} would come nearer than {_short(clearance)}, keep the shanks "
        "up here"
    )


def _is_cap(row, field: Field) -> bool:
    """Return whether a tile line is located and its depth known."""
    located = row.kind == "tile" and bool(row.located)
    return located and not math.isnan(_cover(row, field))


def _cover(row, field: Field) -> float:
    """Return the soil above a tile line [m]: its own, else the field's, else NaN."""
    if not math.isnan(row.cover):
        return float(row.cover)
    if field.tile.state == "known" and field.tile.cover is not None:
        return float(field.tile.cover)
    return math.nan


def _is_flat(row) -> bool:
    """Return whether a keep-out has neither area nor buffer."""
    return not row.buffer > 0.0 and row.geometry.area == 0.0


def _with_buffer(row, width: float) -> BaseGeometry:
    """Return the shape of an obstacle with what is kept free round it."""
    if row.buffer > 0.0:
        return row.geometry.buffer(float(row.buffer))
    return row.geometry.buffer(width / 2) if _is_flat(row) else row.geometry


def _short(metres: float) -> str:
    """Write a short length in both units: inches below a yard and a half, then feet."""
    inches = from_si(metres, "in")
    if metres < 1.4:
        return f"{inches:.0f} in ({metres * 100:.0f} cm)"
    return f"{inches / 12:.0f} ft ({metres:.1f} m)"
