"""The one place for GDAL and PROJ process settings; import it before any of them.

Foreign PROJ or GDAL data folders break the libraries that bring their own, a driver
that follows references can read any file of the disk, and file dates must come from
the data so that the same input gives the same bytes.
"""

from __future__ import annotations

import os

for _name in ("PROJ_LIB", "PROJ_DATA", "GDAL_DATA", "GDAL_SKIP"):
    os.environ.pop(_name, None)
os.environ["OGR_SKIP"] = "OGR_VRT"
os.environ["PROJ_NETWORK"] = "OFF"
os.environ["GDAL_DISABLE_READDIR_ON_OPEN"] = "TRUE"

# Two GDALs live in one process. The vector one has no raster VRT driver and complains
# when told to skip it, so it must be up before the raster one is told.
import pyogrio  # noqa: E402, F401

os.environ["GDAL_SKIP"] = "VRT"


def set_file_date(moment: str) -> None:
    """Set the date written into GeoPackages, as ``2026-10-21T00:00:00.000Z``."""
    os.environ["OGR_CURRENT_DATE"] = moment
