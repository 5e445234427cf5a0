"""Builders of fixes for the tests of tracks."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from trafficmap.core.tables import FIXES

EPOCH = pd.Timestamp("2026-10-20T15:00:00Z")


def fixes_of(easting, northing, *, seconds=None, timed=True, **columns) -> pd.DataFrame:
    """Return fixes of one log at 1 Hz unless told otherwise."""
    easting = np.asarray(easting, dtype=float)
    n = easting.size
    seconds = (
        np.arange(n, dtype=float) if seconds is None else np.asarray(seconds, float)
    )
    stamp = pd.to_datetime(
        EPOCH.timestamp() * 1000 + np.round(seconds * 1000), unit="ms", utc=True
    ).astype("datetime64[ms, UTC]")
    table = {
        "machine_id": np.full(n, "combine", dtype=object),
        "log_id": np.zeros(n, dtype=np.int64),
        "time": stamp if timed else pd.DatetimeIndex([pd.NaT] * n, tz="UTC"),
        "seconds": seconds,
        "easting": easting,
        "northing": np.asarray(northing, dtype=float),
        "row": np.arange(1, n + 1),
    }
    for column in FIXES.columns:
        table.setdefault(column.name, np.full(n, np.nan))
    for name, value in columns.items():
        table[name] = np.broadcast_to(value, n).copy()
    frame = pd.DataFrame(table)
    if not timed:
        frame["time"] = frame["time"].astype("datetime64[ms, UTC]")
    return frame


def rows_and_turns(*, rows=6, length=300.0, apart=8.0, speed=2.0, rate=1.0):
    """Return easting, northing, working of straight rows with half turns between."""
    radius = apart / 2
    place, work = [], []
    step = speed / rate
    for row in range(rows):
        up = row % 2 == 0
        along = np.arange(0.0, length, step)
        north = along if up else length - along
        place.append(np.column_stack([np.full(along.size, row * apart), north]))
        work.append(np.ones(along.size))
        turn = np.arange(0.0, np.pi * radius, step) / radius
        middle = row * apart + radius
        bulge = np.sin(turn) * radius
        place.append(
            np.column_stack(
                [middle - radius * np.cos(turn), length + bulge if up else -bulge]
            )
        )
        work.append(np.zeros(turn.size))
    place = np.concatenate(place[:-1])
    return place[:, 0], place[:, 1], np.concatenate(work[:-1])


def fake_machine(**attributes) -> SimpleNamespace:
    """Return what tracks read of a machine."""
    bodies = (SimpleNamespace(kind=attributes.pop("kind", "combine")),)
    plain = {
        "sigma_within": 0.02,
        "road_vehicle": False,
        "working_speed": (0.8, 3.5),
        "bodies": bodies,
    }
    return SimpleNamespace(**(plain | attributes))


@pytest.fixture
def make():
    """Namespace of the builders, so that tests need no package to import from."""
    return SimpleNamespace(
        fixes=fixes_of, rows=rows_and_turns, machine=fake_machine, epoch=EPOCH
    )
