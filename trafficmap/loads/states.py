"""Payload of every fix to a few hundred load states, and the load of every wheel."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from trafficmap.core.settings.loads import LoadSettings
from trafficmap.loads.paths import LoadStates
from trafficmap.machines.axles import rig_wheel_loads
from trafficmap.machines.model import MOVING, Machine

SOURCES = ("none", "signal", "inferred", "assumed")

_COARSE = 5
"""Low and high are kept on classes this much wider, rounded outward; choice."""

_LEAN_STEP = 0.01
"""Wheel loads on a slope are rounded to steps of 1 %; choice."""


def load_states(
    machine_of_fix,
    state_of_fix,
    payload: pd.DataFrame,
    *,
    machines: dict[str, Machine],
    density: float,
    settings: LoadSettings,
    pitch=None,
    roll=None,
    slope_unknown: float = 0.0,
) -> tuple[LoadStates, np.ndarray]:
    """Return the distinct load states, and the state of every fix.

    Payload is rounded to ``payload_classes`` steps of the capacity, low down and high
    up; pitch and roll to classes of ``slope_step``.

    Parameters
    ----------
    machine_of_fix, state_of_fix : ndarray of str, shape (n,)
        Machine and state word of each fix.
    payload : DataFrame, n rows
        payload_low, payload, payload_high [kg] and source.
    machines : dict of str to Machine
    density : float
        Bulk density of the crop. [kg/m3]
    settings : LoadSettings
    pitch, roll : ndarray, shape (n,), optional
        Of the ground under each fix, nose up and right side low positive; level if
        left out. [fraction]
    slope_unknown : float
        Slope whose direction is not known: it widens the interval. [fraction]

    Returns
    -------
    LoadStates
    ndarray of int32, shape (n,)
        Row in the states of each fix, -1 where its machine is not known.
    """
    n_slots = max((len_wheels(m) for m in machines.values()), default=0)
    columns: dict[str, list[np.ndarray]] = {
        name: []
        for name in ("id", "low", "best", "high", "f_low", "f", "f_high", "source")
    }
    state_row = np.full(len(payload), -1, dtype=np.int32)
    machine_of_fix = np.asarray(machine_of_fix, dtype=object)
    words = pd.Categorical(np.asarray(state_of_fix, dtype=object))
    source = pd.Categorical(payload["source"], categories=list(SOURCES))
    total = 0
    for name, machine in machines.items():
        rows = np.flatnonzero(machine_of_fix == name)
        if rows.size == 0:
            continue
        step = _class_step(machine, density, settings.payload_classes)
        trims = _trims(machine, list(words.categories))
        key = np.stack(
            [
                np.floor(
                    _column(payload, "payload_low", rows) / (step * _COARSE) + 1e-9
                ),
                np.rint(_column(payload, "payload", rows) / step),
                np.ceil(
                    _column(payload, "payload_high", rows) / (step * _COARSE) - 1e-9
                ),
                source.codes[rows],
                trims[words.codes[rows]],
                _slope_class(pitch, rows, settings.slope_step),
                _slope_class(roll, rows, settings.slope_step),
            ],
            axis=1,
        ).astype(np.int64)
        distinct, inverse = np.unique(_packed(key), return_inverse=True)
        first = np.full(distinct.size, -1, dtype=np.int64)
        first[inverse[::-1]] = np.arange(rows.size)[::-1]
        table = key[first]
        best = table[:, 1] * step
        low = np.minimum(table[:, 0] * step * _COARSE, best)
        high = np.maximum(table[:, 2] * step * _COARSE, best)
        loads = _wheel_loads(
            machine,
            (low, best, high),
            table[:, 4],
            words=_first_words(trims, list(words.categories)),
            slopes=table[:, 5:] * settings.slope_step,
            density=density,
            rolling=settings.rolling_resistance,
            slope_unknown=slope_unknown,
        )
        for column, values in zip(("f_low", "f", "f_high"), loads, strict=True):
            wide = np.full((best.size, n_slots), np.nan)
            wide[:, : values.shape[1]] = values
            columns[column].append(wide)
        columns["id"].append(np.full(best.size, name, dtype=object))
        columns["low"].append(low)
        columns["best"].append(best)
        columns["high"].append(high)
        columns["source"].append(np.array(SOURCES, dtype=object)[table[:, 3]])
        state_row[rows] = inverse + total
        total += best.size
    return _joined(columns, n_slots), state_row


def len_wheels(machine: Machine) -> int:
    """Return how many wheels a rig has."""
    return sum(
        1 if contact.centre else 2
        for body in machine.bodies
        for axle in body.axles
        for contact in axle.contacts
    )


def _class_step(machine: Machine, density: float, classes: int) -> float:
    capacity = machine.capacity(density)
    return capacity / classes if math.isfinite(capacity) and capacity > 0 else 250.0


def _column(payload: pd.DataFrame, name: str, rows) -> np.ndarray:
    return payload[name].to_numpy(dtype=float)[rows]


def _packed(key: np.ndarray) -> np.ndarray:
    """Return one whole number for each row of small whole numbers."""
    key = key - key.min(axis=0)
    out = np.zeros(key.shape[0], dtype=np.int64)
    for column in key.T:
        out = out * (int(column.max()) + 1) + column
    return out


def _slope_class(slope, rows, step: float) -> np.ndarray:
    if slope is None:
        return np.zeros(rows.size)
    return np.rint(np.asarray(slope, dtype=float)[rows] / step)


def _trims(machine: Machine, words: list[str]) -> np.ndarray:
    """Return a number for each state word; words that load the rig alike share it."""
    seen: dict[tuple, int] = {}
    out = []
    trailed = len(machine.bodies) > 1
    for word in words:
        signature = (
            trailed and word in MOVING,
            *(h.pull(word) for body in machine.bodies for h in body.hitches),
            *(a.carried(word) for body in machine.bodies for a in body.attachments),
        )
        out.append(seen.setdefault(signature, len(seen)))
    return np.array(out, dtype=np.int64)


def _first_words(trims: np.ndarray, words: list) -> list[str]:
    """Return one word for each number of `_trims`."""
    count = int(trims.max()) + 1 if trims.size else 0
    return [str(words[int(np.flatnonzero(trims == k)[0])]) for k in range(count)]


def _wheel_loads(
    machine: Machine,
    carried: tuple[np.ndarray, np.ndarray, np.ndarray],
    trim: np.ndarray,
    *,
    words: list[str],
    slopes: np.ndarray,
    density: float,
    rolling: float,
    slope_unknown: float,
) -> list[np.ndarray]:
    """Return low, best and high load of each wheel [N], shape (n, n_wheels) each.

    Low and high hold the corners of empty mass, payload and pull, wheel by wheel: a
    wheel ahead of the other axle's load may be lightest when the rig is heaviest. A
    slope whose direction is not known adds what it would do in the worst direction.
    """
    spread = _mass_spread(machine)
    pulls = any(h.pull(w) > 0 for b in machine.bodies for h in b.hitches for w in words)
    bounds = (-1.0, 1.0) if pulls else (0.0,)
    low, best, high = carried
    out = [np.empty((best.size, len_wheels(machine))) for _ in range(3)]
    for number in np.unique(trim):
        rows = np.flatnonzero(trim == number)
        pitch, roll = slopes[rows].T

        def loads(
            payload,
            factor=1.0,
            bound=0.0,
            more=(0.0, 0.0),
            rows=rows,
            word=words[number],
            pitch=pitch,
            roll=roll,
        ):
            return rig_wheel_loads(
                machine,
                payload[rows],
                density=density,
                state=word,
                mass_factor=factor,
                pull_bound=bound,
                pitch=pitch + more[0],
                roll=roll + more[1],
                rolling_resistance=rolling,
            )

        middle = loads(best)
        corners = [
            loads(payload, factor, bound)
            for payload in (low, high)
            for factor in (1.0 - spread, 1.0 + spread)
            for bound in bounds
        ]
        least, most = np.minimum.reduce(corners), np.maximum.reduce(corners)
        if slope_unknown > 0.0:
            tips = [
                loads(best, more=more) - middle
                for side in (-slope_unknown, slope_unknown)
                for more in ((side, 0.0), (0.0, side))
            ]
            least = np.maximum(least + np.minimum.reduce(tips), 0.0)
            most = most + np.maximum.reduce(tips)
        leans = (slopes[rows] != 0.0).any(axis=1)
        middle[leans] = _in_classes(middle[leans])
        out[0][rows] = np.minimum(middle, least)
        out[1][rows] = middle
        out[2][rows] = np.maximum(middle, most)
    return out


def _in_classes(load: np.ndarray) -> np.ndarray:
    """Round loads to steps of `_LEAN_STEP`.

    Each wheel on each slope has its own load, and stress is computed once a load.
    """
    some = np.maximum(load, 1.0)
    rounded = np.exp(np.rint(np.log(some) / _LEAN_STEP) * _LEAN_STEP)
    return np.where(load >= 1.0, rounded, 0.0)


def _mass_spread(machine: Machine) -> float:
    """Half width of the interval of the rig's empty mass [fraction], mass-averaged."""
    return (
        sum(body.mass.empty_kg * body.mass_spread for body in machine.bodies)
        / machine.empty_mass
    )


def _joined(columns: dict[str, list[np.ndarray]], n_slots: int) -> LoadStates:
    def flat(name: str, dtype) -> np.ndarray:
        return (
            np.concatenate(columns[name]) if columns[name] else np.empty(0, dtype=dtype)
        )

    def wide(name: str) -> np.ndarray:
        return (
            np.concatenate(columns[name])
            if columns[name]
            else np.empty((0, n_slots), dtype=float)
        )

    return LoadStates(
        machine_id=flat("id", object),
        payload_low=flat("low", float),
        payload=flat("best", float),
        payload_high=flat("high", float),
        load_low=wide("f_low"),
        load=wide("f"),
        load_high=wide("f_high"),
        source=flat("source", object),
    )
