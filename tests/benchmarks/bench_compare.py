"""Comparing five changes on the large sample field, against six runs of it.

A script, not a test: python tests/benchmarks/bench_compare.py. It makes the invented
field in a temporary folder and runs it once to fill the caches; then it times one run
and one comparison of five changes (seven seasons: as it was, each change, all
together), each a fresh process. The ratio of their CPU seconds travels; the seconds
are those of this machine at this hour. Needs Linux or macOS.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

CHANGES = """
[half_cart]
fill = { cart = 0.5 }
[ends]
unload_at_ends = true
[follow]
carts_on_combine_tracks = true
[lanes]
lanes_every_ft = 30
[soft]
pressure_times = { cart = 0.7, combine = 0.8 }
"""


def spent(folder: Path, *words: str) -> float:
    """Return CPU seconds of one command, system included [s]."""
    before = os.times()
    subprocess.run(
        [sys.executable, "-m", "trafficmap", "-q", *words],
        cwd=folder,
        check=True,
        stdout=subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
    )
    after = os.times()
    return (
        after.children_user
        - before.children_user
        + after.children_system
        - before.children_system
    )


def main() -> None:
    """Print seconds and their ratio."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        (folder / "changes.toml").write_text(CHANGES, encoding="utf-8")
        spent(folder, "sample", "demo")
        spent(folder, "run", "demo", "-o", "warm")
        run = spent(folder, "run", "demo", "-o", "out")
        words = ("compare", "out", "--change", "changes.toml", "-o", "next")
        whole = spent(folder, *words)
    print(f"run {run:.1f} s, compare of five changes {whole:.1f} s of CPU")
    print(f"compare / run {whole / run:.2f}; six runs would be 6.00")


if __name__ == "__main__":
    main()
