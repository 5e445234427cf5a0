"""Hour by hour through a forecast: does soil shatter at depth, does it carry."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trafficmap.core.constants import FROST_LIMITS, WATER_DENSITY
from trafficmap.soil.columns import LAYER_CENTRES, LAYER_EDGES
from trafficmap.soil.crust import carries_over_frost, ground_word
from trafficmap.soil.fitness import (
    below_plastic,
    carries_word,
    column_curve,
    hand_roll_update,
    plastic_limits,
    reached_layers,
    shared_errors,
    shatter_probability,
)
from trafficmap.soil.retention import suction

if TYPE_CHECKING:
    from trafficmap.core.settings.soil import SoilSettings
    from trafficmap.soil.ahead import Ahead
    from trafficmap.soil.columns import SoilColumns
    from trafficmap.soil.nights import HourlyGround
    from trafficmap.soil.water import SoilSeries

_DAY = pd.Timedelta(days=1)
_HOUR = pd.Timedelta(hours=1)
_SNOW_DENSITY = 0.1
"""Water of fresh snow by its depth, as in the daily front (choice)."""

_CARRIES = ("unknown", "does not carry", "may rut", "carries")
Rolls = Iterable[tuple[float, str]]


@dataclass(frozen=True)
class FitHours:
    """Whether one soil column is fit in each hour ahead, arrays of shape (n_hours,).

    Parameters
    ----------
    start : DatetimeIndex
        Start of the hour, in the farm's clock.
    shatters : ndarray of str
        shatters, hard (dry enough, perhaps too hard), trial pass (through a crust),
        test by hand, too wet, frozen, rain, snow, unknown.
    probability : ndarray
        Chance to shatter, of the worst layer down to the tip. [1]
    worst_depth : ndarray
        Middle of that layer. [m]
    carries : ndarray of str
        carries, may rut, does not carry, rain, snow, unknown.
    ground : ndarray of str
        not frozen, frozen crust, thawed over frozen, unknown.
    frozen, thawed : ndarray
        [m]
    rain : ndarray
        Of the hour. [m]
    """

    start: pd.DatetimeIndex
    shatters: np.ndarray
    probability: np.ndarray
    worst_depth: np.ndarray
    carries: np.ndarray
    ground: np.ndarray
    frozen: np.ndarray
    thawed: np.ndarray
    rain: np.ndarray


def fit_hours(
    ahead: Ahead,
    *,
    column: int,
    tip_depth: float,
    ground: HourlyGround,
    hand_rolls: Rolls = (),
    rolled_on: pd.Timestamp | None = None,
    packed: bool = False,
    top_only: bool = False,
    settings: SoilSettings,
) -> FitHours:
    """Return, hour by hour, whether soil shatters to the tip and the ground carries.

    The gates are those of `fitness.fit`. Within a day water goes from its state
    before to its state after: evenly without rain, as rain falls where its hours are
    told, and at the wetter of the two all day where only the sum is. A hand roll
    moves the water of its own day; the balance goes on from there, so rain after it
    counts, and after ``settings.hand_roll_days`` it says nothing any more. Packed
    ground is judged by the worst hour of the last ``settings.packed_days``. All of
    this is a choice.

    Parameters
    ----------
    ahead : Ahead
        From `ahead.coming_water`.
    column : int
    tip_depth : float
        Depth of the shank tip. [m]
    ground : HourlyGround
        From `nights.hourly_ground`, of the same column and forecast.
    hand_rolls : iterable of (depth [m], finding)
    rolled_on : Timestamp, optional
        Their day.
    packed : bool
        End rows nobody has rolled.
    top_only : bool
        Ruts are levelled: only the layers above the tip count, frost stops it, and
        nothing is too hard.
    settings : SoilSettings

    Returns
    -------
    FitHours
        The hours of the forecast whose rain is told.
    """
    series = ahead.series
    columns = series.columns
    rain = _rain(ahead, series.time_zone or "UTC")
    starts = pd.DatetimeIndex(ground.ends - _HOUR)
    inside = ground.asked & np.asarray(starts <= rain.index[-1])
    starts = starts[inside]
    frozen, thawed = ground.frozen[inside], ground.thawed[inside]
    back = settings.packed_days * 24 if packed and starts.size else 0
    hours = pd.DatetimeIndex(
        starts[0] + _HOUR * np.arange(-back, starts.size)
        if starts.size
        else pd.DatetimeIndex([])
    )
    fall = rain["rain"].reindex(hours).fillna(0.0).to_numpy()
    theta, spread, snow = _state(series, column, hours, rain)
    own = column_curve(columns, column)
    density = own.bulk_density / WATER_DENSITY
    limit, limit_sd, _ = plastic_limits(columns, column, settings=settings)
    water, spread = theta / density, spread / density
    water, spread = _rolled(
        series, column, water, spread, hours, limit, list(hand_rolls), rolled_on,
        settings,
    )  # fmt: skip
    theta = np.minimum(water * density, own.theta_s)
    tension = suction(theta, own)
    chance = shatter_probability(water, limit, spread, limit_sd)
    if top_only:
        layers = np.flatnonzero(LAYER_EDGES[1:] <= tip_depth + 1e-9)
        hard = np.zeros(hours.size, dtype=bool)
    else:
        layers = np.flatnonzero(reached_layers(tip_depth + settings.fit_below_tip))
        hard = _hard(columns, column, tension, tip_depth, settings)
    word, worst = _words(water, chance, limit, layers, hard, settings)
    base = np.array(
        [
            carries_word(w, limit, s, t, theta_s=own.theta_s, settings=settings)
            for w, s, t in zip(water, tension, theta, strict=True)
        ],
        dtype=object,
    )
    least = np.where(
        word == "unknown", np.nan, np.take_along_axis(chance, worst[:, None], 1)[:, 0]
    )
    take = _worst_of(least, back)
    # Both answers of packed ground are the worst of its last days, each by itself.
    order = np.array([_CARRIES.index(w) for w in base], dtype=np.float64)
    rut = _worst_of(np.where(order < 0.5, np.nan, order), back)
    now = np.arange(back, hours.size)
    word, least, deep = word[take], least[take], LAYER_CENTRES[worst[take]]
    state = np.array(
        [
            ground_word(f, t, settings=settings)
            for f, t in zip(frozen, thawed, strict=True)
        ],
        dtype=object,
    )
    carries = np.array(
        [
            carries_over_frost(
                base[k], frozen=f, thawed=t, drier_than_plastic=below_plastic(w, limit),
                settings=settings,
            )
            for k, f, t, w in zip(rut, frozen, thawed, water[now], strict=True)
        ],
        dtype=object,
    )  # fmt: skip
    word = _frost(word, state, frozen, thawed, tip_depth, top_only=top_only)
    wet = _raining(rain, hours[back:], settings)
    covered = snow[back:] / _SNOW_DENSITY > settings.work_snow
    for stop, why in ((covered, "snow"), (wet, "rain")):
        word = np.where(stop & (word != "unknown"), why, word)
        carries = np.where(stop & (carries != "unknown"), why, carries)
    return FitHours(
        starts, word, least, deep, carries, state, frozen, thawed, fall[back:]
    )


def closed(
    ahead: Ahead,
    *,
    column: int,
    tip_depth: float,
    hand_rolls: Rolls = (),
    rolled_on: pd.Timestamp | None = None,
    settings: SoilSettings,
) -> tuple[bool, float, pd.Timestamp | None]:
    """Return whether the season for deep work has closed, the depth, and from when not.

    Closed: some layer between 0.10 m and a little below the tip stays wetter than its
    plastic limit through the forecast and through ``settings.closed_dry_days`` days
    without rain behind it. After the crop has ripened nothing takes water from that
    depth, so waiting does not help. The rule is a choice.

    Parameters
    ----------
    ahead : Ahead
    column : int
    tip_depth : float
        [m]
    hand_rolls, rolled_on
        As in `fit_hours`.
    settings : SoilSettings

    Returns
    -------
    closed : bool
        False where the water is not known.
    depth : float
        Middle of the layer that stays wettest; NaN unless closed. [m]
    dry_on : Timestamp or None
        First day on which, if no more rain fell than the forecast says, the soil
        would be drier than its plastic limit down to the tip.
    """
    series = ahead.dry
    later = pd.DatetimeIndex(series.dates[series.dates >= ahead.first])
    rows = np.flatnonzero(series.dates >= ahead.first)
    density = column_curve(series.columns, column).bulk_density / WATER_DENSITY
    water = series.theta[rows, column] / density
    if np.isnan(water).any():
        return False, float("nan"), None
    limit, _, _ = plastic_limits(series.columns, column, settings=settings)
    spread = ahead.series.theta_sd[:, column] / density
    rolls = list(hand_rolls)
    day = _fresh_day(rolls, rolled_on, later[0], settings)
    if day is not None:
        at = _row_at(ahead.series, day)
        before = ahead.series.theta[at, column] / density
        moved, _ = _update(before, spread[at], limit, rolls, settings)
        # Only while the roll holds, as in `fit_hours`; later days are the model's. On
        # a day without weather a roll has nothing to move.
        held = ((later - day).days <= settings.hand_roll_days)[:, None]
        water = water + held * np.nan_to_num(moved - before)
    reached = reached_layers(tip_depth + settings.fit_below_tip)
    excess = (water / limit)[:, reached]
    worst = excess.max(axis=1)
    dry = np.flatnonzero(worst < 1.0)
    if dry.size:
        return False, float("nan"), later[int(dry[0])]
    layer = int(np.argmax(excess.min(axis=0)))
    return True, float(LAYER_CENTRES[reached][layer]), None


def _rain(ahead: Ahead, zone: str) -> pd.DataFrame:
    """Return rain by hour of the farm's clock, with the sum of its day."""
    local = pd.DatetimeIndex(ahead.rain["time"]).tz_convert(zone).tz_localize(None)
    hour = local.floor("h")
    frame = pd.DataFrame(
        {
            "rain": ahead.rain["rain"].groupby(hour).sum(),
            "by_day": ahead.rain["by_day"].groupby(hour).any(),
        }
    )
    day = pd.DatetimeIndex(frame.index).normalize()
    whole = frame["rain"].groupby(day)
    frame["day"] = whole.transform("sum")
    frame["fallen"] = whole.cumsum()
    return frame


