"""Zones as polygons that together fill the boundary, without gap and overlap."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import shapely
from scipy import ndimage

import trafficmap.formats._gdal  # noqa: F401 - process settings before GDAL and PROJ

import geopandas as gpd  # isort: skip
from rasterio.features import rasterize, shapes  # isort: skip
from rasterio.transform import Affine  # isort: skip

from trafficmap.core.errors import InputError
from trafficmap.core.layers import put_layer
from trafficmap.core.notes import Note
from trafficmap.core.tables import ZONES, require_table
from trafficmap.field.place import Place
from trafficmap.risk.classes import risk_word
from trafficmap.zones.exclude import Cap, cap_reason, keep_out_shapes, tile_caps
from trafficmap.zones.strips import check_strips, harvest_width, strip_notes
from trafficmap.zones.units import REST, Units

if TYPE_CHECKING:
    import xarray as xr
    from shapely.geometry.base import BaseGeometry

    from trafficmap.core.settings import Settings
    from trafficmap.field.model import Field, Tool

_SMALLEST_PIECE = 200.0
"""Loose pieces of a zone below this go to the rest [m2]; choice."""

_ORDER = {
    "rip": 0, "level ruts only": 1, "carry only": 2, "wait": 3, "stop": 4,
    "probe first": 5, "not assessed": 6, "manage": 7, "leave": 8, "keep out": 9,
}  # fmt: skip


def draw(
    units: Units,
    *,
    field: Field,
    tray: xr.Dataset,
    settings: Settings,
    tool: Tool | None = None,
    why: list[str] | None = None,
) -> tuple[gpd.GeoDataFrame, list[Note]]:
    """Return the zones, and put the layers zone and work_depth into `tray`.

    Cells of a unit become an outline smoothed together with its neighbours
    (`shapely.coverage_simplify`); keep-outs, check strips and, where the tip would
    come too near to it, the strip above a tile line are cut in with their exact edges.
    All edges and the boundary are noded together once and the faces
    handed out, so the zones fill the boundary exactly. Areas are on the ellipsoid,
    scaled so that they add up to that of the boundary.

    Parameters
    ----------
    units : Units
        From `decide_units`.
    field : Field
    tray : xarray.Dataset
    settings : Settings
    tool : Tool, optional
    why : list of str, optional
        What happened on each unit, from `zones.causes`.

    Returns
    -------
    GeoDataFrame
        Contract `ZONES`, in the field's metric system; zone 0 first.
    list of Note

    Raises
    ------
    InputError
        The boundary cannot be filled, as when it crosses itself.
    """
    width = tool.width if tool is not None else settings.zones.width_assumed
    keep = keep_out_shapes(field, width=width)
    header = harvest_width(field)
    use = settings.zones
    strips = check_strips(
        units, width=width, most=use.strips, header=header, shortest=use.min_length
    )
    caps = _passed_caps(units, tile_caps(field, settings=settings.zones))
    pieces = _pieces(units, field.boundary, keep, strips, caps, settings.zones.smooth)
    rows = _rows(units, pieces, keep, strips, caps, settings, why)
    frame = gpd.GeoDataFrame(rows, geometry="geometry", crs=field.epsg)
    frame["area"] = _areas(frame, field.boundary)
    frame = frame[frame["area"] > 0].reset_index(drop=True)
    _put(frame, units, tray)
    require_table(pd.DataFrame(frame), ZONES)
    ripped = int(np.count_nonzero(units.table["advice"] == "rip"))
    notes = strip_notes(strips, ripped=ripped, most=use.strips, header=header)
    return frame, [*_cap_notes(frame, caps), *notes]


def _passed_caps(units: Units, caps: list[Cap]) -> list[tuple[int, Cap]]:
    """Return each ripped unit with each cap that its tip would pass."""
    ripped = units.table[units.table["advice"] == "rip"]
    return [
        (int(unit), cap)
        for cap in caps
        for unit, depth in zip(ripped["unit"], ripped["depth"], strict=True)
        if depth > cap.deepest + 1e-9
    ]


def _cap_notes(frame: gpd.GeoDataFrame, caps: list[tuple[int, Cap]]) -> list[Note]:
    """Say that shanks go up over tile that lies shallower than they would reach."""
    capped = frame[(frame["kind"] == "keep_out") & (frame["row"] == "D7")]
    if not len(capped):
        return []
    names = ", ".join(sorted({cap.name for _, cap in caps}))
    places = "1 place" if len(capped) == 1 else f"{len(capped)} places"
    sentence = (
        f"tile lies too shallow for the tip in {places} ({names}): lift "
        "the shanks there, the map shows where."
    )
    return [Note("zones.tile_shallow", "check", sentence, len(capped))]


def _pieces(
    units: Units,
    boundary: BaseGeometry,
    keep: list[dict],
    strips: list[tuple[int, BaseGeometry]],
    caps: list[tuple[int, Cap]],
    smooth: float,
) -> dict[tuple[str, int], BaseGeometry]:
    """Return the geometry of each unit, keep-out and strip; together the boundary."""
    numbers, outlines = _outlines(units, smooth)
    cuts = [shape["geometry"] for shape in keep] + [strip for _, strip in strips]
    cuts += [cap.geometry for _, cap in caps]
    faces = _faces(boundary, [*outlines, *cuts])
    points = shapely.point_on_surface(faces)
    owner: list[tuple[str, int] | None] = [None] * len(faces)
    tree = shapely.STRtree(points)
    for number, outline in zip(numbers, outlines, strict=True):
        for k in tree.query(outline, predicate="intersects"):
            owner[k] = ("unit", int(number))
    for strip, (unit, shape) in enumerate(strips):
        for k in tree.query(shape, predicate="intersects"):
            if owner[k] == ("unit", unit):
                owner[k] = ("strip", strip)
    for place, (unit, cap) in enumerate(caps):
        for k in tree.query(cap.geometry, predicate="intersects"):
            if owner[k] == ("unit", unit):
                owner[k] = ("cap", place)
    for place, shape in reversed(list(enumerate(keep))):
        for k in tree.query(shape["geometry"], predicate="intersects"):
            owner[k] = ("keep", place)
    kinds = units.table["kind"]
    groups: dict[tuple[str, int], list] = {}
    for who, face in zip(owner, faces, strict=True):
        # What the cells called keep-out beyond its exact edge is ordinary ground.
        if who is None or (who[0] == "unit" and kinds.iloc[who[1]] == "keep_out"):
            who = ("unit", REST)
        groups.setdefault(who, []).append(face)
    for who in [who for who in groups if who[0] == "unit" and who[1] != REST]:
        groups[who], loose = _loose(groups[who])
        groups.setdefault(("unit", REST), []).extend(loose)
    return {who: shapely.union_all(faces) for who, faces in groups.items() if faces}


def _outlines(units: Units, smooth: float) -> tuple[list[int], list[BaseGeometry]]:
    """Return each unit's number and its outline, smoothed together."""
    label = units.label
    if (label < 0).all():
        return [], []
    # Cells beyond the boundary take their neighbour's unit, so that the boundary and
    # not the edge of a cell cuts the outline.
    place = ndimage.distance_transform_edt(
        np.pad(label, 1, constant_values=-1) < 0,
        return_distances=False,
        return_indices=True,
    )
    wide = np.pad(label, 1, constant_values=-1)[place[0], place[1]].astype(np.int32)
    grid = units.grid
    cell = grid.cell
    transform = Affine(cell, 0.0, grid.west - cell, 0.0, -cell, grid.north + cell)
    parts: dict[int, list] = {}
    for geometry, number in shapes(wide, connectivity=4, transform=transform):
        parts.setdefault(int(number), []).append(shapely.geometry.shape(geometry))
    numbers = sorted(parts)
    outlines = np.array([shapely.union_all(parts[n]) for n in numbers])
    if smooth > 0 and len(numbers) > 1:
        tolerance = np.sqrt(smooth)
        outlines = shapely.coverage_simplify(
            outlines, tolerance, simplify_boundary=False
        )
    return numbers, list(outlines)


