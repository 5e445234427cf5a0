"""What happened on a piece of ground, in one plain sentence."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from trafficmap.core.constants import COMPUTE_DEPTHS, GRAVITY
from trafficmap.core.units import from_si
from trafficmap.soil.series import wetness_word

if TYPE_CHECKING:
    from trafficmap.loads.paths import WheelPaths
    from trafficmap.traffic.events import PassEvents
    from trafficmap.zones.units import Units


_LOOKED_AT = 0.35


def causes(
    units: Units,
    *,
    events: PassEvents,
    paths: WheelPaths,
    strength: Any = None,
    columns: Any = None,
    time_zone: str | None = None,
    words: str = "us",
    resets: Any = None,
) -> list[str]:
    """Return, a unit, what weighed most on it: axle, body, passes, day, soil water.

    What weighed most is the axle with the largest mass for the strength the soil had
    at 0.35 m just then; without soil or weather the heaviest.

    Parameters
    ----------
    units : Units
    events : PassEvents
    paths : WheelPaths
    strength : Strength, optional
        ``suction`` [Pa] (times, columns, depths), ``row_of(times)``.
    columns : SoilColumns, optional
    time_zone : str, optional
        IANA name for the date; UTC if not known.
    words : {"us", "metric"}
        Short tons or tonnes.
    resets : Resets, optional
        Passes that tillage has undone at 0.35 m since are no cause; those after it met
        weaker soil.

    Returns
    -------
    list of str
        Without full stop; empty for ground nothing was driven on.
    """
    mass, body = _axles(paths)
    axle = paths.wheels["axle_id"].to_numpy()[events.wheel]
    weight = mass[axle, events.state]
    unit = units.label.ravel()[events.cell]
    ln_strength = _ln_strength(events, strength, columns)
    undone = np.zeros(events.cell.size, dtype=np.bool_)
    if resets is not None:
        depth = COMPUTE_DEPTHS.index(_LOOKED_AT)
        since = resets.since[resets.kind_of_cell[events.cell], depth]
        undone = events.time < since
        ln_strength = ln_strength + _loosened(events, resets, columns, since)
    out = []
    for number, passes in zip(units.table["unit"], units.table["passes"], strict=True):
        mine = np.flatnonzero(unit == number)
        if not mine.size:
            out.append("")
            continue
        mine = mine[~undone[mine]]
        if not mine.size:
            out.append("tilled deeper than 14 in (35 cm) since the last wheel")
            continue
        known = mine[np.isfinite(weight[mine])]
        if not known.size:
            out.append("run over, axle loads not known")
            continue
        score = np.log(weight[known]) - ln_strength[known]
        # A pass on soil of unknown strength only counts when no other is known.
        score[~np.isfinite(score)] = -np.inf
        first = known[np.argmax(score if np.isfinite(score).any() else weight[known])]
        parts = [f"{body[axle[first]]} axle of {_tons(weight[first], words)}"]
        if np.isfinite(events.time[first]):
            parts.append(f"on {_day(events.time[first], time_zone)}")
        parts.append(_passes(passes))
        wet = _wetness(events, int(first), strength, columns)
        if wet:
            parts.append(wet)
        out.append(", ".join(parts))
    return out


def _axles(paths: WheelPaths) -> tuple[np.ndarray, dict[int, str]]:
    """Return mass on each axle in each state [kg], and the body it belongs to."""
    wheels, states = paths.wheels, paths.states
    count = int(wheels["axle_id"].max()) + 1 if len(wheels) else 0
    mass = np.zeros((count, states.machine_id.size))
    body: dict[int, str] = {}
    columns = (wheels["axle_id"], wheels["slot"], wheels["body"])
    for axle, slot, name in zip(*(c.tolist() for c in columns), strict=True):
        mass[axle] += states.load[:, slot] / GRAVITY
        words = str(name).replace("_", " ")
        body[axle] = words.removesuffix(" mid").removesuffix(" large")
    return mass, body


def _ln_strength(events: PassEvents, strength: Any, columns: Any) -> np.ndarray:
    """Return ln of the strength at the looked-at depth under each event, or NaN."""
    out = np.full(events.cell.size, np.nan)
    if strength is None or columns is None:
        return out
    row = strength.row_of(events.time)
    column = columns.column_of_cell[events.cell]
    known = (row >= 0) & (column >= 0)
    depth = COMPUTE_DEPTHS.index(_LOOKED_AT)
    out[known] = strength.ln_strength[row[known], column[known], depth]
    return out


def _loosened(
    events: PassEvents, resets: Any, columns: Any, since: np.ndarray
) -> np.ndarray:
    """Return what tillage took from ln strength under each event, 0 or less."""
    if columns is None:
        return np.zeros(events.cell.size)
    depth = COMPUTE_DEPTHS.index(_LOOKED_AT)
    column = columns.column_of_cell[events.cell]
    rows = resets.loosened[:, depth]
    weaker = rows[np.clip(column, 0, rows.size - 1)]
    return np.where((since > -np.inf) & (column >= 0), weaker, 0.0)


def _tons(mass: float, words: str) -> str:
    if words == "metric":
        return f"{mass / 1000:.0f} t"
    return f"{from_si(mass, 'short_ton'):.0f} tons"


def _day(seconds: float, time_zone: str | None) -> str:
    moment = pd.Timestamp(seconds, unit="s", tz="UTC")
    if time_zone:
        moment = moment.tz_convert(ZoneInfo(time_zone))
    return f"{moment:%a} {moment.day} {moment:%b}"


def _passes(passes: float) -> str:
    count = max(1, round(passes))
    return "1 pass" if count == 1 else f"up to {count} passes"


def _wetness(events: PassEvents, k: int, strength: Any, columns: Any) -> str:
    """Say how wet the soil was at the time of event `k`."""
    if strength is None or columns is None:
        return ""
    row = int(strength.row_of(events.time[k : k + 1])[0])
    column = int(columns.column_of_cell[events.cell[k]])
    if row < 0 or column < 0:
        return ""
    depth = COMPUTE_DEPTHS.index(_LOOKED_AT)
    word = wetness_word(float(strength.suction[row, column, depth]))
    return f"soil {word} at 14 in (35 cm)"
