"""A raster of heights named in field.toml: slopes by Horn, on the field's cells."""

from __future__ import annotations

import numpy as np
import pytest
import rasterio
from pyproj import Transformer
from rasterio.transform import Affine
from scipy.ndimage import sobel

from trafficmap.core.errors import CRSError, InputError
from trafficmap.core.grid import FieldGrid
from trafficmap.field import read_field
from trafficmap.field.heights import rise_horn
from trafficmap.formats.heights import FINEST, read_heights

WEST, SOUTH = 448_600.0, 4_653_200.0
"""South-west of the square field of tests/field/conftest.py, in EPSG:32615, roughly."""

EAST_RISE, NORTH_RISE = 0.03, -0.05


def plane(easting, northing):
    """Heights of a plane that rises 3 % to the east and falls 5 % to the north."""
    return 250.0 + EAST_RISE * (easting - WEST) + NORTH_RISE * (northing - SOUTH)


def write(path, values, transform, *, epsg=32615, unit=None, nodata=-9999.0):
    """Write one band of heights, row 0 north."""
    with rasterio.open(
        path, "w", driver="GTiff", width=values.shape[1], height=values.shape[0],
        count=1, dtype="float64", transform=transform, nodata=nodata,
        crs=None if epsg is None else f"EPSG:{epsg}",
    ) as dataset:  # fmt: skip
        dataset.write(values, 1)
        if unit:
            dataset.units = (unit,)
    return path


def metric_plane(path, *, cell=10.0, unit="m", factor=1.0, offset=(0.0, 0.0)):
    """Write the plane on metric cells round the field."""
    west, north = WEST - 400.0 + offset[0], SOUTH + 700.0 + offset[1]
    cols = rows = int(1200 / cell)
    east = west + (np.arange(cols) + 0.5) * cell
    up = north - (np.arange(rows) + 0.5) * cell
    values = plane(*np.meshgrid(east, up)) / factor
    return write(path, values, Affine(cell, 0, west, 0, -cell, north), unit=unit)


BOUNDS = (WEST, SOUTH, WEST + 200.0, SOUTH + 200.0)


def rises(heights):
    """Return the middle rises, edges left out."""
    east, north = rise_horn(heights.height, cell=heights.cell)
    assert np.isfinite(east[1:-1, 1:-1]).all()
    return east[1:-1, 1:-1], north[1:-1, 1:-1]


@pytest.mark.parametrize("cell", [0.5, 1.0, 2.0, 3.0, 5.0, 10.0])
def test_a_plane_keeps_its_rise_on_cells_of_any_size(tmp_path, cell):
    path = metric_plane(tmp_path / "dem.tif", cell=cell, offset=(3.7, -1.3))
    heights = read_heights(path, epsg=32615, bounds=BOUNDS)
    assert heights.cell >= FINEST
    assert heights.cell < FINEST + cell or cell > FINEST
    east, north = rises(heights)
    np.testing.assert_allclose(east, EAST_RISE, atol=1e-9)
    np.testing.assert_allclose(north, NORTH_RISE, atol=1e-9)
    # Each height stands in the middle of its own cell, not half a cell beside it.
    rows, cols = np.indices(heights.height.shape)
    here = plane(
        heights.west + (cols + 0.5) * heights.cell,
        heights.south + (rows + 0.5) * heights.cell,
    )
    np.testing.assert_allclose(heights.height, here, atol=1e-6)


def test_heights_in_feet_and_in_degrees(tmp_path):
    for unit in ("ft", "US survey foot"):
        path = metric_plane(tmp_path / "feet.tif", unit=unit, factor=0.3048)
        east, north = rises(read_heights(path, epsg=32615, bounds=BOUNDS))
        np.testing.assert_allclose(east, EAST_RISE, atol=1e-6)
    to_metric = Transformer.from_crs(4326, 32615, always_xy=True)
    cols, rows = 240, 220
    transform = Affine(0.02 / cols, 0, -93.630, 0, -0.015 / rows, 42.040)
    lon = transform.c + (np.arange(cols) + 0.5) * transform.a
    lat = transform.f + (np.arange(rows) + 0.5) * transform.e
    values = plane(*to_metric.transform(*np.meshgrid(lon, lat)))
    path = write(tmp_path / "degrees.tif", values, transform, epsg=4326, unit="m")
    east, north = rises(read_heights(path, epsg=32615, bounds=BOUNDS))
    np.testing.assert_allclose(east, EAST_RISE, atol=2e-3)
    np.testing.assert_allclose(north, NORTH_RISE, atol=2e-3)


