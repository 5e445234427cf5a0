"""The one place for GDAL and PROJ process settings; import it before any of them.

Foreign PROJ or GDAL data folders break the libraries that bring their own, a driver
that follows references can read any file of the disk, and file dates must come from
the data so that the same input gives the same bytes.
"""

from __future__ import annotations

import os

for _name in ("PROJ_LIB", "PROJ_DATA", "GDAL_DATA"):
    os.environ.pop(_name, None)
os.environ["GDAL_SKIP"] = "VRT"
os.environ["OGR_SKIP"] = "OGR_VRT,VRT"
os.environ["PROJ_NETWORK"] = "OFF"
os.environ["GDAL_DISABLE_READDIR_ON_OPEN"] = "TRUE"


def set_file_date(moment: str) -> None:
    """Set the date written into GeoPackages, as ``2026-10-21T00:00:00.000Z``."""
    os.environ["OGR_CURRENT_DATE"] = moment
