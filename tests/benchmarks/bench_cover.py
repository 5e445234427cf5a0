"""Cover, overlaps and visits against what one would write with general libraries.

A script, not a test: python tests/benchmarks/bench_cover.py [fixes]. All runs are in
this process, and what is compared is on one thread; only ratios within one run mean
anything. The field is invented: a square of 65 ha, straight rows 6 m apart with half
turns, 10 Hz at 2 m/s, a rig of eight wheels. Rows run along the cells, or 27 degrees
across them: long slanting strips lie in boxes that are mostly empty.

Printed are
* how many times as long a buffer a segment, put on the cells by their centres, takes;
* how many times as long exact coverage fractions by exactextract take, for the swept
  polygon of each wheel in each pass, whole and cut into short ones; making the
  polygons is not counted;
* the largest difference between these fractions and ours. The library walks the box
  around each polygon; on rows along the cells that box is the strip itself, so there it
  takes only a few times as long;
* seconds by number of fixes and by number of wheels, which grow no faster than they;
* the peak memory of the process.
"""

from __future__ import annotations

import dataclasses
import itertools
import os
import resource
import sys
import time

import exactextract
import exactextract.raster
import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio.features
import rasterio.transform
import shapely
from scipy.ndimage import binary_dilation

from trafficmap.core.constants import GRAVITY
from trafficmap.core.grid import FieldGrid
from trafficmap.core.layers import new_tray
from trafficmap.core.tables import WHEELS
from trafficmap.loads.paths import LoadStates, WheelPaths
from trafficmap.traffic import count, cover, inside_share, overlap, visits

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
    """Return the best time and the result.

    Time of the process and not of the clock on the wall: others may be at work on the
    same machine.
    """
    best, result = np.inf, None
    for _ in range(repeats):
        begin = time.process_time()
        result = call()
        best = min(best, time.process_time() - begin)
    return best, result


def turned(paths: WheelPaths, degrees: float) -> WheelPaths:
    """Return the paths turned about the middle of the field."""
    angle = np.radians(degrees)
    x, y = paths.easting - SIDE / 2, paths.northing - SIDE / 2
    return dataclasses.replace(
        paths,
        easting=SIDE / 2 + np.cos(angle) * x + np.sin(angle) * y,
        northing=SIDE / 2 - np.sin(angle) * x + np.cos(angle) * y,
        heading=paths.heading + angle,
    )


def swept_polygons(paths: WheelPaths, every: int = 10**9) -> gpd.GeoDataFrame:
    """Return the polygon every wheel sweeps in every pass, cut each so many fixes."""
    rows = []
    pieces = [
        (p, slice(k, min(k + every, end - 1) + 1))
        for p, (begin, end) in enumerate(itertools.pairwise(paths.begin))
        for k in range(begin, end - 1, every)
    ]
    for p, here in pieces:
        f = np.column_stack([np.sin(paths.heading[here]), np.cos(paths.heading[here])])
        place = np.column_stack([paths.easting[here], paths.northing[here]])
        for w, (forward, right) in enumerate(EIGHT):
            wheel = place + forward * f + right * np.column_stack([f[:, 1], -f[:, 0]])
            line = shapely.LineString(wheel)
            shape = line.buffer(0.3, cap_style="flat", join_style="mitre")
            rows.append((int(paths.pass_id[p]), w, shape))
    frame = pd.DataFrame(rows, columns=["pass_id", "wheel", "geometry"])
    return gpd.GeoDataFrame(frame, geometry="geometry", crs=32615)


def fractions(polygons: gpd.GeoDataFrame, grid: FieldGrid) -> pd.DataFrame:
    """Return cells and exact coverage fractions of every polygon, by exactextract."""
    west, south, east, north = grid.bounds
    raster = exactextract.raster.NumPyRasterSource(
        np.ones(grid.shape), xmin=west, ymin=south, xmax=east, ymax=north,
        srs_wkt=polygons.crs.to_wkt(),
    )  # fmt: skip
    return exactextract.exact_extract(
        raster, polygons, ["cell_id", "coverage"], output="pandas"
    )


def against_exactextract(
    name: str, paths: WheelPaths, grid: FieldGrid, every: int = 10**9
) -> None:
    """Print how long exactextract takes for the same strips, and the difference."""
    ours, events = timed(lambda: cover(paths, grid=grid))
    polygons = swept_polygons(paths, every)
    theirs, found = timed(lambda: fractions(polygons, grid), 1)
    cell = np.concatenate(found["cell_id"].to_numpy()).astype(np.int64)
    share = np.concatenate(found["coverage"].to_numpy())
    size = found["cell_id"].map(len).to_numpy()
    turn = np.repeat(polygons["pass_id"].to_numpy() % 2 == 1, size)
    a = np.bincount(cell, weights=share, minlength=grid.size)
    b = np.bincount(events.cell, events.cover, minlength=grid.size)
    # In turns the strips of the two are joined up in another way.
    near = np.zeros(grid.size, dtype=bool)
    near[cell[turn]] = True
    near[events.cell[events.pass_id % 2 == 1]] = True
    near = binary_dilation(near.reshape(grid.shape), iterations=2)
    straight = ~near.ravel()
    print(
        f"  exactextract {exactextract.__version__}, cell_id and coverage, {name}: "
        f"{theirs / ours:.0f} times as long for {len(polygons)} polygons; outside "
        f"turns they differ by at most {np.abs(a - b)[straight].max():.1e} of a cell"
    )


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


