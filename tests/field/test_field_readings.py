"""A record of readings: units, cone, another field, and what was left open."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from trafficmap.core.errors import InputError
from trafficmap.core.tables import DUG, require_table
from trafficmap.field import read_field
from trafficmap.field.around import join_dug
from trafficmap.field.cone import LARGE, SMALL
from trafficmap.field.readings import Told, read_readings, with_readings

TODAY = dt.date(2026, 11, 1)
HERE = "-93.6195,42.0305"
DEPTHS = range(4, 20, 2)


@pytest.fixture
def field(make_field):
    return read_field(make_field(), today=TODAY)[0]


def record(tmp_path, rows, *, head="value_psi", name="record.csv"):
    lines = [f"point,longitude,latitude,date,kind,wheeled,depth_in,{head},finding"]
    path = tmp_path / name
    path.write_text("\n".join([*lines, *rows]) + "\n", encoding="utf-8")
    return path


def pushes(*, track=320, beside=180, place=HERE, day="2026-10-20"):
    rows = [f"a,{place},{day},probe,1,{depth},{track}," for depth in DEPTHS]
    return rows + [
        f"a beside,{place},{day},probe,0,{depth},{beside}," for depth in DEPTHS
    ]


def codes(notes):
    return {note.code for note in notes}


def test_psi_and_kpa_are_the_same_readings(field, tmp_path):
    psi, _ = read_readings(record(tmp_path, pushes()), field=field)
    rows = pushes(track=320 * 6.894757, beside=180 * 6.894757)
    kpa, _ = read_readings(record(tmp_path, rows, head="value_kpa"), field=field)
    require_table(psi, DUG)
    assert psi["value"].to_numpy() == pytest.approx(kpa["value"].to_numpy(), rel=1e-6)
    assert psi["value"].iloc[0] == pytest.approx(320 * 6894.757, rel=1e-6)


@pytest.mark.parametrize(
    ("head", "track", "beside", "looks"),
    [
        ("value_kpa", 320, 180, "look like psi in a column of kPa"),
        ("value_psi", 2200, 1240, "look like kPa in a column of psi"),
    ],
)
def test_a_wrong_unit_is_refused_in_one_sentence(
    field, tmp_path, head, track, beside, looks
):
    path = record(tmp_path, pushes(track=track, beside=beside), head=head)
    with pytest.raises(InputError, match=looks) as caught:
        read_readings(path, field=field)
    assert "beside the tracks" in caught.value.sentence
    assert "unit_checked" in caught.value.hint
    table, _ = read_readings(path, field=field, told=Told(unit_checked=True))
    assert len(table) == 2 * len(DEPTHS)


@pytest.mark.parametrize("beside", [60, 180, 400, 700])
def test_soft_and_hard_soil_in_the_right_unit_is_taken(field, tmp_path, beside):
    path = record(tmp_path, pushes(track=beside * 1.5, beside=beside))
    assert len(read_readings(path, field=field)[0]) == 2 * len(DEPTHS)


def test_few_readings_do_not_judge_the_unit(field, tmp_path):
    path = record(tmp_path, pushes(beside=30)[:3] + pushes(beside=30)[-3:])
    assert len(read_readings(path, field=field)[0]) == 6


def test_forces_need_the_size_of_the_cone(field, tmp_path):
    path = record(tmp_path, pushes(track=150, beside=90), head="force_lbf")
    with pytest.raises(InputError, match="nothing says the size of the cone"):
        read_readings(path, field=field)
    table, _ = read_readings(path, field=field, told=Told(cone=LARGE))
    # 150 lb on the large cone are 300 psi.
    assert table["value"].iloc[0] == pytest.approx(300 * 6894.757, rel=0.003)
    small, _ = read_readings(
        path, field=field, told=Told(cone=SMALL, unit_checked=True)
    )
    ratio = small["value"].iloc[0] / table["value"].iloc[0]
    assert ratio == pytest.approx((20.27 / 12.83) ** 2, rel=1e-9)


def test_the_cone_may_stand_in_a_column(field, tmp_path):
    lines = ["point,longitude,latitude,date,kind,wheeled,depth_in,force_lbf,cone_mm"]
    lines += [f"a,{HERE},2026-10-20,probe,1,{d},150,20.27" for d in DEPTHS]
    path = tmp_path / "cone.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    table, notes = read_readings(path, field=field)
    assert table["value"].iloc[0] == pytest.approx(300 * 6894.757, rel=0.003)
    assert "dug.cone_unsaid" not in codes(notes)


def test_a_cone_nobody_named_and_a_worn_one_are_said(field, tmp_path):
    path = record(tmp_path, pushes())
    assert "dug.cone_unsaid" in codes(read_readings(path, field=field)[1])
    assert not codes(read_readings(path, field=field, told=Told(cone=LARGE))[1])
    worn = read_readings(path, field=field, told=Told(cone=0.0195))[1]
    assert codes(worn) == {"dug.cone_worn"}
    # (20.27 / 19.5)^2 = 1.08
    assert "8% low" in worn[0].sentence
    # 3 % of the diameter is where it is replaced.
    fine = read_readings(path, field=field, told=Told(cone=0.01967))[1]
    assert not fine


def test_no_cone_is_as_thick_as_a_fist(field, tmp_path):
    lines = ["point,longitude,latitude,date,kind,wheeled,depth_in,value_psi,cone_mm"]
    lines += [f"a,{HERE},2026-10-20,probe,1,{d},150,80" for d in DEPTHS]
    path = tmp_path / "cone.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    with pytest.raises(InputError, match="the cone is 80 mm wide"):
        read_readings(path, field=field)


def test_a_record_of_another_field_is_refused(field, tmp_path):
    path = record(tmp_path, pushes(place="-93.60,42.10"))
    with pytest.raises(InputError, match=r"record\.csv: lies .* need readings"):
        read_readings(path, field=field)


def test_places_outside_are_left_out_and_counted(field, tmp_path):
    far = pushes(place="-93.60,42.10")
    table, notes = read_readings(record(tmp_path, pushes() + far), field=field)
    assert len(table) == 2 * len(DEPTHS)
    outside = [note for note in notes if note.code == "dug.outside"]
    assert [note.count for note in outside] == [1]


def test_what_was_not_written_down_is_said(field, tmp_path):
    rows = pushes(day="")
    rows[0] = rows[0].replace("probe,1", "probe,")
    rows[1] = f"a,{HERE},,probe,1,,320,"
    _, notes = read_readings(record(tmp_path, rows), field=field, told=Told(cone=LARGE))
    assert codes(notes) == {"dug.side_unsaid", "dug.depth_unsaid", "dug.day_unsaid"}


def test_some_rows_without_a_day_do_not_hide_the_others(field, tmp_path):
    rows = pushes()
    rows[0] = rows[0].replace("2026-10-20", "")
    table, _ = read_readings(record(tmp_path, rows), field=field)
    assert table["date"].isna().tolist() == [True] + [False] * (2 * len(DEPTHS) - 1)
    assert (table["date"].dropna() == "2026-10-20").all()


def test_rows_of_the_blank_sheet_are_no_findings(field, tmp_path):
    blank = [
        f"b,{HERE},,probe,1,4,,",
        f"b,{HERE},,spade,1,,,",
        f"b,{HERE},,hand roll,1,8,,",
        f"b,{HERE},,rut,1,,,",
    ]
    table, notes = read_readings(record(tmp_path, pushes() + blank), field=field)
    assert set(table["kind"]) == {"probe"}
    assert [note.count for note in notes if note.code == "dug.empty"] == [4]


def test_a_sheet_nobody_filled_is_refused(field, tmp_path):
    path = record(tmp_path, [f"b,{HERE},,probe,1,4,,", f"b,{HERE},,spade,1,,,"])
    with pytest.raises(InputError, match="holds no reading"):
        read_readings(path, field=field)


def test_a_record_that_is_not_there(field, tmp_path):
    with pytest.raises(InputError, match="is not there"):
        read_readings(tmp_path / "gone.csv", field=field)


def test_with_readings_keeps_what_was_known(field, tmp_path):
    more, fresh, _ = with_readings(field, record(tmp_path, pushes()))
    assert len(more.dug) == len(field.dug) + len(fresh) == 2 * len(DEPTHS)
    assert more.inputs[-1]["name"] == "readings/record.csv"
    # The same file again, and a file that repeats its rows, change nothing.
    again, fresh, notes = with_readings(more, record(tmp_path, pushes()))
    assert again is more
    assert fresh.empty
    assert "dug.known" in codes(notes)
    longer = record(tmp_path, [*pushes(), f"a,{HERE},2026-10-20,spade,1,,,plates"])
    most, fresh, _ = with_readings(more, longer)
    assert len(fresh) == 1
    assert len(most.dug) == len(more.dug) + 1
    assert most.inputs[-1]["name"] == "readings/record-2.csv"


def test_two_pushes_that_agree_are_two(field, tmp_path):
    path = record(tmp_path, pushes() + pushes())
    table, _ = read_readings(path, field=field)
    assert len(table) == 4 * len(DEPTHS)
    assert len(join_dug(table, table)) == len(table)
    assert join_dug().empty


def test_field_toml_takes_a_list_of_records(make_field):
    head = "point,longitude,latitude,date,kind,wheeled,depth_in,value_psi,finding\n"
    files = {
        "one.csv": head + "\n".join(pushes()) + "\n",
        "two.csv": head + f"a,{HERE},2026-10-20,spade,1,,,plates\n",
    }
    folder = make_field(more='[dug]\nfile = ["one.csv", "two.csv"]', files=files)
    field, _ = read_field(folder, today=TODAY)
    assert len(field.dug) == 2 * len(DEPTHS) + 1
    names = {entry["name"] for entry in field.inputs}
    assert {"one.csv", "two.csv"} <= names
    assert np.isfinite(field.dug["value"].iloc[:-1]).all()
