"""What a file is, by its first bytes and never by its name."""

from __future__ import annotations

import codecs
import re
import struct
from pathlib import Path

from trafficmap.core.errors import InputError
from trafficmap.formats.archive import open_archive
from trafficmap.formats.paths import real_file, real_path

TASK_DATA = "iso11783 task data"
GEOPACKAGE = "geopackage"
SHAPEFILE = "shapefile"
GEOJSON = "geojson"
GEOTIFF = "geotiff"
ZIP = "zip"
TEXT = "delimited text"
CAN_LOG = "can log"
GPX = "gpx"
KML = "kml"
KMZ = "kmz"
NMEA = "nmea"
PARQUET = "parquet"
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
    CAN_LOG: "a CAN log",
    "xml": "an XML file",
    NMEA: "an NMEA log",
    GPX: "a GPX track",
    KML: "a KML file",
    KMZ: "a KMZ file",
    PARQUET: "a Parquet file",
}

TASK_FILE_NAME = "taskdata.xml"
_HEAD = 65_536
# A KMZ holds one KML file and some pictures.
_MOST_MEMBERS = 500
_SQLITE = b"SQLite format 3\0"
_TIFF = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_XML_ROOTS = {
    "iso11783_taskdata": TASK_DATA,
    "gpx": GPX,
    "kml": KML,
    "tim": "iso11783 time log header",
}
# A sentence may stand behind a stamp of the program that logged it, and older makes
# leave the sum out.
_NMEA = re.compile(
    r"(^|[\s,;])[$!]([A-Z]{2}(GGA|RMC|VTG|ZDA|GSA|GSV|GLL|GNS|HDT|GST),[^$!*]*"
    r"|[A-Z]{2,5}[A-Z0-9]*,[^$!*]*\*[0-9A-Fa-f]{2})\s*$"
)
_CAN = re.compile(
    r"^\s*(\(\s*[-\d:. ]+\)\s+)?\S+\s+"
    r"([0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})(#|\s+\[\d+\]\s)"
)
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
        "shapefile", "geojson", "geotiff", "zip", "gpx", "kml", "kmz", "xml", "nmea",
        "parquet", "can log", "delimited text" or "unknown". A zip is looked into: one
        with a KML file and no task data is a "kmz".

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
        kind = sniff_bytes(stream.read(_HEAD))
    return _zip_kind(real) if kind == ZIP else kind


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
    if head.startswith(b"PAR1"):
        return PARQUET
    if head.startswith(_TIFF):
        return GEOTIFF
    if len(head) >= 32 and head.startswith(b"\x00\x00\x27\x0a"):
        return SHAPEFILE if struct.unpack_from("<i", head, 28)[0] == 1000 else UNKNOWN
    text = _as_text(head)
    return UNKNOWN if text is None else _sniff_text(text)


def _zip_kind(path: Path) -> str:
    """Return what a zip is by what lies in it; a damaged one is left to its reader."""
    try:
        archive = open_archive(path)
        names = [name.rpartition("/")[2].lower() for name in archive.names]
        if TASK_FILE_NAME in names or len(names) > _MOST_MEMBERS:
            return ZIP
        inside = {sniff_bytes(archive.head(name)) for name in archive.names}
    except InputError:
        return ZIP
    others = {TEXT, GEOPACKAGE, SHAPEFILE, GEOJSON, CAN_LOG, GPX, NMEA, PARQUET}
    return KMZ if KML in inside and not inside & others else ZIP


def _sniff_text(text: str) -> str:
    body = text.lstrip("\ufeff \t\r\n")
    if body.startswith("{"):
        return GEOJSON
    if body.startswith("<"):
        return _xml_kind(body)
    lines = [line for line in body.splitlines()[:20] if line.strip()]
    if lines and sum(1 for line in lines if _CAN.match(line)) * 2 > len(lines):
        return CAN_LOG
    if sum(1 for line in lines if _NMEA.search(line)) * 2 > len(lines):
        return NMEA
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
    # Zeros at the end are left where power was cut; what came before counts.
    head = head.rstrip(b"\0")
    control = sum(head.count(bytes([code])) for code in range(1, 9))
    if control > len(head) / 100 or head.count(0) > len(head) / 5:
        return None
    return head.decode("utf-8", errors="replace")


def _has_delimiter(line: str) -> bool:
    if any(mark in line for mark in ",;\t|^~"):
        return True
    # Blanks part numbers as well; prose has none.
    cells = line.split()
    numbers = sum(1 for cell in cells if cell[-1].isdigit())
    return len(cells) > 2 and numbers * 2 > len(cells)


def _children(folder: Path) -> list[Path]:
    return sorted(folder.iterdir())


def _is_task_folder(path: Path) -> bool:
    return path.is_dir() and path.name.lower() == "taskdata"
