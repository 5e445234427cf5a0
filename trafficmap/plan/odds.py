"""In how many past years a day was fit for deep work: history through the balance."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from msgspec.structs import replace as with_settings

from trafficmap.core.constants import FROST_LIMITS, WATER_DENSITY
from trafficmap.core.notes import Note
from trafficmap.core.tables import ODDS, require_table
from trafficmap.plan import when_words
from trafficmap.plan.fit import USUAL_TIP
from trafficmap.soil import run_water
from trafficmap.soil.coming import told_columns
from trafficmap.soil.crust import carries_over_frost
from trafficmap.soil.fitness import (
    below_plastic,
    carries_word,
    column_curve,
    plastic_limits,
    reached_layers,
    wilson_interval,
)

if TYPE_CHECKING:
    from trafficmap.core.settings import Settings
    from trafficmap.core.settings.soil import SoilSettings
    from trafficmap.field.model import Field
    from trafficmap.soil.ahead import Ahead
    from trafficmap.soil.columns import SoilColumns
    from trafficmap.soil.water import SoilSeries

_DAY = pd.Timedelta(days=1)
_SNOW_DENSITY = 0.1


def odds(
    series: SoilSeries,
    *,
    field: Field,
    tips: dict[str, tuple[float, ...]] | None = None,
    ahead: Ahead | None = None,
    settings: Settings,
) -> tuple[pd.DataFrame, list[Note]]:
    """Return, day by day from now, in how many past years the soil was fit.

    The balance is run for each past year over the same soil and the same crop, with
    that year's weather. A day is fit when the best value of the water is at most 0.9
    of the plastic limit in every layer down to the tip, the ground carries, no ice is
    in the way, and neither rain nor snow stops the work. ``from_now`` starts each of
    these years from today's soil and the forecast: the odds for this fall.

    Parameters
    ----------
    series : SoilSeries
        Known days of this season.
    field : Field
        With ``past``, from `field.settle_past`.
    tips : dict of str to tuple of float, optional
        Depths asked for by soil unit; 14 in if not given. [m]
    ahead : Ahead, optional
        Where there is a forecast.
    settings : Settings

    Returns
    -------
    DataFrame
        Contract `core.tables.ODDS`.
    list of Note
        Years left out because their weather has holes, and what the odds are.
    """
    if field.past is None or field.weather is None:
        return ODDS.empty(), []
    use = with_settings(settings.soil, theta_spread=0.05)
    chosen = [(u, c) for u, c, most_liquid in told_columns(series.columns)
              if not most_liquid]  # fmt: skip
    if not chosen:
        return ODDS.empty(), []
    columns = without_liquid(series.columns, [column for _, column in chosen])
    today = pd.Timestamp(series.dates[-1])
    days = pd.date_range(today + _DAY, periods=settings.plan.odds_days)
    start = pd.Timestamp(series.dates[0])
    asked = [
        (k, unit, tip)
        for k, (unit, _) in enumerate(chosen)
        for tip in sorted(set((tips or {}).get(unit, (USUAL_TIP,))))
    ]
    known = ahead.weather if ahead is not None else field.weather
    past = field.past.set_index(pd.DatetimeIndex(field.past["date"]))
    whole, from_now = [], []
    lost = 0
    for year in range(int(past.index[0].year), field.season):
        weather = _as_this_season(past, start, days[-1], field.season - year)
        if weather is None:
            lost += 1
            continue
        run = _run(columns, weather, field, use)
        whole.append([fit_days(run, k, tip, days, weather, use) for k, _, tip in asked])
        later = weather[weather["date"] > known["date"].iloc[-1]]
        onward = pd.concat([known[weather.columns], later], ignore_index=True)
        run = _run(columns, onward, field, use, own=series.columns, chosen=chosen)
        from_now.append(
            [fit_days(run, k, tip, days, onward, use) for k, _, tip in asked]
        )
    notes = []
    if lost:
        sentence = (
            f"{lost} past years were left out of the odds: their weather has holes "
            f"between {when_words.day(start)} and {when_words.day(days[-1])}."
        )
        notes.append(Note("odds.holes", "check", sentence, lost))
    if not whole:
        sentence = "No past year has whole weather, so odds of fit days are not told."
        notes.append(Note("odds.none", "check", sentence))
        return ODDS.empty(), notes
    table = _table(np.array(whole), np.array(from_now), asked, days)
    return table, [*notes, *_notes(table, field.units)]


def fit_days(
    series: SoilSeries,
    column: int,
    tip_depth: float,
    days: pd.DatetimeIndex,
    weather: pd.DataFrame,
    settings: SoilSettings,
) -> np.ndarray:
    """Return which days are fit by the best values of a run, see `odds`."""
    columns = series.columns
    own = column_curve(columns, column)
    density = own.bulk_density / WATER_DENSITY
    limit, _, _ = plastic_limits(columns, column, settings=settings)
    reached = reached_layers(tip_depth + settings.fit_below_tip)
    rows = series.dates.get_indexer(days)
    rain = weather.set_index("date")["rain"].reindex(days).to_numpy(dtype=float)
    out = np.zeros(days.size, dtype=bool)
    for n, row in enumerate(rows):
        theta = series.theta[row, column]
        if row < 0 or np.isnan(theta).any() or rain[n] > settings.work_rain_day:
            continue
        water = theta / density
        if (water > settings.fit_share * limit)[reached].any():
            continue
        frozen = float(series.frozen[row, column])
        thawed = float(series.thaw_depth[row, column])
        if frozen > FROST_LIMITS[2] or thawed < tip_depth <= thawed + frozen:
            continue
        if series.snow[row, column] / _SNOW_DENSITY > settings.work_snow:
            continue
        base = carries_word(
            water, limit, series.suction[row, column], theta, theta_s=own.theta_s,
            settings=settings,
        )  # fmt: skip
        carries = carries_over_frost(
            base, frozen=frozen, thawed=thawed,
            drier_than_plastic=below_plastic(water, limit), settings=settings,
        )  # fmt: skip
        out[n] = carries == "carries"
    return out


def without_liquid(columns: SoilColumns, chosen: list[int]) -> SoilColumns:
    """Return some columns by themselves, as if no liquid had been put down."""
    take = np.asarray(chosen, dtype=np.int64)
    curve = {name: part[take] for name, part in vars(columns.curve).items()}
    names = (
        "unit_of_column", "sand", "clay", "organic_matter", "swelling", "drained",
        "curve_number", "quartz",
    )  # fmt: skip
    own: dict[str, Any] = {name: getattr(columns, name)[take] for name in names}
    return dataclasses.replace(
        columns,
        column_of_cell=np.arange(take.size, dtype=np.int32),
        curve=type(columns.curve)(**curve),
        liquid_time=np.zeros(0),
        liquid_injection=np.zeros(0),
        liquid_water=np.zeros((take.size, 0)),
        **own,
    )


def _run(
    columns: SoilColumns,
    weather: pd.DataFrame,
    field: Field,
    settings: SoilSettings,
    *,
    own: SoilColumns | None = None,
    chosen: list[tuple[str, int]] | None = None,
) -> SoilSeries:
    """Run the balance, with this season's liquid where `own` columns are given."""
    if own is not None and chosen is not None:
        columns = dataclasses.replace(
            columns,
            liquid_time=own.liquid_time,
            liquid_injection=own.liquid_injection,
            liquid_water=own.liquid_water[[column for _, column in chosen]],
        )
    run, _ = run_water(
        columns,
        weather=weather,
        latitude=field.latitude,
        elevation=field.elevation,
        tile=field.tile,
        crop=field.crop,
        time_zone=field.time_zone,
        settings=settings,
    )
    return run


