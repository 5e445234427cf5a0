"""Messages of a network with values that others published beside their bytes."""

from __future__ import annotations

import pytest

from trafficmap.formats.logs import read_logs

CANBOAT = "CANboat, open tables of NMEA 2000: test vectors of canboatjs"

POSITION = """
  can0  0DF80523   [8]  C0 2B 7E 9A 47 70 F8 2F
  can0  0DF80523   [8]  C1 26 00 0C D1 EF 45 98
  can0  0DF80523   [8]  C2 E5 05 00 7E C2 94 03
  can0  0DF80523   [8]  C3 A8 29 F6 C0 B6 77 02
  can0  0DF80523   [8]  C4 00 00 00 00 23 FC 0A
  can0  0DF80523   [8]  C5 5A 00 A0 00 EE F3 FF
  can0  0DF80523   [8]  C6 FF 00 FF FF FF FF FF
""".lstrip("\n")

COURSE = "  can0  09F80203   [8]  FF FC E1 51 F6 00 FF FF\n"


@pytest.fixture
def row(tmp_path):
    path = tmp_path / "bus.log"
    path.write_text(COURSE + POSITION)
    (log,) = read_logs(path)
    return log.table.iloc[0]


@pytest.mark.published(
    "GNSS position in seven frames", source=CANBOAT, mark="second opinion"
)
def test_position_in_several_frames(row, published):
    assert row["latitude"] == published(42.4913166, abs=5e-8, of="latitude [deg]")
    assert row["longitude"] == published(-70.8850733, abs=5e-8, of="longitude [deg]")
    assert row["altitude"] == published(41.4, abs=0.05, of="height [m]")
    # 9 March 2020, 17:47:47.8 UTC.
    assert row["seconds"] == published(1583776067.8, abs=0.05, of="UTC [s]")
    assert row["fix_quality"] == published(2, abs=0, of="method, 2 is DGNSS")


@pytest.mark.published(
    "course and speed over ground", source=CANBOAT, mark="second opinion"
)
def test_course_and_speed(row, published):
    from math import degrees

    assert row["speed"] == published(2.46, abs=0.005, of="speed [m/s]")
    assert row["heading"] == published(degrees(2.0961), abs=0.003, of="course [deg]")
