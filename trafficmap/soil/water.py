"""The water of every soil column, day by day, from weather, crop, tile and liquid."""

from __future__ import annotations

import dataclasses
import datetime as dt
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.core.tables import WEATHER, require_table
from trafficmap.soil.balance import Forcing, solve_column
from trafficmap.soil.columns import LAYER_CENTRES, LAYER_EDGES, LAYER_THICKNESS
from trafficmap.soil.cover import ground_cover, root_shares, season_start
from trafficmap.soil.evapotranspiration import reference_evapotranspiration
from trafficmap.soil.retention import field_capacity, suction
from trafficmap.soil.spread import rain_error, water_spread

if TYPE_CHECKING:
    from trafficmap.core.settings.soil import SoilSettings
    from trafficmap.field.model import Crop, Tile
    from trafficmap.soil.columns import SoilColumns

CLOSURE_LIMIT = 1e-9
"""Water that may be lost or made in a column in a day [m]."""


@dataclass(frozen=True)
class SoilSeries:
    """State of every soil column at the end of every day.

    Parameters
    ----------
    columns : SoilColumns
    dates : DatetimeIndex
        Calendar days of the farm, without gaps.
    time_zone : str
        Whose days they are.
    theta, theta_sd : ndarray, shape (n_days, n_columns, n_layers)
        Water content and its standard deviation; NaN where not known. [m3/m3]
    suction : ndarray, shape (n_days, n_columns, n_layers)
        Suction. [Pa]
    frost_depth, thaw_depth : ndarray, shape (n_days, n_columns)
        Frozen from `thaw_depth` down to `frost_depth`. [m]
    snow, runoff, evaporation, uptake, drained, added : ndarray, (n_days, n_columns)
        Snow lying as water; water lost and gained in the day. [m]
    closure : float
        Largest error of the water balance of any column and day. [m]
    account : dict
        What run.json says of the water: surface, spread by source, readings.
    drying_sd : ndarray, shape (n_days, n_columns, n_layers), or None
        Of `theta_sd` what comes of weather and model and so moves suction, see
        `spread.WaterSpread.drying`; all of it where None. [m3/m3]
    theta_own : ndarray, shape (n_days, n_columns, n_layers), or None
        Water content on the curve of `columns` that belongs to `suction`: apart from
        `theta` only where a reading says that the curve holds other water. [m3/m3]
    unread : SoilSeries or None
        The series before readings of moisture moved it.
    """

    columns: SoilColumns
    dates: pd.DatetimeIndex
    time_zone: str
    theta: np.ndarray
    theta_sd: np.ndarray
    suction: np.ndarray
    frost_depth: np.ndarray
    thaw_depth: np.ndarray
    snow: np.ndarray
    runoff: np.ndarray
    evaporation: np.ndarray
    uptake: np.ndarray
    drained: np.ndarray
    added: np.ndarray
    closure: float
    account: dict[str, Any] = field(default_factory=dict)
    drying_sd: np.ndarray | None = None
    theta_own: np.ndarray | None = None
    unread: SoilSeries | None = None

    @property
    def layer_edges(self) -> np.ndarray:
        """Depths between layers [m]."""
        return LAYER_EDGES

    @property
    def frozen(self) -> np.ndarray:
        """Frozen thickness, shape (n_days, n_columns) [m]."""
        return np.maximum(0.0, self.frost_depth - self.thaw_depth)

    def day_of(self, day) -> int:
        """Return the row of a calendar day, -1 where it is not in the series."""
        wanted = pd.DatetimeIndex([pd.Timestamp(day).normalize()])
        found = self.dates.get_indexer(wanted)
        return int(found[0])


