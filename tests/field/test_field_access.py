"""Strips of access, shifts of a system and lags: from field.toml to the maps."""

from __future__ import annotations

import json

import numpy as np
import pytest
import shapely

from trafficmap.core.errors import InputError, SettingsError
from trafficmap.core.layers import get_layer
from trafficmap.field import read_field
from trafficmap.field.report import check_lines
from trafficmap.pipeline import run

WEST, SOUTH = -93.62, 42.03
MIDDLE = WEST + 0.001
LANE = f"[[access]]\npoints = [[{MIDDLE}, {SOUTH - 0.0018}], [{MIDDLE}, {SOUTH}]]\n"


def lane(home, *, kind="LineString", name="lane.geojson", south=SOUTH - 0.0018):
    line = [[MIDDLE, south], [MIDDLE, south + 0.0018]]
    shape = {"type": kind, "coordinates": line}
    (home / name).write_text(json.dumps(shape), encoding="utf-8")


def drive_in(run_log):
    """Return a log from 178 m south of the field up to its middle."""
    rows = run_log(first=-148, count=268).splitlines()
    # Off the boundary nothing is worked.
    for k in range(1, 135):
        rows[k] = rows[k][:-1] + "0"
    return "\n".join(rows) + "\n"


@pytest.fixture
def lane_field(make_field, run_log):
    def build(more="", **log):
        home = make_field(more=more, **log)
        (home / "combine.csv").write_text(drive_in(run_log), encoding="utf-8")
        return home

    return build


def test_without_a_strip_the_road_is_left_out(lane_field):
    field, _ = read_field(lane_field())
    assert field.access is None
    result = run(field)
    assert "access" not in result.tray
    assert "access_m2" not in result.totals
    assert "tracks.road" in {note.code for note in result.notes}


def test_what_drives_on_a_strip_is_on_the_map(lane_field):
    home = lane_field(more=LANE + "width_m = 6.0\n")
    field, _ = read_field(home)
    assert field.access.area == pytest.approx(200.0 * 6.0 + 9 * np.pi, rel=0.02)
    plain = run(read_field(lane_field())[0])
    result = run(field)
    strip = get_layer(result.tray, "access")
    inside = get_layer(result.tray, "inside")
    cell = result.grid.cell_area
    beyond = field.access.difference(field.boundary)
    assert strip.sum() * cell == pytest.approx(beyond.area, rel=1e-4)
    assert result.totals["access_m2"] == pytest.approx(beyond.area, rel=1e-4)
    passes = get_layer(result.tray, "passes")
    only = (strip > 0.99) & (inside == 0)
    assert ((passes[only] > 0) & (passes[only] < 65535)).any()
    assert result.totals["access_run_over_m2"] > 0.2 * beyond.area
    # Nothing of the field itself changes by it.
    for name in ("run_over_share", "load_distance_mg_km_ha", "heaviest_axle_kg"):
        assert result.totals[name] == pytest.approx(plain.totals[name], rel=0.02)
    assert (
        result.zones.geometry.union_all()
        .difference(field.boundary.buffer(0.01))
        .is_empty
    )
    assert (result.fixes["state"] == "road").sum() < 30


def test_a_file_of_lines_needs_a_width_and_an_area_none(lane_field):
    home = lane_field(more='[[access]]\nfile = "lane.geojson"\n')
    lane(home)
    with pytest.raises(InputError) as error:
        read_field(home)
    assert error.value.sentence == (
        "lane.geojson: holds lines or points, need width_m to know how wide they are."
    )
    assert "width_m = 6.0" in error.value.hint
    ring = shapely.box(MIDDLE - 5e-5, SOUTH - 0.0018, MIDDLE + 5e-5, SOUTH)
    (home / "lane.geojson").write_text(shapely.to_geojson(ring), encoding="utf-8")
    field, _ = read_field(home)
    assert field.access.area == pytest.approx(8.28 * 200.0, rel=0.01)


def test_a_strip_elsewhere_is_refused_and_one_apart_is_told(lane_field):
    home = lane_field(more='[[access]]\nfile = "lane.geojson"\nwidth_m = 5.0\n')
    lane(home, south=SOUTH - 0.2)
    with pytest.raises(InputError, match="lies 22 km from the field"):
        read_field(home)
    lane(home, south=SOUTH - 0.0028)
    _, notes = read_field(home)
    (note,) = [note for note in notes if note.code == "access.apart"]
    assert note.sentence == (
        "lane.geojson: ends 109 m before the field; what is driven between them is "
        "left out."
    )
    far = shapely.LineString([(MIDDLE, SOUTH), (MIDDLE, SOUTH - 0.03)])
    (home / "lane.geojson").write_text(shapely.to_geojson(far), encoding="utf-8")
    _, notes = read_field(home)
    assert "access.long" in {note.code for note in notes}


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ("[[access]]\nwidth_m = 3.0\n", "access[1] has neither of file and points"),
        (
            '[[access]]\nfile = "a"\npoints = [[1, 2], [3, 4]]\nwidth_m = 3.0\n',
            "access[1] has both of file and points",
        ),
        ("[[access]]\npoints = [[1, 2], [3, 4]]\n", "access[1].width_m is missing"),
        (
            "[[access]]\npoints = [[1, 2]]\nwidth_m = 3.0\n",
            "access[1].points is a list, need a list of at least 2",
        ),
    ],
)
def test_keys_of_access_that_cannot_be(make_field, keys, words):
    with pytest.raises(SettingsError) as error:
        read_field(make_field(more=keys))
    assert words in error.value.sentence
    assert error.value.hint


