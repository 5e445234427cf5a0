"""Positions that a receiver sends in several frames, put together again."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from trafficmap.formats.can_tables import GNSS_POSITION

if TYPE_CHECKING:
    from trafficmap.formats.can import Frames

_DAY = 86_400.0
# A position is 43 bytes with no reference station (CANboat, GNSS Position Data).
_LEAST = 43
_NO_INT64 = 0x7FFF_FFFF_FFFF_FFFD
_NO_DAY, _NO_TIME = 0xFFFD, 0xFFFF_FFFD
# Method of the fix to our quality: 3 is a precise fix of a service.
_METHODS = (0, 1, 2, 3, 4, 5, 6, 7, 8)


@dataclass(frozen=True)
class Gnss:
    """Full positions: the frame each ended in, place [deg], UTC [s], height [m].

    ``broken`` counts those of which a frame was missing.
    """

    rows: np.ndarray
    latitude: np.ndarray
    longitude: np.ndarray
    utc: np.ndarray
    altitude: np.ndarray
    quality: np.ndarray
    broken: int


def read_gnss(frames: Frames) -> Gnss:
    """Put the positions of all senders together, frame by frame."""
    rows = frames.of(GNSS_POSITION)
    parts: dict[int, tuple[int, int, int, bytearray]] = {}
    found: list[tuple] = []
    broken = 0
    for row in rows.tolist():
        data = frames.data[row].tobytes()
        sender, run, turn = int(frames.sender[row]), data[0] >> 5, data[0] & 31
        if turn == 0:
            broken += sender in parts
            parts[sender] = (run, 1, data[1], bytearray(data[2:]))
            continue
        if sender not in parts:
            broken += turn == 1
            continue
        begun, due, size, body = parts[sender]
        if begun != run or turn != due:
            del parts[sender]
            broken += 1
            continue
        body += data[1:]
        parts[sender] = (run, due + 1, size, body)
        if len(body) >= size:
            del parts[sender]
            if size >= _LEAST:
                found.append((row, *_decoded(bytes(body))))
    columns = np.array(found, dtype=np.float64).reshape(-1, 6).T
    row, north, east, utc, up, quality = columns
    return Gnss(row.astype(np.int64), north, east, utc, up, quality, broken)


def _decoded(body: bytes) -> tuple[float, float, float, float, float]:
    """Return latitude, longitude [deg], UTC [s], height [m] and quality."""
    day, time = struct.unpack_from("<HI", body, 1)
    north, east, up = struct.unpack_from("<qqq", body, 7)
    method = body[31] >> 4
    gone = day >= _NO_DAY or time >= _NO_TIME
    quality = float(method) if method in _METHODS else np.nan
    unplaced = method == 0
    return (
        np.nan if north >= _NO_INT64 or unplaced else north * 1e-16,
        np.nan if east >= _NO_INT64 or unplaced else east * 1e-16,
        np.nan if gone else day * _DAY + time * 1e-4,
        np.nan if up >= _NO_INT64 else up * 1e-6,
        quality,
    )
