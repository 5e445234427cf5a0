"""A tiny invented field folder, changed so that it triggers one row of the table."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from pyproj import Transformer

WEST, SOUTH = 448_600.0, 4_653_100.0
EAST_SIDE, NORTH_SIDE = 120.0, 200.0
END_ROWS = 30.0
"""Width of the end rows of a field that has any [m]."""

LANES = tuple(9.0 + 6.0 * k for k in range(10))
"""Lanes driven from south to north, from the west side [m]."""

LIQUID = (
    '[[liquid]]\nmachine = "combine"\nrate_m3_ha = 90.0\ndry_matter_pct = 4.0\n'
    "injected_depth_m = 0.1\nwidth_m = 6.0\n"
)
"""Whatever drove the lanes put liquid down there."""

_TO_DEGREES = Transformer.from_crs(32615, 4326, always_xy=True)
_START = datetime(2026, 10, 20, 15, 0, tzinfo=UTC)
_DUG_ON = "2026-10-26"
BODY = (36.0, 100.0)
"""Where people dug, east and north of the south-west corner [m]."""
ENDS = ((36.0, 10.0), (36.0, 180.0))
"""Where they dug in the end rows."""


@dataclass(frozen=True)
class Dug:
    """What people found at one place: readings in tracks, beside them, and by hand.

    ``layer`` is top and bottom of what is hard [in], None for soft soil throughout;
    ``spots`` the number of pairs.
    """

    place: tuple[float, float] = BODY
    layer: tuple[float, float] | None = (5.0, 8.6)
    rolls: str = "cracks"
    rolled_to: int = 14
    rut: float = 1.0
    trial: str = ""
    spots: int = 10


@dataclass(frozen=True)
class TinyField:
    """Everything the folder is made of; what is not changed allows ripping.

    ``facts``, ``crop`` and ``sections`` are text of field.toml; ``machine`` the keys of
    the machine that drove the lanes; ``rain`` of the days before it [mm].
    """

    facts: str = 'utilities = "located"\nerodible = false\nslope_pct = 0.5\n'
    crop: str = 'now = "corn"\nnext = "corn"\nspring_pass = true\nfall_pass = "chisel"'
    machine: str = 'class = "combine_large"'
    soil: str = 'texture = "clay loam"\nplastic_limit_pct = 28.0'
    tile: str = 'state = "none"'
    price: str = "ripping_per_ha = 20.0\nfall_pass_per_ha = 18.0"
    sections: str = ""
    rain: float = 8.0
    weather: bool = True
    end_rows: bool = False
    lanes: tuple[float, ...] = LANES
    dug: tuple[Dug, ...] = (Dug(),)
    files: tuple[tuple[str, str], ...] = ()

    def changed(self, **changes: object) -> TinyField:
        """Return the field with other parts."""
        return replace(self, **changes)  # type: ignore[arg-type]

    def write(self, home: Path) -> Path:
        """Write the folder."""
        home.mkdir(parents=True, exist_ok=True)
        (home / "boundary.geojson").write_text(_outline(), encoding="utf-8")
        (home / "log.csv").write_text(_log(self.lanes), encoding="utf-8")
        if self.weather:
            (home / "weather.csv").write_text(_weather(self.rain), encoding="utf-8")
        if self.dug:
            (home / "dug.csv").write_text(_dug(self.dug), encoding="utf-8")
        for name, text in self.files:
            (home / name).write_text(text, encoding="utf-8")
        (home / "field.toml").write_text(self._toml(), encoding="utf-8")
        return home

    def _toml(self) -> str:
        ends = f"end_row_width_m = {END_ROWS}\n" if self.end_rows else ""
        weather = '[weather]\nfile = "weather.csv"\n' if self.weather else ""
        dug = '[dug]\nfile = "dug.csv"\n' if self.dug else ""
        return (
            'schema = 1\n[field]\nname = "Tiny"\nseason = 2026\ninvented = true\n'
            'time_zone = "America/Chicago"\nunits = "us"\n'
            'boundary = "boundary.geojson"\nrows_heading_deg = 0.0\n'
            f"elevation_m = 300.0\n{ends}{self.facts}"
            f"[crop]\n{self.crop}\nharvested_yield_bu_ac = 200\n"
            '[[log]]\nfile = "log.csv"\nmachine = "combine"\n'
            f"[machine.combine]\n{self.machine}\n"
            f"[soil]\n{self.soil}\n[tile]\n{self.tile}\n"
            '[[tool]]\nname = "ripper"\nwidth_m = 4.5\nshanks = 7\n'
            "depth_min_m = 0.2\ndepth_max_m = 0.5\nfoot_width_m = 0.09\n"
            'winged = true\npower_kw = 300.0\ndrive = "4wd"\n'
            f'[price]\ncurrency = "USD"\n{self.price}\n'
            f"{weather}{dug}{self.sections}"
        )


def degrees(east: float, north: float) -> tuple[str, str]:
    """Return longitude and latitude of a place counted from the corner [m]."""
    lon, lat = _TO_DEGREES.transform(WEST + east, SOUTH + north)
    return f"{lon:.8f}", f"{lat:.8f}"


def area(west: float, south: float, east: float, north: float) -> str:
    """Return a rectangle, counted from the corner [m], as GeoJSON."""
    corners = [(west, south), (east, south), (east, north), (west, north)]
    ring = [[float(part) for part in degrees(*corner)] for corner in corners]
    return json.dumps({"type": "Polygon", "coordinates": [[*ring, ring[0]]]})


def _sloping() -> str:
    """Return slopes as GeoJSON: 8 % in the west where people dug, 1 % in the east."""
    halves = (
        (area(0.0, 0.0, 70.0, NORTH_SIDE), 8.0),
        (area(70.0, 0.0, EAST_SIDE, NORTH_SIDE), 1.0),
    )
    features = [
        {
            "type": "Feature",
            "properties": {"slope_pct": slope},
            "geometry": json.loads(shape),
        }
        for shape, slope in halves
    ]
    return json.dumps({"type": "FeatureCollection", "features": features})


def _outline() -> str:
    return area(0.0, 0.0, EAST_SIDE, NORTH_SIDE)


def _log(lanes: Iterable[float]) -> str:
    """Return a log of lanes driven to and fro at 2 m/s with 20 s for each turn."""
    rows = ["longitude,latitude,time,speed_m_s,width_m,work_state"]
    moment = _START
    for k, east in enumerate(lanes):
        norths = [4.0 + 2.0 * step for step in range(97)]
        for north in norths if k % 2 == 0 else reversed(norths):
            lon, lat = degrees(east, north)
            rows.append(f"{lon},{lat},{moment:%Y-%m-%dT%H:%M:%SZ},2.0,6.0,1")
            moment += timedelta(seconds=1)
        moment += timedelta(seconds=20)
    return "\n".join(rows) + "\n"


def _weather(rain: float) -> str:
    first = _START - timedelta(days=200)
    rows = ["date,rain_mm,t_min_c,t_max_c"]
    for k in range(208):
        day = first + timedelta(days=k)
        rows.append(f"{day:%Y-%m-%d},{rain if k % 2 else 0.0},8,19")
    return "\n".join(rows) + "\n"


def _dug(found: Iterable[Dug]) -> str:
    """Return the record sheet: probes in pairs, a spade hole, rolls, rut, trial."""
    rows = ["point,longitude,latitude,date,kind,wheeled,depth_in,value_psi,finding"]
    for number, one in enumerate(found, start=1):
        for spot in range(one.spots):
            east, north = one.place[0], one.place[1] + spot
            for wheeled in (1, 0):
                lon, lat = degrees(east + 1.5 * (1 - wheeled), north)
                for depth in range(1, 23):
                    hard = (
                        wheeled
                        and one.layer is not None
                        and one.layer[0] <= depth <= one.layer[1]
                    )
                    rows.append(
                        f"{number}-{spot},{lon},{lat},{_DUG_ON},probe,{wheeled},"
                        f"{depth},{420 if hard else 160},"
                    )
        lon, lat = degrees(*one.place)
        start = f"{number},{lon},{lat},{_DUG_ON}"
        spade = "crumbs" if one.layer is None else "plates"
        rows.append(f"{start},spade,1,,,{spade}")
        if one.rolls:
            rows += [
                f"{start},hand roll,1,{depth},,{one.rolls}"
                for depth in range(2, one.rolled_to + 1, 3)
            ]
        rows.append(f"{start},rut,1,{one.rut},,")
        if one.trial:
            rows.append(f"{start},trial,1,12,,{one.trial}")
    return "\n".join(rows) + "\n"


SLOPES = _sloping()
"""A map of slopes for the field."""
