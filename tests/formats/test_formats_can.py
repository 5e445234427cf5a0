"""CAN logs: every dress of candump, decode tables, fast packets, clocks."""

from __future__ import annotations

import struct
from datetime import UTC, datetime

import numpy as np
import pytest

from trafficmap.core.errors import InputError
from trafficmap.core.tables import RAW_FIXES, require_table
from trafficmap.formats.can_tables import group_of
from trafficmap.formats.logs import read_logs

NOON = datetime(2026, 10, 20, 12, tzinfo=UTC).timestamp()
LAT, LON = 42.03, -93.62
FIX = 0x09F8011C


def dumped(frames, dress="log"):
    """Return frames (stamp, identifier, bytes) as candump prints them."""
    lines = []
    for stamp, ident, data in frames:
        tail = f"[{len(data)}]  {' '.join(f'{byte:02X}' for byte in data)}"
        date = datetime.fromtimestamp(stamp, UTC).strftime("%Y-%m-%d %H:%M:%S.%f")
        lines.append(
            {
                "log": f"({stamp:.6f}) can0 {ident:08X}#{data.hex().upper()}",
                "rx": f"({stamp:.6f}) can0 {ident:08X}#{data.hex()} R",
                "tab": f"({stamp:.6f})\tcan0\t{ident:08X}#{data.hex()}",
                "console": f" ({stamp:.6f})  can0  {ident:08X}   {tail}",
                "ascii": f" ({stamp:.6f})  vcan0  {ident:08X}   {tail}   '.\"P,....'",
                "date": f" ({date})  can0  {ident:08X}   {tail}",
                "bare": f"  can0  {ident:08X}   {tail}",
            }[dress]
        )
    return "\n".join(lines) + "\n"


def position(k=0):
    return struct.pack("<ii", round((LAT + k * 1e-5) * 1e7), round(LON * 1e7))


def drive(n=20, *more, start=NOON):
    """Return positions, one a second, with other frames 0.1 s before each."""
    frames = []
    for k in range(n):
        frames += [(start + k - 0.1, ident, data) for ident, data in more]
        frames.append((start + k, FIX, position(k)))
    return frames


def read(tmp_path, text, **told):
    path = tmp_path / "bus.log"
    path.write_text(text)
    (log,) = read_logs(path, **told)
    require_table(log.table, RAW_FIXES)
    return log


def codes(log):
    return [note.code for note in log.notes]


@pytest.mark.parametrize("dress", ["log", "rx", "tab", "console", "ascii"])
def test_every_dress_of_candump(tmp_path, dress):
    log = read(tmp_path, dumped(drive(), dress))
    assert len(log.table) == 20
    np.testing.assert_allclose(log.table["latitude"], LAT + np.arange(20) * 1e-5)
    np.testing.assert_allclose(log.table["longitude"], LON)
    np.testing.assert_allclose(log.table["seconds"], NOON + np.arange(20))
    assert (log.clock, codes(log)) == ("utc", ["can.computer_clock"])


def test_stamps_with_a_date_are_wall_clock(tmp_path):
    log = read(tmp_path, dumped(drive(), "date"))
    assert log.clock == "wall"
    np.testing.assert_allclose(log.table["seconds"], NOON + np.arange(20))


def test_without_stamps_the_order_of_lines_is_all_there_is(tmp_path):
    assert read(tmp_path, dumped(drive(), "bare")).clock == "order"


def test_stamps_since_the_begin_need_to_be_told(tmp_path):
    text = dumped(drive(start=5.0))
    log = read(tmp_path, text)
    assert log.clock == "no_epoch"
    told = read(tmp_path, text, epoch="2026-10-20T12:00:00Z")
    assert told.clock == "utc"
    assert told.table["seconds"].iloc[0] == pytest.approx(NOON + 5)


def test_times_between_frames_add_up(tmp_path):
    steps = [(0.5 if k % 2 else 0.1, FIX, position(k)) for k in range(20)]
    log = read(tmp_path, dumped(steps))
    assert np.diff(log.table["seconds"]).min() == pytest.approx(0.1)
    assert log.table["seconds"].is_monotonic_increasing


def test_vehicle_position_of_the_road_standard(tmp_path):
    # Latitude and longitude plus 210 degrees, in 1e-7 degree: e0b93896 c02d5e45.
    data = bytes.fromhex("e0b93896c02d5e45")
    frames = [(NOON + k, 0x18FEF31C, data) for k in range(3)]
    log = read(tmp_path, dumped(frames))
    np.testing.assert_allclose(log.table["latitude"], LAT, atol=1e-9)
    np.testing.assert_allclose(log.table["longitude"], LON, atol=1e-9)


