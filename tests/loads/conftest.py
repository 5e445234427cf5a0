"""Invented fixes, passes and machines for the tests of the loads room."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from trafficmap.machines import read_machine

_SPEC = importlib.util.spec_from_file_location(
    "unload_season", Path(__file__).with_name("unload_season.py")
)
unload_season = importlib.util.module_from_spec(_SPEC)
sys.modules["unload_season"] = unload_season
_SPEC.loader.exec_module(unload_season)

SIGNALS = (
    "speed",
    "heading",
    "altitude",
    "fix_quality",
    "width",
    "work_state",
    "mass_flow",
    "tank_mass",
    "moisture",
    "application_rate",
)
START = pd.Timestamp("2026-10-01T12:00:00Z")


def _fixes(machine_id, log_id, seconds, easting, northing, state, **more):
    """Return split fixes of one log; pass numbers are given by `_tables`."""
    seconds = np.asarray(seconds, dtype=float)
    n = seconds.size
    frame = pd.DataFrame(
        {
            "machine_id": machine_id,
            "log_id": np.full(n, log_id, dtype=np.int64),
            "time": START.as_unit("ms")
            + pd.to_timedelta(np.round(seconds * 1000), unit="ms"),
            "seconds": seconds,
            "easting": np.asarray(easting, dtype=float),
            "northing": np.asarray(northing, dtype=float),
            "row": np.arange(1, n + 1, dtype=np.int64),
            "state": np.broadcast_to(np.asarray(state, dtype=object), (n,)),
        }
    )
    frame["time"] = frame["time"].astype("datetime64[ms, UTC]")
    for name in SIGNALS:
        frame[name] = np.broadcast_to(
            np.asarray(more.get(name, np.nan), dtype=float), (n,)
        ).copy()
    return frame


def _tables(*logs):
    """Return split fixes and passes of logs; a pass is a stretch of one state."""
    fixes = pd.concat(logs, ignore_index=True)
    key = fixes["log_id"].astype(str) + fixes["state"]
    run = (key != key.shift()).cumsum().to_numpy() - 1
    rows, pass_of_run, number = [], {}, 0
    for r in range(run[-1] + 1):
        where = np.flatnonzero(run == r)
        state = fixes["state"].iloc[where[0]]
        if state in ("idle", "road"):
            pass_of_run[r] = -1
            continue
        pass_of_run[r] = number
        e, n = fixes["easting"].to_numpy()[where], fixes["northing"].to_numpy()[where]
        rows.append(
            {
                "pass_id": number,
                "machine_id": fixes["machine_id"].iloc[where[0]],
                "log_id": int(fixes["log_id"].iloc[where[0]]),
                "state": state,
                "start": fixes["time"].iloc[where[0]],
                "end": fixes["time"].iloc[where[-1]],
                "first": int(where[0]),
                "last": int(where[-1]) + 1,
                "length": float(np.hypot(np.diff(e), np.diff(n)).sum()),
                "inferred": False,
            }
        )
        number += 1
    fixes["pass_id"] = np.array([pass_of_run[r] for r in run], dtype=np.int64)
    passes = pd.DataFrame(rows)
    for name in ("start", "end"):
        passes[name] = pd.to_datetime(passes[name], utc=True).astype(
            "datetime64[ms, UTC]"
        )
    return fixes, passes


def _machine(name, **table):
    return read_machine({"correction": "rtk", **table}, name=name, folder=Path())[0]


@pytest.fixture
def log():
    return _fixes


@pytest.fixture
def tables():
    return _tables


@pytest.fixture
def machine():
    return _machine
