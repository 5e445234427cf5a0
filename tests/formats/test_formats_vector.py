"""Shapes and points through GDAL, which is never trusted with a name alone."""

from __future__ import annotations

import json
import sqlite3
import zipfile

import geopandas as gpd
import numpy as np
import pytest
from shapely.geometry import LineString, Point, Polygon, box

from trafficmap.core.errors import CRSError, InputError
from trafficmap.core.tables import RAW_FIXES, require_table
from trafficmap.formats.logs import read_logs
from trafficmap.formats.vector import read_features, read_polygons

SQUARE = box(-93.62, 42.03, -93.61, 42.04)


def frame(shapes, crs=4326, **columns):
    return gpd.GeoDataFrame(
        columns or {"n": range(len(shapes))}, geometry=shapes, crs=crs
    )


@pytest.fixture(params=["a.gpkg", "a.shp", "a.geojson"])
def any_file(request, tmp_path):
    path = tmp_path / request.param
    frame([SQUARE]).to_file(path)
    return path


def test_every_format_gives_the_same_square(any_file):
    polygons = read_polygons(any_file)
    assert polygons.crs.to_epsg() == 4326
    assert polygons.geometry.iloc[0].equals_exact(SQUARE, 1e-9, normalize=True)
    assert polygons.attrs["notes"] == []


@pytest.mark.parametrize("name", ["a.gpkg", "a.geojson"])
def test_the_name_of_a_file_does_not_matter(tmp_path, name):
    path, other = tmp_path / name, tmp_path / "boundary.csv"
    frame([SQUARE]).to_file(path)
    other.write_bytes(path.read_bytes())
    assert len(read_polygons(other)) == 1


def test_projected_shapes_come_back_in_degrees(tmp_path):
    path = tmp_path / "a.gpkg"
    frame([SQUARE]).to_crs(32615).to_file(path)
    back = read_polygons(path).geometry.iloc[0]
    assert back.equals_exact(SQUARE, 1e-9, normalize=True)


def test_a_national_frame_is_taken_as_it_is_and_said(tmp_path):
    path = tmp_path / "a.gpkg"
    frame([SQUARE], crs=4269).to_file(path)
    polygons = read_polygons(path)
    assert polygons.geometry.iloc[0].equals_exact(SQUARE, 1e-12, normalize=True)
    assert [n.code for n in polygons.attrs["notes"]] == ["crs.frame"]


def test_an_old_frame_without_its_grid_is_refused(tmp_path):
    path = tmp_path / "a.gpkg"
    frame([SQUARE], crs=4267).to_file(path)
    with pytest.raises(CRSError, match="NAD27 can be turned into WGS 84 only to about"):
        read_polygons(path)


def test_a_missing_system_is_taken_as_degrees_only_when_it_can_be(tmp_path):
    path = tmp_path / "a.shp"
    frame([SQUARE]).to_file(path)
    (tmp_path / "a.prj").unlink()
    notes = read_polygons(path).attrs["notes"]
    assert [(n.code, n.severity) for n in notes] == [("crs.assumed", "check")]
    frame([box(448000, 4653000, 449000, 4654000)], crs=32615).to_file(path)
    (tmp_path / "a.prj").unlink()
    with pytest.raises(CRSError, match="no coordinate system, and its places are no"):
        read_polygons(path)


def test_metres_called_degrees_are_refused(tmp_path):
    path = tmp_path / "a.geojson"
    frame([box(448000, 4653000, 449000, 4654000)]).to_file(path)
    with pytest.raises(CRSError, match="says degrees, but its places reach 449,000"):
        read_polygons(path)


def test_heights_are_dropped_and_nothing_else(tmp_path):
    path = tmp_path / "a.gpkg"
    frame([Polygon([(1, 2, 300), (2, 2, 300), (2, 3, 300)])]).to_file(path)
    shape = read_polygons(path).geometry.iloc[0]
    assert not shape.has_z
    assert shape.area == pytest.approx(0.5)


