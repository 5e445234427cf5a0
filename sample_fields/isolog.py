"""A small writer of ISO 11783-10 task data with one binary time log.

Only what the drag hose of the sample needs: one field, one device with its antenna,
one task, one log. Written here on purpose and not with the package's own code, so a
fault in a reader cannot hide behind the same fault in a writer.
"""

from __future__ import annotations

import datetime as dt
import struct
from xml.sax.saxutils import quoteattr

import numpy as np

from . import places as at
from .logs import ZONE, Fixes, degrees

WIDTH_DDI, STATE_DDI, SPEED_DDI, DEPTH_DDI = 0x0043, 0x008D, 0x018D, 0x0034
AREA_DDI, DISTANCE_DDI = 0x0074, 0x0075
SIGNALS = (WIDTH_DDI, STATE_DDI, SPEED_DDI, DEPTH_DDI, AREA_DDI, DISTANCE_DDI)
ANTENNA_MM = (900, 0, -3200)
"""Antenna ahead, right and down of the rear axle's centre [mm]; down is positive."""

_OFFSETS = (0x0086, 0x0087, 0x0088)
TOOL_DEPTH_MM = 120
_EPOCH = dt.date(1980, 1, 1)
_DAY_MS = 86_400_000


def task_data(fixes: Fixes, *, width: float) -> dict[str, bytes]:
    """Return file names and bytes of a TASKDATA folder with the log of `fixes`.

    Parameters
    ----------
    fixes : Fixes
        The log; its clock is UTC.
    width : float
        Working width [m].
    """
    first = dt.datetime.fromtimestamp(fixes.time[0], ZONE)
    zone_shift = (first.utcoffset() or dt.timedelta()).total_seconds()
    area, distance = _counters(fixes, width)
    records = _records(fixes, zone_shift, width=width, area=area, distance=distance)
    return {
        "TASKDATA.XML": _task_file(fixes, zone_shift, area[-1], distance[-1]).encode(),
        "TLG00001.XML": _header().encode(),
        "TLG00001.BIN": records,
    }


def _counters(fixes: Fixes, width: float) -> tuple[np.ndarray, np.ndarray]:
    """Return worked area [m2] and distance [mm] as the display counts them."""
    step = np.diff(fixes.time, prepend=fixes.time[0])
    worked = fixes.speed * np.clip(step, 0.0, 5.0) * fixes.working
    distance = np.cumsum(worked)
    return np.floor(distance * width), np.floor(distance * 1000.0)


def _records(fixes, zone_shift, *, width, area, distance) -> bytes:
    """Return the binary records: local record clock, UTC beside it, sparse values."""
    lon, lat = degrees(fixes)
    out = bytearray()
    sent: dict[int, int] = {}
    for k, time in enumerate(fixes.time.tolist()):
        ms, day = _clock(time + zone_shift)
        utc_ms, utc_day = _clock(time)
        on = bool(fixes.working[k])
        values = {
            0: round(width * 1000),
            1: int(on),
            2: round(fixes.speed[k] * 1000),
            3: TOOL_DEPTH_MM if on else 0,
            4: int(area[k]),
            5: int(distance[k]),
        }
        # Widths, states and depths are sent on change, counters now and then.
        fresh = {
            index: value
            for index, value in values.items()
            if index == 2 or (index < 4 and sent.get(index) != value)
            or (index >= 4 and k % 5 == 0)
        }  # fmt: skip
        sent |= fresh
        out += struct.pack("<IH", ms, day)
        out += struct.pack("<ii", round(lat[k] * 1e7), round(lon[k] * 1e7))
        out += struct.pack("<BHB", 4, 8, 17)  # RTK fixed, HDOP 0.8, 17 satellites
        out += struct.pack("<IH", utc_ms, utc_day)
        out += struct.pack("<B", len(fresh))
        for index, value in sorted(fresh.items()):
            out += struct.pack("<Bi", index, value)
    return bytes(out)


