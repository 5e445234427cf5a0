"""The field "two_strips": 40 x 40 m and one machine, to be redone on paper.

One tractor, 8 000 kg, rear axle at the origin and front axle 3 m ahead, both with a
track width of 2.0 m and tyres 0.50 m wide, the antenna above the rear axle. It drives

- pass A northward along east 10.5 m,
- pass B southward along east 20.5 m,
- pass C eastward along north 20.5 m,

each right through the field, and turns far outside. So the wheel marks are two strips
of 0.50 m a pass: middles at east 9.5 and 11.5, 19.5 and 21.5, and north 19.5 and 21.5.
The corner of the field lies on whole metres of UTM zone 16 N, so every mark lies in the
middle of a column (or row) of cells of 1 m.

On paper
--------
- one pass marks 2 x 0.50 x 40 = 40 m2; three passes 120 m2;
- pass C crosses four marks with two: 8 squares of 0.25 m2 are marked twice, 2 m2;
- run over once or more: 120 - 2 = 118 m2, a share of 118 / 1600 = 0.07375;
- six marks touch 6 x 40 cells, 8 of them twice: 8 crossing cells, 240 - 16 = 224 cells
  of one mark;
- wheel passes: each mark is rolled by a front and a rear wheel, so 2 in a cell of one
  mark and 4 in a crossing cell; different passes: 1 and 2;
- share of a cell run over: 0.50 in a cell of one mark, 0.50 + 0.50 - 0.25 = 0.75 in a
  crossing cell;
- the empty mass acts 1.5 m ahead of the rear axle: 4 000 kg on each axle, 2 000 kg on
  each wheel, whatever it does;
- load-distance: 8 Mg x 3 x 0.040 km / 0.16 ha = 6.0 Mg km/ha.
"""

from __future__ import annotations

import json
import math

import numpy as np
import pandas as pd
import shapely

from . import places as at
from .drive import Driver, Pose
from .record import moment
from .rigs import tyre
from .toml import dumps
from .weather import weather_csv

SIDE = 40.0
LANES = {"A": 10.5, "B": 20.5, "C": 20.5}
TRACK_WIDTH = 2.0
TYRE_WIDTH = 0.50
WHEEL_BASE = 3.0
MASS = 8000.0
SPEED = 2.0
START = (2026, 10, 20, 14, 0)

MACHINE = {
    "schema": 1,
    "id": "tractor",
    "class": "tractor",
    "label": "tractor, 8 t (invented)",
    "reference_axle": "rear",
    "antenna": {"x": 0.0, "y": 0.0, "z": 3.0, "correction": "rtk"},
    "mass": {"empty_kg": MASS, "empty_cg_x": WHEEL_BASE / 2, "cg_z": 1.0},
    "steering": {"mode": "front", "min_radius_m": 5.0},
    "axle": [
        {
            "name": name,
            "x": x,
            "track_width": TRACK_WIDTH,
            "steered": x > 0,
            "driven": True,
            "contact": [tyre("480/70R34", 100.0, width=TYRE_WIDTH)],
        }
        for name, x in (("front", WHEEL_BASE), ("rear", 0.0))
    ],
    "provenance": {"source": "invented", "confidence": "measured"},
}


def files() -> dict[str, bytes]:
    """Return file names and bytes of the whole input folder."""
    return {
        "field.toml": dumps(_field_toml()).encode(),
        "boundary.geojson": _boundary(),
        "machines/tractor.toml": dumps(MACHINE).encode(),
        "logs/tractor.csv": _log(),
        "weather.csv": weather_csv(),
        "truth.json": (json.dumps(truth(), indent=1) + "\n").encode(),
    }


