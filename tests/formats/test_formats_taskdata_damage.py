"""Task data that is damaged, cut off or incomplete: what is sound is kept and said."""

from __future__ import annotations

import re
import struct
import zipfile
from pathlib import Path

import numpy as np
import pytest
from made_taskdata import DAY, EPOCH, drive, header, record, task, write_set

from trafficmap.core.errors import InputError
from trafficmap.formats.isoxml import read_task_data, task_logs
from trafficmap.formats.isoxml.timelog import read_time_log
from trafficmap.formats.logs import read_logs

HEAD = header("0043", "008D")


def both(k):
    return [(0, 9000), (1, 1)]


def codes(notes):
    return [note.code for note in notes]


def test_reading_goes_on_behind_a_damaged_stretch():
    records = drive(40, values=both)
    size = len(records[0])
    broken = bytearray(b"".join(records))
    broken[10 * size + 15] = 200  # a record that claims 200 values
    log, notes = read_time_log(HEAD, bytes(broken), name="TLG00001")
    assert log.n_records == 39
    np.testing.assert_array_equal(log.seconds[[9, 10]] - EPOCH, [9, 11])
    (note,) = notes
    assert (note.code, note.severity) == ("iso.cut_off", "check")
    assert f"TLG00001: is damaged at byte {10 * size:,} of" in note.sentence
    assert f"went on at byte {11 * size:,}, and {size} bytes" in note.sentence


def test_garbage_in_the_middle_costs_only_itself():
    records = drive(60, values=both)
    junk = bytes(range(200, 256)) * 3
    log, notes = read_time_log(
        HEAD, b"".join([*records[:30], junk, *records[30:]]), name="T"
    )
    assert log.n_records == 60
    assert codes(notes) == ["iso.cut_off"]
    assert np.all(np.diff(log.seconds) == 1.0)


def test_a_log_that_is_mostly_garbage_keeps_its_head_and_says_stop():
    records = drive(20, values=both)
    junk = bytes([255]) * 4000
    log, notes = read_time_log(HEAD, b"".join([*records, junk]), name="TLG00001")
    assert log.n_records == 20
    (note,) = notes
    assert note.severity == "stop"
    assert "% of it is missing from the map" in note.sentence


def test_nothing_readable_is_refused_with_the_byte():
    with pytest.raises(InputError, match=r"at byte 0 of 5; nothing is readable"):
        read_time_log(HEAD, b"\x01\x02\x03\x04\x05", name="TLG00001")


def test_stray_records_behind_damage_are_not_believed():
    # Four sound records are fewer than the five that count as a log going on.
    records = drive(20, values=both)
    junk = bytes([255]) * 100
    data = b"".join([*records[:10], junk, *records[10:14]])
    assert read_time_log(HEAD, data, name="T")[0].n_records == 10
    # Sound records of another day are not this log.
    other = [r[:4] + struct.pack("<H", DAY + 3) + r[6:] for r in records[10:]]
    data = b"".join([*records[:10], junk, *other])
    assert read_time_log(HEAD, data, name="T")[0].n_records == 10


def test_a_header_that_breaks_off_is_used_as_far_as_it_goes(tmp_path):
    cut = HEAD[: HEAD.index(b'<DLV A="008D"') + 9]
    folder = write_set(
        tmp_path, task("TLG00001"), {"TLG00001": (cut, drive(values=both))}
    )
    (log,) = read_logs(folder)
    assert len(log.table) == 60
    np.testing.assert_allclose(log.table["width"], 9.0)
    assert np.isnan(log.table["work_state"]).all()
    (note,) = [n for n in log.notes if n.code == "iso.header_cut"]
    assert "breaks off at byte" in note.sentence
    assert "what it describes before that was read, 1 value." in note.sentence


@pytest.mark.parametrize(
    "own", [None, b"<TIM A='' D='4'><PTN", b"\xff\xfe\x00nonsense"]
)
def test_records_without_a_header_still_give_the_track(tmp_path, own):
    folder = write_set(
        tmp_path, task("TLG00001"), {"TLG00001": (own, drive(values=both))}
    )
    (log,) = read_logs(folder)
    assert len(log.table) == 60
    assert log.table["latitude"].iloc[0] == pytest.approx(42.03)
    assert np.isnan(log.table["width"]).all()
    (note,) = [n for n in log.notes if n.code == "iso.header_lost"]
    assert "Width, work state and load of this log are not known" in note.sentence


