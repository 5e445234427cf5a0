"""Stress on a whole field against direct superposition and a stamped 2-D table.

A script, not a test: python tests/benchmarks/bench_stress.py [fixes]. All runs are in
this process on one thread; only ratios within one run mean anything. The field is
invented: 65 ha, straight rows 6 m apart with half turns, 10 Hz at 2 m/s, a rig of eight
wheels, cells of 1 m, the four depths a person sees.

Ours: profiles of every load state, visits of axles to cells, and for each cell the
largest stress and the mean over the square, at the places the risk room looks at.
Direct: every cell in 4 by 4 places, every fix near by, every wheel in 7 by 7 pieces;
finding the fixes near by is given to it free. Stamped: a table of the whole rig, in
2.5 cm steps along and across, laid at every fix, largest value in the cell's centre.
Both others are left with their own errors, which are printed beside ours.
"""

from __future__ import annotations

import dataclasses
import math
import sys
import time

import numba
import numpy as np
from bench_cover import EIGHT, SIDE, field_paths, first_stations

from trafficmap.core.constants import COMPUTE_DEPTHS, REPORT_DEPTHS
from trafficmap.core.grid import FieldGrid
from trafficmap.core.settings.soil import SoilSettings
from trafficmap.loads.paths import WheelPaths
from trafficmap.risk._kernels import trapezoid_offset
from trafficmap.soil import Profiles, stress_profiles
from trafficmap.soil.profiles import lateral_stress_circle
from trafficmap.traffic import visits

NU = 4.5
LOAD, PRESSURE = 4000.0 * 9.81, 1e5
AREA = LOAD / PRESSURE
DEPTHS = np.array(REPORT_DEPTHS)
ROWS = [COMPUTE_DEPTHS.index(depth) for depth in REPORT_DEPTHS]
SHARES = (np.arange(9) + 0.5) / 9
WHEELS = np.array(EIGHT)
AXLE = WHEELS[:2]
REACH = 1.2
"""From the middle of a wheel, for all three [m]; 0.5 m down less than 5 % is left."""
SETTINGS = SoilSettings(cap_patch=False, profile_reach=REACH)


@numba.njit(cache=True)
def cells_by_profile(start, axle, state, offset, heading, row_of, table, first, step,
                     half_cell, shares, out_mean, out_most):  # fmt: skip
    """Largest and mean stress of every cell, (cells, depths), by the axle's profile."""
    n_depths = table.shape[2]
    places = np.empty(shares.size, np.int64)
    mean = np.empty(n_depths)
    for cell in range(start.size - 1):
        for k in range(start[cell], start[cell + 1]):
            row = row_of[axle[k], state[k]]
            along, across = abs(math.cos(heading[k])), abs(math.sin(heading[k]))
            wide = half_cell * (along + across)
            flat = half_cell * abs(along - across)
            for q in range(shares.size):
                place = offset[k] + trapezoid_offset(flat, wide, shares[q])
                places[q] = math.floor((place - first) / step + 0.5)
            mean[:] = 0.0
            for q in range(shares.size):
                if not 0 <= places[q] < table.shape[1]:
                    continue
                for d in range(n_depths):
                    found = table[row, places[q], d]
                    mean[d] += found
                    out_most[cell, d] = max(out_most[cell, d], found)
            for d in range(n_depths):
                out_mean[cell, d] = max(out_mean[cell, d], mean[d] / shares.size)


@numba.njit(cache=True)
def cells_directly(east, north, at_east, at_north, fx, fy, begin, stations, wheels,
                   piece_along, piece_across, piece_load, depths, nu, out):  # fmt: skip
    """Largest stress over the fixes near each place, each wheel in pieces."""
    factor = nu / (2.0 * math.pi)
    for p in range(east.size):
        for s in range(begin[p], begin[p + 1]):
            k = stations[s]
            for d in range(depths.size):
                z2 = depths[d] * depths[d]
                total = 0.0
                for w in range(wheels.shape[0]):
                    for m in range(piece_load.size):
                        ahead = wheels[w, 0] + piece_along[m]
                        right = wheels[w, 1] + piece_across[m]
                        dx = east[p] - at_east[k] - ahead * fx[k] - right * fy[k]
                        dy = north[p] - at_north[k] - ahead * fy[k] + right * fx[k]
                        slant = dx * dx + dy * dy + z2
                        total += piece_load[m] * slant ** (-0.5 * nu - 1.0)
                out[p, d] = max(out[p, d], total * factor * depths[d] ** nu)


