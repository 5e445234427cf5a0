"""The water of every soil column through the days of a forecast: its rain wets it."""

from __future__ import annotations

import dataclasses
import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from msgspec.structs import replace

from trafficmap.core.notes import Note
from trafficmap.soil.correct import correct
from trafficmap.soil.water import run_water

if TYPE_CHECKING:
    from trafficmap.core.grid import FieldGrid
    from trafficmap.core.settings.soil import SoilSettings
    from trafficmap.field.model import Crop, Tile
    from trafficmap.soil.water import SoilSeries

_HOUR = pd.Timedelta(hours=1)
_DAY = pd.Timedelta(days=1)


@dataclass(frozen=True)
class Ahead:
    """Soil water from the known days on into those of a forecast.

    Parameters
    ----------
    series : SoilSeries
        Known days, then forecast days; the known ones are as they were.
    first : Timestamp
        First day of the forecast, in the farm's days.
    dry : SoilSeries
        The same with days without rain behind the forecast, see
        ``SoilSettings.closed_dry_days``: can waiting still help?
    weather : DataFrame
        Known and forecast days, contract `core.tables.WEATHER`.
    rain : DataFrame
        Rain of the forecast by hour: time (UTC, start of the hour), rain [m], by_day
        (rain of the day is known, its hour is not).
    forecast : DataFrame
        What it was made from.
    """

    series: SoilSeries
    first: pd.Timestamp
    dry: SoilSeries
    weather: pd.DataFrame
    rain: pd.DataFrame
    forecast: pd.DataFrame


def coming_water(
    series: SoilSeries,
    *,
    forecast: pd.DataFrame,
    weather: pd.DataFrame,
    latitude: float,
    elevation: float | None = None,
    tile: Tile | None = None,
    crop: Crop | None = None,
    dug: pd.DataFrame | None = None,
    grid: FieldGrid | None = None,
    first_pass: dt.date | None = None,
    station_distance: float | None = None,
    settings: SoilSettings,
) -> tuple[Ahead | None, list[Note]]:
    """Return soil water through the forecast, None with a Note where rain is not told.

    The balance of `run_water` goes on with the rain and the temperatures of the
    forecast. What the forecast says of rain is less sure than a gauge: the run is
    made again with more and with less of it, and the larger difference is added to
    the spread. Readings of moisture keep drawing the water as in `correct`.

    Parameters
    ----------
    series : SoilSeries
        Known days, as the line made it.
    forecast : DataFrame
        From `field.settle_forecast`: by day or by hour, with ``rain`` [m].
    weather : DataFrame
        The known days, contract `core.tables.WEATHER`.
    latitude, elevation, tile, crop, first_pass, station_distance
        As `run_water`.
    dug : DataFrame, optional
        Contract `core.tables.DUG`, with `grid`.
    grid : FieldGrid, optional
    settings : SoilSettings

    Returns
    -------
    Ahead or None
    list of Note
    """
    zone = series.time_zone or "UTC"
    rain, found = forecast_rain(forecast, zone)
    if rain is None:
        return None, found
    days = _days(forecast, rain, zone)
    known = _known(weather, days)
    ahead = _joined(known, days)
    between = (days["date"].iloc[0] - known["date"].iloc[-1]).days - 1
    if between > 0:
        sentence = (
            f"The weather of {between} days before the forecast is not known; no rain "
            "is counted for them, so the soil may be wetter than told."
        )
        found.append(Note("forecast.gap_dry", "check", sentence, between))
    given: dict[str, Any] = {
        "latitude": latitude,
        "elevation": elevation,
        "tile": tile,
        "crop": crop,
        "first_pass": first_pass,
        "time_zone": series.time_zone,
        "station_distance": station_distance,
    }
    columns = series.columns
    run, _ = run_water(columns, weather=ahead, settings=settings, **given)
    quick = replace(settings, theta_spread=0.05)
    other = np.zeros_like(run.theta)
    share = settings.forecast_rain_spread
    for factor in (1.0 + share, max(0.0, 1.0 - share)):
        moved = _joined(known, days.assign(rain=days["rain"] * factor))
        trial, _ = run_water(columns, weather=moved, settings=quick, **given)
        other = np.fmax(other, np.abs(trial.theta - run.theta))
    drying = run.drying_sd
    run = dataclasses.replace(
        run,
        theta_sd=np.hypot(run.theta_sd, other),
        drying_sd=None if drying is None else np.hypot(drying, other),
    )
    drier = _joined(ahead, _dry_days(days, settings.closed_dry_days))
    dry, _ = run_water(columns, weather=drier, settings=quick, **given)
    if dug is not None and grid is not None:
        run, _ = correct(run, dug, grid=grid, settings=settings)
        dry, _ = correct(dry, dug, grid=grid, settings=settings)
    return Ahead(run, days["date"].iloc[0], dry, ahead, rain, forecast), found


