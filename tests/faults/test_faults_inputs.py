"""Bad input as people and strangers hand it in: one table, one test.

Each case spoils a good field in one way and runs a command on it. Whatever comes in,
nobody sees a traceback, nothing half-made is left, and it takes no 10 s and no 1 GB.
"""

from __future__ import annotations

import json
import os
import resource
import sqlite3
import struct
import time
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

import pytest
from tiny_field import SIDE, SOUTH, START, WEST, drive, ring, shape, text

from trafficmap.cli import run_command

LONGEST, MOST_MEMORY = 10.0, 2**30
LOG, OUTLINE, KEYS = "combine.csv", "boundary.geojson", "field.toml"
CHECK = ("check", "{home}")
RUN = ("run", "{home}", "-o", "{out}")
NEW = ("new", "{new}", "{home}/combine.csv")

BUILDERS: dict[str, tuple[Callable[..., object], tuple]] = {}


@dataclass(frozen=True)
class Case:
    """One bad input: how it is made, what is typed, what must come of it."""

    name: str
    build: Callable[[Path], object]
    code: int
    words: str
    command: tuple[str, ...] = CHECK


# --- ways to spoil a field ---


def put(name: str, content: str | bytes) -> Callable[[Path], object]:
    """Replace a file."""

    def build(home: Path) -> object:
        raw = content.encode() if isinstance(content, str) else content
        return (home / name).write_bytes(raw)

    return build


def slopes(held: dict | bytes | str) -> Callable[[Path], object]:
    """Name a map of slopes that holds these attributes, or these bytes."""

    def build(home: Path) -> object:
        name = "s.json" if isinstance(held, dict) else "s.tif"
        keys("invented = true", f'invented = true\nslope_map = "{name}"')(home)
        if not isinstance(held, dict):
            return put(name, held)(home)
        ground = {"type": "Polygon", "coordinates": [ring()]}
        one = {"type": "Feature", "properties": held, "geometry": ground}
        every = {"type": "FeatureCollection", "features": [one]}
        return put(name, json.dumps(every))(home)

    return build


def rows(change: Callable[[list], object], mark: str = ",", **how: object):
    """Replace the log by a drive with its cells changed."""

    def build(home: Path) -> object:
        cells = drive(**how)  # type: ignore[arg-type]
        changed = change(cells)
        cells = cells if changed is None else changed
        return (home / LOG).write_text(text(cells, mark), encoding="utf-8")

    return build


def keys(old: str, new: str) -> Callable[[Path], object]:
    """Change field.toml."""

    def build(home: Path) -> object:
        told = (home / KEYS).read_text(encoding="utf-8")
        assert old in told
        return (home / KEYS).write_text(told.replace(old, new, 1), encoding="utf-8")

    return build


def more(stanza: str, **files: str | bytes) -> Callable[[Path], object]:
    """Add to field.toml, and files it names (two underscores stand for a dot)."""

    def build(home: Path) -> None:
        told = (home / KEYS).read_text(encoding="utf-8")
        (home / KEYS).write_text(f"{told}{stanza}\n", encoding="utf-8")
        for name, content in files.items():
            put(name.replace("__", "."), content)(home)

    return build


def column(number: int, value: Callable[[int, str], str]) -> Callable[[list], None]:
    """Change one column of every row of data."""

    def change(cells: list) -> None:
        for k, row in enumerate(cells[1:]):
            row[number] = value(k, row[number])

    return change


def at(k: int, number: int, value: str) -> Callable[[list], None]:
    """Change one cell of the k-th row of data, from 1."""

    def change(cells: list) -> None:
        cells[k][number] = value

    return change


def link(target: str) -> Callable[[Path], object]:
    def build(home: Path) -> None:
        (home / LOG).unlink()
        (home / LOG).symlink_to(target)

    return build


def fifo(home: Path) -> None:
    (home / LOG).unlink()
    os.mkfifo(home / LOG)