@numba.njit(cache=True)
def stamp(at_east, at_north, fx, fy, table, first_along, first_across, step, reach,
          north_edge, cell, rows, cols, out):  # fmt: skip
    """Lay a table of the rig at every fix; keep the largest in each cell's centre."""
    n_along, n_across, n_depths = table.shape
    for k in range(at_east.size):
        # The middle of the rig lies behind the place of the fix.
        middle_east = at_east[k] - 4.9 * fx[k]
        middle_north = at_north[k] - 4.9 * fy[k]
        low_col = max(0, int((middle_east - reach) / cell))
        high_col = min(cols - 1, int((middle_east + reach) / cell))
        low_row = max(0, int((north_edge - middle_north - reach) / cell))
        high_row = min(rows - 1, int((north_edge - middle_north + reach) / cell))
        for row in range(low_row, high_row + 1):
            dy = north_edge - (row + 0.5) * cell - at_north[k]
            for col in range(low_col, high_col + 1):
                dx = (col + 0.5) * cell - at_east[k]
                i = int((dx * fx[k] + dy * fy[k] - first_along) / step + 0.5)
                j = int((dx * fy[k] - dy * fx[k] - first_across) / step + 0.5)
                if 0 <= i < n_along and 0 <= j < n_across:
                    for d in range(n_depths):
                        value = table[i, j, d]
                        if value > out[row * cols + col, d]:
                            out[row * cols + col, d] = value


def main(fixes: int) -> None:
    """Print times, ratios and errors."""
    numba.set_num_threads(1)
    grid = FieldGrid(32615, 0.0, SIDE, 1.0, int(SIDE), int(SIDE))
    paths = with_pressure(field_paths(fixes))
    small = first_stations(paths, 9000)
    ours(small, grid)  # compile
    built, profiles = best_of(lambda: profiles_of(paths), 2)
    walked, found = best_of(lambda: near(paths, grid), 3)
    looked, _ = best_of(lambda: look_up(found, profiles, grid), 3)
    mine = walked + looked
    print(
        f"{paths.easting.size} fixes, 8 wheels, {grid.size / 1e4:.0f} ha, "
        "cells of 1 m, 4 depths"
    )
    print(
        f"ours: visits {walked:.2f} s, look up {looked:.2f} s; profiles {built:.3f} s"
    )
    direct, places = direct_time(paths, grid)
    print(
        f"direct superposition of {places} places of {16 * grid.size}, scaled: "
        f"{direct / mine:,.0f} times ours"
    )
    table = rig_table()
    stamped, _ = best_of(lambda: stamp_all(paths, grid, table), 1)
    print(f"2-D table stamped at every fix: {stamped / mine:.1f} times ours")
    quarter, share = stamp_fine(paths, table)
    print(
        f"the same on cells of 0.25 m, for as good a mean (1 fix in {share}, "
        f"scaled): {quarter / mine:.1f} times ours"
    )
    half, _ = best_of(lambda: stamp_all(every_second(paths), grid, table), 1)
    print(f"2-D table stamped at every second fix: {half / mine:.1f} times ours")
    accuracy()


def accuracy() -> None:
    """Print the error of the cell mean over the peak, straight and by radius."""
    depths = ", ".join(f"{depth:g}" for depth in REPORT_DEPTHS)
    print(f"error of the cell mean over the largest stress, %, at {depths} m")
    print("  drive                     ours p95          ours p99          centres p95")
    # Rows at 0 degrees keep one offset to the cells, so a handful of places.
    for degrees in (0, 7, 20, 45, 71):
        report(f"straight, heading {degrees} deg", straight(math.radians(degrees)))
    for radius in (100.0, 30.0, 15.0, 8.0):
        report(f"arc of {radius:g} m", arc(radius))


