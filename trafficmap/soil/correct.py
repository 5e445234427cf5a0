"""Soil water drawn towards what people and probes read, with the gain of it."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trafficmap.core.notes import Note
from trafficmap.soil.columns import LAYER_CENTRES
from trafficmap.soil.retention import suction
from trafficmap.soil.series import layer_of

if TYPE_CHECKING:
    from trafficmap.core.grid import FieldGrid
    from trafficmap.core.settings.soil import SoilSettings
    from trafficmap.soil.water import SoilSeries

MOISTURE_KINDS = ("moisture", "feel")
_SHARED_DEPTH = 0.20
"""Errors of two layers go together by exp(-distance / this) [m] (choice)."""
_COMMON = 0.9
"""Share of the variance of a reading that all readings of its spot have in common:
its calibration, its ground, its person (choice)."""
_FAR = 3.0
"""A reading this many standard deviations from the model is told (choice)."""
_LEAST = 0.005
"""No water content is known better than this [m3/m3] (choice)."""


@dataclass(frozen=True)
class Readings:
    """Moisture readings, where in the series they lie and how far they may be off.

    All of shape (n_readings,).

    Parameters
    ----------
    day, column, layer : ndarray of int
    theta, spread : ndarray
        Water content read and its standard deviation. [m3/m3]
    spot : ndarray of int
        Readings of one number share most of their error.
    felt : ndarray of bool
        Judged by feel: a share of what a crop can take, and not a water content.
    """

    day: np.ndarray
    column: np.ndarray
    layer: np.ndarray
    theta: np.ndarray
    spread: np.ndarray
    spot: np.ndarray
    felt: np.ndarray


def correct(
    series: SoilSeries,
    dug: pd.DataFrame,
    *,
    grid: FieldGrid,
    settings: SoilSettings,
) -> tuple[SoilSeries, list[Note]]:
    """Return the series drawn towards readings of soil moisture.

    The best linear estimate from all readings at once: each moves its layer by
    K = s^2 / (s^2 + r^2) of the difference, and other layers, days and soil units as
    far as their errors go together. Readings of one spot share most of their error,
    so many readings of a probe nobody calibrated say how water changed and hardly how
    much there is. A probe reads water, and where the model is off part of that is the
    curve of the soil, which leaves suction alone; what is felt is a share of the
    water a crop can take and so speaks of suction itself. Hand rolls are not used here
    but where the fitness to till is asked, see `fitness.fit`: no reading counts twice.

    Parameters
    ----------
    series : SoilSeries
    dug : DataFrame
        Contract `core.tables.DUG`; rows of kind moisture (value: water content
        [m3/m3], finding "calibrated" where it is) and feel (value: share of available
        water, 0 at 1500 kPa and 1 at 33 kPa).
    grid : FieldGrid
    settings : SoilSettings

    Returns
    -------
    SoilSeries
        The one given where nothing was read.
    list of Note

    Notes
    -----
    Errors of the model go together by exp(-dz / 0.2 m) over depth,
    exp(-days / ``settings.reading_days``) over time, wholly within a soil unit and by
    ``settings.reading_elsewhere`` between units (all choices); the curve of a soil
    stays, so its errors go together on all days. What is drawn nearer to a reading no
    longer keeps its balance; `closure` stays that of the model.
    """
    found, notes = moisture_readings(series, dug, grid=grid, settings=settings)
    if not found.day.size:
        return series, notes
    (theta, spread), (own, drying) = _estimate(series, found, settings)
    curve = series.columns.curve
    theta, own = (
        np.clip(water, 0.5 * curve.theta_1500, curve.theta_s) for water in (theta, own)
    )
    corrected = dataclasses.replace(
        series,
        theta=theta,
        theta_sd=spread,
        suction=np.where(np.isnan(own), np.nan, suction(own, curve)),
        account=dict(series.account),
        drying_sd=drying,
        theta_own=own,
        unread=series,
    )
    at = (found.day, found.column, found.layer)
    before, after = series.theta_sd[at], spread[at]
    gain = {
        "readings": int(found.day.size),
        "spots": int(np.unique(found.spot).size),
        "theta_before": float(series.theta[at].mean()),
        "theta_after": float(theta[at].mean()),
        "spread_before": float(before.mean()),
        "spread_after": float(after.mean()),
    }
    corrected.account["readings"] = gain
    notes.append(_gain_note(gain))
    notes += _far_note(series, found)
    return corrected, notes


def moisture_readings(
    series: SoilSeries,
    dug: pd.DataFrame,
    *,
    grid: FieldGrid,
    settings: SoilSettings,
) -> tuple[Readings, list[Note]]:
    """Return the readings that can be used, and what had to be left out or assumed.

    Parameters
    ----------
    series : SoilSeries
    dug : DataFrame
        Contract `core.tables.DUG`.
    grid : FieldGrid
    settings : SoilSettings
    """
    rows = dug[dug["kind"].isin(MOISTURE_KINDS)]
    cell = grid.cell_index(rows["easting"].to_numpy(), rows["northing"].to_numpy())
    columns = series.columns
    column = np.where(cell >= 0, columns.column_of_cell[np.maximum(cell, 0)], -1)
    day = np.array([_day(series, when) for when in rows["date"]], dtype=np.int64)
    value = rows["value"].to_numpy(dtype=np.float64)
    depth = rows["depth"].to_numpy(dtype=np.float64)
    use = (column >= 0) & (day >= 0) & np.isfinite(value) & np.isfinite(depth)
    use &= depth <= 1.0
    layer = np.array([layer_of(z) if z >= 0 else 0 for z in np.nan_to_num(depth)])
    layer = layer.astype(np.int64)
    use[use] = np.isfinite(series.theta[day[use], column[use], layer[use]])
    notes = []
    lost = int((~use).sum())
    if lost:
        sentence = (
            f"{lost} readings of soil moisture were left out: each needs a value, a "
            "depth down to 1 m, a place on the soil map and a day with weather."
        )
        notes.append(Note("soil.reading_left_out", "check", sentence, lost))
    kind = rows["kind"].to_numpy()[use]
    day, column, layer, value = day[use], column[use], layer[use], value[use]
    curve = columns.curve
    dry, middle = curve.theta_1500[column, layer], curve.theta_33[column, layer]
    felt = kind == "feel"
    theta = np.where(felt, dry + value * (middle - dry), value)
    words = rows["finding"].fillna("").astype(str).str.casefold().str.strip()
    calibrated = (words == "calibrated").to_numpy()[use]
    own, maker, ground = settings.moisture_spread
    probe = np.where(calibrated, np.hypot(own, ground), np.hypot(maker, ground))
    unsaid = int((~felt & ~calibrated).sum())
    if unsaid:
        sentence = (
            f"{unsaid} moisture readings do not say that the probe was calibrated for "
            f"this soil; each may be {100 * np.hypot(maker, ground):.0f} % of volume "
            "off, so they move the level little. Write calibrated into the column "
            "finding where it was."
        )
        notes.append(Note("soil.probe_not_calibrated", "check", sentence, unsaid))
    spot = pd.factorize(rows["point"][use].astype(str) + "|" + rows["kind"][use])[0]
    spread = np.where(felt, settings.feel_spread, probe)
    return Readings(day, column, layer, theta, spread, spot, felt), notes


def _estimate(
    series: SoilSeries, found: Readings, settings: SoilSettings
) -> tuple[tuple[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]]:
    """Return water and its spread given all readings, as read and on the own curve.

    The error of the water is that of the curve and that of weather and model
    together; suction knows of the second only. A probe sees both, a hand the second.
    """
    unit = series.columns.unit_of_column
    days = np.arange(len(series.dates))
    at = (found.day, found.column, found.layer)
    drying_sd = series.theta_sd if series.drying_sd is None else series.drying_sd
    curve_sd = np.sqrt(np.maximum(series.theta_sd**2 - drying_sd**2, 0.0))
    drying = drying_sd[at]
    curve = np.where(found.felt, 0.0, curve_sd[at])

    def together(day, unit_, layer) -> tuple[np.ndarray, np.ndarray]:
        """Return how errors of the curve, and others, go with those at readings."""
        apart = np.abs(LAYER_CENTRES[layer][:, None] - LAYER_CENTRES[found.layer])
        later = np.abs(np.asarray(day)[:, None] - found.day)
        same = unit_[:, None] == unit[found.column]
        lasting = np.exp(-apart / _SHARED_DEPTH)
        lasting = lasting * np.where(same, 1.0, settings.reading_elsewhere)
        return lasting, lasting * np.exp(-later / settings.reading_days)

    lasting, fading = together(found.day, unit[found.column], found.layer)
    observed = np.outer(curve, curve) * lasting + np.outer(drying, drying) * fading
    alike = found.spot[:, None] == found.spot
    error = np.outer(found.spread, found.spread) * alike * _COMMON
    np.fill_diagonal(error, found.spread**2)
    whole = np.linalg.inv(observed + error)
    miss = found.theta - series.theta[at]
    read = series.theta.copy(), series.theta_sd.copy()
    own = series.theta.copy(), drying_sd.copy()
    layers = np.arange(LAYER_CENTRES.size)
    for column in range(series.columns.size):
        for layer in layers:
            lasting, fading = together(
                days, np.full(days.size, unit[column]), np.full(days.size, layer)
            )
            mine = fading * drying * drying_sd[:, column, layer, None]
            both = mine + lasting * curve * curve_sd[:, column, layer, None]
            for (theta, spread), cross in ((own, mine), (read, both)):
                weight = cross @ whole
                theta[:, column, layer] += weight @ miss
                before = spread[:, column, layer] ** 2
                left = before - np.einsum("ij,ij->i", weight, cross)
                least = np.minimum(before, _LEAST**2)
                spread[:, column, layer] = np.sqrt(np.maximum(left, least))
    for _, spread in (read, own):
        spread[np.isnan(series.theta_sd)] = np.nan
    return read, own


def _day(series: SoilSeries, when) -> int:
    """Return the row of the day of a reading, -1 where there is none."""
    return -1 if pd.isna(when) else series.day_of(when)


def _gain_note(gain: dict) -> Note:
    """Say what the readings changed and what they were worth."""
    sentence = (
        f"{gain['readings']} moisture readings at {gain['spots']} spots moved the "
        f"water there from {100 * gain['theta_before']:.1f} to "
        f"{100 * gain['theta_after']:.1f} % of volume; how far it may be off fell from "
        f"{100 * gain['spread_before']:.1f} to {100 * gain['spread_after']:.1f} %."
    )
    return Note("soil.water_corrected", "info", sentence, gain["readings"])


def _far_note(series: SoilSeries, found: Readings) -> list[Note]:
    """Say which readings the model cannot believe."""
    at = (found.day, found.column, found.layer)
    width = np.hypot(series.theta_sd[at], found.spread)
    far = np.abs(found.theta - series.theta[at]) > _FAR * width
    if not far.any():
        return []
    sentence = (
        f"{int(far.sum())} moisture readings lie far from what weather and soil give. "
        "They were used; look whether unit, depth and place are right."
    )
    return [Note("soil.reading_far", "check", sentence, int(far.sum()))]