@pytest.mark.parametrize(
    ("ident", "data", "name", "value"),
    [
        (0x09F8021C, "ff fc e1 51 f6 00 ff ff", "speed", 2.46),
        (0x09F8021C, "ff fc e1 51 f6 00 ff ff", "heading", np.degrees(2.0961)),
        (0x18FEE81C, "00 5a 00 14 ff ff e8 4e", "heading", 180.0),
        (0x18FEE81C, "00 5a 00 14 ff ff e8 4e", "speed", 20 / 3.6),
        (0x18FEE81C, "00 5a 00 14 ff ff e8 4e", "altitude", 25.0),
        (0x18FE491C, "c4 09 ff ff ff ff ff ff", "speed", 2.5),
        (0x18FE481C, "c4 09 ff ff ff ff ff ff", "speed", 2.5),
        (0x18F0221C, "c4 09 ff ff ff ff ff ff", "speed", 2.5),
        (0x18FEF11C, "ff 00 0a ff ff ff ff ff", "speed", 10 / 3.6),
        (0x18FE451C, "64 40 ff ff ff ff ff ff", "work_state", 1.0),
        (0x18FE461C, "64 00 ff ff ff ff ff ff", "work_state", 0.0),
        (0x18FEEA1C, "01 ff ff ff ff 40 1f ff", "tank_mass", 16_000.0),
        (0x0CCBF71C, "33 00 43 00 f0 23 00 00", "width", 9.2),
        (0x0CCBF71C, "03 00 8d 00 01 00 00 00", "work_state", 1.0),
        (0x0CCBF71C, "03 00 4b 00 60 cb 14 01", "tank_mass", 18_140.0),
        (0x0CCBF71C, "03 00 57 00 0c 5d c6 00", "mass_flow", 12.999948),
        (0x0CCBF71C, "03 00 63 00 f0 49 02 00", "moisture", 0.15),
        (0x0CCBF71C, "03 00 8d 01 c4 09 00 00", "speed", 2.5),
    ],
)
def test_each_message_we_use(tmp_path, ident, data, name, value):
    data = bytes.fromhex(data)
    log = read(tmp_path, dumped(drive(5, (ident, data))))
    np.testing.assert_allclose(log.table[name], value, rtol=1e-6)
    (found,) = [f for f in log.findings if f.field == name]
    assert found.column == f"message {group_of(ident)}"
    empty = read(tmp_path, dumped(drive(5, (ident, data[:1] + b"\xff" * 7))))
    assert empty.table[name].isna().all()


def test_magnetic_course_is_no_heading(tmp_path):
    data = bytes.fromhex("fffde151f600ffff")
    log = read(tmp_path, dumped(drive(5, (0x09F8021C, data))))
    assert log.table["heading"].isna().all()
    np.testing.assert_allclose(log.table["speed"], 2.46)


def test_speed_over_ground_comes_before_wheels_that_slip(tmp_path):
    wheels = (0x18FE481C, struct.pack("<H", 3000) + b"\xff" * 6)
    ground = (0x18FE491C, struct.pack("<H", 2500) + b"\xff" * 6)
    log = read(tmp_path, dumped(drive(5, wheels, ground)))
    np.testing.assert_allclose(log.table["speed"], 2.5)


def axle(place, mass):
    return 0x18FEEA1C, bytes([place]) + struct.pack("<H", round(mass * 2)) + b"\xff" * 5


def test_axles_add_up_to_a_load_above_their_least(tmp_path):
    frames = []
    for k in range(10):
        load = 500.0 * k
        for place, share in ((0x01, 0.25), (0x11, 0.75)):
            ident, data = axle(place, 4000 + load * share)
            frames.append((NOON + k - 0.1, ident, data))
        frames.append((NOON + k, FIX, position(k)))
    log = read(tmp_path, dumped(frames))
    np.testing.assert_allclose(log.table["tank_mass"], 500.0 * np.arange(10))
    np.testing.assert_allclose(
        log.table["extra_axle_mass_1c_1_1"], 4000 + 375.0 * np.arange(10)
    )
    (found,) = [f for f in log.findings if f.field == "tank_mass"]
    assert found.assumed
    (note,) = [n for n in log.notes if n.code == "can.axles"]
    assert "carry 8,000 to 12,500 kg" in note.sentence


def test_axles_that_never_change_say_no_load(tmp_path):
    log = read(tmp_path, dumped(drive(5, axle(1, 25_000))))
    assert log.table["tank_mass"].isna().all()
    assert log.table["extra_axle_mass_1c_0_1"].iloc[-1] == 25_000


def test_values_grow_old(tmp_path):
    frames = [(NOON - 0.1, *axle(1, 5000)), (NOON - 0.1, 0x18FE491C, b"\xc4\x09" * 4)]
    frames += [(NOON + k, FIX, position(k)) for k in range(90)]
    log = read(tmp_path, dumped(frames))
    assert log.table["speed"].notna().sum() == 2
    assert log.table["extra_axle_mass_1c_0_1"].notna().sum() == 60


