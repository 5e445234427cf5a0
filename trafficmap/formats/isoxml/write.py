"""Task data for a display: ISO 11783-10, version 3.3 or 4.3, grid or polygons.

The file is built by hand from the attribute names and types of the public schemas
(ISO11783_TaskFile_V3-3.xsd and V4-3.xsd); zones are plain depths here, and why a
piece of ground has its depth is nobody's business in this module.
"""

from __future__ import annotations

import math
import unicodedata
import xml.etree.ElementTree as ET
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from trafficmap.core.errors import InputError
from trafficmap.formats import _gdal  # noqa: F401

if TYPE_CHECKING:
    import geopandas as gpd
    from shapely import Polygon
    from shapely.geometry.base import BaseGeometry

DDI_DEPTH_SETPOINT = 0x0033
"""Setpoint tillage depth [mm], as in every public list of the data dictionary."""

MAX_ZONES = 32
MAX_CELLS_A_SIDE = 250
MIN_CELL = 5.0
MAX_VERTICES = 10_000
MAX_RING_VERTICES = 500
MIN_PART = 200.0
MAX_TEXT = 32
"""Limits of terminals; choice, no maker has published numbers."""

_COLOURS = (15, 121, 91, 61, 31, 151, 181, 211)
_VALUE_SHOWN = {"in": ("0.039370079", "1"), "cm": ("0.1", "1"), "mm": ("1.0", "0")}


@dataclass(frozen=True)
class TaskGrid:
    """A grid of zone codes in degrees, row 0 at the southern edge.

    Parameters
    ----------
    south, west : float
        Corner of the first cell. [deg]
    height, width : float
        Size of a cell. [deg]
    cell : float
        Side of a cell on the ground. [m]
    codes : ndarray of uint8, shape (rows, cols)
    """

    south: float
    west: float
    height: float
    width: float
    cell: float
    codes: np.ndarray


def task_data_files(
    zones: gpd.GeoDataFrame,
    *,
    boundary: BaseGeometry | None = None,
    version: int = 3,
    form: Literal["grid", "polygons"] = "grid",
    field_name: str = "field",
    task_name: str = "depth of work",
    unit: Literal["in", "cm", "mm"] = "in",
    tool_width: float | None = None,
    leave_alone_depth: int = 0,
    software_version: str = "0",
) -> dict[str, bytes]:
    """Return the files of a TASKDATA folder by name, ``TASKDATA/...`` first.

    Zone 0 "leave alone" holds everywhere no depth is asked for: outside the field,
    in ground kept out, and when the position is lost.

    Parameters
    ----------
    zones : GeoDataFrame
        Columns ``depth`` [m], 0 or empty where the ground is left alone, geometry,
        and optionally ``keep_out`` (bool): a grid cell that touches such a zone is
        left alone as a whole. Any coordinate system, stated.
    boundary : geometry, optional
        Field boundary in the system of `zones`; their union when not given.
    version : {3, 4}
        Major version of the file.
    form : {"grid", "polygons"}
        A grid of zone codes (type 1), or a polygon a part.
    field_name, task_name : str
        Shown on the display; cut to 32 characters.
    unit : {"in", "cm", "mm"}
        What the display shows; values are whole millimetres in any case.
    tool_width : float, optional
        Working width; cells and parts are not finer than half of it. [m]
    leave_alone_depth : int
        Depth sent for zone 0. [mm]
    software_version : str
        Written into the head of the file.

    Returns
    -------
    dict of str to bytes

    Raises
    ------
    InputError
        No zones, no coordinate system, too many depths, or an unknown form.
    """
    _require(zones, version=version, form=form, unit=unit)
    outline = zones.geometry.union_all() if boundary is None else boundary
    zones = _coded(zones)
    root = ET.Element(
        "ISO11783_TaskData",
        {
            "VersionMajor": str(version),
            "VersionMinor": "3",
            "ManagementSoftwareManufacturer": "trafficmap",
            "ManagementSoftwareVersion": short_text(software_version),
            "DataTransferOrigin": "1",
        },
    )
    _add_field(root, outline, zones, short_text(field_name) or "field")
    scale, decimals = _VALUE_SHOWN[unit]
    ET.SubElement(
        root, "VPN", {"A": "VPN1", "B": "0", "C": scale, "D": decimals, "E": unit}
    )
    task = ET.SubElement(
        root,
        "TSK",
        {
            "A": "TSK1",
            "B": short_text(task_name) or "task",
            "E": "PFD1",
            "G": "1",
            "H": "0",
            "I": "0",
            "J": "0",
        },
    )
    treated = _add_zones(task, zones, leave_alone_depth)
    files = {}
    if form == "grid":
        grid = task_grid(zones, boundary=outline, tool_width=tool_width)
        rows, cols = grid.codes.shape
        ET.SubElement(
            task,
            "GRD",
            {
                "A": degrees(grid.south),
                "B": degrees(grid.west),
                "C": degrees(grid.height),
                "D": degrees(grid.width),
                "E": str(cols),
                "F": str(rows),
                "G": "GRD00001",
                "H": str(grid.codes.size),
                "I": "1",
            },
        )
        files["TASKDATA/GRD00001.BIN"] = grid.codes.tobytes()
    else:
        _add_polygons(treated, zones, tool_width)
    ET.indent(root, " ")
    text = ET.tostring(root, encoding="unicode")
    head = '<?xml version="1.0" encoding="UTF-8"?>\n'
    return {"TASKDATA/TASKDATA.XML": (head + text + "\n").encode("utf-8"), **files}


