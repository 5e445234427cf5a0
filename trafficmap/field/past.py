"""Weather of past years from a station, on its contract, for the odds of fit days."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.field.columns import Columns
from trafficmap.field.weather import TOO_HOT, bridge_gaps, daily_frame

_FEW = 10
"""Years below which odds say little (choice)."""


def settle_past(
    columns: Columns, *, season: int, date_format: str | None = None
) -> tuple[pd.DataFrame | None, list[Note]]:
    """Return daily weather of the years before a season, holes left as holes.

    Parameters
    ----------
    columns : Columns
        Table with date, rain, t_min, t_max over several years.
    season : int
        This season's year; it and later ones are not past.
    date_format : str, optional
        Order of month and day, mdy or dmy, where both can be read.

    Returns
    -------
    past : DataFrame or None
        As contract `WEATHER`, every day there, rain and temperatures NaN in holes.
        None, with a Note that says why, when it cannot be used.
    notes : list of Note

    Raises
    ------
    InputError
        Negative rain, or a day twice.
    """
    name = columns.name
    frame = daily_frame(columns, date_format)
    notes = list(columns.notes)
    hot = float(frame[["t_min", "t_max"]].max().max())
    if hot > TOO_HOT:
        sentence = (
            f"{name}: {hot:.0f} degrees Celsius cannot be true, this looks like "
            "Fahrenheit; past years are left out. Put the unit into the heading, as "
            "tmax_f."
        )
        return None, [*notes, Note("past.fahrenheit", "check", sentence, 1, name)]
    if (frame["rain"] < 0).any():
        day = frame.index[frame["rain"] < 0][0]
        msg = f"{name}: rain is below zero on {day:%Y-%m-%d}."
        raise InputError(
            msg, "correct that day; a fill such as -9999 is taken as empty"
        )
    frame = frame[pd.DatetimeIndex(frame.index).year < season]
    years = int(pd.DatetimeIndex(frame.index).year.nunique())
    if not years:
        sentence = (
            f"{name}: holds no year before {season}; odds of fit days need past years."
        )
        return None, [*notes, Note("past.none", "check", sentence, 1, name)]
    if years < _FEW:
        sentence = (
            f"{name}: {years} past years say little about the odds of fit days; 20 "
            "or more are wanted."
        )
        notes.append(Note("past.few", "check", sentence, years, name))
    crossed = frame["t_min"] > frame["t_max"]
    frame.loc[crossed, ["t_min", "t_max"]] = np.nan
    frame = frame.reindex(pd.date_range(frame.index[0], frame.index[-1], freq="D"))
    frame, _ = bridge_gaps(frame, name)
    past = frame[["rain", "t_min", "t_max"]].reset_index(names="date")
    past["date"] = past["date"].astype("datetime64[s]")
    return past, notes