def with_wheels(paths: WheelPaths, number: int) -> WheelPaths:
    """Return the paths of a rig of another number of wheels."""
    take = np.resize(np.arange(8), number)
    wheels = paths.wheels.iloc[take].reset_index(drop=True)
    wheels = wheels.assign(
        wheel=np.arange(number),
        slot=np.arange(number),
        axle_id=np.arange(number) // 2,
        forward=wheels["forward"] - 1.7 * (np.arange(number) // 8),
    )
    load = np.resize(paths.states.load, (1, number))
    states = dataclasses.replace(paths.states, load_low=load, load=load, load_high=load)
    return dataclasses.replace(paths, wheels=wheels, states=states)


def grows(grid: FieldGrid, fixes: int) -> None:
    """Print seconds by number of fixes and by number of wheels."""
    print("cover, seconds by fixes (8 wheels) and by wheels:")
    for share in (0.125, 0.25, 0.5, 1.0):
        paths = field_paths(int(fixes * share))
        took, events = timed(lambda paths=paths: cover(paths, grid=grid))
        n = paths.easting.size
        print(
            f"  {n:9d} fixes {took:6.2f} s  {took / n * 1e6:.2f} us a fix, "
            f"{events.cell.size / n:.2f} events a fix"
        )
    base = first_stations(field_paths(fixes), fixes // 2)
    for number in (2, 4, 8, 16):
        paths = with_wheels(base, number)
        took, events = timed(lambda paths=paths: cover(paths, grid=grid))
        print(
            f"  {number:9d} wheels {took:5.2f} s  {1000 * took / number:.0f} ms a "
            f"wheel, {events.cell.size / number / 1000:.0f} k events a wheel"
        )


def peak_memory() -> float:
    """Return the peak memory of this process [MB]."""
    to_mb = 1e-6 if sys.platform == "darwin" else 1024e-6
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * to_mb


def main(fixes: int) -> None:
    """Print times of our own steps and ratios to the others."""
    grid = FieldGrid(32615, 0.0, SIDE, 1.0, int(SIDE), int(SIDE))
    small = first_stations(field_paths(9000), 9000)
    cover(small, grid=grid)  # compile
    visits(small, grid=grid, reach=1.0)
    whole = np.ones(grid.shape)
    overlap(cover(small, grid=grid), small, grid=grid, inside=whole)
    paths = field_paths(fixes)
    took, events = timed(lambda: cover(paths, grid=grid))
    before = peak_memory()
    print(
        f"{paths.easting.size} fixes x 8 wheels on 1 m: cover {took:.2f} s, "
        f"{events.cell.size} events, peak memory {before:.0f} MB"
    )
    laid, _ = timed(lambda: overlap(events, paths, grid=grid, inside=whole), 1)
    print(
        f"  what they cover together, who was first, how often: {laid:.2f} s of "
        f"processor on {os.cpu_count()} threads, peak memory {peak_memory():.0f} MB"
    )
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
    part = first_stations(field_paths(40_000), 40_000)
    against_exactextract("rows along the cells", part, grid)
    for angle in (2.0, 27.0):
        slant = turned(part, angle)
        name = f"rows {angle:.0f} degrees across"
        against_exactextract(name, slant, grid)
        against_exactextract(f"{name}, cut each 20 m", slant, grid, 100)
    grows(grid, fixes)
    noisy = np.random.default_rng(1).normal(0, 0.01, (2, paths.easting.size))
    rough = dataclasses.replace(
        paths, easting=paths.easting + noisy[0], northing=paths.northing + noisy[1]
    )
    for name, drive in (("smooth", paths), ("1 cm of noise", rough)):
        took, events = timed(lambda drive=drive: cover(drive, grid=grid), 2)
        print(
            f"{name}: cover {took:.2f} s, "
            f"{events.cell.size} events, {events.cell.size / took / 1e6:.1f} M/s"
        )
        took, found = timed(lambda drive=drive: visits(drive, grid=grid, reach=1.0), 2)
        print(
            f"  visits within 1 m: {took:.2f} s, {found.cell.size} visits, "
            f"{found.cell.size / took / 1e6:.1f} M/s"
        )
        took, _ = timed(
            lambda drive=drive, events=events: count(
                events, drive, grid=grid, inside=whole, tray=new_tray(grid)
            ),
            2,
        )
        print(f"  count with what they cover together: {took:.2f} s of processor")
    blob = shapely.Point(SIDE / 2, SIDE / 2).buffer(SIDE / 2 - 5, quad_segs=200)
    took, _ = timed(lambda: inside_share(blob, grid=grid))
    print(f"inside share of {blob.area / 1e4:.0f} ha: {took * 1000:.0f} ms")
    print(f"peak memory of all: {peak_memory():.0f} MB")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
