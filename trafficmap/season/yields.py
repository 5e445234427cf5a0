"""Yield readings from a combine's log: mass and ground of each step, lag taken out."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from pyproj import Transformer

from trafficmap.core.errors import InputError
from trafficmap.core.limits import RATE_GAP_SECONDS
from trafficmap.core.notes import Note
from trafficmap.core.units import MASS_PER_BUSHEL
from trafficmap.loads.fill import STANDARD_MOISTURE
from trafficmap.loads.lag import flow_lag
from trafficmap.plan.price import area_cost

if TYPE_CHECKING:
    from trafficmap.core.settings import Settings
    from trafficmap.core.settings.plan import PlanSettings
    from trafficmap.core.settings.season import SeasonSettings
    from trafficmap.field.model import Crop, Prices
    from trafficmap.formats.rawlog import RawLog

_SLOWEST = 0.3
"""Slower steps have no yield [m/s]; choice."""


def yield_readings(
    logs: list[RawLog],
    *,
    epsg: int,
    settings: SeasonSettings,
    moisture: float | None = None,
    lag: float | None = None,
) -> tuple[pd.DataFrame, list[Note]]:
    """Return what was cut on each step of the harvest.

    Parameters
    ----------
    logs : list of RawLog
        Combine logs with mass flow and width.
    epsg : int
        Grid system of the run.
    settings : SeasonSettings
        ``run_in`` is left out at both ends of each run of the header.
    moisture : float, optional
        Masses are put to this moisture where a log tells its own. [fraction]
    lag : float, optional
        From header to flow sensor; read from the log itself if left out. [s]

    Returns
    -------
    DataFrame
        easting, northing [m], mass [kg], area [m2], width [m]; one row a step.
    list of Note

    Raises
    ------
    InputError
        No log tells mass flow and width.
    """
    to_grid = Transformer.from_crs(4326, epsg, always_xy=True)
    notes: list[Note] = []
    parts = []
    for log in logs:
        table = log.table.sort_values("seconds", kind="stable", ignore_index=True)
        flow = table["mass_flow"].to_numpy(float)
        width = table["width"].to_numpy(float)
        if not (flow > 0.0).any() or not (width > 0.0).any():
            continue
        seconds = table["seconds"].to_numpy(float)
        cutting = table["work_state"].to_numpy(float)
        late, said = _lag(seconds, cutting, flow, lag, log.path.name)
        notes += said
        good = np.isfinite(flow)
        flow = np.interp(seconds + late, seconds[good], flow[good])
        wet = table["moisture"].to_numpy(float)
        if moisture is not None and np.isfinite(wet).any():
            flow = flow * (1.0 - np.where(np.isfinite(wet), wet, np.nanmedian(wet)))
            flow = flow / (1.0 - moisture)
        east, north = to_grid.transform(
            table["longitude"].to_numpy(float), table["latitude"].to_numpy(float)
        )
        passed = np.diff(seconds, prepend=np.nan)
        step = np.hypot(np.diff(east, prepend=np.nan), np.diff(north, prepend=np.nan))
        down = cutting > 0.0 if np.isfinite(cutting).any() else width > 0.0
        down &= (passed > 0.0) & (passed <= RATE_GAP_SECONDS)
        on = down & (step >= _SLOWEST * passed) & (width > 0.0) & np.isfinite(flow)
        on &= _settled(down, step, settings.run_in)
        parts.append(
            pd.DataFrame(
                {
                    "easting": east[on],
                    "northing": north[on],
                    "mass": flow[on] * passed[on],
                    "area": width[on] * step[on],
                    "width": width[on],
                }
            )
        )
    if not parts:
        names = ", ".join(dict.fromkeys(log.path.name for log in logs))
        msg = f"{names}: tells no mass flow with a width, need a combine's yield log."
        raise InputError(msg, "give the harvest log of the next crop")
    return pd.concat(parts, ignore_index=True), notes


def require_later(logs: list[RawLog], newest_input: str) -> list[Note]:
    """Refuse a harvest from before the work; say where nothing tells its day.

    Parameters
    ----------
    logs : list of RawLog
    newest_input : str
        Newest time in the inputs of the run, as ``2026-11-04T15:36:17Z``.

    Raises
    ------
    InputError
        Every log with a clock ends before that.
    """
    since = pd.Timestamp(newest_input).timestamp()
    dated = [log for log in logs if log.clock in ("utc", "wall") and len(log.table)]
    if dated and all(float(log.table["seconds"].max()) <= since for log in dated):
        names = ", ".join(dict.fromkeys(log.path.name for log in dated))
        msg = (
            f"{names}: was cut before the work was planned, need the harvest after it."
        )
        raise InputError(msg, "give the yield log of the next crop")
    if len(dated) == len(logs):
        return []
    sentence = (
        "The harvest logs do not all tell their day in full; make sure they are of the "
        "crop after the work."
    )
    return [Note("review.day_unknown", "check", sentence, len(logs) - len(dated))]


def assumed_notes(settings: Settings) -> list[Note]:
    """Say where the zones were only tried out, with layers assumed."""
    if settings.zones.assume_confirmed is None:
        return []
    sentence = (
        "This run was tried out with layers assumed, nobody dug: its zones may not be "
        "the ground that was worked."
    )
    return [Note("review.assumed", "check", sentence)]


def money_of(
    crop_told: Crop,
    prices: Prices,
    *,
    crop: str,
    price: float,
    cost: float,
    units: str,
    settings: PlanSettings,
) -> tuple[float, float, float | None, list[Note]]:
    """Return price [currency/kg], cost [currency/m2] and trade moisture, and notes.

    Parameters
    ----------
    crop_told : Crop
        Of the run; its price counts where the crop is the one planned.
    prices : Prices
        Of the run.
    crop : str
        What was harvested.
    price, cost : float
        As told for the review, by bushel and acre or tonne and hectare; NaN where not.
    units : {"us", "metric"}
    settings : PlanSettings
    """
    notes: list[Note] = []
    bushel = MASS_PER_BUSHEL.get(crop, math.nan)
    if math.isfinite(price):
        if units == "us" and not math.isfinite(bushel):
            msg = f"review: {crop or 'the crop'} has no known bushel, need its name."
            raise InputError(msg, "give --crop corn, or leave --price out")
        value = price / bushel if units == "us" else price / 1000.0
    elif crop_told.price is not None and crop in (crop_told.next, ""):
        value = crop_told.price
        said = "The price is the one planned with; give the real one with --price."
        notes.append(Note("review.price_planned", "info", said))
    else:
        value = math.nan
    if math.isfinite(cost):
        spent = cost / (4046.8564224 if units == "us" else 1e4)
    else:
        whole, _ = area_cost(crop_told, prices, settings)
        spent = whole.extra
        said = "The cost is the one planned with; give the real one with --cost."
        notes.append(Note("review.cost_planned", "info", said))
    return value, spent, STANDARD_MOISTURE.get(crop), notes


def _lag(
    seconds: np.ndarray,
    cutting: np.ndarray,
    flow: np.ndarray,
    told: float | None,
    name: str,
) -> tuple[float, list[Note]]:
    """Return the lag to take out [s], and what to say of it."""
    if told is not None:
        return told, []
    found = flow_lag(seconds, cutting, flow)
    if math.isfinite(found):
        sentence = (
            f"{name}: grain comes {found:.0f} s after it is cut, as header and flow "
            "show; the yield is put back to where it grew."
        )
        return found, [Note("review.lag_found", "info", sentence, 1, name)]
    sentence = (
        f"{name}: header and flow show no delay of the grain, so none is taken out; "
        "where the log is raw, give it with --lag."
    )
    return 0.0, [Note("review.lag_unknown", "check", sentence, 1, name)]


def _settled(down: np.ndarray, step: np.ndarray, way: float) -> np.ndarray:
    """Return which steps lie `way` [m] from where the header went in or came out."""
    out = np.zeros(down.size, dtype=bool)
    edges = np.flatnonzero(np.diff(down.astype(np.int8), prepend=0, append=0))
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        along = np.cumsum(step[a:b])
        out[a:b] = (along > way) & (along < along[-1] - way)
    return out