def task_grid(
    zones: gpd.GeoDataFrame,
    *,
    boundary: BaseGeometry | None = None,
    tool_width: float | None = None,
) -> TaskGrid:
    """Return the grid of zone codes that `task_data_files` writes.

    A cell has the code of the zone its centre lies in. The cell is 5 m or half the
    tool, and larger where the field would need more than 250 cells a side.
    """
    from pyproj import Geod
    from rasterio.features import rasterize
    from rasterio.transform import Affine

    if "code" not in zones:
        zones = _coded(zones)
    outline = zones.geometry.union_all() if boundary is None else boundary
    west, south, east, north = _to_degrees(outline, zones.crs).bounds
    geod = Geod(ellps="WGS84")
    middle_lon, middle_lat = (west + east) / 2, (south + north) / 2
    _, _, metres_north = geod.inv(middle_lon, south, middle_lon, north)
    _, _, metres_east = geod.inv(west, middle_lat, east, middle_lat)
    cell = max(
        MIN_CELL,
        (tool_width or 0.0) / 2,
        metres_north / MAX_CELLS_A_SIDE,
        metres_east / MAX_CELLS_A_SIDE,
    )
    height = _ceil9(cell * (north - south) / metres_north)
    width = _ceil9(cell * (east - west) / metres_east)
    south, west = _floor9(south), _floor9(west)
    rows = max(1, math.ceil(round((north - south) / height, 6)))
    cols = max(1, math.ceil(round((east - west) / width, 6)))
    in_degrees = zones.to_crs(4326)
    transform = Affine(width, 0, west, 0, -height, south + rows * height)
    treated = in_degrees[in_degrees["code"] > 0]
    codes = np.zeros((rows, cols), dtype=np.uint8)
    if len(treated):
        codes = rasterize(
            zip(treated.geometry, treated["code"], strict=True),
            out_shape=codes.shape,
            transform=transform,
            dtype="uint8",
        )
    kept_out = in_degrees[in_degrees["keep_out"]]
    if len(kept_out):
        # Half a cell over a buried line is not a rounding matter.
        touched = rasterize(
            kept_out.geometry,
            out_shape=codes.shape,
            transform=transform,
            all_touched=True,
            dtype="uint8",
        )
        codes[touched == 1] = 0
    return TaskGrid(south, west, height, width, cell, np.flipud(codes).copy())


