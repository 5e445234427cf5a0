"""Ten million rows of text against the general reader: time, memory, and the dates.

A script, not a test: python tests/benchmarks/bench_text.py [rows] [folder]. Each
reader runs in a process of its own on the same invented file (longitude, latitude, ISO
time with a zone, speed, width, work state), one after the other on this machine; only
the ratio means anything. The baseline is `pandas.read_csv` with its compiled parser
and `parse_dates`, which leaves columns as written; `read_logs` also drops what does
not fit, settles units and clock, checks the speed against the places and returns the
table under our names in SI. Memory is the most a process held; its slope between two
sizes is what a row costs.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

PANDAS = """
import pandas as pd
frame = pd.read_csv(path, parse_dates=["time"])
seen = frame["time"].iloc[-1].timestamp()
"""
OURS = """
from trafficmap.formats.logs import read_logs
(log,) = read_logs(path)
assert log.clock == "utc"
seen = float(log.table["seconds"].iloc[-1])
"""
WARM = """
import tempfile, pathlib
with tempfile.TemporaryDirectory() as place:
    small = pathlib.Path(place) / "small.csv"
    with open(path) as whole:
        small.write_text("".join(next(whole) for _ in range(500)))
    path, kept = str(small), path
    exec(code)
    path = kept
"""
CHILD = """
import json, resource, sys, time
path, code, warm = sys.argv[1:4]
exec(warm)
began = time.perf_counter()
exec(code)
took = time.perf_counter() - began
most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
print(json.dumps([took, most, seen]))
"""


def write_log(path: Path, rows: int) -> None:
    """Write an invented log: up and down a field, one row a second."""
    start = np.datetime64("2026-04-01T06:00:00")
    with path.open("w", encoding="utf-8") as stream:
        stream.write("longitude,latitude,time,speed_m_s,width_m,work_state\n")
        for first in range(0, rows, 100_000):
            k = np.arange(first, min(rows, first + 100_000))
            along = np.abs(k % 1000 - 500)
            latitude = 42.03 + along * 1.35e-5
            longitude = -93.62 + k % 200_000 // 500 * 7e-5
            stamps = np.datetime_as_string(start + k.astype("timedelta64[s]"))
            lines = (
                f"{east:.8f},{north:.8f},{stamp}Z,1.50,6.0,1"
                for east, north, stamp in zip(longitude, latitude, stamps, strict=True)
            )
            stream.write("\n".join(lines) + "\n")


def measured(code: str, path: Path) -> tuple[float, float, float]:
    """Return seconds, most memory [MB] and the last stamp a reader saw."""
    command = [sys.executable, "-c", CHILD, str(path), code, WARM]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    return tuple(json.loads(done.stdout.splitlines()[-1]))


def main(rows: int, folder: Path) -> None:
    """Print both readers at a tenth of the size and at the whole."""
    most: dict[str, list[float]] = {"pandas": [], "trafficmap": []}
    for size in (rows // 10, rows):
        path = folder / f"log_{size}.csv"
        write_log(path, size)
        megabytes = path.stat().st_size / 1e6
        print(f"{size:,} rows, {megabytes:,.0f} MB")
        theirs = measured(PANDAS, path)
        ours = measured(OURS, path)
        assert theirs[2] == ours[2], "the two readers disagree on the last stamp"
        for name, (took, memory, _) in (("pandas", theirs), ("trafficmap", ours)):
            most[name].append(memory)
            print(
                f"  {name:10} {took:7.2f} s  {size / took / 1e6:5.2f} M rows/s  "
                f"{memory:7,.0f} MB at most"
            )
        print(f"  time of trafficmap / pandas.read_csv: {ours[0] / theirs[0]:.2f}")
        path.unlink()
    for name, (small, large) in most.items():
        print(
            f"memory a row, {name}: {(large - small) * 1e6 / (rows * 0.9):,.0f} bytes"
        )


if __name__ == "__main__":
    wanted = int(float(sys.argv[1])) if len(sys.argv) > 1 else 10_000_000
    if len(sys.argv) > 2:
        main(wanted, Path(sys.argv[2]))
    else:
        with tempfile.TemporaryDirectory() as place:
            main(wanted, Path(place))