def folder(home: Path) -> None:
    (home / LOG).unlink()
    (home / LOG).mkdir()


def renamed(name: str) -> Callable[[Path], object]:
    def build(home: Path) -> None:
        (home / LOG).rename(home / name)
        old, new = (json.dumps(text, ensure_ascii=False) for text in (LOG, name))
        keys(old, new)(home)

    return build


def zipped(*members: tuple[str, bytes], flag: int = 0, cut: int = 0):
    """Put a zip with these members in the place of the log."""

    def build(home: Path) -> None:
        path = home / LOG
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
            for name, content in members:
                packed.writestr(name, content)
        raw = bytearray(path.read_bytes())
        if flag:
            raw[6] |= flag
            raw[raw.index(b"PK\x01\x02") + 8] |= flag
        path.write_bytes(bytes(raw[: len(raw) - cut] if cut else raw))

    return build


def nested(home: Path) -> None:
    inner = home / "inner.zip"
    with zipfile.ZipFile(inner, "w") as packed:
        packed.writestr("a.csv", "longitude,latitude\n")
    zipped(("inner.zip", inner.read_bytes()))(home)


def task_data(
    task_file: str, *, log: bytes | None = None, head: str | None = None
) -> Callable[[Path], object]:
    """Put a task data folder in the place of the log."""

    def build(home: Path) -> None:
        folder(home)
        put(f"{LOG}/TASKDATA.XML", task_file)(home)
        if head is not None:
            put(f"{LOG}/TLG00001.XML", head)(home)
        if log is not None:
            put(f"{LOG}/TLG00001.BIN", log)(home)

    return build


ROOT = '<ISO11783_TaskData VersionMajor="3">{}</ISO11783_TaskData>'
TASK = ROOT.format('<TSK A="TSK1" B="job" G="4"><TLG A="{}"/></TSK>')
HEAD = '<TIM A="" D="4"><PTN A="" B="" D=""/></TIM>'
DAY = (START.date() - START.date().replace(1980, 1, 1)).days


def records(count: int = 120) -> bytes:
    """Return a binary log that drives north, a record a second."""
    out = b""
    for k in range(count):
        north = round((SOUTH + 0.0001 + k * 6.5e-6) * 1e7)
        east = round((WEST + SIDE / 2) * 1e7)
        out += struct.pack("<IHiiBB", 54_000_000 + 1000 * k, DAY, north, east, 4, 0)
    return out


def database(home: Path) -> None:
    (home / OUTLINE).unlink()
    with sqlite3.connect(home / OUTLINE) as connection:
        connection.execute("CREATE TABLE a (b)")
    connection.close()


def cut_geopackage(home: Path) -> None:
    import geopandas as gpd
    import shapely

    path = home / "a.gpkg"
    square = shapely.Polygon(ring())
    gpd.GeoDataFrame(geometry=[square], crs=4326).to_file(path)
    put(OUTLINE, path.read_bytes()[:6000])(home)


def lone_shapefile(home: Path) -> None:
    import geopandas as gpd
    import shapely

    square = gpd.GeoDataFrame(geometry=[shapely.Polygon(ring())], crs=4326)
    square.to_file(home / "a.shp")
    (home / "a.shx").unlink()
    keys(OUTLINE, "a.shp")(home)


def vector_disguise(home: Path) -> None:
    (home / "secret.csv").write_text("a\nsecret\n")
    put(
        OUTLINE,
        '<OGRVRTDataSource><OGRVRTLayer name="secret"><SrcDataSource>'
        f"{home / 'secret.csv'}</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>",
    )(home)


RASTER_DISGUISE = (
    '<VRTDataset rasterXSize="9" rasterYSize="9"><VRTRasterBand dataType="Byte" '
    'band="1" subClass="VRTRawRasterBand"><SourceFilename>/etc/hostname'
    "</SourceFilename></VRTRasterBand></VRTDataset>"
)


