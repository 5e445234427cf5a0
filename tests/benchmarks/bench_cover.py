"""Cover and visits against what one would write with general libraries.

A script, not a test: python tests/benchmarks/bench_cover.py [fixes]. All runs are in
this process on one thread; only ratios within one run mean anything. The field is
invented: a square of 65 ha, straight rows 6 m apart with half turns, 10 Hz at 2 m/s, a
rig of eight wheels.
"""

from __future__ import annotations

import dataclasses
import sys
import time

import numpy as np
import pandas as pd
import rasterio.features
import rasterio.transform
import shapely

from trafficmap.core.constants import GRAVITY
from trafficmap.core.grid import FieldGrid
from trafficmap.core.layers import new_tray
from trafficmap.core.tables import WHEELS
from trafficmap.loads.paths import LoadStates, WheelPaths
from trafficmap.traffic import count, cover, inside_share, visits

SIDE = 806.0
ROWS_APART = 6.0
STEP = 0.2
EIGHT = [(f, r) for f in (0.0, -3.5, -8.0, -9.8) for r in (-1.4, 1.4)]


def field_paths(fixes: int) -> WheelPaths:
    """Return `fixes` stations of rows and turns."""
    along = np.arange(10.0, SIDE - 10.0, STEP)
    radius = ROWS_APART / 2
    turn = np.arange(0.0, np.pi, STEP / radius)
    easting, northing, heading, passes = [], [], [], []
    total = row = 0
    while total < fixes:
        east = 3.0 + ROWS_APART * (row % int((SIDE - 12) / ROWS_APART))
        up = row % 2 == 0
        easting += [np.full(along.size, east), east + radius - radius * np.cos(turn)]
        edge = along[-1] if up else along[0]
        bulge = radius * np.sin(turn)
        northing += [along if up else along[::-1], edge + (bulge if up else -bulge)]
        heading += [np.full(along.size, 0.0 if up else np.pi)]
        heading += [turn if up else np.pi - turn]
        passes += [along.size, turn.size]
        total += along.size + turn.size
        row += 1
    sizes = np.array(passes)
    load = np.full((1, 8), 4000.0 * GRAVITY)
    zero = np.zeros(1)
    wheels = pd.DataFrame(
        {
            "wheel": np.arange(8),
            "machine_id": "rig",
            "body": "rig",
            "body_id": 0,
            "axle": [f"axle {k // 2}" for k in range(8)],
            "axle_id": np.arange(8) // 2,
            "slot": np.arange(8),
            "forward": [f for f, _ in EIGHT],
            "right": [r for _, r in EIGHT],
            "width": np.full(8, 0.6),
            "diameter": np.full(8, 1.6),
            "kind": "tyre",
            "contact_length": np.full(8, np.nan),
            "rollers": 0,
            "pressure": np.full(8, 1e5),
            "pressure_assumed": False,
            "contact_area": np.nan,
            "contact_slope": np.nan,
        }
    )[WHEELS.names()]
    moment = np.arange(sizes.sum()) * 0.1
    return WheelPaths(
        wheels=wheels,
        states=LoadStates(
            np.array(["rig"]), zero, zero, zero, load, load, load, np.array(["assumed"])
        ),
        begin=np.concatenate([[0], np.cumsum(sizes)]),
        body_id=np.zeros(sizes.size, np.int32),
        pass_id=np.arange(sizes.size),
        easting=np.concatenate(easting),
        northing=np.concatenate(northing),
        heading=np.concatenate(heading),
        time=moment,
        seconds=moment,
        state=np.zeros(sizes.sum(), np.int32),
    )


def timed(call, repeats: int = 3):
    """Return the best time and the result."""
    best, result = np.inf, None
    for _ in range(repeats):
        begin = time.perf_counter()
        result = call()
        best = min(best, time.perf_counter() - begin)
    return best, result


def buffer_and_rasterize(paths: WheelPaths, grid: FieldGrid, upto: int) -> np.ndarray:
    """Return how often cell centres were run over, a buffer a segment and wheel."""
    f = np.column_stack([np.sin(paths.heading), np.cos(paths.heading)])[:upto]
    place = np.column_stack([paths.easting, paths.northing])[:upto]
    transform = rasterio.transform.Affine(*grid.transform)
    out = np.zeros(grid.shape, dtype=np.uint32)
    for forward, right in EIGHT:
        wheel = place + forward * f + right * np.column_stack([f[:, 1], -f[:, 0]])
        lines = shapely.linestrings(np.stack([wheel[:-1], wheel[1:]], axis=1))
        strips = shapely.buffer(lines, 0.3, cap_style="flat")
        rasterio.features.rasterize(
            ((strip, 1) for strip in strips if not strip.is_empty),
            out=out,
            transform=transform,
            merge_alg=rasterio.enums.MergeAlg.add,
        )
    return out


def first_stations(paths: WheelPaths, upto: int) -> WheelPaths:
    """Return the paths up to a station, for the same work in both runs."""
    whole = int(np.searchsorted(paths.begin, upto, side="right")) - 1
    begin = np.append(paths.begin[: whole + 1], upto)
    begin = np.unique(begin)
    names = ("easting", "northing", "heading", "time", "seconds", "state")
    return dataclasses.replace(
        paths,
        begin=begin,
        body_id=paths.body_id[: begin.size - 1],
        pass_id=paths.pass_id[: begin.size - 1],
        **{name: getattr(paths, name)[:upto] for name in names},
    )


def main(fixes: int) -> None:
    """Print times of our own steps and ratios to the others."""
    grid = FieldGrid(32615, 0.0, SIDE, 1.0, int(SIDE), int(SIDE))
    cover(first_stations(field_paths(9000), 9000), grid=grid)  # compile
    visits(first_stations(field_paths(9000), 9000), grid=grid, reach=1.0)
    for subset in (20_000, 40_000):
        part = first_stations(field_paths(subset), subset)
        ours, _ = timed(lambda part=part: cover(part, grid=grid))
        theirs, _ = timed(
            lambda part=part, n=subset: buffer_and_rasterize(part, grid, n), 1
        )
        print(
            f"{subset} fixes: buffer a segment + rasterize takes "
            f"{theirs / ours:.0f} times as long as exact cover"
        )
    whole = np.ones(grid.shape)
    paths = field_paths(fixes)
    noisy = np.random.default_rng(1).normal(0, 0.01, (2, paths.easting.size))
    rough = dataclasses.replace(
        paths, easting=paths.easting + noisy[0], northing=paths.northing + noisy[1]
    )
    for name, drive in (("smooth", paths), ("1 cm of noise", rough)):
        took, events = timed(lambda drive=drive: cover(drive, grid=grid))
        print(
            f"{paths.easting.size} fixes x 8 wheels, {name}: cover {took:.2f} s, "
            f"{events.cell.size} events, {events.cell.size / took / 1e6:.1f} M/s"
        )
        took, found = timed(lambda drive=drive: visits(drive, grid=grid, reach=1.0))
        print(
            f"  visits within 1 m: {took:.2f} s, {found.cell.size} visits, "
            f"{found.cell.size / took / 1e6:.1f} M/s"
        )
        took, _ = timed(
            lambda drive=drive, events=events: count(
                events, drive, grid=grid, inside=whole, tray=new_tray(grid)
            )
        )
        print(f"  count: {took:.2f} s")
    blob = shapely.Point(SIDE / 2, SIDE / 2).buffer(SIDE / 2 - 5, quad_segs=200)
    took, _ = timed(lambda: inside_share(blob, grid=grid))
    print(f"inside share of {blob.area / 1e4:.0f} ha: {took * 1000:.0f} ms")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
