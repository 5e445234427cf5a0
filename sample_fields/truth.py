"""What is true on the field, worked out here and by none of the steps it tests.

Wheel marks are painted on squares of 0.25 m from the exact kinematics; loads come from
lever arms; masses from what was cut, handed over and hauled. The exact union of all
marks as shapes covers 0.4426 of the field, the squares 0.4430 (it takes ten times as
long and is left to a test); a single machine is within 3 %, because a straight strip
along the squares is as wide as whole squares.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import shapely

from . import places as at
from .drive import Motion
from .record import Season, Track, moment
from .rigs import Wheel, wheels

FINE = 0.25
"""Side of the squares on which wheel marks are painted [m]."""

MARGIN = 10.0
COARSE = 20.0
"""Side of the squares for which truth.json lists the share run over [m]."""

SAMPLE = 120.0
"""Wheel loads are listed at this step [s]."""

WET_FROM = moment(2026, 10, 14, 0, 0)
DEEP_WHEEL = 5000.0
"""A wheel with more than this on wet ground counts as deep damage in the truth [kg]."""


@dataclass(frozen=True)
class Painted:
    """Fine squares of the plan: row 0 is the southernmost, column 0 the westernmost.

    ``any`` and ``deep`` are True where a wheel, or a heavy wheel on a wet day, stood;
    ``inside`` is True within the boundary; ``machine`` holds ``any`` by machine.
    """

    any: np.ndarray
    deep: np.ndarray
    inside: np.ndarray
    machine: dict[str, np.ndarray]

    def share(self, mask: np.ndarray) -> float:
        """Return the share of the field that a mask covers."""
        return float((mask & self.inside).sum() / self.inside.sum())


def shape() -> tuple[int, int]:
    """Return rows and columns of the fine squares."""
    return (
        round((at.HEIGHT + 2 * MARGIN) / FINE),
        round((at.WIDTH + 2 * MARGIN) / FINE),
    )


@dataclass(frozen=True)
class Rolled:
    """Every wheel of one track at the times it moved [s]."""

    track: Track
    time: np.ndarray
    wheels: list[Wheel]


def rolled(season: Season) -> list[Rolled]:
    """Return where every wheel rolled and what stood on it, track by track."""
    found = []
    for track in season.tracks:
        motion = _moving(track.motion)
        payload = track.payload(motion.time)
        found.append(Rolled(track, motion.time, wheels(track.rig, motion, payload)))
    return found


def paint(found: list[Rolled]) -> Painted:
    """Return the wheel marks of the whole season."""
    marks: dict[str, np.ndarray] = {}
    deep = np.zeros(shape(), dtype=bool)
    for one in found:
        mine = marks.setdefault(one.track.machine, np.zeros(shape(), dtype=bool))
        for wheel in one.wheels:
            _press(mine, wheel, slice(None))
            heavy = (wheel.mass > DEEP_WHEEL) & (one.time > WET_FROM)
            if heavy.any():
                _press(deep, wheel, heavy)
    rows, cols = shape()
    north = -MARGIN + (np.arange(rows) + 0.5) * FINE
    east = -MARGIN + (np.arange(cols) + 0.5) * FINE
    inside = shapely.contains_xy(at.boundary(), *np.meshgrid(east, north))
    whole = np.logical_or.reduce(list(marks.values()))
    return Painted(whole, deep, inside, marks)


def as_dict(season: Season, found: list[Rolled], painted: Painted) -> dict:
    """Return the truth as plain values for truth.json."""
    return {
        "invented": True,
        "field": "ditch_sixty",
        "area_m2": round(float(at.boundary().area), 1),
        "how": (
            "wheel marks on squares of 0.25 m from exact kinematics, loads from lever "
            "arms, masses from what was cut; masses in kg, areas in m2, times UTC"
        ),
        "run_over_share": {
            "all": round(painted.share(painted.any), 4),
            **{
                name: round(painted.share(mask), 4)
                for name, mask in painted.machine.items()
            },
            "all_without_hauler": round(
                painted.share(
                    np.logical_or.reduce(
                        [m for n, m in painted.machine.items() if n != "hauler"]
                    )
                ),
                4,
            ),
        },
        "run_over_by_square": _coarse(painted),
        "deep_damage": {
            "wheel_kg_over": DEEP_WHEEL,
            "wet_from": _utc(WET_FROM),
            "share": round(painted.share(painted.deep), 4),
            "strips": _strips(found),
        },
        "ledger_kg": {k: round(v, 1) for k, v in sorted(season.ledger.items())},
        "transfers": [
            {
                "kind": t.kind,
                "start": _utc(t.start),
                "end": _utc(t.end),
                "mass_kg": round(t.mass, 1),
            }
            for t in season.transfers
        ],
        "worked": _worked(season),
        "wheel_loads": _loads(season),
    }


def _moving(motion: Motion) -> Motion:
    """Return the motion without its standing times, for painting."""
    step = np.hypot(np.diff(motion.east), np.diff(motion.north))
    keep = np.r_[True, step > 1e-6]
    return Motion(
        *(
            getattr(motion, name)[keep]
            for name in ("time", "east", "north", "heading", "speed")
        )
    )


def _press(mask: np.ndarray, wheel: Wheel, where) -> None:
    """Mark the squares whose middle lies under the wheel's width."""
    east, north = wheel.east[where], wheel.north[where]
    step_east, step_north = (
        np.gradient(wheel.east)[where],
        np.gradient(wheel.north)[where],
    )
    length = np.maximum(np.hypot(step_east, step_north), 1e-9)
    right_east, right_north = step_north / length, -step_east / length
    rows, cols = mask.shape
    half = wheel.width / 2
    reach = half + FINE / 2
    # Squares are looked up half a side apart; each then answers for its own middle.
    for off in np.linspace(-reach, reach, 2 + int(4 * reach / FINE)):
        col = np.floor((east + off * right_east + MARGIN) / FINE).astype(int)
        row = np.floor((north + off * right_north + MARGIN) / FINE).astype(int)
        ahead_east = (col + 0.5) * FINE - MARGIN - east
        ahead_north = (row + 0.5) * FINE - MARGIN - north
        across = np.abs(ahead_east * right_east + ahead_north * right_north)
        ok = (across <= half) & (row >= 0) & (row < rows) & (col >= 0) & (col < cols)
        mask[row[ok], col[ok]] = True


