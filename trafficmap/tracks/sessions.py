"""Sessions: runs of a receiver whose fixes share one unknown shift in place."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trafficmap.core.tables import SESSIONS, require_table
from trafficmap.tracks.ground import LogFacts, by_log
from trafficmap.tracks.settle import receiver_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from trafficmap.core.settings.tracks import TrackSettings
    from trafficmap.machines.model import Machine


def sessions(
    fixes: pd.DataFrame,
    *,
    machines: Mapping[str, Machine],
    settings: TrackSettings,
    logs: Iterable[LogFacts] = (),
) -> pd.DataFrame:
    """Return one row a session: how far off its fixes may be, singly and together.

    Within a pass a receiver errs little; from one day to the next all of its places
    are shifted by the same unknown amount. Ground driven over in one session is
    therefore wrong as a whole or not at all: its tracks move together, and only tracks
    of different sessions move against each other.

    Parameters
    ----------
    fixes : DataFrame
        Contract `FIXES` or `SPLIT_FIXES`, as `clean` returns them.
    machines : mapping of str to Machine
        ``correction``, ``sigma_within`` and ``sigma_between`` are read.
    settings : TrackSettings
        ``session_gap``, and ``sigma`` for a machine that is not known.
    logs : iterable of LogFacts
        A log's own ``correction`` counts before that of its machine.

    Returns
    -------
    DataFrame
        Contract `SESSIONS`; rows in the order of the numbers in ``session``.
    """
    number = session_numbers(fixes, settings=settings)
    if not number.size:
        return SESSIONS.empty()
    facts = by_log(logs)
    first = np.flatnonzero(np.diff(number, prepend=-1))
    last = np.append(first[1:], number.size) - 1
    machine_id = fixes["machine_id"].iloc[first].to_numpy()
    log_id = fixes["log_id"].to_numpy(np.int64)[first]
    told = [
        receiver_of(facts.get(int(log)), machines.get(str(name)), settings)
        for log, name in zip(log_id, machine_id, strict=True)
    ]
    correction, within, shift, assumed = zip(*told, strict=True)
    table = pd.DataFrame(
        {
            "session": np.arange(first.size, dtype=np.int64),
            "machine_id": machine_id,
            "log_id": log_id,
            "start": fixes["time"].iloc[first].array,
            "end": fixes["time"].iloc[last].array,
            "correction": list(correction),
            "sigma_within": np.asarray(within, dtype=float),
            "sigma_shift": np.asarray(shift, dtype=float),
            "assumed": np.asarray(assumed, dtype=np.bool_),
        }
    )
    return require_table(table, SESSIONS)


def session_numbers(fixes: pd.DataFrame, *, settings: TrackSettings) -> np.ndarray:
    """Return the session of each fix, from 0 in the order of the table.

    A session ends with its log and at a pause of more than ``session_gap``.
    """
    log = fixes["log_id"].to_numpy()
    new = np.zeros(log.size, dtype=np.bool_)
    new[1:] = log[1:] != log[:-1]
    new[1:] |= np.diff(fixes["seconds"].to_numpy(dtype=float)) > settings.session_gap
    return np.cumsum(new).astype(np.int64)
