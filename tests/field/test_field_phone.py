"""Only a phone track: what is made of it, and what it is worth."""

from __future__ import annotations

import datetime as dt
import tomllib
from functools import reduce

import numpy as np
import pytest

from trafficmap.core.errors import InputError
from trafficmap.field.read import read_field
from trafficmap.field.report import check_lines
from trafficmap.field.scaffold import new_field

WEST, SOUTH, SIDE = -93.62, 42.03, 0.002
START = dt.datetime(2026, 10, 14, 15, 0, 0, tzinfo=dt.UTC)
KEYS = """
[field]
name = "Ditch sixty"
season = 2026
boundary = "field.kml"
[[log]]
file = "{log}"
machine = "cart"
{more}
[machine.cart]
class = "tractor_front_assist"
{table}
"""


def ring():
    east, north = WEST + SIDE, SOUTH + SIDE
    corners = [
        (WEST, SOUTH),
        (east, SOUTH),
        (east, north),
        (WEST, north),
        (WEST, SOUTH),
    ]
    return " ".join(f"{x},{y},0" for x, y in corners)


def kml(inner):
    return f"<kml><Document><Placemark>{inner}</Placemark></Document></kml>"


def field_kml():
    return kml(
        "<name>north</name><Polygon><outerBoundaryIs><LinearRing><coordinates>"
        f"{ring()}</coordinates></LinearRing></outerBoundaryIs></Polygon>"
    )


def gpx(count=120, inside=""):
    rows = []
    for k in range(count):
        place = f'lat="{SOUTH + 2e-4 + k * 1.35e-5:.8f}" lon="{WEST + SIDE / 2:.8f}"'
        when = f"{START + dt.timedelta(seconds=k):%Y-%m-%dT%H:%M:%SZ}"
        rows.append(f"<trkpt {place}><time>{when}</time>{inside}</trkpt>")
    return f"<gpx><trk><trkseg>{''.join(rows)}</trkseg></trk></gpx>"


def nmea(quality, count=120, date=True):
    lines = []
    for k in range(count):
        clock = f"{START + dt.timedelta(seconds=k):%H%M%S}.00"
        north = (SOUTH + 2e-4 + k * 1.35e-5 - 42) * 60
        place = f"42{north:010.7f},N,09337.1400000,W"
        bodies = [f"GPGGA,{clock},{place},{quality},9,0.9,300.0,M,,M,,"]
        if date:
            bodies.append(f"GPRMC,{clock},A,{place},2.92,0.0,141026,,")
        for body in bodies:
            total = reduce(lambda a, b: a ^ b, body.encode())
            lines.append(f"${body}*{total:02X}")
    return "\n".join(lines) + "\n"


@pytest.fixture
def make(tmp_path):
    def build(log, content, *, more="", table=""):
        home = tmp_path / "field"
        home.mkdir(exist_ok=True)
        (home / "field.kml").write_text(field_kml())
        (home / log).write_text(content)
        (home / "field.toml").write_text(KEYS.format(log=log, more=more, table=table))
        return home

    return build


def test_a_phone_track_and_a_drawn_field_are_a_field(make):
    field, notes = read_field(make("way.gpx", gpx()), today=dt.date(2026, 11, 1))
    assert len(field.fixes) == 120
    assert field.area == pytest.approx(36_780, rel=0.01)
    assert field.fixes["time"].iloc[0] == START
    cart = field.machines["cart"]
    assert cart.correction == "phone"
    assert cart.sigma_between == 3.0
    (note,) = [n for n in notes if n.code == "machine.correction"]
    assert (note.severity, note.sentence) == (
        "check",
        "cart: nobody says which correction its receiver had. Taken as phone, since "
        "its log is a GPX track, as phones and hand-held receivers write them: its "
        "places may be 3 m off from one run to the next. If that is wrong, write "
        "correction = ... (rtk, ppp, submetre, sbas or phone) in [machine.cart].",
    )
    assert any("Found: way.gpx: GPX track, 120 fixes" in s for s in check_lines(field))