def _as_this_season(
    past: pd.DataFrame, start: pd.Timestamp, end: pd.Timestamp, back: int
) -> pd.DataFrame | None:
    """Return the weather of another year on this season's days, None with a hole."""
    days = pd.date_range(start, end)
    # 29 February has no day in most years and takes the one before.
    there = pd.DatetimeIndex([day - pd.DateOffset(years=back) for day in days])
    found = past.reindex(there)[["rain", "t_min", "t_max"]]
    if found.isna().any().any():
        return None
    found = found.reset_index(drop=True)
    found.insert(0, "date", days.astype("datetime64[s]"))
    return found


def _table(
    whole: np.ndarray, from_now: np.ndarray, asked: list, days: pd.DatetimeIndex
) -> pd.DataFrame:
    """Return counts as shares with their interval."""
    years = whole.shape[0]
    rows = []
    for k, (_, unit, tip) in enumerate(asked):
        for n, day in enumerate(days):
            fit, now = int(whole[:, k, n].sum()), int(from_now[:, k, n].sum())
            low, high = wilson_interval(fit, years)
            rows.append(
                {
                    "soil_unit": unit,
                    "tip_depth": float(tip),
                    "day": f"{day:%Y-%m-%d}",
                    "years": years,
                    "fit": fit,
                    "share": fit / years,
                    "share_low": low,
                    "share_high": high,
                    "from_now": now,
                    "from_now_share": now / years,
                }
            )
    return require_table(pd.DataFrame(rows)[ODDS.names()], ODDS)


def _notes(table: pd.DataFrame, units: str) -> list[Note]:
    """Say what the odds are, one sentence a soil, for the deepest work asked for."""
    return [
        Note("odds.told", "info", sentence(deepest(rows), units), 0, str(unit))
        for unit, rows in table.groupby("soil_unit", sort=False)
    ]


def deepest(rows: pd.DataFrame) -> pd.DataFrame:
    """Return of the odds of one soil those for the deepest work asked for."""
    return rows[rows["tip_depth"] == rows["tip_depth"].max()]


def sentence(rows: pd.DataFrame, units: str) -> str:
    """Return what the odds of one soil and depth are, in words.

    Parameters
    ----------
    rows : DataFrame
        Contract `core.tables.ODDS`, days in order.
    units : {"us", "metric"}
    """
    first = rows.iloc[0]
    best = rows.iloc[int(rows["from_now"].to_numpy().argmax())]
    usual = rows.iloc[int(rows["fit"].to_numpy().argmax())]
    years, where = int(first["years"]), when_words.depth(first["tip_depth"], units)

    def on(row: pd.Series) -> str:
        return when_words.day(pd.Timestamp(row["day"]))

    head = f"Soil {first['soil_unit']}, {where} deep, by the weather of {years} years: "
    if int(usual["fit"]) == 0:
        text = f"no day from {on(first)} to {on(rows.iloc[-1])} was fit in any of them"
    else:
        text = (
            f"most often fit on {on(usual)}, in {int(usual['fit'])} of {years} "
            f"({usual['share_low']:.0%} to {usual['share_high']:.0%} with so few years)"
        )
    now = (
        "starting as wet as the ground is now, in none"
        if int(best["from_now"]) == 0
        else "starting as wet as the ground is now, best on "
        f"{on(best)}, in {int(best['from_now'])} of {years}"
    )
    return f"{head}{text}; {now}."
