"""Parquet: points and shapes with their coordinate system, plain tables, damage."""

from __future__ import annotations

import builtins
import datetime as dt
import decimal
import json

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely.geometry import Point, box

from trafficmap.core import limits
from trafficmap.core.errors import CRSError, InputError
from trafficmap.core.tables import RAW_FIXES, require_table
from trafficmap.formats.logs import read_logs
from trafficmap.formats.sniff import sniff
from trafficmap.formats.vector import read_features, read_polygons

pa = pytest.importorskip("pyarrow")
parquet = pytest.importorskip("pyarrow.parquet")

N = 60
LATITUDE = 42.03 + np.arange(N) * 2 / 111_194.9
TIME = pd.date_range("2026-10-14 15:00", periods=N, freq="s", tz="UTC")
SQUARE = box(-93.62, 42.03, -93.61, 42.04)


def points(crs=4326, **columns):
    shapes = gpd.points_from_xy(np.full(N, -93.62), LATITUDE)
    frame = {"time": TIME, "speed (mph)": np.full(N, 4.47387), **columns}
    return gpd.GeoDataFrame(frame, geometry=shapes, crs=4326).to_crs(crs)


def one(path, **told):
    (log,) = read_logs(path, **told)
    require_table(log.table, RAW_FIXES)
    return log


@pytest.mark.parametrize("encoding", ["WKB", "geoarrow"])
@pytest.mark.parametrize("crs", [4326, "OGC:CRS84", 32615])
def test_points_are_a_log_whatever_their_system(tmp_path, crs, encoding):
    path = tmp_path / "combine.csv"
    points(crs).to_parquet(path, geometry_encoding=encoding)
    assert sniff(path) == "parquet"
    log = one(path)
    assert (log.kind, log.clock, log.notes) == ("GeoParquet points", "utc", ())
    np.testing.assert_allclose(log.table["longitude"], -93.62, atol=1e-8)
    np.testing.assert_allclose(log.table["latitude"], LATITUDE, atol=1e-8)
    np.testing.assert_allclose(log.table["speed"], 2.0, rtol=1e-5)
    start = TIME[0].timestamp()
    np.testing.assert_allclose(log.table["seconds"], start + np.arange(N))


def test_polygons_are_a_boundary(tmp_path):
    path = tmp_path / "field.parquet"
    frame = gpd.GeoDataFrame({"name": ["north"]}, geometry=[SQUARE], crs=4326)
    frame.to_crs(26915).to_parquet(path, write_covering_bbox=True)
    found = read_polygons(path)
    assert found["name"].tolist() == ["north"]
    assert "bbox" not in found
    assert found.geometry.iloc[0].equals_exact(SQUARE, 1e-7, normalize=True)
    assert [n.code for n in found.attrs["notes"]] == ["crs.frame"]


def test_a_system_that_the_file_calls_unknown_is_assumed_and_said(tmp_path):
    path = tmp_path / "field.parquet"
    gpd.GeoDataFrame(geometry=[SQUARE]).to_parquet(path)
    (note,) = read_polygons(path).attrs["notes"]
    assert note.sentence == (
        "field.parquet: has no coordinate system; it was taken as WGS 84 degrees."
    )
    gpd.GeoDataFrame(geometry=[box(4e5, 4e6, 4.1e5, 4.1e6)]).to_parquet(path)
    with pytest.raises(CRSError, match="its places are no degrees"):
        read_polygons(path)


def test_a_file_that_says_no_system_is_in_degrees_by_the_rules(tmp_path):
    path = tmp_path / "field.parquet"
    _with_geo(gpd.GeoDataFrame(geometry=[SQUARE], crs=4326), path, drop="crs")
    assert read_polygons(path).attrs["notes"] == []


