"""Distance and area worked, as a machine's own counters count them."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trafficmap.core import limits

FASTEST_WORK = 12.0
"""No worked step is faster [m/s]; choice."""


def worked(fixes: pd.DataFrame) -> pd.DataFrame:
    """Return area and distance worked in each log.

    A worked step lies between two successive fixes of a log at most
    `limits.GAP_SECONDS` apart, no faster than 12 m/s, whose later record says that it
    worked; its area is its length times the width in the later record.

    Parameters
    ----------
    fixes : DataFrame
        Contract `FIXES` or `SPLIT_FIXES`. Without work states the state ``working``
        of `split` stands in.

    Returns
    -------
    DataFrame
        Columns log_id, area [m2], distance [m]; area is NaN where no width is known.
        Logs that `clean` joined are counted apart.

    Notes
    -----
    Lengths are on the map plane; in a UTM zone they differ by at most 0.1 % from
    those on the ground. The definition is a choice; it stays within 3 % of the
    area counter of a forage harvester in 12 of its 14 tasks and within 1 % over all.
    In the two others that counter lies 2.6 and 3.3 % below the machine's own distance
    counter times its width; ours is within 2 % of these.
    """
    table = fixes.reset_index(drop=True)
    log = table["log_id"].to_numpy(np.int64)
    source = table["source_log"].to_numpy(np.int64) if "source_log" in table else log
    step = np.hypot(
        np.diff(table["easting"].to_numpy(), prepend=np.nan),
        np.diff(table["northing"].to_numpy(), prepend=np.nan),
    )
    passed = np.diff(table["seconds"].to_numpy(), prepend=np.nan)
    good = (passed > 0.0) & (passed <= limits.GAP_SECONDS)
    good[1:] &= log[1:] == log[:-1]
    good &= step <= FASTEST_WORK * passed
    step = np.where(good, step, 0.0)
    state = table["work_state"].to_numpy(dtype=float)
    width = table["width"].to_numpy(dtype=float)
    guess = (
        (table["state"] == "working").to_numpy()
        if "state" in table
        else np.zeros(len(table), dtype=np.bool_)
    )
    rows = []
    for name in np.unique(source):
        mine = source == name
        told = np.isfinite(state[mine]).any()
        on = state[mine] > 0.0 if told else guess[mine]
        length, swath = step[mine][on], width[mine][on]
        area = (length * np.nan_to_num(swath)).sum()
        rows.append(
            {
                "log_id": int(name),
                "area": area if np.isfinite(swath).any() else np.nan,
                "distance": length.sum(),
            }
        )
    return pd.DataFrame(rows, columns=["log_id", "area", "distance"])
