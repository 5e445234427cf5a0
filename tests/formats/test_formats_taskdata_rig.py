"""Machines that describe themselves, tasks of several logs, and what values mean."""

from __future__ import annotations

import math
import struct

import numpy as np
import pandas as pd
import pytest
from made_taskdata import DAY, EPOCH, NOON, drive, header, record, task, write_set

from trafficmap.formats.isoxml import read_task_data, task_logs
from trafficmap.formats.isoxml.geometry import describe, device_width, rig
from trafficmap.formats.isoxml.timelog import Wanted, read_time_log
from trafficmap.formats.logs import read_logs

TRACTOR = """<DVC A="DVC-1" B="Tractor">
 <DET A="DET-1" B="1" C="1" D="tractor" E="0" F="0"><DOR A="19"/></DET>
 <DET A="DET-2" B="2" C="2" D="cab" E="1" F="1"><DOR A="10"/><DOR A="12"/></DET>
 <DET A="DET-3" B="3" C="7" D="antenna" E="2" F="2"><DOR A="11"/></DET>
 <DET A="DET-4" B="4" C="6" D="front" E="3" F="1"><DOR A="13"/><DOR A="16"/></DET>
 <DET A="DET-5" B="5" C="6" D="rear" E="4" F="1"><DOR A="14"/><DOR A="17"/></DET>
 <DET A="DET-6" B="6" C="6" D="lower" E="5" F="1"><DOR A="15"/><DOR A="16"/></DET>
 <DPT A="10" B="0086" C="1500"/><DPT A="11" B="0087" C="-200"/>
 <DPT A="12" B="0088" C="-2600"/><DPT A="13" B="0086" C="3900"/>
 <DPT A="14" B="0086" C="-1200"/><DPT A="15" B="0086" C="-800"/>
 <DPT A="16" B="009D" C="3"/><DPT A="17" B="009D" C="1"/>
 <DPT A="19" B="00B4" C="800"/></DVC>"""
# Numbers of objects repeat from one machine to the next.
TOOL = """<DVC A="DVC-2" B="Tool">
 <DET A="DET-11" B="1" C="1" D="tool" E="0" F="0"/>
 <DET A="DET-12" B="2" C="6" D="hitch" E="1" F="1"><DOR A="10"/></DET>
 <DET A="DET-13" B="3" C="2" D="shanks" E="2" F="1"/>
 <DET A="DET-14" B="4" C="4" D="left" E="3" F="3"><DOR A="20"/><DOR A="21"/></DET>
 <DET A="DET-15" B="5" C="4" D="right" E="4" F="3"><DOR A="20"/><DOR A="22"/></DET>
 <DET A="DET-16" B="6" C="2" D="crumbler" E="5" F="1"/>
 <DET A="DET-17" B="7" C="4" D="all" E="6" F="6"><DOR A="23"/></DET>
 <DPT A="10" B="0086" C="0"/><DPT A="20" B="0046" C="2600"/>
 <DPT A="21" B="0087" C="-1300"/><DPT A="22" B="0087" C="1300"/>
 <DPT A="23" B="0046" C="5000"/></DVC>"""
DANS = '<DAN C="DVC-1"/><DAN C="DVC-2"/>'


def described(folder, inside=DANS, body=TOOL + TRACTOR, head=None, values=None):
    logs = {"TLG00001": (head or header("0043"), drive(values=values))}
    data = read_task_data(
        write_set(folder, body + task("TLG00001", inside=inside), logs)
    )
    return data, task_logs(data)[0]


def test_the_rig_is_described_through_the_chain_of_its_parts(tmp_path):
    _, log = described(tmp_path)
    found = log.described
    assert (log.machine, found.device) == ("Tractor", "Tractor")
    # Right from the antenna itself; forward and down of the cab it sits on.
    assert found.antenna == log.antenna == pytest.approx((1.5, -0.2, 2.6))
    assert found.reference_height == 0.8
    assert found.width == pytest.approx(5.2)  # -2.6 to 2.6 m, the shanks
    assert found.hitch == pytest.approx((-1.2, 0.0, 0.0))  # the rearmost
    assert found.hitch_kind == "drawbar"


def test_the_task_says_which_connector_the_tool_hangs_on(tmp_path):
    link = '<CNN A="DVC-1" B="DET-6" C="DVC-2" D="DET-12"/>'
    _, log = described(tmp_path, inside=DANS + link)
    assert log.described.hitch == pytest.approx((-0.8, 0.0, 0.0))
    assert log.described.hitch_kind == "three_point"
    turned = '<CNN A="DVC-2" B="DET-12" C="DVC-1" D="DET-6"/>'
    _, log = described(tmp_path, inside=DANS + turned)
    assert log.described.hitch == pytest.approx((-0.8, 0.0, 0.0))


