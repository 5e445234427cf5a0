"""Folders over real logs, a real soil survey and a real station; none is copied."""

from __future__ import annotations

import json

import pytest

from trafficmap.field.boundary import read_boundary
from trafficmap.field.read import read_field
from trafficmap.field.scaffold import new_field

pytestmark = pytest.mark.real


@pytest.fixture(scope="module")
def silage(shared_data, tmp_path_factory):
    folder = tmp_path_factory.mktemp("silage")
    return new_field(folder, [shared_data / "isoxml_forage_harvest"])


def test_a_silage_set_gives_one_folder_a_field(silage, shared_data):
    assert len(silage) == 14
    set_folder = shared_data / "isoxml_forage_harvest"
    field, notes = read_field(silage[0].parent)
    assert field.fixes["machine_id"].nunique() == 1
    assert next(iter(field.machines.values())).class_name == "forage_harvester"
    assert field.logs[0].path == set_folder.resolve()
    assert "clock.zone_missing" in {note.code for note in notes}
    assert field.fixes["time"].isna().all()


def test_areas_are_measured_and_smaller_than_stated(silage):
    # The publisher's attributes are about 5 % above the geometry, for every field.
    areas = [read_boundary(path.parent / "boundary.geojson")[0].area for path in silage]
    assert 550_000 * 0.5 < sum(areas) < 550_000
    assert min(areas) > 5_000


def test_two_days_of_combine_without_a_boundary(shared_data, tmp_path):
    # Convention of the data set: field 21.8 ha, union of the swaths 20.4 ha.
    log = shared_data / "yield_monitor" / "mo_soy_2000_1hz.csv"
    (path,) = new_field(tmp_path, [log])
    field, _ = read_field(path.parent)
    assert 20.0e4 < field.area < 22.0e4
    assert len(field.fixes) == 21_917
    assert next(iter(field.machines.values())).class_name == "combine_mid"


def test_a_counter_without_its_start_is_not_joined_to_weather(shared_data, tmp_path):
    log = shared_data / "yield_monitor" / "mo_corn_3days_1hz.csv"
    (path,) = new_field(tmp_path, [log])
    field, notes = read_field(path.parent)
    assert field.fixes["time"].isna().all()
    assert "# epoch = 2026-01-01  # NEEDED" in path.read_text()
    assert any(n.code == "clock.epoch_missing" and n.severity == "stop" for n in notes)
    assert 24.0e4 < field.area < 27.0e4  # field 26.4 ha, swaths 24.2 ha


def test_road_travel_makes_no_map(shared_data, tmp_path):
    (path,) = new_field(tmp_path, [shared_data / "isoxml_small" / "harvester-on-road"])
    field, notes = read_field(path.parent)
    assert field.boundary is None
    assert notes[0].code == "boundary.road_only"


def test_a_clock_that_was_never_set_says_so(shared_data, tmp_path):
    source = shared_data / "isoxml_small" / "sparse-events-47-values"
    (path,) = new_field(tmp_path, [source])
    field, notes = read_field(path.parent)
    assert field.fixes["time"].isna().all()
    assert any(n.code == "iso.clock_unset" and n.severity == "stop" for n in notes)


def survey_folder(folder, data, *, season, logs=""):
    """Write a field over the surveyed square, with its soil and a far station."""
    west, south, east, north = -93.7599, 42.0201, -93.7591, 42.0209
    ring = [[west, south], [east, south], [east, north], [west, north], [west, south]]
    outline = {"type": "Polygon", "coordinates": [ring]}
    (folder / "b.geojson").write_text(json.dumps(outline))
    soil, station = data / "soil_survey", data / "weather_soil"
    (folder / "field.toml").write_text(
        f"""
        [field]
        name = "a"
        season = {season}
        boundary = "b.geojson"
        [soil]
        map = "{soil / "ia_mapunits.shp"}"
        horizons = "{soil / "ia_chorizon.csv"}"
        components = "{soil / "ia_component.csv"}"
        mapunits = "{soil / "ia_mapunit.csv"}"
        [weather]
        file = "{station / "uscrn_ks_daily_2003_2017.csv"}"
        columns.rain = "P_DAILY_CALC"
        columns.t_min = "T_DAILY_MIN"
        columns.t_max = "T_DAILY_MAX"
        columns.radiation = "SOLARAD_DAILY"
        units = {{ rain = "mm" }}
        {logs}
        """
    )
    return folder


def test_a_public_soil_survey_reads(shared_data, tmp_path):
    field, notes = read_field(survey_folder(tmp_path, shared_data, season=2012))
    units, horizons = field.soil.units, field.soil.horizons
    assert units["soil_unit"].nunique() == 2
    assert set(units["texture"]) == {"loam", "clay loam"}
    assert any("Clarion loam" in name for name in units["name"])
    assert units.area.sum() == pytest.approx(field.boundary.area, rel=1e-3)
    assert horizons["component"].nunique() == 7
    shares = horizons.drop_duplicates("component").groupby("soil_unit")["share"].sum()
    assert shares.tolist() == pytest.approx([1.0, 1.0])
    # Representative values of the largest component's plough layer, as printed.
    clarion = horizons[horizons["component"] == "17607991"].iloc[0]
    assert clarion[["sand", "clay", "organic_matter"]].tolist() == [0.45, 0.21, 0.035]
    assert clarion["bulk_density"] == pytest.approx(1300.0)
    assert not [n for n in notes if n.code.startswith("soil") and n.severity == "stop"]


def test_a_station_with_fills_reads(shared_data, tmp_path):
    field, notes = read_field(survey_folder(tmp_path, shared_data, season=2012))
    weather = field.weather
    assert weather["rain"].between(0.0, 0.3).all()
    assert weather["t_min"].min() > -40.0
    assert (weather["t_min"] <= weather["t_max"]).all()
    assert weather["radiation"].dropna().between(0.0, 4e7).all()
    assert weather["date"].diff().dropna().dt.days.eq(1).all()
    assert weather["date"].dt.year.eq(2012).any()
    assert "weather.gap" in {note.code for note in notes}


def test_a_parcel_is_chosen_from_many(shared_data):
    import geopandas as gpd

    path = shared_data / "boundaries" / "fi_parcels.gpkg"
    parcels = gpd.read_file(path)
    big = parcels[parcels.area > 1e4].iloc[0]
    column = next(
        c for c in parcels.columns if parcels[c].is_unique and c != "geometry"
    )
    outline, _ = read_boundary(path, part=f"{column}={big[column]}")
    assert outline.area == pytest.approx(big.geometry.area, rel=2e-3)
