"""Columns of the fixes as plain arrays."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd


def log_spans(fixes: pd.DataFrame) -> list[tuple[str, int, int]]:
    """Return (machine, first, last) of every log, positions in the table."""
    log = fixes["log_id"].to_numpy(dtype=np.int64)
    if log.size == 0:
        return []
    cuts = np.flatnonzero(np.diff(log) != 0) + 1
    edges = [0, *cuts.tolist(), log.size]
    machine = fixes["machine_id"].iloc[edges[:-1]]
    return [
        (str(name), a, b)
        for name, (a, b) in zip(machine, itertools.pairwise(edges), strict=True)
    ]


def epoch_seconds(time: pd.Series) -> np.ndarray:
    """Return zone-aware times as seconds since 1970 UTC, NaN where empty [s]."""
    values = time.dt.tz_localize(None).to_numpy(dtype="datetime64[ms]")
    return np.where(
        np.isnat(values), np.nan, values.astype(np.int64).astype(float) / 1e3
    )
