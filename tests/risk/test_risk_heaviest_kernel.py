"""The visit that weighed most on a cell, against a plain search one by one."""

from __future__ import annotations

import numpy as np

from trafficmap.risk._kernels import heaviest_visits
from trafficmap.risk.inputs import windows


def test_kernel_finds_what_a_plain_search_finds():
    rng = np.random.default_rng(3)
    cells, visits, offsets, depths = 40, 400, 41, 3
    cell = np.sort(rng.integers(0, cells, visits))
    start = np.searchsorted(cell, np.arange(cells + 1))
    row, when, column = (rng.integers(-1, n, visits) for n in (5, 4, 3))
    offset = rng.uniform(-1.5, 1.5, visits).astype(np.float32)
    heading = rng.uniform(0.0, 6.0, visits).astype(np.float32)
    moment = rng.uniform(0.0, 100.0, visits)
    stress = rng.uniform(0.0, 2e5, (5, offsets, depths))
    stress[0] = 0.0
    ln_strength = np.log(rng.uniform(5e4, 1e5, (4, 3, depths)))
    ln_strength[1, 1] = np.nan
    kind = rng.integers(0, 2, cells)
    since = np.array([[-np.inf] * depths, [50.0, 50.0, -np.inf]])
    first, step, half = -1.0, 0.05, 0.5
    window, size, pad = windows(stress, 2 * half / step)
    asked = np.array([0, 2])
    out = np.full((2, cells), -1, dtype=np.int64)
    heaviest_visits(
        start, row, when, column, offset, heading, moment, window, size, pad,
        first, step, ln_strength, half, kind, since, asked, out,
    )  # fmt: skip

    places = first + step * np.arange(offsets)
    for n, d in enumerate(asked):
        for c in range(cells):
            best, who = -np.inf, -1
            for k in range(start[c], start[c + 1]):
                if min(row[k], when[k], column[k]) < 0:
                    continue
                turn = float(heading[k])
                reach = half * (abs(np.cos(turn)) + abs(np.sin(turn)))
                seen = np.abs(places - float(offset[k])) <= reach
                top = stress[row[k], seen, d].max(initial=0.0)
                score = top / np.exp(ln_strength[when[k], column[k], d])
                if top > 0 and not moment[k] < since[kind[c], d] and score >= best:
                    best, who = score, k
            assert out[n, c] == who
    assert (out == -1).any()
    assert (out >= 0).any()
