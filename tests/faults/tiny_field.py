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