def _state(
    series: SoilSeries, column: int, hours: pd.DatetimeIndex, rain: pd.DataFrame
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return water content, its spread [m3/m3] and snow [m] in the middle of hours."""
    days = hours.normalize()
    after = np.array([series.day_of(day) for day in days.unique()])
    after = after[days.unique().get_indexer(days)]
    before = after - 1
    known = (after >= 1)[:, None]
    told = rain.reindex(hours)
    sums, by_day = told["day"].to_numpy(), told["by_day"].eq(True).to_numpy()
    clock = ((hours - days) / _DAY).to_numpy() + 0.5 / 24
    wet = np.nan_to_num(sums) > 0.0
    fallen = told["fallen"].to_numpy() / np.where(wet, sums, 1.0)
    share = np.where(wet & ~by_day, fallen, clock)[:, None]
    low, high = series.theta[before, column], series.theta[after, column]
    theta = low + share * (high - low)
    first, last = series.theta_sd[before, column], series.theta_sd[after, column]
    spread = first + share * (last - first)
    unsure = (wet & by_day)[:, None]
    theta = np.where(unsure, np.maximum(low, high), theta)
    spread = np.where(unsure, np.maximum(first, last), spread)
    snow = np.maximum(series.snow[before, column], series.snow[after, column])
    return np.where(known, theta, np.nan), spread, snow


def _rolled(
    series: SoilSeries,
    column: int,
    water: np.ndarray,
    spread: np.ndarray,
    hours: pd.DatetimeIndex,
    limit: np.ndarray,
    rolls: list[tuple[float, str]],
    rolled_on: pd.Timestamp | None,
    settings: SoilSettings,
) -> tuple[np.ndarray, np.ndarray]:
    """Return water and spread moved by hand rolls, in the hours in which they hold."""
    if not rolls or rolled_on is None:
        return water, spread
    day = pd.Timestamp(rolled_on).normalize()
    age = (hours.normalize() - day) / _DAY
    holds = np.asarray((age >= 0) & (age <= settings.hand_roll_days))
    at = _row_at(series, day)
    if not holds.any() or np.isnan(series.theta[at, column]).any():
        return water, spread
    density = column_curve(series.columns, column).bulk_density / WATER_DENSITY
    prior = series.theta[at, column] / density
    prior_sd = series.theta_sd[at, column] / density
    moved, left = _update(prior, prior_sd, limit, rolls, settings)
    grown = np.maximum(spread**2 - prior_sd**2, 0.0)
    hold = holds[:, None]
    water = np.where(hold, np.maximum(water + moved - prior, 0.0), water)
    return water, np.where(hold, np.sqrt(left**2 + grown), spread)


def _update(
    water: np.ndarray,
    spread: np.ndarray,
    limit: np.ndarray,
    rolls: list[tuple[float, str]],
    settings: SoilSettings,
) -> tuple[np.ndarray, np.ndarray]:
    """Return water by layer and its spread after hand rolls."""
    covariance = shared_errors(spread)
    for depth, finding in rolls:
        water, covariance = hand_roll_update(
            water, covariance, limit, depth=depth, finding=finding, settings=settings
        )
    return water, np.sqrt(np.diag(covariance))


def _fresh_day(
    rolls: list, rolled_on: pd.Timestamp | None, day: pd.Timestamp, settings
) -> pd.Timestamp | None:
    """Return the day of the hand rolls where they still hold on a day."""
    if not rolls or rolled_on is None:
        return None
    rolled = pd.Timestamp(rolled_on).normalize()
    return rolled if (day - rolled).days <= settings.hand_roll_days else None


def _row_at(series: SoilSeries, day: pd.Timestamp) -> int:
    """Return the row of a day, the nearest one where it is not in the series."""
    row = int(series.dates.searchsorted(day, side="right")) - 1
    return min(max(row, 0), len(series.dates) - 1)


def _hard(
    columns: SoilColumns,
    column: int,
    tension: np.ndarray,
    tip_depth: float,
    settings: SoilSettings,
) -> np.ndarray:
    """Return the hours in which shanks may ride out."""
    tip = int(np.searchsorted(LAYER_EDGES, tip_depth, side="left")) - 1
    clayey = columns.clay[column, tip] > settings.hard_clay
    return (tension[:, tip] > settings.hard_suction) & clayey


def _words(
    water: np.ndarray,
    chance: np.ndarray,
    limit: np.ndarray,
    layers: np.ndarray,
    hard: np.ndarray,
    settings: SoilSettings,
) -> tuple[np.ndarray, np.ndarray]:
    """Return the word of each hour as `fitness.fit` has it, and the layer it is by."""
    known = ~np.isnan(chance[:, layers]).any(axis=1)
    worst = layers[np.argmin(np.nan_to_num(chance[:, layers]), axis=1)]
    least = np.take_along_axis(chance, worst[:, None], 1)[:, 0]
    by_hand, good = settings.fit_limits
    dry = (water[:, layers] <= settings.fit_share * limit[layers]).all(axis=1)
    word = np.full(water.shape[0], "test by hand", dtype=object)
    word[(least >= good) & dry] = "shatters"
    word[least < by_hand] = "too wet"
    word[hard & (word == "shatters")] = "hard"
    word[~known] = "unknown"
    return word, worst


def _worst_of(chance: np.ndarray, back: int) -> np.ndarray:
    """Return, for each hour, the worst of it and the hours before it."""
    if not back:
        return np.arange(chance.size)
    filled = np.where(np.isnan(chance), 2.0, chance)
    spans = np.lib.stride_tricks.sliding_window_view(filled, back + 1)
    # The newest of equals, so that an hour stands for itself where nothing is worse.
    newest = back - np.argmin(spans[:, ::-1], axis=1)
    take = np.arange(spans.shape[0]) + newest
    now = np.arange(back, chance.size)
    return np.where(np.isnan(chance[now]), now, take)


def _frost(
    word: np.ndarray,
    state: np.ndarray,
    frozen: np.ndarray,
    thawed: np.ndarray,
    tip_depth: float,
    *,
    top_only: bool,
) -> np.ndarray:
    """Return the words with what ice in the way of the tool does to them."""
    ice = state != "not frozen"
    if top_only:
        return np.where(ice & (word != "unknown"), "frozen", word)
    tip = ice & (thawed < tip_depth) & (tip_depth <= thawed + frozen)
    word = np.where(
        ice & (frozen >= FROST_LIMITS[0]) & np.isin(word, ("shatters", "hard")),
        "trial pass",
        word,
    )
    stop = ice & ((frozen > FROST_LIMITS[2]) | tip)
    return np.where(stop & (word != "unknown"), "frozen", word)


def _raining(
    rain: pd.DataFrame, hours: pd.DatetimeIndex, settings: SoilSettings
) -> np.ndarray:
    """Return the hours in which it rains too much to work."""
    told = rain.reindex(hours)
    by_day = told["by_day"].eq(True).to_numpy()
    fall = told["rain"].fillna(0.0).to_numpy()
    day = told["day"].fillna(0.0).to_numpy()
    return np.where(
        by_day, day > settings.work_rain_day, fall >= settings.work_rain_hour
    )
