"""A field folder built in code: a square field and one short run of a combine."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable
from pathlib import Path

import pytest

WEST, SOUTH, SIDE = -93.62, 42.03, 0.002
"""South-west corner and side of the square [deg]: 166 m east, 222 m north."""

START = dt.datetime(2026, 10, 14, 15, 0, 0, tzinfo=dt.UTC)

BASE = """
[field]
name = "Ditch sixty"
season = 2026
{field}
{boundary}
{logs}
[machine.combine]
class = "combine_large"
{more}
"""


def square() -> str:
    """Return the outline as GeoJSON, 3.68 ha."""
    east, north = WEST + SIDE, SOUTH + SIDE
    ring = [[WEST, SOUTH], [east, SOUTH], [east, north], [WEST, north], [WEST, SOUTH]]
    return json.dumps({"type": "Polygon", "coordinates": [ring]})


def run_north(*, first=0, count=120, right=0.0) -> str:
    """Return a log that drives north at 1.5 m/s up the middle, `right` deg beside it.

    Rows `first` to `first + count` of the run, one a second, the clock in UTC.
    """
    lines = ["longitude,latitude,time,speed_m_s,width_m,work_state"]
    for k in range(first, first + count):
        longitude = WEST + SIDE / 2 + right
        latitude = SOUTH + 0.0002 + k * 1.35e-5
        moment = START + dt.timedelta(seconds=k)
        lines.append(
            f"{longitude:.8f},{latitude:.8f},{moment:%Y-%m-%dT%H:%M:%SZ},1.5,6.0,1"
        )
    return "\n".join(lines) + "\n"


@pytest.fixture
def run_log() -> Callable[..., str]:
    """Return the builder of a short log."""
    return run_north


@pytest.fixture
def make_field(tmp_path: Path) -> Callable[..., Path]:
    """Return a builder of field folders."""

    def make(
        *,
        boundary: str | None = None,
        logs: dict[str, str] | None = None,
        field: str = "",
        more: str = "",
        files: dict[str, str] | None = None,
        base: str = BASE,
    ) -> Path:
        folder = tmp_path / "field"
        folder.mkdir(exist_ok=True)
        outline = square() if boundary is None else boundary
        logs = {"combine.csv": run_north()} if logs is None else logs
        stanzas = "".join(
            f'[[log]]\nfile = "{name}"\nmachine = "combine"\n' for name in logs
        )
        if outline:
            (folder / "boundary.geojson").write_text(outline)
        for name, text in {**logs, **(files or {})}.items():
            (folder / name).write_text(text)
        text = base.format(
            boundary='boundary = "boundary.geojson"' if outline else "",
            logs=stanzas,
            field=field,
            more=more,
        )
        (folder / "field.toml").write_text(text)
        return folder

    return make