def test_a_tool_alone_has_no_antenna_and_no_hitch_to_offer(tmp_path):
    _, log = described(tmp_path, inside='<DAN C="DVC-2"/>')
    assert log.described.antenna is None
    assert log.described.hitch is None
    assert log.described.width == pytest.approx(5.2)


def test_geometry_that_stands_in_the_records_completes_the_description(tmp_path):
    bare = """<DVC A="DVC-1" B="Combine"><DET A="DET-1" B="1" C="1" E="0" F="0"/>
    <DET A="DET-2" B="2" C="7" E="1" F="1"/></DVC>"""
    head = header(
        ("0086", "DET-2"), ("0087", "DET-2"), ("0088", "DET-2"), ("0046", "DET-1")
    ).replace(b'A="0088" B=""', b'A="0088" B="-3771"')

    def values(k):
        return [(0, 870), (1, -150), (3, 9000)] if k == 5 else []

    _, log = described(tmp_path, inside="", body=bare, head=head, values=values)
    assert log.described.antenna == pytest.approx((0.87, -0.15, 3.771))
    assert log.described.width == 9.0
    # The log holds no width in use, so the described one is an assumed value.
    np.testing.assert_array_equal(log.table["width"], 9.0)
    (finding,) = [f for f in log.findings if f.field == "width"]
    assert finding.assumed


def test_nothing_described_is_nothing(tmp_path):
    data, log = described(tmp_path, inside="", body="")
    assert log.described is None
    assert describe(rig(data, data.tasks[0], data.tasks[0].logs), data.tasks[0]) is None


def test_the_width_of_a_machine(tmp_path):
    data, _ = described(tmp_path)
    tool = next(d for d in data.devices if d.name == "Tool")
    assert device_width(tool) == pytest.approx(5.2)
    tractor = next(d for d in data.devices if d.name == "Tractor")
    assert math.isnan(device_width(tractor))


def test_two_rows_of_tools_do_not_add_up(tmp_path):
    head = header(("0043", "DET-14"), ("0043", "DET-15"), ("0043", "DET-17"))

    def values(k):
        return [(0, 2600), (1, 2600 if k < 30 else 0), (2, 5000 if k < 30 else 0)]

    _, log = described(tmp_path, head=head, values=values)
    np.testing.assert_allclose(log.table["width"], [5.2] * 30 + [2.6] * 30)
    (finding,) = [f for f in log.findings if f.field == "width"]
    assert finding.why == "widest of 2 rows of tools, 3 sections"


def two_logs(folder, apart, *, start=10.0, count=80):
    """Write a task whose second log runs beside the first, `apart` metres east."""
    lon = -93.62 + apart / (111_320 * math.cos(math.radians(42.03)))
    first = drive(60, values=lambda k: [(0, 9000)])
    second = drive(
        count,
        start=start,
        lat=42.03 + start * 1.8e-5,
        lon=lon,
        every=0.5,
        values=lambda k: [(0, k % 2), (1, 1_000_000 * k)],
    )
    logs = {
        "TLG00001": (header("0043"), first),
        "TLG00002": (header("008D", "0057"), second),
    }
    return write_set(folder, task("TLG00001", "TLG00002"), logs)


def test_logs_of_one_rig_that_run_together_are_laid_side_by_side(tmp_path):
    (log,) = read_logs(two_logs(tmp_path, 0.5))
    table = log.table
    # The second log has more places: its rows, from 10 s to 49.5 s, and around them
    # what the first drove alone.
    seconds = table["seconds"] - EPOCH
    assert seconds.is_monotonic_increasing
    assert len(table) == 80 + 10 + 10
    beside = seconds.between(10, 49.5)
    np.testing.assert_array_equal(table["width"], 9.0)
    np.testing.assert_array_equal(table.loc[beside, "work_state"], np.arange(80) % 2)
    assert table.loc[~beside, "work_state"].isna().all()
    (note,) = [n for n in log.notes if n.code == "iso.logs_aligned"]
    assert "TLG00001 and TLG00002 run at the same time" in note.sentence


def test_a_value_is_not_lent_when_it_is_too_old(tmp_path):
    first = drive(10, values=lambda k: [(0, 9000)])
    first += drive(10, start=150.0, lat=42.0327, values=lambda k: [(0, 9000)])
    second = drive(160, values=lambda k: [(0, 1)])
    logs = {
        "TLG00001": (header("0043"), first),
        "TLG00002": (header("008D"), second),
    }
    (log,) = read_logs(write_set(tmp_path, task("TLG00001", "TLG00002"), logs))
    known = np.isfinite(log.table["width"])
    seconds = (log.table["seconds"] - EPOCH).to_numpy()
    np.testing.assert_array_equal(seconds[known], [*range(70), *range(150, 160)])


