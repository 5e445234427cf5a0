"""KML and KMZ: tracks, timed pins, drawn lines, areas, and what lies in the zip."""

from __future__ import annotations

import zipfile
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from trafficmap.core.errors import InputError
from trafficmap.core.tables import RAW_FIXES, require_table
from trafficmap.formats.logs import read_logs
from trafficmap.formats.sniff import sniff
from trafficmap.formats.vector import read_features, read_polygons

START = datetime(2026, 10, 14, 15, 0, tzinfo=UTC)
UNIX = START.timestamp()
HEAD = (
    '<?xml version="1.0" encoding="UTF-8"?><kml xmlns="http://www.opengis.net/kml/2.2" '
    'xmlns:gx="http://www.google.com/kml/ext/2.2"><Document>'
)
SQUARE = "-93.62,42.03,0 -93.61,42.03,0 -93.61,42.04,0 -93.62,42.04,0 -93.62,42.03,0"


def stamp(k):
    return f"{START + timedelta(seconds=k):%Y-%m-%dT%H:%M:%SZ}"


def north(k):
    return f"{42.03 + k * 2 / 111_194.9:.9f}"


def gx_track(first, count, *, extra="", when=True):
    times = "".join(f"<when>{stamp(k)}</when>" for k in range(first, first + count))
    places = "".join(
        f"<gx:coord>-93.62 {north(k)} 300</gx:coord>"
        for k in range(first, first + count)
    )
    return f"<gx:Track>{times if when else ''}{places}{extra}</gx:Track>"


def placemark(inner, name="cart"):
    return f"<Placemark><name>{name}</name>{inner}</Placemark>"


def polygon(outer=SQUARE, hole=""):
    ring = (
        "<{0}BoundaryIs><LinearRing><coordinates>{1}</coordinates></LinearRing>"
        "</{0}BoundaryIs>"
    )
    inner = ring.format("inner", hole) if hole else ""
    return f"<Polygon>{ring.format('outer', outer)}{inner}</Polygon>"


def line(coordinates):
    return f"<LineString><coordinates>{coordinates}</coordinates></LineString>"


def text(*inner):
    return HEAD + "".join(inner) + "</Document></kml>"


def write(tmp_path, *inner, name="way.kml"):
    path = tmp_path / name
    path.write_text(text(*inner), encoding="utf-8")
    return path


def kmz(tmp_path, *members, name="way.kmz"):
    path = tmp_path / name
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
        for inside, content in members:
            packed.writestr(inside, content)
    return path


def one(path, **told):
    (log,) = read_logs(path, **told)
    require_table(log.table, RAW_FIXES)
    return log


def test_a_track_with_times_keeps_the_contract(tmp_path):
    log = one(write(tmp_path, placemark(gx_track(0, 50))))
    assert (log.kind, log.clock, log.part, log.notes) == ("KML track", "utc", "", ())
    np.testing.assert_allclose(log.table["seconds"], UNIX + np.arange(50))
    np.testing.assert_allclose(log.table["longitude"], -93.62)
    np.testing.assert_allclose(log.table["altitude"], 300.0)


def test_several_tracks_of_one_place_are_segments_of_one_log(tmp_path):
    inner = f"<gx:MultiTrack>{gx_track(0, 5)}{gx_track(60, 5)}</gx:MultiTrack>"
    path = write(tmp_path, placemark(inner), placemark(gx_track(500, 5), "truck"))
    first, second = read_logs(path)
    assert (first.part, second.part) == ("cart", "truck")
    assert first.table["extra_segment"].tolist() == [0] * 5 + [1] * 5


def test_values_beside_the_places_are_read_by_their_names(tmp_path):
    def array(name, value, count=80):
        values = f"<gx:value>{value}</gx:value>" * count
        return f'<gx:SimpleArrayData name="{name}">{values}</gx:SimpleArrayData>'

    extra = (
        "<ExtendedData><SchemaData>"
        + array("Speed (km/h)", 7.2)
        + array("accuracy", 4)
        + array("mood", "fine")
        + array("short", 1, 3)
        + "</SchemaData></ExtendedData>"
    ) + "<gx:angles>10 0 0</gx:angles>" * 80
    log = one(write(tmp_path, placemark(gx_track(0, 80, extra=extra))))
    np.testing.assert_allclose(log.table["speed"], 2.0)
    assert set(log.table["heading"]) == {10.0}
    assert set(log.table["extra_mood"].astype(object)) == {"fine"}
    assert [n.sentence for n in log.notes] == [
        "way.kml: the values of 'short' are 3 for 80 places and were left out.",
        "way.kml: the receiver itself puts half of its places within 4.0 m.",
    ]


