"""What a forecast, and twenty past years, add to a decision on the main sample field.

A script, not a test: python tests/benchmarks/bench_when.py. Prints processor seconds of
deciding without either, with a forecast of ten days, and with past years as well, and
the ratios to the first. Seconds are those of this machine; the ratios travel.
"""

from __future__ import annotations

import dataclasses
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

import numpy as np
import pandas as pd

from sample_fields.make import write_sample
from trafficmap import pipeline
from trafficmap.field import read_field


def main() -> None:
    """Time the three ways, each after a first call to compile."""
    with tempfile.TemporaryDirectory() as folder:
        field, _ = read_field(write_sample(Path(folder) / "field"))
    first = field.weather["date"].iloc[-1] + pd.Timedelta(days=1)
    forecast = pd.DataFrame(
        {
            "date": pd.date_range(first, periods=10).astype("datetime64[s]"),
            "t_min": -3.0,
            "t_max": 6.0,
            "rain": 0.002,
        }
    )
    days = pd.date_range("2006-01-01", "2025-12-31")
    warm = 10.0 - 14.0 * np.cos(2.0 * np.pi * (days.day_of_year - 20) / 365.0)
    past = pd.DataFrame(
        {
            "date": days.astype("datetime64[s]"),
            "rain": 0.008 * (days.day_of_year % 3 == 0),
            "t_min": warm - 5.0,
            "t_max": warm + 6.0,
        }
    )
    measured = pipeline.measure(field)
    ways = {
        "neither": field,
        "forecast": dataclasses.replace(field, forecast=forecast),
        "forecast and past years": dataclasses.replace(
            field, forecast=forecast, past=past
        ),
    }
    base = 0.0
    for name, one in ways.items():
        given = dataclasses.replace(measured, field=one)
        pipeline.decide(given)
        begin = time.process_time()
        result = pipeline.decide(given)
        taken = time.process_time() - begin
        base = base or taken
        hours = 0 if result.when is None else len(result.when.windows)
        odds = 0 if result.odds is None else len(result.odds)
        print(
            f"{name}: {taken:.2f} s, {taken / base:.1f} times; {hours} windows, "
            f"{odds} days of odds"
        )


if __name__ == "__main__":
    main()