def test_two_machines_in_one_task_stay_two(tmp_path):
    one, two = read_logs(two_logs(tmp_path, 40.0))
    assert (one.part, two.part) == ("Harvest, TLG00001", "Harvest, TLG00002")
    assert (len(one.table), len(two.table)) == (60, 80)
    (note,) = [n for n in one.notes if n.code == "iso.machines_apart"]
    assert "2 machines drove in it at the same time" in note.sentence
    assert one.table["width"].notna().all()
    assert two.table["width"].isna().all()


def test_a_later_log_goes_to_the_machine_that_was_nearest(tmp_path):
    folder = two_logs(tmp_path, 400.0)
    lon = -93.62 + 400.0 / (111_320 * math.cos(math.radians(42.03)))
    later = drive(20, start=300.0, lat=42.031, lon=lon, values=lambda k: [(0, 1)])
    (folder / "TLG00003.XML").write_bytes(header("008D"))
    (folder / "TLG00003.BIN").write_bytes(b"".join(later))
    root = (folder / "TASKDATA.XML").read_text()
    more = '<TLG A="TLG00003" C="1"/></TSK>'
    (folder / "TASKDATA.XML").write_text(root.replace("</TSK>", more))
    one, two = read_logs(folder)
    assert (one.part, two.part) == (
        "Harvest, TLG00001",
        "Harvest, TLG00002 and TLG00003",
    )
    assert len(two.table) == 100


def test_logs_that_touch_in_time_follow_each_other(tmp_path):
    logs = {
        "TLG00001": (header("0043"), drive(60)),
        "TLG00002": (header("0043"), drive(60, start=58.0, lat=42.0310)),
    }
    (log,) = read_logs(write_set(tmp_path, task(*logs), logs))
    assert len(log.table) == 120
    assert "iso.logs_aligned" not in {n.code for n in log.notes}
    # `row` counts on over the joined logs.
    np.testing.assert_array_equal(log.table["row"], np.arange(1, 121))


@pytest.mark.parametrize(
    ("numbers", "sent", "flow"),
    [
        (("0057",), [(0, 13_000_000)], 13.0),
        # 18 l/s of 720 g/l.
        (("0056", "0079"), [(0, 18_000), (1, 720_000)], 12.96),
        (("0056",), [(0, 18_000)], math.nan),
        # 1 kg/m2 on 9 m at 2 m/s.
        (("0054", "0043", "018D"), [(0, 1_000_000), (1, 9000), (2, 2000)], 18.0),
        (
            ("0053", "0079", "0043", "018D"),
            [(0, 1000), (1, 720_000), (2, 9000), (3, 2000)],
            0.001 * 720.0 * 18.0,
        ),
    ],
)
def test_mass_flow_by_every_way_a_machine_may_tell_it(tmp_path, numbers, sent, flow):
    logs = {"TLG00001": (header(*numbers), drive(values=lambda k: sent))}
    (log,) = read_logs(write_set(tmp_path, task("TLG00001"), logs))
    np.testing.assert_allclose(log.table["mass_flow"], flow)


def test_depth_may_be_below_zero_and_a_fill_value_is_none(tmp_path):
    def values(k):
        return [(0, -50 if k < 30 else 0x7FFFFFFF), (1, -1 if k < 30 else 9000)]

    logs = {"TLG00001": (header("0034", "0043"), drive(values=values))}
    (log,) = read_logs(write_set(tmp_path, task("TLG00001"), logs))
    depth = log.table["extra_ddi_0034"]
    np.testing.assert_allclose(depth[:30], -0.05)
    assert depth[30:].isna().all()
    assert log.table["width"][:30].isna().all()
    np.testing.assert_allclose(log.table["width"][30:], 9.0)


def test_more_than_sixteen_sections(tmp_path):
    def values(k):
        return [(0, 0), (1, 0b01 << 30 if k == 1 else 0)]

    logs = {"TLG00001": (header(("00A1", "DET-1"), ("00A1", "DET-2")),
                         drive(3, values=values))}  # fmt: skip
    (log,) = read_logs(write_set(tmp_path, task("TLG00001"), logs))
    np.testing.assert_array_equal(log.table["work_state"], [0, 1, 0])


# Every field of a position, in every record or once for the log.
SIZES = {"A": "i", "B": "i", "C": "i", "D": "B", "E": "H", "F": "H", "G": "B",
         "H": "I", "I": "H"}  # fmt: skip
RAW = {"A": 420_300_000, "B": -936_200_000, "C": 301_520, "D": 4, "E": 12, "F": 7,
       "G": 18, "H": NOON - 200, "I": DAY}  # fmt: skip
TEXT = {"A": "42.03", "B": "-93.62", "C": "301520", "D": "4", "E": "1.2", "F": "0.7",
        "G": "18"}  # fmt: skip
