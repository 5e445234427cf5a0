"""Every limit on input, in one place: code, tests and docs read it here."""

from __future__ import annotations

MAX_CELLS = 25_000_000
MAX_XML_BYTES = 64 * 2**20
MAX_XML_DEPTH = 32
MAX_XML_ATTRIBUTE = 4096
MAX_ZIP_MEMBERS = 5_000
MAX_ZIP_BYTES = 2 * 2**30
MAX_ZIP_RATIO = 100
MAX_TEXT_LINE = 1_000_000
MAX_TEXT_BYTES = 2 * 2**30
MAX_GRID_BYTES = 256 * 2**20
MAX_TIMELOG_BYTES = 2**30
MAX_TABLE_CELLS = 100_000_000

BOUNDARY_NOTE_M2 = 1_000.0
BOUNDARY_MAX_M2 = 20_000_000.0
BOUNDARY_REPAIR_SHARE = 0.005

DROPPED_SHARE = 0.20
"""More than this share of rows dropped from one log and the log is refused."""

GAP_SECONDS = 30.0
"""A gap longer than this cuts a pass [s]."""

RATE_GAP_SECONDS = 10.0
"""Rates such as mass flow are not carried over a longer gap [s]."""

SPEED_LIMIT = 15.0
"""Faster than this is a jump, unless the machine is a road vehicle [m/s]."""

SPEED_LIMIT_ROAD = 35.0
"""Faster than this is a jump for a truck [m/s]."""

FIRST_YEAR = 1990
"""Clocks before this year were never set."""
