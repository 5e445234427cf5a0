"""A map of slopes, as polygons or as a raster, and the slips one can make with it."""

from __future__ import annotations

import json

import numpy as np
import pytest
from pyproj import Transformer
from shapely import box

import trafficmap.formats._gdal  # noqa: F401  (its settings come first)
from trafficmap.core.errors import InputError
from trafficmap.core.grid import FieldGrid
from trafficmap.field.boundary import Outline
from trafficmap.field.inputs import Inputs
from trafficmap.field.place import Place
from trafficmap.field.slopes import read_slopes, slope_of_field
from trafficmap.field.toml import FieldKeys

EPSG = 32615
WEST, SOUTH = 448_600.0, 4_653_100.0
GROUND = box(WEST, SOUTH, WEST + 100, SOUTH + 80)


@pytest.fixture
def read(tmp_path):
    """Read a map of slopes over one field."""

    def of(name, **keys):
        given = FieldKeys(name="made up", slope_map=name, **keys)
        outline = Outline(Place(EPSG), GROUND, GROUND.area)
        found, notes = read_slopes(
            given, place=Place(EPSG), outline=outline, inputs=Inputs(tmp_path)
        )
        return found, notes, slope_of_field(given, found, outline, EPSG)

    return of


def polygons(path, *pieces, key="slope_pct"):
    """Write pieces (west, east [m from the corner], slope) the field's height."""
    move = Transformer.from_crs(EPSG, 4326, always_xy=True)
    features = []
    for west, east, slope in pieces:
        ring = [(west, -9), (east, -9), (east, 99), (west, 99), (west, -9)]
        ring = [move.transform(WEST + e, SOUTH + n) for e, n in ring]
        shape = {"type": "Polygon", "coordinates": [ring]}
        values = {key: slope}
        features.append({"type": "Feature", "properties": values, "geometry": shape})
    text = json.dumps({"type": "FeatureCollection", "features": features})
    path.write_text(text, encoding="utf-8")


def raster(path, values, *, west=WEST, north=SOUTH + 80, cell=10.0, epsg=EPSG):
    import rasterio
    from rasterio.transform import Affine

    values = np.asarray(values, dtype=np.float32)
    with rasterio.open(
        path, "w", driver="GTiff", height=values.shape[0], width=values.shape[1],
        count=1, dtype="float32", crs=epsg, nodata=-9999.0,
        transform=Affine(cell, 0.0, west, 0.0, -cell, north),
    ) as dataset:  # fmt: skip
        dataset.write(values, 1)


def test_polygons_give_each_cell_its_slope_and_the_field_its_median(read, tmp_path):
    polygons(tmp_path / "s.geojson", (-9, 70, 8.0), (70, 109, 1.0))
    found, notes, middle = read("s.geojson")
    grid = FieldGrid.covering(GROUND.bounds, cell=2.0, epsg=EPSG)
    cells = found.on(grid)
    assert cells[:, 0] == pytest.approx(0.08)
    assert cells[:, -1] == pytest.approx(0.01)
    assert middle == pytest.approx(0.08)
    assert notes == []


def test_what_was_said_wins_over_the_median_of_the_map(read, tmp_path):
    polygons(tmp_path / "s.geojson", (-9, 109, 8.0))
    assert read("s.geojson", slope_pct=2.0)[2] == pytest.approx(0.02)


def test_names_of_a_survey_and_degrees_are_understood(read, tmp_path):
    polygons(tmp_path / "a.geojson", (-9, 109, 4.0), key="slope.r")
    assert read("a.geojson")[2] == pytest.approx(0.04)
    polygons(tmp_path / "b.geojson", (-9, 109, 45.0), key="slope_deg")
    assert read("b.geojson")[2] == pytest.approx(1.0)


def test_ground_the_map_leaves_out_is_not_known(read, tmp_path):
    polygons(tmp_path / "s.geojson", (-9, 50, 8.0))
    grid = FieldGrid.covering(GROUND.bounds, cell=2.0, epsg=EPSG)
    cells = read("s.geojson")[0].on(grid)
    assert np.isnan(cells[:, 30:]).all()
    assert np.isfinite(cells[:, :20]).all()


@pytest.mark.parametrize("epsg", [32615, 4326])
def test_a_raster_is_sampled_in_its_own_system(read, tmp_path, epsg):
    values = np.full((16, 20), 2.0)
    values[:, 10:] = 9.0
    west, north, cell = WEST - 50, SOUTH + 120, 10.0
    if epsg == 4326:
        move = Transformer.from_crs(EPSG, 4326, always_xy=True)
        (west, north), (east, _) = (
            move.transform(WEST - 50 + e, SOUTH + 120) for e in (0, 200)
        )
        cell = (east - west) / 20
    raster(tmp_path / "s.tif", values, west=west, north=north, cell=cell, epsg=epsg)
    found, notes, _ = read("s.tif")
    grid = FieldGrid.covering(GROUND.bounds, cell=2.0, epsg=EPSG)
    cells = found.on(grid)
    assert cells[10, 5] == pytest.approx(0.02)
    assert cells[10, 45] == pytest.approx(0.09)
    assert [note.code for note in notes] == ["slope.unit"]
    assert "percent was taken" in notes[0].sentence


def test_a_raster_whose_unit_is_said_needs_no_note(read, tmp_path):
    raster(tmp_path / "s.tif", np.full((8, 10), 45.0))
    found, notes, middle = read("s.tif", slope_map_unit="degrees")
    assert middle == pytest.approx(1.0)
    assert notes == []
    assert found.values.shape == (8, 10)


def test_nodata_of_a_raster_is_not_known(read, tmp_path):
    values = np.full((8, 10), 3.0)
    values[:, :5] = -9999.0
    raster(tmp_path / "s.tif", values)
    found, _, middle = read("s.tif")
    assert np.isnan(found.values[:, :5]).all()
    assert middle == pytest.approx(0.03)


def test_what_is_no_map_of_slopes_is_refused_in_a_sentence(read, tmp_path):
    polygons(tmp_path / "a.geojson", (-9, 109, 3.0), key="height")
    with pytest.raises(InputError, match="need an attribute slope_pct"):
        read("a.geojson")
    polygons(tmp_path / "b.geojson", (-9, 109, None))
    with pytest.raises(InputError, match="holds no number"):
        read("b.geojson")
    raster(tmp_path / "c.tif", np.full((8, 10), 312.0))
    with pytest.raises(InputError, match="need 0 to 150 %") as caught:
        read("c.tif")
    assert "heights" in caught.value.hint
    raster(tmp_path / "d.tif", np.full((8, 10), 3.0), west=WEST + 5_000)
    with pytest.raises(InputError, match="lies beside the field"):
        read("d.tif")
    (tmp_path / "e.tif").write_bytes(b"II*\x00" + bytes(60))
    with pytest.raises(InputError, match="cannot be read as a GeoTIFF"):
        read("e.tif")
