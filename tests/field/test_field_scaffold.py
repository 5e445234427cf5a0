"""`new`: a file that runs as it stands, asks, copies nothing, overwrites nothing."""

from __future__ import annotations

import json
import tomllib

import numpy as np
import pandas as pd
import pytest

from trafficmap.core.errors import InputError
from trafficmap.field.guess import _WORDS, guess_class
from trafficmap.field.read import read_field
from trafficmap.field.report import check_lines
from trafficmap.field.scaffold import new_field, slug
from trafficmap.formats.rawlog import RawLog
from trafficmap.machines.catalogue import class_names


def test_it_runs_as_it_stands(tmp_path, run_log):
    log = tmp_path / "combine north.csv"
    log.write_text(run_log())
    (path,) = new_field(tmp_path / "new", [log])
    keys = tomllib.loads(path.read_text())
    assert keys["log"][0]["file"] == str(log.resolve())
    assert keys["field"]["season"] == 2026
    assert keys["field"]["units"] == "us"
    field, _ = read_field(path.parent)
    assert len(field.fixes) == 120
    assert sorted(entry.name for entry in path.parent.iterdir()) == ["field.toml"]


def test_every_guess_and_every_gap_is_marked(tmp_path, run_log):
    log = tmp_path / "a.csv"
    log.write_text(run_log().replace("Z,", ","))
    (path,) = new_field(tmp_path / "new", [log])
    text = path.read_text()
    assert "# a guess" in text
    assert '# time_zone = "America/Chicago"  # NEEDED' in text
    for table in ("[soil]", "[weather]", "[tile]", "[[liquid]]", "[[tool]]", "[dug]"):
        assert f"# {table}" in text


def test_questions_become_answers_when_the_mark_is_taken_away(tmp_path, run_log):
    # What stands behind the marks must be good TOML that the reader understands.
    log = tmp_path / "a.csv"
    log.write_text(run_log())
    (path,) = new_field(tmp_path / "new", [log])
    lines = []
    for line in path.read_text().splitlines():
        bare = line.removeprefix("# ")
        asked = line.startswith(("# [", "# ")) and ("= " in bare or bare[:1] == "[")
        lines.append(bare if asked else line)
    text = "\n".join(lines)
    for file in ("soil.geojson", "weather.csv", "buried_line.geojson", "dug.csv"):
        assert file in text
    from trafficmap.field.toml import parse_field_toml

    keys = parse_field_toml(text.encode())
    assert keys.crop.next == "corn"
    assert keys.tool[0].shanks == 7
    assert keys.liquid[0].width_m == 9.0


def test_nothing_is_overwritten(tmp_path, run_log):
    log = tmp_path / "a.csv"
    log.write_text(run_log())
    (tmp_path / "field.toml").write_text("mine")
    with pytest.raises(
        InputError, match="is already there, nothing was written"
    ) as err:
        new_field(tmp_path, [log])
    assert err.value.exit_code == 3
    assert (tmp_path / "field.toml").read_text() == "mine"


def test_no_log_is_refused(tmp_path):
    with pytest.raises(InputError, match="no log is given"):
        new_field(tmp_path, [])


def test_logs_at_the_same_time_are_two_machines(tmp_path, run_log):
    one, two, later = (tmp_path / name for name in ("a.csv", "b.csv", "c.csv"))
    one.write_text(run_log())
    two.write_text(run_log(right=0.0002))
    later.write_text(run_log(first=300, count=60))
    (path,) = new_field(tmp_path / "new", [one, two, later])
    machines = [log["machine"] for log in tomllib.loads(path.read_text())["log"]]
    assert machines == ["tractor", "tractor_2", "tractor"]
    field, _ = read_field(path.parent)
    assert set(field.machines) == {"tractor", "tractor_2"}


def test_names_with_quotes_and_line_ends_stay_inside_their_line(tmp_path, run_log):
    folder = tmp_path / 'it"s [a]\nfield'
    log = tmp_path / 'log "1"\n.csv'
    log.write_text(run_log())
    (path,) = new_field(folder, [log])
    keys = tomllib.loads(path.read_text())
    assert keys["log"][0]["file"] == str(log.resolve())
    assert keys["field"]["name"] == folder.name


TASK_DATA = """<?xml version="1.0"?>
<ISO11783_TaskData VersionMajor="3" VersionMinor="3" ManagementSoftwareManufacturer="x"
 ManagementSoftwareVersion="1" DataTransferOrigin="2">
{fields}
{tasks}
</ISO11783_TaskData>
"""


def task_set(folder, names=("North 40", "North 40", "../up")):
    """Write a task data set: one square field and one short log a name."""
    folder.mkdir()
    fields, tasks = "", ""
    for k, name in enumerate(names, start=1):
        west, south = 10.0 + 0.01 * k, 52.0
        corners = [(0, 0), (0, 0.002), (0.002, 0.002), (0.002, 0), (0, 0)]
        points = "".join(
            f'<PNT A="2" C="{south + n:.6f}" D="{west + e:.6f}"/>' for e, n in corners
        )
        fields += (
            f'<PFD A="PFD{k}" C="{name}" D="1"><PLN A="1"><LSG A="1">{points}</LSG>'
            "</PLN></PFD>"
        )
        tasks += (
            f'<TSK A="TSK{k}" B="harvest" E="PFD{k}" G="4">'
            f'<TLG A="TLG0000{k}" C="1"/></TSK>'
        )
        header = (
            '<TIM A="" D="4"><PTN A="" B="" D=""/><DLV A="008D" B="" C="DET1"/></TIM>'
        )
        (folder / f"TLG0000{k}.XML").write_text(header)
        record = np.dtype(
            [("ms", "<u4"), ("day", "<u2"), ("n", "<i4"), ("e", "<i4"), ("s", "u1"),
             ("k", "u1"), ("i", "u1"), ("v", "<i4")]
        )  # fmt: skip
        rows = np.zeros(60, record)
        rows["ms"] = 36_000_000 + 1000 * np.arange(60) + 100_000 * k
        rows["day"] = 17_088  # 14 October 2026
        rows["n"] = np.round((south + 0.0005 + np.arange(60) * 1.35e-5) * 1e7)
        rows["e"] = round((west + 0.001) * 1e7)
        rows["s"], rows["k"], rows["v"] = 4, 1, 1
        (folder / f"TLG0000{k}.BIN").write_bytes(rows.tobytes())
    text = TASK_DATA.format(fields=fields, tasks=tasks)
    (folder / "TASKDATA.XML").write_text(text)
    return folder