def _clock(time: float) -> tuple[int, int]:
    """Return milliseconds of the day and days since 1980."""
    days, seconds = divmod(time, 86_400.0)
    since = dt.date(1970, 1, 1) + dt.timedelta(days=days) - _EPOCH
    return round(seconds * 1000) % _DAY_MS, since.days


def _header() -> str:
    values = "".join(f'    <DLV A="{ddi:04X}" B="" C="DET-1"/>\n' for ddi in SIGNALS)
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n<TIM A="" D="4">\n'
        '    <PTN A="" B="" D="" F="" G="" H="" I=""/>\n'
        f"{values}</TIM>\n"
    )


def _task_file(fixes: Fixes, zone_shift: float, area: float, distance: float) -> str:
    zone = dt.timezone(dt.timedelta(seconds=zone_shift))
    start, stop = (
        dt.datetime.fromtimestamp(moment, zone).isoformat()
        for moment in (fixes.time[0], fixes.time[-1])
    )
    corners = np.array(at.boundary().exterior.coords)
    lon, lat = at.to_degrees(corners[:, 0], corners[:, 1])
    ring = "".join(
        f'        <PNT A="2" C="{y:.9f}" D="{x:.9f}"/>\n'
        for x, y in zip(lon, lat, strict=True)
    )
    triggers = {WIDTH_DDI: 8, STATE_DDI: 8, DEPTH_DDI: 8, SPEED_DDI: 1}
    signals = "".join(
        f'    <DPD A="{number}" B="{ddi:04X}" C="1" D="{triggers.get(ddi, 1)}" '
        f"E={quoteattr(_NAMES[ddi])}/>\n"
        for number, ddi in enumerate(SIGNALS, start=20)
    )
    linked = "".join(f'<DOR A="{n}"/>' for n in range(20, 20 + len(SIGNALS)))
    offsets = "".join(
        f'    <DPT A="{number}" B="{ddi:04X}" C="{value}" E="{name}"/>\n'
        for number, (ddi, value, name) in enumerate(
            zip(_OFFSETS, ANTENNA_MM, ("ahead", "right", "down"), strict=True),
            start=10,
        )
    )
    return f"""<?xml version="1.0" encoding="UTF-8"?>
<ISO11783_TaskData VersionMajor="4" VersionMinor="3" DataTransferOrigin="2" \
ManagementSoftwareManufacturer="invented" ManagementSoftwareVersion="1" \
TaskControllerManufacturer="invented" TaskControllerVersion="1">
  <PFD A="PFD-1" C="Ditch sixty (invented)" D="{round(at.boundary().area)}">
    <PLN A="1">
      <LSG A="1">
{ring}      </LSG>
    </PLN>
  </PFD>
  <DVC A="DVC-1" B="drag hose (invented)" D="A000000000000001" F="00000000000001" \
G="00000000000001">
    <DET A="DET-1" B="1" C="1" D="device" E="0" F="0">{linked}</DET>
    <DET A="DET-2" B="2" C="7" D="antenna" E="1" F="1">\
<DOR A="10"/><DOR A="11"/><DOR A="12"/></DET>
{signals}{offsets}  </DVC>
  <TSK A="TSK-1" B="drag hose, silage ground" E="PFD-1" G="4">
    <TIM A="{start}" B="{stop}" D="4">
      <DLV A="0074" B="{area:.0f}" C="DET-1"/>
      <DLV A="0075" B="{distance:.0f}" C="DET-1"/>
    </TIM>
    <TLG A="TLG00001" C="1"/>
  </TSK>
</ISO11783_TaskData>
"""


_NAMES = {
    WIDTH_DDI: "actual working width",
    STATE_DDI: "actual work state",
    SPEED_DDI: "actual speed",
    DEPTH_DDI: "actual working depth",
    AREA_DDI: "total area",
    DISTANCE_DDI: "effective total distance",
}
