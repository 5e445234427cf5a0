"""The layer book, and the only way in and out of the tray of maps."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from trafficmap.core.constants import COMPUTE_DEPTHS
from trafficmap.core.errors import LayerError

if TYPE_CHECKING:
    import xarray as xr

    from trafficmap.core.grid import FieldGrid


@dataclass(frozen=True)
class LayerSpec:
    """One map: dims are ``map`` (row, col) or ``depth`` (depth, row, col).

    ``nodata`` means outside the field or not known, never zero.
    """

    name: str
    dims: str
    unit: str
    dtype: str
    nodata: float
    low: float
    high: float
    meaning: str
    made_by: str


_NAN = float("nan")
_INF = float("inf")


def _book(*rows: tuple) -> dict[str, LayerSpec]:
    return {row[0]: LayerSpec(*row) for row in rows}


LAYER_BOOK: dict[str, LayerSpec] = _book(
    # name, dims, unit, dtype, nodata, low, high, meaning, room
    ("inside", "map", "share", "float32", _NAN, 0, 1,
     "share of the cell inside the boundary", "traffic"),
    ("access", "map", "share", "float32", _NAN, 0, 1,
     "share of the cell on a strip of access outside the boundary", "traffic"),
    ("run_over", "map", "share", "float32", _NAN, 0, 1,
     "share of the cell run over at least once", "traffic"),
    ("run_over_chance", "map", "share", "float32", _NAN, 0, 1,
     "expected share of the cell run over, the error of positions counted; on request",
     "traffic"),
    ("run_over_again", "map", "share", "float32", _NAN, 0, 1,
     "share of the cell run over in two passes or more", "traffic"),
    ("same_track", "map", "share", "float32", _NAN, 0, 1,
     "share of the cell run over again along the same track", "traffic"),
    ("under_3", "map", "share", "float32", _NAN, 0, 1,
     "share of the cell run over by wheels with more than 3 Mg on them", "traffic"),
    ("under_5", "map", "share", "float32", _NAN, 0, 1,
     "share of the cell run over by wheels with more than 5 Mg on them", "traffic"),
    ("passes", "map", "count", "uint16", 65535, 0, 65534,
     "machine passes over the same ground in the cell; 1 where a wheel touched it",
     "traffic"),
    ("wheel_passes", "map", "count", "uint16", 65535, 0, 65534,
     "wheel passes over the same ground in the cell, axle by axle", "traffic"),
    ("wheel_passes_3", "map", "count", "uint16", 65535, 0, 65534,
     "wheel passes with more than 3 Mg on the wheel", "traffic"),
    ("wheel_passes_5", "map", "count", "uint16", 65535, 0, 65534,
     "wheel passes with more than 5 Mg on the wheel", "traffic"),
    ("heaviest_axle", "map", "kg", "float32", _NAN, 0, 1e5,
     "mass on the heaviest axle that passed; 0 where none did", "traffic"),
    ("heaviest_wheel", "map", "kg", "float32", _NAN, 0, 1e5,
     "mass on the heaviest wheel that passed; 0 where none did", "traffic"),
    ("heaviest_wheel_low", "map", "kg", "float32", _NAN, 0, 1e5,
     "the same by the low end of every load", "traffic"),
    ("heaviest_wheel_high", "map", "kg", "float32", _NAN, 0, 1e5,
     "the same by the high end of every load", "traffic"),
    ("first_wheel", "map", "kg", "float32", _NAN, 0, 1e5,
     "mass on the wheel that was first on most of the ground; 0 where none was",
     "traffic"),
    ("first_day", "map", "date", "int32", -1, 0, 99991231,
     "day of the first pass as year, month, day (20261014); 0 where none was",
     "traffic"),
    ("last_day", "map", "date", "int32", -1, 0, 99991231,
     "day of the last pass, likewise", "traffic"),
    ("load_distance", "map", "Mg km/ha", "float32", _NAN, 0, 1e7,
     "sum of mass on wheels times distance, by area", "traffic"),
    ("liquid", "map", "m", "float32", _NAN, 0, 1,
     "liquid manure put down, overlaps added", "traffic"),
    ("liquid_once", "map", "m", "float32", _NAN, 0, 1,
     "what one pass of the machine with the highest rate there puts down", "traffic"),
    ("end_rows", "map", "class", "uint8", 255, 0, 1,
     "1 in the end rows, 0 in the body of the field", "traffic"),
    ("field_part", "map", "class", "uint8", 255, 1, 5,
     "1 inner field, 2 transition, 3 headland, 4 turned on, 5 strip of access",
     "traffic"),
    ("slope", "map", "fraction", "float32", _NAN, 0, _INF,
     "slope of the ground, from the map in field.toml", "field"),
    ("soil_unit", "map", "index", "int16", -1, 0, 32766,
     "position of the soil unit in run.json", "soil"),
    ("stress", "depth", "Pa", "float32", _NAN, 0, _INF,
     "largest vertical stress under a wheel, best load", "risk"),
    ("strength", "depth", "Pa", "float32", _NAN, 0, _INF,
     "soil strength at the pass with the highest probability", "risk"),
    ("probability", "depth", "1", "float32", _NAN, 0, 1,
     "under the wheels: chance that stress exceeded strength, passes joined", "risk"),
    ("damaged_share", "depth", "share", "float32", _NAN, 0, 1,
     "expected share of the cell damaged, passes joined", "risk"),
    ("carried_over", "depth", "1", "float32", _NAN, 0, 1,
     "damage left from earlier seasons, faded by depth; never added to this one's",
     "risk"),
    ("density_pressed", "depth", "kg/m3", "float32", _NAN, 500, 2650,
     "density the largest stress would press the soil to, by the line in the settings",
     "soil"),
    ("risk", "depth", "class", "uint8", 255, 1, 5,
     "1 unlikely, 2 possible, 3 likely, 4 very likely, 5 not assessed", "risk"),
    ("risk_worst", "map", "class", "uint8", 255, 1, 5,
     "the class at the worst of 10, 14 and 20 in", "risk"),
    ("undecided", "map", "class", "uint8", 255, 0, 1,
     "1 where the worst probability lies between 0.35 and 0.65", "risk"),
    ("rut", "map", "class", "uint8", 255, 1, 5,
     "risk of ruts and puddling, same classes; a layer of its own", "risk"),
    ("zone", "map", "index", "int16", -1, 0, 32766,
     "zone number as in the zones table", "zones"),
    ("work_depth", "map", "mm", "int16", -32768, 0, 2000,
     "working depth for a display; 0 is leave alone", "zones"),
)  # fmt: skip


def layer_spec(name: str) -> LayerSpec:
    """Return the entry of a layer, or say which name is nearest."""
    try:
        return LAYER_BOOK[name]
    except KeyError:
        near = difflib.get_close_matches(name, LAYER_BOOK, n=1, cutoff=0.0)
        msg = (
            f"layer: got {name!r}, need a name in the layer book; nearest is "
            f"{near[0]!r}."
        )
        raise LayerError(msg) from None


def new_tray(grid: FieldGrid) -> xr.Dataset:
    """Return an empty Dataset with the coordinates of `grid` and the depths."""
    import xarray as xr

    easting, northing = grid.centres()
    return xr.Dataset(
        coords={
            "depth": ("depth", np.array(COMPUTE_DEPTHS), {"units": "m"}),
            "northing": ("row", northing, {"units": "m"}),
            "easting": ("col", easting, {"units": "m"}),
        },
        attrs={"epsg": grid.epsg, "cell": grid.cell},
    )


def put_layer(tray: xr.Dataset, name: str, values: np.ndarray) -> None:
    """Check `values` against the layer book and put them into `tray`.

    Parameters
    ----------
    tray : xarray.Dataset
        Made by `new_tray`.
    name : str
        A name in the layer book.
    values : ndarray
        Shape (rows, cols), or (depths, rows, cols) for layers with depth.
    """
    spec = layer_spec(name)
    dims = ("row", "col") if spec.dims == "map" else ("depth", "row", "col")
    shape = tuple(tray.sizes[dim] for dim in dims)
    if values.shape != shape:
        msg = f"layer {name}: got shape {values.shape}, need {shape} {dims}."
        raise LayerError(msg, "make it on the field grid")
    stored = np.ascontiguousarray(values, dtype=spec.dtype)
    known = stored[~is_nodata(stored, spec)]
    if known.size and (known.min() < spec.low or known.max() > spec.high):
        msg = (
            f"layer {name}: got values from {known.min():g} to {known.max():g}, "
            f"need {spec.low:g} to {spec.high:g} {spec.unit}."
        )
        raise LayerError(msg, "look for a wrong unit")
    attrs = {"units": spec.unit, "long_name": spec.meaning}
    tray[name] = (dims, stored, attrs)


def get_layer(tray: xr.Dataset, name: str) -> np.ndarray:
    """Return a layer as a plain array (a view, not a copy)."""
    layer_spec(name)
    if name not in tray:
        msg = f"layer {name}: is not in this run, need it to go on."
        raise LayerError(msg, "run the step that makes it")
    return tray[name].values


def is_nodata(values: np.ndarray, spec: LayerSpec) -> np.ndarray:
    """Return True where `values` hold the layer's mark for not known."""
    if spec.nodata != spec.nodata:
        return np.isnan(values)
    return values == spec.nodata
