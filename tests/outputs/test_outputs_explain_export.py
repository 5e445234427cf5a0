"""The story of one spot, and files made from a finished run."""

from __future__ import annotations

import json
import re
import zipfile

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from pyproj import Transformer

from trafficmap.core.errors import InputError
from trafficmap.outputs import explain_store
from trafficmap.outputs.explain import axle_visits, explain
from trafficmap.outputs.export import KINDS, csv_bytes, export, zip_bytes

WEST, SOUTH = 448_600.0, 4_653_100.0


@pytest.fixture(scope="module")
def place():
    to_degrees = Transformer.from_crs(32615, 4326, always_xy=True)

    def at(east, north):
        return to_degrees.transform(WEST + east, SOUTH + north)

    return at


def test_the_story_names_machine_date_load_water_and_formula(run_dir, place):
    """Lane at 60 m east: combine in pass 1, then the loaded cart in pass 6."""
    text = explain(run_dir, *place(61.5, 100.0))
    assert "Zone 2: rip at 16 in (41 cm), row D5 of the decision table" in text
    assert "  The cart crossed four times and the layer was found at 15 in." in text
    first = text.index("Wed 14 Oct, 10:13: combine, 12-row, combine front axle")
    second = text.index(
        "Wed 14 Oct, 11:13: grain cart <b>&, grain_cart_single cart axle"
    )
    assert first < second
    # 110 kN a wheel is 11 213 kg, 12.4 short tons; 90 and 110 % of it as interval.
    flat = re.sub(r"\s+", " ", text)
    assert "wheel 12.4 tons (11.1 to 13.6 tons; payload assumed)" in flat
    assert "axle 24.7 tons, 29 psi, assumed" in flat
    assert "37 %" in text
    assert "13 psi" in text  # strength of 90 kPa
    # exp of the root of 0.35^2 (law) + 0.20^2 (texture) + 0.30^2 (water)
    assert re.search(r"known to( +x 1\.65){6}\n", text)
    assert "Saxton & Rawls (2006)" in text


def test_stress_is_read_at_the_offset_of_the_visit(run_dir, result):
    """A triangle of 260 kPa, 4 m reach; the cell is 2 m wide and 1 m off the middle.

    Driving north the cell reaches to the middle of the axle, so the peak is met; were
    the cell a point it would be three quarters of it.
    """
    store = explain_store.read_store(run_dir / "explain.npz")
    cell = int(result.grid.cell_index(WEST + 61.0, SOUTH + 101.0))
    visits = axle_visits(store, cell, side=2.0)
    cart = next(visit for visit in visits if visit.machine == "cart")
    assert cart.offset == pytest.approx(1.0, abs=1e-3)
    np.testing.assert_allclose(cart.stress[0], 260e3, rtol=1e-5)
    np.testing.assert_allclose(cart.stress[2], 260e3 * 0.75, rtol=1e-5)
    point = next(v for v in axle_visits(store, cell, side=0.0) if v.machine == "cart")
    np.testing.assert_allclose(point.stress[0], 260e3 * 0.75, rtol=1e-5)
    np.testing.assert_allclose(cart.strength, 90e3, rtol=1e-5)
    assert cart.axle_load == pytest.approx(220e3)


def test_times_outside_the_soil_table_have_no_soil(run_dir, result):
    store = dict(explain_store.read_store(run_dir / "explain.npz"))
    store["strength_time"] = store["strength_time"][:1]
    cell = int(result.grid.cell_index(WEST + 61.0, SOUTH + 101.0))
    assert all(
        np.isnan(visit.strength).all() for visit in axle_visits(store, cell, side=2.0)
    )


def test_a_spot_nobody_came_near(run_dir, place):
    text = explain(run_dir, *place(40.0, 100.0))
    assert "No axle came past this spot in the logs." in text


@pytest.mark.parametrize(("east", "north"), [(-300.0, 0.0), (255.0, 198.0)])
def test_outside_the_field_is_refused(run_dir, place, east, north):
    with pytest.raises(InputError, match="lies outside the field"):
        explain(run_dir, *place(east, north))


def test_the_store_is_plain_and_small(run_dir, result):
    path = run_dir / "explain.npz"
    with np.load(path, allow_pickle=False) as packed:
        assert all(packed[name].dtype != object for name in packed.files)
    assert path.stat().st_size < 200_000
    store = explain_store.read_store(path)
    events = result.events
    times = explain_store.times_of(store["event_time"], float(store["base_time"]))
    np.testing.assert_allclose(times, events.time, atol=0.5)
    np.testing.assert_allclose(store["event_cover"] / 255, events.cover, atol=0.002)
    np.testing.assert_array_equal(store["event_wheel"], events.wheel)


