"""Traffic counts and the share run over, against numbers from outside."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from pyproj import Transformer
from scipy.stats import norm

from trafficmap.core.constants import GRAVITY
from trafficmap.core.grid import FieldGrid
from trafficmap.core.layers import get_layer, new_tray
from trafficmap.core.settings.tracks import TrackSettings
from trafficmap.core.tables import FIXES, WHEELS
from trafficmap.loads.paths import LoadStates, WheelPaths
from trafficmap.tracks import clean
from trafficmap.tracks.ground import breaks
from trafficmap.traffic import count, cover, cover_chance


def wheel_paths(legs, *, right, width, mass):
    """Return one machine with wheels on one axle, driven along `legs`."""
    n = len(right)
    wheels = pd.DataFrame(
        {
            "wheel": np.arange(n),
            "machine_id": "m",
            "body": "m",
            "body_id": 0,
            "axle": "axle",
            "axle_id": 0,
            "slot": np.arange(n),
            "forward": np.zeros(n),
            "right": np.asarray(right, float),
            "width": np.full(n, float(width)),
            "diameter": np.full(n, 1.6),
            "kind": "tyre",
            "contact_length": np.full(n, np.nan),
            "rollers": 0,
            "pressure": np.full(n, 1e5),
            "pressure_assumed": False,
            "contact_area": np.nan,
            "contact_slope": np.nan,
        }
    )[WHEELS.names()]
    load = np.full((1, n), mass / n * GRAVITY)
    zero = np.zeros(1)
    states = LoadStates(
        np.array(["m"]), zero, zero, zero, load, load, load, np.array(["assumed"])
    )
    size = [len(leg["easting"]) for leg in legs]
    joined = {
        key: np.concatenate([leg[key] for leg in legs])
        for key in ("easting", "northing", "heading", "time")
    }
    return WheelPaths(
        wheels=wheels,
        states=states,
        begin=np.concatenate([[0], np.cumsum(size)]),
        body_id=np.zeros(len(legs), np.int32),
        pass_id=np.arange(len(legs)),
        seconds=joined["time"],
        state=np.zeros(sum(size), np.int32),
        **joined,
    )


def leg_of(easting, northing, time):
    return {
        "easting": np.asarray(easting, float),
        "northing": np.asarray(northing, float),
        "heading": np.arctan2(np.gradient(easting), np.gradient(northing)),
        "time": np.asarray(time, float),
    }


def mapped(paths, grid):
    tray = new_tray(grid)
    events = cover(paths, grid=grid)
    inside = np.ones(grid.shape)
    count(events, paths, grid=grid, inside=inside, tray=tray)
    return tray


@pytest.mark.published(
    "Traffic intensity of 20 Mg in rows 6 m apart [Mg km/ha]",
    source="definition of I. Håkansson",
    mark="from memory",
)
def test_traffic_intensity_of_20_mg_at_6_m(published):
    # I. Håkansson's traffic intensity, mass times distance by area (from memory):
    # 20 Mg * 10 000 m / 6 m per hectare = 33.333 Mg km/ha. Ten rows 6 m apart over a
    # field 60 m wide. Tolerance: layers are float32.
    rows = 3.0 + 6.0 * np.arange(10)
    legs = [
        leg_of(np.full(2, east), [0.0, 200.0], [1e3 * k, 1e3 * k + 100])
        for k, east in enumerate(rows)
    ]
    paths = wheel_paths(legs, right=[-1.5, 1.5], width=0.7, mass=20_000.0)
    grid = FieldGrid(32615, 0.0, 200.0, 1.0, 200, 60)
    intensity = get_layer(mapped(paths, grid), "load_distance").mean()
    assert intensity == published(100.0 / 3.0, rel=1e-6)


@pytest.mark.published(
    "Traffic intensity of 5 Mg over one cell of 2 m [Mg km/ha]",
    source="definition of I. Håkansson (from memory)",
    mark="own working",
)
def test_traffic_intensity_of_one_wheel_in_one_cell(published):
    # 5 Mg over 2 m in a cell of 2 m by 2 m: 5 * 0.002 / 0.0004 = 25 Mg km/ha.
    leg = leg_of(np.ones(2), [-5.0, 10.0], [0.0, 10.0])
    paths = wheel_paths([leg], right=[0.0], width=0.6, mass=5000.0)
    grid = FieldGrid(32615, 0.0, 2.0, 2.0, 1, 1)
    tray = mapped(paths, grid)
    assert get_layer(tray, "load_distance")[0, 0] == published(25.0, rel=1e-6)


@pytest.mark.published(
    "Wheel of 0.8 m, position error 0.3 m",
    source="normal distribution",
    mark="closed form",
)
def test_expected_cover_keeps_its_area_whatever_the_position_error(published):
    # With a cross-track error sigma the chance that a point at y is under a wheel of
    # width w is Phi((y + w/2)/sigma) - Phi((y - w/2)/sigma): 0.8176 at y 0 for w 0.8,
    # sigma 0.3, and w in all when integrated over y. The mean of many shifted maps
    # must have both: the run's bias is propagated by shifting whole passes.
    width, sigma, cell = 0.8, 0.3, 0.05
    middle = cover_chance(0.0, width=width, sigma=sigma)
    assert middle == published(0.8176, abs=5e-5, of="chance on the middle line")
    grid = FieldGrid(32615, 0.0, cell, cell, 1, 80)
    shifts = sigma * norm.ppf((np.arange(200) + 0.5) / 200)
    total = np.zeros(80)
    for shift in shifts:
        leg = leg_of(np.full(2, 2.0 + shift), [-5.0, 5.0], [0.0, 10.0])
        events = cover(
            wheel_paths([leg], right=[0.0], width=width, mass=1.0), grid=grid
        )
        np.add.at(total, events.cell, events.cover / shifts.size)
    assert total.sum() * cell == published(
        width, rel=1e-9, of="chance summed across [m]"
    )
    # 200 quantiles, none beyond 2.8 sigma, and cells of 0.05 m.
    assert total[39:41].mean() == published(
        middle, abs=3e-3, of="mean of 200 maps in the middle"
    )


@pytest.mark.published(
    "Share run over of {name} [%]",
    source="printed with the data, computed by other means",
    mark="real log",
)
@pytest.mark.real
@pytest.mark.parametrize(
    ("name", "area", "share"),
    [("mo_soy_2000_1hz", 21.8, 21.6), ("mo_corn_3days_1hz", 26.4, 35.5)],
)
def test_share_run_over_on_real_yield_logs(published, shared_data, name, area, share):
    """Two bands 3.05 m apart, 0.80 m wide, 0.5 m cells; computed by other means.

    The convention that goes with the logs: a pass ends at a gap of 30 s or a turn of
    60 degrees; area [ha] and share [%] as printed with the data. Other sensible
    choices move the share by 0.3 points; 0.5 is allowed.
    """
    log = pd.read_csv(shared_data / "yield_monitor" / f"{name}.csv")
    to_utm = Transformer.from_crs(4326, 32615, always_xy=True)
    easting, northing = to_utm.transform(log["lon"].to_numpy(), log["lat"].to_numpy())
    n = len(log)
    fixes = FIXES.empty().reindex(range(n))
    fixes = fixes.assign(
        machine_id="combine",
        log_id=np.zeros(n, np.int64),
        seconds=log["gps_time_s"].astype(float),
        easting=easting,
        northing=northing,
        row=np.arange(1, n + 1),
    )
    settings = TrackSettings()
    fixes, _ = clean(fixes, boundary=None, machines={}, settings=settings)
    start, _ = breaks(fixes, machines={}, settings=settings)
    paths = wheel_paths(
        _legs(fixes, start), right=[-1.525, 1.525], width=0.80, mass=20_000.0
    )
    bounds = (
        fixes["easting"].min(),
        fixes["northing"].min(),
        fixes["easting"].max(),
        fixes["northing"].max(),
    )
    grid = FieldGrid.covering(bounds, cell=0.5, epsg=32615, margin=3.0)
    run_over = get_layer(mapped(paths, grid), "run_over").sum(dtype=float)
    got = 100 * run_over * grid.cell_area / 1e4 / area
    assert got == published(share, abs=0.5)


def _legs(fixes, start):
    """Return stretches without a gap or a turn of more than 60 degrees."""
    easting, northing = fixes["easting"].to_numpy(), fixes["northing"].to_numpy()
    step = np.hypot(np.diff(easting, prepend=np.nan), np.diff(northing, prepend=np.nan))
    keep = start | ~(step < 0.05)
    easting, northing = easting[keep], northing[keep]
    start, time = start[keep], fixes["seconds"].to_numpy()[keep]
    course = np.arctan2(
        np.diff(easting, append=np.nan), np.diff(northing, append=np.nan)
    )
    turn = np.abs(np.angle(np.exp(1j * np.diff(course, prepend=np.nan))))
    sharp = turn > np.radians(60)
    cuts = np.flatnonzero(start | sharp)
    legs = []
    for a, b in zip(cuts, [*cuts[1:], start.size], strict=True):
        # The fix at a sharp turn ends one leg and begins the next.
        end = b + 1 if b < start.size and not start[b] else b
        if end - a > 1:
            legs.append(leg_of(easting[a:end], northing[a:end], time[a:end]))
    return legs