def test_points_and_lines_are_no_boundary(tmp_path):
    path = tmp_path / "a.gpkg"
    frame([Point(1, 2)]).to_file(path)
    with pytest.raises(InputError, match="holds a point, need polygons"):
        read_polygons(path)
    frame([LineString([(1, 2), (2, 3)])]).to_file(path)
    assert len(read_features(path)) == 1
    with pytest.raises(InputError, match="holds a linestring, need polygons"):
        read_polygons(path)


def test_a_corner_that_is_no_number_is_refused(tmp_path):
    path = tmp_path / "a.geojson"
    ring = [[1, 2], [2, 2], [2, 1e400], [1, 2]]
    shape = {"type": "Polygon", "coordinates": [ring]}
    path.write_text(
        json.dumps({"type": "Feature", "properties": {}, "geometry": shape})
    )
    with pytest.raises(InputError):
        read_polygons(path)


def test_a_ring_left_open_is_closed_and_told(tmp_path):
    ring = [[10.0, 50.0], [10.1, 50.0], [10.1, 50.1], [10.0, 50.1]]
    path = tmp_path / "open.geojson"
    path.write_text(json.dumps({"type": "Polygon", "coordinates": [ring]}))
    shapes = read_polygons(path)
    corners = shapes.geometry.iloc[0].exterior.coords[:]
    assert [list(corner) for corner in corners] == [*ring, ring[0]]
    assert [note.code for note in shapes.attrs["notes"]] == ["vector.open_ring"]


def test_disguised_files_are_not_opened(tmp_path):
    secret = tmp_path / "secret.csv"
    secret.write_text("a\nsecret\n")
    disguise = f"""<OGRVRTDataSource><OGRVRTLayer name="secret">
    <SrcDataSource>{secret}</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>"""
    for name in ("evil.gpkg", "evil.geojson", "evil.shp"):
        path = tmp_path / name
        path.write_text(disguise)
        with pytest.raises(InputError, match="is an XML file, need a GeoPackage"):
            read_features(path)