def test_heights_packed_as_whole_numbers_are_unpacked(tmp_path):
    path = metric_plane(tmp_path / "dem.tif")
    with rasterio.open(path, "r+") as dataset:
        dataset.write((dataset.read(1) - 200.0) / 0.01, 1)
        dataset.scales, dataset.offsets = (0.01,), (200.0,)
    heights = read_heights(path, epsg=32615, bounds=BOUNDS)
    east, north = rises(heights)
    np.testing.assert_allclose(east, EAST_RISE, atol=1e-9)
    np.testing.assert_allclose(north, NORTH_RISE, atol=1e-9)
    assert 230.0 < heights.height.mean() < 270.0


def test_feet_said_by_the_vertical_system_alone_are_feet(tmp_path):
    path = metric_plane(tmp_path / "feet.tif", unit=None, factor=1200 / 3937)
    with rasterio.open(path, "r+") as dataset:
        dataset.crs = "EPSG:26915+6360"
    heights = read_heights(path, epsg=26915, bounds=BOUNDS)
    assert heights.unit_said
    east, north = rises(heights)
    np.testing.assert_allclose(east, EAST_RISE, atol=1e-6)
    np.testing.assert_allclose(north, NORTH_RISE, atol=1e-6)


@pytest.mark.parametrize(("turned", "flat"), [(0.4, 1.0), (-1.1, 2.5), (0.0, 0.3)])
def test_turned_and_oblong_cells_keep_the_rise(tmp_path, turned, flat):
    """Cells that are not square, or lie askew to north, tell the same ground."""
    cols, rows = 300, 300
    transform = (
        Affine.translation(WEST + 100.0, SOUTH + 100.0)
        @ Affine.rotation(np.degrees(turned))
        @ Affine.scale(4.0, -4.0 * flat)
        @ Affine.translation(-cols / 2, -rows / 2)
    )
    col, row = np.meshgrid(np.arange(cols) + 0.5, np.arange(rows) + 0.5)
    east = transform.a * col + transform.b * row + transform.c
    up = transform.d * col + transform.e * row + transform.f
    path = write(tmp_path / "askew.tif", plane(east, up), transform, unit="m")
    east, north = rises(read_heights(path, epsg=32615, bounds=BOUNDS))
    # Whole cells are averaged, so a turned cell may lean on one side: not the field.
    assert np.median(east) == pytest.approx(EAST_RISE, abs=3e-3)
    assert np.median(north) == pytest.approx(NORTH_RISE, abs=3e-3)
    assert east.mean() == pytest.approx(EAST_RISE, abs=1e-3)
    assert north.mean() == pytest.approx(NORTH_RISE, abs=1e-3)


def test_horn_is_the_smoothed_difference_of_other_libraries():
    height = np.random.default_rng(3).normal(size=(30, 40)).cumsum(0).cumsum(1)
    east, north = rise_horn(height, cell=4.0)
    np.testing.assert_allclose(
        east[1:-1, 1:-1], sobel(height, axis=1)[1:-1, 1:-1] / 32.0, atol=1e-9
    )
    np.testing.assert_allclose(
        north[1:-1, 1:-1], sobel(height, axis=0)[1:-1, 1:-1] / 32.0, atol=1e-9
    )
    assert np.isnan(east[0]).all()
    assert np.isnan(north[:, -1]).all()


def test_beside_a_missing_height_nothing_is_known():
    height = np.zeros((5, 5))
    height[2, 2] = np.nan
    east, north = rise_horn(height, cell=1.0)
    assert np.isnan(east).all()
    assert np.isnan(north).all()


