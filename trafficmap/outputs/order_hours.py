"""Hours of the rig, fit hours of fields and ways between them, as people give them."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import pandas as pd

from trafficmap.core.errors import InputError
from trafficmap.plan.order import Span

MAX_BYTES = 2**20
MAX_LINES = 4000
"""Lines of a table of hours, a year of days for ten fields (choice)."""

_CLOCK = re.compile(r"^([01]?\d|2[0-4]):([0-5]\d)$")


def read_hours(
    path: Path, *, names: Sequence[str], zone: ZoneInfo
) -> tuple[list[Span], dict[tuple[str, int | None], list[Span]]]:
    """Return the hours of the rig, and the fit hours of fields and zones.

    Parameters
    ----------
    path : Path
        Columns day, from, to; optional field and zone.
    names : sequence of str
        Fields there are.
    zone : ZoneInfo
        Whose clock the hours are by.
    """
    rows = _table(path, need=("day", "from", "to"))
    rig: list[Span] = []
    fit: dict[tuple[str, int | None], list[Span]] = {}
    for line, row in rows:
        span = _span(path, line, row, zone)
        field = row.get("field", "")
        if not field:
            rig.append(span)
            continue
        if field not in names:
            msg = (
                f"{path.name}: line {line} names the field {field!r}, the runs are of "
                f"{', '.join(names)}."
            )
            raise InputError(msg, "write the name as in the run, or add its folder")
        number = row.get("zone", "")
        if number and not number.isdigit():
            msg = f"{path.name}: line {line} has zone {number!r}, need a whole number."
            raise InputError(msg, "leave it empty for all zones of the field")
        fit.setdefault((field, int(number) if number else None), []).append(span)
    if not rig:
        msg = f"{path.name}: no line without a field, need the hours of the rig."
        raise InputError(msg, "add lines as 2026-11-02,08:00,18:00 with no field")
    rig.sort()
    for before, after in pairwise(rig):
        if after[0] < before[1]:
            msg = (
                f"{path.name}: hours of {before[0]:%Y-%m-%d %H:%M} and "
                f"{after[0]:%Y-%m-%d %H:%M} overlap, need one after the other."
            )
            raise InputError(msg, "there is one rig: join the two lines")
    return rig, fit


def read_moves(path: Path, names: Sequence[str]) -> dict[tuple[int, int], float]:
    """Return ways between fields that somebody knows [s], by positions of the runs."""
    places = {name: k for k, name in enumerate(names)}
    known = {}
    for line, row in _table(path, need=("from", "to", "minutes")):
        for name in (row["from"], row["to"]):
            if name not in places:
                msg = (
                    f"{path.name}: line {line} names the field {name!r}, the runs are "
                    f"of {', '.join(places)}."
                )
                raise InputError(msg, "write the name as in the run")
        try:
            minutes = float(row["minutes"])
        except ValueError:
            minutes = math.nan
        if not 0 <= minutes <= 24 * 60:
            msg = (
                f"{path.name}: line {line} has {row['minutes']!r} minutes, need a "
                "number from 0 to 1440."
            )
            raise InputError(msg, "give the drive and the setting up in minutes")
        known[(places[row["from"]], places[row["to"]])] = minutes * 60.0
    return known


def same_hours(first: str, *, days: int, each: float, zone: ZoneInfo) -> list[Span]:
    """Return the same hours each day from 8 in the morning, earlier where many."""
    if not 0 < each <= 24:
        msg = f"order: got {each:g} hours a day, need more than 0 and at most 24."
        raise InputError(msg, "give --hours-per-day 10")
    try:
        day = pd.Timestamp(first).normalize().tz_localize(None)
    except ValueError:
        msg = f"order: got {first!r} as first day, need a day as 2026-11-02."
        raise InputError(msg, "give --from 2026-11-02") from None
    begin = min(8.0, 24.0 - each)
    spans: list[Span] = []
    for number in range(days):
        midnight = day + pd.Timedelta(days=number)
        # By the wall clock, so that a change of the clock does not move the morning.
        start = (midnight + pd.Timedelta(hours=begin)).tz_localize(
            zone, ambiguous=True, nonexistent="shift_forward"
        )
        if spans and spans[-1][1] > start:
            # The day the clock goes forward has 23 hours.
            spans[-1] = (spans[-1][0], start)
        spans.append((start, start + pd.Timedelta(hours=each)))
    return spans


def _table(path: Path, *, need: tuple[str, ...]) -> list[tuple[int, dict[str, str]]]:
    """Return the lines of a small comma table with their numbers."""
    try:
        content = path.read_bytes()
    except OSError:
        msg = f"{path.name}: cannot be read, need a table with {', '.join(need)}."
        raise InputError(msg, "look at the name and the folder") from None
    if len(content) > MAX_BYTES:
        msg = f"{path.name}: has {len(content):,} bytes, need {MAX_BYTES:,}."
        raise InputError(msg, "give a table of days, one line a span of hours")
    text = content.decode("utf-8-sig", errors="replace")
    lines = list(csv.reader(io.StringIO(text)))
    head = [word.strip().casefold() for word in lines[0]] if lines else []
    missing = [name for name in need if name not in head]
    if missing:
        msg = f"{path.name}: has no column {missing[0]!r}, need {', '.join(need)}."
        raise InputError(msg, f"write the first line as {','.join(need)}")
    rows = [
        (number, dict(zip(head, (cell.strip() for cell in cells), strict=False)))
        for number, cells in enumerate(lines[1:], start=2)
        if any(cell.strip() for cell in cells)
    ]
    if len(rows) > MAX_LINES:
        msg = f"{path.name}: has {len(rows)} lines, need at most {MAX_LINES}."
        raise InputError(msg, "give the days that matter")
    for number, row in rows:
        for name in need:
            if not row.get(name):
                msg = f"{path.name}: line {number} has no {name}, need {need}."
                raise InputError(msg.replace(str(need), ", ".join(need)), "fill it in")
    return rows


def _span(path: Path, line: int, row: dict[str, str], zone: ZoneInfo) -> Span:
    """Return the hours of one line of a table."""
    try:
        day = pd.Timestamp(row["day"]).normalize().tz_localize(None)
    except (ValueError, TypeError):
        msg = f"{path.name}: line {line} has day {row['day']!r}, need 2026-11-02."
        raise InputError(msg, "write year, month and day") from None
    ends = []
    for name in ("from", "to"):
        found = _CLOCK.match(row[name])
        if not found or (found[1] == "24" and found[2] != "00"):
            msg = f"{path.name}: line {line} has {name} {row[name]!r}, need 08:00."
            raise InputError(msg, "write hours and minutes, 24:00 at most")
        clock = day + pd.Timedelta(hours=int(found[1]), minutes=int(found[2]))
        ends.append(
            clock.tz_localize(zone, ambiguous=True, nonexistent="shift_forward")
        )
    if ends[1] <= ends[0]:
        msg = f"{path.name}: line {line} ends before it starts, need from before to."
        raise InputError(msg, "a night goes into two lines, until 24:00 and from 00:00")
    return ends[0], ends[1]
