"""End rows: a band inside the boundary, or only where rows end."""

from __future__ import annotations

import numpy as np
import pytest
from shapely.geometry import box

from trafficmap.core.errors import InputError
from trafficmap.traffic import end_rows


def test_band_all_round(build):
    got = end_rows(box(0, 0, 10, 8), grid=build.grid(8, 10), width=2.0)
    expected = np.ones((8, 10))
    expected[2:-2, 2:-2] = 0
    np.testing.assert_array_equal(got, expected)


@pytest.mark.parametrize(("heading", "axis"), [(0.0, 0), (180.0, 0), (90.0, 1)])
def test_only_where_rows_end(build, heading, axis):
    got = end_rows(
        box(0, 0, 10, 8), grid=build.grid(8, 10), width=2.0, rows_heading=heading
    )
    expected = np.zeros((8, 10))
    if axis == 0:
        expected[:2] = expected[-2:] = 1
    else:
        expected[:, :2] = expected[:, -2:] = 1
    np.testing.assert_array_equal(got, expected)


def test_outside_is_not_known_and_no_width_is_no_band(build):
    got = end_rows(box(0, 0, 4, 8), grid=build.grid(8, 10), width=0.0)
    assert (got[:, :4] == 0).all()
    assert (got[:, 4:] == 255).all()
    with pytest.raises(InputError, match="got a width of -1 m, need 0 m or more"):
        end_rows(box(0, 0, 4, 8), grid=build.grid(8, 10), width=-1.0)