def test_a_lost_header_is_that_of_the_other_logs_where_they_agree(tmp_path):
    logs = {
        "TLG00001": (HEAD, drive(values=both)),
        "TLG00002": (HEAD, drive(start=100, values=both)),
        "TLG00003": (None, drive(start=200, values=both)),
    }
    folder = write_set(tmp_path, task(*logs), logs)
    (log,) = read_logs(folder)
    assert len(log.table) == 180
    np.testing.assert_allclose(log.table["width"], 9.0)
    assert "iso.header_borrowed" in codes(log.notes)
    # Headers that disagree are not chosen from.
    (folder / "TLG00002.XML").write_bytes(header("008D", "0043"))
    (log,) = read_logs(folder)
    assert "iso.header_lost" in codes(log.notes)
    assert np.isnan(log.table["width"].iloc[120:]).all()


def test_records_that_are_no_drive_are_not_worked_out(tmp_path):
    random = np.random.default_rng(7).integers(0, 256, 4000, dtype=np.uint8)
    folder = write_set(
        tmp_path,
        task("TLG00001", "TLG00002"),
        {"TLG00001": (HEAD, drive(values=both)), "TLG00002": (None, random.tobytes())},
    )
    (log,) = read_logs(folder)
    assert len(log.table) == 60
    (note,) = [n for n in log.notes if n.code == "iso.log_broken"]
    assert "its header is lost and no reading fits its records" in note.sentence


def test_a_header_without_records_and_records_without_a_task(tmp_path):
    logs = {
        "TLG00001": (HEAD, drive(values=both)),
        "TLG00002": (HEAD, None),
        "TLG00009": (HEAD, drive(start=500, values=both)),
    }
    folder = write_set(tmp_path, task("TLG00001", "TLG00002"), logs)
    first, second = read_logs(folder)
    assert (first.part, second.part) == ("Harvest", "TLG00009")
    found = {n.code: n for n in first.notes}
    assert found["iso.log_missing"].severity == "stop"
    assert "TLG00002.BIN: is named by task 'Harvest'" in (
        found["iso.log_missing"].sentence
    )
    assert "no task names it" in found["iso.log_unnamed"].sentence
    assert len(second.table) == 60


def test_names_in_any_case_and_with_few_digits(tmp_path):
    write_set(
        tmp_path, task("TLG0001", "tlg00002"), {"tlg0001": (HEAD, drive(values=both))}
    )
    (tmp_path / "tlg0001.XML").rename(tmp_path / "Tlg0001.xml")
    (tmp_path / "TASKDATA.XML").rename(tmp_path / "taskdata.Xml")
    (tmp_path / "Tlg00002.Bin").write_bytes(b"")
    (tmp_path / "TLG00002.xmL").write_bytes(HEAD)
    (log,) = read_logs(tmp_path)
    assert len(log.table) == 60
    assert "iso.log_empty" in codes(log.notes)


def test_two_files_that_differ_in_case_only_are_said(tmp_path):
    write_set(tmp_path, task("TLG00001"), {"TLG00001": (HEAD, drive(values=both))})
    (tmp_path / "tlg00001.bin").write_bytes(b"")
    data = read_task_data(tmp_path)
    assert "iso.file_twice" in codes(data.notes)
    assert data.tasks[0].logs[0].n_records == 60


def test_a_task_file_that_breaks_off_keeps_its_complete_entries(tmp_path):
    body = '<PFD A="PFD1" C="North"/>' + task("TLG00001") + task("TLG00002", id="TSK2")
    logs = {
        "TLG00001": (HEAD, drive(values=both)),
        "TLG00002": (HEAD, drive(start=100, values=both)),
    }
    folder = write_set(tmp_path, body, logs)
    whole = (folder / "TASKDATA.XML").read_bytes()
    (folder / "TASKDATA.XML").write_bytes(whole[: whole.index(b"TLG00002") + 3])
    first, second = read_logs(folder)
    assert (first.part, first.field_name, second.part) == (
        "Harvest",
        "North",
        "TLG00002",
    )
    (note,) = [n for n in first.notes if n.code == "iso.task_file_cut"]
    assert (note.severity, "the 2 entries before that were read" in note.sentence) == (
        "stop",
        True,
    )
    (folder / "TASKDATA.XML").write_bytes(whole[:60])
    with pytest.raises(InputError, match="before anything in it is complete"):
        read_task_data(folder)


