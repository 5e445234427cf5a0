"""Cut the ground into units: keep-outs, end rows, overlaps, risky ground, the rest."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import ndimage

import trafficmap.formats._gdal  # noqa: F401 - process settings before rasterio

from rasterio.features import geometry_mask, rasterize  # isort: skip
from rasterio.transform import Affine  # isort: skip

from trafficmap.core.layers import get_layer, put_layer
from trafficmap.core.notes import Note
from trafficmap.field.place import area_words
from trafficmap.risk.assess import worst_depth
from trafficmap.zones.drivable import (
    Size,
    end_row_ground,
    narrowest_side,
    row_heading,
)
from trafficmap.zones.dug import hulls_of_dug
from trafficmap.zones.earlier import left_from_earlier
from trafficmap.zones.exclude import exclusion_notes, keep_out_shapes
from trafficmap.zones.pieces import (
    at_most,
    by_ground,
    kinds_of_ground,
    kinds_of_soil,
    nearest_kind,
)
from trafficmap.zones.unanswered import open_causes
from trafficmap.zones.units import REST, Units, open_ground, summarise

if TYPE_CHECKING:
    import xarray as xr

    from trafficmap.core.grid import FieldGrid
    from trafficmap.core.settings.zones import ZoneSettings
    from trafficmap.field.model import Field, Tool


def candidates(
    tray: xr.Dataset,
    *,
    field: Field,
    grid: FieldGrid,
    settings: ZoneSettings,
    tool: Tool | None = None,
    columns: Any = None,
) -> tuple[Units, list[Note]]:
    """Cut the ground into units that get one advice each.

    In this order, each taking what the ones before left: keep-outs with their buffer;
    end rows (every connected strip, whatever its size); strips where liquid was put
    down at least ``overlap_ratio`` times what one pass of the machine there puts down,
    widened by one working width, where they touch risky ground; risky ground in the
    body, seeded where the chance under the wheel, of this season or as left from an
    earlier one, reaches ``seed`` at the worst of 0.25, 0.35 and 0.50 m and grown to
    what a machine can drive; ground that people found a layer in; ground without an
    answer, by what is not known there; the rest. End rows and body are cut where the
    soil changes and, with a map of slopes, where it gets too steep, the body also where
    ground that got liquid begins: readings on one side say nothing of the other. Sizes
    are choices without field validation.

    Parameters
    ----------
    tray : xarray.Dataset
        With inside, run_over, passes, heaviest_axle and the risk layers; liquid,
        liquid_once, soil_unit, slope, first_day and end_rows if there are any. Takes
        end_rows when it has none.
    field : Field
    grid : FieldGrid
    settings : ZoneSettings
    tool : Tool, optional
        The tool that would rip; gives the working width.
    columns : SoilColumns, optional

    Returns
    -------
    Units
    list of Note
    """
    notes: list[Note] = []
    inside = np.nan_to_num(get_layer(tray, "inside")) > 0
    width = tool.width if tool is not None else settings.width_assumed
    if tool is None:
        sentence = (
            f"no tool is named: zones are cut for a working width of {width:g} m. "
            "Name the tool in field.toml to cut them for yours."
        )
        notes.append(Note("zones.width_assumed", "check", sentence))
    heading = row_heading(field.boundary, field.rows_heading)
    label = np.where(inside, REST, -1).astype(np.int32)
    kinds = [_kind("rest")]
    size = Size(width, settings=settings, cell=grid.cell, heading=heading, tool=tool)
    _add_keep_outs(label, kinds, field, grid, width)
    notes += exclusion_notes(field, width=width)
    ends = _end_rows(tray, field, grid, heading, inside)
    risky = worst_depth(get_layer(tray, "probability")) >= settings.seed
    earlier = left_from_earlier(tray)
    if earlier is not None:
        risky |= earlier >= settings.seed
    notes += _room_notes(size, field, label == REST, width)
    soil = kinds_of_soil(tray, slope_limit=settings.slope_limit)
    ground = kinds_of_ground(soil, tray)
    least = round(settings.min_area / grid.cell_area)
    strips = ends & (label == REST)
    _add_parts(label, kinds, strips, "end_rows", parts=by_ground(strips, soil, least))
    grown = size.grow(risky & (label == REST), free=label == REST)
    touched = grown | (risky & inside)
    _add_overlaps(label, kinds, tray, field, settings, size, touched)
    body = size.drivable(grown & (label == REST))
    too_many = _add_parts(
        label,
        kinds,
        body,
        "body",
        most=settings.most_units,
        rank=risky,
        parts=at_most(by_ground(body, ground, least), settings.most_units, soil=soil),
    )
    dug = hulls_of_dug(field.dug, label, grid=grid, width=width, settings=settings)
    _add_parts(label, kinds, dug & (label == REST), "body")
    unknown = open_ground(tray) & (label == REST)
    unknown = size.grow(unknown, free=label == REST)
    _add_parts(
        label,
        kinds,
        unknown,
        "body",
        parts=by_ground(unknown, nearest_kind(open_causes(tray)), least),
    )
    column_of_cell = None if columns is None else columns.column_of_cell
    table = summarise(
        label,
        kinds,
        tray=tray,
        grid=grid,
        settings=settings,
        column_of_cell=column_of_cell,
    )
    left = risky & (label == REST)
    notes += _left_notes(int(np.count_nonzero(left)), too_many, grid)
    return Units(table, label, grid, heading), notes


def _kind(kind: str, why: str = "", *, located: bool = True) -> dict:
    return {"kind": kind, "leave_why": why, "located": located}


def _add_keep_outs(
    label: np.ndarray, kinds: list[dict], field: Field, grid: FieldGrid, width: float
) -> None:
    """Give every keep-out its own unit; a cell it touches at all is its own."""
    for obstacle in keep_out_shapes(field, width=width):
        mask = ~geometry_mask(
            [obstacle["geometry"]], grid.shape, _affine(grid), all_touched=True
        )
        mine = mask & (label >= 0) & ~_taken(label, kinds, "keep_out")
        if not mine.any():
            continue
        label[mine] = len(kinds)
        kinds.append(_kind("keep_out", obstacle["why"], located=obstacle["located"]))


def _end_rows(
    tray: xr.Dataset,
    field: Field,
    grid: FieldGrid,
    heading: float,
    inside: np.ndarray,
) -> np.ndarray:
    """Return the cells of the end rows, making the layer when nobody has."""
    if "end_rows" in tray:
        return get_layer(tray, "end_rows") == 1
    ends = np.zeros(grid.shape, dtype=np.bool_)
    if field.end_row_width:
        ground = end_row_ground(
            field.boundary, width=field.end_row_width, heading=heading
        )
        if not ground.is_empty:
            burnt = rasterize([ground], grid.shape, transform=_affine(grid))
            ends = (burnt == 1) & inside
    put_layer(tray, "end_rows", np.where(inside, ends, 255))
    return ends


def _add_overlaps(
    label: np.ndarray,
    kinds: list[dict],
    tray: xr.Dataset,
    field: Field,
    settings: ZoneSettings,
    size: Size,
    touched: np.ndarray,
) -> None:
    """Give every strip of doubled liquid that touches risky ground its own unit."""
    if "liquid" not in tray or "liquid_once" not in tray:
        return
    once = np.nan_to_num(get_layer(tray, "liquid_once"))
    # Against one pass of the machine that worked there: a tanker at half the rate of
    # the hose does not make all ground of the hose a double.
    double = np.nan_to_num(get_layer(tray, "liquid")) >= settings.overlap_ratio * once
    double &= once > 0.0
    if not double.any():
        return
    bars = field.liquid["width"].to_numpy(dtype=float)
    bar = float(bars.max(initial=0.0, where=np.isfinite(bars)))
    reach = bar if bar > 0.0 else 2 * size.close
    wide = ndimage.distance_transform_edt(~double) * size.cell <= reach
    parts, _ = ndimage.label(size.drivable(wide & (label == REST)))
    keep = np.unique(parts[touched & (parts > 0)])
    _add_parts(label, kinds, np.isin(parts, keep) & (parts > 0), "overlap")


def _add_parts(
    label: np.ndarray,
    kinds: list[dict],
    mask: np.ndarray,
    kind: str,
    *,
    most: int | None = None,
    rank: np.ndarray | None = None,
    parts: tuple[np.ndarray, int] | None = None,
) -> int:
    """Give every connected part of `mask` a unit; return how many were left out."""
    numbered, count = ndimage.label(mask) if parts is None else parts
    order = np.arange(1, count + 1)
    if most is not None and rank is not None and count > most:
        risky = np.bincount(numbered[rank], minlength=count + 1)[1:]
        order = np.sort(order[np.argsort(-risky, kind="stable")[:most]])
    for part in order:
        label[numbered == part] = len(kinds)
        kinds.append(_kind(kind))
    return count - order.size


def _taken(label: np.ndarray, kinds: list[dict], kind: str) -> np.ndarray:
    """Return the cells whose unit is of `kind`."""
    units = [unit for unit, row in enumerate(kinds) if row["kind"] == kind]
    return np.isin(label, units)


def _room_notes(size: Size, field: Field, free: np.ndarray, width: float) -> list[Note]:
    """Say where the tool is wider than the ground it should work."""
    notes = []
    across = narrowest_side(field.boundary)
    if free.any() and not size.has_room(free):
        sentence = (
            f"the tool is {_metres(width)} wide and needs {_metres(size.narrowest)}, "
            f"the field is {_metres(across)} across less its keep-outs: there is no "
            "room for a zone. Name a narrower tool in field.toml."
        )
        notes.append(Note("zones.tool_wide", "check", sentence))
    ends = field.end_row_width
    if ends and ends < width - 1e-9:
        sentence = (
            f"the end rows are {_metres(ends)} wide, the tool {_metres(width)}: it "
            "cannot work them apart from the body. Correct end_row_width_m or the tool."
        )
        notes.append(Note("zones.end_rows_narrow", "check", sentence))
    return notes


def _metres(length: float) -> str:
    return f"{length / 0.3048:.0f} ft ({length:.1f} m)"


def _left_notes(cells: int, too_many: int, grid: FieldGrid) -> list[Note]:
    """Say what risky ground lies in no zone."""
    notes = []
    if cells:
        sentence = (
            f"{area_words(cells * grid.cell_area)} where damage is possible or "
            "likelier lie scattered in pieces too small, too short or too narrow to "
            "work as a zone; they are left alone."
        )
        notes.append(Note("zones.too_small", "info", sentence, cells))
    if too_many:
        sentence = (
            f"{too_many} more pieces of risky ground would be zones of their own; only "
            "the largest were kept, the others are left alone. Raise zones.most_units "
            "to see them."
        )
        notes.append(Note("zones.too_many", "check", sentence, too_many))
    return notes


def _affine(grid: FieldGrid) -> Affine:
    return Affine(*grid.transform)
