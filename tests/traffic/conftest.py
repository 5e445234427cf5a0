"""Builders of tiny paths and grids, harmless where a test does not say."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from trafficmap.core.constants import GRAVITY
from trafficmap.core.grid import FieldGrid
from trafficmap.loads.paths import LoadStates, WheelPaths


def wheel_table(wheels: list[dict]) -> pd.DataFrame:
    rows = [
        {
            "wheel": number,
            "machine_id": wheel.get("machine", "m"),
            "body": "body",
            "body_id": wheel.get("body", 0),
            "axle": f"axle {wheel.get('axle', 0)}",
            "axle_id": wheel.get("axle", 0),
            "slot": wheel.get("slot", number),
            "forward": float(wheel.get("forward", 0.0)),
            "right": float(wheel.get("right", 0.0)),
            "width": float(wheel.get("width", 0.8)),
            "diameter": 1.6,
            "kind": "tyre",
            "contact_length": np.nan,
            "rollers": 0,
            "pressure": 1e5,
            "pressure_assumed": False,
            "contact_area": np.nan,
            "contact_slope": np.nan,
        }
        for number, wheel in enumerate(wheels)
    ]
    return pd.DataFrame(rows)


def tiny_paths(legs: list[dict], *, wheels: list[dict] | None = None) -> WheelPaths:
    """Return paths from legs of easting, northing, and optional heading [rad], time.

    Without a heading the machine drives along its path. Pass numbers count from 0.
    """
    table = wheel_table(wheels or [{}])
    parts = [_leg(number, leg) for number, leg in enumerate(legs)]
    size = [part["easting"].size for part in parts]
    mass = np.array([[wheel.get("mass", 4000.0) for wheel in (wheels or [{}])]])
    load = mass * GRAVITY
    states = LoadStates(
        machine_id=np.array([(wheels or [{}])[0].get("machine", "m")]),
        payload_low=np.zeros(1),
        payload=np.zeros(1),
        payload_high=np.zeros(1),
        load_low=load,
        load=load,
        load_high=load,
        source=np.array(["assumed"]),
    )
    join = {
        key: np.concatenate([part[key] for part in parts]) if parts else np.empty(0)
        for key in ("easting", "northing", "heading", "time")
    }
    return WheelPaths(
        wheels=table,
        states=states,
        begin=np.concatenate([[0], np.cumsum(size)]).astype(np.int64),
        body_id=np.array([leg.get("body", 0) for leg in legs], dtype=np.int32),
        pass_id=np.array(
            [leg.get("pass_id", n) for n, leg in enumerate(legs)], dtype=np.int64
        ),
        seconds=join["time"],
        state=np.zeros(sum(size), dtype=np.int32),
        **join,
    )


def _leg(number: int, leg: dict) -> dict:
    easting = np.asarray(leg["easting"], dtype=float)
    northing = np.asarray(leg["northing"], dtype=float)
    heading = leg.get("heading")
    if heading is None:
        heading = np.arctan2(np.gradient(easting), np.gradient(northing))
    return {
        "easting": easting,
        "northing": northing,
        "heading": np.broadcast_to(np.asarray(heading, dtype=float), easting.shape),
        "time": np.asarray(
            leg.get("time", number * 1000.0 + np.arange(easting.size)), dtype=float
        ),
    }


def tiny_grid(rows: int, cols: int, *, cell: float = 1.0) -> FieldGrid:
    return FieldGrid(32615, 0.0, rows * cell, cell, rows, cols)


@pytest.fixture
def build():
    """Namespace of the builders, so that tests need no package to import from."""

    class Build:
        paths = staticmethod(tiny_paths)
        grid = staticmethod(tiny_grid)

    return Build