@pytest.mark.parametrize(
    ("more", "table"),
    [
        ("", 'correction = "submetre"'),
        ("", 'antenna = { x = 0, y = 0, correction = "submetre" }'),
        ('correction = "submetre"', ""),
    ],
)
def test_what_is_told_of_the_receiver_counts(make, more, table):
    home = make("way.gpx", gpx(), more=more, table=table)
    field, notes = read_field(home, today=dt.date(2026, 11, 1))
    assert field.machines["cart"].correction == "submetre"
    assert "machine.correction" not in [n.code for n in notes]


@pytest.mark.parametrize(
    ("log", "content", "expected"),
    [
        ("log.nmea", nmea(4), "rtk"),
        ("log.nmea", nmea(5), "submetre"),
        ("log.nmea", nmea(2), "sbas"),
        ("log.nmea", nmea(1), "phone"),
        ("way.gpx", gpx(inside="<fix>dgps</fix>"), "sbas"),
        ("way.gpx", gpx(inside="<fix>3d</fix>"), "phone"),
    ],
)
def test_the_receiver_itself_says_how_good_it_was(make, log, content, expected):
    field, _ = read_field(make(log, content), today=dt.date(2026, 11, 1))
    assert field.machines["cart"].correction == expected


def test_a_day_that_is_told_makes_a_clock_of_sentences_without_a_date(make):
    content = nmea(4, date=False)
    field, notes = read_field(make("a.nmea", content), today=dt.date(2026, 11, 1))
    assert field.fixes["time"].isna().all()
    (note,) = [n for n in notes if n.code == "log.no_date"]
    assert note.severity == "stop"
    home = make("a.nmea", content, more='epoch = "2026-10-14"')
    field, notes = read_field(home, today=dt.date(2026, 11, 1))
    assert field.fixes["time"].iloc[0] == START
    assert "log.no_date" not in [n.code for n in notes]


def test_new_writes_the_guess_and_why(tmp_path):
    log = tmp_path / "tractor.gpx"
    log.write_text(gpx())
    (path,) = new_field(tmp_path / "new", [log])
    text = path.read_text()
    assert tomllib.loads(text)["machine"]["tractor"]["correction"] == "phone"
    assert (
        'correction = "phone"  # a guess: its log is a GPX track, as phones and '
        "hand-held receivers write them; or rtk, ppp, submetre, sbas\n"
    ) in text


def test_new_asks_for_the_day_of_a_drawn_line(tmp_path):
    log = tmp_path / "truck.kml"
    coordinates = f"{WEST + 1e-4},{SOUTH + 1e-4} {WEST + SIDE / 2},{SOUTH + SIDE / 2}"
    log.write_text(
        kml(f"<LineString><coordinates>{coordinates}</coordinates></LineString>")
    )
    (path,) = new_field(tmp_path / "new", [log])
    text = path.read_text()
    question = (
        '# epoch = "2026-10-14"  # the day it was driven, or the moment it began;'
    )
    assert question in text
    with pytest.raises(InputError, match="is a line without times, need a time at"):
        read_field(path.parent)
    path.write_text(
        text.replace('# epoch = "2026-10-14"', 'epoch = "2026-10-14"').replace(
            '# time_zone = "America/Chicago"', 'time_zone = "America/Chicago"'
        )
    )
    field, notes = read_field(path.parent, today=dt.date(2026, 11, 1))
    assert field.machines["truck"].correction == "phone"
    noon = dt.datetime(2026, 10, 14, 17, 0, tzinfo=dt.UTC)
    assert field.fixes["time"].iloc[0] == noon
    assert "log.drawn" in [n.code for n in notes]
    step = np.hypot(np.diff(field.fixes["easting"]), np.diff(field.fixes["northing"]))
    assert step.max() < 2.01


def test_a_part_chooses_one_track_of_a_file(make):
    two = gpx().replace("<trk>", "<trk><name>cart</name>").removesuffix("</gpx>")
    other = gpx(60).replace("<trk>", "<trk><name>truck</name>").removeprefix("<gpx>")
    home = make("way.gpx", two + other, more='part = "truck"')
    field, _ = read_field(home, today=dt.date(2026, 11, 1))
    assert len(field.fixes) == 60
