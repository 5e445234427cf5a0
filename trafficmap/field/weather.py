"""Daily weather on its contract: every day of the season there, in SI."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd

from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.core.tables import WEATHER, require_table
from trafficmap.field.columns import Columns
from trafficmap.formats.clocks import parse_days

SPIN_UP_DAYS = 90
"""Days of weather before the first pass that the soil water starts from; choice."""

TEMPERATURE_GAP_DAYS = 2
"""Longest gap over which temperature is drawn straight; rain never is; choice."""

TOO_HOT = 57.0
"""No day was ever hotter [degC]: 56.7 at Furnace Creek in 1913 (from memory)."""

_TRACE = 0.0001
"""Rain that was seen but not measured, T in a station's table [m]; choice."""

_DATE = ("day", "lst_date", "yyyymmdd")
_RAIN = ("precipitation", "precip", "prcp", "rainfall", "ppt", "p")
_T_MIN = ("tmin", "temp_min", "min_temp", "temperature_min", "tn")
_T_MAX = ("tmax", "temp_max", "max_temp", "temperature_max", "tx")
_MORE: tuple[tuple[str, tuple[str, ...], str | None, float, float], ...] = (
    ("wind", ("wind_speed", "wspd"), None, 0.0, 60.0),
    ("radiation", ("rs", "solar", "srad", "solar_radiation"), "MJ/m2", 0.0, 5e7),
    ("humidity_min", ("rh_min", "rhmin"), "%", 0.0, 1.0),
    ("humidity_max", ("rh_max", "rhmax"), "%", 0.0, 1.0),
    ("eto", ("et0", "reference_et"), None, 0.0, 0.03),
    ("snow_depth", ("snow",), None, 0.0, 10.0),
)


def settle_weather(
    columns: Columns,
    *,
    first_pass: dt.date | None,
    last_pass: dt.date | None,
    season: int | None = None,
    date_format: str | None = None,
) -> tuple[pd.DataFrame | None, list[Note]]:
    """Return daily weather without a gap around the passes.

    The season runs from 90 days before the first pass to the day of the last. Rain is
    never made up: a missing day in the season is an error. Outside the season the
    table is cut at the nearest gap.

    Parameters
    ----------
    columns : Columns
        Table with date, rain, t_min, t_max and perhaps more.
    first_pass, last_pass : date or None
        Days of the logs; None when their clock is not known.
    season : int, optional
        The year that counts where no pass says it.
    date_format : str, optional
        Order of month and day, mdy or dmy, where both can be read.

    Returns
    -------
    weather : DataFrame or None
        Contract `WEATHER` and what else was found. None, with a Note that says why,
        when the numbers cannot be what they are said to be.
    notes : list of Note

    Raises
    ------
    InputError
        Negative rain, a day twice, a missing day in the season.
    """
    name = columns.name
    frame = daily_frame(columns, date_format)
    notes = list(columns.notes)
    hot = frame[["t_min", "t_max"]].max().max()
    if hot > TOO_HOT:
        sentence = (
            f"{name}: {hot:.0f} degrees Celsius cannot be true, this looks like "
            "Fahrenheit. Weather is left out, so soil water and risk are missing, "
            'until you add units = { t_min = "degF", t_max = "degF" } to [weather].'
        )
        return None, [*notes, Note("weather.fahrenheit", "stop", sentence, 1, name)]
    if (frame["rain"] < 0).any():
        day = frame.index[frame["rain"] < 0][0]
        msg = f"{name}: rain is below zero on {day:%Y-%m-%d}."
        raise InputError(
            msg, "correct that day; a fill such as -9999 is taken as empty"
        )
    crossed = frame["t_min"] > frame["t_max"]
    if crossed.any():
        count = int(crossed.sum())
        sentence = f"{name}: on {count} days the lowest temperature is above the "
        sentence += "highest; both are taken as missing."
        notes.append(Note("weather.crossed", "check", sentence, count, name))
        frame.loc[crossed, ["t_min", "t_max"]] = np.nan
    frame = frame.reindex(pd.date_range(frame.index[0], frame.index[-1], freq="D"))
    frame, more = bridge_gaps(frame, name)
    notes += more
    frame, more = _around_passes(frame, first_pass, last_pass, season, name)
    notes += more
    weather = frame.reset_index(names="date")
    weather["date"] = weather["date"].astype("datetime64[s]")
    return require_table(weather, WEATHER), notes


def daily_frame(columns: Columns, date_format: str | None) -> pd.DataFrame:
    """Return the table in SI by day, sorted, still with gaps."""
    days = _days(columns, date_format)
    values = {
        "rain": _rain(columns),
        "t_min": columns.number("t_min", _T_MIN, unit="degC"),
        "t_max": columns.number("t_max", _T_MAX, unit="degC"),
    }
    for ours, others, unit, low, high in _MORE:
        if columns.find(ours, others) and (unit or columns.unit_said(ours, others)):
            found = columns.number(ours, others, unit=unit)
            sane = (found >= low) & (found <= high)
            values[ours] = np.where(sane, found, np.nan)
    frame = pd.DataFrame(values, index=days)
    unread = int(np.count_nonzero(frame.index.isna()))
    frame = frame[frame.index.notna()].sort_index(kind="stable")
    if frame.empty:
        msg = f"{columns.name}: holds no day that can be read."
        raise InputError(msg, "write days as 2026-10-20")
    if unread:
        msg = f"{columns.name}: the day of {unread} rows cannot be read."
        raise InputError(msg, "write every day as 2026-10-20")
    twice = frame.index.duplicated()
    if twice.any():
        msg = f"{columns.name}: {frame.index[twice][0]:%Y-%m-%d} is there twice."
        raise InputError(msg, "keep one row a day")
    return frame