@pytest.mark.parametrize(
    ("body", "sentence"),
    [
        ('<TSK A="TSK9" G="four"/>', "TSK has G='four', need a whole number"),
        ('<DVC A="DVC1"><DPT A="1" B="zz" C="1"/></DVC>', "need four hex digits"),
        ('<PFD A="PFD9" D="wide"/>', "PFD has D='wide', need a number"),
    ],
)
def test_one_wrong_element_costs_only_itself(tmp_path, body, sentence):
    folder = write_set(
        tmp_path, body + task("TLG00001"), {"TLG00001": (HEAD, drive(values=both))}
    )
    (log,) = read_logs(folder)
    (note,) = [n for n in log.notes if n.code == "iso.element_broken"]
    assert sentence in note.sentence
    assert note.sentence.endswith("was left out.")
    assert len(log.table) == 60


@pytest.mark.parametrize(
    ("second", "code"),
    [
        (None, "iso.file_missing"),
        ("<XFC>", "iso.file_broken"),
        ("", "iso.file_broken"),
        ("<other/>", "iso.file_broken"),
    ],
)
def test_outside_files_that_are_missing_broken_or_named_twice(tmp_path, second, code):
    body = '<XFR A="PFD00001"/><XFR A="PFD00002"/><XFR A="pfd00001"/>'
    folder = write_set(
        tmp_path, body + task("TLG00001"), {"TLG00001": (HEAD, drive(values=both))}
    )
    (folder / "PFD00001.XML").write_text('<XFC><PFD A="PFD1" C="North"/></XFC>')
    if second is not None:
        (folder / "PFD00002.XML").write_text(second)
    data = read_task_data(folder)
    assert [p.name for p in data.partfields] == ["North"]
    assert set(codes(data.notes)) == {code, "iso.file_repeated"}
    assert len(task_logs(data)) == 1


def test_names_of_elements_may_have_a_namespace(tmp_path):
    folder = write_set(
        tmp_path,
        task("TLG00001"),
        {"TLG00001": (HEAD, drive(values=both))},
        version='VersionMajor="4" xmlns="http://example.org/iso"',
    )
    (log,) = read_logs(folder)
    assert len(log.table) == 60


def test_a_version_of_the_future_is_said(tmp_path):
    folder = write_set(tmp_path, "", {}, version='VersionMajor="5"')
    (note,) = read_task_data(folder).notes
    assert (note.code, "newer than this program knows (4)" in note.sentence) == (
        "iso.version",
        True,
    )


def test_a_list_of_outside_names(tmp_path):
    folder = write_set(tmp_path, '<PFD A="PFD1" C="North"/>', {})
    path = folder / "LinkList.xml"
    path.write_text(
        '<ISO11783LinkList VersionMajor="4"><LGP A="LGP1" B="1">'
        '<LNK A="PFD1" B="{123}"/><LNK A="" B="x"/></LGP>'
        '<LGP A="LGP2" B="2" D="example.org"><LNK A="PFD1" B="n40"/></LGP>'
        "</ISO11783LinkList>"
    )
    data = read_task_data(folder)
    assert [(k.id, k.kind, k.value, k.space) for k in data.links] == [
        ("PFD1", "uuid", "{123}", ""),
        ("PFD1", "maker", "n40", "example.org"),
    ]
    assert data.notes == ()
    text = path.read_text()
    path.write_text(text[: text.index("n40")])
    data = read_task_data(folder)
    assert len(data.links) == 1
    assert "breaks off at byte" in data.notes[0].sentence
    path.write_text("<links/>")
    data = read_task_data(folder)
    assert (data.links, codes(data.notes)) == ((), ["iso.links"])


def test_one_of_several_sets_in_a_zip_is_chosen_by_its_folder(tmp_path):
    folder = write_set(
        tmp_path / "set", task("TLG00001"), {"TLG00001": (HEAD, drive(values=both))}
    )
    packed = tmp_path / "stick.zip"
    with zipfile.ZipFile(packed, "w") as archive:
        for year, title in (("2023", "old"), ("2024", "new")):
            for part in folder.iterdir():
                text = part.read_bytes().replace(b"Harvest", title.encode())
                archive.writestr(f"{year}/TASKDATA/{part.name}", text)
        archive.writestr("__MACOSX/2024/TASKDATA/._TASKDATA.XML", b"x")
    sentence = "holds 2 task data sets, need exactly one; they are in 2023/TASKDATA, "
    with pytest.raises(InputError, match=sentence) as refused:
        read_logs(packed)
    assert 'layer = "2023/TASKDATA"' in refused.value.hint
    (log,) = read_logs(packed, layer="2024/taskdata")
    assert log.part == "new"
    with pytest.raises(InputError, match="no task data in '2022'; it is in 2023/"):
        read_logs(packed, layer="2022")