def millimetres(depth: float) -> int:
    """Return a depth [m] as whole millimetres, halves up, free of float noise.

    Examples
    --------
    >>> millimetres(14 * 0.0254), millimetres(16 * 0.0254), millimetres(0.0005)
    (356, 406, 1)
    """
    return math.floor(round(depth * 1000.0, 6) + 0.5)


def short_text(text: str) -> str:
    """Return text a terminal can show: plain letters, at most 32 of them.

    Examples
    --------
    >>> short_text("Großer Süd-Acker am Wald, westlicher Teil")
    'Grosser Sud-Acker am Wald, westl'
    """
    folded = unicodedata.normalize("NFKD", text.replace("ß", "ss"))
    plain = "".join(c for c in folded if " " <= c <= "~")
    return plain[:MAX_TEXT].strip()


def degrees(value: float) -> str:
    """Return degrees as plain decimals, never with an exponent.

    Examples
    --------
    >>> degrees(4.5015e-05)
    '0.000045015'
    """
    return f"{value:.9f}"


def _require(zones: gpd.GeoDataFrame, *, version: int, form: str, unit: str) -> None:
    if version not in (3, 4):
        msg = f"version: got {version}, need 3 or 4."
        raise InputError(msg, "give --iso-version 3")
    if form not in ("grid", "polygons"):
        msg = f"form: got {form!r}, need 'grid' or 'polygons'."
        raise InputError(msg, "give --form grid")
    if unit not in _VALUE_SHOWN:
        msg = f"unit: got {unit!r}, need one of {', '.join(_VALUE_SHOWN)}."
        raise InputError(msg, "give --units in")
    if not len(zones):
        msg = "task data: there are no zones to write, need at least one."
        raise InputError(msg, "give the field a boundary and run again")
    if zones.crs is None:
        msg = "task data: the zones have no coordinate system, need one."
        raise InputError(msg, "set it where the zones were made")