def _faces(boundary: BaseGeometry, areas: list[BaseGeometry]) -> np.ndarray:
    """Return the faces all outlines cut the boundary into."""
    lines = [shapely.boundary(boundary), *(shapely.boundary(area) for area in areas)]
    for step in (None, 1e-6):
        noded = (
            shapely.union_all(lines)
            if step is None
            else shapely.union_all(lines, grid_size=step)
        )
        faces = shapely.get_parts(shapely.polygonize([noded]))
        inside = shapely.contains(boundary, shapely.point_on_surface(faces))
        faces = faces[inside]
        if abs(float(shapely.area(faces).sum()) - boundary.area) <= 1e-3:
            return faces
    msg = (
        f"boundary: zones fill {shapely.area(faces).sum():.1f} m2 of "
        f"{boundary.area:.1f} m2, need all of it."
    )
    raise InputError(msg, "look for a boundary that crosses or touches itself")


def _loose(faces: list) -> tuple[list, list]:
    """Return the faces that hang together in large pieces, and the others."""
    whole = shapely.get_parts(shapely.union_all(faces))
    small = whole[shapely.area(whole) < _SMALLEST_PIECE]
    if not small.size or small.size == whole.size:
        return faces, []
    points = shapely.point_on_surface(np.asarray(faces))
    loose = shapely.intersects(shapely.union_all(small), points)
    return (
        [face for face, out in zip(faces, loose, strict=True) if not out],
        [face for face, out in zip(faces, loose, strict=True) if out],
    )