def test_a_task_set_with_several_fields_gives_a_folder_each(tmp_path):
    stick = task_set(tmp_path / "TASKDATA")
    written = new_field(tmp_path / "new", [stick])
    assert [path.parent.name for path in written] == ["North_40", "North_40_2", "up"]
    for path in written:
        field, notes = read_field(path.parent)
        assert len(field.fixes) == 60, [note.sentence for note in notes]
        assert field.boundary_given
        outline = json.loads((path.parent / "boundary.geojson").read_text())
        assert outline["features"][0]["properties"]["name"] == field.name
    assert field.name == "../up"


def test_one_field_already_there_and_none_is_written(tmp_path):
    stick = task_set(tmp_path / "TASKDATA")
    (tmp_path / "new" / "up").mkdir(parents=True)
    (tmp_path / "new" / "up" / "boundary.geojson").write_text("mine")
    with pytest.raises(InputError, match="already there"):
        new_field(tmp_path / "new", [stick])
    assert not (tmp_path / "new" / "North_40").exists()


def test_a_task_set_of_several_fields_needs_a_part_for_its_boundary(tmp_path):
    stick = task_set(tmp_path / "TASKDATA")
    folder = tmp_path / "by hand"
    folder.mkdir()
    text = f'[field]\nname = "a"\nboundary = "{stick}"\n'
    (folder / "field.toml").write_text(text)
    with pytest.raises(InputError, match="holds 3 fields with a boundary") as caught:
        read_field(folder)
    assert caught.value.hint == 'name the field in [field] as boundary_part = "PFD1"'
    logs = f'[[log]]\nfile = "{stick}"\nmachine = "m"\n[machine.m]\nclass = "truck"\n'
    (folder / "field.toml").write_text(text + 'boundary_part = "pfd2"\n' + logs)
    field, notes = read_field(folder)
    assert len(field.fixes) == 60  # the two tasks elsewhere are left out, and told
    assert [n.count for n in notes if n.code == "log.elsewhere"] == [2]
    part = logs.replace("[machine.m]", 'part = "harvest (TSK3)"\n[machine.m]')
    (folder / "field.toml").write_text(text + 'boundary_part = "PFD2"\n' + part)
    with pytest.raises(InputError, match="no fix lies inside the boundary"):
        read_field(folder)


def raw(**columns) -> RawLog:
    table = pd.DataFrame({"longitude": 0.0, "latitude": 0.0, **columns}, index=range(3))
    return RawLog(table=table, kind="delimited text", path=None)


@pytest.mark.parametrize(
    ("name", "columns", "class_name"),
    [
        ("log 1", {"mass_flow": 5.0, "moisture": 0.16}, "combine_mid"),
        ("log 1", {"mass_flow": 14.0, "moisture": 0.62}, "forage_harvester"),
        ("log 1", {"mass_flow": 60.0}, "forage_harvester"),
        ("log 1", {"application_rate": 0.009}, "hose_tractor"),
        ("log 1", {"tank_mass": 9000.0}, "grain_cart_single"),
        ("grain-cart_oct", {}, "grain_cart_single"),
        ("Tractor 8", {"mass_flow": 0.0}, "tractor_front_assist"),
        ("log 1", {}, "tractor_front_assist"),
    ],
)
def test_the_class_is_guessed_from_what_the_log_holds(name, columns, class_name):
    assert guess_class(name, raw(**columns))[0] == class_name


def test_every_guess_is_a_class_of_the_catalogue():
    assert {class_name for class_name, _ in _WORDS} <= set(class_names())


@pytest.mark.parametrize(
    ("text", "name"),
    [("CON", "field"), ("a" * 90, "a" * 40), ("Süd/1", "S_d_1"), ("  ", "field")],
)
def test_folder_names_are_safe(text, name):
    assert slug(text, "field") == name


def test_the_report_says_the_worst_first(make_field):
    field, _ = read_field(make_field())
    lines = check_lines(field)
    kinds = [line.split(":")[0] for line in lines]
    assert kinds[0] == "Missing"
    order = ["Missing", "Look at", "Guessed", "Found", "Good to know"]
    ranks = [order.index(kind) for kind in kinds]
    assert ranks == sorted(ranks)
    assert "Found: Ditch sixty, season 2026: 3.68 ha (9.1 ac)." in lines
    assert any("120 fixes of combine, Wed 14 Oct 2026" in line for line in lines)


def test_the_report_can_be_short(make_field):
    field, _ = read_field(make_field())
    lines = check_lines(field, limit=10)
    assert len(lines) == 10
    assert lines[-1] == f"And {len(check_lines(field)) - 9} smaller things."
