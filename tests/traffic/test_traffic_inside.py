"""Share of cells inside the boundary."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely.geometry import LineString, Polygon, box

from trafficmap.core.errors import InputError
from trafficmap.core.grid import FieldGrid
from trafficmap.traffic import inside_share


def test_rectangle_by_hand():
    grid = FieldGrid(32615, 0.0, 3.0, 1.0, 3, 3)
    expected = [[0, 0, 0], [0.5, 1, 0.25], [0.25, 0.5, 0.125]]
    got = inside_share(box(0.5, 0.5, 2.25, 2.0), grid=grid)
    np.testing.assert_array_equal(got, expected)


def test_hole_and_second_part():
    grid = FieldGrid(32615, 0.0, 4.0, 1.0, 4, 8)
    ring = box(0, 0, 4, 4).difference(box(1, 1, 3, 3))
    both = shapely.union_all([ring, box(6, 1, 7, 2)])
    assert both.geom_type == "MultiPolygon"
    got = inside_share(both, grid=grid)
    expected = np.zeros((4, 8))
    expected[:, :4] = 1
    expected[1:3, 1:3] = 0
    expected[2, 6] = 1
    np.testing.assert_array_equal(got, expected)


@pytest.mark.parametrize("seed", range(3))
def test_every_cell_is_what_geos_says(seed):
    rng = np.random.default_rng(seed)
    angle = np.sort(rng.uniform(0, 2 * np.pi, 40))
    radius = rng.uniform(8, 24, 40)
    shape = Polygon(
        np.column_stack(
            [500_000 + radius * np.sin(angle), 4e6 + radius * np.cos(angle)]
        )
    )
    grid = FieldGrid.covering(shape.bounds, cell=1.3, epsg=32615, margin=2.0)
    row, col = np.mgrid[: grid.rows, : grid.cols]
    west = grid.west + col * grid.cell
    south = grid.north - (row + 1) * grid.cell
    boxes = shapely.box(west, south, west + grid.cell, south + grid.cell)
    expected = shapely.area(shapely.intersection(boxes, shape)) / grid.cell_area
    got = inside_share(shape, grid=grid)
    np.testing.assert_allclose(got, expected, atol=1e-9)
    assert got.sum() * grid.cell_area == pytest.approx(shape.area, rel=1e-9)


def test_boundary_that_leaves_the_grid_is_cut():
    grid = FieldGrid(32615, 0.0, 3.0, 1.0, 3, 3)
    got = inside_share(box(-5, -5, 1.5, 10), grid=grid)
    np.testing.assert_array_equal(got, [[1, 0.5, 0]] * 3)
    assert inside_share(box(50, 50, 60, 60), grid=grid).sum() == 0.0


def test_line_and_bow_tie_are_refused():
    grid = FieldGrid(32615, 0.0, 3.0, 1.0, 3, 3)
    with pytest.raises(InputError, match="got a LineString, need an area"):
        inside_share(LineString([(0, 0), (1, 1)]), grid=grid)
    with pytest.raises(InputError, match="is not valid"):
        inside_share(Polygon([(0, 0), (2, 2), (2, 0), (0, 2)]), grid=grid)
