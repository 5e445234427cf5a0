"""Make an invented Result of about 5 ha with one zone of every kind of advice."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import geopandas as gpd
import msgspec
import numpy as np
import pandas as pd
import shapely

from trafficmap.core import tables
from trafficmap.core.constants import COMPUTE_DEPTHS
from trafficmap.core.grid import FieldGrid
from trafficmap.core.layers import new_tray, put_layer
from trafficmap.core.notes import Note
from trafficmap.core.settings import Settings
from trafficmap.field.model import Crop, Field, LogSource, Prices, SoilMap, Tile, Tool
from trafficmap.loads.paths import LoadStates, WheelPaths
from trafficmap.plan import When
from trafficmap.traffic.events import PassEvents, Visits

EPSG = 32615
WEST, SOUTH = 448_600.0, 4_653_100.0
WIDTH, HEIGHT = 260.0, 200.0
START = pd.Timestamp("2026-10-14T15:00:00Z")
HOSTILE = '<script>alert(1)</script> & "Ditch" ${x} `y`'


class Machine(msgspec.Struct, frozen=True):
    """Stands in for a machine: what outputs read of one."""

    id: str
    class_name: str
    label: str


@dataclass(frozen=True)
class Result:
    """The same attributes as the Result of the line."""

    field: Field
    settings: Settings
    grid: FieldGrid
    tray: Any
    fixes: pd.DataFrame
    passes: pd.DataFrame
    paths: WheelPaths
    events: PassEvents
    visits: Visits
    soil: Any
    strength: Any
    columns: Any
    profiles: Any
    zones: gpd.GeoDataFrame
    plan: pd.DataFrame
    stops: gpd.GeoDataFrame
    totals: dict = field(default_factory=dict)
    notes: list = field(default_factory=list)
    carrying: Any = None
    nights: Any = None
    driven: Any = None
    axles: Any = None
    ledger: Any = None
    resets: Any = None
    draws: Any = None
    gaps: Any = None
    sessions: Any = None
    odds: Any = None
    when: Any = None
    ahead: Any = None
    fit: Any = None
    price: Any = None
    units: Any = None


def make_result(
    *, name: str = "Ditch sixty", units: str = "us", cell: float = 2.0, **changes
):
    """Return a Result; keyword arguments replace its attributes."""
    boundary = _place(
        shapely.Polygon([(0, 0), (WIDTH, 0), (WIDTH, 150), (225, HEIGHT), (0, HEIGHT)])
    )
    grid = FieldGrid.covering(boundary.bounds, cell=cell, epsg=EPSG, margin=4)
    inside = _inside(boundary, grid)
    passes, lanes = _passes()
    paths = _paths()
    events, visits = _events(grid, inside, lanes)
    tray = new_tray(grid)
    zones = _zones(boundary)
    strength, columns = _strength(grid)
    _fill_tray(tray, grid, inside, events, paths, zones)
    result = Result(
        field=_field(name, units, boundary, zones),
        settings=Settings(),
        grid=grid,
        tray=tray,
        fixes=_fixes(),
        passes=passes,
        paths=paths,
        events=events,
        visits=visits,
        soil=None,
        strength=strength,
        columns=columns,
        profiles=_profiles(paths),
        zones=zones,
        plan=_plan(),
        stops=_stops(zones),
        totals={
            "run_over_share": 0.41,
            "mass_in_kg": np.float64(54_000.0),
            "gap": np.nan,
        },
        notes=[
            Note(
                "soil.assumed", "check", "The soil was taken as silty clay.", 1, "field"
            ),
            Note("tracks.jump", "info", "12 fixes dropped: the position jumped.", 12),
            Note(
                "soil.no_water",
                "stop",
                "No weather before 2 Oct: risk is missing there.",
            ),
        ],
    )
    return replace(result, **changes) if changes else result


def _place(shape):
    return shapely.transform(shape, lambda xy: xy + np.array([WEST, SOUTH]))


def _inside(boundary, grid) -> np.ndarray:
    easting, northing = np.meshgrid(*grid.centres())
    return shapely.contains_xy(boundary, easting, northing).astype(np.float32)


def _field(name, units, boundary, zones) -> Field:
    folder = Path("/nowhere/farm/ditch")
    logs = tuple(
        LogSource(
            k, folder / f"{mid}.csv", "", mid, "delimited text", digit * 64, 120, "utc"
        )
        for k, (mid, digit) in enumerate((("combine", "a"), ("cart", "b")))
    )
    units_map = gpd.GeoDataFrame(
        {
            "soil_unit": ["A"],
            "name": ["invented clay"],
            "texture": ["silty clay"],
            "drained": [True],
        },
        geometry=[boundary],
        crs=EPSG,
    )
    horizons = pd.DataFrame(
        {
            "soil_unit": ["A"],
            "share": [1.0],
            "top": [0.0],
            "bottom": [1.5],
            "sand": [0.1],
            "clay": [0.45],
            "organic_matter": [0.03],
            "bulk_density": [np.nan],
        }
    )
    return Field(
        name=name, season=2026, folder=folder, invented=True, epsg=EPSG,
        boundary=boundary, area=float(zones["area"].sum()), time_zone="America/Chicago",
        units=units, logs=logs, fixes=tables.FIXES.empty(),
        machines={
            "combine": Machine("combine", "combine_large", "combine, 12-row"),
            "cart": Machine("cart", "tractor_articulated", "grain cart <b>&"),
        },
        soil=SoilMap(units_map, horizons, assumed=True), weather=None,
        crop=Crop(now="corn", next="corn", harvested="2026-10-20"),
        liquid=tables.LIQUID.empty(),
        obstacles=gpd.GeoDataFrame(geometry=[], crs=EPSG),
        tile=Tile("known", 0.9), tools=(Tool("ripper", 5.33, 7, 0.25, 0.46),),
        prices=Prices("USD", 0.00667), dug=tables.DUG.empty(), rows_heading=0.0,
        inputs=(
            {"name": "combine.csv", "sha256": "a" * 64, "bytes": 4096},
            {"name": "field.toml", "sha256": "c" * 64, "bytes": 812},
        ),
    )  # fmt: skip


def _passes():
    """Six lanes of the combine, one lane of the cart; north and south in turn."""
    lanes = [(k, "combine", 20.0 + 40.0 * k) for k in range(6)] + [(6, "cart", 60.0)]
    rows, shapes = [], []
    for k, machine, east in lanes:
        start = START + pd.Timedelta(minutes=12 * k)
        rows.append(
            (k, machine, 0 if machine == "combine" else 1,
             "working" if machine == "combine" else "hauling",
             start, start + pd.Timedelta(minutes=4), 0, 1, HEIGHT, False)
        )  # fmt: skip
        shapes.append(_place(shapely.LineString([(east, 2), (east, HEIGHT - 30)])))
    frame = pd.DataFrame(rows, columns=tables.PASSES.names())
    for column in ("start", "end"):
        frame[column] = frame[column].astype("datetime64[ms, UTC]")
    return gpd.GeoDataFrame(frame, geometry=shapes, crs=EPSG), lanes


def _fixes() -> pd.DataFrame:
    end = START + pd.Timedelta(hours=2)
    return pd.DataFrame({"time": pd.to_datetime([START, end], utc=True)})


def _paths() -> WheelPaths:
    """Combine: axles 0 and 1; cart: axle 2. Wheel loads rise with the state."""
    rows = []
    for axle_id, machine, body, axle, gauge in (
        (0, "combine", "combine", "front", 3.2),
        (1, "combine", "combine", "rear", 2.8),
        (2, "cart", "grain_cart_single", "cart", 3.0),
    ):
        for side in (-1, 1):
            slot = 2 * (axle_id % 2 if machine == "combine" else 0) + (side > 0)
            rows.append(
                (len(rows), machine, body, int(machine == "cart"), axle, axle_id,
                 int(slot), 0.0, side * gauge / 2, 0.8, 1.9, "tyre", np.nan, 0,
                 200e3, machine == "cart", np.nan, np.nan)
            )  # fmt: skip
    wheels = pd.DataFrame(rows, columns=tables.WHEELS.names())
    nan = np.nan
    load = np.array(
        [[60e3, 60e3, 30e3, 30e3], [80e3, 80e3, 35e3, 35e3], [110e3, 110e3, nan, nan]]
    )
    states = LoadStates(
        machine_id=np.array(["combine", "combine", "cart"]),
        payload_low=np.array([0.0, 4e3, 18e3]),
        payload=np.array([0.0, 5e3, 20e3]),
        payload_high=np.array([0.0, 6e3, 22e3]),
        load_low=load * 0.9,
        load=load,
        load_high=load * 1.1,
        source=np.array(["signal", "signal", "assumed"]),
    )
    empty = np.array([])
    return WheelPaths(
        wheels=wheels, states=states, begin=np.array([0]),
        body_id=np.array([], dtype=np.int32), pass_id=np.array([], dtype=np.int64),
        easting=empty, northing=empty, heading=empty, time=empty, seconds=empty,
        state=np.array([], dtype=np.int32),
    )  # fmt: skip


def _events(grid, inside, lanes):
    """Return events and visits of wheels that drive straight north."""
    axles = {"combine": ((0, 3.2), (1, 2.8)), "cart": ((2, 3.0),)}
    easting, northing = grid.centres()
    rows_e, rows_v = [], []
    for k, machine, lane in lanes:
        for axle_id, gauge in axles[machine]:
            first_wheel = 2 * axle_id
            state = 2 if machine == "cart" else min(1, k % 2)
            for row in range(grid.rows):
                if not 2 <= northing[row] - SOUTH <= HEIGHT - 30:
                    continue
                time = START.timestamp() + 720.0 * k + (northing[row] - SOUTH)
                for side in (0, 1):
                    place = WEST + lane + (side - 0.5) * gauge
                    cell = int(grid.cell_index(place, northing[row]))
                    rows_e.append((cell, time, k, first_wheel + side, state))
                for col in np.flatnonzero(np.abs(easting - WEST - lane) < 4.0):
                    offset = easting[col] - WEST - lane
                    rows_v.append(
                        (row * grid.cols + col, time, k, axle_id, state, offset)
                    )
    events = pd.DataFrame(rows_e, columns=["cell", "time", "pass", "wheel", "state"])
    events = events.sort_values(["cell", "time", "pass", "wheel"], kind="stable")
    visits = pd.DataFrame(
        rows_v, columns=["cell", "time", "pass", "axle", "state", "offset"]
    ).sort_values(["cell", "time", "pass", "axle"], kind="stable")

    def starts(cells):
        return np.searchsorted(cells, np.arange(grid.size + 1)).astype(np.int64)

    return (
        PassEvents(
            cell=events["cell"].to_numpy(np.int64),
            wheel=events["wheel"].to_numpy(np.int32),
            pass_id=events["pass"].to_numpy(np.int64),
            state=events["state"].to_numpy(np.int32),
            time=events["time"].to_numpy(float),
            cover=np.full(len(events), 0.4, np.float32),
            distance=np.full(len(events), grid.cell, np.float32),
            cell_start=starts(events["cell"].to_numpy()),
        ),
        Visits(
            cell=visits["cell"].to_numpy(np.int64),
            axle_id=visits["axle"].to_numpy(np.int32),
            pass_id=visits["pass"].to_numpy(np.int64),
            state=visits["state"].to_numpy(np.int32),
            time=visits["time"].to_numpy(float),
            offset=visits["offset"].to_numpy(np.float32),
            heading=np.zeros(len(visits), np.float32),
            cell_start=starts(visits["cell"].to_numpy()),
        ),
    )


def _strength(grid):
    hours = np.arange(START.timestamp() - 3600, START.timestamp() + 4 * 3600, 3600.0)
    shape = (hours.size, 1, len(COMPUTE_DEPTHS))
    strength = SimpleNamespace(
        times=hours,
        ln_strength=np.full(shape, np.log(90e3)),
        ln_spread=np.full(shape, 0.3),
        theta=np.full(shape, 0.37),
        suction=np.full(shape, 20e3),
    )
    return strength, SimpleNamespace(column_of_cell=np.zeros(grid.size, np.int32))


def _profiles(paths):
    """Return triangular stress profiles, 4 m to each side, falling with depth."""
    offsets = np.arange(-4.0, 4.0001, 0.025)
    fall = 1.0 - np.arange(len(COMPUTE_DEPTHS)) / 8.0
    peak = np.array([150e3, 200e3, 260e3])
    stress = (
        peak[:, None, None] * np.maximum(0, 1 - np.abs(offsets) / 4.0)[None, :, None]
    )
    row_of = np.full((3, 3), -1, dtype=np.int32)
    row_of[0, 0] = row_of[1, 0] = 0
    row_of[0, 1] = row_of[1, 1] = 1
    row_of[2, 2] = 2
    return SimpleNamespace(
        stress=stress * fall, first_offset=-4.0, step=0.025, row_of=row_of,
        wheel_load=np.array([60e3, 80e3, 110e3]), nu=4.5,
    )  # fmt: skip


def _zones(boundary) -> gpd.GeoDataFrame:
    """Cut the field into one piece of every kind; together they fill it."""
    box = shapely.box
    strip, middle = box(24, 30, 30, 170), box(110, 30, 190, 170)
    pond = shapely.Point(150, 90).buffer(9)
    pieces = [
        (1, "body", "rip", "D5", 14 * 0.0254, box(0, 30, 60, 170).difference(strip)),
        (2, "body", "rip", "D5", 16 * 0.0254, box(60, 30, 110, 170)),
        (3, "strip", "leave", "D20", np.nan, strip),
        (4, "body", "probe first", "D2", np.nan, middle.difference(pond)),
        (5, "keep_out", "keep out", "D17", np.nan, pond),
        (6, "end_rows", "wait", "D6", np.nan, box(0, 0, 260, 30)),
        (7, "end_rows", "level ruts only", "D3", np.nan, box(0, 170, 260, 200)),
        (8, "body", "manage", "D7", np.nan, box(190, 30, 225, 100)),
        (9, "body", "not assessed", "D22", np.nan, box(190, 100, 260, 170)),
        (0, "rest", "leave", "D1", np.nan, box(225, 30, 260, 100)),
    ]  # fmt: skip
    shapes = [_place(shape).intersection(boundary) for *_, shape in pieces]
    frame = pd.DataFrame(
        {
            "zone": [p[0] for p in pieces],
            "kind": [p[1] for p in pieces],
            "advice": [p[2] for p in pieces],
            "row": [p[3] for p in pieces],
            "depth": [p[4] for p in pieces],
            "layer_bottom": [0.33, 0.38] + [np.nan] * 8,
            "risk": ["likely", "very likely", "possible", "likely", "unlikely",
                     "possible", "possible", "likely", "not assessed", "unlikely"],
            "probability": [0.72, 0.86, 0.3, 0.55, 0.1, 0.4, 0.4, 0.7, np.nan, 0.08],
            "probed": ["confirmed", "confirmed"] + ["none"] * 8,
            "fit": ["shatters", "shatters"] + ["unknown"] * 8,
            "area": [shape.area for shape in shapes],
            "run_over": [0.5, 0.6, 0.5, 0.4, 0.0, 0.7, 0.7, 0.2, 0.3, 0.1],
            "passes": [3.0, 4.0, 3.0, 2.0, 0.0, 6.0, 6.0, 1.0, 1.0, 1.0],
            "heaviest_axle": [22_400.0] * 8 + [np.nan, 9_000.0],
            "reason": ["a loaded cart passed while the soil was near field capacity",
                       "the cart crossed four times and the layer was found at 15 in",
                       "kept as it is to compare with", "the model cannot settle it",
                       "a buried line runs here", "the soil smears at depth",
                       "ruts deeper than 3 in, no layer below",
                       "the layer lies below 16 in, no tool reaches it",
                       "the axle load is not known",
                       "damage below the topsoil is unlikely"],
            "further": [""] * 9 + ["it does not pay"],
        }
    )  # fmt: skip
    return gpd.GeoDataFrame(frame, geometry=shapes, crs=EPSG)


def _plan() -> pd.DataFrame:
    return pd.DataFrame(
        [
            (1, 2, "rip", "ripper", 0.4064, 7000.0, 3000.0, 3600.0, 4500.0,
             0.02, 0.025, 0.03, 46.7, -5.0, 12.0, 31.0, "largest gain an hour"),
            (2, 1, "rip", "ripper", 0.3556, 7560.0, 3000.0, 3700.0, 4600.0,
             0.02, 0.025, 0.03, 50.4, -9.0, 9.0, 28.0, "=then the rest"),
        ],
        columns=tables.PLAN.names(),
    )  # fmt: skip


def _stops(zones) -> gpd.GeoDataFrame:
    west, south, _, _ = zones.geometry[3].bounds
    points = [shapely.Point(west + 15 + 25 * k, south + 40 + 20 * k) for k in range(3)]
    return gpd.GeoDataFrame(
        {"stop": [1, 2, 3], "zone": [4, 4, 4], "point": ["4-1", "4-2", "4-3"]},
        geometry=points, crs=EPSG,
    )  # fmt: skip


def _fill_tray(tray, grid, inside, events, paths, zones) -> None:
    outside = inside == 0
    n_passes = np.zeros(grid.size, dtype=np.int64)
    pairs = np.unique(np.column_stack([events.cell, events.pass_id]), axis=0)
    np.add.at(n_passes, pairs[:, 0], 1)
    n_passes = n_passes.reshape(grid.shape)
    axle = np.zeros(grid.size)
    slot = paths.wheels["slot"].to_numpy()[events.wheel]
    np.maximum.at(axle, events.cell, 2 * paths.states.load[events.state, slot] / 9.81)
    axle = axle.reshape(grid.shape)
    put_layer(tray, "inside", inside)
    put_layer(
        tray, "run_over", np.where(outside, np.nan, np.minimum(1, n_passes * 0.4))
    )
    put_layer(tray, "passes", np.where(outside, 65535, n_passes))
    put_layer(tray, "heaviest_axle", np.where(outside, np.nan, axle))
    put_layer(tray, "load_distance", np.where(outside, np.nan, axle / 150.0))
    row, col = np.indices(grid.shape)
    wave = 0.5 + 0.5 * np.sin(row / 9.0) * np.cos(col / 14.0)
    under = np.where(n_passes > 0, 0.35 + 0.65 * wave, wave * 0.4)
    probability = np.stack(
        [np.clip(under * f, 0, 1) for f in (1.1, 1, 0.8, 0.5, 0.3, 0.2)]
    )
    east = (grid.centres()[0] - WEST > 190)[None, :] & (row < grid.rows / 2)
    probability[:, east] = np.nan
    probability[:, outside] = np.nan
    classes = 1 + (probability >= 0.2) + (probability >= 0.5) + (probability > 0.8)
    classes = np.where(np.isnan(probability), 5, classes)
    classes[:, outside] = 255
    stress = np.where(np.isnan(probability), np.nan, probability * 180e3)
    put_layer(tray, "probability", probability)
    put_layer(tray, "damaged_share", probability * 0.4)
    put_layer(tray, "stress", stress)
    put_layer(tray, "strength", np.where(np.isnan(probability), np.nan, 90e3))
    put_layer(tray, "risk", classes)
    put_layer(tray, "risk_worst", classes[1])
    put_layer(tray, "rut", classes[0])
    middle = (probability[1] >= 0.35) & (probability[1] <= 0.65)
    put_layer(tray, "undecided", np.where(outside, 255, middle))
    number = np.full(grid.shape, -1, dtype=np.int64)
    easting, northing = np.meshgrid(*grid.centres())
    for zone, shape in zip(zones["zone"], zones.geometry, strict=True):
        number[shapely.contains_xy(shape, easting, northing)] = zone
    put_layer(tray, "zone", number)
    depth = {1: 356, 2: 406}
    work = np.vectorize(lambda z: depth.get(int(z), 0))(number)
    put_layer(tray, "work_depth", np.where(outside, -32768, work))


_WINDOW = {
    "lasts": False, "carries_why": "", "tip_depth": 0.33, "worst_depth": 0.25,
    "p_fit_low": 0.4, "p_fit_high": 0.6, "frozen": 0.0, "rain": 0.0,
}  # fmt: skip


def _windows_of(zone):
    return [
        _WINDOW | {"zone": zone, "start": "2026-11-21T00:00-06:00",
                  "end": "2026-11-22T00:00-06:00", "hours": 24.0, "verdict": "not fit",
                  "shatters": "too wet", "carries": "carries",
                  "shatters_why": "too wet at 10 in (25 cm): it would smear"},
        _WINDOW | {"zone": zone, "start": "2026-11-22T00:00-06:00",
                  "end": "2026-11-22T09:00-06:00", "hours": 9.0, "verdict": "fit",
                  "shatters": "shatters", "carries": "carries", "shatters_why": "",
                  "lasts": True},
    ]  # fmt: skip


def make_ahead() -> dict:
    """Return hours ahead, frozen nights and odds as attributes of a Result."""
    zone = {
        "kind": "body", "job": "deep work", "tip_depth": 0.33,
        "fit_hours": 9.0, "test_hours": 0.0,
        "first": "2026-11-22T00:00-06:00", "carry_hours": 33.0, "closed": False,
        "shatter": "Will it shatter to 13 in (33 cm)? Yes 22 Nov.",
        "carry": "Will it carry? Yes through the whole forecast.",
        "look": "Look next on 22 Nov: it looks fit.",
    }  # fmt: skip
    rows = pd.DataFrame(
        [
            {"zone": 1} | zone,
            {"zone": 2} | zone,
            {"zone": 3} | zone | {"kind": "end_rows", "look": "Look on 25 Nov."},
        ]
    )
    table = pd.DataFrame([row for z in (1, 2, 3) for row in _windows_of(z)])
    when = When(
        tables.require_table(table[tables.WINDOWS.names()], tables.WINDOWS),
        tables.require_table(rows[tables.WHEN.names()], tables.WHEN),
        "2026-11-22T09:00-06:00",
    )
    nights = pd.DataFrame(
        [
            {
                "start": "2026-11-22T03:00-06:00", "end": "2026-11-22T08:00-06:00",
                "depth_start_m": 0.011, "depth_end_m": 0.024, "depth_most_m": 0.026,
                "lasts": False, "ground": "frozen crust",
                "unfrozen_state": "moist, smears", "word": "may rut",
                "crust_kg": 59.0, "crust_word": "does not carry",
                "soil_unit": "clay", "most_liquid": liquid, "unit_index": 0,
                "column": 0,
            }
            for liquid in (False, True)
        ]
    )  # fmt: skip
    odds = pd.DataFrame(
        {
            "soil_unit": "clay", "tip_depth": 0.33,
            "day": [f"2026-11-{d}" for d in range(21, 30)], "years": 20,
            "fit": range(9, 0, -1), "share": [k / 20 for k in range(9, 0, -1)],
            "share_low": 0.1, "share_high": 0.6, "from_now": 1, "from_now_share": 0.05,
        }
    )  # fmt: skip
    return {
        "when": when,
        "nights": tables.require_table(nights, tables.NIGHTS),
        "odds": tables.require_table(odds, tables.ODDS),
    }
