"""Which files are opened at all, and what they are taken for."""

from __future__ import annotations

import os
import struct
import zipfile

import pytest

from trafficmap.core import limits
from trafficmap.core.errors import InputError
from trafficmap.formats.archive import open_archive
from trafficmap.formats.paths import content_sha256, real_file, real_path
from trafficmap.formats.sniff import sniff
from trafficmap.formats.xml import parse_xml

MAP = b'<OGRVRTDataSource><OGRVRTLayer name="x"/></OGRVRTDataSource>'


@pytest.mark.parametrize(
    "text",
    [
        "/vsicurl/http://example.org/a.gpkg",
        "\\vsizip\\a.zip",
        "http://example.org/log.csv",
        "GPKG:/tmp/a.gpkg",
        "MEM:::DATAPOINTER=1",
    ],
)
def test_addresses_and_drivers_are_refused(text):
    with pytest.raises(InputError, match="need a file on this computer"):
        real_path(text)


def test_what_is_no_plain_file_is_refused(tmp_path):
    with pytest.raises(InputError, match=r"gone\.csv: there is no such file"):
        real_path(tmp_path / "gone.csv")
    link = tmp_path / "link.csv"
    link.symlink_to(tmp_path / "gone.csv")
    with pytest.raises(InputError, match="is a link to something that is not there"):
        real_path(link)
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    with pytest.raises(InputError, match="is a pipe or a device"):
        real_path(pipe)
    with pytest.raises(InputError, match="is a folder, need a file"):
        real_file(tmp_path)
    empty = tmp_path / "empty.csv"
    empty.touch()
    with pytest.raises(InputError, match=r"empty\.csv: is empty"):
        real_file(empty)


def test_a_link_may_not_lead_out_of_the_folder(tmp_path):
    outside, folder = tmp_path / "secret.csv", tmp_path / "field"
    outside.write_text("a,b\n")
    folder.mkdir()
    (folder / "log.csv").symlink_to(outside)
    with pytest.raises(InputError, match="leads out of the folder field"):
        real_path(folder / "log.csv", inside=folder)


def test_odd_names_are_only_names(tmp_path):
    for name in ("a'b\"<script>.csv", "line\nfeed.csv", "🚜.csv", "x" * 251 + ".csv"):
        path = tmp_path / name
        path.write_text("lat,lon\n1,2\n")
        assert real_file(path).name == name


def test_the_hash_is_of_the_bytes(tmp_path):
    one, two = tmp_path / "one", tmp_path / "two"
    one.write_bytes(b"abc")
    two.write_bytes(b"abc")
    # FIPS 180-2, appendix B.1: the digest of "abc".
    assert content_sha256(one).startswith("ba7816bf8f01cfea414140de5dae2223")
    assert content_sha256(one) == content_sha256(two)
    before = content_sha256(tmp_path)
    two.write_bytes(b"abd")
    assert content_sha256(tmp_path) != before


@pytest.mark.parametrize(
    ("content", "kind"),
    [
        (b"SQLite format 3\0" + b"\0" * 52 + b"GPKG", "geopackage"),
        (b"SQLite format 3\0" + b"\0" * 60, "sqlite"),
        (b"\0\0\x27\x0a" + b"\0" * 24 + struct.pack("<i", 1000) + b"\0", "shapefile"),
        (b"II*\0abcd", "geotiff"),
        (b"MM\0+abcd", "geotiff"),
        (b"PK\x03\x04abcd", "zip"),
        (b"\xef\xbb\xbf  {\n", "geojson"),
        (b"<?xml version='1.0'?><!-- a --><gpx version='1.1'>", "gpx"),
        (b"<kml:kml xmlns:kml='x'>", "kml"),
        (b"<ISO11783_TaskData VersionMajor='4'>", "iso11783 task data"),
        (MAP, "xml"),
        (b"$GPGGA,1,2*6A\r\n$GPRMC,1,2*4C\r\n", "nmea"),
        (b"(1728747015.200000) can0 18FEEA1C#0150C3FFFFFFFFFF\n", "can log"),
        (b"lon;lat\n1;2\n", "delimited text"),
        ("lon\tlat\n1\t2\n".encode("utf-16"), "delimited text"),
        (b"\x00\x01\x02\x03\x04\x05", "unknown"),
        (b"just words", "unknown"),
    ],
)
@pytest.mark.parametrize("name", ["log.csv", "map.tif", "no_suffix"])
def test_bytes_decide_and_not_the_name(tmp_path, content, kind, name):
    path = tmp_path / name
    path.write_bytes(content)
    assert sniff(path) == kind


