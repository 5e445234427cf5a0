"""From what happened to what the receivers wrote down, with the dirt of real logs.

Each log has its own columns, units, clock and faults, the way logs of several makes
reach a farm's desk. Every fault is listed in `FAULTS` and counted in truth.json.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from . import places as at
from .record import Track, grain_yield

ZONE = ZoneInfo("America/New_York")

ERRORS = {
    "rtk": (0.010, 0.020),
    "sbas": (0.15, 0.50),
    "phone": (0.9, 2.0),
}
"""Position error by correction class: within a pass and between runs [m]; choice."""

MEMORY = {"rtk": 20.0, "sbas": 33.0, "phone": 45.0}
"""How long a position error lasts [s]; choice."""

JUMP = 64.0
"""A false position lies this far off [m]."""

FLOW_LAG = 8.0
"""Grain reaches the flow sensor this long after it was cut [s]."""

CLOCK_OFFSET = {"tanker": -37.0}
"""Seconds to add to the log's clock: this display ran ahead and nobody noticed."""

HOLE = {"cart": 300.0, "trailer": 300.0}
"""The receiver was off this long in the middle of the log [s]."""


@dataclass(frozen=True)
class Fixes:
    """What one receiver logged, still in SI and on the plan.

    ``time`` [s] since 1970 UTC on the receiver's own clock; ``east``, ``north`` of the
    antenna with its error [m]; the rest as it truly was at that moment.
    """

    machine: str
    time: np.ndarray
    east: np.ndarray
    north: np.ndarray
    heading: np.ndarray
    speed: np.ndarray
    working: np.ndarray
    payload: np.ndarray
    flow: np.ndarray
    faults: dict[str, int]

    def pick(self, rows: np.ndarray) -> Fixes:
        """Return the rows named, in the order named."""
        arrays = {
            name: getattr(self, name)[rows]
            for name in ("time", "east", "north", "heading", "speed", "working",
                         "payload", "flow")
        }  # fmt: skip
        return replace(self, **arrays)


def receive(track: Track, rng: np.random.Generator, *, every: float = 1.0) -> Fixes:
    """Return the fixes a receiver on the machine wrote, faults and all."""
    motion = track.motion
    begin, end = math.ceil(motion.time[0]), math.floor(motion.time[-1])
    time = np.arange(begin, end + 1, every, dtype=float)
    here = motion.at(time)
    antenna = track.rig.bodies[0]["antenna"]
    east = here.east + antenna["x"] * np.sin(here.heading)
    north = here.north + antenna["x"] * np.cos(here.heading)
    error = _error(rng, len(time), every, antenna["correction"])
    working = track.working(time)
    flow = np.zeros(len(time))
    if track.machine == "combine":
        cut = motion.at(time - FLOW_LAG)
        flow = grain_yield(cut.east, cut.north) * at.HEAD * cut.speed
        flow *= track.working(time - FLOW_LAG)
        flow *= 1.0 + 0.05 * rng.standard_normal(len(flow))
    fixes = Fixes(
        track.machine,
        time - CLOCK_OFFSET.get(track.machine, 0.0),
        east + error[0],
        north + error[1],
        here.heading,
        here.speed,
        working,
        track.payload(time),
        flow,
        {},
    )
    return _with_faults(fixes, rng)


def _error(rng, count: int, every: float, correction: str) -> np.ndarray:
    """Return a slowly wandering error with a shift of the whole run, shape (2, n)."""
    within, between = ERRORS[correction]
    keep = math.exp(-every / MEMORY[correction])
    white = rng.standard_normal((2, count)) * within * math.sqrt(1 - keep * keep)
    error = np.empty((2, count))
    last = rng.standard_normal(2) * within
    for k in range(count):
        last = keep * last + white[:, k]
        error[:, k] = last
    return error + rng.standard_normal((2, 1)) * between


