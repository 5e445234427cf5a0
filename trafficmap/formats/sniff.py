"""What a file is, by its first bytes and never by its name."""

from __future__ import annotations

import codecs
import re
import struct
from pathlib import Path

from trafficmap.core.errors import InputError
from trafficmap.formats.paths import real_file, real_path

TASK_DATA = "iso11783 task data"
GEOPACKAGE = "geopackage"
SHAPEFILE = "shapefile"
GEOJSON = "geojson"
GEOTIFF = "geotiff"
ZIP = "zip"
TEXT = "delimited text"
UNKNOWN = "unknown"

_SAID = {
    TASK_DATA: "ISO 11783-10 task data",
    GEOPACKAGE: "a GeoPackage",
    SHAPEFILE: "a shapefile",
    GEOJSON: "GeoJSON",
    GEOTIFF: "a raster (GeoTIFF)",
    ZIP: "a zip file",
    TEXT: "a table of text",
    UNKNOWN: "of an unknown kind",
    "sqlite": "an SQLite database without the tables of a GeoPackage",
    "can log": "a CAN log",
    "xml": "an XML file",
    "nmea": "an NMEA log",
    "gpx": "a GPX track",
    "kml": "a KML file",
}

TASK_FILE_NAME = "taskdata.xml"
_HEAD = 65_536
_SQLITE = b"SQLite format 3\0"
_TIFF = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_XML_ROOTS = {
    "iso11783_taskdata": TASK_DATA,
    "gpx": "gpx",
    "kml": "kml",
    "tim": "iso11783 time log header",
}
_NMEA = re.compile(r"^[$!][A-Z]{2,5}[A-Z0-9]*,[^*]*\*[0-9A-Fa-f]{2}\s*$")
_CAN = re.compile(r"^\(\d+\.\d+\)\s+\S+\s+[0-9A-Fa-f]+#")
_PROLOGUE = re.compile(
    r"\s*(<\?.*?\?>|<!--.*?-->|<!DOCTYPE[^\[>]*(\[.*?\]\s*)?>)", re.S
)
_ROOT = re.compile(r"\s*<(?:[\w.-]+:)?([\w.-]+)")


def sniff(path: str | Path) -> str:
    """Return what a file or folder holds.

    Parameters
    ----------
    path : str or Path
        A plain file, or the folder of an ISO 11783-10 task data set.

    Returns
    -------
    str
        "iso11783 task data", "iso11783 time log header", "geopackage", "sqlite",
        "shapefile", "geojson", "geotiff", "zip", "gpx", "kml", "xml", "nmea",
        "can log", "delimited text" or "unknown".

    Raises
    ------
    InputError
        It is no plain file (see `formats.paths.real_path`), is empty, or is a folder
        without a task data file.
    """
    real = real_path(path)
    if real.is_dir():
        if find_task_file(real) is not None:
            return TASK_DATA
        msg = f"{real.name}: is a folder, need a file, or a folder with TASKDATA.XML."
        raise InputError(msg, "name the file in it, or copy the whole set again")
    real = real_file(path)
    with open(real, "rb") as stream:
        return sniff_bytes(stream.read(_HEAD))


def said(kind: str) -> str:
    """Return what `sniff` found as a person says it.

    Examples
    --------
    >>> said("geotiff"), said("zip")
    ('a raster (GeoTIFF)', 'a zip file')
    """
    return _SAID.get(kind, f"a {kind}")


def find_task_file(folder: Path) -> Path | None:
    """Return the task data file of a folder or its TASKDATA subfolder, any case."""
    for place in (folder, *(p for p in _children(folder) if _is_task_folder(p))):
        for member in _children(place):
            if member.name.lower() == TASK_FILE_NAME and member.is_file():
                return member
    return None


def sniff_bytes(head: bytes) -> str:
    """Return what a file holds whose first bytes are `head`."""
    if head.startswith(_SQLITE):
        application = head[68:72]
        return GEOPACKAGE if application in (b"GPKG", b"GP10", b"GP11") else "sqlite"
    if head.startswith((b"PK\x03\x04", b"PK\x05\x06")):
        return ZIP
    if head.startswith(_TIFF):
        return GEOTIFF
    if len(head) >= 32 and head.startswith(b"\x00\x00\x27\x0a"):
        return SHAPEFILE if struct.unpack_from("<i", head, 28)[0] == 1000 else UNKNOWN
    text = _as_text(head)
    return UNKNOWN if text is None else _sniff_text(text)


def _sniff_text(text: str) -> str:
    body = text.lstrip("\ufeff \t\r\n")
    if body.startswith("{"):
        return GEOJSON
    if body.startswith("<"):
        return _xml_kind(body)
    lines = [line for line in body.splitlines()[:20] if line.strip()]
    if lines and _CAN.match(lines[0]):
        return "can log"
    if sum(1 for line in lines if _NMEA.match(line)) * 2 > len(lines):
        return "nmea"
    return TEXT if any(_has_delimiter(line) for line in lines) else UNKNOWN


def _xml_kind(body: str) -> str:
    while match := _PROLOGUE.match(body):
        body = body[match.end() :]
    root = _ROOT.match(body)
    return _XML_ROOTS.get(root.group(1).lower(), "xml") if root else "xml"


def _as_text(head: bytes) -> str | None:
    """Decode the head of a text file; a few NUL stay in for the reader to refuse."""
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return head[: len(head) // 2 * 2].decode("utf-16", errors="replace")
    control = sum(head.count(bytes([code])) for code in range(1, 9))
    if control > len(head) / 100 or head.count(0) > len(head) / 5:
        return None
    return head.decode("utf-8", errors="replace")


def _has_delimiter(line: str) -> bool:
    return any(mark in line for mark in ",;\t|")


def _children(folder: Path) -> list[Path]:
    return sorted(folder.iterdir())


def _is_task_folder(path: Path) -> bool:
    return path.is_dir() and path.name.lower() == "taskdata"
