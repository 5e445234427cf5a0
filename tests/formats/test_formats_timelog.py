"""Binary time logs and task data, made byte by byte."""

from __future__ import annotations

import struct
import zipfile
from datetime import UTC, datetime

import numpy as np
import pytest

from trafficmap.core.errors import InputError
from trafficmap.core.tables import RAW_FIXES, require_table
from trafficmap.formats.isoxml import read_task_data, task_logs
from trafficmap.formats.isoxml.clock import settle_clock
from trafficmap.formats.isoxml.timelog import read_time_log
from trafficmap.formats.logs import read_logs

DAY = 16356  # 12 October 2024, counted from 1 January 1980
NOON = 12 * 3_600_000
EPOCH = datetime(2024, 10, 12, 12, tzinfo=UTC).timestamp()
HEADER = '<TIM A="" D="4"><PTN A="" B="" D=""/>{}</TIM>'


def header(*numbers, element="DET-1"):
    values = "".join(f'<DLV A="{n}" B="" C="{element}"/>' for n in numbers)
    return HEADER.format(values).encode()


def record(ms=NOON, lat=42.03, lon=-93.62, status=4, values=(), day=DAY):
    place = struct.pack("<IHiiB", ms, day, round(lat * 1e7), round(lon * 1e7), status)
    pairs = b"".join(struct.pack("<Bi", index, value) for index, value in values)
    return place + bytes([len(values)]) + pairs


def read(head, *records):
    return read_time_log(head, b"".join(records), name="TLG00001")


def test_values_hold_until_the_next_one():
    log, notes = read(
        header("0043", "008D"),
        record(NOON, values=[(0, 9000), (1, 1)]),
        record(NOON + 1000),
        record(NOON + 2000, values=[(1, 0)]),
    )
    assert notes == []
    np.testing.assert_array_equal(log.carried(0), [9000, 9000, 9000])
    np.testing.assert_array_equal(log.carried(1), [1, 1, 0])
    np.testing.assert_array_equal(log.seconds - EPOCH, [0, 1, 2])


def test_values_grow_old_and_do_not_cross_a_pause():
    times = [0, 5, 12, 13, 80]
    records = [
        record(NOON + 1000 * t, values=[(0, 7)] if t == 0 else ()) for t in times
    ]
    log, _ = read(header("0057"), *records)
    nan = np.nan
    np.testing.assert_array_equal(log.carried(0), [7] * 5)
    np.testing.assert_array_equal(log.carried(0, max_age=12), [7, 7, 7, nan, nan])
    np.testing.assert_array_equal(log.carried(0, max_gap=6), [7, 7, nan, nan, nan])


def test_records_of_one_stamp_become_one_row_with_the_last_values():
    log, _ = read(
        header("0043"),
        record(NOON, lat=42.0, values=[(0, 1)]),
        record(NOON, lat=0, lon=0, values=[(0, 2)]),
        record(NOON + 1000, lat=42.1, values=[(0, 3)]),
    )
    assert log.n_records == 3
    assert log.record.tolist() == [2, 3]
    # The second record had no fix, so the first one's place stays.
    np.testing.assert_allclose(log.latitude, [42.0, 42.1])
    np.testing.assert_array_equal(log.carried(0), [2, 3])


@pytest.mark.parametrize(
    "bad",
    [
        {"lat": 0, "lon": 0},
        {"lat": 91},
        {"lon": 181},
        {"lat": 214.7483647, "lon": 214.7483647},
        {"status": 0},
        {"status": 14},
    ],
)
def test_no_fix_is_no_place_but_keeps_its_values(bad):
    log, _ = read(header("0043"), record(**bad, values=[(0, 5)]), record(NOON + 1))
    assert np.isnan(log.latitude[0])
    assert np.isfinite(log.latitude[1])
    np.testing.assert_array_equal(log.carried(0), [5, 5])


def test_status_15_is_unknown_and_not_without_fix():
    log, _ = read(header(), record(status=15))
    assert np.isfinite(log.latitude[0])
    assert np.isnan(log.quality[0])


