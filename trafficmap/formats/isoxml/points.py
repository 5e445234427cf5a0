"""Points of a boundary in a binary file of their own, as version 4 allows."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from trafficmap.core.errors import InputError

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

_FIELDS = (
    ("A", "type", "u1", True),
    ("C", "north", "<i8", True),
    ("D", "east", "<i8", True),
    ("E", "up", "<i4", False),
    ("F", "colour", "u1", False),
    ("H", "across", "<u2", False),
    ("I", "height", "<u2", False),
)
"""Attribute, name and bytes of each field, and whether it is in the records unless the
header gives it a value; the others are there only where the header holds them empty."""

_PER_DEGREE = 1e16
_MAX_POINTS = 1_000_000


def points_in_file(element: Element, data: bytes, *, name: str) -> np.ndarray:
    """Return longitude and latitude of the points in a file.

    Parameters
    ----------
    element : Element
        The PNT that names the file; its attributes are the header of the records.
    data : bytes
        Content of the file.
    name : str
        Name of the file, for the sentences.

    Returns
    -------
    ndarray, shape (n, 2)
        WGS 84 [deg].

    Raises
    ------
    InputError
        The length is no whole number of records, or a place is none on the earth.

    Notes
    -----
    ISO 11783-10:2015, element PNT: an attribute with a value holds for all points, an
    empty one stands for a field of each record; north and east are eight bytes in
    units of 1e-16 degrees, little end first (as open readers of such sets have it, the
    standard itself was not seen).
    """
    fields = [
        (what, size)
        for attribute, what, size, needed in _FIELDS
        if element.get(attribute, "" if needed else "-") == ""
    ]
    record = np.dtype(fields)
    if {"north", "east"} - set(record.names or ()):
        msg = f"{name}: its header gives all points one place, need one each."
        raise InputError(msg, "export the field with its points in the task file")
    if not data or len(data) % record.itemsize:
        msg = (
            f"{name}.BIN: has {len(data):,} bytes, need a whole number of records of "
            f"{record.itemsize}."
        )
        raise InputError(msg, "copy the TASKDATA folder again")
    points = np.frombuffer(data, dtype=record, count=-1)
    if points.size > _MAX_POINTS:
        msg = f"{name}.BIN: holds {points.size:,} points, too many for a boundary."
        raise InputError(msg, "copy the TASKDATA folder again")
    east, north = points["east"] / _PER_DEGREE, points["north"] / _PER_DEGREE
    if (np.abs(north) > 90.0).any() or (np.abs(east) > 180.0).any():
        msg = f"{name}.BIN: holds places that are none on the earth."
        raise InputError(msg, "export the field with its points in the task file")
    return np.column_stack([east, north])