def _rain(columns: Columns) -> np.ndarray:
    """Return rain [m], traces as 0.1 mm; its unit must be said."""
    column = columns.require("rain", _RAIN)[0]
    trace = columns.frame[column].map(
        lambda v: isinstance(v, str) and v.strip().upper() == "T"
    )
    rain = columns.number("rain", _RAIN)
    return np.where(trace.to_numpy(bool), _TRACE, rain)


def _days(columns: Columns, date_format: str | None) -> pd.DatetimeIndex:
    """Return the days of the rows, NaT where they cannot be read."""
    column = columns.frame[columns.require("date", _DATE)[0]]
    return pd.DatetimeIndex(
        parse_days(column, name=columns.name, date_format=date_format)
    )


def bridge_gaps(frame: pd.DataFrame, name: str) -> tuple[pd.DataFrame, list[Note]]:
    """Return temperature drawn straight over short gaps, each told."""
    filled = 0
    for column in ("t_min", "t_max"):
        empty = frame[column].isna()
        run = (empty != empty.shift()).cumsum()
        length = empty.groupby(run).transform("sum")
        short = empty & (length <= TEMPERATURE_GAP_DAYS)
        drawn = frame[column].interpolate(limit_area="inside")
        filled += int((short & drawn.notna()).sum())
        frame[column] = frame[column].where(~short, drawn)
    if not filled:
        return frame, []
    sentence = f"{name}: {filled} missing temperatures drawn straight between days."
    return frame, [Note("weather.temperature_gap", "info", sentence, filled, name)]


def _around_passes(
    frame: pd.DataFrame,
    first: dt.date | None,
    last: dt.date | None,
    season: int | None,
    name: str,
) -> tuple[pd.DataFrame, list[Note]]:
    """Return the stretch without a gap that holds the season."""
    bad = frame[["rain", "t_min", "t_max"]].isna().any(axis=1).to_numpy()
    if first is None or last is None:
        return _best_stretch(frame, bad, season, name)
    begin = pd.Timestamp(first) - pd.Timedelta(days=SPIN_UP_DAYS)
    end = pd.Timestamp(last)
    if frame.index[-1] < end or frame.index[0] > pd.Timestamp(first):
        msg = (
            f"{name}: runs from {frame.index[0]:%Y-%m-%d} to {frame.index[-1]:%Y-%m-%d}"
            f", the field was driven on from {first:%Y-%m-%d} to {last:%Y-%m-%d}."
        )
        raise InputError(
            msg, "add the missing days, or take [weather] out to go on without water"
        )
    needed = np.asarray((frame.index >= begin) & (frame.index <= end))
    if (bad & needed).any():
        at = int(np.flatnonzero(bad & needed)[0])
        what = "rain" if np.isnan(frame["rain"].iloc[at]) else "temperature"
        msg = f"{name}: {what} of {frame.index[at]:%Y-%m-%d} is missing, in the season."
        raise InputError(
            msg,
            f"add that day; {what} is not made up, 0 is right where none fell"
            if what == "rain"
            else "add that day, from a station nearby",
        )
    inside = np.flatnonzero(needed)
    before = np.flatnonzero(bad[: inside[0]])
    after = np.flatnonzero(bad[inside[-1] + 1 :])
    start = int(before[-1]) + 1 if before.size else 0
    stop = inside[-1] + 1 + int(after[0]) if after.size else len(frame)
    notes = []
    if frame.index[start] > begin:
        sentence = (
            f"{name}: starts {frame.index[start]:%Y-%m-%d}, less than {SPIN_UP_DAYS} "
            "days before the first pass; soil water is less sure."
        )
        notes.append(Note("weather.short", "check", sentence, 1, name))
    return frame.iloc[start:stop], notes


def _best_stretch(
    frame: pd.DataFrame, bad: np.ndarray, season: int | None, name: str
) -> tuple[pd.DataFrame, list[Note]]:
    """Return the stretch without a gap that holds most of the season, else the last."""
    if bad.all():
        msg = f"{name}: no day has rain and temperature."
        raise InputError(msg, "name the columns with columns = { ... } in [weather]")
    edges = np.flatnonzero(np.diff(np.concatenate(([True], bad, [True]))))
    wanted = np.asarray(pd.DatetimeIndex(frame.index).year == season)
    stretches = list(zip(edges[::2], edges[1::2], strict=True))
    start, stop = max(stretches, key=lambda s: (int(wanted[s[0] : s[1]].sum()), s[1]))
    notes = []
    if bad.any():
        sentence = (
            f"{name}: {int(bad.sum())} days are incomplete; only the days from "
            f"{frame.index[start]:%Y-%m-%d} to {frame.index[stop - 1]:%Y-%m-%d} are "
            "used."
        )
        notes.append(Note("weather.gap", "check", sentence, int(bad.sum()), name))
    return frame.iloc[start:stop], notes
