"""Zones and grids of a prescription, as a display reads them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from shapely.geometry import MultiPolygon

from trafficmap.core import limits
from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.formats.isoxml.attributes import decimal, number_code, whole
from trafficmap.formats.isoxml.model import PrescriptionGrid, TreatmentZone
from trafficmap.formats.isoxml.shapes import read_polygons

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

    from trafficmap.formats.isoxml.files import TaskFiles


def read_zones(
    task: Element, files: TaskFiles | None = None
) -> tuple[tuple[TreatmentZone, ...], list[Note]]:
    """Return the treatment zones of a task."""
    zones, notes = [], []
    for element in task.findall("TZN"):
        code = whole(element, "A")
        parts = []
        for plan in element.findall("PLN"):
            polygons, found = read_polygons(plan, f"zone {code}", files)
            parts += polygons
            notes += found
        values = {
            number_code(value): whole(value, "B") for value in element.findall("PDV")
        }
        shape = MultiPolygon(parts) if parts else None
        zones.append(TreatmentZone(code, element.get("B", ""), values, shape))
    return tuple(zones), notes


def read_grid(
    description: Element, zones: tuple[TreatmentZone, ...], data: bytes, *, name: str
) -> tuple[PrescriptionGrid, list[Note]]:
    """Return the grid of a task from its description and its bytes.

    The stated length of the file is not used: it is wrong in real files. Rows, columns
    and values a cell are, and the bytes must fit them.

    Raises
    ------
    InputError
        The bytes do not fit rows and columns, or the grid is beyond the limits.
    """
    cols, rows = whole(description, "E"), whole(description, "F")
    kind = whole(description, "I")
    named = description.get("J")
    zone_code = whole(description, "J") if kind == 2 and named else None
    depth = 1
    if kind == 2:
        zone = next((z for z in zones if z.code == zone_code), None)
        depth = len(zone.values) if zone else 1
    need = rows * cols * (1 if kind == 1 else 4 * depth)
    if kind not in (1, 2) or rows < 1 or cols < 1 or need > limits.MAX_GRID_BYTES:
        msg = (
            f"{name}: a grid of type {kind} with {rows} x {cols} cells cannot be read."
        )
        raise InputError(msg, "export the prescription again")
    if need != len(data):
        msg = (
            f"{name}.BIN: has {len(data):,} bytes, {rows} x {cols} cells need {need:,}."
        )
        raise InputError(msg, "export the prescription again")
    corner = [decimal(description, letter) for letter in "ABCD"]
    if not (np.isfinite(corner).all() and corner[2] > 0 and corner[3] > 0):
        msg = f"{name}: its grid has no usable corner or cell size."
        raise InputError(msg, "export the prescription again")
    values: np.ndarray
    if kind == 1:
        values = np.frombuffer(data, dtype=np.uint8).reshape(rows, cols)
    else:
        values = np.frombuffer(data, dtype="<i4").reshape(rows, cols, depth)
    grid = PrescriptionGrid(
        kind=kind,
        south=corner[0],
        west=corner[1],
        cell_north=corner[2],
        cell_east=corner[3],
        values=values,
        zone_code=zone_code,
    )
    return grid, _unknown_codes(grid, zones, name)


def _unknown_codes(grid, zones, name: str) -> list[Note]:
    if grid.kind != 1:
        return []
    unknown = set(np.unique(grid.values).tolist()) - {zone.code for zone in zones}
    return [
        Note(
            "iso.unknown_zone",
            "check",
            f"{name}: zone {code} is in the grid but is described nowhere; "
            "its cells are unknown.",
            int((grid.values == code).sum()),
            name,
        )
        for code in sorted(unknown)
    ]
