"""Tables of the traffic: by machine, by what it did, by part of the field, by axle."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trafficmap.core import limits
from trafficmap.core.tables import (
    PASSES,
    SPLIT_FIXES,
    TRAFFIC,
    TRAFFIC_AXLES,
    TRAFFIC_DEPTH,
    TableContract,
    require_table,
)
from trafficmap.traffic.count import masses
from trafficmap.traffic.parts import PARTS

if TYPE_CHECKING:
    from trafficmap.core.grid import FieldGrid
    from trafficmap.loads.paths import WheelPaths
    from trafficmap.traffic.events import PassEvents
    from trafficmap.traffic.overlap import Overlap

FIELD_PARTS = 4
"""The first so many parts lie inside the boundary."""

_BOUNDS = ("low", "best", "high")
_ENDS = ("_low", "", "_high")


@dataclass(frozen=True, eq=False)
class TrafficTables:
    """Tables of the traffic of a run.

    Parameters
    ----------
    traffic, depth, axles, spots : DataFrame
        Contracts `TRAFFIC`, `TRAFFIC_DEPTH`, `TRAFFIC_AXLES` and `LOADING_SPOTS`.
    """

    traffic: pd.DataFrame
    depth: pd.DataFrame
    axles: pd.DataFrame
    spots: pd.DataFrame


def traffic_table(
    events: PassEvents,
    paths: WheelPaths,
    passes: pd.DataFrame,
    *,
    overlaps: Overlap,
    grid: FieldGrid,
    weight: np.ndarray,
    part: np.ndarray,
    split_fixes: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Return what drove where, by machine, by what it did and by part of the field.

    Parameters
    ----------
    events : PassEvents
    paths : WheelPaths
    passes : DataFrame
        Contract `PASSES`.
    overlaps : Overlap
        From `overlap` with the same `passes` and `part`.
    grid : FieldGrid
    weight : ndarray, shape (rows, cols)
        Share of each cell that counts, as given to `overlap`.
    part : ndarray of int, shape (rows, cols)
        Position in `PARTS` of each cell, -1 for none, as given to `overlap`.
    split_fixes : DataFrame, optional
        Contract `SPLIT_FIXES`, for the rows of the road.

    Returns
    -------
    DataFrame
        Contract `TRAFFIC`; only rows where something drove, and all parts of the field
        for all machines.

    Notes
    -----
    Ground is exact and counts once in each row, so rows of machines add up to more
    than the row of all. Ground run over again, along the same track, and by the low
    and high end of the loads is told for all machines together.
    """
    require_table(passes, PASSES)
    known = part >= 0
    cells = np.bincount(part[known], weights=weight[known], minlength=len(PARTS))
    area = cells * grid.cell_area
    if not len(passes):
        return _nothing_driven(area)
    sums = _Sums(events, paths, passes, overlaps, weight, part, grid)
    machines = ["all", *sums.machines]
    rows = []
    for machine in machines:
        for doing in ["any", *sums.states]:
            for name, mine in _part_rows():
                row = sums.row(machine, doing, mine, float(area[mine].sum()))
                whole = machine == "all" and doing == "any"
                if row["passes"] or (whole and area[mine].sum() > 0.0):
                    head = {"machine_id": machine, "doing": doing, "part": name}
                    rows.append(head | row)
    if split_fixes is not None:
        rows += _road_rows(split_fixes)
    table = pd.DataFrame(rows, columns=TRAFFIC.names())
    return require_table(_typed(table), TRAFFIC)


def depth_table(overlaps: Overlap) -> pd.DataFrame:
    """Return how often ground was run over, contract `TRAFFIC_DEPTH`."""
    rows = []
    for name, mine in _part_rows():
        ground = overlaps.depths[:, :, mine].sum(axis=2)
        for times in range(1, ground.shape[1]):
            if ground[:, times].max(initial=0.0) <= 0.0:
                break
            rows.append((name, times, *ground[:, times]))
    table = pd.DataFrame(rows, columns=TRAFFIC_DEPTH.names())
    return require_table(_typed(table, TRAFFIC_DEPTH), TRAFFIC_DEPTH)