def report(name: str, paths: WheelPaths) -> None:
    """Print one row of the table."""
    grid = FieldGrid(32615, 0.0, 60.0, 1.0, 60, 60)
    mean, _ = ours(paths, grid)
    true, centre = reference(paths, grid)
    known = np.isfinite(true[:, 0])
    rows = []
    for values, share in ((mean, 95), (mean, 99), (centre, 95)):
        error = np.abs(values - true)[known] / peak_of()
        touched = true[known].max(axis=1) > 0.01 * peak_of()[0]
        rows.append(np.percentile(100 * error[touched], share, axis=0))
    text = "  ".join(" ".join(f"{v:4.1f}" for v in row) for row in rows)
    print(f"  {name:<24} {text}   ({int(touched.sum())} cells)")


def reference(paths: WheelPaths, grid: FieldGrid):
    """Return the mean over 8 by 8 places of the largest stress, and that of the centre.

    The drive is cut into steps of 2 cm, both wheels are superposed; cells near the
    ends of the drive are NaN.
    """
    steps = 10
    station = np.arange((paths.easting.size - 1) * steps + 1) / steps
    whole = np.arange(paths.easting.size)
    heading = np.interp(station, whole, np.unwrap(paths.heading))
    east = np.interp(station, whole, paths.easting)
    north = np.interp(station, whole, paths.northing)
    fx, fy = np.sin(heading), np.cos(heading)
    radial = np.arange(0.0, 3.0, 0.005)
    table = lateral_stress_circle(
        LOAD, PRESSURE, area=AREA, offsets=radial, depths=DEPTHS, nu=NU
    )
    side = (np.arange(8) + 0.5) / 8 - 0.5
    true = np.full((grid.size, DEPTHS.size), np.nan)
    centre = np.full((grid.size, DEPTHS.size), np.nan)
    ahead, right = AXLE.T
    wheel_east = (east[:, None] + ahead * fx[:, None] + right * fy[:, None]).ravel()
    wheel_north = (north[:, None] + ahead * fy[:, None] - right * fx[:, None]).ravel()
    rng = np.random.default_rng(7)
    cells = rng.permutation(near_cells(wheel_east, wheel_north, grid, paths))[:160]
    for cell in cells:
        row, col = divmod(int(cell), grid.cols)
        middle = col + 0.5, grid.rows - row - 0.5
        close = np.hypot(wheel_east - middle[0], wheel_north - middle[1]) < 3.6
        rig = np.flatnonzero(close.reshape(-1, len(AXLE)).any(axis=1))
        x = wheel_east.reshape(-1, len(AXLE))[rig]
        y = wheel_north.reshape(-1, len(AXLE))[rig]
        spots = [(middle[0] + a, middle[1] + b) for a in side for b in side]
        values = np.array([worst_at(*s, x, y, table) for s in [middle, *spots]])
        centre[cell], true[cell] = values[0], values[1:].mean(axis=0)
    return true, centre


def worst_at(east, north, x, y, table) -> np.ndarray:
    """Return the largest stress of all wheels together while the rig goes by."""
    far = np.hypot(x - east, y - north) / 0.005
    index = np.minimum(far.astype(np.int64), len(table) - 2)
    part = np.minimum(far - index, 1.0)[..., None]
    stress = table[index] * (1.0 - part) + table[index + 1] * part
    stress[far >= len(table) - 1] = 0.0
    return stress.sum(axis=1).max(axis=0)