def _rows(
    units: Units,
    pieces: dict[tuple[str, int], BaseGeometry],
    keep: list[dict],
    strips: list[tuple[int, BaseGeometry]],
    caps: list[tuple[int, Cap]],
    settings: Settings,
    why: list[str] | None,
) -> list[dict]:
    """Return the zones table, numbered: the rest 0, then what needs work first."""
    table = units.table
    rows = []
    for who, geometry in pieces.items():
        what, place = who
        if what == "keep":
            unit = _unit_of_keep_out(units, keep, place)
            row = _row(table.iloc[unit], settings, "")
            located = keep[place]["located"]
            row |= {
                "kind": "keep_out",
                "advice": "keep out",
                "row": "D20" if located else "D17",
                "depth": np.nan,
                "reason": _sentence(
                    keep[place]["why"] + ("" if located else " till it is located"), ""
                ),
            }
        elif what == "cap":
            unit, cap = caps[place]
            depth = float(table["depth"].iloc[unit])
            clearance = settings.zones.tile_clearance
            row = _row(table.iloc[unit], settings, "")
            row |= {
                "kind": "keep_out",
                "advice": "keep out",
                "row": "D7",
                "depth": np.nan,
                "further": "",
                "run_heading": np.nan,
                "reason": _sentence(cap_reason(cap, depth, clearance), ""),
            }
        elif what == "strip":
            unit = strips[place][0]
            row = _row(table.iloc[unit], settings, "")
            row |= {
                "kind": "strip",
                "advice": "leave",
                "row": "D20",
                "depth": np.nan,
                "further": "",
                "run_heading": np.nan,
                "reason": "Check strip: stays as it is, so that the next harvest shows "
                "whether ripping paid.",
            }
        else:
            cause = why[place] if why is not None else ""
            row = _row(table.iloc[place], settings, cause)
            row["further"] = _over_strips(row, [who for who, _ in strips].count(place))
            unit = place
        row["unit"] = unit
        row["geometry"] = geometry
        rows.append(row)
    rows.sort(
        key=lambda row: (
            row["kind"] != "rest",
            _ORDER[row["advice"]],
            row["kind"] == "strip",
            -row["geometry"].area,
        )
    )
    for number, row in enumerate(rows):
        row["zone"] = number
    if rows and rows[0]["kind"] != "rest":
        for row in rows:
            row["zone"] += 1
    return rows


