"""The whole command line on the large sample field, in fresh processes.

A script, not a test: python tests/benchmarks/bench_run.py [runs]. It makes the invented
field in a temporary folder, runs it once to fill the caches of bytecode and compiled
kernels, then [runs] times (5), each time beside a baseline: a fresh process that
imports the same libraries and sorts and sums a fixed set of random numbers. Seconds are
those of this machine at this hour; the ratios to the baseline travel. Needs a system
that tells what a child process used (Linux, macOS).
"""

from __future__ import annotations

import os
import re
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

REPOSITORY = Path(__file__).parents[2]
STAGE = re.compile(r"^ *(\d+\.\d+) s  (.+)$", re.MULTILINE)
BASELINE = """
import numpy as np
import pandas, geopandas, xarray, numba, rasterio.features, folium, jinja2
import matplotlib.figure, scipy.interpolate, scipy.ndimage, scipy.optimize
import trafficmap.formats._gdal
numbers = np.random.default_rng(60).random(8_000_000)
for _ in range(3):
    numbers = np.cumsum(np.sort(numbers[::-1])) % 1.0
"""


class Used(NamedTuple):
    """What one process took: wall and CPU seconds, peak memory [MB], what it said."""

    wall: float
    cpu: float
    peak: float
    said: str


def environment(folder: Path) -> dict[str, str]:
    """Return an environment in which bytecode is kept, as after an ordinary install."""
    keep = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    path = os.pathsep.join(filter(None, [str(REPOSITORY), keep.get("PYTHONPATH")]))
    return keep | {"PYTHONPYCACHEPREFIX": str(folder / "bytecode"), "PYTHONPATH": path}


def used(arguments: list[str], folder: Path) -> Used:
    """Run Python with `arguments` to its end; this process must stay small itself."""
    log = folder / "said.txt"
    begin = time.perf_counter()
    with log.open("wb") as said:
        child = subprocess.Popen(
            [sys.executable, *arguments],
            cwd=folder,
            env=environment(folder),
            stdout=said,
            stderr=said,
        )
        _, status, usage = os.wait4(child.pid, 0)
    wall = time.perf_counter() - begin
    child.returncode = os.waitstatus_to_exitcode(status)
    text = log.read_text(encoding="utf-8", errors="replace")
    if child.returncode:
        sys.exit(f"python {' '.join(arguments)} ended with {child.returncode}:\n{text}")
    to_mb = 1e-6 if sys.platform == "darwin" else 1024e-6
    return Used(wall, usage.ru_utime + usage.ru_stime, usage.ru_maxrss * to_mb, text)


def stages(runs: list[Used]) -> dict[str, float]:
    """Return the median seconds of each stage, in order; the logs as one."""
    tables = []
    for run in runs:
        table: dict[str, float] = {}
        for seconds, text in STAGE.findall(run.said):
            name = "read the logs" if text.startswith("reading ") else text
            table[name] = table.get(name, 0.0) + float(seconds)
        tables.append(table)
    return {
        name: statistics.median(table.get(name, 0.0) for table in tables)
        for name in tables[0]
    }


def main(count: int) -> None:
    """Print seconds a stage, wall, CPU, memory and ratios."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        used(["-m", "trafficmap", "sample", "field"], folder)
        line = ["-m", "trafficmap", "run", "field", "-o", "out", "--overwrite"]
        line.append("--profile")
        first = used(line, folder)
        used(["-c", BASELINE], folder)
        runs, base = [], []
        for _ in range(count):  # by turns, so that both meet the same neighbours
            base.append(used(["-c", BASELINE], folder))
            runs.append(used(line, folder))
    print(f"median of {count} runs of ditch_sixty in fresh processes, caches warm")
    for stage, seconds in stages(runs).items():
        print(f"{seconds:8.2f} s  {stage}")
    wall, cpu, peak = (statistics.median(k) for k in list(zip(*runs, strict=True))[:3])
    base_wall = statistics.median(k.wall for k in base)
    base_cpu = statistics.median(k.cpu for k in base)
    print(f"wall {wall:.2f} s (first run, caches as they were: {first.wall:.2f} s)")
    print(f"CPU {cpu:.2f} s, least {min(k.cpu for k in runs):.2f} s")
    print(f"peak memory {peak:.0f} MB")
    print(f"baseline: wall {base_wall:.2f} s, CPU {base_cpu:.2f} s")
    print(f"run / baseline: wall {wall / base_wall:.1f}, CPU {cpu / base_cpu:.1f}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 5)
