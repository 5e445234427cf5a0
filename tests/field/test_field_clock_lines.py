"""A clock nobody can trust is refused for pairing; one line in field.toml mends it.

A combine and its cart, invented: the combine cuts 20 kg/s at 2 m/s going north and is
emptied on the go twice; the combine's clock is UTC, the cart's is spoilt.
"""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from trafficmap import loads, tracks
from trafficmap.core.settings import Settings
from trafficmap.field.read import read_field

START = dt.datetime(2026, 10, 14, 15, 0, tzinfo=dt.UTC)
WEST, SOUTH = -93.62, 42.03
NORTH_M, EAST_M = 111_080.0, 82_810.0
WINDOWS = ((400.0, 490.0), (800.0, 890.0))
KEYS = """
[field]
name = "Ditch sixty"
season = 2026
invented = true
{field}
[crop]
now = "corn"
[[log]]
file = "combine.csv"
machine = "combine"
[[log]]
file = "cart.csv"
machine = "cart"
{log}
[machine.combine]
class = "combine_large"
[machine.cart]
class = "tractor_front_assist"
trails = [{{ class = "grain_cart_single" }}]
"""


def combine_and_cart():
    """Return seconds, and northing [m] of the combine and of the cart's tractor."""
    second = np.arange(0, 1000.0)
    north = 2.0 * second
    back = np.full(second.size, 60.0)
    for a, b in WINDOWS:
        back[(second >= a) & (second <= b)] = 0.0
        near = (second > a - 20) & (second < a)
        back[near] = 3.0 * (a - second[near])
        away = (second > b) & (second < b + 20)
        back[away] = 3.0 * (second[away] - b)
    # Level with the combine when the hopper is: antenna, hitch, tongue, hopper.
    return second, north, north - 1.2 + 1.0 + 1.2 + 5.2 - 0.2 - back


def rows(north, east, time, more):
    lines = [f"longitude,latitude,time,{','.join(more)}"]
    for k in range(north.size):
        place = f"{WEST + east / EAST_M:.8f},{SOUTH + north[k] / NORTH_M:.8f}"
        lines.append(f"{place},{time[k]},{','.join(map(str, more.values()))}")
    return "\n".join(lines) + "\n"


def utc(second, pattern="%Y-%m-%dT%H:%M:%SZ", shift=0.0):
    return [
        (START + dt.timedelta(seconds=float(s) + shift)).strftime(pattern)
        for s in second
    ]


def read(folder, cart_time, *, field="", log=""):
    second, combine, cart = combine_and_cart()
    folder.mkdir(exist_ok=True)
    harvest = {"mass_flow_kg_s": 20.0, "width_m": 9.0, "work_state": 1}
    (folder / "combine.csv").write_text(rows(combine, 0.0, utc(second), harvest))
    idle = {"speed_m_s": 2.0}
    (folder / "cart.csv").write_text(rows(cart, -8.0, cart_time(second), idle))
    (folder / "field.toml").write_text(KEYS.format(field=field, log=log))
    return read_field(folder)


def handed(field):
    """Return what the combine gave the cart, by the line's own steps [kg]."""
    use = Settings()
    told = {"machines": field.machines, "settings": use.tracks}
    fixes, _ = tracks.clean(field.fixes, boundary=field.boundary, **told)
    fixes, passes, _ = tracks.split(fixes, boundary=field.boundary, **told)
    carried, _ = loads.payload(
        fixes,
        passes,
        machines=field.machines,
        crop=field.crop,
        liquid=field.liquid,
        settings=use.loads,
    )
    return carried.ledger["combine"]["handed"]


def engine(second):
    return [f"{s + 5000:.0f}" for s in second]


def wall(second):
    return utc(second, "%Y-%m-%d %H:%M:%S", -5 * 3600.0)


def never_set(second):
    base = dt.datetime(1980, 1, 6, tzinfo=dt.UTC)
    return [
        f"{base + dt.timedelta(seconds=float(s)):%Y-%m-%d %H:%M:%S}" for s in second
    ]