def test_constants_of_the_header_are_in_no_record():
    head = (
        b'<TIM A="" D="4"><PTN A="" B="" D="4"/><DLV A="0043" B="13000" C="DET-1"/>'
        b'<DLV A="0057" B="" C="DET-1"/></TIM>'
    )
    place = struct.pack("<IHii", NOON, DAY, 420300000, -936200000)
    log, notes = read(head, place + b"\x01" + struct.pack("<Bi", 1, 77))
    assert notes == []
    np.testing.assert_array_equal(log.carried(0), [13000])
    np.testing.assert_array_equal(log.carried(1), [77])
    np.testing.assert_array_equal(log.quality, [4])


def test_a_cut_off_log_keeps_what_came_before():
    whole = [record(NOON + 1000 * k, values=[(0, k)]) for k in range(10)]
    data = b"".join(whole)
    log, notes = read(header("0043"), data[:-3])
    assert log.n_records == 9
    assert [n.code for n in notes] == ["iso.cut_off"]
    assert f"breaks off at byte {len(data) - len(whole[-1]):,}" in notes[0].sentence


def test_an_index_that_is_not_there_stops_the_reading():
    good = [record(NOON + 1000 * k, values=[(0, k)]) for k in range(10)]
    bad = record(NOON + 10_000, values=[(1, 5)])
    log, notes = read(header("0043"), *good, bad)
    assert log.n_records == 10
    assert "does not fit its header" in notes[0].sentence
    # Where five sound records follow, reading goes on.
    log, notes = read(header("0043"), good[0], bad, *good)
    assert log.n_records == 11
    assert "is damaged at byte 21 of" in notes[0].sentence
    assert "went on at byte 42" in notes[0].sentence


def test_all_fields_written_against_the_header_are_found():
    def full(ms):
        return struct.pack(
            "<IHiiiBHHBIHB", ms, DAY, 420300000, -936200000, 301520, 4, 12, 7, 18,
            ms - 200, DAY, 0,
        )  # fmt: skip

    log, notes = read(header("0043"), *[full(NOON + 1000 * k) for k in range(5)])
    assert log.n_records == 5
    assert [n.code for n in notes] == ["iso.header_layout"]
    np.testing.assert_allclose(log.altitude, 301.52)
    assert log.utc_offset == pytest.approx(0.2)


def test_records_without_a_time_are_dropped_and_their_values_kept():
    records = [
        record(NOON, values=[(0, 1)]),
        record(0xFFFFFFFF, values=[(0, 2)]),
        record(NOON, day=0xFFFF),
        record(NOON + 1000),
    ]
    log, notes = read(header("0043"), *records)
    assert [(n.code, n.count) for n in notes] == [("iso.no_time", 2)]
    np.testing.assert_array_equal(log.seconds - EPOCH, [0, 1])
    np.testing.assert_array_equal(log.carried(0), [2, 2])
    with pytest.raises(InputError, match="none of its records has a time"):
        read(header(), record(day=0xFFFF))


def test_no_position_in_the_header_is_no_position():
    head = b'<TIM A="" D="4"><DLV A="0043" B="" C="DET-1"/></TIM>'
    log, _ = read(head, struct.pack("<IHB", NOON, DAY, 0))
    assert np.isnan(log.latitude).all()


@pytest.mark.parametrize(
    ("head", "sentence"),
    [
        (b"<TIM A='' D='4'><PTN", "breaks off"),
        (b"<TSK/>", "begins with <TSK>, need <TIM>"),
        (b"<TIM><DLV A='xyz' B='' C=''/></TIM>", "need four hex digits"),
        (b"<TIM><DLV A='0043' B='wide' C=''/></TIM>", "need a whole number"),
        (b"<TIM><PTN A='north'/></TIM>", "need a number"),
        (b"<TIM>" + b"<DLV A='0043' B='' C=''/>" * 256 + b"</TIM>", "256 values"),
    ],
)
def test_broken_headers_are_refused(head, sentence):
    with pytest.raises(InputError, match=sentence):
        read_time_log(head, b"", name="TLG00001")


