"""One column through the season: the door of the water kernel."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from trafficmap.soil._kernels import run_column
from trafficmap.soil.columns import LAYER_THICKNESS

if TYPE_CHECKING:
    from trafficmap.core.settings.soil import SoilSettings
    from trafficmap.soil.columns import SoilColumns
    from trafficmap.soil.cover import GroundCover


@dataclass(frozen=True)
class Forcing:
    """What drives the water of all columns, day by day.

    Parameters
    ----------
    rain, eto : ndarray, shape (n_days,)
        Rain and reference evapotranspiration. [m]
    temperature : ndarray, shape (n_days,)
        Daily mean. [degC]
    cover : GroundCover
    roots : ndarray, shape (n_layers,)
        Share of the uptake.
    residue : float
        Factor of residue on evaporation. [1]
    drained : ndarray of bool, shape (n_columns,)
    surface : ndarray, shape (n_days, n_columns)
        Liquid put on the surface. [m]
    injected : ndarray, shape (n_days, n_columns, n_layers)
        Liquid put into layers. [m]
    start : ndarray, shape (n_columns, n_layers)
        Water content before the first day. [m3/m3]
    total, readily : ndarray, shape (n_columns,)
        Evaporable water of the top 0.1 m. [m]
    """

    rain: np.ndarray
    eto: np.ndarray
    temperature: np.ndarray
    cover: GroundCover
    roots: np.ndarray
    residue: float
    drained: np.ndarray
    surface: np.ndarray
    injected: np.ndarray
    start: np.ndarray
    total: np.ndarray
    readily: np.ndarray


def solve_column(
    columns: SoilColumns,
    column: int,
    *,
    forcing: Forcing,
    settings: SoilSettings,
    rain: np.ndarray | None = None,
    eto: np.ndarray | None = None,
    curve_number: float | None = None,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, float]:
    """Return what one column did, with other weather than its own where given.

    Parameters
    ----------
    columns : SoilColumns
    column : int
    forcing : Forcing
    settings : SoilSettings
    rain, eto : ndarray, shape (n_days,), optional
        In place of those of `forcing`. [m]
    curve_number : float, optional
        In place of that of the column. [1]

    Returns
    -------
    theta : ndarray, shape (n_days, n_layers)
        Water content at the end of each day. [m3/m3]
    frost : ndarray, shape (n_days, 2)
        Frozen down to, thawed from the top down to. [m]
    flux : ndarray, shape (n_days, 6)
        Snow, runoff, evaporation, uptake, drained, added. [m]
    closure : float
        Largest error of the balance of a day. [m]
    """
    curve = columns.curve
    rain = forcing.rain if rain is None else rain
    number = columns.curve_number[column] if curve_number is None else curve_number
    theta = np.empty((rain.size, LAYER_THICKNESS.size))
    frost = np.empty((rain.size, 2))
    flux = np.empty((rain.size, 6))
    closure = run_column(
        forcing.start[column].copy(),
        LAYER_THICKNESS,
        curve.theta_s[column],
        curve.theta_33[column],
        curve.theta_1500[column],
        curve.k_sat[column],
        curve.k_power[column],
        forcing.roots,
        rain,
        forcing.temperature,
        forcing.eto if eto is None else eto,
        forcing.cover.basal,
        forcing.cover.bare,
        forcing.cover.by_bare_share,
        forcing.surface[:, column].copy(),
        forcing.injected[:, column].copy(),
        float(number),
        settings.tile_drainage if forcing.drained[column] else 0.0,
        settings.deep_drainage,
        float(forcing.readily[column]),
        float(forcing.total[column]),
        forcing.residue,
        settings.melt_factor,
        float(curve.bulk_density[column, :2].mean()),
        float(columns.quartz[column]),
        settings.frost_resistance,
        settings.frost_factor,
        settings.thaw_factor,
        settings.thaw_path,
        theta,
        frost,
        flux,
    )
    return theta, frost, flux, closure
