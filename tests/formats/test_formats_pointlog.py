"""Text logs become the same table whatever the monitor called its columns."""

from __future__ import annotations

import numpy as np
import pytest

from trafficmap.core.errors import CRSError, InputError
from trafficmap.core.tables import RAW_FIXES, require_table
from trafficmap.formats.logs import read_logs

N = 120
SPEED = 2.0


def drive(n=N, lon=-93.62, lat=42.03, speed=SPEED):
    """Drive north at a steady speed, a fix a second; one degree is 111 194.9 m."""
    seconds = np.arange(n)
    return np.full(n, lon), lat + seconds * speed / 111_194.9, seconds


def write(tmp_path, heading, columns, name="log.csv", mark=","):
    rows = [heading] + [mark.join(map(str, row)) for row in zip(*columns, strict=True)]
    path = tmp_path / name
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return path


def stamps(seconds):
    return [f"2026-10-20T12:{s // 60:02d}:{s % 60:02d}Z" for s in seconds]


def one(path, **told):
    (log,) = read_logs(path, **told)
    require_table(log.table, RAW_FIXES)
    return log


def test_a_plain_log_keeps_the_contract(tmp_path):
    lon, lat, seconds = drive()
    columns = (lon, lat, stamps(seconds), np.full(N, 4.47387), np.full(N, 30.0))
    log = one(write(tmp_path, "lon,lat,time,speed (mph),swath (ft)", columns))
    assert (log.clock, log.kind) == ("utc", "delimited text")
    np.testing.assert_allclose(log.table["speed"], 2.0, rtol=1e-5)
    np.testing.assert_allclose(log.table["width"], 9.144)
    assert log.table["row"].tolist() == list(range(2, N + 2))
    assert log.table["work_state"].isna().all()
    assert [n for n in log.notes if n.severity != "info"] == []


@pytest.mark.parametrize(
    ("unit", "factor"),
    [("m/s", 1.0), ("km/h", 3.6), ("mph", 2.236936), ("kn", 1.943844)],
)
def test_the_unit_of_speed_is_found_from_the_places(tmp_path, unit, factor):
    lon, lat, seconds = drive()
    columns = (lon, lat, stamps(seconds), np.full(N, SPEED * factor))
    log = one(write(tmp_path, "lon,lat,time,speed", columns))
    np.testing.assert_allclose(log.table["speed"], SPEED, rtol=1e-4)
    (finding,) = [f for f in log.findings if f.field == "speed"]
    assert (finding.unit, finding.assumed) == (unit, True)
    assert "agrees with the places" in finding.why


def test_speed_that_fits_no_unit_is_left_out_and_asked_for(tmp_path):
    lon, lat, seconds = drive()
    columns = (lon, lat, stamps(seconds), np.full(N, 3.1))
    path = write(tmp_path, "lon,lat,time,speed", columns)
    log = one(path)
    assert log.table["speed"].isna().all()
    assert [n.code for n in log.notes] == ["log.unit_missing"]
    told = one(path, units={"speed": "km/h"})
    np.testing.assert_allclose(told.table["speed"], 3.1 / 3.6)
    # It is taken as told, and said to be wrong.
    assert [n.code for n in told.notes] == ["log.speed_differs"]


def test_speed_comes_from_distance_and_time_of_each_row(tmp_path):
    lon, lat, seconds = drive()
    inches = np.full(N, SPEED / 0.0254)
    columns = (lon, lat, seconds + 5000, inches, np.ones(N))
    log = one(write(tmp_path, "lon,lat,clock_s,distance_in,cycle_s", columns))
    np.testing.assert_allclose(log.table["speed"], SPEED)
    assert log.clock == "no_epoch"


def test_units_that_change_the_answer_are_never_guessed(tmp_path):
    lon, lat, seconds = drive()
    columns = (lon, lat, stamps(seconds), np.full(N, 24), np.full(N, 7.6))
    log = one(write(tmp_path, "lon,lat,time,swath,flow", columns))
    assert log.table["width"].isna().all()
    assert log.table["mass_flow"].isna().all()
    assert [n.severity for n in log.notes] == ["check", "check"]
    told = one(
        write(tmp_path, "lon,lat,time,swath,flow", columns),
        units={"width": "ft", "mass_flow": "lb/s"},
    )
    np.testing.assert_allclose(told.table["width"], 7.3152)
    np.testing.assert_allclose(told.table["mass_flow"], 7.6 * 0.45359237)


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (["on", "off"], [1, 0]),
        (["Up", "Down"], [0, 1]),
        (["1", "0"], [1, 0]),
        (["true", "false"], [1, 0]),
        (["raised", "lowered"], [0, 1]),
        (["engaged", ""], [1, np.nan]),
    ],
)
def test_states_in_words(tmp_path, words, expected):
    lon, lat, seconds = drive(2)
    columns = (lon, lat, stamps(seconds), words)
    log = one(write(tmp_path, "lon,lat,time,header", columns))
    np.testing.assert_array_equal(log.table["work_state"], expected)