def made_log(ms=NOON, utc_lag=None, day=DAY):
    if utc_lag is None:
        return read(header(), record(ms, day=day))[0]
    head = b'<TIM A="" D="4"><PTN A="" B="" D="" H="" I=""/></TIM>'
    fixed = struct.pack("<IHiiB", ms, day, 420300000, -936200000, 4)
    return read(head, fixed + struct.pack("<IHB", ms - utc_lag, day, 0))[0]


@pytest.mark.parametrize(
    ("log", "start", "kind", "offset", "error"),
    [
        (made_log(utc_lag=7_217_600), "", "utc", 7200, 17.6),
        (made_log(utc_lag=17_600), "2024-10-12T12:00:00", "utc", 0, 17.6),
        (made_log(), "2024-10-12T10:00:05Z", "utc", 7200, -5),
        (made_log(), "2024-10-12T12:00:05+02:00", "utc", 7200, -5),
        (made_log(), "2024-10-12T12:00:00", "wall", 0, 0),
        (made_log(), "2024-10-12T10:03:43Z", "wall", 0, 0),
        (made_log(), "", "wall", 0, 0),
        (made_log(), "soon", "wall", 0, 0),
        (made_log(day=10332), "2008-04-15T12:00:00Z", "no_epoch", 0, 0),
    ],
)
def test_the_clock_is_settled_by_the_best_evidence(log, start, kind, offset, error):
    clock, _ = settle_clock([log], [start], name="T")
    assert (clock.kind, clock.offset) == (kind, offset)
    assert clock.error == pytest.approx(error, abs=1e-6)


def test_logs_of_a_task_must_agree_on_the_zone():
    logs = [made_log(), made_log(NOON + 3_600_000)]
    starts = ["2024-10-12T10:00:00Z", "2024-10-12T10:00:00Z"]
    assert settle_clock(logs, starts, name="T")[0].kind == "wall"


def test_a_clock_a_day_off_its_task_is_said():
    _, notes = settle_clock([made_log()], ["2024-10-10T12:00:00"], name="T")
    assert [n.code for n in notes] == ["iso.clock_day"]


DEVICE = """<DVC A="DVC-1" B="Combine" D="0000000000000000">
  <DET A="DET-1" B="1" C="1" E="0" F="0"><DOR A="10"/></DET>
  <DET A="DET-2" B="2" C="7" E="1" F="1"><DOR A="20"/><DOR A="21"/><DOR A="22"/></DET>
  <DET A="DET-3" B="3" C="6" E="2" F="1"><DOR A="23"/></DET>
  <DET A="DET-4" B="4" C="4" E="3" F="3"/>
  <DPD A="10" B="0043" C="1" D="8"/>
  <DPT A="20" B="0086" C="870"/><DPT A="21" B="0087" C="0"/>
  <DPT A="22" B="0088" C="-3771"/><DPT A="23" B="0086" C="2322"/>
</DVC>"""
FIELD = """<CTP A="CTP1" B="corn"/><PFD A="PFD1" C="North" D="999" G="CTP1"><PLN A="1">
  <LSG A="1"><PNT A="2" C="42.0" D="-93.6"/><PNT A="2" C="42.0" D="-93.5"/>
    <PNT A="2" C="42.1" D="-93.5"/><PNT A="2" C="42.1" D="-93.6"/></LSG>
  <LSG A="2"><PNT A="2" C="42.04" D="-93.56"/><PNT A="2" C="42.04" D="-93.55"/>
    <PNT A="2" C="42.05" D="-93.55"/></LSG></PLN></PFD>"""
TASK = """<TSK A="TSK1" B="Harvest" E="PFD1" G="4"><TLG A="TLG00001" C="1"/>
  <TIM A="2024-10-12T10:00:01Z" D="4"><DLV A="0074" B="500" C="DET-1"/></TIM>
  <DAN C="DVC-1"/></TSK>"""


