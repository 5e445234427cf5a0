"""GeoTIFF and GeoPackage as other programs see them."""

from __future__ import annotations

import sqlite3
import xml.etree.ElementTree as ET
from contextlib import closing

import fiona
import numpy as np
import pyogrio
import pytest
import rasterio
from rasterio.enums import ColorInterp

from trafficmap.core.constants import COMPUTE_DEPTHS
from trafficmap.core.layers import get_layer, layer_spec
from trafficmap.outputs import geopackage, inks, tables


@pytest.mark.parametrize(
    "name", ["passes", "risk", "stress", "work_depth", "zone", "rut"]
)
def test_geotiff_gives_back_the_layer(run_dir, result, name):
    with rasterio.open(run_dir / "layers" / f"{name}.tif") as dataset:
        values = get_layer(result.tray, name)
        bands = values if values.ndim == 3 else values[np.newaxis]
        np.testing.assert_array_equal(dataset.read(), bands)
        assert dataset.crs.to_epsg() == result.grid.epsg
        assert tuple(dataset.transform)[:6] == result.grid.transform
        assert dataset.dtypes[0] == layer_spec(name).dtype
        assert dataset.units == (layer_spec(name).unit,) * len(bands)
        assert dataset.tags()["layer"] == name
        np.testing.assert_equal(dataset.nodata, layer_spec(name).nodata)


def test_not_known_is_never_zero(run_dir):
    with rasterio.open(run_dir / "layers" / "work_depth.tif") as dataset:
        values = dataset.read(1)
        assert dataset.nodata == -32768
        assert set(np.unique(values)) == {-32768, 0, 356, 406}


def test_bands_say_their_depth(run_dir):
    with rasterio.open(run_dir / "layers" / "risk.tif") as dataset:
        assert dataset.count == len(COMPUTE_DEPTHS)
        assert dataset.descriptions[2].startswith("risk at 0.35 m (14 in)")
        assert "3 likely" in dataset.tags()["classes"]


def test_classes_carry_our_inks(run_dir):
    with rasterio.open(run_dir / "layers" / "risk_worst.tif") as dataset:
        table = dataset.colormap(1)
        assert table[4] == (*inks.rgb(inks.LIGHT["risk-4"]), 255)
        assert dataset.colorinterp[0] == ColorInterp.palette


def test_layers_are_cloud_optimised(make_result, tmp_path):
    rio_cogeo = pytest.importorskip("rio_cogeo")
    from trafficmap.outputs.geotiff import geotiff_bytes

    result = make_result(cell=0.4)  # larger than a block, so that overviews are due
    path = tmp_path / "risk.tif"
    path.write_bytes(geotiff_bytes(result.tray, "risk_worst", grid=result.grid))
    valid, errors, warnings = rio_cogeo.cog_validate(path)
    assert (valid, errors, warnings) == (True, [], [])
    with rasterio.open(path) as dataset:
        assert dataset.overviews(1)
        small = dataset.read(1, out_shape=(64, 64))
    assert set(np.unique(small)) <= {1, 2, 3, 4, 5, 255}


def test_geopackage_layers_for_two_readers(run_dir, result):
    path = run_dir / "field.gpkg"
    assert fiona.listlayers(path)[:4] == ["boundary", "zones", "passes", "stops"]
    zones = pyogrio.read_dataframe(path, layer="zones")
    assert zones.crs.to_epsg() == result.grid.epsg
    assert list(zones.columns[:-1]) == [name for name, _ in tables.ZONE_COLUMNS]
    assert set(zones.geom_type) == {"MultiPolygon"}
    assert zones["area_ha"].sum() == pytest.approx(result.field.area / 1e4, abs=0.01)
    ripped = zones[zones["advice"] == "rip"]
    assert sorted(ripped["depth_mm"]) == [356, 406]
    assert (zones[zones["advice"] != "rip"]["depth_mm"] == 0).all()
    with fiona.open(path, layer="passes") as passes:
        assert len(passes) == len(result.passes)
        assert passes[1]["properties"]["start_utc"] == "2026-10-14T15:00:00Z"


def test_styles_are_default_and_well_formed(run_dir):
    with closing(sqlite3.connect(run_dir / "field.gpkg")) as base:
        rows = base.execute(
            "SELECT f_table_name, f_geometry_column, styleQML, styleSLD, useAsDefault "
            "FROM layer_styles ORDER BY f_table_name"
        ).fetchall()
        columns = dict(
            base.execute("SELECT table_name, column_name FROM gpkg_geometry_columns")
        )
    assert [row[0] for row in rows] == ["boundary", "passes", "stops", "zones"]
    for name, column, qml, sld, default in rows:
        assert default == 1
        assert columns[name] == column
        assert ET.fromstring(qml).tag == "qgis"
        assert ET.fromstring(sld).tag.endswith("StyledLayerDescriptor")
    values = {c.get("value") for c in ET.fromstring(rows[3][2]).iter("category")}
    assert values == {
        "rip",
        "probe",
        "dotted",
        "leave",
        "not-assessed",
        "keep-out",
        "strip",
    }


def test_every_stop_has_a_style_that_fills_the_spot_in_the_track(run_dir):
    from trafficmap.outputs.styles import STOP_PENS, qml, sld
    from trafficmap.outputs.tables import stop_table

    stops = pyogrio.read_dataframe(run_dir / "field.gpkg", layer="stops")
    assert set(stops["drawn_as"]) == {"stop"}
    paired = stop_table(
        stops.drop(columns="drawn_as").head(2).assign(twin_of=["", "a"])
    )
    assert list(paired["drawn_as"]) == [pen.value for pen in STOP_PENS]
    style = ET.fromstring(qml(STOP_PENS, column="drawn_as", geometry="marker"))
    inks = [
        {o.get("name"): o.get("value") for o in layer.iter("Option")}
        for layer in style.iter("layer")
    ]
    assert inks[0]["color"] == inks[0]["outline_color"]
    assert inks[1]["color"] != inks[1]["outline_color"]
    text = sld(STOP_PENS, column="drawn_as", geometry="marker", name="stops")
    assert text.count("<PointSymbolizer>") == 2
    ET.fromstring(text)


def test_every_zone_has_a_style(run_dir):
    zones = pyogrio.read_dataframe(run_dir / "field.gpkg", layer="zones")
    from trafficmap.outputs.styles import ZONE_PENS

    assert set(zones["drawn_as"]) <= {pen.value for pen in ZONE_PENS}


def test_events_on_request(result, tmp_path):
    import pandas as pd

    path = geopackage.write_geopackage(
        result,
        tmp_path / "field.gpkg",
        mark="x",
        date=pd.Timestamp("2026-10-14", tz="UTC"),
        events=True,
    )
    events = pyogrio.read_dataframe(path, layer="events")
    assert len(events) == result.events.cell.size
    assert events["load_kN"].max() == pytest.approx(110.0)
    row = events.iloc[0]
    assert result.grid.cell_index(row.geometry.x, row.geometry.y) == row["cell"]
