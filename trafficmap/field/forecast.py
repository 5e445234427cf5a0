"""The forecast by day or by hour, on its contract, and whether it can be used."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.field.columns import Columns
from trafficmap.formats.clocks import parse_days

_DATE = ("day", "yyyymmdd")
_TIME = ("datetime", "valid_time", "hour", "timestamp")
_T_MIN = ("tmin", "temp_min", "min_temp", "temperature_min", "tn")
_T_MAX = ("tmax", "temp_max", "max_temp", "temperature_max", "tx")
_AIR = ("temp", "t", "air_temperature", "temperature_2m", "t2m")
_WIND = ("wind_speed", "wspd", "windspeed")
_RAIN = ("precipitation", "precip", "prcp", "rainfall", "ppt")
_SUN = ("rs", "solar", "srad", "solar_radiation")
_STALE_DAYS = 3
"""Days between the last weather and the forecast that may be unknown; choice."""
_COLD, _HOT = -70.0, 57.0
_MOST_RAIN = 1.0
"""No forecast of a day or an hour says more [m]; choice."""


def settle_forecast(
    columns: Columns,
    *,
    time_zone: str | None,
    weather: pd.DataFrame | None,
    date_format: str | None = None,
) -> tuple[pd.DataFrame | None, list[Note]]:
    """Return the part of a forecast that lies after the known weather.

    Parameters
    ----------
    columns : Columns
        Days with date, t_min, t_max, or hours with time and temperature; wind, rain
        and (by day) radiation where given with their unit.
    time_zone : str or None
        The farm's; times without an offset are in it.
    weather : DataFrame or None
        Known days: where both speak of a day the known one counts.
    date_format : str, optional
        Order of month and day where both can be read.

    Returns
    -------
    forecast : DataFrame or None
        date, t_min, t_max [degC], or time (UTC), temperature [degC], rising and
        without a hole. None, with a Note that says why, when it cannot be used.
    notes : list of Note

    Raises
    ------
    InputError
        Neither form of columns, or a time that cannot be read.
    """
    name = columns.name
    zone = time_zone or "UTC"
    notes = list(columns.notes)
    hourly = not columns.find("t_min", _T_MIN)
    frame = _hours(columns, zone) if hourly else _days(columns, date_format)
    stamp = "time" if hourly else "date"
    frame = frame.sort_values(stamp, kind="stable").reset_index(drop=True)
    if frame[stamp].duplicated().any():
        at = frame[stamp][frame[stamp].duplicated()].iloc[0]
        msg = f"{name}: {at:%Y-%m-%d %H:%M} is there twice."
        raise InputError(msg, "keep one row an hour, or one row a day")
    notes += _rain_notes(frame, columns)
    air = frame.drop(columns=[stamp])[["temperature"] if hourly else ["t_min", "t_max"]]
    if (air > _HOT).any().any() or (air < _COLD).any().any():
        sentence = (
            f"{name}: temperatures that cannot be degrees Celsius; the forecast is "
            "left out. Put the unit into the heading, as temperature_f."
        )
        return None, [*notes, Note("forecast.fahrenheit", "stop", sentence, 1, name)]
    if weather is None or not len(weather):
        sentence = (
            f"{name}: the forecast needs the weather up to now as well; it is left "
            "out. Name the file of the season under [weather]."
        )
        return None, [*notes, Note("forecast.no_weather", "check", sentence, 1, name)]
    known = pd.Timestamp(weather["date"].max()).normalize() + pd.Timedelta(days=1)
    begin = known.tz_localize(zone).tz_convert("UTC") if hourly else known
    late = frame[stamp] >= begin
    if not late.any():
        sentence = (
            f"{name}: the forecast ends before the known weather does; it is left out. "
            "Take a new one."
        )
        return None, [*notes, Note("forecast.past", "check", sentence, 1, name)]
    if not late.all():
        count = int((~late).sum())
        sentence = (
            f"{name}: {count} rows speak of days whose weather is known; the known "
            "weather counts there."
        )
        notes.append(Note("forecast.overlap", "info", sentence, count, name))
    frame, air = frame[late].reset_index(drop=True), air[late].reset_index(drop=True)
    missing = (frame[stamp].iloc[0] - begin) / pd.Timedelta(days=1)
    if missing > _STALE_DAYS:
        sentence = (
            f"{name}: {missing:.0f} days between the known weather and the forecast "
            "are missing; it is left out. Bring the weather file up to date."
        )
        return None, [*notes, Note("forecast.late", "check", sentence, 1, name)]
    if missing > 0:
        sentence = (
            f"{name}: the known weather ends {missing * 24:.0f} hours before the "
            "forecast starts; the soil is taken as it was then."
        )
        notes.append(Note("forecast.gap_before", "check", sentence, 1, name))
    return _whole(frame, air, stamp, notes, name)


def _rain_notes(frame: pd.DataFrame, columns: Columns) -> list[Note]:
    """Say what of the rain cannot be used, and take it as not told."""
    name = columns.name
    if "rain" not in frame:
        if columns.find("rain", _RAIN) is None:
            return []
        sentence = (
            f"{name}: the unit of its rain is not said, so it is not used. Put it into "
            "the heading, as rain_mm or rain_in."
        )
        return [Note("forecast.rain_unit", "check", sentence, 1, name)]
    wrong = ((frame["rain"] < 0) | (frame["rain"] > _MOST_RAIN)).to_numpy()
    if not wrong.any():
        return []
    frame.loc[wrong, "rain"] = np.nan
    sentence = (
        f"{name}: rain of {int(wrong.sum())} rows cannot be true and is taken as not "
        "told."
    )
    return [Note("forecast.rain_wrong", "check", sentence, int(wrong.sum()), name)]


def _whole(
    frame: pd.DataFrame, air: pd.DataFrame, stamp: str, notes: list[Note], name: str
) -> tuple[pd.DataFrame | None, list[Note]]:
    """Return the forecast up to its first hole."""
    step = pd.Timedelta(hours=1) if stamp == "time" else pd.Timedelta(days=1)
    hole = (frame[stamp].diff().iloc[1:] != step).to_numpy()
    bad = air.isna().any(axis=1).to_numpy(copy=True)
    bad[1:] |= hole
    if not bad.any():
        return frame, notes
    first = int(np.argmax(bad))
    at = frame[stamp].iloc[first]
    sentence = (
        f"{name}: the forecast has a hole at {at:%Y-%m-%d %H:%M}; nothing after it is "
        "used, temperature is not made up."
    )
    notes.append(Note("forecast.hole", "check", sentence, int(bad.sum()), name))
    return (frame.iloc[:first] if first else None), notes


def _days(columns: Columns, date_format: str | None) -> pd.DataFrame:
    """Return a forecast by day."""
    column = columns.frame[columns.require("date", _DATE)[0]]
    days = parse_days(column, name=columns.name, date_format=date_format)
    frame = pd.DataFrame(
        {
            "date": days.astype("datetime64[s]"),
            "t_min": columns.number("t_min", _T_MIN, unit="degC"),
            "t_max": columns.number("t_max", _T_MAX, unit="degC"),
        }
    )
    _read(frame["date"], columns)
    crossed = frame["t_min"] > frame["t_max"]
    frame.loc[crossed, ["t_min", "t_max"]] = np.nan
    _more(frame, columns, {"wind": _WIND, "rain": _RAIN, "radiation": _SUN})
    return frame


def _hours(columns: Columns, zone: str) -> pd.DataFrame:
    """Return a forecast by hour."""
    column = columns.frame[columns.require("time", _TIME)[0]]
    text = column.astype("string").str.strip()
    offset = text.str.contains(r"(?:Z|[+-]\d{2}:?\d{2})$", regex=True, na=False)
    if bool(offset.all()):
        time = pd.to_datetime(text, utc=True, errors="coerce", format="ISO8601")
    else:
        plain = pd.to_datetime(text.mask(offset), errors="coerce", format="ISO8601")
        _read(plain, columns)
        # The hour that clocks show twice or never in a year is a hole, not a guess.
        local = plain.dt.tz_localize(zone, ambiguous="NaT", nonexistent="NaT")
        time = local.dt.tz_convert("UTC")
    frame = pd.DataFrame(
        {
            "time": time,
            "temperature": columns.number("temperature", _AIR, unit="degC"),
        }
    )
    if bool(offset.all()):
        _read(frame["time"], columns)
    _more(frame, columns, {"wind": _WIND, "rain": _RAIN})
    return frame[frame["time"].notna()]


def _read(times: pd.Series, columns: Columns) -> None:
    """Refuse a table with a day or time that cannot be read."""
    count = int(times.isna().sum())
    if count or not len(times):
        msg = (
            f"{columns.name}: the time of {count} of {len(times)} rows cannot be read."
        )
        raise InputError(
            msg, "write 2026-11-20 06:00 in the farm's time, or days as 2026-11-20"
        )


def _more(
    frame: pd.DataFrame, columns: Columns, wanted: dict[str, tuple[str, ...]]
) -> None:
    """Add what else the table holds where its unit is said."""
    for ours, others in wanted.items():
        if columns.find(ours, others) and columns.unit_said(ours, others):
            frame[ours] = columns.number(ours, others)
