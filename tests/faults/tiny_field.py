"""A tiny good field in code, to be spoilt in one way by each case."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

WEST, SOUTH, SIDE = -93.62, 42.03, 0.001
"""South-west corner and side of the field [deg]: 83 m east, 111 m north."""

START = datetime(2026, 10, 14, 15, 0, tzinfo=UTC)

TOML = """schema = 1
[field]
name = "Ditch sixty"
season = 2026
invented = true
boundary = "boundary.geojson"
[crop]
now = "corn"
next = "corn"
[[log]]
file = "combine.csv"
machine = "combine"
[machine.combine]
class = "combine_mid"
"""


def ring(west: float = WEST, south: float = SOUTH, side: float = SIDE) -> list:
    """Return the corners of a square, closed."""
    east, north = west + side, south + side
    return [[west, south], [east, south], [east, north], [west, north], [west, south]]


def shape(*rings: list, kind: str = "Polygon", **more: object) -> str:
    """Return GeoJSON of one shape."""
    return json.dumps({"type": kind, "coordinates": list(rings), **more})


def drive(
    *,
    count: int = 120,
    west: float = WEST + SIDE / 2,
    south: float = SOUTH + 0.0001,
    stamp: str = "%Y-%m-%dT%H:%M:%SZ",
    start: datetime = START,
    step: float = 6.5e-6,
) -> list[list[str]]:
    """Return the cells of a log that drives north at 0.7 m/s, one row a second."""
    rows = [["longitude", "latitude", "time", "speed_m_s", "width_m", "work_state"]]
    for k in range(count):
        moment = start + timedelta(seconds=k)
        place = [f"{west:.8f}", f"{south + k * step:.8f}"]
        rows.append([*place, moment.strftime(stamp), "0.7", "6.0", "1"])
    return rows


def text(rows: list[list[str]], mark: str = ",") -> str:
    """Return rows as a text table."""
    return "\n".join(mark.join(row) for row in rows) + "\n"


def write_field(home: Path) -> Path:
    """Write the good field."""
    home.mkdir(parents=True, exist_ok=True)
    (home / "field.toml").write_text(TOML, encoding="utf-8")
    (home / "boundary.geojson").write_text(shape(ring()), encoding="utf-8")
    (home / "combine.csv").write_text(text(drive()), encoding="utf-8")
    return home


SECTIONS = {
    "soil": '[soil]\ntexture = "silt loam"\n',
    "weather": '[weather]\nfile = "weather.csv"\n',
    "tile": '[tile]\nstate = "known"\ncover_m = 0.9\n',
    "liquid": '[[liquid]]\nmachine = "combine"\nrate_m3_ha = 90.0\n',
    "keep_out": '[[keep_out]]\nkind = "buried line"\nfile = "line.geojson"\n',
    "tool": (
        '[[tool]]\nname = "ripper"\nwidth_m = 5.33\nshanks = 7\n'
        "depth_min_m = 0.25\ndepth_max_m = 0.46\npower_kw = 300.0\n"
    ),
    "price": '[price]\ncurrency = "USD"\nripping_per_ha = 66.7\n',
    "dug": '[dug]\nfile = "dug.csv"\n',
}
"""Every section a field may have besides those of the good one."""

FACTS = {
    "time_zone": '"America/Chicago"',
    "units": '"us"',
    "rows_heading_deg": "0.0",
    "end_row_width_m": "20.0",
    "slope_pct": "3.0",
    "elevation_m": "300.0",
    "erodible": "false",
    "utilities": '"located"',
}
"""Every key of [field] that may be left out, but for the boundary."""


def write_full_field(home: Path, *, without: tuple[str, ...] = ()) -> Path:
    """Write a field that says everything, but for some sections and facts."""
    write_field(home)
    told = [text for name, text in SECTIONS.items() if name not in without]
    facts = [f"{key} = {value}" for key, value in FACTS.items() if key not in without]
    keys = TOML.replace("invented = true", "\n".join(["invented = true", *facts]))
    if "boundary" in without:
        keys = keys.replace('boundary = "boundary.geojson"\n', "")
    if "crop" in without:
        keys = keys.replace('[crop]\nnow = "corn"\nnext = "corn"\n', "")
    if "log" in without:
        keys = keys.replace('[[log]]\nfile = "combine.csv"\nmachine = "combine"\n', "")
        told = [text for text in told if "[[liquid]]" not in text]
    (home / "field.toml").write_text(keys + "".join(told), encoding="utf-8")
    line = shape([WEST, SOUTH], [WEST + SIDE, SOUTH + SIDE], kind="LineString")
    (home / "line.geojson").write_text(line, encoding="utf-8")
    spot = f"{WEST + SIDE / 2:.6f},{SOUTH + SIDE / 2:.6f},2026-10-20"
    dug = [
        "point,longitude,latitude,date,kind,wheeled,depth_in,value_psi,finding",
        f"P1,{spot},probe,1,12,320,",
        f"P1,{spot},probe,0,12,180,",
        f"P1,{spot},spade,1,14,,plates",
    ]
    (home / "dug.csv").write_text("\n".join(dug) + "\n", encoding="utf-8")
    days = ["date,rain_mm,t_min_c,t_max_c"]
    for k in range(200):
        days.append(f"{START - timedelta(days=180 - k):%Y-%m-%d},3,8,19")
    (home / "weather.csv").write_text("\n".join(days) + "\n", encoding="utf-8")
    return home