def test_a_folder_is_task_data_or_nothing(tmp_path):
    with pytest.raises(InputError, match="is a folder, need a file"):
        sniff(tmp_path)
    (tmp_path / "TaskData").mkdir()
    (tmp_path / "TaskData" / "TaskData.xml").write_text("<ISO11783_TaskData/>")
    assert sniff(tmp_path) == "iso11783 task data"


def make_zip(path, members, **kind):
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, **kind) as packed:
        for name, content in members.items():
            packed.writestr(name, content)
    return path


def test_a_good_zip_gives_its_bytes_and_hides_leftovers(tmp_path):
    members = {"a/log.csv": b"x", "__MACOSX/a/._log.csv": b"y", "a/": b""}
    archive = open_archive(make_zip(tmp_path / "a.zip", members))
    assert archive.names == ("a/log.csv",)
    assert archive.read("a/log.csv") == b"x"
    (written,) = archive.extract(tmp_path / "out")
    assert written.read_bytes() == b"x"
    with pytest.raises(InputError, match="holds no file 'b'"):
        archive.read("b")


@pytest.mark.parametrize(
    ("members", "sentence"),
    [
        ({"../evil.txt": b"x"}, "leads out of the folder"),
        ({"/etc/evil": b"x"}, "leads out of the folder"),
        ({"C:/evil": b"x"}, "leads out of the folder"),
        ({"a\\..\\evil": b"x"}, "leads out of the folder"),
        ({"A.csv": b"x", "a.csv": b"y"}, "two names that are one file"),
        ({"zeros": b"\0" * (8 * 2**20)}, "too much to be a log"),
        ({"inner.zip": b"PK\x03\x04" + b"\0" * 30}, "holds another zip"),
    ],
)
def test_hostile_zips_are_refused_before_anything_is_read(tmp_path, members, sentence):
    path = make_zip(tmp_path / "bad.zip", members)
    with pytest.raises(InputError, match=sentence):
        open_archive(path)


def test_links_passwords_and_cut_off_zips_are_refused(tmp_path):
    link = zipfile.ZipInfo("link")
    link.external_attr = 0o120777 << 16
    path = tmp_path / "link.zip"
    with zipfile.ZipFile(path, "w") as packed:
        packed.writestr(link, "/etc/passwd")
    with pytest.raises(InputError, match="is a link"):
        open_archive(path)
    path = make_zip(tmp_path / "locked.zip", {"a": b"x" * 100})
    content = bytearray(path.read_bytes())
    directory = content.rindex(b"PK\x01\x02")
    content[directory + 8] |= 1
    path.write_bytes(content)
    with pytest.raises(InputError, match="asks for a password"):
        open_archive(path)
    path = make_zip(tmp_path / "cut.zip", {"a": os.urandom(1000)})
    path.write_bytes(path.read_bytes()[:500])
    with pytest.raises(InputError, match="damaged or cut-off"):
        open_archive(path)


def test_too_many_members_are_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(limits, "MAX_ZIP_MEMBERS", 3)
    path = make_zip(tmp_path / "many.zip", {str(k): b"" for k in range(4)})
    with pytest.raises(InputError, match="holds 4 files, the limit is 3"):
        open_archive(path)


def test_good_xml_gives_its_root():
    assert parse_xml(b"<a><b c='1'/></a>", root="a").find("b").get("c") == "1"


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"<a>", "breaks off or is wrong at line 1"),
        (b"<!DOCTYPE a><a/>", "document type"),
        (
            b'<!DOCTYPE a [<!ENTITY b SYSTEM "file:///etc/passwd">]><a>&b;</a>',
            "document type",
        ),
        (
            b'<!DOCTYPE a [<!ENTITY b "bb"><!ENTITY c "&b;&b;">]><a>&c;</a>',
            "document type",
        ),
        (b"<a>" * 500 + b"</a>" * 500, "nested more than"),
        (b"<a b='" + b"x" * 5000 + b"'/>", "longer than 4,096 characters"),
        (b"<b/>", "begins with <b>, need <a>"),
        (b"<?xml version='1.0' encoding='no-such'?><a/>", "code page|breaks off"),
    ],
)
def test_hostile_xml_is_refused(content, sentence):
    with pytest.raises(InputError, match=sentence):
        parse_xml(content, name="x.xml", root="a")


def test_large_xml_is_refused_by_its_size(tmp_path, monkeypatch):
    monkeypatch.setattr(limits, "MAX_XML_BYTES", 10)
    path = tmp_path / "big.xml"
    path.write_bytes(b"<a>" + b" " * 10 + b"</a>")
    with pytest.raises(InputError, match="the limit for XML"):
        parse_xml(path)