def _with_faults(fixes: Fixes, rng: np.random.Generator) -> Fixes:
    """Return the fixes with gaps, repeats, a jump and perhaps a long hole."""
    count = len(fixes.time)
    keep = np.ones(count, dtype=bool)
    gaps = max(2, count // 1800)
    for start in rng.integers(60, count - 60, gaps):
        keep[start : start + int(rng.integers(3, 9))] = False
    hole = HOLE.get(fixes.machine, 0.0) if count > 8000 else 0.0
    if hole:
        middle = int(0.45 * count)
        keep[middle : middle + int(hole)] = False
    east = fixes.east.copy()
    jump = int(0.31 * count)
    keep[jump - 2 : jump + 5] = True
    east[jump : jump + 3] += JUMP
    fixes = replace(fixes, east=east)
    rows = np.flatnonzero(keep)
    again = np.sort(rng.choice(len(rows) - 1, max(5, count // 900), replace=False))
    rows = np.insert(rows, again + 1, rows[again])
    faults = {
        "rows": len(rows),
        "gaps": gaps,
        "rows_missing": int(count - keep.sum()),
        "rows_repeated": len(again),
        "rows_jumped": 3,
        "longest_hole_s": int(np.diff(fixes.time[np.flatnonzero(keep)]).max()),
    }
    return replace(fixes.pick(rows), faults=faults)


def degrees(fixes: Fixes) -> tuple[np.ndarray, np.ndarray]:
    """Return longitude and latitude, to the 8 decimals receivers write [deg]."""
    lon, lat = at.to_degrees(fixes.east, fixes.north)
    return np.round(lon, 8), np.round(lat, 8)


def course(fixes: Fixes) -> np.ndarray:
    """Return the course from TRUE north, as receivers tell it [deg]."""
    return np.round((np.degrees(fixes.heading) + at.convergence()) % 360.0, 1)


def combine_csv(fixes: Fixes) -> bytes:
    """Return a yield log: US units in the headings, local clock, a line on top."""
    lon, lat = degrees(fixes)
    local = _local(fixes.time)
    table = pd.DataFrame(
        {
            "Longitude": _text(lon, 8),
            "Latitude": _text(lat, 8),
            "Date": local.strftime("%m/%d/%Y"),
            "Time": local.strftime("%I:%M:%S %p"),
            "Speed (mph)": _text(fixes.speed / 0.44704, 2),
            "Track (deg)": _text(course(fixes), 1),
            "Swath Width (ft)": _text(np.full(len(lon), at.HEAD / 0.3048), 2),
            "Mass Flow (lb/s)": _text(fixes.flow / 0.45359237, 3),
            "Moisture (%)": _text(17.0 + 0.8 * np.sin(fixes.time / 900.0), 1),
            "Header Status": np.where(fixes.working, "Down", "Up"),
            "Crop": "corn",
        }
    )
    top = "Ditch sixty (invented),harvest 2026\r\n"
    return b"\xef\xbb\xbf" + (top + _csv(table, lines="\r\n")).encode()


def cart_columns(fixes: Fixes) -> pd.DataFrame:
    """Return the cart's track as columns of a GeoPackage, clock in UTC."""
    lon, lat = degrees(fixes)
    stamp = pd.to_datetime(np.round(fixes.time), unit="s").strftime(
        "%Y-%m-%dT%H:%M:%SZ"
    )
    return pd.DataFrame(
        {
            "timestamp": stamp,
            "speed_kmh": np.round(fixes.speed * 3.6, 2),
            "course": course(fixes),
            "longitude": lon,
            "latitude": lat,
        }
    )


def phone_csv(fixes: Fixes) -> bytes:
    """Return a phone's track: place, height, and the time in UTC."""
    lon, lat = degrees(fixes)
    stamp = pd.to_datetime(np.round(fixes.time), unit="s")
    table = pd.DataFrame(
        {
            "lat": _text(lat, 7),
            "lon": _text(lon, 7),
            "ele": _text(212.0 + 0.5 * np.sin(fixes.time / 400.0), 1),
            "time": stamp.strftime("%Y-%m-%dT%H:%M:%SZ"),
        }
    )
    return _csv(table).encode()


def undated_csv(fixes: Fixes) -> bytes:
    """Return a phone's track that counts seconds from its own start, without a date."""
    lon, lat = degrees(fixes)
    table = pd.DataFrame(
        {
            "lat": _text(lat, 7),
            "lon": _text(lon, 7),
            "time (s)": _text(fixes.time - fixes.time[0], 0),
        }
    )
    return _csv(table).encode()


def forage_csv(fixes: Fixes) -> bytes:
    """Return the chopper's log: ISO time with its zone, metres and km/h."""
    lon, lat = degrees(fixes)
    local = _local(fixes.time)
    table = pd.DataFrame(
        {
            "GPS Time": [moment.isoformat() for moment in local],
            "Lat": _text(lat, 8),
            "Long": _text(lon, 8),
            "Ground Speed (km/h)": _text(fixes.speed * 3.6, 2),
            "Working Width (m)": _text(np.full(len(lon), at.CHOPPER), 2),
            "Work State": fixes.working.astype(int),
        }
    )
    return _csv(table).encode()


def trailer_csv(fixes: Fixes) -> bytes:
    """Return the trailer's log: semicolons, decimal commas, a row of units, no zone."""
    lon, lat = degrees(fixes)
    local = _local(fixes.time)
    table = pd.DataFrame(
        {
            "Datum": local.strftime("%d.%m.%Y"),
            "Zeit": local.strftime("%H:%M:%S"),
            "Breite": _comma(lat, 7),
            "Laenge": _comma(lon, 7),
            "Speed": _comma(fixes.speed * 3.6, 1),
        }
    )
    head, body = _csv(table, separator=";").split("\n", 1)
    return f"{head}\n;;deg;deg;km/h\n{body}".encode("cp1252")


def tanker_csv(fixes: Fixes) -> bytes:
    """Return the tanker's log: tabs, weighed tank in pounds, a clock 37 s ahead."""
    lon, lat = degrees(fixes)
    local = _local(fixes.time)
    table = pd.DataFrame(
        {
            "DateTime": local.strftime("%Y-%m-%d %H:%M:%S"),
            "Latitude": _text(lat, 8),
            "Longitude": _text(lon, 8),
            "Speed (mph)": _text(fixes.speed / 0.44704, 2),
            "Working Width (ft)": _text(np.full(len(lon), 20.0), 1),
            "Pump On": fixes.working.astype(int),
            "Tank Weight (lb)": _text(fixes.payload / 0.45359237, 0),
        }
    )
    return _csv(table, separator="\t").encode()


def _local(time: np.ndarray) -> pd.DatetimeIndex:
    return pd.to_datetime(np.round(time), unit="s", utc=True).tz_convert(ZONE)


def _text(values, digits: int) -> list[str]:
    return [f"{value:.{digits}f}" for value in np.asarray(values, float).tolist()]


def _comma(values, digits: int) -> list[str]:
    return [text.replace(".", ",") for text in _text(values, digits)]


def _csv(table: pd.DataFrame, *, separator=",", lines="\n") -> str:
    return table.to_csv(index=False, sep=separator, lineterminator=lines)