def axle_table(
    events: PassEvents,
    paths: WheelPaths,
    *,
    overlaps: Overlap,
    grid: FieldGrid,
    weight: np.ndarray,
) -> pd.DataFrame:
    """Return which axle was first on how much ground, contract `TRAFFIC_AXLES`."""
    wheels = paths.wheels
    count = weight.ravel()[events.cell] * grid.cell_area
    fresh = overlaps.fresh * count
    wheel_mass, _, _ = masses(paths)
    slot = wheels["slot"].to_numpy(np.int64)
    mass = wheel_mass[1][events.state, slot[events.wheel]]
    known = np.isfinite(mass)

    def by_wheel(values: np.ndarray, of: np.ndarray) -> np.ndarray:
        return np.bincount(of, weights=values, minlength=len(wheels))

    table = wheels[["machine_id", "body", "axle", "axle_id"]].assign(
        run_over=by_wheel(events.cover * count, events.wheel),
        run_over_first=by_wheel(fresh, events.wheel),
        known=by_wheel(fresh[known], events.wheel[known]),
        mass=by_wheel((fresh * mass)[known], events.wheel[known]),
    )
    keys = ["machine_id", "axle_id", "body", "axle"]
    table = table.groupby(keys, sort=True, observed=True).sum().reset_index()
    table["order"] = table.groupby("machine_id", observed=True).cumcount() + 1
    table["first_share"] = table["run_over_first"] / table["run_over"].where(
        table["run_over"] > 0.0
    )
    table["wheel"] = table["mass"] / table["known"].where(table["known"] > 0.0)
    table = _typed(table[TRAFFIC_AXLES.names()], TRAFFIC_AXLES)
    return require_table(table, TRAFFIC_AXLES)


def _part_rows() -> list[tuple[str, list[int]]]:
    """Return the name of each part told, and what it is made of."""
    field = list(range(FIELD_PARTS))
    return [("field", field)] + [(name, [k]) for k, name in enumerate(PARTS)]


class _Sums:
    """Sums over events by machine, by what it did and by part of the field."""

    def __init__(self, events, paths, passes, overlaps, weight, part, grid) -> None:
        wheels = paths.wheels
        self._overlaps, self._grid = overlaps, grid
        names, number = np.unique(
            wheels["machine_id"].to_numpy().astype(str), return_inverse=True
        )
        self.machines = names.tolist()
        states, state = np.unique(passes["state"].astype(str), return_inverse=True)
        self.states = states.tolist()
        # A rig that goes on from one pass into the next keeps the first one's number.
        highest = int(events.pass_id.max(initial=0))
        if len(passes):
            highest = max(highest, int(passes["pass_id"].max()))
        of_pass = np.zeros(highest + 1, dtype=np.int64)
        of_pass[passes["pass_id"].to_numpy(np.int64)] = state
        place = part.ravel()[events.cell]
        mine = place >= 0
        shape = (max(len(self.machines), 1), max(len(self.states), 1), len(PARTS))
        wheel = events.wheel[mine]
        key = np.ravel_multi_index(
            (number[wheel], of_pass[events.pass_id[mine]], place[mine]), shape
        )
        share = weight.ravel()[events.cell[mine]]
        length = events.distance[mine] * share
        wheel_mass, axle_mass, axle_slot = masses(paths)
        slot = wheels["slot"].to_numpy(np.int64)[wheel]
        at = events.state[mine]

        def add(values: np.ndarray) -> np.ndarray:
            size = int(np.prod(shape))
            return np.bincount(key, weights=values, minlength=size).reshape(shape)

        def most(values: np.ndarray) -> np.ndarray:
            out = np.full(int(np.prod(shape)), -np.inf)
            np.maximum.at(out, key, np.where(np.isfinite(values), values, -np.inf))
            return out.reshape(shape)

        in_rig = np.bincount(number, minlength=shape[0]).astype(float)
        self.distance = add(length / in_rig[number[wheel]])
        self.fresh = add(overlaps.fresh[mine] * share) * grid.cell_area
        self.mass_distance, self.wheel, self.axle = [], [], []
        for k in range(len(_BOUNDS)):
            mass = wheel_mass[k][at, slot]
            self.mass_distance.append(add(np.nan_to_num(mass) * length))
            self.wheel.append(most(mass))
            self.axle.append(most(axle_mass[k][at, axle_slot[wheel]]))
        self.known = add(np.isfinite(wheel_mass[1][at, slot]).astype(float))
        time = events.time[mine]
        self.last = most(time)
        self.first = -most(-time)
        seen = np.zeros((highest + 1, *shape[::2]), dtype=np.bool_)
        seen[events.pass_id[mine], number[wheel], place[mine]] = True
        self._seen, self._of_pass = seen, of_pass
        sets = overlaps.sets
        self._set = {
            key: k
            for k, key in enumerate(
                zip(
                    sets["machine_id"],
                    sets["state"],
                    sets["over"],
                    sets["load"],
                    strict=True,
                )
            )
        }

    def row(self, machine: str, doing: str, part: list[int], area: float) -> dict:
        """Return one row of the table."""
        m = slice(None) if machine == "all" else self.machines.index(machine)
        s = slice(None) if doing == "any" else self.states.index(doing)

        def of(values: np.ndarray) -> np.ndarray:
            return values[m][..., s, :][..., part]

        whole = machine == "all" and doing == "any"
        seen = (
            self._seen[:, m][..., part]
            if machine == "all"
            else (self._seen[:, m][:, part])
        )
        passed = seen.reshape(seen.shape[0], -1).any(axis=1)
        if doing != "any":
            passed &= self._of_pass == s
        depths = self._overlaps.depths[0][2, part].sum()
        known = of(self.known).sum() > 0.0
        out = {
            "area": area,
            "run_over": self._ground(machine, doing, 0.0, "best", part),
            "run_over_first": float(of(self.fresh).sum()),
            "run_over_again": float(depths) if whole else np.nan,
            "same_track": (
                float(self._overlaps.same_areas[part].sum()) if whole else np.nan
            ),
            "passes": int(passed.sum()),
            "distance": float(of(self.distance).sum()),
            "first": _moment(of(self.first).min(initial=np.inf)),
            "last": _moment(of(self.last).max(initial=-np.inf)),
        }
        out["run_over_share"] = out["run_over"] / area if area > 0.0 else np.nan
        for limit in (3, 5):
            for bound, end in zip(_BOUNDS, ("_low", "", "_high"), strict=True):
                out[f"under_{limit}{end}"] = self._ground(
                    machine, doing, 1000.0 * limit, bound, part
                )
        for k, end in enumerate(("_low", "", "_high")):
            sums = {"wheel": self.wheel[k], "axle": self.axle[k]}
            for name, values in sums.items():
                value = of(values).max(initial=-np.inf)
                out[f"{name}{end}"] = float(value) if np.isfinite(value) else np.nan
            # kg m / m2 = 1e-2 Mg km/ha
            moved = of(self.mass_distance[k]).sum() * 1e-2
            good = known and area > 0.0
            out[f"load_distance{end}"] = float(moved / area) if good else np.nan
        return out

    def _ground(self, machine, doing, over, load, part) -> float:
        """Return the ground of a set of wheels [m2], NaN where it was not asked for."""
        key = (
            "" if machine == "all" else machine,
            "" if doing == "any" else doing,
            over,
            load,
        )
        place = self._set.get(key)
        if place is None:
            return np.nan
        return float(self._overlaps.areas[place, part].sum())