def _row(unit: pd.Series, settings: Settings, cause: str) -> dict:
    """Return one row of the zones table from the unit's row."""
    shown = unit["probability"] if unit["assessed"] else np.nan
    return {
        "zone": 0,
        "kind": unit["kind"],
        "advice": unit["advice"],
        "row": unit["row"],
        "depth": float(unit["depth"]),
        "layer_bottom": float(unit["layer_bottom"]),
        "risk": risk_word(shown, settings=settings.risk),
        "probability": float(shown),
        "worst_depth": float(unit["worst_depth"]),
        "probed": unit["probed"],
        "fit": unit["fit"],
        "area": np.nan,
        "run_over": float(unit["run_over"]),
        "damaged_share": float(unit["damaged_share"]),
        "passes": float(unit["passes"]),
        "heaviest_axle": float(unit["heaviest_axle"]),
        "rut": float(unit["rut"]),
        "sand": float(unit["sand"]),
        "clay": float(unit["clay"]),
        "reason": _sentence(unit["reason"], cause),
        "further": _further(unit),
        "run_heading": float(unit.get("run_heading", np.nan)),
        "trial": bool(unit["trial"]),
    }


def _further(unit: pd.Series) -> str:
    """Return the other reasons; where it is ripped also which way to drive."""
    words = unit.get("run_words", "") if unit["advice"] == "rip" else ""
    return "; ".join(part for part in (words, unit["further"]) if part)


def _over_strips(row: dict, count: int) -> str:
    """Return the other reasons, with a word on check strips that are crossed."""
    if not count or row["advice"] != "rip":
        return row["further"]
    strips = "its check strip" if count == 1 else f"its {count} check strips"
    parts = (row["further"], f"lift the shanks over {strips}")
    return "; ".join(part for part in parts if part)


def _sentence(reason: str, cause: str) -> str:
    """Return one plain sentence from the reason and what happened."""
    text = f"{reason} ({cause})" if cause else reason
    return text[:1].upper() + text[1:] + "."


def _unit_of_keep_out(units: Units, keep: list[dict], place: int) -> int:
    """Return the unit of a keep-out, the rest where its cells all went to another."""
    whys = units.table["leave_why"].tolist()
    why = keep[place]["why"]
    return whys.index(why) if why in whys else REST


def _areas(frame: gpd.GeoDataFrame, boundary: BaseGeometry) -> np.ndarray:
    """Return the area of each zone on the ellipsoid, adding up to the boundary's."""
    place = Place(int(frame.crs.to_epsg()))
    # Ring by ring: a hole drawn the same way round as its outline is a hole as well.
    target = place.area(boundary)
    own = np.array([place.area(shape) for shape in frame.geometry])
    # An edge cut into pieces is not the same geodesic, so the sum is off by parts in
    # a million; the share of each zone is not.
    return own * (target / own.sum())


def _put(frame: gpd.GeoDataFrame, units: Units, tray: xr.Dataset) -> None:
    """Put zone number and working depth on the grid, for displays that take cells."""
    grid = units.grid
    transform = Affine(*grid.transform)
    zone = np.zeros(grid.shape, dtype=np.int16)
    depth = np.zeros(grid.shape, dtype=np.int16)
    for row in frame.itertuples():
        if row.zone == 0:
            continue
        mask = rasterize([row.geometry], grid.shape, transform=transform) == 1
        zone[mask] = row.zone
        if row.advice == "rip":
            depth[mask] = round(row.depth * 1000)
    for row in frame[frame["kind"] == "keep_out"].itertuples():
        # Whatever a keep-out touches stays untouched.
        mask = rasterize(
            [row.geometry], grid.shape, transform=transform, all_touched=True
        )
        zone[mask == 1] = row.zone
        depth[mask == 1] = 0
    inside = np.nan_to_num(tray["inside"].values)
    depth[inside < 0.5] = 0
    put_layer(tray, "zone", np.where(inside > 0, zone, -1))
    put_layer(tray, "work_depth", np.where(inside > 0, depth, -32768))