def weather(*, skip: str = "", rain: str = "2.0") -> str:
    """Return daily weather from spring on."""
    lines = ["date,rain_mm,t_min_c,t_max_c"]
    for k in range(220):
        day = f"{START - timedelta(days=200 - k):%Y-%m-%d}"
        if day != skip:
            lines.append(f"{day},{rain if day == '2026-10-01' else '2.0'},8,19")
    return "\n".join(lines) + "\n"


def dug(head: str, *, extra: str = "", cell: str = ""):
    """Name a record of a push in a track and one beside it, read in psi."""
    lines = [f"point,longitude,latitude,date,kind,wheeled,depth_in,{head}{extra}"]
    spot = f"{WEST + SIDE / 2:.6f},{SOUTH + SIDE / 2:.6f},2026-10-20"
    for side, read in ((1, 310), (0, 180)):
        for depth in range(4, 20):
            lines.append(f"P1,{spot},probe,{side},{depth},{read}{cell}")
    return more('[dug]\nfile = "dug.csv"', dug__csv="\n".join(lines) + "\n")


def two_logs(second: list) -> Callable[[Path], object]:
    stanza = '[[log]]\nfile = "second.csv"\nmachine = "combine"'
    return more(stanza, second__csv=text(second))


def doubled_header(cells: list) -> list:
    return [*cells[:60], cells[0], *cells[60:]]


WEATHER = '[weather]\nfile = "weather.csv"'
SLOPE = '[slope]\nfile = "dem.tif"\n'
FORECAST = '\nforecast = "forecast.csv"'
PAST = '\npast = "station.csv"'
BOW_TIE = [ring()[0], ring()[2], ring()[1], ring()[3], ring()[0]]
STAMP = "%Y-%m-%d %H:%M:%S"


def gpx() -> str:
    """Return the good log as a phone would write it."""
    points = "".join(
        f'<trkpt lat="{north}" lon="{east}"><time>{stamp}</time></trkpt>'
        for east, north, stamp, *_ in drive()[1:]
    )
    return f"<gpx><trk><trkseg>{points}</trkseg></trk></gpx>"


def kml(inner: str) -> str:
    return f"<kml><Placemark><name>it</name>{inner}</Placemark></kml>"


def sentences(*, bad: int = 0, date: bool = True, fix: int = 4) -> str:
    """Return the good log as a receiver says it; every `bad`-th sum is wrong."""
    lines = []
    for east, north, stamp, *_ in drive()[1:]:
        place = (
            f"42{float(north) * 60 % 60:010.7f},N,093{-float(east) * 60 % 60:010.7f},W"
        )
        clock = stamp[11:19].replace(":", "")
        day = "141026" if date else ""
        for body in (
            f"GPGGA,{clock},{place},{fix},9,0.9,300,M,,M,,",
            f"GPRMC,{clock},{'A' if fix else 'V'},{place},1.4,0.0,{day},,",
            "GPVTG,0.0,T,,M,1.4,N,2.5,K",
        ):
            total = 0
            for letter in body.encode():
                total ^= letter
            total ^= bool(bad) and len(lines) % bad == 1
            lines.append(f"${body}*{total:02X}")
    return "\n".join(lines) + "\n"


_RING = " ".join(f"{x},{y}" for x, y in ring())
LINE = f"<LineString><coordinates>{_RING}</coordinates></LineString>"
AREA = (
    "<Polygon><outerBoundaryIs><LinearRing><coordinates>"
    f"{_RING}</coordinates></LinearRing></outerBoundaryIs></Polygon>"
)
BOMB = "<!DOCTYPE x [<!ENTITY a 'ha'>" + "".join(
    f"<!ENTITY {chr(98 + k)} '{f'&{chr(97 + k)};' * 10}'>" for k in range(9)
) + "]>" + ROOT.format("&j;")  # fmt: skip