def test_angles_of_zero_are_no_heading(tmp_path):
    extra = "<gx:angles>0 0 0</gx:angles>" * 5
    log = one(write(tmp_path, placemark(gx_track(0, 5, extra=extra))))
    assert log.table["heading"].isna().all()


def test_times_without_places_are_left_over(tmp_path):
    extra = f"<when>{stamp(90)}</when>" * 2
    log = one(write(tmp_path, placemark(gx_track(0, 10, extra=extra))))
    assert len(log.table) == 10
    assert log.notes[0].sentence == (
        "way.kml: a track has 12 times and 10 places; they were paired from the begin "
        "on and the rest was left out."
    )


def test_a_track_cut_off_in_its_places_keeps_the_paired_ones(tmp_path):
    path = tmp_path / "way.kml"
    whole = text(placemark(gx_track(0, 100)))
    path.write_text(whole[: int(len(whole) * 0.7)])
    log = one(path)
    assert 20 < len(log.table) < 100
    np.testing.assert_allclose(np.diff(log.table["seconds"]), 1.0)
    assert {n.code for n in log.notes} == {"xml.cut", "kml.unpaired"}


def test_pins_with_times_are_a_log(tmp_path):
    pins = [
        placemark(
            f"<TimeStamp><when>{stamp(k)}</when></TimeStamp><ExtendedData>"
            f'<Data name="speed (mph)"><value>4.47387</value></Data></ExtendedData>'
            f"<Point><coordinates>-93.62,{north(k)},0</coordinates></Point>",
            name=f"fix {k}",
        )
        for k in range(20)
    ]
    log = one(write(tmp_path, *pins))
    np.testing.assert_allclose(log.table["seconds"], UNIX + np.arange(20))
    np.testing.assert_allclose(log.table["speed"], 2.0, rtol=1e-5)


def test_a_drawn_line_is_refused_and_says_what_would_help(tmp_path):
    path = write(tmp_path, placemark(line(f"-93.62,42.03 -93.62,{north(200)}")))
    with pytest.raises(InputError) as caught:
        read_logs(path)
    assert caught.value.sentence == (
        "way.kml: is a line without times, need a time at each place or the day it "
        "was driven."
    )
    assert caught.value.hint == (
        'write epoch = "2026-10-14", the day it was driven, at this log; or export a '
        "track"
    )
    log = one(path, epoch="2026-10-14")
    assert len(log.table) == 201
    assert [n.code for n in log.notes] == ["log.drawn"]
    (found,) = [f for f in log.findings if f.field == "time"]
    assert (found.assumed, found.why) == (True, "no time in the file; the day as told")


def test_lines_and_areas_beside_a_track_are_said(tmp_path):
    path = write(
        tmp_path,
        placemark(gx_track(0, 5)),
        placemark(line("-93,42 -93,43")),
        placemark(polygon()),
    )
    assert [n.sentence for n in one(path).notes] == [
        "way.kml: 1 lines without times were left out; only tracks are read.",
        "way.kml: 1 areas in it are no part of the log. If one is the outline of the "
        'field, write boundary = "way.kml" in [field].',
    ]


@pytest.mark.parametrize(
    ("inner", "words", "hint"),
    [
        (polygon(), "holds only areas, need a track with times", "write boundary ="),
        ("", "holds no track and no line, need a track", "export the track"),
    ],
)
def test_what_is_no_log_is_named(tmp_path, inner, words, hint):
    path = write(tmp_path, placemark(inner))
    with pytest.raises(InputError, match=words) as caught:
        read_logs(path)
    assert caught.value.hint.startswith(hint)


def test_areas_come_with_name_hole_and_what_stands_beside(tmp_path):
    hole = "-93.617,42.033 -93.615,42.033 -93.615,42.035 -93.617,42.033"
    data = '<ExtendedData><Data name="owner"><value>7</value></Data></ExtendedData>'
    path = write(
        tmp_path,
        "<Folder>",
        placemark(data + polygon(hole=hole), "north"),
        "</Folder>",
        placemark("<Point><coordinates>-93.6,42,0</coordinates></Point>", "gate"),
    )
    frame = read_polygons(path)
    assert frame.crs.to_epsg() == 4326
    assert frame["name"].tolist() == ["north"]
    assert frame["owner"].tolist() == ["7"]
    (shape,) = frame.geometry
    assert len(shape.interiors) == 1
    assert shape.bounds == (-93.62, 42.03, -93.61, 42.04)
    assert [n.sentence for n in frame.attrs["notes"]] == [
        "way.kml: 1 pins and tracks beside its shapes were left out."
    ]