def _moment(seconds: float):
    return pd.Timestamp(seconds, unit="s", tz="UTC") if np.isfinite(seconds) else pd.NaT


def _road_rows(fixes: pd.DataFrame) -> list[dict]:
    """Return one row a machine with what it drove outside the field."""
    require_table(fixes, SPLIT_FIXES)
    step = np.hypot(
        np.diff(fixes["easting"].to_numpy(), prepend=np.nan),
        np.diff(fixes["northing"].to_numpy(), prepend=np.nan),
    )
    passed = np.diff(fixes["seconds"].to_numpy(), prepend=np.nan)
    log = fixes["log_id"].to_numpy()
    good = (passed > 0.0) & (passed <= limits.GAP_SECONDS)
    good[1:] &= log[1:] == log[:-1]
    good &= (fixes["state"] == "road").to_numpy()
    road = fixes.loc[good, ["machine_id", "time"]].assign(step=step[good])
    rows = []
    for machine, mine in road.groupby("machine_id", sort=True, observed=True):
        rows.append(
            {
                "machine_id": str(machine),
                "doing": "any",
                "part": "road",
                "passes": 0,
                "distance": float(mine["step"].sum()),
                "first": mine["time"].min(),
                "last": mine["time"].max(),
            }
        )
    return rows


def _nothing_driven(area: np.ndarray) -> pd.DataFrame:
    """Return the rows of a field no log of which drove: ground, and none run over."""
    none = ["run_over", "run_over_first", "run_over_again", "same_track", "distance"]
    none += ["run_over_share", "passes", *(f"load_distance{end}" for end in _ENDS)]
    none += [f"under_{limit}{end}" for limit in (3, 5) for end in _ENDS]
    rows = [
        {"machine_id": "all", "doing": "any", "part": name}
        | {"area": float(area[mine].sum())}
        | dict.fromkeys(none, 0.0)
        for name, mine in _part_rows()
        if area[mine].sum() > 0.0
    ]
    table = pd.DataFrame(rows, columns=TRAFFIC.names())
    return require_table(_typed(table), TRAFFIC)


def _typed(table: pd.DataFrame, contract: TableContract = TRAFFIC) -> pd.DataFrame:
    """Return the table with the types of its contract."""
    out = table.copy()
    for column in contract.columns:
        if column.dtype == "float":
            out[column.name] = out[column.name].astype(float)
        elif column.dtype == "int":
            out[column.name] = out[column.name].fillna(0).astype("int64")
        elif column.dtype == "utc":
            out[column.name] = pd.to_datetime(out[column.name], utc=True).astype(
                "datetime64[ms, UTC]"
            )
    return out
