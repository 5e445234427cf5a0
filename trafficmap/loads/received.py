"""Which correction the receiver of a machine had, where a log says another one."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import pandas as pd

from trafficmap.machines.model import SIGMAS, Machine
from trafficmap.tracks.ground import LogFacts, by_log


def received_in(
    machine: Machine, log_id: int, facts: Mapping[int, LogFacts]
) -> Machine:
    """Return a machine with the correction that one of its logs names."""
    told = facts.get(log_id)
    return machine if told is None else machine.received_with(told.correction)


def poorest_received(
    machines: dict[str, Machine], fixes: pd.DataFrame, logs: Iterable[LogFacts]
) -> dict[str, Machine]:
    """Return the machines, each with the poorest correction of all of its logs.

    What pairs tracks over a whole season must hold for the log that knows its places
    least.

    Parameters
    ----------
    machines : dict of str to Machine
    fixes : DataFrame
        Contract `FIXES`: which machine made which log.
    logs : iterable of LogFacts
    """
    facts = by_log(logs)
    if not any(told.correction for told in facts.values()):
        return machines
    made = fixes[["machine_id", "log_id"]].drop_duplicates()
    out = dict(machines)
    for name, mine in made.groupby("machine_id", sort=False):
        machine = machines.get(str(name))
        if machine is None:
            continue
        found = [received_in(machine, int(log), facts) for log in mine["log_id"]]
        out[str(name)] = max(found, key=lambda one: SIGMAS[one.correction])
    return out