def with_keys(home, keys):
    toml = (home / "field.toml").read_text(encoding="utf-8")
    toml = toml.replace('file = "combine.csv"\n', f'file = "combine.csv"\n{keys}\n')
    (home / "field.toml").write_text(toml, encoding="utf-8")
    return read_field(home)[0]


@pytest.mark.parametrize(
    "keys", ["frame_shift_m = [1.2, -0.5]", "frame_shift_ft = [3.937, -1.6404]"]
)
def test_a_shift_moves_all_places_of_the_log(make_field, keys):
    home = make_field()
    before = read_field(home)[0].fixes
    after = with_keys(home, keys).fixes
    np.testing.assert_allclose(after["easting"] - before["easting"], 1.2, atol=1e-3)
    np.testing.assert_allclose(after["northing"] - before["northing"], -0.5, atol=1e-3)


def test_what_a_log_says_of_its_receiver_reaches_the_run(make_field):
    field = with_keys(
        make_field(), 'position_lag_s = 2.0\ncorrection = "phone"\ninfer_turns = true'
    )
    facts = field.logs[0].facts
    assert (facts.position_lag, facts.correction, facts.infer_turns) == (
        2.0,
        "phone",
        True,
    )
    result = run(field)
    moved = result.fixes["seconds"].iloc[0] - field.fixes["seconds"].iloc[0]
    assert moved == pytest.approx(-2.0)
    (session,) = result.totals["sessions"]
    assert session["correction"] == "phone"
    assert (session["sigma_within"], session["sigma_shift"]) == (1.0, 3.0)


def test_check_and_run_tell_the_time_without_a_track(make_field, run_log):
    home = make_field()
    rows = run_log(count=140).splitlines()
    del rows[41:101]
    (home / "combine.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    field, _ = read_field(home)
    lines = check_lines(field)
    assert "Found: track of combine: 78 s on 1 day, 61 s missing." in lines
    (told,) = [line for line in lines if "there is no track" in line]
    assert told.startswith("Look at: combine: for 61 s of the 2 min")
    # The run draws it, since it can only have gone straight on.
    result = run(field)
    (row,) = result.totals["gaps"]
    assert (row["missing"], row["inferred"]) == (0.0, pytest.approx(61.0))
    assert result.totals["inferred_m"] == pytest.approx(61 * 1.5, rel=0.02)
    assert result.passes["inferred"].sum() == 1


@pytest.mark.parametrize("kind", ["combine_large", "grain_cart_single"])
def test_standing_still_adds_no_pass(make_field, run_log, kind):
    rows = run_log(count=120).splitlines()
    moved = run_log(first=-1, count=123).splitlines()[1:]
    at = moved[62].split(",")
    still = []
    for k in range(600):
        # Ten minutes in one place, the receiver wandering by decimetres.
        east = float(at[0]) + 2e-6 * np.sin(k / 40.0)
        clock = f"2026-10-14T15:{1 + k // 60:02d}:{k % 60:02d}Z"
        still.append(f"{east:.8f},{at[1]},{clock},0,6.0,0")
    late = []
    for k, row in enumerate(moved[63:]):
        cells = row.split(",")
        cells[2] = f"2026-10-14T15:{11 + k // 60:02d}:{k % 60:02d}Z"
        late.append(",".join(cells))
    start = rows[:61]
    log = "\n".join([*start, *still, *late]) + "\n"
    plain, _ = read_field(make_field(logs={"combine.csv": run_log(count=123)}))
    home = make_field(logs={"combine.csv": log})
    toml = (home / "field.toml").read_text(encoding="utf-8")
    (home / "field.toml").write_text(
        toml.replace('class = "combine_large"', f'class = "{kind}"'), encoding="utf-8"
    )
    field, _ = read_field(home)
    result = run(field)
    passes = get_layer(result.tray, "passes")
    assert passes[passes < 65535].max() == 1
    wheels = get_layer(result.tray, "wheel_passes")
    assert wheels[wheels < 65535].max() <= 4
    if kind == "combine_large":
        before = run(plain)
        assert result.totals["run_over_share"] == pytest.approx(
            before.totals["run_over_share"], rel=0.03
        )