def hour_slow(second):
    return utc(second, shift=-3600.0)


OFFSET = (START - dt.datetime(1980, 1, 6, tzinfo=dt.UTC)).total_seconds()


@pytest.mark.parametrize(
    ("clock", "asked", "line"),
    [
        (engine, "epoch = ", {"log": "epoch = 2026-10-14T13:36:40Z"}),
        (engine, "epoch = ", {"log": f"clock_offset_s = {START.timestamp() - 5000}"}),
        (never_set, "clock_offset_s = ", {"log": f"clock_offset_s = {OFFSET}"}),
        (wall, "time_zone = ", {"log": 'time_zone = "America/Chicago"'}),
        (wall, "time_zone = ", {"field": 'time_zone = "America/Chicago"'}),
    ],
)
def test_one_line_turns_a_clock_into_utc_and_pairs_the_machines(
    tmp_path, clock, asked, line
):
    field, notes = read(tmp_path / "f", clock)
    cart = field.fixes["machine_id"] == "cart"
    assert field.fixes.loc[cart, "time"].isna().all()
    assert field.fixes.loc[~cart, "time"].notna().all()
    (stop,) = [n for n in notes if n.severity == "stop" and "cart.csv" in n.sentence]
    assert asked in stop.sentence
    assert handed(field) == 0.0
    mended, notes = read(tmp_path / "f", clock, **line)
    first = mended.fixes.loc[cart.to_numpy(), "time"].iloc[0]
    assert abs(first.timestamp() - START.timestamp()) < 1e-3
    assert not [n for n in notes if n.severity == "stop" and "clock" in n.code]
    # Two tanks of 20 kg/s were given by 890 s; the gate is a few seconds off.
    assert handed(mended) == pytest.approx(20 * 890, rel=0.04)


def test_a_clock_an_hour_slow_is_set_right_by_its_offset(tmp_path):
    field, _ = read(tmp_path / "f", hour_slow)
    assert handed(field) == 0.0
    field, _ = read(tmp_path / "f", hour_slow, log="clock_offset_s = 3600")
    assert handed(field) == pytest.approx(20 * 890, rel=0.04)


def test_no_clock_at_all_stays_without_time(tmp_path):
    field, notes = read(tmp_path / "f", lambda s: [""] * s.size)
    cart = field.fixes["machine_id"] == "cart"
    assert field.fixes.loc[cart, "time"].isna().all()
    assert "clock.none" in [n.code for n in notes]


def test_a_satellite_week_of_ten_bits_offers_the_line_that_mends_it(tmp_path):
    folder = tmp_path / "f"
    read(folder, wall)
    second, _, cart = combine_and_cart()
    # 14 October 2026 is day 3 of week 2 440 since 6 January 1980, by hand; 15:00 UTC
    # is 18 s later on the satellites' count.
    begin = 3 * 86_400 + 15 * 3600 + 18
    lines = ["longitude,latitude,week,tow"]
    for k in range(cart.size):
        place = f"{WEST - 8.0 / EAST_M:.8f},{SOUTH + cart[k] / NORTH_M:.8f}"
        lines.append(f"{place},{2440 - 2048},{begin + second[k]:.0f}")
    (folder / "cart.csv").write_text("\n".join(lines) + "\n")
    field, notes = read_field(folder)
    (stop,) = [n for n in notes if n.severity == "stop" and n.code == "log.gps_round"]
    assert handed(field) == 0.0
    offset = stop.sentence.split(" or ")[1].split("= ")[1].split(" ")[0]
    keys = KEYS.format(field="", log=f"clock_offset_s = {offset}")
    (folder / "field.toml").write_text(keys)
    field, _ = read_field(folder)
    rows = field.fixes["machine_id"] == "cart"
    first = field.fixes.loc[rows, "time"].iloc[0]
    assert abs(first.timestamp() - START.timestamp()) < 1e-3
    assert handed(field) == pytest.approx(20 * 890, rel=0.04)