SHOWN = {"A": ("latitude", 42.03), "B": ("longitude", -93.62),
         "C": ("altitude", 301.52), "D": ("quality", 4), "E": ("pdop", 1.2),
         "F": ("hdop", 0.7), "G": ("satellites", 18)}  # fmt: skip


@pytest.mark.parametrize("written", ["AB", "ABD", "ABCDEFG", "ABCDEFGHI", "ABFG",
                                     "ABEHI", "ABCI"])  # fmt: skip
@pytest.mark.parametrize("constant", ["", "D", "CDG", "EF"])
def test_every_field_of_a_position_in_records_or_in_the_header(written, constant):
    written = "".join(letter for letter in written if letter not in constant)
    place = " ".join(f'{letter}=""' for letter in written)
    place += " " + " ".join(f'{letter}="{TEXT[letter]}"' for letter in constant)
    head = header("0043", place=f"<PTN {place}/>")
    fields = [RAW[letter] for letter in written]
    layout = "<IH" + "".join(SIZES[letter] for letter in written) + "BBi"
    records = [
        struct.pack(layout, NOON + 1000 * k, DAY, *fields, 1, 0, 9000 + k)
        for k in range(4)
    ]
    log, notes = read_time_log(head, b"".join(records), name="T")
    assert notes == []
    assert log.n_records == 4
    for letter, (name, value) in SHOWN.items():
        column = getattr(log, name)
        if letter in written + constant:
            np.testing.assert_allclose(column, value, err_msg=name)
        else:
            assert np.isnan(column).all()
    if {"H", "I"} <= set(written):
        assert log.utc_offset == pytest.approx(1.7)  # the median of 0.2 to 3.2 s
    else:
        assert math.isnan(log.utc_offset)
    np.testing.assert_array_equal(log.carried(0), 9000 + np.arange(4))


@pytest.mark.parametrize("text", ["NaN", "inf", "-inf"])
def test_a_constant_that_is_no_number_is_no_place(text):
    head = header(place=f'<PTN A="{text}" B="-93.62" D=""/>')
    log, _ = read_time_log(head, struct.pack("<IHBB", NOON, DAY, 4, 0), name="T")
    assert np.isnan(log.latitude).all()


def carried_by_hand(records, index, max_age, max_gap):
    """Return what a signal carries, by the rules in plain words and plain Python."""
    rows = {}
    for at, values in records:
        rows.setdefault(at, []).extend(v for k, v in values if k == index)
    out, value, told, before = [], math.nan, -math.inf, None
    for at, sent in rows.items():
        if before is not None and at - before > max_gap:
            value = math.nan
        before = at
        if sent:
            value, told = sent[-1], at
        out.append(value if at - told <= max_age else math.nan)
    return out


@pytest.mark.parametrize("seed", range(8))
def test_carrying_is_as_by_hand(seed):
    random = np.random.default_rng(seed)
    seconds = np.cumsum(random.choice([0, 0, 1, 2, 7, 20], 200))
    records = []
    for second, count in zip(seconds, random.integers(0, 4, 200), strict=True):
        pairs = zip(
            random.integers(0, 3, count), random.integers(0, 99, count), strict=True
        )
        records.append((float(second), [(int(k), int(v)) for k, v in pairs]))
    data = b"".join(
        record(NOON + round(1000 * s), values=values) for s, values in records
    )
    log, _ = read_time_log(header("0043", "0057", "0063"), data, name="T")
    rules = [
        Wanted(0),
        Wanted(1, max_age=12.0, max_gap=10.0),
        Wanted(2, max_age=5.0),
    ]
    found = log.carry(rules).values
    for rule, column in zip(rules, found, strict=True):
        by_hand = carried_by_hand(records, rule.index, rule.max_age, rule.max_gap)
        np.testing.assert_array_equal(column, by_hand)


def test_reading_in_one_walk_is_reading_one_by_one():
    records = drive(50, values=lambda k: [(k % 3, k)])
    log, _ = read_time_log(header("0043", "0057", "0063"), b"".join(records), name="T")
    together = log.carry([Wanted(2), Wanted(0)], watched=[1])
    np.testing.assert_array_equal(together.values[0], log.carried(2))
    np.testing.assert_array_equal(together.values[1], log.carried(0))
    assert together.sent[1] == (17, 1, 49)
    rows, values = log.sent(1)
    assert (rows[0], values[-1], values.size) == (1, 49, 17)


def test_the_table_is_the_callers_to_change(tmp_path):
    logs = {"TLG00001": (header("0043"), drive(values=lambda k: [(0, 9000)]))}
    (log,) = read_logs(write_set(tmp_path, task("TLG00001"), logs))
    table = log.table
    table["heading"] = 0.0
    table.loc[0, "altitude"] = 1.0
    assert isinstance(table, pd.DataFrame)
    assert table.loc[0, "altitude"] == 1.0