def _coarse(painted: Painted) -> dict:
    """Return the share run over of each square of 20 m, north row first."""
    lead = round(MARGIN / FINE)
    each = round(COARSE / FINE)
    rows, cols = round(at.HEIGHT / COARSE), int(at.WIDTH // COARSE)
    box = np.s_[lead : lead + rows * each, lead : lead + cols * each]

    def total(mask):
        return mask[box].reshape(rows, each, cols, each).sum(axis=(1, 3))[::-1]

    inside = total(painted.inside)
    over = total(painted.any & painted.inside)
    whole = inside == each * each
    share = np.round(over / np.maximum(inside, 1), 3)
    return {
        "square_m": COARSE,
        "north_west_corner_m": [at.ORIGIN[0], at.ORIGIN[1] + at.HEIGHT],
        "epsg": at.EPSG,
        "share": [
            [float(s) if ok else None for s, ok in zip(line, oks, strict=True)]
            for line, oks in zip(share.tolist(), whole.tolist(), strict=True)
        ],
    }


def _strips(found: list[Rolled]) -> list[dict]:
    """Return where heavy wheels rolled on wet ground, as lines in UTM."""
    strips = []
    for one in found:
        if one.time[-1] < WET_FROM:
            continue
        for wheel in one.wheels:
            heavy = wheel.mass > DEEP_WHEEL
            if wheel.right < 0 or not heavy.any():
                continue
            for part in np.split(
                np.arange(len(heavy)), np.flatnonzero(np.diff(heavy.astype(int))) + 1
            ):
                if not heavy[part[0]] or len(part) < 20:
                    continue
                line = shapely.LineString(
                    np.column_stack([wheel.east[part], wheel.north[part]])
                ).simplify(0.3)
                strips.append(
                    {
                        "machine": one.track.machine,
                        "body": wheel.body,
                        "axle": wheel.axle,
                        "right_m": wheel.right,
                        "wheel_kg_most": round(float(wheel.mass[part].max())),
                        "line": [
                            [round(x + at.ORIGIN[0], 1), round(y + at.ORIGIN[1], 1)]
                            for x, y in line.coords
                        ],
                    }
                )
    return strips


def _worked(season: Season) -> dict:
    """Return worked distance [m] and area [m2] by machine."""
    out: dict[str, dict[str, float]] = {}
    for track in season.tracks:
        if not track.work:
            continue
        motion = track.motion
        step = np.hypot(np.diff(motion.east), np.diff(motion.north))
        middle = (motion.time[1:] + motion.time[:-1]) / 2
        distance = float(step[track.working(middle)].sum())
        row = out.setdefault(track.machine, {"distance_m": 0.0, "area_m2": 0.0})
        row["distance_m"] = round(row["distance_m"] + distance, 1)
        row["area_m2"] = round(row["area_m2"] + distance * track.width, 1)
    return out


def _loads(season: Season) -> dict:
    """Return payload and wheel loads at times, by machine."""
    out: dict[str, dict] = {}
    for track in season.tracks:
        time = np.arange(track.motion.time[0], track.motion.time[-1], SAMPLE)
        payload = track.payload(time)
        found = wheels(track.rig, track.motion.at(time), payload)
        row = out.setdefault(
            track.machine,
            {
                "wheels": [[w.body, w.axle, w.right] for w in found],
                "time": [],
                "payload_kg": [],
                "wheel_kg": [],
            },
        )
        row["time"] += [_utc(moment) for moment in time.tolist()]
        row["payload_kg"] += payload.round().astype(int).tolist()
        row["wheel_kg"] += (
            np.column_stack([w.mass for w in found]).round().astype(int).tolist()
        )
    return out


def _utc(moment: float) -> str:
    return dt.datetime.fromtimestamp(round(moment), dt.UTC).strftime(
        "%Y-%m-%dT%H:%M:%SZ"
    )
