"""How far the water of the model may be off, by where the error comes from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from trafficmap.soil.balance import Forcing, solve_column
from trafficmap.soil.retention import Retention, retention_saxton_rawls

if TYPE_CHECKING:
    from trafficmap.core.settings.soil import SoilSettings
    from trafficmap.soil.columns import SoilColumns

_PATTERNS = 4
"""Seasons of rain errors that are tried (choice): their mean square is then within
about two fifths of that of endless many."""
_SEED = 20
_STEP = 0.02
"""Step of sand and clay for a slope [kg/kg]."""


@dataclass(frozen=True)
class WaterSpread:
    """Standard deviations of simulated water content, each source by itself.

    All of shape (n_days, n_columns, n_layers), in m3/m3.

    Parameters
    ----------
    retention : ndarray
        Of the equations that lead from texture to retention.
    texture : ndarray
        Of a texture class that stands for many textures; 0 where the horizons are a
        survey's or measured.
    weather : ndarray
        Of rain, evaporation and runoff.
    model : float
        Of what the layers and the hourly drainage leave out. [m3/m3]
    """

    retention: np.ndarray
    texture: np.ndarray
    weather: np.ndarray
    model: float

    @property
    def whole(self) -> np.ndarray:
        """All sources together [m3/m3]; they know nothing of one another."""
        square = self.retention**2 + self.texture**2 + self.weather**2
        return np.sqrt(square + self.model**2)

    @property
    def drying(self) -> np.ndarray:
        """Weather and model together: what moves suction [m3/m3].

        Another curve holds other water at the suction ground drains to and crops
        dry it to, so errors of retention and texture leave suction where it is.
        """
        return np.sqrt(self.weather**2 + self.model**2)

    def means(self) -> dict[str, float]:
        """Return the root mean square of each source and of the whole [m3/m3]."""
        parts = {
            "retention": self.retention,
            "texture": self.texture,
            "weather": self.weather,
            "model": np.array([self.model]),
            "whole": self.whole,
        }
        return {
            name: float(np.sqrt(np.nanmean(part**2))) if part.size else float("nan")
            for name, part in parts.items()
        }


def water_spread(
    columns: SoilColumns,
    theta: np.ndarray,
    *,
    forcing: Forcing,
    rain_error: float,
    settings: SoilSettings,
) -> WaterSpread:
    """Return how far water content may be off, from each of its sources.

    Retention and texture move the water a layer holds at a given suction, so their
    errors are read off at the water it holds. Weather is tried: the column is run
    again with other rain, evaporation and runoff, once a soil unit and not once a
    column, because liquid moves all of these runs alike.

    Parameters
    ----------
    columns : SoilColumns
    theta : ndarray, shape (n_days, n_columns, n_layers)
        Simulated. [m3/m3]
    forcing : Forcing
    rain_error : float
        Standard deviation of the rain of one day, see `rain_error`. [fraction]
    settings : SoilSettings

    Returns
    -------
    WaterSpread

    Notes
    -----
    Days of rain err apart from one another. The mean square of the change under
    random signs is, for small errors, the sum over days of the square of what each
    does. Evaporation errs the same way all season.
    """
    full, middle, dry = settings.retention_spread
    curve = columns.curve
    retention = between_points(theta, curve, full=full, middle=middle, dry=dry)
    texture = np.zeros_like(theta)
    if columns.class_only:
        by_point = class_spread(columns, settings=settings)
        texture = between_points(
            theta, curve, full=by_point[0], middle=by_point[1], dry=by_point[2]
        )
    weather = np.zeros_like(theta)
    liquid = columns.liquid_water.sum(axis=1)
    for unit in np.unique(columns.unit_of_column):
        mine = np.flatnonzero(columns.unit_of_column == unit)
        least = int(mine[np.argmin(liquid[mine])])
        moved = _weather_spread(
            columns,
            least,
            base=theta[:, least],
            forcing=forcing,
            rain_error=rain_error,
            settings=settings,
        )
        weather[:, mine] = moved[:, None, :]
    # A wetting front that is early or late changes a layer from dry to full; no
    # weather says less than that anything between the two may be (level odds).
    widest = (curve.theta_s - curve.theta_1500) / np.sqrt(12.0)
    weather = np.minimum(weather, widest)
    return WaterSpread(retention, texture, weather, settings.model_spread)


def rain_error(distance: float | None, *, settings: SoilSettings) -> float:
    """Return the standard deviation of the rain of a day at the field [fraction].

    That of a gauge, and in straight proportion to the distance what storms differ by,
    0.30 at 10 km (choice), never more than at 20 km.

    Parameters
    ----------
    distance : float or None
        From the gauge to the field; None counts as 10 km. [m]
    settings : SoilSettings

    Examples
    --------
    >>> from trafficmap.core.settings.soil import SoilSettings
    >>> round(rain_error(0.0, settings=SoilSettings()), 3)
    0.05
    >>> round(rain_error(None, settings=SoilSettings()), 3)
    0.304
    """
    far = 10e3 if distance is None else min(max(distance, 0.0), 20e3)
    gauge, storms = settings.rain_spread
    return float(np.hypot(gauge, storms * far / 10e3))


def between_points(theta, curve: Retention, *, full, middle, dry):
    """Return a spread known at three points of the curve, at other water contents.

    Parameters
    ----------
    theta : ndarray, shape (n_days, n_columns, n_layers)
        [m3/m3]
    curve : Retention
        All fields of shape (n_columns, n_layers).
    full, middle, dry : float or ndarray, shape (n_columns, n_layers)
        Spread when full, at 33 kPa and at 1500 kPa. [m3/m3]

    Returns
    -------
    ndarray
        Of the shape of `theta`; straight between the points, level beyond. [m3/m3]
    """
    low = (theta - curve.theta_1500) / (curve.theta_33 - curve.theta_1500)
    high = (theta - curve.theta_33) / (curve.theta_s - curve.theta_33)
    below = dry + np.clip(low, 0.0, 1.0) * (middle - dry)
    above = middle + np.clip(high, 0.0, 1.0) * (full - middle)
    return np.where(theta <= curve.theta_33, below, above)


def class_spread(columns: SoilColumns, *, settings: SoilSettings) -> np.ndarray:
    """Return the spread of the curve within a texture class, (3, n_columns, n_layers).

    At full, 33 and 1500 kPa: slopes over sand and clay times the spread these have
    within a class. [m3/m3]
    """
    sand = np.clip(columns.sand, _STEP, 1.0 - _STEP)
    clay = np.clip(columns.clay, _STEP, 0.58)
    organic = np.minimum(columns.organic_matter, 0.08)
    names = ("theta_s", "theta_33", "theta_1500")

    def points(more_sand: float, more_clay: float) -> np.ndarray:
        curve = retention_saxton_rawls(
            sand + more_sand, clay + more_clay, organic_matter=organic
        )
        return np.array([getattr(curve, name) for name in names])

    by_sand = (points(_STEP, 0.0) - points(-_STEP, 0.0)) / (2.0 * _STEP)
    by_clay = (points(0.0, _STEP) - points(0.0, -_STEP)) / (2.0 * _STEP)
    spread_sand, spread_clay = settings.class_spread
    return np.hypot(by_sand * spread_sand, by_clay * spread_clay)


def _weather_spread(
    columns: SoilColumns,
    column: int,
    *,
    base: np.ndarray,
    forcing: Forcing,
    rain_error: float,
    settings: SoilSettings,
) -> np.ndarray:
    """Return the spread of one column from its weather, (n_days, n_layers) [m3/m3]."""
    rows: dict[str, Any] = {"forcing": forcing, "settings": settings}

    def moved(**other) -> np.ndarray:
        return (solve_column(columns, column, **rows, **other)[0] - base) ** 2

    square = moved(eto=forcing.eto * (1.0 + settings.eto_spread))
    number = float(columns.curve_number[column])
    other = number - settings.curve_number_spread
    square += moved(curve_number=max(30.0, other))
    signs = np.random.default_rng(_SEED).choice(
        (-1.0, 1.0), (_PATTERNS, forcing.rain.size)
    )
    for sign in signs:
        factor = np.maximum(0.0, 1.0 + rain_error * sign)
        square += moved(rain=forcing.rain * factor) / _PATTERNS
    return np.sqrt(square)
