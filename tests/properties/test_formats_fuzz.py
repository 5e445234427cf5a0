"""Tracks, shapes and sentences cut anywhere or with any bit turned: words, no crash."""

from __future__ import annotations

import io
import zipfile
from functools import cache, reduce

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trafficmap.core.errors import TrafficmapError
from trafficmap.core.tables import RAW_FIXES, require_table
from trafficmap.formats.logs import read_logs
from trafficmap.formats.sniff import sniff_bytes
from trafficmap.formats.vector import read_features

N = 12


def gpx():
    rows = "".join(
        f'<trkpt lat="{42 + k / 9e4:.7f}" lon="-93.62"><ele>3</ele><time>2026-10-14T15:'
        f"00:{k:02d}Z</time><fix>3d</fix><hdop>1.1</hdop><extensions><x:speed>1.2"
        "</x:speed></extensions></trkpt>"
        for k in range(N)
    )
    return (
        '<?xml version="1.0" encoding="UTF-8"?><gpx version="1.1"><wpt lat="1" '
        f'lon="2"/><trk><name>M&#252;hle</name><trkseg>{rows}</trkseg></trk></gpx>'
    ).encode()


def kml():
    whens = "".join(f"<when>2026-10-14T15:00:{k:02d}Z</when>" for k in range(N))
    coords = "".join(
        f"<gx:coord>-93.62 {42 + k / 9e4:.7f} 3</gx:coord>" for k in range(N)
    )
    ring = "-93.62,42.03,0 -93.61,42.03,0 -93.61,42.04,0 -93.62,42.03,0"
    return (
        "<kml><Document><Placemark><name>cart</name><gx:Track>"
        f"{whens}{coords}</gx:Track></Placemark><Placemark><ExtendedData><Data "
        'name="a"><value>7</value></Data></ExtendedData><Polygon><outerBoundaryIs>'
        f"<LinearRing><coordinates>{ring}</coordinates></LinearRing></outerBoundaryIs>"
        f"</Polygon><LineString><coordinates>{ring}</coordinates></LineString>"
        "</Placemark></Document></kml>"
    ).encode()


def kmz():
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("doc.kml", kml())
    return packed.getvalue()


def nmea():
    lines = []
    for k in range(N):
        place = f"42{k / 100:07.4f},N,09337.2,W"
        for body in (
            f"GPGGA,1530{k:02d}.00,{place},4,9,0.9,300.0,M,,M,,",
            f"GPRMC,1530{k:02d}.00,A,{place},2.92,0.0,141026,,",
            "GPVTG,1.0,T,,M,2.0,N,3.7,K",
            "GPGSA,A,3,01,02,03,04,,,,,,,,,1.1,1.2,1.0",
            "HEHDT,3.2,T",
        ):
            lines.append(f"${body}*{reduce(lambda a, b: a ^ b, body.encode()):02X}")
    return "\r\n".join(lines).encode()


def geoparquet():
    gpd = pytest.importorskip("geopandas")
    pytest.importorskip("pyarrow")
    shapes = gpd.points_from_xy(np.full(N, -93.62), 42 + np.arange(N) / 9e4)
    time = pd.date_range("2026-10-14", periods=N, freq="s", tz="UTC")
    frame = gpd.GeoDataFrame({"time": time, "w": "a"}, geometry=shapes, crs=4326)
    out = io.BytesIO()
    frame.to_parquet(out)
    return out.getvalue()


WHOLE = {f.__name__: cache(f) for f in (gpx, kml, kmz, nmea, geoparquet)}


def read_or_refuse(data, folder):
    """Read bytes every way; whatever comes must be a good table or a sentence."""
    path = folder / "input.bin"
    path.write_bytes(data)
    for epoch in (None, "2026-10-14"):
        for log in (
            read_in_words(lambda epoch=epoch: read_logs(path, epoch=epoch)) or ()
        ):
            require_table(log.table, RAW_FIXES)
            assert log.table["longitude"].abs().max() <= 180
            assert log.table["latitude"].abs().max() <= 90
            assert np.isfinite(log.table["seconds"]).all()
    shapes = read_in_words(lambda: read_features(path))
    assert shapes is None or np.isfinite(shapes.total_bounds).all()


def read_in_words(read):
    """Return what is read, or nothing where it is refused in a sentence."""
    try:
        return read()
    except TrafficmapError as error:
        refused = error
    assert refused.sentence.endswith(".")
    assert refused.hint
    return None


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("fuzz")


@pytest.mark.parametrize("kind", WHOLE)
def test_what_is_whole_is_read(kind, folder):
    path = folder / "whole.bin"
    path.write_bytes(WHOLE[kind]())
    (log,) = read_logs(path)
    assert len(log.table) == N


@pytest.mark.parametrize("kind", WHOLE)
@given(data=st.data())
@settings(max_examples=30, deadline=None)
def test_a_cut_anywhere_is_told_in_words(kind, folder, data):
    whole = WHOLE[kind]()
    cut = data.draw(st.integers(1, len(whole) - 1))
    read_or_refuse(whole[:cut], folder)


@pytest.mark.parametrize("kind", WHOLE)
@given(data=st.data())
@settings(max_examples=50, deadline=None)
def test_turned_bits_are_told_in_words(kind, folder, data):
    damaged = bytearray(WHOLE[kind]())
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(damaged) - 1))
        damaged[at] ^= 1 << data.draw(st.integers(0, 7))
    read_or_refuse(bytes(damaged), folder)


@given(
    begin=st.sampled_from([b"<gpx>", b"<kml>", b"PAR1", b"$GPGGA,", b"<gpx><trk>"]),
    rest=st.binary(max_size=200),
)
@settings(max_examples=50, deadline=None)
def test_any_bytes_behind_a_known_begin_are_told_in_words(folder, begin, rest):
    assert isinstance(sniff_bytes(begin + rest), str)
    read_or_refuse(begin + rest, folder)


NUMBER = st.sampled_from(
    [
        "",
        "nan",
        "inf",
        "-inf",
        "1e308",
        "-0",
        "0",
        "42",
        "-93",
        "400",
        "x",
        "1_0",
        " 7 ",
    ]
)


@given(st.lists(st.tuples(NUMBER, NUMBER, NUMBER), min_size=1, max_size=6))
@settings(max_examples=30, deadline=None)
def test_any_numbers_for_places_are_told_in_words(folder, rows):
    points = "".join(f'<trkpt lat="{a}" lon="{b}"><ele>{c}</ele></trkpt>'
                     for a, b, c in rows)  # fmt: skip
    read_or_refuse(f"<gpx><trk>{points}</trk></gpx>".encode(), folder)
    corners = " ".join(",".join(row) for row in rows)
    for tag in ("LineString", "Point"):
        shape = f"<{tag}><coordinates>{corners}</coordinates></{tag}>"
        read_or_refuse(f"<kml><Placemark>{shape}</Placemark></kml>".encode(), folder)
    ring = f"<LinearRing><coordinates>{corners}</coordinates></LinearRing>"
    shape = f"<Polygon><outerBoundaryIs>{ring}</outerBoundaryIs></Polygon>"
    read_or_refuse(f"<kml><Placemark>{shape}</Placemark></kml>".encode(), folder)