def test_a_grid_that_does_not_fit_costs_only_itself(tmp_path):
    grid = '<GRD A="42" B="-93" C="0.0001" D="0.0001" E="2" F="2" G="GRD00001" I="1"/>'
    body = task("TLG00001", inside='<TZN A="0"/>' + grid)
    folder = write_set(tmp_path, body, {"TLG00001": (HEAD, drive(values=both))})
    data = read_task_data(folder)
    assert codes(data.notes) == ["iso.grid_missing"]
    (folder / "GRD00001.bin").write_bytes(bytes(4))
    data = read_task_data(folder)
    assert data.tasks[0].grid.values.tolist() == [[0, 0], [0, 0]]
    (folder / "GRD00001.bin").write_bytes(bytes(5))
    data = read_task_data(folder)
    assert "has 5 bytes, 2 x 2 cells need 4" in data.notes[0].sentence
    (folder / "GRD00001.bin").write_bytes(bytes(4))
    task_file = (folder / "TASKDATA.XML").read_text()
    (folder / "TASKDATA.XML").write_text(task_file.replace('C="0.0001"', 'C="NaN"'))
    data = read_task_data(folder)
    assert "its grid has no usable corner or cell size" in data.notes[0].sentence
    assert len(data.tasks[0].logs) == 1


def test_points_of_a_boundary_that_are_no_place(tmp_path):
    points = "".join(
        f'<PNT A="2" C="{lat}" D="{lon}"/>'
        for lat, lon in [(42, -93), (42.1, -93), (42.1, -93.1), (0, 0), ("NaN", -93),
                         (42, 181), (95, -93), ("x", 1)]
    )  # fmt: skip
    rings = f'<LSG A="1">{points}</LSG><LSG A="1"><PNT A="2" J="PNT00001"/></LSG>'
    body = f'<PFD A="PFD1" C="North"><PLN A="1">{rings}</PLN></PFD>'
    data = read_task_data(write_set(tmp_path, body, {}))
    assert len(data.partfields[0].boundary.geoms[0].exterior.coords) == 4
    found = {n.code: n for n in data.notes}
    assert found["iso.bad_points"].count == 5
    assert "PNT00001.BIN: is named by its boundary but is missing." in (
        found["iso.points_outside"].sentence
    )


def test_a_clock_set_while_driving_is_mended(tmp_path):
    unset = [
        record(1000 * k, lat=42.03 + (k - 20) * 1.8e-5, day=0, values=both(k))
        for k in range(20)
    ]
    folder = write_set(
        tmp_path, task("TLG00001"), {"TLG00001": (HEAD, unset + drive(values=both))}
    )
    (log,) = read_logs(folder)
    assert log.clock == "wall"
    np.testing.assert_array_equal(log.table["seconds"] - EPOCH, np.arange(-20, 60))
    (note,) = [n for n in log.notes if n.code == "iso.clock_late"]
    assert "was set only after 20 rows, which say 1980" in note.sentence
    # A drive elsewhere before the clock was set is another matter.
    far = [record(1000 * k, lat=41.0, day=0, values=both(k)) for k in range(20)]
    (folder / "TLG00001.BIN").write_bytes(b"".join(far + drive(values=both)))
    (log,) = read_logs(folder)
    assert log.clock == "no_epoch"
    # Never set at all.
    (folder / "TLG00001.BIN").write_bytes(b"".join(unset))
    (log,) = read_logs(folder)
    assert "its clock says 1980, so it was never set" in log.notes[0].sentence


@pytest.mark.parametrize(
    ("status", "severity", "words"),
    [
        (6, "info", "is dead reckoning"),
        (7, "check", "is typed in by hand"),
        (8, "check", "is simulated; leave the log out"),
    ],
)
def test_places_no_receiver_measured_are_said(status, severity, words):
    records = drive(10, values=both, status=status)
    log, (note,) = read_time_log(HEAD, b"".join(records), name="TLG00001")
    assert (note.severity, note.count) == (severity, 10)
    assert words in note.sentence
    assert np.isfinite(log.latitude).all()


def test_the_page_on_task_data_names_the_codes_there_are():
    root = Path(__file__).parents[2]
    page = (root / "docs" / "reference" / "task_data.md").read_text("utf-8")
    told = set(re.findall(r"`((?:iso|machine)\.[a-z_]+)`", page))
    code = "".join(
        path.read_text("utf-8")
        for folder in ("formats/isoxml", "field")
        for path in (root / "trafficmap" / folder).glob("*.py")
    )
    assert len(told) > 15
    assert [name for name in told if f'"{name}"' not in code] == []
