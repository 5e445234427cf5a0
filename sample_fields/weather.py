"""Invented weather for the sample season: daily rain and temperatures.

Shaped, not copied: a usual early summer, a dry late summer, the rest of a tropical
storm over the second week of October, showers to early November, then a dry spell.
"""

from __future__ import annotations

import datetime as dt
import math

import numpy as np
import pandas as pd

START, END = dt.date(2026, 5, 1), dt.date(2026, 11, 20)
SEED = 60

RAIN = {
    # first day, last day: chance of rain a day, mean of a rainy day [mm]
    (dt.date(2026, 5, 1), dt.date(2026, 6, 30)): (0.36, 9.0),
    (dt.date(2026, 7, 1), dt.date(2026, 8, 10)): (0.22, 8.0),
    (dt.date(2026, 8, 11), dt.date(2026, 10, 4)): (0.12, 4.0),
    (dt.date(2026, 10, 19), dt.date(2026, 11, 2)): (0.30, 5.0),
    (dt.date(2026, 11, 5), dt.date(2026, 11, 20)): (0.08, 2.0),
}

STORM = {
    # The wet spell before the second harvest, day by day [mm].
    dt.date(2026, 10, 6): 20.0,
    dt.date(2026, 10, 7): 27.0,
    dt.date(2026, 10, 8): 35.0,
    dt.date(2026, 10, 9): 21.0,
    dt.date(2026, 10, 11): 18.0,
    dt.date(2026, 10, 12): 27.0,
    dt.date(2026, 10, 13): 14.0,
}


def weather() -> pd.DataFrame:
    """Return date, rain_mm, tmin_c, tmax_c for every day of the season."""
    rng = np.random.default_rng(SEED)
    days = [START + dt.timedelta(days=n) for n in range((END - START).days + 1)]
    rows = []
    swing = 0.0
    for day in days:
        # Both draws are made every day, so one period can be changed alone.
        wet, amount, drift = rng.random(), rng.exponential(), rng.normal()
        rain = STORM.get(day, 0.0)
        for (first, last), (chance, mean) in RAIN.items():
            if first <= day <= last and wet < chance:
                rain = mean * amount
        swing = 0.6 * swing + 2.2 * drift
        # Yearly course of a lake-plain place: about 23 degC in July, 5 in November.
        season = math.cos(2 * math.pi * (day.timetuple().tm_yday - 201) / 365)
        middle = 10.5 + 12.5 * season + swing
        spread = 4.0 if rain > 2.0 else 6.0
        rows.append((day, rain, middle - spread, middle + spread))
    table = pd.DataFrame(rows, columns=["date", "rain_mm", "tmin_c", "tmax_c"])
    return table.round({"rain_mm": 1, "tmin_c": 1, "tmax_c": 1})


def weather_csv() -> bytes:
    """Return the table as text."""
    return weather().to_csv(index=False, lineterminator="\n").encode()
