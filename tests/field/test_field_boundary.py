"""Place and outline: zones, areas on the ellipsoid, and what a repair may change."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from shapely.geometry import MultiPolygon, Polygon, box

from trafficmap.core.errors import CRSError, InputError
from trafficmap.field.boundary import polygons_only, read_boundary, settle_boundary
from trafficmap.field.place import Place, utm_epsg

SQUARE = box(-93.62, 42.03, -93.618, 42.032)


@pytest.mark.parametrize(
    ("longitude", "latitude", "epsg"),
    [
        (-93.62, 42.03, 32615),
        (10.2, 54.6, 32632),
        (6.5, 52.0, 32632),
        (151.2, -33.8, 32756),
        (-180.0, -17.0, 32701),
        (180.0, 10.0, 32601),
        (179.99, 10.0, 32660),
    ],
)
def test_the_zone_of_a_place(longitude, latitude, epsg):
    assert utm_epsg([longitude], [latitude]) == epsg


@pytest.mark.parametrize(
    ("longitude", "latitude"), [(-93.6, 42.0), (10.2, 54.6), (151.2, -33.8)]
)
def test_the_zone_agrees_with_another_library(longitude, latitude):
    points = gpd.GeoSeries([shapely.Point(longitude, latitude)], crs=4326)
    assert utm_epsg([longitude], [latitude]) == points.estimate_utm_crs().to_epsg()


def test_a_field_on_the_date_line_has_one_zone_and_its_area():
    one_piece = Polygon(
        [(179.999, -17), (-179.999, -17), (-179.999, -16.998), (179.999, -16.998)]
    )
    split = MultiPolygon(
        [box(179.999, -17, 180, -16.998), box(-180, -17, -179.999, -16.998)]
    )
    for shape in (one_piece, split):
        outline, _ = settle_boundary([shape], name="b")
        assert outline.place.epsg == 32701
        assert outline.geometry.geom_type == "Polygon"
        # 0.002 deg of longitude at 17 S by 0.002 deg of latitude on the ellipsoid
        assert outline.area == pytest.approx(213.0 * 221.3, rel=2e-3)


@pytest.mark.parametrize("latitude", [84.01, -80.01])
def test_beyond_the_metric_grid(latitude):
    with pytest.raises(CRSError, match="beyond 84 N or 80 S"):
        utm_epsg([10.0], [latitude])


def test_nowhere_is_refused():
    with pytest.raises(CRSError, match="no position is known"):
        utm_epsg([np.nan], [42.0])


def test_there_and_back():
    place = Place(32615)
    east, north = place.to_metric(-93.62, 42.03)
    # Reference pair: -93.62, 42.03 is 448 677.094 E 4 653 293.018 N in zone 15.
    assert float(east) == pytest.approx(448_677.094, abs=0.001)
    assert float(north) == pytest.approx(4_653_293.018, abs=0.001)
    longitude, latitude = place.to_degrees(east, north)
    assert float(longitude) == pytest.approx(-93.62, abs=1e-9)
    assert float(latitude) == pytest.approx(42.03, abs=1e-9)


def test_area_is_that_of_the_ellipsoid_not_of_the_map():
    outline, notes = settle_boundary([SQUARE], name="b")
    equal_area = gpd.GeoSeries([SQUARE], crs=4326).to_crs(6933).area.iloc[0]
    assert outline.area == pytest.approx(equal_area, rel=1e-5)
    assert abs(outline.geometry.area / outline.area - 1) > 5e-4  # scale 0.9996 squared
    assert notes == []


def test_a_hole_is_taken_off():
    hole = box(-93.6195, 42.0305, -93.619, 42.031)
    ringed = Polygon(SQUARE.exterior, [hole.exterior])
    whole, _ = settle_boundary([SQUARE], name="b")
    outline, notes = settle_boundary([ringed], name="b")
    small, _ = settle_boundary([hole], name="b")
    assert outline.area == pytest.approx(whole.area - small.area, rel=1e-9)
    assert notes == []


def test_a_repair_keeps_every_part():
    # Two lobes that touch in a crossing: the whole is their sum, none is lost.
    lobe = Polygon([(0, 0), (10, 10), (10, 0), (0, 10)])
    mended = polygons_only(shapely.make_valid(lobe, method="structure"))
    assert mended.area == pytest.approx(50.0)


def test_lines_and_points_fall_away():
    mixed = shapely.GeometryCollection(
        [box(0, 0, 1, 1), shapely.Point(3, 3), MultiPolygon([box(4, 4, 5, 5)])]
    )
    assert polygons_only(mixed).area == pytest.approx(2.0)
    assert polygons_only(shapely.Point(0, 0)).is_empty


def test_neighbours_may_touch():
    west, east = (
        box(-93.62, 42.03, -93.619, 42.032),
        box(-93.619, 42.03, -93.618, 42.032),
    )
    outline, _ = settle_boundary([west, east], name="b")
    assert outline.geometry.geom_type == "Polygon"


def test_nothing_is_no_outline():
    with pytest.raises(InputError, match="holds no outline, need one area"):
        settle_boundary([None, Polygon()], name="b")


@pytest.mark.parametrize("driver", ["GPKG", "ESRI Shapefile", "GeoJSON"])
def test_any_vector_format_gives_the_same_outline(tmp_path, driver):
    suffix = {"GPKG": "gpkg", "ESRI Shapefile": "shp", "GeoJSON": "geojson"}[driver]
    path = tmp_path / f"b.{suffix}"
    frame = gpd.GeoDataFrame({"name": ["a"]}, geometry=[SQUARE], crs=4326)
    frame.to_file(path, driver=driver)
    outline, _ = read_boundary(path)
    expected, _ = settle_boundary([SQUARE], name="b")
    assert outline.area == pytest.approx(expected.area, rel=1e-9)


def test_feet_are_as_good_as_metres(tmp_path):
    path = tmp_path / "b.gpkg"
    frame = gpd.GeoDataFrame(geometry=[SQUARE], crs=4326).to_crs(3418)  # Iowa, US feet
    frame.to_file(path, driver="GPKG")
    outline, notes = read_boundary(path)
    expected, _ = settle_boundary([SQUARE], name="b")
    assert outline.area == pytest.approx(expected.area, rel=1e-4)
    assert [note.code for note in notes] == ["crs.frame"]


def test_one_part_is_chosen_by_name_or_number(tmp_path):
    path = tmp_path / "b.gpkg"
    other = box(-93.60, 42.03, -93.599, 42.032)
    frame = gpd.GeoDataFrame(
        {"name": ["North", "South"], "id": [7, 8]}, geometry=[SQUARE, other], crs=4326
    )
    frame.to_file(path, driver="GPKG")
    both, _ = read_boundary(path)
    north, _ = read_boundary(path, part="north")
    by_number, _ = read_boundary(path, part="7")
    assert north.geometry.equals(by_number.geometry)
    assert north.area < both.area


def test_a_number_in_two_attributes_is_asked_for(tmp_path):
    path = tmp_path / "b.gpkg"
    shapes = [SQUARE, box(-93.60, 42.03, -93.599, 42.032)]
    frame = gpd.GeoDataFrame({"farm": [7, 8], "id": [8, 7]}, geometry=shapes, crs=4326)
    frame.to_file(path, driver="GPKG")
    with pytest.raises(InputError, match="'7' stands in farm, id, at different") as err:
        read_boundary(path, part="7")
    assert err.value.hint == 'write boundary_part = "farm=7", or another'
    outline, _ = read_boundary(path, part="farm = 7")
    expected, _ = settle_boundary([SQUARE], name="b")
    assert outline.area == pytest.approx(expected.area)