def run_water(
    columns: SoilColumns,
    *,
    weather: pd.DataFrame,
    latitude: float,
    elevation: float | None = None,
    tile: Tile | None = None,
    crop: Crop | None = None,
    settings: SoilSettings,
    first_pass: dt.date | None = None,
    time_zone: str | None = None,
    station_distance: float | None = None,
) -> tuple[SoilSeries, list[Note]]:
    """Follow the water of every column through the season.

    Seven layers fill and drain under unit gradient in hourly steps; snow, runoff by
    curve number, tile or slow drainage below, evaporation by FAO-56 with a crop until
    it ripens. The run starts at field capacity on 1 May of the year of `first_pass`
    (1 November in the south), or ``settings.spin_up`` days before it if that is
    earlier, so that the crop has drawn on the ground before the passes that matter.

    Parameters
    ----------
    columns : SoilColumns
    weather : DataFrame
        Contract `core.tables.WEATHER`; gaps are allowed.
    latitude : float
        North positive. [deg]
    elevation : float, optional
        Above sea level. [m]
    tile : Tile, optional
        What was said about tile; it goes over the soil map.
    crop : Crop, optional
    settings : SoilSettings
    first_pass : date, optional
        First day that matters; without it the run starts with the weather.
    time_zone : str, optional
        IANA name of the farm's zone, for the day of liquid and of passes.
    station_distance : float, optional
        From the rain gauge to the field, 0 in the field; 10 km if not known. [m]

    Returns
    -------
    SoilSeries
    list of Note

    Raises
    ------
    InputError
        No weather at all, a value in a wrong unit, or a balance that does not close.
    """
    require_table(weather, WEATHER)
    notes: list[Note] = []
    weather, gaps = _whole_days(
        weather, first_pass, settings, notes, southern=latitude < 0.0
    )
    dates = pd.DatetimeIndex(weather["date"])
    eto, found = reference_evapotranspiration(
        weather, latitude=latitude, elevation=elevation
    )
    notes += found
    eto = np.where(np.isnan(eto), 0.0, np.maximum(eto, settings.evaporation_floor))
    cover, found = ground_cover(
        dates,
        weather["t_min"].to_numpy(),
        crop=crop,
        southern=latitude < 0.0,
        settings=settings,
    )
    notes += found
    drained = _tile_state(columns, tile, notes)
    surface, injected = _liquid(columns, dates, time_zone, notes)
    total, readily = evaporable_water(columns)
    mean = 0.5 * (weather["t_min"] + weather["t_max"]).to_numpy(dtype=np.float64)
    forcing = Forcing(
        rain=np.nan_to_num(weather["rain"].to_numpy(dtype=np.float64), nan=0.0),
        eto=eto,
        temperature=np.nan_to_num(mean, nan=10.0),
        cover=cover,
        roots=root_shares(cover.root_base, kind=settings.roots),
        residue=float(np.interp(settings.residue_cover, (0.6, 1.0), (1.0, 0.45))),
        drained=drained,
        surface=surface,
        injected=injected,
        start=field_capacity(columns.sand, columns.curve),
        total=total,
        readily=readily,
    )
    series = _run(columns, dates, time_zone or "UTC", forcing, settings)
    series.account["surface"] = cover.surface
    sentence = (
        f"For its water the ground was taken as {cover.surface}. What grew, and until "
        "when, decides how dry the subsoil is: correct [crop] in field.toml if it was "
        "otherwise."
    )
    notes.append(Note("soil.surface", "info", sentence))
    if series.closure > CLOSURE_LIMIT:
        msg = (
            f"water balance: {series.closure * 1e3:g} mm were lost or made in a day, "
            f"need less than {CLOSURE_LIMIT * 1e3:g} mm."
        )
        raise InputError(msg, "look for an odd value in the weather or the soil")
    series = _spread(series, forcing, station_distance, settings)
    unknown = _unknown_days(gaps, settings)
    for values in (series.theta, series.theta_sd, series.suction, series.drying_sd):
        if values is not None:
            values[unknown] = np.nan
    return series, notes


def _spread(
    series: SoilSeries,
    forcing: Forcing,
    station_distance: float | None,
    settings: SoilSettings,
) -> SoilSeries:
    """Return the series with how far the water may be off, and from what."""
    if settings.theta_spread is not None:
        series.theta_sd[:] = settings.theta_spread
        series.account["spread"] = {"whole": settings.theta_spread}
        return series
    found = water_spread(
        series.columns,
        series.theta,
        forcing=forcing,
        rain_error=rain_error(station_distance, settings=settings),
        settings=settings,
    )
    series.theta_sd[:] = found.whole
    series.account["spread"] = found.means()
    return dataclasses.replace(series, drying_sd=found.drying)


