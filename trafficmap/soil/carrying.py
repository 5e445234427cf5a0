"""How much a wheel may carry today before the soil at each depth is likely pressed."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import ndtri

from trafficmap.core.constants import COMPUTE_DEPTHS, GRAVITY
from trafficmap.core.notes import Note
from trafficmap.core.tables import CARRYING, require_table
from trafficmap.soil.profiles import WheelStress
from trafficmap.soil.series import strength_at

if TYPE_CHECKING:
    from trafficmap.core.settings.risk import RiskSettings
    from trafficmap.core.settings.soil import SoilSettings
    from trafficmap.loads.paths import LoadStates
    from trafficmap.soil.water import SoilSeries

_LOADS = np.geomspace(1e3, 500e3, 30)
"""Wheel loads at which stress is computed, straight in logarithms between [N]."""
_TOLD = (0.35, 0.50)
"""Depths a note speaks of [m]: 14 and 20 in."""


def wheel_capacity(
    axle: pd.DataFrame, strength, *, nu: float, settings: SoilSettings
) -> np.ndarray:
    """Return the load of each wheel of an axle whose stress just reaches a strength.

    All wheels carry alike; of duals that stand close both are loaded. For one tyre of
    unknown size this is `stress.carrying_capacity`, up to the largest patch.

    Parameters
    ----------
    axle : DataFrame
        Contract `core.tables.WHEELS`, the wheels of one axle.
    strength : ndarray, shape (..., n_depths)
        Strength at `COMPUTE_DEPTHS`; NaN stays NaN. [Pa]
    nu : float
        Concentration factor, above 2. [1]
    settings : SoilSettings

    Returns
    -------
    ndarray, shape (..., n_depths)
        Load; infinite where 500 kN would not reach it. [N]
    """
    table = np.log(_stress_by_load(axle, nu, settings))
    wanted = np.log(np.asarray(strength, dtype=np.float64))
    out = np.empty(wanted.shape)
    loads = np.log(_LOADS)
    for d in range(table.shape[1]):
        found = np.interp(wanted[..., d], table[:, d], loads)
        # Below the lightest load the patch shrinks as the load does: straight on.
        slope = (loads[1] - loads[0]) / (table[1, d] - table[0, d])
        low = loads[0] + slope * (wanted[..., d] - table[0, d])
        found = np.where(wanted[..., d] < table[0, d], low, found)
        out[..., d] = np.where(wanted[..., d] >= table[-1, d], np.inf, np.exp(found))
    return out


def carrying_loads(
    series: SoilSeries,
    *,
    wheels: pd.DataFrame,
    states: LoadStates,
    nu: float,
    spread: np.ndarray,
    last_tillage_depth: float | None,
    settings: SoilSettings,
    risk: RiskSettings,
    day=None,
) -> tuple[pd.DataFrame, list[Note]]:
    """Return what a wheel may carry on a day, by soil unit, axle and depth.

    ``mass_even`` makes damage as likely as not: its stress equals the strength.
    ``mass_unlikely`` keeps the chance below the first limit of the classes; on swelling
    clay it stays below a heavy wheel down to the depth of the floor, which dry soil
    does not lift. Of a unit's columns the weakest counts, as under liquid manure.

    Parameters
    ----------
    series : SoilSeries
    wheels : DataFrame
        Contract `core.tables.WHEELS`; their tyres as set are used.
    states : LoadStates
    nu : float
        Concentration factor, above 2. [1]
    spread : ndarray, shape (n_depths,)
        Standard deviation of ln(stress / strength) with the water known; what is not
        known of the water of that day comes on top. [1]
    last_tillage_depth : float or None
        As for `strength_at`. [m]
    settings : SoilSettings
    risk : RiskSettings
    day : date, optional
        The last day with weather if not given.

    Returns
    -------
    DataFrame
        Contract `core.tables.CARRYING`.
    list of Note
        One a soil unit, for the machine with the heaviest wheel.
    """
    if not len(series.dates) or not len(wheels) or not series.columns.size:
        return CARRYING.empty(), []
    day = pd.Timestamp(series.dates[-1] if day is None else day).normalize()
    noon = day.tz_localize(series.time_zone or "UTC") + pd.Timedelta(hours=12)
    state = strength_at(
        series,
        [noon.timestamp()],
        last_tillage_depth=last_tillage_depth,
        settings=settings,
    )
    strength, swelling = _by_unit(series, np.exp(state.ln_strength[0]))
    carried = _carried(wheels, states)
    wide = np.hypot(spread, state.ln_spread[0])
    least = state.ln_strength[0] + ndtri(risk.class_limits[0]) * wide
    safe, _ = _by_unit(series, np.exp(least))
    floored = np.asarray(COMPUTE_DEPTHS) <= risk.floor_depth + 1e-9
    frames = []
    memory: dict[tuple, np.ndarray] = {}
    for axle_id, axle in wheels.groupby("axle_id", sort=True):
        both = np.stack([strength, safe])
        key = _alike(axle)
        if key not in memory:
            memory[key] = wheel_capacity(axle, both, nu=nu, settings=settings)
        even, unlikely = memory[key] / GRAVITY
        if risk.floor >= risk.class_limits[0]:
            capped = np.minimum(unlikely, risk.floor_mass)
            unlikely = np.where(swelling[:, None] & floored, capped, unlikely)
        frames.append(
            _rows(
                series, axle, day, strength, even, unlikely, carried[int(str(axle_id))]
            )
        )
    table = require_table(pd.concat(frames, ignore_index=True), CARRYING)
    return table, _notes(table, day)


def _stress_by_load(axle: pd.DataFrame, nu: float, settings) -> np.ndarray:
    """Return the largest stress under the closest group of wheels, (loads, depths)."""
    group = _group(axle.sort_values("right", kind="stable"), settings.dual_spacing)
    right = group["right"].to_numpy(dtype=np.float64)
    offsets = np.unique(np.concatenate([right, 0.5 * (right[1:] + right[:-1])]))
    memory = WheelStress(
        offsets, np.asarray(COMPUTE_DEPTHS), float(nu), settings, mirrored=False
    )
    shapes = [memory.shape_of(wheel) for wheel in group.itertuples()]
    pressures = group["pressure"].to_numpy(dtype=np.float64)
    return np.stack(
        [
            memory.axle_profile(
                np.full(right.size, load), pressures, shapes, right
            ).max(axis=0)
            for load in _LOADS
        ]
    )


def _group(axle: pd.DataFrame, spacing: float) -> pd.DataFrame:
    """Return the most wheels of an axle that stand closer than `spacing`."""
    number = (axle["right"].diff().fillna(0.0) >= spacing).cumsum()
    return axle[number == number.mode().iloc[0]]


def _alike(axle: pd.DataFrame) -> tuple:
    """Return what decides the capacity of an axle; NaN as text, to be equal."""
    names = ["right", "kind", "width", "diameter", "pressure", "contact_length"]
    names += ["rollers", "contact_area", "contact_slope"]
    return tuple(axle[names].astype(str).itertuples(index=False, name=None))


def _by_unit(series: SoilSeries, strength: np.ndarray):
    """Return the least strength of each soil unit (NaN where one is), and swelling."""
    unit_of_column = np.asarray(series.columns.unit_of_column)
    units = range(len(series.columns.units))
    weakest = np.full((len(series.columns.units), strength.shape[1]), np.nan)
    swelling = np.zeros(len(series.columns.units), dtype=np.bool_)
    for unit in units:
        mine = unit_of_column == unit
        if mine.any():
            weakest[unit] = strength[mine].min(axis=0)
            swelling[unit] = bool(np.asarray(series.columns.swelling)[mine].any())
    return weakest, swelling


def _carried(wheels: pd.DataFrame, states: LoadStates) -> dict[int, tuple]:
    """Return lightest and heaviest wheel of each axle in this season [kg]."""
    out = {}
    for axle_id, axle in wheels.groupby("axle_id", sort=True):
        mine = np.asarray(states.machine_id) == axle["machine_id"].iloc[0]
        loads = states.load[mine][:, axle["slot"].to_numpy()] / GRAVITY
        known = loads[np.isfinite(loads)]
        ends = (float(known.min()), float(known.max())) if known.size else None
        out[int(str(axle_id))] = ends or (math.nan, math.nan)
    return out


def _rows(series, axle, day, strength, even, unlikely, carried) -> pd.DataFrame:
    depths = np.asarray(COMPUTE_DEPTHS)
    n_units = strength.shape[0]
    first = axle.iloc[0]
    frame = pd.DataFrame(
        {
            "unit_index": np.repeat(np.arange(n_units), depths.size),
            "soil_unit": np.repeat(
                np.array(series.columns.units, dtype=object), depths.size
            ),
            "day": f"{day:%Y-%m-%d}",
            "machine_id": str(first["machine_id"]),
            "body": str(first["body"]),
            "axle": str(first["axle"]),
            "depth": np.tile(depths, n_units),
            "strength": strength.ravel(),
            "mass_even": even.ravel(),
            "mass_unlikely": unlikely.ravel(),
            "no_limit": np.isinf(even.ravel()),
            "wheel_lightest": carried[0],
            "wheel_heaviest": carried[1],
        }
    )
    return frame.replace(np.inf, np.nan)


def _notes(table: pd.DataFrame, day: pd.Timestamp) -> list[Note]:
    """Say it in one sentence a soil unit, for the machine with the heaviest wheel."""
    notes: list[Note] = []
    heaviest = table["wheel_heaviest"].fillna(-1.0)
    if not (heaviest > 0.0).any():
        return notes
    chosen = table.iloc[int(heaviest.to_numpy().argmax())]
    same = [table[name] == chosen[name] for name in ("machine_id", "body", "axle")]
    mine = table[np.logical_and.reduce(same)]
    for unit, rows in mine.groupby("soil_unit", sort=True):
        told = []
        for depth in _TOLD:
            row = rows[np.isclose(rows["depth"], depth)].iloc[0]
            where = f"at {100 * depth:.0f} cm ({depth / 0.0254:.0f} in)"
            if not np.isfinite(row["strength"]):
                continue
            told.append(
                f"{_mass(row['mass_unlikely'])} {where}, damage as likely as not from "
                f"{_mass(row['mass_even'])}"
            )
        if not told:
            continue
        low, high = rows["wheel_lightest"].iloc[0], rows["wheel_heaviest"].iloc[0]
        sentence = (
            f"Soil {unit} on {day.day} {day:%b}: a wheel on the tires of "
            f"{chosen['machine_id']} ({chosen['body']}, {chosen['axle']}) may carry "
            f"{'; '.join(told)}. This season it carried {low / 1e3:.1f} to "
            f"{high / 1e3:.1f} t. Ruts in the top are another matter."
        )
        notes.append(Note("soil.carrying", "info", sentence, 1, str(unit)))
    return notes


def _mass(mass: float) -> str:
    if not math.isfinite(mass):
        return "any load"
    return f"{mass / 1e3:.1f} t ({mass / 907.18474:.1f} tons)"