def test_an_open_outline_is_closed_and_said(tmp_path):
    path = write(tmp_path, placemark(polygon(SQUARE.rpartition(" ")[0])))
    frame = read_polygons(path)
    assert [n.code for n in frame.attrs["notes"]] == ["vector.open_ring"]


@pytest.mark.parametrize(
    ("inner", "words"),
    [
        (polygon("-93,42 -93,43"), "an area in it has less than three corners"),
        (polygon(SQUARE.replace("42.04", "north")), "a corner that is no number"),
        (polygon("448677,4653293 448777,4653293 448777,4653393"), "says degrees, but"),
        ("", "holds no shapes"),
    ],
)
def test_areas_that_are_none_are_refused(tmp_path, inner, words):
    with pytest.raises(InputError, match=words):
        read_features(write(tmp_path, placemark(inner)))


def test_blanks_after_commas_are_harmless(tmp_path):
    frame = read_polygons(
        write(tmp_path, placemark(polygon(SQUARE.replace(",", ", "))))
    )
    assert frame.total_bounds.tolist() == [-93.62, 42.03, -93.61, 42.04]


def test_links_are_counted_and_never_followed(tmp_path):
    link = "<NetworkLink><Link><href>http://example.invalid/a.kml</href></Link></NetworkLink>"
    log = one(write(tmp_path, link, placemark(gx_track(0, 5))))
    assert [n.sentence for n in log.notes] == [
        "way.kml: 1 links to other files or pages in it were not followed."
    ]


def test_a_kmz_is_known_by_what_lies_in_it(tmp_path):
    inner = text(placemark(gx_track(0, 30)), placemark(polygon(), "field"))
    path = kmz(
        tmp_path, ("doc.kml", inner), ("files/pin.png", b"\x89PNG"), name="combine.csv"
    )
    assert sniff(path) == "kmz"
    assert len(one(path).table) == 30
    assert read_polygons(path)["name"].tolist() == ["field"]


def test_the_main_file_of_a_kmz_counts(tmp_path):
    other, main = text(placemark(gx_track(0, 3))), text(placemark(gx_track(0, 8)))
    log = one(kmz(tmp_path, ("a.kml", other), ("doc.kml", main)))
    assert len(log.table) == 8
    assert log.notes[0].sentence == (
        "way.kmz: doc.kml in it was read; 1 more KML files in it were not. If they "
        "matter, unpack it and give them one by one."
    )


@pytest.mark.parametrize(
    ("members", "words"),
    [
        ([("../doc.kml", "x")], "leads out of the folder"),
        ([("doc.kml", text(placemark("x" * 2**22)))], "too much to be a log"),
        ([("doc.kml", "x"), ("DOC.KML", "y")], "one file on many computers"),
    ],
)
def test_a_kmz_keeps_the_rules_for_zips(tmp_path, members, words):
    path = kmz(tmp_path, *members)
    for read in (read_logs, read_features):
        with pytest.raises(InputError, match=words):
            read(path)


def test_task_data_in_a_zip_stays_task_data(tmp_path):
    path = kmz(tmp_path, ("TASKDATA/TASKDATA.XML", "<a/>"), ("doc.kml", text()))
    assert sniff(path) == "zip"


def test_a_zip_is_searched_by_bytes(tmp_path):
    track = text(placemark(gx_track(0, 30)))
    path = kmz(tmp_path, ("cart.dat", track), ("readme.md", "what, ever"))
    assert len(one(path).table) == 30
    path = kmz(tmp_path, ("a.kml", track), ("log.csv", "lon,lat\n1,2\n"))
    with pytest.raises(InputError, match=r"holds 2 logs \(a.kml, log.csv\), need one"):
        read_logs(path)


def test_a_zipped_shapefile_is_a_boundary(tmp_path):
    import geopandas as gpd
    from shapely.geometry import box

    gpd.GeoDataFrame({"n": [1]}, geometry=[box(-93.62, 42.03, -93.61, 42.04)],
                     crs=4326).to_file(tmp_path / "field.shp")  # fmt: skip
    parts = [(p.name, p.read_bytes()) for p in sorted(tmp_path.glob("field.*"))]
    frame = read_polygons(kmz(tmp_path, *parts, name="field.zip"))
    assert frame.total_bounds.tolist() == [-93.62, 42.03, -93.61, 42.04]