def forecast_rain(
    forecast: pd.DataFrame, time_zone: str
) -> tuple[pd.DataFrame | None, list[Note]]:
    """Return the rain of a forecast by hour up to the first that is not told.

    Rain of a day is spread over its hours and marked ``by_day``: nobody knows when it
    falls.

    Parameters
    ----------
    forecast : DataFrame
    time_zone : str
        IANA name of the farm's zone.

    Returns
    -------
    DataFrame or None
        See `Ahead`. None where no rain is told.
    list of Note
    """
    if "rain" not in forecast or not forecast["rain"].notna().iloc[:1].any():
        sentence = (
            "The forecast does not tell rain, so how wet the soil will be is not "
            "known: hours fit for work are not told. Add a column rain_mm or rain_in; "
            "0 is right where none is expected."
        )
        return None, [Note("forecast.no_rain", "check", sentence)]
    told = forecast["rain"].notna().cummin().to_numpy(dtype=bool)
    notes = []
    stamp = "time" if "time" in forecast else "date"
    if not told.all():
        at = pd.Timestamp(forecast[stamp].iloc[int(np.argmin(told))])
        at = at.tz_convert(time_zone) if at.tz is not None else at
        sentence = (
            f"The forecast does not tell the rain of {at:%Y-%m-%d %H:%M}; hours fit "
            "for work are told up to there, rain is not made up."
        )
        lost = int((~told).sum())
        notes.append(Note("forecast.rain_hole", "check", sentence, lost))
    kept = forecast[told]
    if stamp == "time":
        hours = pd.DataFrame(
            {
                "time": pd.DatetimeIndex(kept["time"]),
                "rain": kept["rain"].to_numpy(dtype=np.float64),
                "by_day": False,
            }
        )
        return hours.reset_index(drop=True), notes
    parts = []
    for day, fall in zip(kept["date"], kept["rain"], strict=True):
        begin = _midnight(pd.Timestamp(day), time_zone)
        end = _midnight(pd.Timestamp(day) + _DAY, time_zone)
        times = pd.date_range(begin, end, freq="h", inclusive="left", tz="UTC")
        parts.append(
            pd.DataFrame(
                {"time": times, "rain": float(fall) / len(times), "by_day": True}
            )
        )
    return pd.concat(parts, ignore_index=True), notes


def _midnight(day: pd.Timestamp, zone: str) -> pd.Timestamp:
    """Return the start of a local day in UTC."""
    begin = day.normalize().tz_localize(
        zone, ambiguous=True, nonexistent="shift_forward"
    )
    return begin.tz_convert("UTC")


def _days(forecast: pd.DataFrame, rain: pd.DataFrame, zone: str) -> pd.DataFrame:
    """Return the days of the forecast whose rain is told: rain, t_min, t_max."""
    local = pd.DatetimeIndex(rain["time"]).tz_convert(zone).tz_localize(None)
    fall = rain["rain"].groupby(local.normalize()).sum()
    if "time" in forecast:
        hours = pd.DatetimeIndex(pd.to_datetime(forecast["time"], utc=True))
        day = hours.tz_convert(zone).tz_localize(None).normalize()
        air = forecast["temperature"].groupby(day).agg(["min", "max"])
    else:
        named = forecast.set_index(pd.DatetimeIndex(forecast["date"]).normalize())
        air = named[["t_min", "t_max"]]
    air.columns = pd.Index(["t_min", "t_max"])
    days = air.reindex(fall.index).assign(rain=fall)
    days["date"] = pd.DatetimeIndex(days.index).astype("datetime64[s]")
    return days.reset_index(drop=True)[["date", "rain", "t_min", "t_max"]]


def _known(weather: pd.DataFrame, days: pd.DataFrame) -> pd.DataFrame:
    """Return the known days before the forecast; where both speak the known counts."""
    return weather[weather["date"] < days["date"].iloc[0]]


def _joined(known: pd.DataFrame, days: pd.DataFrame) -> pd.DataFrame:
    """Return known days and then others, without what only the known ones tell."""
    joined = pd.concat([known, days], ignore_index=True)
    joined["date"] = joined["date"].astype("datetime64[s]")
    return joined


def _dry_days(days: pd.DataFrame, count: int) -> pd.DataFrame:
    """Return days without rain behind a forecast, as warm as its mean."""
    after = days["date"].iloc[-1] + _DAY * np.arange(1, count + 1)
    out = pd.DataFrame({"date": pd.DatetimeIndex(after).astype("datetime64[s]")})
    out["rain"] = 0.0
    for name in ("t_min", "t_max"):
        out[name] = float(days[name].mean())
    return out