def _coded(zones: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return the zones with millimetres, a code a depth class, and keep_out."""
    depth = zones["depth"].astype("float64").fillna(0.0)
    depth_mm = np.array([millimetres(value) for value in depth], dtype=np.int64)
    kept_out = (
        zones["keep_out"].to_numpy(dtype=bool)
        if "keep_out" in zones
        else np.zeros(len(zones), dtype=bool)
    )
    depth_mm[kept_out] = 0
    if (depth_mm < 0).any():
        msg = f"task data: got a depth of {depth_mm.min()} mm, need 0 or more."
        raise InputError(msg, "depths are positive down")
    classes = np.unique(depth_mm[depth_mm > 0])
    if len(classes) + 1 > MAX_ZONES:
        msg = (
            f"task data: {len(classes)} different depths, displays take "
            f"{MAX_ZONES - 1} beside zone 0."
        )
        raise InputError(msg, "round the depths to fewer classes")
    code = np.where(depth_mm > 0, np.searchsorted(classes, depth_mm) + 1, 0)
    return zones.assign(depth_mm=depth_mm, code=code, keep_out=kept_out)


def _add_field(root, outline, zones: gpd.GeoDataFrame, name: str) -> None:
    from pyproj import Geod

    in_degrees = _to_degrees(outline, zones.crs)
    geod = Geod(ellps="WGS84")
    # Oriented parts: a hole drawn like its outline would be added, not taken off.
    area = sum(geod.geometry_area_perimeter(part)[0] for part in _parts(in_degrees))
    field = ET.SubElement(
        root, "PFD", {"A": "PFD1", "C": name, "D": str(round(abs(area)))}
    )
    for part in _parts(in_degrees):
        _add_polygon(field, part, kind="1", name="boundary")


def _add_zones(
    task: ET.Element, zones: gpd.GeoDataFrame, leave_alone_depth: int
) -> dict[int, ET.Element]:
    """Add zone 0 and one zone a depth class; return the elements by code."""
    told = {0: ("leave alone", int(leave_alone_depth))}
    for code, depth in sorted(set(zip(zones["code"], zones["depth_mm"], strict=True))):
        if code > 0:
            told[int(code)] = (f"rip {depth} mm", int(depth))
    elements: dict[int, ET.Element] = {}
    for code, (name, depth) in told.items():
        colour = str(_COLOURS[code % len(_COLOURS)])
        zone = ET.SubElement(task, "TZN", {"A": str(code), "B": name, "C": colour})
        setpoint = {"A": f"{DDI_DEPTH_SETPOINT:04X}", "B": str(depth), "E": "VPN1"}
        ET.SubElement(zone, "PDV", setpoint)
        elements[code] = zone
    return elements


def _add_polygons(elements: dict, zones: gpd.GeoDataFrame, tool_width) -> None:
    import shapely

    treated = zones[zones["code"] > 0]
    if not len(treated):
        return
    metric = treated.to_crs(treated.estimate_utm_crs())
    narrow = (tool_width or 0.0) / 4
    parts, codes = [], []
    for code, rows in metric.groupby("code"):
        for part in _parts(rows.geometry.union_all()):
            core = part.buffer(-narrow) if narrow else part
            if part.area >= MIN_PART and not core.is_empty:
                parts.append(part)
                codes.append(int(code))
    for tolerance in (0.0, 0.5, 1.0, 2.0, 4.0, 8.0):
        thinned = (
            list(shapely.coverage_simplify(parts, tolerance)) if tolerance else parts
        )
        if _fits_a_display(thinned):
            break
    else:
        msg = (
            f"task data: the zones need more than {MAX_VERTICES:,} corners, displays "
            "take no more."
        )
        raise InputError(msg, "use --form grid")
    for part, code in zip(thinned, codes, strict=True):
        zone = elements[code]
        moved = _to_degrees(part, metric.crs)
        _add_polygon(zone, moved, kind="2", name=zone.get("B"))
    for zone in elements.values():
        zone[:] = sorted(zone, key=lambda child: child.tag == "PDV")


def _fits_a_display(parts: list[Polygon]) -> bool:
    import shapely

    rings = [ring for p in parts for ring in (p.exterior, *p.interiors)]
    counts = [shapely.get_num_coordinates(ring) for ring in rings]
    return sum(counts) <= MAX_VERTICES and max(counts, default=0) <= MAX_RING_VERTICES


def _add_polygon(parent, polygon: Polygon, *, kind: str, name: str) -> None:
    attributes = {"A": kind, "B": short_text(name)}
    element = ET.SubElement(parent, "PLN", attributes)
    for number, ring in enumerate((polygon.exterior, *polygon.interiors)):
        line = ET.SubElement(element, "LSG", {"A": "1" if number == 0 else "2"})
        for lon, lat in ring.coords:
            ET.SubElement(line, "PNT", {"A": "2", "C": degrees(lat), "D": degrees(lon)})


def _parts(geometry: BaseGeometry) -> list[Polygon]:
    """Return the polygons of a geometry from west to east, outer ring oriented."""
    import shapely

    single = shapely.get_parts(geometry, return_index=False)
    polygons = [
        shapely.orient_polygons(shapely.force_2d(part))
        for part in single
        if part.geom_type == "Polygon" and not part.is_empty
    ]
    return sorted(polygons, key=lambda part: (part.bounds[0], part.bounds[1]))


def _to_degrees(geometry: BaseGeometry, crs) -> BaseGeometry:
    import geopandas as gpd
    import shapely

    moved = gpd.GeoSeries([geometry], crs=crs).to_crs(4326).iloc[0]
    return shapely.set_precision(moved, 1e-9) if moved.is_valid else moved


def _floor9(value: float) -> float:
    return math.floor(value * 1e9) / 1e9


def _ceil9(value: float) -> float:
    return math.ceil(round(value * 1e9, 3)) / 1e9
