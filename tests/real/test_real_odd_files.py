"""Small real files that are no season of field work, and what a person is told."""

from __future__ import annotations

import geopandas as gpd
import pytest

from trafficmap.field.boundary import settle_boundary
from trafficmap.outputs.run_folder import read_run

pytestmark = pytest.mark.real

FIELD = '[field]\nname = "a"\nseason = 2026\n'


def test_a_road_trip_gives_no_map(shared_data, tmp_path, type_command):
    trip = shared_data / "isoxml_small" / "harvester-on-road"
    assert type_command("new", tmp_path / "road", trip).code == 0
    said = type_command("check", tmp_path / "road")
    assert said.code == 0
    assert "this looks like road travel only, so there is no map" in said.out
    said = type_command("run", tmp_path / "road", "-o", tmp_path / "out")
    assert said.code == 3
    assert "this looks like road travel only, so there is no map" in said.err
    assert "Try: name a boundary in field.toml, or leave these logs out" in said.err
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("grid-type1", "no log in it can be used. Its tasks have no time logs."),
        ("grid-type2", "no log in it can be used. Its tasks have no time logs."),
        ("tillage-implement", "TLG00001.XML: is named by task 'Task 1' but is missing"),
    ],
)
def test_sets_without_a_log_start_no_field(
    shared_data, tmp_path, type_command, name, words
):
    source = shared_data / "isoxml_small" / name
    said = type_command("new", tmp_path / "new", source)
    assert said.code == 3
    assert words in said.err
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("sparse-events-47-values", "its clock says 2008, so it was never set"),
        ("synthetic-100-records", "its clock says no time zone"),
    ],
)
def test_sparse_and_generated_sets_run(
    shared_data, tmp_path, type_command, name, words
):
    source = shared_data / "isoxml_small" / name
    assert type_command("new", tmp_path / "new", source).code == 0
    said = type_command("run", tmp_path / "new", "-o", tmp_path / "out", "--strict")
    assert said.code == 4
    assert words in said.err
    assert 0.0 < read_run(tmp_path / "out")["totals"]["run_over_share"] <= 1.0


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ('boundary = "{0}"', "is a raster (GeoTIFF), need a GeoPackage, a shapefile"),
        (
            'boundary = "{1}"\nboundary_part = "TUNNUS=13.0"\n[soil]\nmap = "{0}"',
            "is a raster (GeoTIFF), need a GeoPackage, a shapefile or GeoJSON",
        ),
        (
            'boundary = "{1}"\nboundary_part = "TUNNUS=13.0"\n[weather]\nfile = "{0}"',
            "is a raster (GeoTIFF), need a table as delimited text",
        ),
        (
            'boundary = "{1}"\nboundary_part = "TUNNUS=13.0"\n[soil]\nmap = "{2}"',
            "ia_mapunits.shp: no soil unit lies on the field",
        ),
    ],
)
def test_a_raster_and_a_far_soil_map_are_refused(
    shared_data, tmp_path, type_command, keys, words
):
    files = [
        shared_data / "dem" / "dem_sample.tif",
        shared_data / "boundaries" / "fi_parcels.gpkg",
        shared_data / "soil_survey" / "ia_mapunits.shp",
    ]
    (tmp_path / "field.toml").write_text(FIELD + keys.format(*files))
    said = type_command("check", tmp_path)
    assert said.code == 3
    assert words in said.err


@pytest.mark.parametrize("name", ["fi_parcels", "nl_crop_parcels_2023"])
def test_every_parcel_is_an_outline_of_its_area(shared_data, name):
    parcels = gpd.read_file(shared_data / "boundaries" / f"{name}.gpkg")
    assert len(parcels) == 100
    for own, degrees in zip(
        parcels.geometry, parcels.geometry.to_crs(4326), strict=True
    ):
        outline, _ = settle_boundary([degrees], name="parcel")
        # National grids stretch by up to 0.04 %; slivers lose a corner to snapping.
        assert outline.area == pytest.approx(own.area, rel=1e-3)


def test_a_parcel_without_logs_says_that_nothing_is_known(
    shared_data, tmp_path, type_command
):
    path = shared_data / "boundaries" / "fi_parcels.gpkg"
    keys = f'{FIELD}boundary = "{path}"\nboundary_part = "TUNNUS=13.0"\n'
    (tmp_path / "field.toml").write_text(keys)
    said = type_command("run", tmp_path, "-o", tmp_path / "out")
    assert said.code == 0
    assert said.out.startswith("Not assessed")
    assert "No log is given" in said.err


def test_metres_of_an_unnamed_system_are_asked_about(
    shared_data, tmp_path, type_command
):
    path = shared_data / "penetration" / "se_penetration_transects.csv"
    said = type_command("new", tmp_path / "new", path)
    assert said.code == 0
    assert "it asks how to read a log" in said.out
    asked = (tmp_path / "new" / "field.toml").read_text(encoding="utf-8")
    assert "# epsg = 32615  # the EPSG code of the system" in asked
    said = type_command("check", tmp_path / "new")
    assert said.code == 3
    assert "metres or feet of a system" in said.err


@pytest.mark.parametrize(
    ("path", "words"),
    [
        ("dem/dem_sample.tif", "is a raster (GeoTIFF), need a log as"),
        ("boundaries/fi_parcels.gpkg", "holds a polygon, need one point a row"),
        ("weather_soil/uscrn_ks_daily_2003_2017.csv", "all its places are one spot"),
        ("weather_soil/il_halfhourly_1998.dat", "is of an unknown kind"),
        ("isoxml_forage_harvest/broken_header", "need a file, or a folder with"),
    ],
)
def test_what_is_no_log_is_named(shared_data, tmp_path, type_command, path, words):
    said = type_command("new", tmp_path / "new", shared_data / path)
    assert said.code == 3
    assert words in said.err
    assert "Try: " in said.err
    assert not (tmp_path / "new").exists()
