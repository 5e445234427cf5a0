"""The line from fixes to zones with more and more fixes on the same ground.

A script, not a test: python tests/benchmarks/bench_fixes.py [times ...]. The fixes of
the large sample field are sampled 1, 2, 4 and 13 times as densely, by straight lines in
between; 13 times is about a million. Each goes through `pipeline.run` in a process of
its own, caches warm. Linear in fixes means that seconds a fix do not grow.
"""

from __future__ import annotations

import dataclasses
import pickle
import subprocess
import sys
import tempfile
import time
from itertools import pairwise
from pathlib import Path

REPOSITORY = Path(__file__).parents[2]
DENSITIES = ("1", "2", "4", "13")


def denser(log, times: int):
    """Return one log with `times` - 1 fixes put between each two."""
    import numpy as np
    import pandas as pd

    old = np.arange(len(log))
    new = np.linspace(0, len(log) - 1, (len(log) - 1) * times + 1)
    out = log.iloc[np.floor(new + 1e-9).astype(int)].reset_index(drop=True)
    for name in ("seconds", "easting", "northing"):
        out[name] = np.interp(new, old, log[name].to_numpy())
    if log["time"].notna().all():
        moment = (log["time"] - log["time"].iloc[0]).dt.total_seconds()
        passed = np.interp(new, old, moment.to_numpy()) * 1000.0
        out["time"] = log["time"].iloc[0] + pd.to_timedelta(passed.round(), unit="ms")
    return out.assign(row=np.arange(len(out)))


def read_denser(folder: str, times: int):
    """Return the field with its logs sampled `times` times as densely."""
    import pandas as pd

    from trafficmap.field import read_field

    field, _ = read_field(Path(folder))
    logs = field.fixes.groupby("log_id", sort=False)
    parts = [denser(log, times) for _, log in logs]
    fixes = pd.concat(parts, ignore_index=True).astype(field.fixes.dtypes)
    return dataclasses.replace(field, fixes=fixes)


def prepare(folder: str, times: int, out: str) -> None:
    """Put a field to a file: what making it leaves in memory is none of the line's."""
    Path(out).write_bytes(pickle.dumps(read_denser(folder, times)))


def one(prepared: str) -> None:
    """Run one density in this process and print what it took."""
    import resource

    from trafficmap.pipeline import run

    with Path(prepared).open("rb") as file:
        field = pickle.load(file)
    marks: list[tuple[float, str]] = []
    begin = time.process_time()
    result = run(
        field, progress=lambda _, name: marks.append((time.process_time(), name))
    )
    marks.append((time.process_time(), ""))
    took = marks[-1][0] - begin
    to_mb = 1e-6 if sys.platform == "darwin" else 1024e-6
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * to_mb
    print(
        f"{len(field.fixes):8d} fixes, {result.events.cell.size} events: "
        f"{took:.2f} s CPU, {1e6 * took / len(field.fixes):.1f} us a fix, "
        f"peak memory {peak:.0f} MB"
    )
    for (start, name), (end, _) in pairwise(marks):
        print(f"{end - start:12.2f} s  {name}")


def main(densities: tuple[str, ...]) -> None:
    """Run every density in a fresh process."""
    with tempfile.TemporaryDirectory() as name:
        folder = str(Path(name) / "field")
        python = [sys.executable]
        sample = [*python, "-m", "trafficmap", "sample", folder]
        subprocess.run(sample, check=True, cwd=REPOSITORY, stdout=subprocess.DEVNULL)
        for times in densities:
            ready = str(Path(name) / f"field_{times}.pickle")
            make = [*python, __file__, "--prepare", folder, times, ready]
            subprocess.run(make, check=True, cwd=REPOSITORY)
            again = [*python, __file__, "--one", ready]
            subprocess.run(again, check=True, cwd=REPOSITORY)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        sys.path.insert(0, str(REPOSITORY))
        one(sys.argv[2])
    elif sys.argv[1:2] == ["--prepare"]:
        sys.path.insert(0, str(REPOSITORY))
        prepare(sys.argv[2], int(sys.argv[3]), sys.argv[4])
    else:
        main(tuple(sys.argv[1:]) or DENSITIES)
