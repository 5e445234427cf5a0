"""Task data made byte by byte, for tests."""

from __future__ import annotations

import struct
from datetime import UTC, datetime

DAY = 16356  # 12 October 2024, counted from 1 January 1980
NOON = 12 * 3_600_000
EPOCH = datetime(2024, 10, 12, 12, tzinfo=UTC).timestamp()
PLACE = '<PTN A="" B="" D=""/>'


def header(*numbers, element="DET-1", place=PLACE):
    """Return a header; a number may be (number, element)."""
    pairs = [n if isinstance(n, tuple) else (n, element) for n in numbers]
    values = "".join(f'<DLV A="{n}" B="" C="{e}"/>' for n, e in pairs)
    return f'<TIM A="" D="4">{place}{values}</TIM>'.encode()


def record(ms=NOON, lat=42.03, lon=-93.62, status=4, values=(), day=DAY):
    """Return a record with time, place, status and values."""
    place = struct.pack("<IHiiB", ms, day, round(lat * 1e7), round(lon * 1e7), status)
    pairs = b"".join(struct.pack("<Bi", index, value) for index, value in values)
    return place + bytes([len(values)]) + pairs


def drive(count=60, *, start=0, lat=42.03, lon=-93.62, every=1.0, values=None, **more):
    """Return records that drive north at 2 m/s, and their bytes one by one."""
    return [
        record(
            NOON + round(1000 * (start + every * k)),
            lat=lat + every * k * 1.8e-5,
            lon=lon,
            values=() if values is None else values(k),
            **more,
        )
        for k in range(count)
    ]


def write_set(folder, body, logs, *, version='VersionMajor="4"'):
    """Write a set: `logs` holds header and records by name, None for no file."""
    folder.mkdir(exist_ok=True, parents=True)
    root = f"<ISO11783_TaskData {version}>{body}</ISO11783_TaskData>"
    (folder / "TASKDATA.XML").write_text(root)
    for name, (head, records) in logs.items():
        if head is not None:
            (folder / f"{name}.XML").write_bytes(head)
        if records is not None:
            content = records if isinstance(records, bytes) else b"".join(records)
            (folder / f"{name}.BIN").write_bytes(content)
    return folder


def task(*names, id="TSK1", title="Harvest", inside=""):
    """Return a task that names logs."""
    logs = "".join(f'<TLG A="{name}" C="1"/>' for name in names)
    return f'<TSK A="{id}" B="{title}" E="PFD1" G="4">{logs}{inside}</TSK>'