CASES = [
    # files
    Case("empty log", put(LOG, b""), 3, "combine.csv: is empty."),
    Case("header only", rows(lambda c: c[:1]), 3, "has a heading but no rows"),
    Case("folder for a file", folder, 3, "combine.csv: is a folder, need a file"),
    Case("missing", lambda h: (h / LOG).unlink(), 3, "'combine.csv', which is not"),
    Case("link to nothing", link("gone.csv"), 3, "link to something that is not there"),
    Case("link out", link("/etc/hostname"), 3, "a link that leads out of the folder"),
    Case("pipe", fifo, 3, "combine.csv: is a pipe or a device"),
    Case("device", keys(LOG, "/dev/zero"), 3, "zero: is a pipe or a device"),
    Case("climbing path", keys(LOG, "../x.csv"), 3, "which climbs out of the folder"),
    Case("web address", keys(LOG, "http://a.org/x.csv"), 3, "need a path on this"),
    Case("virtual path", keys(LOG, "/vsicurl/x.csv"), 3, "need a path on this comp"),
    Case("driver for a path", keys(LOG, "CSV:x.csv"), 3, "which is not there"),
    Case("name of 255 bytes", renamed("ä" * 125 + "a.csv"), 0, "120 fixes of combine"),
    Case("name with quotes", renamed('a "b" <c>\n🌾.csv'), 0, "120 fixes of combine"),
    Case("text named geopackage", more('[soil]\nmap = "a.gpkg"', a__gpkg="a,b\n1,2"), 3,
         "a.gpkg: is a table of text, need a GeoPackage"),
    Case("database, no geopackage", database, 3, "without the tables of a GeoPackage"),
    Case("cut geopackage", cut_geopackage, 3, "is a damaged"),
    Case("shapefile in parts", lone_shapefile, 3, "a.shp: its .shx file is missing"),
    Case("vector disguise", vector_disguise, 3, "boundary.geojson: is an XML file"),
    Case("slopes without a slope", slopes({"height": 212.0}), 3,
         "s.json: holds height, need an attribute slope_pct."),
    Case("heights taken for slopes", slopes({"slope_pct": 212.0}), 3,
         "slopes from 212 to 212 %, need 0 to 150 %"),
    Case("slopes in words", slopes({"slope_pct": "steep"}), 3, "holds no number"),
    Case("slopes as a raster disguise", slopes(RASTER_DISGUISE), 3,
         "s.tif: is an XML file, need"),
    Case("raster disguise", more('[soil]\nmap = "s.tif"', s__tif=RASTER_DISGUISE), 3,
         "s.tif: is an XML file"),
    Case("cut geojson", put(OUTLINE, shape(ring())[:80]), 3, "damaged or incomplete"),
    Case("no field.toml", lambda h: (h / KEYS).unlink(), 3, "holds no field.toml"),
    Case("no folder", lambda _: None, 3, "holds no field.toml", ("check", "{new}")),
    # zip files
    Case("zip slip", zipped(("../x.csv", b"a")), 3, "leads out of the folder"),
    Case("zip from the root", zipped(("/x.csv", b"a")), 3, "leads out of the folder"),
    Case("zip bomb", zipped(("x.csv", bytes(3 * 10**8))), 3, "too much to be a log"),
    Case("zip in a zip", nested, 3, "holds another zip file (inner.zip)"),
    Case("zip with a password", zipped(("x.csv", b"a"), flag=1), 3, "a password"),
    Case("cut zip", zipped(("x.csv", b"a,b\n" * 99), cut=30), 3, "cut-off zip"),
    Case("zip of two cases", zipped(("a.csv", b"a"), ("A.csv", b"")), 3, "one file"),
    # task data
    Case("document type", task_data("<!DOCTYPE x>" + ROOT), 3, "holds a document type"),
    Case("entity bomb", task_data(BOMB), 3, "holds a document type"),
    Case("deep xml", task_data(ROOT.format("<a>" * 500 + "</a>" * 500)), 3, "nested"),
    Case("cut xml", task_data(ROOT[:30]), 3, "the XML breaks off or is wrong"),
    Case("wrong root", task_data("<other/>"), 3, "begins with <other>, need <ISO11783"),
    Case("task without its log", task_data(TASK.format("TLG00001")), 3, "is missing"),
    Case("task naming a way out", task_data(TASK.format("../x")), 3, "'../x'"),
    Case("cut binary log",
         task_data(TASK.format("TLG00001"), log=records()[:-7], head=HEAD), 0,
         "119 fixes of combine"),
    Case("binary log damaged inside",
         task_data(TASK.format("TLG00001"), log=records()[:800] + b"\xff" * 40
                   + records()[800:], head=HEAD), 0,
         "is damaged at byte 800 of 1,960; reading went on at byte 840"),
    Case("binary log without its header",
         task_data(TASK.format("TLG00001"), log=records()), 0,
         "time and places were worked out from the records"),
    Case("header of a binary log cut off",
         task_data(TASK.format("TLG00001"), log=records(),
                   head=HEAD.replace("</TIM>", '<DLV A="0043" B="" C="D"/><DL')), 0,
         "what it describes before that was read, 1 value."),
    Case("noise for a binary log",
         task_data(TASK.format("TLG00001"), log=bytes(range(256)) * 9), 3,
         "its header is lost and no reading fits its records"),
    Case("task file cut off, its log beside it",
         task_data(ROOT.format('<PFD A="PFD1" C="a"/><TSK A="TSK1"')[:-22],
                   log=records(), head=HEAD), 0, "no task names it"),
    # tracks and sentences
    Case("gpx", put(LOG, gpx()), 0, "combine.csv: GPX track, 120 fixes of combine"),
    Case("gpx of a phone that died", put(LOG, gpx()[:-700]), 0,
         "breaks off or is damaged at byte"),
    Case("gpx with entities", put(LOG, BOMB.replace("<x>", "<gpx>")), 3,
         "holds a document type"),
    Case("gpx without tracks", put(LOG, "<gpx/>"), 3, "holds no track; need one with"),
    Case("kml for a boundary", put(OUTLINE, kml(AREA)), 0, "120 fixes of combine"),
    Case("kml of a drawn line for a boundary", put(OUTLINE, kml(LINE)), 3,
         "holds a line, need the outline of the field as an area"),
    Case("kml of a drawn line for a log", put(LOG, kml(LINE)), 3,
         "combine.csv: is a line without times, need a time at each place or the day"),
    Case("kml of an area for a log", put(LOG, kml(AREA)), 3, "holds only areas"),
    Case("kmz that climbs out", zipped(("doc.kml", kml(LINE).encode()),
         ("../x", b"a")), 3, "leads out of the folder"),
    Case("nmea with a bad cable", put(LOG, sentences(bad=3)), 3,
         "120 of 360 lines are broken (120 with a wrong or no check sum)"),
    Case("nmea without a date", put(LOG, sentences(date=False)), 0,
         "its times have no date, since it holds no RMC or ZDA"),
    Case("nmea without a fix", put(LOG, sentences(fix=0)), 3,
         "240 sentences of place, none with a fix, need GGA or RMC with a fix"),
    Case("parquet cut off", put(LOG, b"PAR1 and no more"), 3, "Parquet file"),
    # text and numbers
    Case("byte order mark", put(LOG, "\ufeff" + text(drive())), 0, "120 fixes"),
    Case("utf-16", put(LOG, text(drive()).encode("utf-16")), 0, "is UTF-16 text"),
    Case("binary zeros", put(LOG, text(drive()).replace("1\n", "\0\n")), 3,
         "holds a binary zero at byte"),
    Case("one endless line", put(LOG, "longitude,latitude\n" + "1," * 10**6), 3,
         "is longer than 1,000,000 characters"),
    Case("mixed line ends", put(LOG, text(drive()).replace("1\n", "1\r\n", 50)), 0,
         "120 fixes"),
    Case("a few ragged rows", rows(lambda c: [r + r[:k % 40 == 9]
         for k, r in enumerate(c)]), 0, "lines with more or fewer cells"),
    Case("ragged throughout", rows(lambda c: [r + r[:k % 2]
         for k, r in enumerate(c)]), 3, "have more or fewer cells than"),
    Case("a column twice", rows(at(0, 3, "longitude")), 3,
         "the column 'longitude' stands there twice"),
    Case("no latitude", rows(at(0, 1, "gauge")), 3,
         "no column for the latitude was found"),
    Case("decimal comma", rows(lambda c: [[v.replace(".", ",") for v in r]
         for r in c], ";"), 0, "its numbers have a decimal comma"),
    Case("joined logs", rows(doubled_header), 0, "the column names stand there 1"),
    Case("words for numbers", rows(column(0, lambda k, v: "west")), 3, "no numbers"),
    Case("a word among numbers", rows(at(5, 3, "fast")), 0, "120 fixes of combine"),
    # places
    Case("nowhere", rows(at(7, 0, "0"), ), 0, "fixes of combine"),
    Case("swapped in the file", rows(lambda c: [[r[1], r[0], *r[2:]] if k else r
         for k, r in enumerate(c)]), 3, "latitude and longitude are swapped"),
    Case("sign lost", rows(column(0, lambda _, v: v.lstrip("-"))), 3,
         "the minus sign of the longitude looks lost"),
    Case("sign lost in some rows", rows(column(0, lambda k, v: v.lstrip("-")
         if k % 9 == 0 else v)), 3, "have lost or gained a minus sign"),
    Case("metres", rows(column(0, lambda k, v: "448677.1")), 3, "metres or feet of a"),
    Case("far away", rows(lambda c: None, west=WEST + 3), 3, "no fix lies inside the"),
    Case("boundary in unnamed metres", put(OUTLINE, shape([[x * 5e4, y * 1e5]
         for x, y in ring()])), 3, "boundary.geojson: says degrees, but its places"),
    Case("bow tie", put(OUTLINE, shape(BOW_TIE)), 3, "the outline crosses itself"),
    Case("open ring", put(OUTLINE, shape(ring()[:-1])), 0, "does not end where it"),
    Case("line for an outline", put(OUTLINE, shape(*ring(), kind="LineString")), 3,
         "holds a line, need the outline of the field as an area"),
    Case("corner that is no number", put(OUTLINE, shape(
         [ring()[0], [float("nan"), SOUTH], *ring()[2:]])), 3, "corner"),
    Case("outline of a county", put(OUTLINE, shape(ring(side=0.5))), 3, "2000.00 ha"),
    # clocks and motion
    Case("clock without a zone", rows(lambda c: None, stamp=STAMP), 0,
         "its clock says no time zone"),
    Case("day and month unclear", rows(lambda c: None, stamp="%m/%d/%Y %H:%M:%S",
         start=START.replace(month=5, day=6)), 3, "date_format"),
    Case("clock of 1970", rows(lambda c: None, start=START.replace(year=1970)), 0,
         "so it was never set"),
    Case("clock of next year", rows(column(2, lambda k, v: v.replace("2026", "2031")
         if k % 2 else v)), 3, "carry a date that cannot be true"),
    Case("unknown machine", keys('machine = "combine"', 'machine = "cart"'), 3,
         '[machine.cart]\nclass = "grain_cart_single"'),
    Case("same log twice", two_logs(drive()), 0, "holds the same fixes as combine.csv"),
    Case("two logs at once", two_logs(drive(west=WEST + SIDE / 3)), 3,
         'machine "combine" drives in both at the same time'),
    Case("weather with a hole", more(WEATHER, weather__csv=weather(skip="2026-10-02")),
         3, "rain of 2026-10-02 is missing"),
    Case("rain below zero", more(WEATHER, weather__csv=weather(rain="-2")), 3,
         "rain is below zero on 2026-10-01"),
    Case("forecast nobody can read", more(WEATHER + FORECAST, weather__csv=weather(),
         forecast__csv="date,tmin_c,tmax_c\nsoon,1,2\n"), 3, "are not understood"),
    Case("forecast of rain without a unit", more(WEATHER + FORECAST,
         weather__csv=weather(),
         forecast__csv="date,tmin_c,tmax_c,rain\n2026-10-21,1,9,2\n"), 0,
         "the unit of its rain is not said"),
    Case("past years with rain below zero", more(WEATHER + PAST,
         weather__csv=weather(),
         station__csv="date,rain_mm,tmin_c,tmax_c\n2020-05-03,-2,1,9\n"), 3,
         "station.csv: rain is below zero on 2020-05-03"),
    Case("past years that are to come", more(WEATHER + PAST, weather__csv=weather(),
         station__csv="date,rain_mm,tmin_c,tmax_c\n2031-05-03,2,1,9\n"), 0,
         "holds no year before 2026"),
    Case("forecast of the past", more(WEATHER + FORECAST, weather__csv=weather(),
         forecast__csv="date,tmin_c,tmax_c\n2026-05-03,1,9\n"), 0,
         "the forecast ends before the known weather does"),
    Case("heights that are no raster", more(SLOPE, dem__tif="height,1,2\n"), 3,
         "dem.tif: is no readable GeoTIFF, need a raster of heights"),
    # keys
    Case("unknown key", keys("season", "seasn"), 3, "field.seasn"),
    Case("no toml", put(KEYS, "[field\n"), 3, "field.toml: cannot be read"),
    Case("unknown class", keys("combine_mid", "combine_huge"), 3, "combine_huge"),
    # what only shows in a run
    Case("clock running backward", rows(lambda c: [*c[:60], c[40], c[41], *c[60:]]), 0,
         "have a clock that ran backward", (*RUN, "--json")),
    Case("one fix far away", rows(at(60, 1, "-38.6")), 0, "lie too far from the field",
         (*RUN, "--json")),
    Case("a jump at 100 m/s", rows(at(60, 0, f"{WEST + SIDE / 2 + 0.0012:.7f}")), 0,
         "jumped farther than the machine can drive", (*RUN, "--json")),
    Case("jumps throughout", rows(column(0, lambda k, v: f"{float(v) + k % 2 * 9e-4}")),
         3, "jumped farther than the machine can drive", RUN),
    Case("script for a name", keys("Ditch sixty", "<script>alert(1)</script>"), 0,
         "map:", RUN),
    Case("cells too small", lambda _: None, 3, "the limit is 25,000,000",
         (*RUN, "--cell", "0.005")),
    Case("cell of nothing", lambda _: None, 3, "traffic.cell", (*RUN, "--cell", "0")),
    Case("unknown setting", put("s.toml", "[traffic]\ncel = 1\n"), 3, "traffic.cel",
         (*RUN, "--settings", "{home}/s.toml")),
    Case("no settings file", lambda _: None, 3, "s.toml: there is no such",
         (*RUN, "--settings", "{home}/s.toml")),
    Case("road travel only", keys('boundary = "boundary.geojson"\n', ""), 0, "map:",
         RUN),
    # the other commands
    Case("new from an empty file", put(LOG, b""), 3, "combine.csv: is empty", NEW),
    Case("new from a log that stands", rows(lambda c: None, step=0.0), 3,
         "all its places are one spot, need a log of driving", NEW),
    Case("new from metres", rows(column(0, lambda k, v: "448677.1")), 0,
         "it asks how to read a log", NEW),
    Case("new from dates that read two ways",
         rows(lambda c: None, stamp="%m/%d/%Y %H:%M:%S",
              start=START.replace(month=3, day=4)), 0, "it asks how to read a log",
         NEW),
    Case("new over a field", lambda _: None, 3, "is already there, nothing was written",
         ("new", "{home}", "{home}/combine.csv")),
    Case("explain of no run", lambda _: None, 3, "is unfinished, it holds no valid",
         ("explain", "{home}", "--at", "-93.6,42.0")),
    Case("explain at no place", lambda _: None, 2, "need longitude first, then",
         ("explain", "{home}", "--at", "42.0,-93.6")),
    Case("export of no run", lambda _: None, 3, "is unfinished, it holds no valid",
         ("export", "{home}", "--to", "csv", "-o", "{out}")),
    Case("compare of no run", lambda _: None, 3, "is unfinished, it holds no valid",
         ("compare", "{home}")),
    Case("compare of nothing", lambda _: None, 2, "nothing to do: give --change FILE",
         ("compare", "{home}", "--no-suggest")),
    Case("review of no run", lambda _: None, 3, "is unfinished, it holds no valid",
         ("review", "{home}", "--yield", "{home}/combine.csv")),
    Case("review without a harvest", lambda _: None, 2, "--yield",
         ("review", "{home}")),
    Case("probe of no run", lambda _: None, 3, "is unfinished, it holds no valid",
         ("probe", "plan", "{home}")),
    Case("psi given as kPa", dug("value_kpa"), 3, "look like psi in a column of kPa"),
    Case("forces without a cone", dug("force_lbf"), 3,
         "nothing says the size of the cone"),
    Case("a cone like a fist", dug("value_psi", extra=",cone_mm", cell=",80"), 3,
         "the cone is 80 mm wide"),
    Case("result into a field", lambda _: None, 3, "is not empty and holds no run of",
         ("run", "{home}", "-o", "{home}")),
]  # fmt: skip


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_bad_input(case, home, tmp_path, capfd, monkeypatch):
    case.build(home)
    before = _listing(home)
    places = {"home": home, "out": tmp_path / "out", "new": tmp_path / "new"}
    words = [word.format(**places) for word in case.command]
    capfd.readouterr()
    began, memory = time.perf_counter(), _memory()
    code = run_command(words)
    took, grown = time.perf_counter() - began, _memory() - memory
    out, err = capfd.readouterr()
    assert code == case.code, err
    assert case.words in out + err
    assert "Traceback" not in out + err
    assert "unexpected" not in err
    assert took < LONGEST
    assert grown < MOST_MEMORY
    assert _listing(home) == before
    if code:
        assert not (tmp_path / "out").exists()
        assert not (tmp_path / "new").exists()
        assert "Try: " in err or code == 2


def test_names_are_told_once():
    assert len({case.name for case in CASES}) == len(CASES)


def test_a_file_that_may_not_be_read(home, capsys, monkeypatch):
    allowed = os.access
    monkeypatch.setattr(  # root may read everything
        os, "access", lambda path, mode: LOG not in str(path) and allowed(path, mode)
    )
    assert run_command(["check", str(home)]) == 3
    assert "combine.csv: may not be read by this user." in capsys.readouterr().err


def test_a_script_for_a_name_is_never_run(home, tmp_path):
    keys("Ditch sixty", "</title><script>alert(1)</script>")(home)
    assert run_command(["run", str(home), "-o", str(tmp_path / "out")]) == 0
    page = (tmp_path / "out" / "map.html").read_text(encoding="utf-8")
    assert "<script>alert(1)" not in page
    assert "&lt;script&gt;alert(1)" in page


def _listing(home: Path) -> list[tuple[str, int]]:
    """Return every file below a folder with its size."""
    found = sorted(home.rglob("*"))
    return [(path.name, path.lstat().st_size) for path in found]


def _memory() -> int:
    """Return the most memory this process ever held [bytes]."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
