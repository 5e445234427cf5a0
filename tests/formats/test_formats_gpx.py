"""GPX as phones write it: whole, cut off, without times, in odd letters."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from trafficmap.core.errors import InputError
from trafficmap.core.tables import RAW_FIXES, require_table
from trafficmap.formats.logs import read_logs
from trafficmap.formats.sniff import sniff
from trafficmap.formats.vector import read_features

START = datetime(2026, 10, 14, 15, 0, tzinfo=UTC)
UNIX = START.timestamp()
HEAD = (
    '<?xml version="1.0" encoding="UTF-8"?>\n<gpx version="1.1" creator="x" '
    'xmlns="http://www.topografix.com/GPX/1/1">'
)


def point(k, *, more="", time=True, zone="Z", tag="trkpt", start=START):
    """One point a second, north at 2 m/s; one degree is 111 194.9 m."""
    when = f"{start + timedelta(seconds=k):%Y-%m-%dT%H:%M:%S}{zone}"
    return (
        f'<{tag} lat="{42.03 + k * 2 / 111_194.9:.9f}" lon="-93.62">'
        f"<ele>300.5</ele>{f'<time>{when}</time>' if time else ''}{more}</{tag}>"
    )


def track(*segments, name="way", tag="trk"):
    inner = "".join(f"<trkseg>{''.join(s)}</trkseg>" for s in segments)
    return f"<{tag}><name>{name}</name>{inner}</{tag}>"


def points(first, count, **how):
    return [point(k, **how) for k in range(first, first + count)]


def write(tmp_path, *inner, head=HEAD, name="way.gpx"):
    path = tmp_path / name
    path.write_bytes((head + "".join(inner) + "</gpx>").encode())
    return path


def one(path, **told):
    (log,) = read_logs(path, **told)
    require_table(log.table, RAW_FIXES)
    return log


def codes(log):
    return [note.code for note in log.notes]


def test_a_track_in_two_parts_keeps_the_contract(tmp_path):
    path = write(tmp_path, track(points(0, 60), points(90, 60)))
    log = one(path)
    assert (log.kind, log.clock, log.part, codes(log)) == ("GPX track", "utc", "", [])
    seconds = np.r_[np.arange(60), np.arange(90, 150)]
    np.testing.assert_allclose(log.table["seconds"], UNIX + seconds)
    np.testing.assert_allclose(log.table["altitude"], 300.5)
    assert log.table["row"].tolist() == list(range(1, 121))
    assert log.table["extra_segment"].tolist() == [0] * 60 + [1] * 60
    assert {f.field for f in log.findings} >= {"longitude", "latitude", "time"}


def test_the_name_of_the_file_does_not_matter(tmp_path):
    path = write(tmp_path, track(points(0, 5)), name="combine.csv")
    assert sniff(path) == "gpx"
    assert len(one(path).table) == 5


def test_utf16_is_read(tmp_path):
    text = (HEAD.replace("UTF-8", "UTF-16") + track(points(0, 5)) + "</gpx>").encode(
        "utf-16"
    )
    path = tmp_path / "way.gpx"
    path.write_bytes(text)
    assert len(one(path).table) == 5


def test_every_track_is_a_log_of_its_own_name(tmp_path):
    again = points(200, 5)
    path = write(
        tmp_path,
        track(points(0, 5), name="cart"),
        track(points(100, 5), name=" cart "),
        track([], name="nothing"),
        track(again, name=""),
    )
    logs = read_logs(path)
    assert [log.part for log in logs] == ["cart", "cart (2)", "track 3"]
    assert [len(log.table) for log in logs] == [5, 5, 5]


@pytest.mark.parametrize(
    ("more", "unit", "why"),
    [
        ("<speed>2.0</speed>", "m/s", "unit as written"),
        (
            "<extensions><x:TrackPointExtension><x:speed>2.0</x:speed>"
            "</x:TrackPointExtension></extensions>",
            "m/s",
            "unit as written",
        ),
        ("<extensions><speed>7.2</speed></extensions>", "km/h", "agrees with the"),
        ("<extensions><a:speed>2.0</a:speed></extensions>", "m/s", "agrees with the"),
    ],
)
def test_speed_is_in_metres_a_second_where_a_schema_says_so(tmp_path, more, unit, why):
    log = one(write(tmp_path, track(points(0, 80, more=more))))
    np.testing.assert_allclose(log.table["speed"], 2.0, rtol=1e-3)
    (finding,) = [f for f in log.findings if f.field == "speed"]
    assert finding.unit == unit
    assert why in finding.why


def test_course_fix_and_satellites_come_along(tmp_path):
    more = (
        "<fix>dgps</fix><sat>9</sat><hdop>0.9</hdop><extensions><t:course>12.5"
        "</t:course><t:bearing>200</t:bearing><accuracy>4.0</accuracy></extensions>"
    )
    log = one(write(tmp_path, track(points(0, 10, more=more))))
    assert set(log.table["fix_quality"]) == {2.0}
    assert set(log.table["heading"]) == {12.5}
    assert set(log.table["extra_satellites"]) == {9.0}
    assert set(log.table["extra_hdop"]) == {0.9}
    assert set(log.table["extra_pointing"]) == {200.0}
    assert [n.sentence for n in log.notes] == [
        "way.gpx: the receiver itself puts half of its places within 4.0 m."
    ]


def test_places_under_a_bad_sky_are_counted(tmp_path):
    rows = [point(k, more=f"<hdop>{9 if k < 4 else 1}</hdop>") for k in range(10)]
    (note,) = one(write(tmp_path, track(rows))).notes
    assert note.severity == "check"
    assert note.sentence == (
        "way.gpx: 4 of 10 places were taken while satellites stood badly (HDOP above "
        "5); they may be many metres off."
    )


def test_marked_places_and_plans_are_left_out_and_said(tmp_path):
    spot = '<wpt lat="42" lon="-93"><name>gate</name><ele>3</ele></wpt>'
    plan = f"<rte><name>plan</name>{point(5, tag='rtept')}</rte>"
    log = one(write(tmp_path, spot, spot, plan, track(points(0, 5))))
    assert [n.sentence for n in log.notes] == [
        "way.gpx: 2 way points were left out; only tracks are read.",
        "way.gpx: 1 routes were left out; a route is planned, not driven.",
    ]
    assert len(log.table) == 5


def test_a_file_of_marked_places_only_is_refused(tmp_path):
    path = write(tmp_path, '<wpt lat="42" lon="-93"/>')
    words = r"holds no track, only 1 way points; need one with times\.$"
    with pytest.raises(InputError, match=words) as caught:
        read_logs(path)
    assert caught.value.hint == "export the track, not the places you marked"


def test_a_phone_that_died_leaves_what_it_wrote(tmp_path):
    text = (HEAD + track(points(0, 100)) + "</gpx>").encode()
    path = tmp_path / "way.gpx"
    for cut in (text[:-20], text[: len(text) // 2] + b"\0" * 500):
        path.write_bytes(cut)
        log = one(path)
        assert len(log.table) >= 45
        (note,) = [n for n in log.notes if n.code == "xml.cut"]
        assert note.severity == "check"
        assert "breaks off or is damaged at byte" in note.sentence
        stop = int(note.sentence.split("byte ")[1].split(" ")[0].replace(",", ""))
        assert abs(stop - len(cut.rstrip(b"\0"))) < 30
    assert "% of the file was not" in note.sentence


def test_letters_of_an_old_kind_cost_nothing(tmp_path):
    path = tmp_path / "way.gpx"
    text = HEAD + track(points(0, 20), name="M\xfchle") + "</gpx>"
    path.write_bytes(text.encode("latin-1"))
    log = one(path)
    assert len(log.table) == 20
    assert [n.sentence for n in log.notes] == [
        "way.gpx: holds letters that are not of the kind it says; it was read as old "
        "Western text."
    ]


def test_times_without_a_zone_are_utc_and_said(tmp_path):
    log = one(write(tmp_path, track(points(0, 5, zone=""))))
    assert log.clock == "utc"
    assert log.table["seconds"].iloc[0] == UNIX
    (note,) = log.notes
    assert note.severity == "check"
    assert note.sentence.startswith(
        "way.gpx: 5 of its times say no zone; they were taken as UTC, as the format "
        "asks. If they are local times, write clock_offset_s = 18000"
    )
    (found,) = [f for f in log.findings if f.field == "time"]
    assert found.assumed


def test_times_with_an_offset_and_fractions_are_turned(tmp_path):
    shifted = START - timedelta(hours=5)
    log = one(write(tmp_path, track(points(0, 5, zone=".25-05:00", start=shifted))))
    np.testing.assert_allclose(log.table["seconds"], UNIX + 0.25 + np.arange(5))


def test_a_leap_second_is_a_time(tmp_path):
    texts = ["2016-12-31T23:59:59Z", "2016-12-31T23:59:60Z", "2017-01-01T00:00:01Z"]
    rows = [point(k, time=False, more=f"<time>{t}</time>") for k, t in enumerate(texts)]
    seconds = one(write(tmp_path, track(rows))).table["seconds"]
    np.testing.assert_allclose(seconds - seconds.iloc[0], [0, 1, 2])


def test_points_without_a_time_or_place_are_dropped(tmp_path):
    rows = points(0, 20)
    rows[3] = point(3, time=False)
    rows[7] = rows[7].replace('lat="', 'lat="north ')
    log = one(write(tmp_path, track(rows)))
    assert len(log.table) == 18
    (note,) = log.notes
    assert note.sentence == (
        "way.gpx: 2 rows without a usable place or time were dropped."
    )


def test_a_track_without_times_goes_in_its_order(tmp_path):
    path = write(
        tmp_path, track(points(0, 30, time=False), points(1000, 30, time=False))
    )
    log = one(path)
    assert log.clock == "order"
    step = np.diff(log.table["seconds"])
    # 2 m at 2.5 m/s; between the parts the way there and a pause nobody bridges.
    np.testing.assert_allclose(np.delete(step, 29), 0.8, rtol=1e-4)
    assert step[29] > 60
    assert "log.no_clock" in codes(log)


def test_a_track_without_times_takes_the_day_that_was_told(tmp_path):
    path = write(tmp_path, track(points(0, 30, time=False)))
    log = one(path, epoch="2026-10-14")
    assert log.clock == "wall"
    noon = datetime(2026, 10, 14, 12, tzinfo=UTC).timestamp()
    assert log.table["seconds"].iloc[0] == noon
    (note,) = log.notes
    assert note.sentence == (
        "way.gpx: is a track without times; it was laid along at 9 km/h from 12:00 on "
        "the day you told. Where it ran is as good as the track; the hour, and who "
        "drove there first, is assumed."
    )
    log = one(path, epoch="2026-10-14T08:30:00Z")
    assert log.clock == "utc"
    assert log.table["seconds"].iloc[0] == UNIX - 6.5 * 3600


def test_a_route_needs_the_day_it_was_driven(tmp_path):
    corners = [point(k, tag="rtept", time=False) for k in (0, 100, 250)]
    path = write(tmp_path, f"<rte>{''.join(corners)}</rte>")
    with pytest.raises(InputError) as caught:
        read_logs(path)
    assert caught.value.sentence == (
        "way.gpx: is a line without times, need a time at each place or the day it "
        "was driven."
    )
    assert caught.value.choices[0][0] == 'epoch = "2026-10-14"'
    log = one(path, epoch="2026-10-14")
    step = np.diff(log.table["latitude"]) * 111_194.9
    assert step.max() <= 2.001
    assert abs(step.sum() - 500.0) < 0.01


def test_tracks_are_lines_for_lanes_and_buried_things(tmp_path):
    path = write(
        tmp_path, track(points(0, 5), points(9, 5), points(20, 1), name="lane")
    )
    lines = read_features(path)
    assert lines.geom_type.tolist() == ["LineString", "LineString"]
    assert lines["name"].tolist() == ["lane", "lane"]
    with pytest.raises(InputError, match="has two places, need a line"):
        read_features(write(tmp_path, track(points(0, 1))))


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("<!DOCTYPE gpx [<!ENTITY a 'b'>]><gpx>&a;</gpx>", "holds a document type or"),
        ("<gpx><trk></gpx>", r"holds no track; need one with times"),
        ("<gpx", "is damaged, the XML breaks off or is wrong at line 1"),
        ("<gpx>" + "<a>" * 40 + "</gpx>", "are nested more than 32 deep"),
        (f"<gpx a='{'x' * 5000}'/>", "an attribute of <gpx> is longer than 4,096"),
        ("<?xml version='1.0' encoding='utf-77'?><gpx/>", "breaks off|code page"),
    ],
)
def test_what_is_refused(tmp_path, content, words):
    path = tmp_path / "way.gpx"
    path.write_text(content)
    with pytest.raises(InputError, match=words):
        read_logs(path)


def test_long_tracks_are_taken_in_blocks(tmp_path, monkeypatch):
    monkeypatch.setattr("trafficmap.formats.gpx._BLOCK", 7)
    rows = points(0, 20)
    rows[15] = point(15, more="<hdop>1.5</hdop><cmt>stop</cmt>")
    log = one(write(tmp_path, track(rows)))
    np.testing.assert_allclose(log.table["seconds"], UNIX + np.arange(20))
    assert log.table["extra_hdop"].notna().sum() == 1
    assert log.table["extra_cmt"].astype(object)[15] == "stop"


def test_two_names_that_are_one_are_kept_apart(tmp_path):
    more = "<extensions><altitude_m>5</altitude_m><lon>7</lon></extensions>"
    log = one(write(tmp_path, track(points(0, 5, more=more))))
    np.testing.assert_allclose(log.table["altitude"], 300.5)
    np.testing.assert_allclose(log.table["longitude"], -93.62)
    assert set(log.table["extra_altitude_m"]) == {5.0}
    assert set(log.table["extra_lon"]) == {7.0}


def test_a_line_of_any_shape_file_takes_the_day_that_was_told(tmp_path):
    path = tmp_path / "lane.geojson"
    corners = [[-93.62, 42.03], [-93.62, 42.03 + 100 / 111_194.9]]
    path.write_text(json.dumps({"type": "LineString", "coordinates": corners}))
    with pytest.raises(
        InputError, match="holds a linestring, need one point"
    ) as caught:
        read_logs(path)
    assert caught.value.hint == (
        'export the log as points, or write epoch = "2026-10-14", the day this way was '
        "driven"
    )
    log = one(path, epoch="2026-10-14")
    assert len(log.table) == 51
    assert codes(log) == ["log.drawn"]
