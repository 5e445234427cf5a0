"""Wheel paths: where every axle went and what every wheel carried on the way."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd


@dataclass(frozen=True)
class LoadStates:
    """The distinct load states of all machines; a fix names its state by number.

    Payload is put into classes, so there are hundreds of states, not millions, and
    stress is computed once a state. Wheels are columns by their ``slot`` in the
    `WHEELS` table; a machine with fewer wheels leaves the rest NaN.

    Parameters
    ----------
    machine_id : ndarray of str, shape (n_states,)
    payload_low, payload, payload_high : ndarray, shape (n_states,)
        Mass carried by the whole machine (all bodies). [kg]
    load_low, load, load_high : ndarray, shape (n_states, n_slots)
        Vertical load of each wheel. [N]
    source : ndarray of str, shape (n_states,)
        signal, inferred, assumed, or none where the machine carries nothing.
    """

    machine_id: np.ndarray
    payload_low: np.ndarray
    payload: np.ndarray
    payload_high: np.ndarray
    load_low: np.ndarray
    load: np.ndarray
    load_high: np.ndarray
    source: np.ndarray


@dataclass(frozen=True)
class WheelPaths:
    """Paths of bodies as stations at most 0.5 m apart, as equal-length arrays.

    A path is one body in one pass; its stations are
    ``begin[p] .. begin[p + 1]``. A wheel stands at
    ``place + forward * f + right * r`` with f = (sin h, cos h), r = (cos h, -sin h).

    Parameters
    ----------
    wheels : DataFrame
        Contract `core.tables.WHEELS`.
    states : LoadStates
    begin : ndarray of int64, shape (n_paths + 1,)
    body_id : ndarray of int32, shape (n_paths,)
    pass_id : ndarray of int64, shape (n_paths,)
    easting, northing : ndarray, shape (n_stations,)
        Centre of the body's reference axle on the ground. [m]
    heading : ndarray, shape (n_stations,)
        Body heading clockwise from grid north. [rad]
    time : ndarray, shape (n_stations,)
        Seconds since 1970 UTC, NaN where the clock cannot be trusted. [s]
    seconds : ndarray, shape (n_stations,)
        The log's own clock; orders stations of one machine. [s]
    state : ndarray of int32, shape (n_stations,)
        Row in `states`.
    """

    wheels: pd.DataFrame
    states: LoadStates
    begin: np.ndarray
    body_id: np.ndarray
    pass_id: np.ndarray
    easting: np.ndarray
    northing: np.ndarray
    heading: np.ndarray
    time: np.ndarray
    seconds: np.ndarray
    state: np.ndarray
