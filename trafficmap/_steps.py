"""Steps of the line that ask one room for several things, or for none of them."""

from __future__ import annotations

import dataclasses
import datetime as dt
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from trafficmap import plan, risk, soil, traffic
from trafficmap.core.layers import new_tray, put_layer

if TYPE_CHECKING:
    from collections.abc import Callable

    import geopandas as gpd
    import pandas as pd
    import xarray as xr
    from shapely.geometry.base import BaseGeometry

    from trafficmap.core.grid import FieldGrid
    from trafficmap.core.notes import Note
    from trafficmap.core.settings import Settings
    from trafficmap.field.model import Field
    from trafficmap.loads.paths import WheelPaths
    from trafficmap.traffic.events import Visits
    from trafficmap.zones.units import Units


def mapped_bounds(
    boundary: BaseGeometry, access: BaseGeometry | None
) -> tuple[float, float, float, float]:
    """Return the bounds of all ground that is mapped."""
    return boundary.bounds if access is None else boundary.union(access).bounds


def access_share(field: Field, grid: FieldGrid) -> np.ndarray | None:
    """Return the share of each cell on strips of access outside the boundary."""
    if field.access is None:
        return None
    beyond = field.access.difference(field.boundary)
    if beyond.is_empty:
        return np.zeros(grid.shape)
    parts = [p for p in shapely.get_parts(beyond) if p.geom_type == "Polygon"]
    return traffic.inside_share(shapely.union_all(parts), grid=grid)


def soil_water(
    field: Field,
    use: Settings,
    *,
    grid: FieldGrid,
    liquid: list,
    paths: WheelPaths,
    visits: Visits,
) -> tuple[tuple, list[Note]]:
    """Return columns, series, strength and profiles, and what was found."""
    notes: list[Note] = []
    if field.soil is None:
        return (None, None, None, None), notes
    columns, found = soil.columns(
        field.soil,
        grid=grid,
        liquid_layers=liquid,
        settings=use.soil,
        time_zone=field.time_zone,
    )
    notes += found
    nu = soil.concentration_factor(columns, settings=use.soil)
    profiles = soil.stress_profiles(
        paths.wheels, paths.states, nu=nu, settings=use.soil
    )
    notes += profiles.notes
    times = visits.time[np.isfinite(visits.time)]
    if field.weather is None or not times.size:
        return (columns, None, None, profiles), notes
    first = dt.datetime.fromtimestamp(float(times.min()), tz=dt.UTC).date()
    series, found = soil.run_water(
        columns,
        weather=field.weather,
        latitude=field.latitude,
        elevation=field.elevation,
        tile=field.tile,
        crop=field.crop,
        settings=use.soil,
        first_pass=first,
        time_zone=field.time_zone,
        station_distance=field.station_distance,
    )
    notes += found
    series, found = soil.correct(series, field.dug, grid=grid, settings=use.soil)
    notes += found
    strength = soil.strength_at(
        series,
        times,
        columns=columns,
        last_tillage_depth=tilled_depth(field),
        settings=use.soil,
    )
    notes += strength.notes
    return (columns, series, strength, profiles), notes


def worth_of_readings(
    series: Any,
    times: np.ndarray,
    *,
    field: Field,
    strength: Any,
    tray: xr.Dataset,
    grid: FieldGrid,
    use: Settings,
    assessed: dict[str, Any],
) -> list[Note]:
    """Return what moisture readings changed, nothing where nobody read any.

    The risk is worked out a second time as if nobody had; `assessed` is what
    `risk.assess` was given besides strength and tray. What was found also goes into
    the account of the series.
    """
    if series is None or series.unread is None:
        return []
    unread = series.unread
    moved = unread.theta_sd if unread.drying_sd is None else unread.drying_sd
    # Wetter soil may be harder to know: how sure is told for the water as read.
    as_read = dataclasses.replace(series, drying_sd=moved)
    without, no_surer = (
        soil.strength_at(
            one,
            times,
            columns=series.columns,
            last_tillage_depth=tilled_depth(field),
            settings=use.soil,
        )
        for one in (unread, as_read)
    )
    scratch = new_tray(grid)
    risk.assess(strength=without, tray=scratch, **assessed)
    gain, notes = risk.readings_gain(
        tray, scratch, strength=strength, no_surer=no_surer, grid=grid
    )
    series.account["readings"] |= gain
    return notes


