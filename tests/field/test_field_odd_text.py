"""What a person with an odd text log is told: it must be true and lead on."""

from __future__ import annotations

import numpy as np
import pytest

from trafficmap.core.errors import InputError
from trafficmap.field.read import read_field
from trafficmap.field.report import check_lines
from trafficmap.field.toml import read_field_toml
from trafficmap.formats.logs import read_logs

WEST, SOUTH = -93.62, 42.03
ROWS = 150


def log(tmp_path, heading, row, *, name="log.csv"):
    """Return a log of a straight drive north, a row a second at 2 m/s."""
    lines = [heading]
    lines += [row(k, SOUTH + k * 1.8e-5, WEST) for k in range(ROWS)]
    path = tmp_path / name
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def read_one(path):
    (raw,) = read_logs(path)
    return raw


def folder(tmp_path, path):
    (tmp_path / "field.toml").write_text(
        'schema = 1\n[field]\nname = "odd"\n[[log]]\n'
        f'file = "{path.name}"\nmachine = "tractor"\n'
        '[machine.tractor]\nclass = "tractor_front_assist"\n',
        encoding="utf-8",
    )
    return tmp_path


@pytest.mark.parametrize("seconds", ["gps_seconds", "GPS Time (s)", "tow"])
def test_seconds_beside_a_gps_week_are_those_of_the_week(tmp_path, seconds):
    # 12 October 2026 15:00:00 UTC is 140 418 s (18 leap seconds on) into week 2440.
    path = log(
        tmp_path,
        f"gps_week,{seconds},lat,lon",
        lambda k, a, o: f"2440,{140_418 + k},{a:.7f},{o:.7f}",
    )
    raw = read_one(path)
    assert raw.clock == "utc"
    assert raw.table["seconds"].iloc[0] == 1_791_817_200.0


def test_a_time_of_day_beside_a_week_is_no_second_of_the_week(tmp_path):
    path = log(
        tmp_path,
        "week,gps_time,lat,lon",
        lambda k, a, o: f"2440,{150_000 + k // 60 * 100 + k % 60},{a:.7f},{o:.7f}",
    )
    assert read_one(path).clock != "utc"


@pytest.mark.parametrize("heading", ["seconds", "sec", "elapsed (s)"])
def test_seconds_that_run_past_the_minute_are_a_clock(tmp_path, heading):
    path = log(
        tmp_path,
        f"{heading},lat,lon,speed",
        lambda k, a, o: f"{k + 12},{a:.7f},{o:.7f},2",
    )
    raw = read_one(path)
    assert raw.clock == "no_epoch"
    assert raw.table["seconds"].iloc[-1] - raw.table["seconds"].iloc[0] == ROWS - 1
    # With a clock the unit of speed is known from the places.
    assert np.allclose(raw.table["speed"], 2.0)


def test_seconds_of_the_minute_alone_are_no_clock(tmp_path):
    path = log(tmp_path, "sec,lat,lon", lambda k, a, o: f"{k % 60},{a:.7f},{o:.7f}")
    assert read_one(path).clock == "order"


@pytest.mark.parametrize(
    ("latitude", "longitude"),
    [("Breitengrad", "Längengrad"), ("Breite", "Länge"), ("Latitud", "Longitud"),
     ("Breedtegraad", "Lengtegraad"), ("latitude", "longitude")],
)  # fmt: skip
def test_places_are_known_in_other_languages(tmp_path, latitude, longitude):
    path = log(
        tmp_path,
        f"Datum;{latitude};{longitude};Geschwindigkeit [km/h]",
        lambda k, a, o: f"46307,{6_250_000 + 116 * k};{a:.7f};{o:.7f};7,2".replace(
            ".", ","
        ),
    )
    table = read_one(path).table
    assert table["longitude"].iloc[0] == pytest.approx(WEST)
    assert table["latitude"].iloc[0] == pytest.approx(SOUTH)
    assert np.allclose(table["speed"], 2.0)


def test_the_line_for_a_missing_place_names_what_can_be_one(tmp_path):
    path = log(
        tmp_path,
        "stamp,lat,across,remark,rpm",
        lambda k, a, o: f"{k + 1000},{a:.7f},{o:.7f},text,{1800 + k}",
    )
    with pytest.raises(InputError, match="no column for the longitude") as caught:
        read_logs(path)
    line = "columns = {longitude = 'across', latitude = 'lat'}"
    assert line in str(caught.value.hint)


@pytest.mark.parametrize(
    ("above", "words"),
    [("a log\n", "1 line before the column names was skipped."),
     ("a log\nof mine\n", "2 lines before the column names were skipped.")],
)  # fmt: skip
def test_lines_before_the_names_are_counted_in_grammar(tmp_path, above, words):
    path = log(tmp_path, f"{above}time,lat,lon", lambda k, a, o: f"{k},{a:.7f},{o:.7f}")
    assert any(note.sentence.endswith(words) for note in read_one(path).notes)


def test_check_claims_no_time_of_a_log_without_a_clock(tmp_path):
    path = log(tmp_path, "lat,lon", lambda k, a, o: f"{a:.7f},{o:.7f}")
    field, _ = read_field(folder(tmp_path, path))
    assert field.clockless == (0,)
    lines = check_lines(field)
    said = "Found: track of tractor: for how long is not known without a clock."
    assert said in lines
    assert not any("column ''" in line or "nothing missing" in line for line in lines)


def test_check_claims_no_day_of_a_log_without_a_date(tmp_path):
    path = log(tmp_path, "time (s),lat,lon", lambda k, a, o: f"{k},{a:.7f},{o:.7f}")
    field, _ = read_field(folder(tmp_path, path))
    assert field.clockless == ()
    said = "Found: track of tractor: 2 min in 1 log without a date to trust, "
    assert f"{said}nothing missing." in check_lines(field)


@pytest.mark.parametrize(
    ("names", "words"),
    [
        ([], "make one with: trafficmap new"),
        (["a"], "the field is in"),
        (["a", "b", "c", "d"], "it holds 4 fields; give one of them:"),
    ],
)
def test_a_folder_of_fields_names_them(tmp_path, names, words):
    for name in names:
        (tmp_path / name).mkdir()
        (tmp_path / name / "field.toml").write_text("schema = 1\n")
    with pytest.raises(InputError, match=r"holds no field\.toml") as caught:
        read_field_toml(tmp_path)
    hint = str(caught.value.hint)
    assert hint.startswith(words)
    assert hint.endswith("and 1 more") == (len(names) == 4)


@pytest.mark.parametrize(("metres", "seconds"), [(2.0, 1.0), (10.0, 4.0), (40.0, 16.0)])
def test_rows_far_apart_without_a_clock_are_no_drive_on_the_road(
    tmp_path, metres, seconds
):
    path = log(
        tmp_path,
        "lat,lon",
        lambda k, a, o: f"{SOUTH + k * metres / 111_073.0:.8f},{o:.7f}",
    )
    raw = read_one(path)
    assert raw.clock == "order"
    assert np.diff(raw.table["seconds"]) == pytest.approx(seconds, rel=0.01)
    paced = [n for n in raw.notes if n.code == "log.pace_assumed"]
    assert len(paced) == (metres > 5.0)
    if paced:
        assert paced[0].sentence == (
            f"log.csv: without a clock its rows, {metres:.0f} m apart, are taken as "
            "driven at 9 km/h."
        )
    field, _ = read_field(folder(tmp_path, path))
    assert field.boundary is not None