def test_a_state_nobody_knows_is_left_out(tmp_path):
    lon, lat, seconds = drive(2)
    columns = (lon, lat, stamps(seconds), ["33", "1"])
    log = one(write(tmp_path, "lon,lat,time,header", columns))
    assert log.table["work_state"].isna().all()
    assert [n.code for n in log.notes] == ["log.state_unknown"]


def test_yield_by_area_becomes_flow(tmp_path):
    lon, lat, seconds = drive()
    columns = (lon, lat, stamps(seconds), np.full(N, 10.0), np.full(N, 9.0),
               np.full(N, 2.0))  # fmt: skip
    path = write(tmp_path, "lon,lat,time,yield (t/ha),width (m),speed (m/s)", columns)
    log = one(path)
    # 10 t/ha is 1 kg/m2, over 9 m x 2 m/s.
    np.testing.assert_allclose(log.table["mass_flow"], 18.0)


def test_values_that_cannot_be_true_are_unknown(tmp_path):
    lon, lat, seconds = drive()
    width = np.full(N, 9.0)
    width[:3] = [9999, -1, 1e308]
    columns = (lon, lat, stamps(seconds), width)
    log = one(write(tmp_path, "lon,lat,time,width (m)", columns))
    assert log.table["width"].isna().sum() == 3
    assert [(n.code, n.count) for n in log.notes] == [("log.value_range", 3)]


def test_values_beyond_all_numbers_raise_no_warning(tmp_path):
    lon, lat, seconds = drive()
    mass = np.full(N, 5.0).astype(object)
    mass[:4] = ["1e308", "inf", "-inf", "5e-324"]
    lat = lat.astype(object)
    lat[8:10] = ["inf", "-inf"]
    log = one(
        write(
            tmp_path, "lon,lat,time,bin weight (t)", (lon, lat, stamps(seconds), mass)
        )
    )
    assert log.table["tank_mass"].isna().sum() == 3
    assert 0 <= log.table["tank_mass"].iloc[3] < 1e-300
    assert len(log.table) == N - 2


def test_text_in_a_column_of_numbers_costs_its_row(tmp_path):
    lon, lat, seconds = drive()
    lat = lat.astype(object)
    lat[4] = "ERROR"
    lon = lon.astype(object)
    lon[7] = "inf"
    log = one(write(tmp_path, "lon,lat,time", (lon, lat, stamps(seconds))))
    assert len(log.table) == N - 2
    assert [(n.code, n.count) for n in log.notes] == [("log.dropped", 2)]


def test_no_place_and_far_off_places_are_dropped(tmp_path):
    lon, lat, seconds = drive()
    lon[3], lat[3] = 0, 0
    lon[5] = 999
    log = one(write(tmp_path, "lon,lat,time", (lon, lat, stamps(seconds))))
    assert len(log.table) == N - 2