def tilled_depth(field: Field) -> float | None:
    """Return how deep the ground was tilled before the season [m], None if not said."""
    return 0.0 if field.crop.no_till else field.crop.last_tillage_depth


def pressed_density(tray: xr.Dataset, use: Settings) -> list[Note]:
    """Put the density the soil would be pressed to, only where somebody asked."""
    line = use.soil.density_line
    if line is None:
        return []
    density, cut = soil.pressed_density(tray["stress"].values, line=line)
    put_layer(tray, "density_pressed", density)
    return [soil.density_note(int(np.count_nonzero(cut.any(axis=0))))]


def carrying_today(
    field: Field, use: Settings, paths: WheelPaths, series: Any, profiles: Any
) -> tuple[pd.DataFrame | None, list[Note]]:
    """Return what a wheel may carry today, None without soil water."""
    if series is None or profiles is None:
        return None, []
    return soil.carrying_loads(
        series,
        wheels=paths.wheels,
        states=paths.states,
        nu=profiles.nu,
        spread=risk.joint_spread(profiles.depths, settings=use.risk),
        last_tillage_depth=tilled_depth(field),
        settings=use.soil,
        risk=use.risk,
    )


def water_ahead(
    measured: Any, field: Field, before: soil.Ahead | None = None
) -> tuple[soil.Ahead | None, list[Note]]:
    """Return soil water through the forecast, None without one; `before` if it holds.

    Parameters
    ----------
    measured : Measured
    field : Field
        With the forecast.
    before : Ahead, optional
        What an earlier decision had worked out.
    """
    series = measured.series
    if series is None or field.weather is None or field.forecast is None:
        return None, []
    if before is not None and before.forecast.equals(field.forecast):
        _, notes = soil.forecast_rain(field.forecast, series.time_zone or "UTC")
        return before, notes
    times = measured.visits.time[np.isfinite(measured.visits.time)]
    first = dt.datetime.fromtimestamp(float(times.min()), tz=dt.UTC).date()
    return soil.coming_water(
        series,
        forecast=field.forecast,
        weather=field.weather,
        latitude=field.latitude,
        elevation=field.elevation,
        tile=field.tile,
        crop=field.crop,
        dug=field.dug,
        grid=measured.grid,
        first_pass=first,
        station_distance=field.station_distance,
        settings=measured.settings.soil,
    )


def nights_ahead(
    field: Field,
    use: Settings,
    series: Any,
    ahead: soil.Ahead | None = None,
    paths: WheelPaths | None = None,
) -> tuple[pd.DataFrame | None, list[Note]]:
    """Return the frozen nights ahead, None without soil water or a forecast."""
    if series is None or field.forecast is None:
        return None, []
    return soil.coming_nights(
        series if ahead is None else ahead.series,
        forecast=field.forecast,
        latitude=field.latitude,
        weather=field.weather,
        heaviest=None if paths is None else soil.heaviest_vehicle(paths.states),
        settings=use.soil,
    )


def hours_ahead(
    drawn: gpd.GeoDataFrame,
    units: Units,
    *,
    field: Field,
    use: Settings,
    series: Any,
    ahead: soil.Ahead | None,
) -> tuple[plan.When | None, pd.DataFrame | None, list[Note]]:
    """Return the hours ahead that are fit and the odds of past years, None where not.

    The odds are told for the depths the zones of each soil ask for.
    """
    notes: list[Note] = []
    hours, tips = None, None
    if ahead is not None:
        hours, found = plan.when(
            drawn, units=units, ahead=ahead, field=field, settings=use
        )
        notes += found
    if series is None or field.past is None:
        return hours, None, notes
    if hours is not None:
        tips = plan.tips_by_soil(hours, drawn, units, series.columns)
    table, found = plan.odds(series, field=field, tips=tips, ahead=ahead, settings=use)
    return hours, table, [*notes, *found]


def keeper(notes: list[Note]) -> Callable[[tuple], Any]:
    """Return what collects the notes of a step and hands on its product."""

    def keep(step: tuple) -> Any:
        *product, found = step
        notes.extend(found)
        return product[0] if len(product) == 1 else tuple(product)

    return keep