def _run(
    columns: SoilColumns,
    dates: pd.DatetimeIndex,
    time_zone: str,
    forcing: Forcing,
    settings: SoilSettings,
) -> SoilSeries:
    """Run the kernel over the columns."""
    n_days, n, layers = len(dates), columns.size, LAYER_THICKNESS.size
    theta = np.empty((n_days, n, layers))
    frost = np.empty((n_days, n, 2))
    flux = np.empty((n_days, n, 6))
    closure = 0.0
    for c in range(n):
        theta[:, c], frost[:, c], flux[:, c], error = solve_column(
            columns, c, forcing=forcing, settings=settings
        )
        closure = max(closure, error)
    return SoilSeries(
        columns=columns,
        dates=dates,
        time_zone=time_zone,
        theta=theta,
        theta_sd=np.full_like(theta, np.nan),
        suction=suction(theta, columns.curve),
        frost_depth=frost[:, :, 0].copy(),
        thaw_depth=frost[:, :, 1].copy(),
        snow=flux[:, :, 0].copy(),
        runoff=flux[:, :, 1].copy(),
        evaporation=flux[:, :, 2].copy(),
        uptake=flux[:, :, 3].copy(),
        drained=flux[:, :, 4].copy(),
        added=flux[:, :, 5].copy(),
        closure=closure,
    )


def evaporable_water(columns: SoilColumns) -> tuple[np.ndarray, np.ndarray]:
    """Return total and readily evaporable water of the top 0.1 m, (n_columns,) [m].

    TEW = 0.1 (theta_33 - 0.5 theta_1500), FAO-56 equation 73; REW by texture after
    ASCE 2016 (from memory), at most 0.95 TEW.
    """
    curve = columns.curve
    mean_33 = curve.theta_33[:, :2].mean(axis=1)
    mean_1500 = curve.theta_1500[:, :2].mean(axis=1)
    total = 0.10 * (mean_33 - 0.5 * mean_1500)
    sand = columns.sand[:, :2].mean(axis=1)
    clay = columns.clay[:, :2].mean(axis=1)
    return total, readily_evaporable_water(sand, clay, total=total)


def readily_evaporable_water(sand, clay, *, total):
    """Return the water that evaporates at the full rate [m], ASCE (from memory).

    Parameters
    ----------
    sand, clay : float or ndarray
        Mass fractions of the top 0.1 m. [kg/kg]
    total : float or ndarray
        Total evaporable water. [m]
    """
    sand, clay = np.asarray(sand), np.asarray(clay)
    by_clay = np.where(clay > 0.50, 11e-3 - 6e-3 * clay, 8e-3 + 8e-3 * clay)
    readily = np.where(sand > 0.80, 20e-3 - 15e-3 * sand, by_clay)
    return np.minimum(readily, 0.95 * total)