@pytest.mark.parametrize(
    ("make", "error", "words"),
    [
        (lambda p: p.write_bytes(b"II*\0 cut off"), InputError, "no readable GeoTIFF"),
        (
            lambda p: write(p, np.ones((4, 4)), Affine(10, 0, WEST, 0, -10, SOUTH),
                            epsg=None),
            CRSError, "does not say which coordinate system",
        ),
        (
            lambda p: write(p, np.ones((40, 40)), Affine(10, 0, 0, 0, -10, 4e5)),
            InputError, "holds no height where the field is",
        ),
        (
            lambda p: write(p, np.ones((9, 9)),
                            Affine(500, 0, WEST - 2e3, 0, -500, SOUTH + 2e3)),
            InputError, "cells of 500 m, need 100 m at most",
        ),
        (
            lambda p: metric_plane(p, unit="fathom"),
            InputError, "in 'fathom', need metres or feet",
        ),
    ],
)  # fmt: skip
def test_what_cannot_be_used_is_refused(tmp_path, make, error, words):
    path = tmp_path / "dem.tif"
    make(path)
    with pytest.raises(error, match=words):
        read_heights(path, epsg=32615, bounds=BOUNDS)


def test_a_raster_without_a_system_is_refused_until_it_is_told(shared_data):
    path = shared_data / "dem" / "dem_sample.tif"
    bounds = (670_000.0, 4_885_000.0, 671_000.0, 4_886_000.0)
    with pytest.raises(CRSError, match="does not say which coordinate system"):
        read_heights(path, epsg=32618, bounds=bounds)
    heights = read_heights(path, epsg=32618, bounds=bounds, given_epsg=32618)
    assert 85.0 < heights.cell < 95.0
    assert np.isfinite(heights.height).all()


SLOPE = '[slope]\nfile = "dem.tif"\n'


def test_field_toml_names_it(make_field, tmp_path):
    folder = make_field(more=SLOPE)
    metric_plane(folder / "dem.tif")
    field, notes = read_field(folder)
    codes = {note.code for note in notes}
    assert not codes & {"slope.unsaid", "slope.unit_assumed", "slope.heights_missing"}
    steep = np.hypot(EAST_RISE, NORTH_RISE)
    assert field.slope == pytest.approx(steep, abs=1e-6)
    assert "dem.tif" in [entry["name"] for entry in field.inputs]
    # Heading north it goes downhill, and its right side, the east, is the high one.
    spot = field.boundary.representative_point()
    pitch, roll = field.ground.along(spot.x, spot.y, 0.0)
    assert float(pitch) == pytest.approx(NORTH_RISE, abs=1e-9)
    assert float(roll) == pytest.approx(-EAST_RISE, abs=1e-9)
    grid = FieldGrid.covering(field.boundary.bounds, cell=2.0, epsg=field.epsg)
    np.testing.assert_allclose(field.slopes.on(grid), steep, atol=1e-6)


def test_unit_said_in_field_toml_and_unit_nobody_said(make_field):
    folder = make_field(more=SLOPE)
    metric_plane(folder / "dem.tif", unit=None, factor=0.3048)
    field, notes = read_field(folder)
    (note,) = [n for n in notes if n.code == "slope.unit_assumed"]
    assert 'Add unit = "ft" to [slope]' in note.sentence
    wrong = field.slope
    folder = make_field(more=SLOPE + 'unit = "ft"\n')
    field, notes = read_field(folder)
    assert "slope.unit_assumed" not in {n.code for n in notes}
    assert field.slope == pytest.approx(0.3048 * wrong)
    assert field.slope == pytest.approx(np.hypot(EAST_RISE, NORTH_RISE), abs=1e-6)


def test_holes_and_banks_are_told(make_field):
    folder = make_field(more=SLOPE)
    field, _ = read_field(_with_plane(folder))
    west, south, _, north = field.boundary.bounds
    with rasterio.open(folder / "dem.tif", "r+") as dataset:
        values = dataset.read(1)
        row, col = dataset.index(west + 60.0, north - 30.0)
        values[row : row + 8, col : col + 8] = -9999.0
        row, col = dataset.index(west + 100.0, south + 40.0)
        values[row : row + 2, col : col + 2] += 30.0
        dataset.write(values, 1)
    field, notes = read_field(folder)
    told = {note.code: note.sentence for note in notes}
    assert "has no heights on" in told["slope.heights_missing"]
    assert "steeper than 40 %" in told["slope.banks"]
    assert field.slope == pytest.approx(np.hypot(EAST_RISE, NORTH_RISE), abs=1e-3)


def _with_plane(folder):
    metric_plane(folder / "dem.tif")
    return folder
