"""Cut the ground into units: keep-outs, end rows, overlaps, risky ground, the rest."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import ndimage
from shapely.affinity import translate

import trafficmap.formats._gdal  # noqa: F401 - process settings before rasterio

from rasterio.features import geometry_mask, rasterize  # isort: skip
from rasterio.transform import Affine  # isort: skip

from trafficmap.core.layers import get_layer, put_layer
from trafficmap.core.notes import Note
from trafficmap.field.place import area_words
from trafficmap.risk.assess import worst_depth
from trafficmap.zones.dug import hulls_of_dug
from trafficmap.zones.units import REST, Units, open_ground, summarise

if TYPE_CHECKING:
    import xarray as xr
    from shapely.geometry.base import BaseGeometry

    from trafficmap.core.grid import FieldGrid
    from trafficmap.core.settings.zones import ZoneSettings
    from trafficmap.field.model import Field, Tool

_UNLOCATED = ("buried line", "tile")


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
    down at least ``overlap_ratio`` times the single rate, widened by one working
    width, where they touch risky ground; risky ground in the body, seeded where the
    chance under the wheel reaches ``seed`` at the worst of 0.25, 0.35 and 0.50 m and
    grown to what a machine can drive, and cut where the soil unit changes; ground that
    people found a layer in; ground without an answer; the rest. Sizes are choices
    without field validation.

    Parameters
    ----------
    tray : xarray.Dataset
        With inside, run_over, passes, heaviest_axle and the risk layers; liquid and
        end_rows if there are any. Takes end_rows when it has none.
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
    _add_keep_outs(label, kinds, field, grid)
    ends = _end_rows(tray, field, grid, heading, inside)
    risky = worst_depth(get_layer(tray, "probability")) >= settings.seed
    size = _Size(width, settings, grid.cell, heading, tool)
    _add_parts(label, kinds, ends & (label == REST), "end_rows")
    grown = size.grow(risky & (label == REST), free=label == REST)
    touched = grown | (risky & inside)
    _add_overlaps(label, kinds, tray, field, settings, grid, width, touched)
    body = size.grow(grown & (label == REST), free=label == REST, radius=0.0)
    too_many = _add_parts(
        label,
        kinds,
        body,
        "body",
        most=settings.most_units,
        rank=risky,
        parts=_by_soil(body, tray, round(settings.min_area / grid.cell_area)),
    )
    dug = hulls_of_dug(field.dug, label, grid=grid, width=width, settings=settings)
    _add_parts(label, kinds, dug & (label == REST), "body")
    unknown = open_ground(tray) & (label == REST)
    unknown = size.grow(unknown, free=label == REST)
    _add_parts(label, kinds, unknown, "body")
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


def row_heading(boundary: BaseGeometry, heading_deg: float | None) -> float:
    """Return the direction of the rows [rad], from the long side if nobody said.

    Parameters
    ----------
    boundary : Polygon or MultiPolygon
        Metric coordinates.
    heading_deg : float or None
        Clockwise from north. [deg]
    """
    if heading_deg is not None and not math.isnan(heading_deg):
        return math.radians(heading_deg)
    box = boundary.minimum_rotated_rectangle
    corners = np.asarray(box.exterior.coords)
    sides = np.diff(corners, axis=0)[:2]
    longest = sides[np.argmax(np.hypot(sides[:, 0], sides[:, 1]))]
    return math.atan2(longest[0], longest[1]) % math.pi


def end_row_ground(
    boundary: BaseGeometry, *, width: float, heading: float
) -> BaseGeometry:
    """Return the ground from which a run of `width` along the rows leaves the field.

    Parameters
    ----------
    boundary : Polygon or MultiPolygon
        Metric coordinates.
    width : float
        Width of the end rows. [m]
    heading : float
        Direction of the rows. [rad]
    """
    east, north = width * math.sin(heading), width * math.cos(heading)
    body = boundary.intersection(translate(boundary, east, north))
    body = body.intersection(translate(boundary, -east, -north))
    return boundary.difference(body)


class _Size:
    """Grows marked cells to what a machine can drive, and drops what it cannot."""

    def __init__(
        self,
        width: float,
        settings: ZoneSettings,
        cell: float,
        heading: float,
        tool: Tool | None,
    ) -> None:
        self.cell = cell
        self.heading = heading
        self.narrowest = width + 2 * settings.place_error
        # A single cell must come out as wide as the machine needs, in whole cells.
        self.widen = math.ceil((self.narrowest - cell) / 2 / cell) * cell
        self.close = width / 2
        rig = (tool.length or 0.0) if tool is not None else 0.0
        self.shortest = max(settings.min_length, settings.machine_lengths * rig)
        self.min_area = settings.min_area

    def grow(
        self, seeds: np.ndarray, *, free: np.ndarray, radius: float | None = None
    ) -> np.ndarray:
        """Return seeds widened, joined over less than a width, and large enough."""
        if not seeds.any():
            return seeds
        widen = self.widen if radius is None else radius
        near = ndimage.distance_transform_edt(~seeds) * self.cell <= widen
        # Closing: what lies nearer to the ground outside than half a width after
        # widening by half a width stays outside.
        wide = ndimage.distance_transform_edt(~near) * self.cell <= self.close
        shape = ndimage.distance_transform_edt(np.pad(wide, 1)) * self.cell
        filled = shape[1:-1, 1:-1] > self.close
        out = (near | filled) & free
        parts, count = ndimage.label(out)
        sizes = np.bincount(parts.ravel(), minlength=count + 1) * self.cell**2
        for part, box in enumerate(ndimage.find_objects(parts), start=1):
            mine = parts[box] == part
            small = sizes[part] < self.min_area
            if small or longest_run(mine, self.heading, self.cell) < self.shortest:
                out[box][mine] = False
        return out


def longest_run(mask: np.ndarray, heading: float, cell: float) -> float:
    """Return how far the cells of `mask` reach along `heading` [rad], in metres."""
    rows, cols = np.nonzero(mask)
    if rows.size == 0:
        return 0.0
    along = (cols * math.sin(heading) - rows * math.cos(heading)) * cell
    return float(along.max() - along.min()) + cell


def _kind(kind: str, why: str = "", *, located: bool = True) -> dict:
    return {"kind": kind, "leave_why": why, "located": located}


def _add_keep_outs(
    label: np.ndarray, kinds: list[dict], field: Field, grid: FieldGrid
) -> None:
    """Give every keep-out its own unit; a cell it touches at all is its own."""
    for obstacle in keep_out_shapes(field):
        mask = ~geometry_mask(
            [obstacle["geometry"]], grid.shape, _affine(grid), all_touched=True
        )
        mine = mask & (label >= 0) & ~_taken(label, kinds, "keep_out")
        if not mine.any():
            continue
        label[mine] = len(kinds)
        kinds.append(_kind("keep_out", obstacle["why"], located=obstacle["located"]))


def keep_out_shapes(field: Field) -> list[dict]:
    """Return geometry (buffered, cut to the boundary), why and located of keep-outs.

    Earlier ones win where they overlap, those that are not located first.
    """
    shapes = []
    for row in field.obstacles.itertuples():
        buffer = 0.0 if math.isnan(row.buffer) else float(row.buffer)
        geometry = row.geometry.buffer(buffer) if buffer > 0 else row.geometry
        geometry = geometry.intersection(field.boundary)
        if geometry.is_empty or geometry.area == 0.0:
            continue
        located = bool(row.located) or row.kind not in _UNLOCATED
        name = str(getattr(row, "name", "") or "")
        what = row.kind if name in ("", row.kind) else f"{row.kind} ({name})"
        why = f"{what}: keep the shanks up"
        shapes.append({"geometry": geometry, "why": why, "located": located})
    return sorted(shapes, key=lambda shape: shape["located"])


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
    grid: FieldGrid,
    width: float,
    touched: np.ndarray,
) -> None:
    """Give every strip of doubled liquid that touches risky ground its own unit."""
    rates = field.liquid["rate"].to_numpy() if len(field.liquid) else np.empty(0)
    rates = rates[rates > 0]
    if "liquid" not in tray or not rates.size:
        return
    double = np.nan_to_num(get_layer(tray, "liquid")) >= (
        settings.overlap_ratio * rates.min()
    )
    if not double.any():
        return
    bar = float(np.nanmax(field.liquid["width"].to_numpy(dtype=float)))
    reach = bar if math.isfinite(bar) else width
    wide = ndimage.distance_transform_edt(~double) * grid.cell <= reach
    parts, count = ndimage.label(wide & (label == REST))
    keep = np.unique(parts[touched & (parts > 0)])
    sizes = np.bincount(parts.ravel(), minlength=count + 1) * grid.cell_area
    keep = keep[sizes[keep] >= settings.min_area]
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


def _by_soil(mask: np.ndarray, tray: xr.Dataset, least: int) -> tuple[np.ndarray, int]:
    """Number the connected parts of `mask`, cut where the soil unit changes.

    Probes in sand say nothing about clay. What is smaller than `least` cells after the
    cut stays with the nearest larger piece of its own part.
    """
    whole, found = ndimage.label(mask)
    if "soil_unit" not in tray:
        return whole, found
    soil = get_layer(tray, "soil_unit")
    out = np.zeros(mask.shape, dtype=np.int32)
    count = 0
    for part, box in enumerate(ndimage.find_objects(whole), start=1):
        mine = whole[box] == part
        cut = np.zeros(mine.shape, dtype=np.int32)
        pieces = 0
        for unit in np.unique(soil[box][mine]):
            numbered, _ = ndimage.label(mine & (soil[box] == unit))
            sizes = np.bincount(numbered.ravel())
            for piece in np.flatnonzero(sizes[1:] >= least) + 1:
                pieces += 1
                cut[numbered == piece] = pieces
        if pieces == 0:
            pieces, cut = 1, mine.astype(np.int32)
        place = ndimage.distance_transform_edt(
            cut == 0, return_distances=False, return_indices=True
        )
        cut = cut[place[0], place[1]]
        out[box][mine] = cut[mine] + count
        count += pieces
    return out, count


def _taken(label: np.ndarray, kinds: list[dict], kind: str) -> np.ndarray:
    """Return the cells whose unit is of `kind`."""
    units = [unit for unit, row in enumerate(kinds) if row["kind"] == kind]
    return np.isin(label, units)


def _left_notes(cells: int, too_many: int, grid: FieldGrid) -> list[Note]:
    """Say what risky ground lies in no zone."""
    notes = []
    if cells:
        sentence = (
            f"{area_words(cells * grid.cell_area)} where damage is possible or "
            "likelier lie scattered in pieces too small to work as a zone; they are "
            "left alone."
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