def test_a_table_without_shapes_is_a_log_by_its_columns(tmp_path):
    path = tmp_path / "log.parquet"
    frame = pd.DataFrame({"lon": np.full(N, -93.62), "lat": LATITUDE, "time": TIME})
    frame["day"] = dt.date(2026, 10, 14)
    frame["swath (ft)"] = decimal.Decimal("30.00")
    frame["blob"] = b"x"
    frame["pair"] = [[1, 2]] * N
    frame["word"] = "a"
    frame.to_parquet(path)
    log = one(path)
    assert (log.kind, log.clock) == ("Parquet table", "utc")
    np.testing.assert_allclose(log.table["width"], 9.144)
    assert "extra_word" in log.table
    assert not {"extra_blob", "extra_pair"} & set(log.table)
    with pytest.raises(InputError, match="holds a table without shapes"):
        read_features(path)


def test_what_was_told_counts(tmp_path):
    path = tmp_path / "log.parquet"
    points(pace=np.full(N, 2.0)).drop(columns="speed (mph)").to_parquet(path)
    log = one(path, columns={"speed": "pace"}, units={"speed": "m/s"})
    np.testing.assert_allclose(log.table["speed"], 2.0)


def test_shapes_that_are_no_points_are_no_log(tmp_path):
    path = tmp_path / "field.parquet"
    gpd.GeoDataFrame(geometry=[SQUARE], crs=4326).to_parquet(path)
    with pytest.raises(InputError, match="holds a polygon, need one point a row"):
        read_logs(path)
    gpd.GeoDataFrame(geometry=[Point(1, 2)], crs=4326).to_parquet(path)
    with pytest.raises(InputError, match="holds a point, need polygons"):
        read_polygons(path)


def test_without_the_library_one_sentence_says_what_to_do(tmp_path, monkeypatch):
    path = tmp_path / "field.parquet"
    gpd.GeoDataFrame(geometry=[SQUARE], crs=4326).to_parquet(path)
    real = builtins.__import__

    def missing(name, *args, **more):
        if name.startswith("pyarrow"):
            raise ImportError(name)
        return real(name, *args, **more)

    monkeypatch.setattr(builtins, "__import__", missing)
    for read in (read_logs, read_features):
        with pytest.raises(InputError) as caught:
            read(path)
        assert caught.value.sentence == (
            "field.parquet: is a Parquet file, and the library that reads those is not "
            "installed."
        )
        assert caught.value.hint == (
            'pip install "trafficmap[parquet]", or export it as GeoPackage'
        )


def test_more_than_fits_is_refused_before_it_is_read(tmp_path, monkeypatch):
    path = tmp_path / "log.parquet"
    points().to_parquet(path)
    monkeypatch.setattr(limits, "MAX_TABLE_CELLS", 100)
    with pytest.raises(InputError, match="holds 180 values, the limit is 100"):
        read_features(path)


def test_damage_is_told_in_words(tmp_path):
    path = tmp_path / "log.parquet"
    points().to_parquet(path)
    whole = path.read_bytes()
    for cut in (whole[:-1], whole[: len(whole) // 2], b"PAR1", b"PAR1PAR1"):
        path.write_bytes(cut)
        for read in (read_logs, read_features):
            with pytest.raises(InputError, match="is a damaged or incomplete Parquet"):
                read(path)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"primary_column": 7}, "does not say which column holds its shapes"),
        ({"primary_column": "gone"}, "is a damaged or incomplete Parquet file"),
        ({"columns": {"geometry": {"encoding": "WKB", "crs": {"a": 1},
                                   "geometry_types": []}}}, "system is not known"),
    ],
)  # fmt: skip
def test_a_description_that_cannot_be(tmp_path, change, words):
    path = tmp_path / "field.parquet"
    _with_geo(gpd.GeoDataFrame(geometry=[SQUARE], crs=4326), path, **change)
    with pytest.raises(InputError, match=words):
        read_features(path)


def _with_geo(frame, path, drop="", **change):
    """Write GeoParquet and change what it says of itself."""
    frame.to_parquet(path)
    table = parquet.read_table(path)
    geo = json.loads(table.schema.metadata[b"geo"]) | change
    if drop:
        for column in geo["columns"].values():
            column.pop(drop)
    told = {**table.schema.metadata, b"geo": json.dumps(geo).encode()}
    parquet.write_table(table.replace_schema_metadata(told), path)