def _whole_days(
    weather: pd.DataFrame,
    first_pass: dt.date | None,
    settings: SoilSettings,
    notes: list[Note],
    *,
    southern: bool,
) -> tuple[pd.DataFrame, np.ndarray]:
    """Return weather without missing rows from the start of the run, and its gaps."""
    known = weather.dropna(subset=["rain", "t_min", "t_max"], how="all")
    if known.empty:
        msg = "weather: holds no day with a value, need daily rain and temperatures."
        raise InputError(msg, "check the columns of the weather file")
    twice = int(known["date"].duplicated().sum())
    if twice:
        sentence = f"{twice} days stand twice in the weather; the first was taken."
        notes.append(Note("soil.weather_twice", "check", sentence, twice))
        known = known[~known["date"].duplicated()]
    table = known.set_index(pd.DatetimeIndex(known["date"]).normalize())
    begin, end = table.index.min(), table.index.max()
    if first_pass is not None:
        wanted = min(
            season_start(first_pass, southern=southern),
            pd.Timestamp(first_pass) - pd.Timedelta(days=settings.spin_up),
        )
        if begin > wanted:
            sentence = (
                f"The weather starts on {begin.date()}, not on {wanted.date()}: what "
                "the crop took from the ground before is not known, so the first "
                "weeks may be too wet or too dry."
            )
            notes.append(Note("soil.short_weather", "check", sentence))
        elif wanted <= end:
            begin = wanted
    days = pd.date_range(begin, end, freq="D")
    whole = table.reindex(days)
    whole["date"] = days
    gap = whole[["rain", "t_min", "t_max"]].isna().any(axis=1).to_numpy()
    if gap.any():
        first = days[int(np.argmax(gap))].date()
        sentence = (
            f"{int(gap.sum())} days of weather are missing, the first on {first}. They "
            "count as dry; how wet the soil was then, and for a while after long gaps, "
            "is given as not known."
        )
        notes.append(Note("soil.weather_gap", "check", sentence, int(gap.sum())))
    for name in ("t_min", "t_max"):
        whole[name] = whole[name].interpolate(limit=3, limit_area="inside")
    return whole.reset_index(drop=True), gap


def _unknown_days(gap: np.ndarray, settings: SoilSettings) -> np.ndarray:
    """Return days whose state is not known: gaps, and a while after the long ones."""
    unknown = gap.copy()
    run = 0
    for day, missing in enumerate(gap):
        run = run + 1 if missing else 0
        if run > settings.gap_short:
            unknown[day : day + 1 + settings.gap_memory] = True
    return unknown


def _tile_state(
    columns: SoilColumns, tile: Tile | None, notes: list[Note]
) -> np.ndarray:
    """Return which columns drain to tile."""
    state = "unsaid" if tile is None else tile.state
    if state == "none":
        return np.zeros(columns.size, dtype=np.bool_)
    if state in ("known", "position_only", "exists"):
        return np.ones(columns.size, dtype=np.bool_)
    if not columns.drained.any():
        sentence = (
            "Nothing is said about tile; the ground is taken as not drained, which "
            "keeps it wetter. Write [tile] state into field.toml."
        )
        notes.append(Note("soil.tile_unsaid", "check", sentence))
    return columns.drained.copy()


def _liquid(
    columns: SoilColumns,
    dates: pd.DatetimeIndex,
    time_zone: str | None,
    notes: list[Note],
) -> tuple[np.ndarray, np.ndarray]:
    """Return liquid by day and column: on the surface, and into each layer."""
    surface = np.zeros((len(dates), columns.size))
    layers = np.zeros((len(dates), columns.size, LAYER_CENTRES.size))
    lost = 0
    for e, seconds in enumerate(columns.liquid_time):
        day = int(local_days(np.array([seconds]), dates, time_zone or "UTC")[0])
        if day < 0:
            lost += 1
            continue
        depth = columns.liquid_injection[e]
        if depth <= 0.0:
            surface[day] += columns.liquid_water[:, e]
            continue
        layer = int(np.searchsorted(LAYER_EDGES, depth, side="right")) - 1
        layers[day, :, min(layer, LAYER_CENTRES.size - 1)] += columns.liquid_water[:, e]
    if lost:
        sentence = (
            f"Liquid of {lost} days has no weather or no time; its water is left out, "
            "so the soil was wetter than shown."
        )
        notes.append(Note("soil.liquid_left_out", "check", sentence, lost))
    return surface, layers


def local_days(
    seconds: np.ndarray, dates: pd.DatetimeIndex, time_zone: str
) -> np.ndarray:
    """Return the row in `dates` of times [s since 1970 UTC], -1 where there is none."""
    out = np.full(seconds.size, -1, dtype=np.int64)
    known = np.isfinite(seconds)
    if known.any():
        stamps = pd.to_datetime(seconds[known], unit="s", utc=True)
        local = stamps.tz_convert(ZoneInfo(time_zone)).tz_localize(None).normalize()
        out[known] = dates.get_indexer(local)
    return out
