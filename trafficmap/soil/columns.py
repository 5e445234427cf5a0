"""Soil columns: the few different soils of a field, and which cell stands on which."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

import trafficmap.formats._gdal  # noqa: F401 - process settings before rasterio

from rasterio.features import rasterize  # isort: skip
from rasterio.transform import Affine  # isort: skip

from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.core.tables import HORIZONS, require_table
from trafficmap.core.texture import TEXTURE_CENTROIDS, texture_class
from trafficmap.soil.genuchten import retention_van_genuchten
from trafficmap.soil.retention import (
    Retention,
    density_factor_limit,
    retention_saxton_rawls,
)
from trafficmap.soil.stress import nu_by_texture

if TYPE_CHECKING:
    from collections.abc import Sequence

    from trafficmap.core.grid import FieldGrid
    from trafficmap.core.settings.soil import SoilSettings
    from trafficmap.field.model import SoilMap

LAYER_EDGES = np.array([0.0, 0.05, 0.10, 0.20, 0.30, 0.40, 0.60, 1.00])
"""Depths [m] between the layers of the water balance (choice)."""
LAYER_CENTRES = 0.5 * (LAYER_EDGES[1:] + LAYER_EDGES[:-1])
LAYER_THICKNESS = np.diff(LAYER_EDGES)

_CURVE_NUMBER = {"A": 67.0, "B": 78.0, "C": 85.0, "D": 89.0}
"""Straight-row crop in good condition by soil group, USDA TR-55 (from memory)."""
_GROUP = {
    "sand": "A",
    "loamy sand": "A",
    "sandy loam": "A",
    "silt loam": "B",
    "loam": "B",
    "silt": "B",
    "sandy clay loam": "C",
}
"""Soil group by topsoil texture, the rest D; USDA TR-55 appendix A (from memory)."""
_QUARTZ = {
    "sand": 0.92,
    "loamy sand": 0.82,
    "sandy loam": 0.60,
    "loam": 0.40,
    "silt loam": 0.25,
    "silt": 0.10,
    "sandy clay loam": 0.60,
    "clay loam": 0.35,
    "silty clay loam": 0.10,
    "sandy clay": 0.52,
    "silty clay": 0.10,
    "clay": 0.25,
}
"""Quartz fraction by texture (from memory)."""


@dataclass(frozen=True)
class SoilColumns:
    """The different soil columns of a field and where they are.

    A column is one soil unit that got the same liquid on the same days. Layers lie
    between `LAYER_EDGES`.

    Parameters
    ----------
    column_of_cell : ndarray of int32, shape (grid.size,)
        -1 where no soil unit is drawn.
    unit_index_of_cell : ndarray of int16, shape (grid.size,)
        Position in `units`, -1 where none.
    units : tuple of str
        Keys of the soil units.
    unit_of_column : ndarray of int16, shape (n_columns,)
    sand, clay, organic_matter : ndarray, shape (n_columns, n_layers)
        Mass fractions. [kg/kg]
    curve : Retention
        All fields of shape (n_columns, n_layers).
    swelling, drained : ndarray of bool, shape (n_columns,)
    curve_number : ndarray, shape (n_columns,)
        For average wetness. [1]
    quartz : ndarray, shape (n_columns,)
    plastic_limit : float or None
        Measured on the farm. [kg/kg]
    liquid_time : ndarray, shape (n_events,)
        Seconds since 1970 UTC. [s]
    liquid_injection : ndarray, shape (n_events,)
        Depth of injection, 0 at the surface. [m]
    liquid_water : ndarray, shape (n_columns, n_events)
        Water put down. [m]
    class_only : bool
        Horizons stand for a texture class, nobody measured them.
    """

    column_of_cell: np.ndarray
    unit_index_of_cell: np.ndarray
    units: tuple[str, ...]
    unit_of_column: np.ndarray
    sand: np.ndarray
    clay: np.ndarray
    organic_matter: np.ndarray
    curve: Retention
    swelling: np.ndarray
    drained: np.ndarray
    curve_number: np.ndarray
    quartz: np.ndarray
    plastic_limit: float | None
    liquid_time: np.ndarray
    liquid_injection: np.ndarray
    liquid_water: np.ndarray
    class_only: bool = False

    @property
    def size(self) -> int:
        """Number of columns."""
        return int(self.unit_of_column.size)


def columns(
    soil_map: SoilMap,
    *,
    grid: FieldGrid,
    liquid_layers: Sequence[tuple[float, np.ndarray, float]] = (),
    settings: SoilSettings,
    time_zone: str | None = None,
) -> tuple[SoilColumns, list[Note]]:
    """Return the soil columns of a field: soil units times classes of liquid.

    Parameters
    ----------
    soil_map : SoilMap
        Units in the system of `grid`; horizons keep `core.tables.HORIZONS`.
    grid : FieldGrid
    liquid_layers : sequence of (float, ndarray, float)
        Time [s since 1970 UTC], depth of water put down (rows, cols) [m], depth of
        injection [m].
    settings : SoilSettings
    time_zone : str, optional
        IANA name; liquid of one calendar day there is added up. UTC if empty.

    Returns
    -------
    SoilColumns
    list of Note

    Raises
    ------
    InputError
        A soil unit without horizons, or a liquid layer on another grid.
    """
    require_table(soil_map.horizons, HORIZONS)
    units = tuple(dict.fromkeys(soil_map.units["soil_unit"].astype(str)))
    unit_of_cell = _rasterise(soil_map, units, grid)
    notes: list[Note] = []
    profile = _profiles(soil_map.horizons, units, notes)
    times, injection, water = _liquid_by_day(liquid_layers, grid, time_zone)
    column_of_cell, unit_of_column, liquid = _distinct(
        unit_of_cell, water, settings, notes
    )
    sand, clay, organic, density = (part[unit_of_column] for part in profile)
    curve = _curves(sand, clay, organic, density, notes, settings)
    top = LAYER_THICKNESS[:3] / LAYER_THICKNESS[:3].sum()
    classes = [
        texture_class(float(s), float(c))
        for s, c in zip(sand[:, :3] @ top, clay[:, :3] @ top, strict=True)
    ]
    drained = _drained(soil_map, units)[unit_of_column]
    number = _curve_numbers(soil_map.hydrologic_group, classes, drained, settings)
    return (
        SoilColumns(
            column_of_cell=column_of_cell,
            unit_index_of_cell=unit_of_cell.astype(np.int16),
            units=units,
            unit_of_column=unit_of_column.astype(np.int16),
            sand=sand,
            clay=clay,
            organic_matter=organic,
            curve=curve,
            swelling=_swelling(soil_map, clay, settings),
            drained=drained,
            curve_number=number,
            quartz=np.array([_QUARTZ[c] for c in classes]),
            plastic_limit=soil_map.plastic_limit,
            liquid_time=times,
            liquid_injection=injection,
            liquid_water=liquid,
            class_only=_class_only(soil_map),
        ),
        notes,
    )


def concentration_factor(columns: SoilColumns, *, settings: SoilSettings) -> float:
    """Return the concentration factor nu of the field.

    ``settings.nu`` where given; else by the texture of the top 0.5 m of the soil that
    covers most cells. One value a field, because the equations are for homogeneous
    soil.
    """
    if settings.nu is not None:
        return float(settings.nu)
    if columns.size == 0:
        return nu_by_texture(float("nan"), float("nan"))
    here = columns.column_of_cell[columns.column_of_cell >= 0]
    first = int(np.bincount(here, minlength=columns.size).argmax())
    share = np.clip(0.5 - LAYER_EDGES[:-1], 0.0, LAYER_THICKNESS) / 0.5
    sand, clay = columns.sand[first] @ share, columns.clay[first] @ share
    return nu_by_texture(float(sand), float(clay))


def _rasterise(soil_map: SoilMap, units: tuple[str, ...], grid: FieldGrid):
    """Return the unit of each cell (int64, -1 for none), by the cell centre.

    A unit also takes the cells its edge only touches, so that ground at the boundary
    has a soil; a centre inside another unit wins.
    """
    frame = soil_map.units
    if frame.crs is not None and frame.crs.to_epsg() != grid.epsg:
        frame = frame.to_crs(grid.epsg)
    shapes = [
        (geometry, units.index(str(unit)))
        for geometry, unit in zip(frame.geometry, frame["soil_unit"], strict=True)
        if geometry is not None and not geometry.is_empty
    ]
    out = np.full(grid.shape, -1, dtype=np.int32)
    if shapes:
        transform = Affine(*grid.transform)
        for touched in (True, False):
            rasterize(shapes, out=out, transform=transform, all_touched=touched)
    return out.ravel().astype(np.int64)


def _profiles(horizons: pd.DataFrame, units: tuple[str, ...], notes: list[Note]):
    """Return sand, clay, organic matter and density, shape (units, layers).

    Components of a unit are weighted by share and by the thickness they have in a
    layer (choice: one blended profile a unit).
    """
    names = ("sand", "clay", "organic_matter", "bulk_density")
    out = np.full((4, len(units), LAYER_THICKNESS.size), np.nan)
    short = []
    for u, unit in enumerate(units):
        rows = horizons[horizons["soil_unit"].astype(str) == unit]
        if rows.empty:
            msg = f"soil unit {unit!r}: has no horizons, need at least one."
            raise InputError(msg, "add its rows to the table of horizons")
        top = rows["top"].to_numpy()[:, None]
        bottom = rows["bottom"].to_numpy()[:, None]
        inside = np.minimum(bottom, LAYER_EDGES[1:]) - np.maximum(top, LAYER_EDGES[:-1])
        weight = np.maximum(inside, 0.0) * rows["share"].to_numpy()[:, None]
        for k, name in enumerate(names):
            value = rows[name].to_numpy(dtype=np.float64)[:, None]
            known = np.where(np.isfinite(value), weight, 0.0)
            total = known.sum(axis=0)
            blend = (known * np.nan_to_num(value)).sum(axis=0)
            out[k, u] = np.where(
                total > 0, blend / np.where(total > 0, total, 1), np.nan
            )
        if np.isnan(out[0, u]).any():
            short.append(unit)
            # The nearest known layer stands in: the upper one below the survey.
            known_layers = np.flatnonzero(np.isfinite(out[0, u]))
            if known_layers.size == 0:
                msg = f"soil unit {unit!r}: no horizon lies in the top 1 m."
                raise InputError(msg, "check the depths and their unit")
            for layer in np.flatnonzero(np.isnan(out[0, u])):
                near = known_layers[np.argmin(np.abs(known_layers - layer))]
                out[:, u, layer] = out[:, u, near]
    if short:
        sentence = (
            f"The horizons of soil unit {', '.join(short)} do not reach from the "
            "surface to 1 m; the nearest horizon was taken for the rest."
        )
        notes.append(Note("soil.short_profile", "info", sentence, len(short)))
    return out


def _curves(
    sand, clay, organic, density, notes: list[Note], settings: SoilSettings
) -> Retention:
    """Return retention of all layers, densities within the range of the source."""
    if settings.retention == "van_genuchten":
        return retention_van_genuchten(sand, clay, bulk_density=density)
    outside = (organic > 0.08) | (clay > 0.60)
    if outside.any():
        sentence = (
            "Some layers hold more than 8 % organic matter or 60 % clay; the water "
            "equations do not reach that far and were used at their limit. Do not "
            "trust the wetness there."
        )
        notes.append(Note("soil.outside_range", "check", sentence, int(outside.sum())))
    organic = np.minimum(organic, 0.08)
    extra = np.maximum(0.0, clay - 0.60)
    clay = clay - extra
    own = retention_saxton_rawls(sand, clay, organic_matter=organic).bulk_density
    factor = np.where(np.isfinite(density), density / own, 1.0)
    highest = density_factor_limit(sand, clay, organic_matter=organic)
    taken = np.minimum(np.maximum(factor, 0.9), highest)
    moved = np.abs(taken - factor) > 0.005
    if moved.any():
        sentence = (
            f"{int(moved.sum())} layers have a bulk density the water equations cannot "
            "take; the nearest one they can was used. Their wetness is less certain."
        )
        notes.append(Note("soil.density_clipped", "check", sentence, int(moved.sum())))
    return retention_saxton_rawls(
        sand, clay, organic_matter=organic, density_factor=taken
    )


def _liquid_by_day(liquid_layers, grid: FieldGrid, time_zone: str | None):
    """Return times, injection depths and water (events, cells), one event a day."""
    zone = ZoneInfo(time_zone) if time_zone else ZoneInfo("UTC")
    events: dict[tuple, list] = {}
    for seconds, layer, depth in liquid_layers:
        if layer.shape != grid.shape:
            msg = f"liquid: got shape {layer.shape}, need {grid.shape}, the field grid."
            raise InputError(msg, "put it on the field grid first")
        day = pd.Timestamp(seconds, unit="s", tz="UTC").tz_convert(zone).date()
        event = events.setdefault(
            (day, round(float(depth), 3)), [seconds, np.zeros(grid.size)]
        )
        event[0] = min(event[0], seconds)
        event[1] += np.nan_to_num(layer.ravel(), nan=0.0)
    times = np.array([event[0] for event in events.values()], dtype=np.float64)
    depth = np.array([key[1] for key in events], dtype=np.float64)
    water = np.array([event[1] for event in events.values()]).reshape(-1, grid.size)
    return times, depth, water


def _distinct(unit_of_cell, water, settings: SoilSettings, notes: list[Note]):
    """Return column of each cell, unit and liquid of each column."""
    inside = np.flatnonzero(unit_of_cell >= 0)
    step = settings.liquid_class
    while True:
        classes = np.rint(np.maximum(water[:, inside], 0.0) / step).astype(np.int64)
        units, column = np.unique(unit_of_cell[inside], return_inverse=True)
        unit_of_column = units
        for layer in classes:
            # Pairs by number: far quicker than to sort whole columns of classes.
            width = int(layer.max(initial=0)) + 1
            pairs, column = np.unique(column * width + layer, return_inverse=True)
            unit_of_column = unit_of_column[pairs // width]
        if unit_of_column.size <= max(settings.max_columns, units.size):
            break
        step *= 2.0
    if step > settings.liquid_class:
        sentence = (
            f"Liquid was put into classes of {1e3 * step:g} mm to keep the number of "
            f"soil columns below {settings.max_columns}."
        )
        notes.append(Note("soil.liquid_classes", "info", sentence))
    column_of_cell = np.full(unit_of_cell.size, -1, dtype=np.int32)
    column_of_cell[inside] = column
    # The mean of a class, so that no water is lost by rounding.
    n = unit_of_column.size
    count = np.bincount(column, minlength=n)
    liquid = np.array(
        [np.bincount(column, weights=row[inside], minlength=n) / count for row in water]
    ).reshape(water.shape[0], n)
    return column_of_cell, unit_of_column, liquid.T.copy()


def _curve_numbers(
    said: str, classes: list[str], drained: np.ndarray, settings: SoilSettings
) -> np.ndarray:
    """Return the curve number of each column by its soil group.

    A group of two letters, as B/D, is the first where drained, else the second.
    """
    if settings.curve_number is not None:
        return np.full(len(classes), float(settings.curve_number))
    letters = [part.strip()[:1].upper() for part in said.split("/")]
    out = []
    for texture, tile in zip(classes, drained, strict=True):
        group = letters[0] if tile else letters[-1]
        out.append(_CURVE_NUMBER.get(group or _GROUP.get(texture, "D"), 89.0))
    return np.array(out, dtype=np.float64)


def _class_only(soil_map: SoilMap) -> bool:
    """Return whether every horizon is the middle of a texture class, not a sample."""
    if not soil_map.assumed:
        return False
    pairs = soil_map.horizons[["sand", "clay"]].to_numpy(dtype=np.float64)
    middles = np.array(list(TEXTURE_CENTROIDS.values()))
    apart = np.abs(pairs[:, None, :] - middles).max(axis=2).min(axis=1)
    return bool((apart < 1e-6).all())


def _swelling(soil_map: SoilMap, clay, settings: SoilSettings) -> np.ndarray:
    """Return swelling clay by column: as said, else by clay in the top 0.7 m."""
    if soil_map.swelling is not None:
        return np.full(clay.shape[0], bool(soil_map.swelling))
    share = np.clip(0.7 - LAYER_EDGES[:-1], 0.0, LAYER_THICKNESS) / 0.7
    return clay @ share >= settings.clay_firm


def _drained(soil_map: SoilMap, units: tuple[str, ...]) -> np.ndarray:
    """Return which units the soil map calls drained; unknown counts as not."""
    out = np.zeros(len(units), dtype=np.bool_)
    if "drained" in soil_map.units.columns:
        for unit, drained in zip(
            soil_map.units["soil_unit"], soil_map.units["drained"], strict=True
        ):
            if not pd.isna(drained) and bool(drained):
                out[units.index(str(unit))] = True
    return out
