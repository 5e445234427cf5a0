"""Zones of the 24 ha sample drawn anew for another threshold, against a whole run.

A script, not a test: python tests/benchmarks/bench_zones.py. The invented sample field
is run once; then its zones are drawn anew for several thresholds. The ratio is against
the whole run in the same process; the limit is for processor time, so that other
work on the computer does not count.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import msgspec

from trafficmap.cli.sample import _sample_module
from trafficmap.field import read_field
from trafficmap.pipeline import redraw, run

LIMIT = 1.0
"""Most seconds of one thread for all zones, advice, plan and stops of 24 ha."""
THRESHOLDS = (0.2, 0.35, 0.5, 0.65)


def drawn_anew(result, threshold: float) -> tuple[float, int]:
    """Return seconds of processor time and the number of zones."""
    zones = msgspec.structs.replace(result.settings.zones, seed=threshold)
    use = msgspec.structs.replace(result.settings, zones=zones)
    began = time.process_time()
    again = redraw(result, settings=use)
    return time.process_time() - began, len(again.zones)


def main() -> int:
    """Print what it took and return 1 when it was too long."""
    with tempfile.TemporaryDirectory() as place:
        folder = _sample_module().write_sample(
            Path(place) / "field", field="ditch_sixty"
        )
        field, _ = read_field(folder)
        run(field)  # kernels are loaded, files are warm
        began = time.process_time()
        result = run(field)
        whole = time.process_time() - began
    print(f"{field.area / 1e4:.0f} ha, a whole run {whole:.2f} s")
    worst = 0.0
    for threshold in THRESHOLDS:
        seconds, count = min(drawn_anew(result, threshold) for _ in range(3))
        worst = max(worst, seconds)
        print(
            f"chance from {threshold:.2f}: {seconds:.2f} s, {count} zones, "
            f"{whole / seconds:.0f} times faster than a run"
        )
    print(f"slowest {worst:.2f} s, limit {LIMIT:.1f} s")
    return int(worst > LIMIT)


if __name__ == "__main__":
    sys.exit(main())
