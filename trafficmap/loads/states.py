"""Payload of every fix to a few hundred load states, and the load of every wheel."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from trafficmap.loads.mass import rig_wheel_loads
from trafficmap.loads.paths import LoadStates
from trafficmap.machines.model import Machine

SOURCES = ("none", "signal", "inferred", "assumed")

_COARSE = 5
"""Low and high are kept on classes this much wider, rounded outward; choice."""


def load_states(
    machine_of_fix,
    state_of_fix,
    payload: pd.DataFrame,
    *,
    machines: dict[str, Machine],
    density: float,
    classes: int,
) -> tuple[LoadStates, np.ndarray]:
    """Return the distinct load states, and the state of every fix.

    Payload is rounded to `classes` steps of the capacity, low down and high up.

    Parameters
    ----------
    machine_of_fix, state_of_fix : ndarray of str, shape (n,)
        Machine and state word of each fix.
    payload : DataFrame, n rows
        payload_low, payload, payload_high [kg] and source.
    machines : dict of str to Machine
    density : float
        Bulk density of the crop. [kg/m3]
    classes : int
        Steps between empty and full.

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
        step = _class_step(machine, density, classes)
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
            machine, low, best, high, table[:, 4], words.categories, trims, density
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


def _trims(machine: Machine, words: list[str]) -> np.ndarray:
    """Return a number for each state word; words that load the rig alike share it."""
    seen: dict[tuple, int] = {}
    out = []
    pulls = any(h.pull_kn > 0 for body in machine.bodies for h in body.hitches)
    for word in words:
        signature = (
            pulls and word == "working",
            *(word in a.absent_in for body in machine.bodies for a in body.attachments),
        )
        out.append(seen.setdefault(signature, len(seen)))
    return np.array(out, dtype=np.int64)


def _wheel_loads(machine, low, best, high, trim, words, trims, density):
    """Return low, best and high load of each wheel [N], shape (n, n_wheels) each.

    Low and high hold the four corners of empty mass and payload, wheel by wheel: a
    wheel ahead of the other axle's load may be lightest when the rig is heaviest.
    """
    spread = _mass_spread(machine)
    out = [np.empty((best.size, len_wheels(machine))) for _ in range(3)]
    for number in np.unique(trim):
        rows = np.flatnonzero(trim == number)
        word = str(words[int(np.flatnonzero(trims == number)[0])])

        def loads(payload, factor, word=word):
            return rig_wheel_loads(
                machine, payload, density=density, state=word, mass_factor=factor
            )

        middle = loads(best[rows], 1.0)
        corners = [
            loads(payload[rows], factor)
            for payload in (low, high)
            for factor in (1.0 - spread, 1.0 + spread)
        ]
        out[0][rows] = np.minimum.reduce([middle, *corners])
        out[1][rows] = middle
        out[2][rows] = np.maximum.reduce([middle, *corners])
    return out


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