def test_process_data_of_several_elements_takes_the_first_and_says_so(tmp_path):
    whole = (0x0CCBF71C, bytes.fromhex("03004300f0230000"))
    section = (0x0CCBF71C, bytes.fromhex("13004300f00a0000"))
    command = (0x0CCBF71C, bytes.fromhex("04004300ffff0000"))
    log = read(tmp_path, dumped(drive(5, section, whole, command)))
    np.testing.assert_allclose(log.table["width"], 9.2)
    (found,) = [f for f in log.findings if f.field == "width"]
    assert "1 more elements send it and were left out" in found.why


def fast_packet(utc, lat, lon, *, run=2, method=4, sender=0x23):
    day, time = divmod(utc, 86_400)
    body = struct.pack(
        "<BHIqqq", 1, int(day), round(time * 1e4), round(lat * 1e16),
        round(lon * 1e16), round(301.5 * 1e6),
    )  # fmt: skip
    body += bytes([method << 4]) + b"\xfc\x0a\x5a\x00\xa0\x00\xee\xf3\xff\xff\x00"
    parts = [bytes([run << 5, len(body)]) + body[:6]]
    rest = body[6:]
    for k in range(0, len(rest), 7):
        part = rest[k : k + 7]
        parts.append(
            bytes([run << 5 | (k // 7 + 1)]) + part + b"\xff" * (7 - len(part))
        )
    return [(0x0DF80500 | sender, part) for part in parts]


def test_satellite_time_sets_the_computer_right(tmp_path):
    frames = []
    for k in range(10):
        packet = fast_packet(NOON + k, LAT + k * 1e-5, LON, run=k % 8)
        frames += [(NOON + k - 3600, ident, data) for ident, data in packet]
    log = read(tmp_path, dumped(frames))
    assert (log.clock, codes(log)) == ("utc", ["can.clock_set"])
    np.testing.assert_allclose(log.table["seconds"], NOON + np.arange(10), atol=1e-3)
    np.testing.assert_allclose(log.table["latitude"], LAT + np.arange(10) * 1e-5)
    assert set(log.table["fix_quality"]) == {4.0}
    np.testing.assert_allclose(log.table["altitude"], 301.5)


def test_a_packet_with_a_frame_missing_is_left_out(tmp_path):
    frames = []
    for k in range(10):
        packet = fast_packet(NOON + k, LAT, LON, run=k % 8)
        if k == 4:
            del packet[3]
        frames += [(NOON + k, ident, data) for ident, data in packet]
    log = read(tmp_path, dumped(frames))
    assert len(log.table) == 9
    assert {n.code: n.count for n in log.notes}["can.broken_packet"] == 1


def test_satellite_time_stands_in_for_stamps(tmp_path):
    frames = []
    for k in range(5):
        frames += [(0, i, d) for i, d in fast_packet(NOON + k, LAT + k / 1e5, LON)]
    log = read(tmp_path, dumped(frames, "bare"))
    assert log.clock == "utc"
    np.testing.assert_allclose(log.table["seconds"], NOON + np.arange(5))


@pytest.mark.parametrize(
    ("ident", "data"),
    [
        # 20 October 2026 is day 20 746 since 1970 (counted by hand): 0a 51.
        (0x18F01023 | 1 << 24, "01 f0 0a 51 00 cc bf 19"),
        # 0 s, 0 min, 12 h, October, day 20 in quarters, 2026 - 1985.
        (0x18FEE61C, "00 00 0c 0a 50 29 7d 7d"),
    ],
)
def test_other_clocks_on_the_network(tmp_path, ident, data):
    frames = [(NOON + 500, ident, bytes.fromhex(data)), *drive(5, start=NOON + 500)]
    log = read(tmp_path, dumped(frames))
    assert log.table["seconds"].iloc[0] == pytest.approx(NOON, abs=0.01)


def test_what_was_ignored_is_counted(tmp_path):
    engine = (0x0CF00400, bytes(8))
    text = dumped(drive(5, engine)) + "(1.0) can0 123#00\n"
    log = read(tmp_path, text)
    (found,) = [f for f in log.findings if f.field == "other messages"]
    assert found.column == "61444"
    assert "5 frames of 1 other messages were not used, nor 1 lines" in found.why


def test_a_network_without_places_is_refused(tmp_path):
    frames = [(NOON + k, 0x0CF00400, bytes(8)) for k in range(5)]
    with pytest.raises(InputError, match="holds no message of position"):
        read(tmp_path, dumped(frames))
    with pytest.raises(InputError, match="no frame with a 29-bit identifier"):
        read(tmp_path, "(1.0) can0 123#00\n" * 3)


def test_places_far_off_are_dropped_and_too_many_refused(tmp_path):
    frames = drive(20)
    frames[3] = (frames[3][0], FIX, b"\xff" * 4 + b"\x7f" * 4)
    log = read(tmp_path, dumped(frames))
    assert len(log.table) == 19
    frames = [(NOON + k, FIX, bytes(8)) for k in range(5)]
    with pytest.raises(InputError, match="5 of 5 messages of position hold no place"):
        read(tmp_path, dumped(frames))
