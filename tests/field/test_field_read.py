"""The whole folder: one Field on one metric system, in SI, with every input hashed."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from trafficmap.core.errors import CRSError, InputError, SettingsError
from trafficmap.core.tables import DUG, FIXES, LIQUID, require_table
from trafficmap.field.read import read_field
from trafficmap.formats.logs import read_logs

ALL = """
[crop]
now = "Maize"
next = "soybeans"
harvested = 2026-10-20
fall_pass = "none"
yield_bu_ac = 60
price_per_bu = 10.0
last_tillage_depth_cm = 15
[soil]
texture = "silty clay"
swelling = true
plastic_limit_pct = 27.0
[tile]
state = "known"
cover_m = 0.9
[[liquid]]
machine = "combine"
rate_m3_ha = 90.0
dry_matter_pct = 4.0
injected_depth_m = 0.12
[[keep_out]]
kind = "buried line"
file = "line.geojson"
buffer_m = 5.0
located = true
[[tool]]
name = "in-line ripper, 7 shanks"
width_m = 5.33
shanks = 7
depth_min_m = 0.25
depth_max_in = 18
power_hp = 400
speed_km_h = 6.0
[price]
currency = "USD"
ripping_per_ac = 27.0
diesel_per_l = 1.0
[dug]
file = "dug.csv"
"""
LINE = json.dumps(
    {"type": "LineString", "coordinates": [[-93.62, 42.03], [-93.618, 42.032]]}
)
DUG_CSV = (
    "point,longitude,latitude,date,kind,wheeled,depth_in,value_psi,finding\n"
    "P1,-93.619,42.031,2026-10-22,probe,1,14,320,\n"
    "P1,-93.619,42.031,2026-10-22,Hand roll,yes,14,,cracks\n"
    "P2,-93.619,42.031,,rut,,3,,\n"
)


@pytest.fixture
def whole(make_field):
    return make_field(more=ALL, files={"line.geojson": LINE, "dug.csv": DUG_CSV})


def test_fixes_are_metres_and_utc(make_field):
    field, _ = read_field(make_field())
    require_table(field.fixes, FIXES)
    assert field.epsg == 32615
    assert len(field.fixes) == 120
    first = field.fixes.iloc[0]
    assert first["time"] == pd.Timestamp("2026-10-14T15:00:00Z")
    assert first["machine_id"] == "combine"
    # 1.35e-5 deg of latitude is 1.4996 m here, times the scale of the map, 0.9996.
    steps = np.diff(field.fixes["northing"])
    np.testing.assert_allclose(steps, 1.4990, atol=2e-3)


def test_everything_comes_out_in_si(whole):
    field, _ = read_field(whole)
    assert (field.crop.now, field.crop.next) == ("corn", "soybean")
    assert field.crop.harvested == "2026-10-20"
    assert field.crop.fall_pass == ""
    assert field.crop.last_tillage_depth == pytest.approx(0.15)
    # 60 bu/ac x 60 lb = 3 600 lb/ac = 4 035 kg/ha; 10 dollars for 27.2155 kg
    assert field.crop.yield_expected == pytest.approx(0.4035, abs=1e-4)
    assert field.crop.price == pytest.approx(10 / 27.2155, rel=1e-5)
    assert field.tile.cover == 0.9
    tool = field.tools[0]
    assert tool.depth_max == pytest.approx(0.4572)
    assert tool.power == pytest.approx(298_279.9, rel=1e-6)
    assert tool.speed == pytest.approx(6 / 3.6)
    assert field.prices.ripping == pytest.approx(27 / 4046.856, rel=1e-5)
    assert field.prices.fuel == pytest.approx(1000.0)
    assert field.soil.plastic_limit == pytest.approx(0.27)
    assert field.soil.swelling is True


def test_liquid_keeps_its_contract(whole):
    field, notes = read_field(whole)
    row = require_table(field.liquid, LIQUID).iloc[0]
    assert row["rate"] == pytest.approx(0.009)  # 90 m3/ha is 9 mm
    assert row["dry_matter"] == pytest.approx(0.04)
    assert row["depth"] == pytest.approx(0.12)
    assert row["width"] == pytest.approx(6.0)  # from the log, with a note
    assert [n.code for n in notes if n.code.startswith("liquid")] == ["liquid.assumed"]


def test_obstacles_are_metric_and_not_widened(whole):
    field, _ = read_field(whole)
    row = field.obstacles.iloc[0]
    assert field.obstacles.crs.to_epsg() == 32615
    assert (row["kind"], row["buffer"], bool(row["located"])) == (
        "buried line",
        5.0,
        True,
    )
    assert row["geometry"].geom_type == "LineString"
    assert row["geometry"].length == pytest.approx(277.0, abs=1.0)


def test_readings_keep_their_contract(whole):
    field, _ = read_field(whole)
    dug = require_table(field.dug, DUG)
    assert dug["kind"].tolist() == ["probe", "hand_roll", "rut"]
    assert dug["value"].iloc[0] == pytest.approx(320 * 6894.757)
    assert dug["value"].iloc[2] == pytest.approx(0.0762)  # depth of the rut
    assert dug["wheeled"].iloc[:2].tolist() == [1.0, 1.0]
    assert np.isnan(dug["wheeled"].iloc[2])
    assert pd.isna(dug["date"].iloc[2])


def test_every_input_is_named_with_its_hash(whole):
    field, _ = read_field(whole)
    listed = {entry["name"]: entry for entry in field.inputs}
    assert list(listed) == [
        "field.toml",
        "combine.csv",
        "boundary.geojson",
        "line.geojson",
        "dug.csv",
    ]
    for name, entry in listed.items():
        content = (whole / name).read_bytes()
        assert entry["sha256"] == hashlib.sha256(content).hexdigest()
        assert entry["bytes"] == len(content)


def test_a_machine_file_that_is_not_there_is_named(make_field):
    folder = make_field(more="trails = [{ file = 'gone.toml' }]")
    with pytest.raises(InputError, match=r"machine\.combine\.file is 'gone\.toml'"):
        read_field(folder)


def test_notes_come_worst_first_and_travel_with_the_field(make_field):
    field, notes = read_field(make_field())
    order = ["stop", "check", "info"]
    ranks = [order.index(note.severity) for note in notes]
    assert ranks == sorted(ranks)
    assert field.notes == tuple(notes)


def test_progress_goes_from_nothing_to_all(make_field):
    seen = []
    read_field(make_field(), progress=lambda share, what: seen.append((share, what)))
    shares = [share for share, _ in seen]
    assert shares == sorted(shares)
    assert shares[-1] == 1.0
    assert all(what for _, what in seen)


def test_a_split_log_joins_to_the_same_fixes(make_field, run_log):
    whole, _ = read_field(make_field())
    halves = {
        "one.csv": run_log(count=70),
        "two.csv": run_log(first=70, count=50),
    }
    split, _ = read_field(make_field(logs=halves))
    columns = ["time", "easting", "northing", "speed", "width", "work_state"]
    pd.testing.assert_frame_equal(whole.fixes[columns], split.fixes[columns])
    assert split.fixes["log_id"].tolist() == [0] * 70 + [1] * 50


def test_rows_stay_in_the_order_of_the_file(make_field, run_log):
    lines = run_log().splitlines()
    lines[40], lines[41] = lines[41], lines[40]
    field, _ = read_field(make_field(logs={"combine.csv": "\n".join(lines)}))
    assert field.fixes["row"].is_monotonic_increasing
    assert not field.fixes["time"].is_monotonic_increasing  # for cleaning to settle


def test_season_is_the_year_of_the_logs_when_not_given(make_field):
    folder = make_field()
    text = (folder / "field.toml").read_text().replace("season = 2026\n", "")
    (folder / "field.toml").write_text(text)
    field, notes = read_field(folder)
    assert field.season == 2026
    assert "season.assumed" in {note.code for note in notes}


def test_a_field_without_logs_is_still_a_field(make_field):
    field, notes = read_field(make_field(logs={}))
    assert field.fixes.empty
    require_table(field.fixes, FIXES)
    assert "log.missing" in {note.code for note in notes}


def test_worked_ground_stands_in_for_a_boundary(make_field):
    field, _ = read_field(make_field(boundary=""))
    # 119 steps of 1.4996 m, 6 m wide; the closing of gaps adds nothing to one run.
    assert field.area == pytest.approx(119 * 1.4996 * 6.0, rel=0.01)
    assert not field.boundary_given
    assert field.latitude == pytest.approx(42.031, abs=1e-3)


def test_road_travel_alone_has_no_boundary(make_field, run_log):
    road = run_log().replace(",6.0,1\n", ",6.0,0\n")
    field, notes = read_field(make_field(boundary="", logs={"road.csv": road}))
    assert field.boundary is None
    assert field.area == 0.0
    assert notes[0].code == "boundary.road_only"


def test_a_part_that_is_not_in_the_file(make_field, run_log):
    base = (
        "[field]\nname = 'a'\n{boundary}\n{field}{logs}part = 'North'\n"
        "[machine.combine]\nclass = 'combine_mid'\n{more}"
    )
    with pytest.raises(SettingsError, match="holds one log without a name") as caught:
        read_field(make_field(base=base))
    assert caught.value.hint == "correct part"


@pytest.fixture
def reader_says(monkeypatch):
    """Return a way to add to what the reader found in every log."""

    def say(**found):
        def read(path, **told):
            return [replace(raw, **found) for raw in read_logs(path, **told)]

        monkeypatch.setattr("trafficmap.field.logs.read_logs", read)

    return say


@pytest.mark.parametrize(
    ("more", "ahead", "told"),
    [
        ("", 0.87, True),  # as the machine describes itself
        ("antenna = { x = 1.5 }", 1.5, False),  # a person knows better
    ],
)
def test_the_antenna_sits_where_the_log_says(
    make_field, reader_says, more, ahead, told
):
    reader_says(antenna=(0.87, 0.1, 3.77))
    field, notes = read_field(make_field(more=more))
    assert field.machines["combine"].antenna.x == pytest.approx(ahead)
    assert ("machine.antenna" in {note.code for note in notes}) is told


def test_an_impossible_antenna_is_not_believed(make_field, reader_says):
    reader_says(antenna=(870.0, 0.0, 0.0))
    field, _ = read_field(make_field())
    assert field.machines["combine"].antenna.x < 10.0


def test_a_clock_some_seconds_off_says_how_to_mend_it(make_field, reader_says):
    reader_says(clock_error=17.6)
    _, notes = read_field(make_field())
    (note,) = [note for note in notes if note.code == "clock.error"]
    assert "runs 17.6 s ahead of UTC" in note.sentence
    assert "clock_offset_s = -17.6" in note.sentence


def test_a_log_in_metres_is_read_with_its_code(make_field):
    from pyproj import Transformer

    lines = []
    to_metres = Transformer.from_crs(4326, 32615, always_xy=True)
    for k in range(120):
        east, north = to_metres.transform(-93.619, 42.0302 + k * 1.35e-5)
        lines.append(f"{east:.3f},{north:.3f},2026-10-14T15:{k // 60:02}:{k % 60:02}Z")
    text = "easting,northing,time\n" + "\n".join(lines) + "\n"
    folder = make_field(logs={"combine.csv": text})
    with pytest.raises(CRSError, match="metres or feet of a system that is not named"):
        read_field(folder)
    keys = (folder / "field.toml").read_text()
    told = keys.replace('machine = "combine"', 'machine = "combine"\nepsg = 32615')
    (folder / "field.toml").write_text(told)
    field, _ = read_field(folder)
    assert field.epsg == 32615
    assert field.fixes["northing"].iloc[0] == pytest.approx(
        to_metres.transform(-93.619, 42.0302)[1], abs=0.001
    )
