"""Sample points of the union: against the even-odd rule, point by point."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from trafficmap.traffic._strip_kernels import SAMPLES, mark_samples, span
from trafficmap.traffic.position import SAMPLE_LATTICE

pytestmark = pytest.mark.kernel
ROWS, COLS = 4, 5


def marked(piece):
    hit = np.zeros(ROWS * COLS, dtype=np.uint64)
    space = np.empty((4, 4)), np.empty(4)
    mark_samples(piece, ROWS, COLS, SAMPLE_LATTICE, hit, *space)
    bits = (hit[:, None] >> np.arange(SAMPLES, dtype=np.uint64)) & np.uint64(1)
    return bits.astype(bool)


def even_odd(piece):
    cell = np.arange(ROWS * COLS)[:, None]
    px = cell % COLS + SAMPLE_LATTICE[1]
    py = cell // COLS + (np.arange(SAMPLES) + 0.5) / SAMPLES
    inside = np.zeros(px.shape, dtype=bool)
    for (ax, ay), (bx, by) in zip(piece, np.roll(piece, -1, axis=0), strict=True):
        crosses = (ay <= py) != (by <= py)
        with np.errstate(divide="ignore", invalid="ignore"):
            inside ^= crosses & (px < ax + (py - ay) * (bx - ax) / (by - ay))
    return inside


@pytest.mark.parametrize("wide", [True, False])
def test_samples_follow_the_even_odd_rule(wide):
    draw = np.random.default_rng(7)
    for _ in range(40):
        # Any four points, so that some pieces are crossed and some leave the grid.
        piece = draw.uniform(-1.0, 6.0, (4, 2)) * ((1.0, 0.3) if wide else (0.3, 1.0))
        assert np.array_equal(marked(piece), even_odd(piece))


@pytest.mark.parametrize("swap", [False, True])
def test_pieces_side_by_side_share_no_sample_and_leave_none(swap):
    # Edges right on samples, in lines of either direction.
    cuts = np.array([0.0, 0.5, 64.5, 150.5, 150.5, 320.0]) / SAMPLES
    total = np.zeros((ROWS * COLS, SAMPLES), dtype=int)
    for a, b in pairwise(cuts):
        piece = np.array([(a, 0.0), (b, 0.0), (b, 5.0), (a, 5.0)])
        total += marked(piece[:, ::-1].copy() if swap else piece)
    assert (total == 1).all()


def test_both_ways_to_number_the_samples_name_the_same_points():
    by_row = {
        (x, (k + 0.5) / SAMPLES) for k, x in enumerate(SAMPLE_LATTICE[1].tolist())
    }
    by_col = {
        ((k + 0.5) / SAMPLES, y) for k, y in enumerate(SAMPLE_LATTICE[0].tolist())
    }
    assert by_row == by_col
    assert len(by_row) == SAMPLES


def test_the_span_of_four_corners():
    piece = np.array([(3.0, -1.0), (0.5, 2.0), (7.0, 2.5), (1.0, 0.0)])
    assert span(piece, 0) == (0.5, 7.0)
    assert span(piece, 1) == (-1.0, 2.5)