def test_a_broken_store_is_refused(tmp_path):
    (tmp_path / "explain.npz").write_bytes(b"PK\x03\x04 not a zip")
    with pytest.raises(InputError, match=re.escape("explain.npz: cannot be read")):
        explain_store.read_store(tmp_path / "explain.npz")


def test_every_kind_can_be_exported(run_dir, tmp_path):
    written = export(run_dir, KINDS, dest=tmp_path)
    names = {path.relative_to(tmp_path).as_posix() for path in written}
    assert {
        "TASKDATA/TASKDATA.XML", "TASKDATA/GRD00001.BIN", "TASKDATA.zip",
        "SHP/zones.shp", "SHP.zip", "field.gpkg", "zones.geojson", "risk.tif",
        "zones.csv", "plan.csv",
    } <= names  # fmt: skip
    assert all(path.exists() for path in written)


def test_export_of_task_data_equals_the_run_folder(run_dir, tmp_path):
    export(run_dir, ["taskdata"], dest=tmp_path)
    for name in ("TASKDATA.XML", "GRD00001.BIN"):
        ours = (run_dir / "display" / "TASKDATA" / name).read_bytes()
        assert (tmp_path / "TASKDATA" / name).read_bytes() == ours
    with zipfile.ZipFile(tmp_path / "TASKDATA.zip") as packed:
        assert packed.namelist() == ["TASKDATA/GRD00001.BIN", "TASKDATA/TASKDATA.XML"]
        assert {i.date_time for i in packed.infolist()} == {(1980, 1, 1, 0, 0, 0)}


def test_options_reach_the_task_data(run_dir, tmp_path):
    export(
        run_dir, ["taskdata"], dest=tmp_path, iso_version=4, form="polygons",
        leave_alone_depth=-20, units="cm",
    )  # fmt: skip
    text = (tmp_path / "TASKDATA" / "TASKDATA.XML").read_text(encoding="utf-8")
    assert 'VersionMajor="4"' in text
    assert '<PDV A="0033" B="-20"' in text
    assert 'E="cm"' in text
    assert not (tmp_path / "TASKDATA" / "GRD00001.BIN").exists()


def test_geojson_is_wgs84_with_the_same_columns(run_dir, tmp_path, result):
    export(run_dir, ["geojson"], dest=tmp_path)
    document = json.loads((tmp_path / "zones.geojson").read_text(encoding="utf-8"))
    assert document["features"][0]["properties"]["zone"] == 0
    table = gpd.read_file(tmp_path / "zones.geojson")
    assert table.crs.to_epsg() == 4326
    area = table.to_crs(result.zones.crs).area.sum()
    assert area == pytest.approx(result.zones.area.sum(), rel=1e-5)


def test_nothing_is_overwritten_unasked_and_dry_run_writes_nothing(run_dir, tmp_path):
    told = export(run_dir, ["csv"], dest=tmp_path / "a", dry_run=True)
    assert [path.name for path in told] == ["zones.csv", "plan.csv"]
    assert not (tmp_path / "a").exists()
    export(run_dir, ["csv"], dest=tmp_path / "a")
    with pytest.raises(InputError, match=re.escape("already holds zones.csv")):
        export(run_dir, ["csv"], dest=tmp_path / "a")
    export(run_dir, ["csv"], dest=tmp_path / "a", overwrite=True)


def test_csv_opens_in_a_spreadsheet_and_runs_nothing(run_dir, tmp_path):
    export(run_dir, ["csv"], dest=tmp_path)
    raw = (tmp_path / "plan.csv").read_bytes()
    assert raw.startswith(b"\xef\xbb\xbf")
    plan = pd.read_csv(tmp_path / "plan.csv", encoding="utf-8-sig")
    assert list(plan["reason"]) == ["largest gain an hour", "'=then the rest"]
    assert list(plan["net_low_usd"]) == [-5.0, -9.0]  # numbers stay numbers
    assert list(plan["depth_mm"]) == [406.0, 356.0]
    assert plan["hours"].tolist() == [1.0, 1.03]


@pytest.mark.parametrize("text", ["=1+1", "+1", "-a", "@x", "\tx", "\rx"])
def test_text_that_would_start_a_formula_gets_an_apostrophe(text):
    raw = csv_bytes(pd.DataFrame({"a": [text], "b": [-1.5]})).decode("utf-8-sig")
    assert f"'{text}" in raw.replace('"', "")
    assert raw.rstrip().endswith("-1.5")


def test_unknown_kind_and_unfinished_run(run_dir, tmp_path):
    with pytest.raises(InputError, match="export: got 'pdf'"):
        export(run_dir, ["pdf"], dest=tmp_path / "x")
    with pytest.raises(InputError, match="is unfinished"):
        export(tmp_path, ["csv"], dest=tmp_path / "x")


def test_a_zip_is_the_same_every_time():
    files = {"b.txt": b"2", "a.txt": b"1"}
    assert zip_bytes(files) == zip_bytes(dict(reversed(files.items())))