def truth() -> dict:
    """Return the numbers of the docstring, from the marks as shapes."""
    marks = [mark for strips in wheel_marks().values() for mark in strips]
    area = shapely.union_all(marks).area
    crossings = (sum(mark.area for mark in marks) - area) / TYRE_WIDTH**2
    return {
        "invented": True,
        "field": "two_strips",
        "area_m2": SIDE * SIDE,
        "corner_m": list(at.ORIGIN),
        "epsg": at.EPSG,
        "run_over_m2": round(area, 9),
        "run_over_share": round(area / SIDE**2, 9),
        "crossing_squares": round(crossings),
        "wheel_marks_m": {
            "east": [9.5, 11.5, 19.5, 21.5],
            "north": [19.5, 21.5],
            "width": TYRE_WIDTH,
        },
        "cells_1_m": {
            "one_mark": {"count": 224, "share": 0.5, "passes": 1, "wheel_passes": 2},
            "crossing": {"count": 8, "share": 0.75, "passes": 2, "wheel_passes": 4},
        },
        "axle_kg": {"front": MASS / 2, "rear": MASS / 2},
        "wheel_kg": MASS / 4,
        "load_distance_Mg_km_ha": MASS / 1000 * 3 * SIDE / 1000 / (SIDE**2 / 1e4),
    }


def wheel_marks() -> dict[str, list[shapely.Polygon]]:
    """Return the marks of each pass inside the field, on the plan."""
    half = TYRE_WIDTH / 2
    out = {}
    for name, lane in LANES.items():
        marks = []
        for side in (-1, 1):
            middle = lane + side * TRACK_WIDTH / 2
            low, high = middle - half, middle + half
            box = (0.0, low, SIDE, high) if name == "C" else (low, 0.0, high, SIDE)
            marks.append(shapely.box(*box))
        out[name] = marks
    return out


def _log() -> bytes:
    """Return the log: one fix a second, exact, with the clock in UTC."""
    north, south, east = 0.0, math.pi, math.pi / 2
    a, b, c = LANES["A"], LANES["B"], LANES["C"]
    driver = Driver(Pose(a, -12.0, north), time=moment(*START), radius=5.0)
    way = [
        Pose(a, SIDE + 12.0, north),
        Pose(b, SIDE + 12.0, south),
        Pose(b, -12.0, south),
        # Round the south-west corner, more than a machine's width outside.
        Pose(4.0, -16.0, -math.pi / 2),
        Pose(-18.0, 4.0, north),
        Pose(-12.0, c, east),
        Pose(SIDE + 12.0, c, east),
    ]
    driver.go(*way, speed=SPEED, turn_speed=SPEED)
    motion = driver.motion()
    time = np.arange(motion.time[0], motion.time[-1])
    here = motion.at(time)
    lon, lat = at.to_degrees(here.east, here.north)
    stamp = pd.to_datetime(time, unit="s").strftime("%Y-%m-%dT%H:%M:%SZ")
    table = pd.DataFrame(
        {
            "longitude": [f"{x:.9f}" for x in lon],
            "latitude": [f"{y:.9f}" for y in lat],
            "time": stamp,
            "speed (m/s)": [f"{v:.2f}" for v in here.speed],
        }
    )
    return table.to_csv(index=False, lineterminator="\n").encode()


def _boundary() -> bytes:
    corners = np.array([(0, 0), (SIDE, 0), (SIDE, SIDE), (0, SIDE), (0, 0)])
    lon, lat = at.to_degrees(corners[:, 0], corners[:, 1])
    ring = [
        [round(x, 9), round(y, 9)]
        for x, y in zip(lon.tolist(), lat.tolist(), strict=True)
    ]
    shape = {"type": "Polygon", "coordinates": [ring]}
    feature = {
        "type": "Feature",
        "properties": {"name": "Two strips (invented)"},
        "geometry": shape,
    }
    return json.dumps({"type": "FeatureCollection", "features": [feature]}).encode()


def _field_toml() -> dict:
    return {
        "schema": 1,
        "field": {
            "name": "Two strips",
            "season": 2026,
            "invented": True,
            "time_zone": "America/New_York",
            "units": "metric",
            "boundary": "boundary.geojson",
            "rows_heading_deg": 0.0,
            "end_row_width_m": 0.0,
            "utilities": "located",
        },
        "crop": {"now": "corn", "next": "corn", "last_tillage_depth_cm": 20.0},
        "soil": {"texture": "silty clay", "organic_matter_pct": 3.0, "drained": True},
        "tile": {"state": "none"},
        "weather": {"file": "weather.csv"},
        "log": [{"file": "logs/tractor.csv", "machine": "tractor"}],
        "machine": {"tractor": {"file": "machines/tractor.toml"}},
    }
