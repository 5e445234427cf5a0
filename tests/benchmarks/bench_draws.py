"""Two hundred seasons drawn on the main sample field, against one ordinary run.

A script, not a test: python tests/benchmarks/bench_draws.py [draws]. Prints how many
single runs the draws take, with and without leaving out what cannot matter, and whether
both came out the same. Seconds are those of this machine; the ratios travel.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

import numpy as np

from sample_fields.make import write_sample
from trafficmap import pipeline, risk
from trafficmap.core.settings import settings_from_dict
from trafficmap.field import read_field


def main(draws: int) -> None:
    """Time one run, then the draws both ways, each after a first call to compile."""
    with tempfile.TemporaryDirectory() as folder:
        field, _ = read_field(write_sample(Path(folder) / "field"))
    settings = settings_from_dict({"risk": {"draws": draws}}).risk
    pipeline.run(field)
    begin = time.perf_counter()
    result = pipeline.run(field)
    single = time.perf_counter() - begin
    print(f"one run: {single:.1f} s, {result.visits.cell.size} visits")

    def drawn(*, prune: bool) -> risk.Draws:
        found = risk.draw(
            result.visits,
            result.passes,
            profiles=result.profiles,
            strength=result.strength,
            columns=result.columns,
            grid=result.grid,
            inside=result.tray["inside"].values,
            tray=result.tray,
            sessions=result.sessions,
            settings=settings,
            resets=result.resets,
            prune=prune,
        )
        assert found is not None
        return found

    drawn(prune=True)
    found = {}
    for prune in (True, False):
        begin = time.perf_counter()
        found[prune] = drawn(prune=prune)
        taken = time.perf_counter() - begin
        print(
            f"{draws} draws, {'pruned' if prune else 'every visit'}: {taken:.1f} s, "
            f"{taken / single:.1f} single runs, {draws * single / taken:.0f}x faster "
            f"than {draws} runs; {found[prune].kept:.0%} of cells and depths drawn"
        )
    same = np.array_equal(found[True].area, found[False].area)
    print("identical" if same else "NOT IDENTICAL")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