def task_set(folder, body=DEVICE + FIELD + TASK, version='VersionMajor="4"'):
    folder.mkdir(exist_ok=True, parents=True)
    task_file = f"<ISO11783_TaskData {version}>{body}</ISO11783_TaskData>"
    (folder / "TaskData.xml").write_text(task_file)
    (folder / "TLG00001.xml").write_bytes(header("0043", "008D", "0057", "0074"))
    rows = [
        record(NOON + 1000 * k, lat=42.03 + k * 1e-5,
               values=[(0, 9000), (1, 1), (2, 13_000_000), (3, 100 + 10 * k)]
               if k in (0, 50) else [])
        for k in range(100)
    ]  # fmt: skip
    (folder / "TLG00001.BIN").write_bytes(b"".join(rows))
    return folder


def test_a_task_becomes_a_log_in_our_units(tmp_path):
    (log,) = read_logs(task_set(tmp_path))
    require_table(log.table, RAW_FIXES)
    assert (log.part, log.field_name, log.crop) == ("Harvest", "North", "corn")
    assert (log.machine, log.antenna) == ("Combine", (0.87, 0.0, 3.771))
    assert (log.clock, log.clock_error) == ("utc", -1.0)
    assert log.table["seconds"].iloc[0] == EPOCH - 7200
    np.testing.assert_allclose(log.table["width"], 9.0)
    np.testing.assert_allclose(log.table["work_state"], 1.0)
    # Sent at 0 s and 50 s: a rate holds 60 s while the log goes on.
    np.testing.assert_allclose(log.table["mass_flow"], 13.0)
    # 100 to 600 m2 in the records, 500 m2 in the task's total.
    assert log.counters["area"] == 500.0


def test_boundaries_and_machines_are_read(tmp_path):
    data = read_task_data(task_set(tmp_path))
    (partfield,) = data.partfields
    assert partfield.boundary.area == pytest.approx(0.01 - 0.00005)
    assert partfield.stated_area == 999
    (device,) = data.devices
    assert device.connector == (2.322, 0.0, 0.0)
    section = device.elements[3]
    assert [e.kind for e in device.ancestry(section)] == [4, 6, 1]
    assert 0x0043 in device.elements[0].on_change


@pytest.mark.parametrize(
    ("version", "expected"),
    [
        ("", None),
        ('VersionMajor="1"', (1, 0)),
        ('VersionMajor="2" VersionMinor="1"', (2, 1)),
        ('VersionMajor="4" VersionMinor="3"', (4, 3)),
    ],
)
def test_every_version_is_read(tmp_path, version, expected):
    assert read_task_data(task_set(tmp_path, version=version)).version == expected


def test_folder_above_task_file_and_zip_give_the_same(tmp_path):
    folder = task_set(tmp_path / "stick" / "TASKDATA")
    packed = tmp_path / "stick.zip"
    with zipfile.ZipFile(packed, "w") as archive:
        for part in folder.iterdir():
            archive.write(part, f"2024/TASKDATA/{part.name}")
    tables = [
        read_logs(place)[0].table
        for place in (folder, folder.parent, folder / "TaskData.xml", packed)
    ]
    for table in tables[1:]:
        assert table.equals(tables[0])
    with zipfile.ZipFile(packed, "a") as archive:
        archive.write(folder / "TaskData.xml", "2023/TASKDATA/TASKDATA.XML")
    with pytest.raises(InputError, match="holds 2 task data sets, need exactly one"):
        read_logs(packed)


def test_a_missing_or_broken_log_costs_that_log_only(tmp_path):
    body = FIELD + TASK.replace("<TIM", '<TLG A="TLG00002" C="1"/><TIM')
    folder = task_set(tmp_path, body)
    (log,) = read_logs(folder)
    assert [(n.code, n.severity) for n in log.notes if n.severity == "stop"] == [
        ("iso.log_missing", "stop")
    ]
    (folder / "TLG00002.xml").write_text("<TIM A='' D='4'>")
    (folder / "TLG00002.bin").write_bytes(b"")
    (log,) = read_logs(folder)
    assert "iso.log_broken" in [n.code for n in log.notes]
    (folder / "TLG00001.BIN").unlink()
    with pytest.raises(InputError, match=r"no log in it can be used\. TLG00001\.BIN"):
        read_logs(folder)


