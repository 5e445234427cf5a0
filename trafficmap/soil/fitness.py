"""Whether the ground is fit: to shatter under a deep-tillage tool, and to carry."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import ndtr

from trafficmap.core.constants import WATER_DENSITY
from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.soil.columns import LAYER_CENTRES, LAYER_EDGES
from trafficmap.soil.crust import carries_over_frost, ground_word
from trafficmap.soil.retention import Retention, suction, water_content
from trafficmap.soil.series import layer_of

if TYPE_CHECKING:
    from trafficmap.core.settings.soil import SoilSettings
    from trafficmap.soil.columns import SoilColumns
    from trafficmap.soil.water import SoilSeries

PLASTIC_SUCTION = 87e3
"""Middle of the 694 to 1051 hPa at which 290 horizons were at their plastic limit
[Pa]; McBride 1989 (second hand)."""
HAND_ROLL_WORDS = ("rolls", "cracks", "crumbles")
_FIRST_DEPTH = 0.10
_SHARED_DEPTH = 0.20


@dataclass(frozen=True)
class FitState:
    """Whether one soil column shatters at a depth, and carries, on one day.

    Parameters
    ----------
    date : date
    column : int
    tip_depth : float
        Depth of the shank tip asked for. [m]
    word : str
        shatters, test by hand, too wet, too hard, or unknown.
    probability : float
        Chance to shatter, of the worst layer down to the tip; NaN if unknown. [1]
    worst_depth : float
        Middle of that layer. [m]
    carries : str
        carries, may rut, does not carry, or unknown.
    depths, water, water_sd, plastic_limit, plastic_sd, layer_probability : ndarray
        By layer (n_layers,): middle [m], water content and plastic limit with their
        standard deviations [kg/kg], chance to shatter [1].
    readings : int
        Hand rolls used.
    frozen, thawed : float
        Frozen thickness, and the depth thawed above it. [m]
    ground : str
        not frozen, frozen crust, or thawed over frozen.
    notes : tuple of Note
    """

    date: dt.date
    column: int
    tip_depth: float
    word: str
    probability: float
    worst_depth: float
    carries: str
    depths: np.ndarray
    water: np.ndarray
    water_sd: np.ndarray
    plastic_limit: np.ndarray
    plastic_sd: np.ndarray
    layer_probability: np.ndarray
    readings: int
    frozen: float
    notes: tuple[Note, ...] = ()
    thawed: float = math.nan
    ground: str = "not frozen"

    @property
    def tip_frozen(self) -> bool:
        """Whether ice lies where the shank tip would go, thawed on top or not."""
        return (
            self.ground != "not frozen"
            and self.thawed < self.tip_depth <= self.thawed + self.frozen
        )


def fit(
    series: SoilSeries,
    *,
    column: int,
    day,
    tip_depth: float,
    hand_rolls: pd.DataFrame | Iterable[tuple[float, str]] | None = None,
    plastic_limit: float | None = None,
    settings: SoilSettings,
) -> FitState:
    """Return whether the ground shatters down to the tip and carries on a day.

    Fit needs, at every layer from 0.10 m to a little below the tip, a chance of at
    least 0.80 that the water is below the plastic limit and a best value of at most
    0.9 of it (choice). Without a hand roll or a probe the spread of the model keeps
    that gate nearly always shut in a wet autumn: the answer then is "test by hand".

    Parameters
    ----------
    series : SoilSeries
    column : int
        Soil column.
    day : date or str
        Day asked for.
    tip_depth : float
        Depth of the shank tip. [m]
    hand_rolls : DataFrame or iterable of (depth [m], finding), optional
        Findings rolls, cracks or crumbles; a table keeps `core.tables.DUG`, and its
        rows count up to ``settings.hand_roll_days`` after their day.
    plastic_limit : float, optional
        Measured; else that of the soil map; else estimated from texture. [kg/kg]
    settings : SoilSettings

    Returns
    -------
    FitState

    Raises
    ------
    InputError
        No such column, a depth that is not positive, or an unknown finding.
    """
    columns = series.columns
    if not 0 <= column < columns.size:
        msg = f"soil column: got {column}, need 0 to {columns.size - 1}."
        raise InputError(msg, "ask for a place inside the soil map")
    if not (math.isfinite(tip_depth) and 0.0 < tip_depth <= 1.0):
        msg = f"depth: got {tip_depth:g} m, need more than 0 and 1 m at most."
        raise InputError(msg, "give the depth of the shank tip")
    row = series.day_of(day)
    date = pd.Timestamp(day).date()
    own = column_curve(columns, column)
    density = own.bulk_density / WATER_DENSITY
    limit, limit_sd, notes = plastic_limits(
        columns, column, measured=plastic_limit, settings=settings
    )
    readings = _readings(hand_rolls, date, settings)
    if row < 0 or np.isnan(series.theta[row, column]).any():
        blank = np.full(LAYER_CENTRES.size, np.nan)
        return FitState(
            date, column, tip_depth, "unknown", math.nan, math.nan, "unknown",
            LAYER_CENTRES, blank, blank, limit, limit_sd, blank, 0, math.nan,
            tuple(notes),
        )  # fmt: skip
    water = series.theta[row, column] / density
    spread = series.theta_sd[row, column] / density
    covariance = shared_errors(spread)
    for depth, finding in readings:
        water, covariance = hand_roll_update(
            water, covariance, limit, depth=depth, finding=finding, settings=settings
        )
    spread = np.sqrt(np.diag(covariance))
    theta = water * density
    chance = shatter_probability(water, limit, spread, limit_sd)
    tension = suction(theta, own)
    reached = reached_layers(tip_depth + settings.fit_below_tip)
    word, worst = _word(water, limit, chance, reached, settings)
    tip = int(np.searchsorted(LAYER_EDGES, tip_depth, side="left")) - 1
    frozen = float(series.frozen[row, column])
    thawed = float(series.thaw_depth[row, column])
    hard = (
        tension[tip] > settings.hard_suction
        and columns.clay[column, tip] > settings.hard_clay
    )
    if word == "shatters" and hard:
        word = "too hard"
    return FitState(
        date=date,
        column=column,
        tip_depth=tip_depth,
        word=word,
        probability=float(chance[worst]),
        worst_depth=float(LAYER_CENTRES[worst]),
        carries=carries_over_frost(
            carries_word(
                water, limit, tension, theta, theta_s=own.theta_s, settings=settings
            ),
            frozen=frozen,
            thawed=thawed,
            drier_than_plastic=below_plastic(water, limit),
            settings=settings,
        ),
        depths=LAYER_CENTRES,
        water=water,
        water_sd=spread,
        plastic_limit=limit,
        plastic_sd=limit_sd,
        layer_probability=chance,
        readings=len(readings),
        frozen=frozen,
        notes=tuple(notes),
        thawed=thawed,
        ground=ground_word(frozen, thawed, settings=settings),
    )


def upper_tillage_limit(clay, organic_matter):
    """Return the water content above which soil is too wet to till.

    UTL = 7.5 + 1.91 OM + 0.34 clay, all in percent.

    Parameters
    ----------
    clay, organic_matter : float or ndarray
        [kg/kg]

    Returns
    -------
    float or ndarray
        Water by dry mass. [kg/kg]

    References
    ----------
    .. [1] A. Terzaghi, W. B. Hoogmoed & R. Miedema (1988), Neth. J. Agric. Sci. 36
       (abstract).

    Examples
    --------
    >>> round(100 * upper_tillage_limit(0.18, 0.02), 2)
    17.44
    """
    return 0.075 + 1.91 * organic_matter + 0.34 * clay


def plastic_limit_estimate(clay, organic_matter, *, curve: Retention):
    """Return the plastic limit from texture, the mean of two estimators.

    The upper tillage limit, and water at 87 kPa; below 10 % clay, where soil is hardly
    plastic, the first alone.

    Parameters
    ----------
    clay, organic_matter : float or ndarray
        [kg/kg]
    curve : Retention

    Returns
    -------
    float or ndarray
        Water by dry mass. [kg/kg]
    """
    first = upper_tillage_limit(np.asarray(clay), np.asarray(organic_matter))
    held = water_content(PLASTIC_SUCTION, curve)
    second = held * WATER_DENSITY / curve.bulk_density
    return np.where(np.asarray(clay) < 0.10, first, 0.5 * (first + second))


def tillage_optimum_dexter(theta_r, theta_s, *, alpha, n):
    """Return the best water for seedbed tillage, its upper limit, and the suction.

    At the inflection of the retention curve of van Genuchten. Far wetter than a soil
    that shatters: for the seedbed only, no decision about deep tillage rests on it.

    Parameters
    ----------
    theta_r, theta_s : float
        Water content left over, and when full. [m3/m3]
    alpha : float
        [1/Pa]
    n : float
        Above 1. [1]

    Returns
    -------
    tuple of float
        Optimum and upper limit [m3/m3]; suction at the optimum [Pa].

    References
    ----------
    .. [1] A. R. Dexter & N. R. A. Bird (2001), Soil Till. Res. 57:203-212 (equations
       from memory).
    """
    m = 1.0 - 1.0 / n
    optimum = theta_r + (theta_s - theta_r) * (1.0 + 1.0 / m) ** -m
    upper = optimum + 0.4 * (theta_s - optimum)
    return optimum, upper, (1.0 / m) ** (1.0 / n) / alpha


def shatter_probability(water, plastic_limit, water_sd, plastic_sd):
    """Return the chance that soil is drier than its plastic limit.

    Parameters
    ----------
    water, plastic_limit : float or ndarray
        Water by dry mass. [kg/kg]
    water_sd, plastic_sd : float or ndarray
        Standard deviations. [kg/kg]

    Returns
    -------
    float or ndarray
        Probability. [1]

    Examples
    --------
    >>> round(float(shatter_probability(0.20, 0.228, 0.03, 0.03)), 3)
    0.745
    """
    return ndtr((plastic_limit - water) / np.hypot(water_sd, plastic_sd))


def kalman_update(value, spread, observed, observed_spread):
    """Return value and standard deviation after one observation of the same thing.

    Examples
    --------
    >>> [round(float(v), 3) for v in kalman_update(0.33, 0.045, 0.29, 0.041)]
    [0.308, 0.03]
    """
    gain = spread**2 / (spread**2 + observed_spread**2)
    return value + gain * (observed - value), math.sqrt(1.0 - gain) * spread


def hand_roll_update(
    water, covariance, plastic_limit, *, depth, finding, settings: SoilSettings
):
    """Return water by layer and its covariance after a hand roll at one depth.

    A thread that rolls easily, cracks or crumbles counts as a reading of 1.05, 0.87 or
    0.75 of the plastic limit (choice); the other layers follow as far as their errors
    go together with those of the layer tried.

    Parameters
    ----------
    water, plastic_limit : ndarray, shape (n_layers,)
        [kg/kg]
    covariance : ndarray, shape (n_layers, n_layers)
        Of water; from `shared_errors` before the first reading. [kg2/kg2]
    depth : float
        [m]
    finding : str
        rolls, cracks or crumbles.
    settings : SoilSettings

    Returns
    -------
    water : ndarray, shape (n_layers,)
    covariance : ndarray, shape (n_layers, n_layers)
    """
    layer = layer_of(depth)
    share = settings.hand_roll_shares[HAND_ROLL_WORDS.index(finding)]
    error = covariance[layer, layer] + settings.hand_roll_spread**2
    gain = covariance[:, layer] / error
    moved = water + gain * (share * plastic_limit[layer] - water[layer])
    return np.maximum(moved, 0.0), covariance - np.outer(gain, covariance[layer])


def shared_errors(water_sd):
    """Return the covariance of water by layer from its standard deviations.

    Errors of two layers go together by exp(-distance / 0.2 m) (choice).
    """
    apart = np.abs(LAYER_CENTRES[:, None] - LAYER_CENTRES)
    return np.outer(water_sd, water_sd) * np.exp(-apart / _SHARED_DEPTH)


def carries_word(
    water, plastic_limit, tension, theta, *, theta_s, settings: SoilSettings
) -> str:
    """Return whether the ground carries: carries, may rut, or does not carry.

    Carries: drier than the plastic limit down to 0.2 m and suction above 25 kPa at
    0.2 to 0.4 m. Does not carry: less than 10 kPa there, or water standing in the top
    layer. The set is a choice; density rose when traffic came wetter than 25 kPa
    (McNabb & Startsev, abstract). Strength at depth is another question.

    Parameters
    ----------
    water, plastic_limit : ndarray, shape (n_layers,)
        [kg/kg]
    tension : ndarray, shape (n_layers,)
        Suction. [Pa]
    theta, theta_s : ndarray, shape (n_layers,)
        [m3/m3]
    settings : SoilSettings
    """
    top = LAYER_EDGES[1:] <= 0.20 + 1e-9
    below = (LAYER_EDGES[:-1] >= 0.20 - 1e-9) & (LAYER_EDGES[1:] <= 0.40 + 1e-9)
    least = float(np.min(tension[below]))
    stop, caution = settings.traffic_suction
    if not (np.isfinite(least) and np.isfinite(water[top]).all()):
        return "unknown"
    if least < stop or theta[0] >= theta_s[0] - 0.005:
        return "does not carry"
    if least > caution and (water[top] < plastic_limit[top]).all():
        return "carries"
    return "may rut"


def below_plastic(water, plastic_limit) -> bool:
    """Return whether soil is drier than its plastic limit down to 0.4 m.

    Parameters
    ----------
    water, plastic_limit : ndarray, shape (n_layers,)
        [kg/kg]
    """
    within = LAYER_EDGES[1:] <= 0.40 + 1e-9
    return bool((np.asarray(water)[within] < np.asarray(plastic_limit)[within]).all())


def wilson_interval(count: int, total: int, *, z: float = 1.645):
    """Return the interval of a share of days or years counted, by Wilson's score.

    Examples
    --------
    >>> [round(v, 2) for v in wilson_interval(21, 30)]
    [0.55, 0.82]
    """
    share = count / total
    middle = share + z * z / (2 * total)
    half = z * math.sqrt(share * (1 - share) / total + z * z / (4 * total**2))
    scale = 1 + z * z / total
    return (middle - half) / scale, (middle + half) / scale


def column_curve(columns: SoilColumns, column: int) -> Retention:
    """Return the retention curve of one column, fields of shape (n_layers,)."""
    curve = vars(columns.curve)
    return Retention(**{name: part[column] for name, part in curve.items()})


def plastic_limits(
    columns: SoilColumns,
    column: int,
    *,
    measured: float | None = None,
    settings: SoilSettings,
) -> tuple[np.ndarray, np.ndarray, list[Note]]:
    """Return plastic limit and its spread by layer, (n_layers,) [kg/kg], and notes.

    The measured one where given here or with the soil map, else from texture.
    """
    if measured is None:
        measured = columns.plastic_limit
    n = LAYER_CENTRES.size
    if measured is not None:
        if not 0.05 <= measured <= 0.80:
            msg = f"plastic limit: got {measured:g}, need a fraction from 0.05 to 0.80."
            raise InputError(msg, "27 percent is 0.27")
        spread = np.full(n, settings.plastic_limit_spread_measured)
        return np.full(n, float(measured)), spread, []
    limit = plastic_limit_estimate(
        columns.clay[column],
        columns.organic_matter[column],
        curve=column_curve(columns, column),
    )
    sentence = (
        "The plastic limit is estimated from texture (give or take "
        f"{100 * settings.plastic_limit_spread:g} % water); a measured one makes the "
        "answer surer."
    )
    note = Note("soil.plastic_limit_estimated", "info", sentence)
    return limit, np.full(n, settings.plastic_limit_spread), [note]


def plastic_by_layer(columns: SoilColumns, column: int, *, settings: SoilSettings):
    """Return the plastic limit of a column by layer, (n_layers,) [kg/kg]."""
    return plastic_limits(columns, column, settings=settings)[0]


def _readings(hand_rolls, date: dt.date, settings: SoilSettings) -> list:
    """Return (depth, finding) of the hand rolls that still hold."""
    if hand_rolls is None:
        return []
    if isinstance(hand_rolls, pd.DataFrame):
        rows = hand_rolls[hand_rolls["kind"] == "hand_roll"]
        age = (pd.Timestamp(date) - pd.to_datetime(rows["date"])).dt.days
        rows = rows[(age >= 0) & (age <= settings.hand_roll_days)]
        rows = rows[rows["depth"].notna() & rows["finding"].isin(HAND_ROLL_WORDS)]
        return list(zip(rows["depth"], rows["finding"], strict=True))
    readings = [(float(depth), str(finding)) for depth, finding in hand_rolls]
    for _, finding in readings:
        if finding not in HAND_ROLL_WORDS:
            msg = f"hand roll: got {finding!r}, need {', '.join(HAND_ROLL_WORDS)}."
            raise InputError(msg, "roll a thread of 3 mm and say what it does")
    return readings


def reached_layers(bottom: float) -> np.ndarray:
    """Return which layers lie between 0.10 m and the bottom of disturbed ground [m]."""
    return (LAYER_EDGES[1:] > _FIRST_DEPTH + 1e-9) & (
        LAYER_EDGES[:-1] < max(bottom, _FIRST_DEPTH + 0.01) - 1e-9
    )


def _word(water, limit, chance, reached, settings: SoilSettings) -> tuple[str, int]:
    """Return the word for deep tillage, and the layer that decides."""
    layers = np.flatnonzero(reached)
    worst = int(layers[np.argmin(chance[layers])])
    by_hand, good = settings.fit_limits
    if chance[worst] < by_hand:
        return "too wet", worst
    dry = (water[layers] <= settings.fit_share * limit[layers]).all()
    if chance[worst] >= good and dry:
        return "shatters", worst
    return "test by hand", worst