def test_too_many_bad_rows_refuse_the_log(tmp_path):
    lon, lat, seconds = drive()
    lon[: N // 2] = 0
    lat[: N // 2] = 0
    path = write(tmp_path, "lon,lat,time", (lon, lat, stamps(seconds)))
    with pytest.raises(InputError, match="60 of 120 rows are without a usable place"):
        read_logs(path)


def test_swapped_places_are_refused_with_the_line_to_write(tmp_path):
    lon, lat, seconds = drive()
    path = write(tmp_path, "lon,lat,time", (lat, lon, stamps(seconds)))
    with pytest.raises(
        InputError, match="latitude and longitude are swapped"
    ) as caught:
        read_logs(path)
    assert "columns = {latitude = 'lon', longitude = 'lat'}" in caught.value.hint
    told = one(path, columns={"latitude": "lon", "longitude": "lat"})
    np.testing.assert_allclose(told.table["longitude"], -93.62)


def test_a_sign_lost_in_part_is_refused(tmp_path):
    lon, lat, seconds = drive()
    lon[50:60] *= -1
    path = write(tmp_path, "lon,lat,time", (lon, lat, stamps(seconds)))
    with pytest.raises(InputError, match="10 of 120 rows in 'lon' have lost"):
        read_logs(path)


def test_degrees_and_minutes_run_together_are_refused(tmp_path):
    lon, lat, seconds = drive()
    together = [(np.trunc(v) * 100 + (v - np.trunc(v)) * 60) for v in (lon, lat)]
    path = write(tmp_path, "lon,lat,time", (*together, stamps(seconds)))
    with pytest.raises(InputError, match="degrees and minutes run together"):
        read_logs(path)


@pytest.mark.parametrize(
    "heading", ["easting,northing,time", "x,y,time", "lon,lat,time"]
)
def test_metres_need_the_code_of_their_system(tmp_path, heading):
    # 42.03 N 93.62 W in UTM zone 15 north, by PROJ 9.5.
    columns = (np.full(9, 448677.094), np.full(9, 4653293.018), stamps(range(9)))
    path = write(tmp_path, heading, columns)
    with pytest.raises(CRSError, match="metres or feet of a system that is not named"):
        read_logs(path)
    log = one(path, epsg=32615)
    np.testing.assert_allclose(log.table["longitude"], -93.62, atol=1e-8)
    np.testing.assert_allclose(log.table["latitude"], 42.03, atol=1e-8)
    with pytest.raises(CRSError, match="EPSG:999999' is not known"):
        read_logs(path, epsg=999999)


def test_feet_of_a_state_plane_work(tmp_path):
    # Massachusetts mainland in US survey feet: its origin 71.5 W, 41 N stands at
    # 656 166.667 ft east, 2 460 625 ft north (EPSG:2249: 200 km and 750 km).
    columns = (np.full(9, 656166.6667), np.full(9, 2460625.0), stamps(range(9)))
    log = one(write(tmp_path, "easting,northing,time", columns), epsg=2249)
    np.testing.assert_allclose(log.table["longitude"], -71.5, atol=1e-7)
    np.testing.assert_allclose(log.table["latitude"], 41.0, atol=1e-7)
    assert [n.code for n in log.notes] == ["crs.frame"]


@pytest.mark.parametrize(
    ("lat", "lon"),
    [
        ("42 1.8 N", "93 37.2 W"),
        ("42°01'48\" N", "93°37'12\" W"),
        ("N 42.03", "W 93.62"),
        ("42.03N", "93.62W"),
        (420300000, -936200000),
    ],
)
def test_degrees_in_other_dress(tmp_path, lat, lon):
    lat, lon = (f'"{str(text).replace(chr(34), chr(34) * 2)}"' for text in (lat, lon))
    columns = ([lat] * 3, [lon] * 3, stamps(range(3)))
    log = one(write(tmp_path, "lat,lon,time", columns))
    np.testing.assert_allclose(log.table["latitude"], 42.03, atol=1e-9)
    np.testing.assert_allclose(log.table["longitude"], -93.62, atol=1e-9)


def test_missing_and_foreign_columns_name_the_nearest(tmp_path):
    lon, lat, seconds = drive(3)
    path = write(tmp_path, "lang,bred,time", (lon, lat, stamps(seconds)))
    with pytest.raises(InputError, match="no column for the longitude") as caught:
        read_logs(path)
    assert "columns = {longitude" in caught.value.hint
    log = one(path, columns={"longitude": "lang", "latitude": "bred"})
    np.testing.assert_allclose(log.table["longitude"], lon)
    with pytest.raises(InputError, match="has no column 'bre' for latitude"):
        read_logs(path, columns={"longitude": "lang", "latitude": "bre"})
    with pytest.raises(InputError, match="nearest known is 'latitude'"):
        read_logs(path, columns={"lattitude": "bred"})


def test_two_columns_for_one_place_are_asked_about(tmp_path):
    lon, lat, seconds = drive(3)
    columns = (lon, lon + 1, lat, stamps(seconds))
    path = write(tmp_path, "lon,gps lon,lat,time", columns)
    log = one(path)  # the plain word wins
    np.testing.assert_allclose(log.table["longitude"], lon)
    path = write(tmp_path, "long,gps lon,lat,time", columns)
    with pytest.raises(InputError, match="long and gps lon can both be the longitude"):
        read_logs(path)


def test_several_machines_in_one_file_part(tmp_path):
    lon, lat, seconds = drive(4)
    columns = (lon, lat, stamps(seconds), ["a", "a", "b", "b"])
    logs = read_logs(write(tmp_path, "lon,lat,time,machine", columns))
    assert [(log.part, len(log.table)) for log in logs] == [("a", 2), ("b", 2)]


def test_names_of_crop_and_field_are_told(tmp_path):
    lon, lat, seconds = drive(3)
    columns = (lon, lat, stamps(seconds), ["corn"] * 3, ["North"] * 3, [7] * 3)
    log = one(write(tmp_path, "lon,lat,time,crop,field,passno", columns))
    assert (log.crop, log.field_name) == ("corn", "North")
    assert log.table["extra_passno"].tolist() == [7, 7, 7]


@pytest.mark.real
@pytest.mark.parametrize(
    ("name", "rows", "width", "clock", "crop"),
    [
        ("mo_soy_2000_1hz.csv", 21917, 7.3152, "utc", "soybeans"),
        ("mo_corn_3days_1hz.csv", 31815, 4.572, "no_epoch", "corn"),
    ],
)
def test_yield_monitor_logs(shared_data, name, rows, width, clock, crop):
    log = one(shared_data / "yield_monitor" / name)
    assert len(log.table) == rows
    assert log.table["width"].median() == pytest.approx(width)
    assert (log.clock, log.crop) == (clock, crop)
    found = {f.field: f for f in log.findings}
    assert found["time"].assumed
    assert found["mass_flow"].unit == "lb/s"
    assert set(log.table["work_state"].unique()) == {0.0, 1.0}
    # Grain moisture in per cent becomes a fraction; combines drive 1 to 3 m/s.
    assert 0.08 < log.table["moisture"].median() < 0.25
    assert 1.0 < log.table["speed"].median() < 3.0
    # Its own distance agrees with its places, or a note would say otherwise.
    assert "log.speed_differs" not in [n.code for n in log.notes]
    clock_notes = [n for n in log.notes if n.code.startswith(("log.no_", "log.epoch"))]
    assert [n.severity for n in clock_notes] == ["check"]