@pytest.mark.parametrize(
    ("body", "sentence"),
    [
        ('<TSK A="T" G="4"><TLG A="../x" C="1"/></TSK>', "names the file '../x'"),
        ('<XFR A="/etc/passwd"/>', "names the file '/etc/passwd'"),
    ],
)
def test_task_files_that_lie_are_refused(tmp_path, body, sentence):
    with pytest.raises(InputError, match=sentence):
        read_task_data(task_set(tmp_path, body))


def test_files_the_task_file_pulls_in(tmp_path):
    folder = task_set(tmp_path, '<XFR A="PFD00001"/><XFR A="PFD00002"/>' + TASK)
    (folder / "pfd00001.XML").write_text(f"<XFC>{FIELD}</XFC>")
    data = read_task_data(folder)
    assert [p.name for p in data.partfields] == ["North"]
    assert [n.code for n in data.notes] == ["iso.file_missing"]


def test_a_wrong_root_is_refused(tmp_path):
    (tmp_path / "TASKDATA.XML").write_text("<TaskData/>")
    with pytest.raises(InputError, match="begins with <TaskData>"):
        read_task_data(tmp_path)
    (tmp_path / "other").mkdir()
    with pytest.raises(InputError, match=r"other: holds no TASKDATA\.XML"):
        read_task_data(tmp_path / "other")


def test_two_logs_of_a_task_join_and_their_counters_add(tmp_path):
    body = TASK.replace("<TIM", '<TLG A="TLG00002" C="1"/><TIM', 1)
    folder = task_set(tmp_path, body.replace("500", "900"))
    (folder / "TLG00002.xml").write_bytes(header("0074"))
    later = [record(NOON + 500_000 + k, values=[(0, 2000 + 400 * k)]) for k in range(2)]
    (folder / "TLG00002.bin").write_bytes(b"".join(later))
    (log,) = task_logs(read_task_data(folder))
    assert log.counters["area"] == 500 + 400
    assert len(log.table) == 102
    assert (log.table["row"].diff().dropna() == 1).all()
    assert log.table["seconds"].is_monotonic_increasing


def test_sections_and_counters_stand_in_for_a_work_state(tmp_path):
    folder = task_set(tmp_path, TASK)
    (folder / "TLG00001.xml").write_bytes(header("00A1", "0075"))
    rows = [
        record(NOON, values=[(0, 0), (1, 0)]),
        record(NOON + 1000, values=[(0, 0b0100), (1, 2000)]),
        record(NOON + 2000, values=[(0, -1), (1, 2000)]),  # 3 each: not installed
    ]
    (folder / "TLG00001.BIN").write_bytes(b"".join(rows))
    (log,) = read_logs(folder)
    np.testing.assert_array_equal(log.table["work_state"], [0, 1, 0])
    (folder / "TLG00001.xml").write_bytes(header("0001", "0075"))
    (log,) = read_logs(folder)
    np.testing.assert_array_equal(log.table["work_state"], [0, 1, 0])
    assert [f.assumed for f in log.findings if f.field == "work_state"] == [True]


def test_speed_from_a_network_message(tmp_path):
    folder = task_set(tmp_path, TASK)
    head = header("DFFE").replace(b'C="DET-1"', b'C="DET-1" D="65096" E="0" F="15"')
    (folder / "TLG00001.xml").write_bytes(head)
    rows = [record(NOON, values=[(0, 2500)]), record(NOON + 1, values=[(0, 0xFFFF)])]
    (folder / "TLG00001.BIN").write_bytes(b"".join(rows))
    (log,) = read_logs(folder)
    np.testing.assert_array_equal(log.table["speed"], [2.5, np.nan])


def test_unset_clocks_are_kept_as_counts_unless_told(tmp_path):
    folder = task_set(tmp_path, TASK)
    (folder / "TLG00001.BIN").write_bytes(record(day=10332))
    (log,) = read_logs(folder)
    assert (log.clock, log.notes[0].code) == ("no_epoch", "iso.clock_unset")
    (log,) = read_logs(folder, epoch="as logged")
    assert log.clock != "no_epoch"