def near_cells(wheel_east, wheel_north, grid, paths) -> np.ndarray:
    """Return cells within 1.2 m of a wheel path and far from the ends of the drive."""
    cell = np.zeros(grid.shape, dtype=bool)
    n = paths.easting.size
    keep = np.zeros((wheel_east.size // len(AXLE), len(AXLE)), dtype=bool)
    margin = round(4.0 / 0.2) * 10
    keep[margin:-margin] = True
    x, y = wheel_east[keep.ravel()], wheel_north[keep.ravel()]
    for east in (-1.2, 0.0, 1.2):
        for north in (-1.2, 0.0, 1.2):
            c, r = np.floor(x + east), np.floor(grid.rows - y - north)
            good = (c >= 0) & (c < grid.cols) & (r >= 0) & (r < grid.rows)
            cell[r[good].astype(int), c[good].astype(int)] = True
    ends = [(paths.easting[k], paths.northing[k]) for k in (0, n - 1)]
    rows, cols = np.nonzero(cell)
    away = np.min(
        [np.hypot(cols + 0.5 - e, grid.rows - rows - 0.5 - n_) for e, n_ in ends],
        axis=0,
    )
    return (rows * grid.cols + cols)[away > 3.5]


def straight(heading: float) -> WheelPaths:
    """Return a straight drive through the middle of a small field."""
    along = np.arange(-27.0, 27.0, 0.2)
    return drive(
        30.17 + along * math.sin(heading),
        30.41 + along * math.cos(heading),
        np.full(along.size, heading),
    )


def arc(radius: float) -> WheelPaths:
    """Return a drive along an arc, at most three quarters of a circle."""
    span = min(1.5 * math.pi, 50.0 / radius)
    angle = np.arange(0.0, span, 0.2 / radius) - span / 2
    bulge = radius * (1 - math.cos(span / 2)) / 2 if span < math.pi else 0.0
    east = 30.23 + radius * np.cos(angle) - (radius if span < math.pi else 0.0) + bulge
    return drive(east, 30.37 - radius * np.sin(angle), math.pi + angle)


def drive(east, north, heading) -> WheelPaths:
    """Return a drive of one pass of a single axle with two wheels.

    Behind one antenna the axles of a long stiff rig would skid in a turn; what is asked
    here is the table and the mean over a cell, so one axle does.
    """
    base = first_stations(with_pressure(field_paths(9000)), 100)
    base = dataclasses.replace(base, wheels=base.wheels.iloc[:2])
    n = east.size
    return dataclasses.replace(
        base,
        begin=np.array([0, n]),
        body_id=base.body_id[:1],
        pass_id=base.pass_id[:1],
        easting=np.asarray(east),
        northing=np.asarray(north),
        heading=np.asarray(heading, dtype=float),
        time=np.arange(n) * 0.1,
        seconds=np.arange(n) * 0.1,
        state=np.zeros(n, np.int32),
    )


def with_pressure(paths: WheelPaths) -> WheelPaths:
    """Return the paths with the load and pressure of this script."""
    states = dataclasses.replace(paths.states, load=np.full((1, 8), LOAD))
    wheels = paths.wheels.assign(pressure=PRESSURE)
    return dataclasses.replace(paths, states=states, wheels=wheels)


def profiles_of(paths: WheelPaths) -> Profiles:
    return stress_profiles(paths.wheels, paths.states, nu=NU, settings=SETTINGS)


def near(paths: WheelPaths, grid: FieldGrid):
    return visits(paths, grid=grid, reach=REACH - 0.3)


def look_up(found, profiles: Profiles, grid: FieldGrid):
    mean = np.zeros((grid.size, DEPTHS.size))
    most = np.zeros((grid.size, DEPTHS.size))
    cells_by_profile(
        found.cell_start, found.axle_id, found.state, found.offset, found.heading,
        profiles.row_of, np.ascontiguousarray(profiles.stress[:, :, ROWS]),
        profiles.first_offset, profiles.step, grid.cell / 2, SHARES, mean, most,
    )  # fmt: skip
    return mean, most


def ours(paths: WheelPaths, grid: FieldGrid):
    return look_up(near(paths, grid), profiles_of(paths), grid)


def peak_of() -> np.ndarray:
    """Return the stress below the middle of a wheel at each depth."""
    return lateral_stress_circle(
        LOAD, PRESSURE, area=AREA, offsets=[0.0], depths=DEPTHS, nu=NU
    )[0]


def pieces():
    """Return a round patch in 7 by 7 pieces under 1 - r^4, loads that add up."""
    radius = math.sqrt(AREA / math.pi)
    side = (np.arange(7) + 0.5) / 7 * 2 * radius - radius
    along, across = (part.ravel() for part in np.meshgrid(side, side))
    share = np.maximum(0.0, 1.0 - (np.hypot(along, across) / radius) ** 4)
    keep = share > 0
    return along[keep], across[keep], LOAD * share[keep] / share[keep].sum()


def direct_time(paths: WheelPaths, grid: FieldGrid, count: int = 60):
    """Return the time of direct superposition on the whole field, and what was run."""
    from scipy.spatial import cKDTree

    rng = np.random.default_rng(3)
    row, col = rng.integers(20, grid.rows - 20, (2, count))
    side = (np.arange(4) + 0.5) / 4
    east = (col[:, None, None] + side[:, None] + 0 * side).ravel()
    north = (grid.rows - row[:, None, None] - side + 0 * side[:, None]).ravel()
    tree = cKDTree(np.column_stack([paths.easting, paths.northing]))
    # Every fix from which a wheel could be within reach: the rig is 9.8 m long.
    near_by = tree.query_ball_point(np.column_stack([east, north]), 11.5)
    begin = np.concatenate([[0], np.cumsum([len(k) for k in near_by])])
    stations = np.concatenate(near_by).astype(np.int64)
    # Only those whose rig really reaches: that is given to it free.
    fx, fy = np.sin(paths.heading), np.cos(paths.heading)
    owner = np.repeat(np.arange(east.size), np.diff(begin))
    dx, dy = (
        east[owner] - paths.easting[stations],
        north[owner] - paths.northing[stations],
    )
    ahead = dx * fx[stations] + dy * fy[stations]
    right = np.abs(dx * fy[stations] - dy * fx[stations])
    reach = (right < 1.4 + REACH) & (
        np.abs(ahead[:, None] - np.unique(WHEELS[:, 0])) < 0.6
    ).any(axis=1)
    begin = np.concatenate(
        [[0], np.cumsum(np.bincount(owner[reach], minlength=east.size))]
    )
    along, across, load = pieces()
    out = np.zeros((east.size, DEPTHS.size))
    arguments = (
        east, north, paths.easting, paths.northing, fx, fy, begin, stations[reach],
        WHEELS, along, across, load, DEPTHS, NU, out,
    )  # fmt: skip
    cells_directly(*arguments)
    took, _ = best_of(lambda: cells_directly(*arguments), 1)
    return took / count * grid.size, east.size


def rig_table():
    """Return stress around the rig in steps of 2.5 cm, first ahead and first right."""
    step, reach = 0.025, REACH
    along = np.arange(WHEELS[:, 0].min() - reach, WHEELS[:, 0].max() + reach, step)
    across = np.arange(-1.4 - reach, 1.4 + reach, step)
    out = np.zeros((along.size, across.size, DEPTHS.size), dtype=np.float32)
    for ahead, right in WHEELS:
        far = np.hypot(along[:, None] - ahead, across[None] - right)
        for k in range(along.size):
            out[k] += lateral_stress_circle(
                LOAD, PRESSURE, area=AREA, offsets=far[k], depths=DEPTHS, nu=NU
            )
    return out, float(along[0]), float(across[0]), step


def stamp_all(paths: WheelPaths, grid: FieldGrid, table):
    values, first_along, first_across, step = table
    out = np.zeros((grid.size, DEPTHS.size), dtype=np.float32)
    stamp(
        paths.easting, paths.northing, np.sin(paths.heading), np.cos(paths.heading),
        values, first_along, first_across, step, 6.7, grid.north, grid.cell, grid.rows,
        grid.cols, out,
    )  # fmt: skip
    return out


def stamp_fine(paths: WheelPaths, table, share: int = 8):
    """Return the time of stamping cells of a quarter metre, and the share run."""
    grid = FieldGrid(32615, 0.0, SIDE, 0.25, int(SIDE) * 4, int(SIDE) * 4)
    part = first_stations(paths, paths.easting.size // share)
    took, _ = best_of(lambda: stamp_all(part, grid, table), 1)
    return took * share, share


def every_second(paths: WheelPaths) -> WheelPaths:
    names = ("easting", "northing", "heading", "time", "seconds", "state")
    return dataclasses.replace(paths, **{n: getattr(paths, n)[::2] for n in names})


def best_of(call, repeats: int):
    """Return the best time and the result."""
    best, result = np.inf, None
    for _ in range(repeats):
        begin = time.perf_counter()
        result = call()
        best = min(best, time.perf_counter() - begin)
    return best, result


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