def test_damaged_files_are_named_as_such(tmp_path):
    path = tmp_path / "a.gpkg"
    frame([SQUARE]).to_file(path)
    whole = path.read_bytes()
    for size in (100, 5_000, len(whole) // 2):
        path.write_bytes(whole[:size])
        with pytest.raises(InputError, match="damaged"):
            read_features(path)
    path.write_text('{"type": "FeatureCollection", "features": [')
    with pytest.raises(InputError, match="damaged or incomplete geojson"):
        read_features(path)
    path.write_text('{"some": "json"}')
    with pytest.raises(InputError):
        read_features(path)


@pytest.mark.parametrize("suffix", [".shx", ".dbf"])
def test_parts_of_a_shapefile_belong_together(tmp_path, suffix):
    frame([SQUARE]).to_file(tmp_path / "a.shp")
    (tmp_path / f"a{suffix}").unlink()
    with pytest.raises(InputError, match=f"its {suffix} file is missing"):
        read_features(tmp_path / "a.shp")


def test_foreign_triggers_and_views_are_never_run(tmp_path):
    path = tmp_path / "a.gpkg"
    frame([SQUARE]).to_file(path)
    connection = sqlite3.connect(path)
    connection.execute("CREATE VIEW peek AS SELECT * FROM a")
    connection.execute(
        "CREATE TRIGGER t AFTER INSERT ON a BEGIN DELETE FROM gpkg_contents; END"
    )
    connection.commit()
    connection.close()
    before = path.read_bytes()
    notes = read_features(path).attrs["notes"]
    assert [(n.code, n.count) for n in notes] == [("vector.foreign_code", 2)]
    assert path.read_bytes() == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.gpkg"]


def test_one_of_several_layers_must_be_named(tmp_path):
    path = tmp_path / "a.gpkg"
    frame([SQUARE]).to_file(path, layer="north")
    frame([SQUARE, SQUARE]).to_file(path, layer="south")
    with pytest.raises(InputError, match=r"has 2 layers \(north, south\)"):
        read_features(path)
    assert len(read_features(path, layer="south")) == 2
    with pytest.raises(InputError, match="has no layer 'east', need one of"):
        read_features(path, layer="east")


def test_empty_shapes_are_dropped_and_a_file_of_them_refused(tmp_path):
    path = tmp_path / "a.gpkg"
    frame([SQUARE, None]).to_file(path)
    features = read_features(path)
    assert len(features) == 1
    assert [n.code for n in features.attrs["notes"]] == ["vector.empty"]
    frame([None]).to_file(path)
    with pytest.raises(InputError, match="holds no shapes"):
        read_features(path)


@pytest.mark.parametrize("name", ["a.gpkg", "a.shp", "a.geojson"])
@pytest.mark.parametrize("crs", [4326, 32615])
def test_points_are_logs(tmp_path, name, crs):
    count = 60
    lat = 42.03 + np.arange(count) * 2.0 / 111_194.9
    points = [Point(-93.62, v) for v in lat]
    stamps = [f"2026-10-20T12:00:{k:02d}Z" for k in range(count)]
    log_frame = frame(points, time=stamps, speed_mph=[4.47387] * count, on=[1] * count)
    if crs != 4326 and name != "a.geojson":
        log_frame = log_frame.to_crs(crs)
    path = tmp_path / name
    log_frame.to_file(path)
    (log,) = read_logs(path)
    require_table(log.table, RAW_FIXES)
    np.testing.assert_allclose(log.table["latitude"], lat, atol=1e-9)
    np.testing.assert_allclose(log.table["speed"], 2.0, rtol=1e-4)
    assert np.diff(log.table["seconds"]).tolist() == [1.0] * (count - 1)
    assert log.table["row"].tolist() == list(range(1, count + 1))


def test_polygons_are_no_log(tmp_path):
    path = tmp_path / "a.gpkg"
    frame([SQUARE]).to_file(path)
    with pytest.raises(InputError, match="holds a polygon, need one point a row"):
        read_logs(path)


def test_a_zip_with_one_log_is_read(tmp_path):
    frame([Point(1, 2), Point(1, 2.001)], time=["2026-10-20", "2026-10-20"]).to_file(
        tmp_path / "pts.shp"
    )
    packed = tmp_path / "pts.zip"
    with zipfile.ZipFile(packed, "w") as archive:
        for part in tmp_path.glob("pts.*"):
            if part != packed:
                archive.write(part, f"logs/{part.name}")
    (log,) = read_logs(packed)
    assert log.path == packed
    assert len(log.table) == 2
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("a.csv", "lon,lat\n1,2\n")
        archive.writestr("b.csv", "lon,lat\n1,2\n")
    with pytest.raises(InputError, match=r"holds 2 logs \(a.csv, b.csv\), need one"):
        read_logs(packed)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"<note>hello</note>", "is an XML file, need a log as delimited"),
        (b"II*\0abcd", r"is a raster \(GeoTIFF\)"),
        (b"\x01\x02\x03\x04\x05\x06", "is of an unknown kind"),
        (b"<TIM A='' D='4'>", "breaks off"),
        (b"<TIM A='' D='4'/>", "is the header of one time log"),
    ],
)
def test_what_is_no_log_is_named(tmp_path, content, words):
    path = tmp_path / "log.csv"
    path.write_bytes(content)
    with pytest.raises(InputError, match=words):
        read_logs(path)


@pytest.mark.real
def test_parcels_of_two_countries(shared_data):
    for name in ("fi_parcels.gpkg", "nl_crop_parcels_2023.gpkg"):
        parcels = read_polygons(shared_data / "boundaries" / name)
        assert len(parcels) == 100
        west, south, east, north = parcels.total_bounds
        assert 3 < west < east < 32
        assert 50 < south < north < 70
