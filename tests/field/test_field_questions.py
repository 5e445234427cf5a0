"""`new` on logs that cannot be read yet: the file asks, and the answer is enough."""

from __future__ import annotations

import datetime as dt
import struct
import tomllib

import pytest

from trafficmap.core.errors import InputError
from trafficmap.field.read import read_field
from trafficmap.field.scaffold import new_field

WEST, SOUTH = -93.62, 42.03
START = dt.datetime(2026, 3, 4, 15, 0, 0)  # noqa: DTZ001


def drive(heading="longitude,latitude,time,flow (kg/s),moisture (%)", *, row=None):
    """Return a log of two minutes up a field, dates that can be read both ways."""
    lines = [heading]
    for k in range(120):
        stamp = f"{START + dt.timedelta(seconds=k):%m/%d/%Y %H:%M:%S}"
        place = (WEST, SOUTH + k * 1.35e-5)
        lines.append(
            row(k, place, stamp)
            if row
            else f"{place[0]:.7f},{place[1]:.7f},{stamp},5.0,15.0"
        )
    return "\n".join(lines) + "\n"


def start(tmp_path, text):
    log = tmp_path / "log.csv"
    log.write_text(text)
    (path,) = new_field(tmp_path / "new", [log])
    return path


def answered(path, line):
    """Take the mark away from one line, as a person does."""
    text = path.read_text()
    assert f"# {line}" in text
    path.write_text(text.replace(f"# {line}", line, 1))
    return read_field(path.parent)


def test_dates_that_read_two_ways_are_asked_with_both_readings(tmp_path):
    path = start(tmp_path, drive())
    text = path.read_text()
    assert "# NEEDED before this log can be read:" in text
    assert '# date_format = "mdy"  # 03/04/2026 15:00:00 is then 4 March 2026' in text
    assert '# date_format = "dmy"  # 03/04/2026 15:00:00 is then 3 April 2026' in text
    # What does not hang on the dates is known all the same.
    assert 'class = "combine_mid"' in text
    assert "# season = 2026" in text
    assert tomllib.loads(text)["field"]["units"] == "us"
    with pytest.raises(InputError, match="month/day or day/month"):
        read_field(path.parent)
    answer = 'time_zone = "America/Chicago"'
    path.write_text(text.replace(f"# {answer}", answer, 1))
    field, _ = answered(path, 'date_format = "dmy"')
    assert len(field.fixes) == 120
    assert field.fixes["time"].iloc[0].month == 4


def test_metres_ask_for_the_code_of_their_system(tmp_path):
    def row(k, place, stamp):
        return f"448677.1,{4653293.0 + k * 1.5},2026-10-14T15:{k // 60:02}:{k % 60:02}Z"

    path = start(tmp_path, drive("x,y,time", row=row))
    field, _ = answered(path, "epsg = 32615")
    assert len(field.fixes) == 120
    assert field.epsg == 32615


def test_columns_nobody_knows_are_asked_for(tmp_path):
    def row(k, place, stamp):
        stamp = f"2026-10-14T15:{k // 60:02}:{k % 60:02}Z"
        return f"{10 + k * 2.3e-6:.7f},{place[1]:.7f},{stamp}"

    path = start(tmp_path, drive("erste,zweite,time", row=row))
    text = path.read_text()
    # Either can be the longitude east of Greenwich: both readings, with their places.
    assert "# columns = {longitude = 'erste', latitude = 'zweite'}" in text
    assert "the log is then at 10.0001 E, 42.03" in text
    assert "the log is then at 42.0308 E, 10.0001 N" in text
    field, _ = answered(path, "columns = {longitude = 'erste', latitude = 'zweite'}")
    assert len(field.fixes) == 120
    assert field.epsg == 32632  # 10 degrees east


def test_degrees_run_together_are_asked_about(tmp_path):
    def row(k, place, stamp):
        return f"-9337.2000,{4201.8 + k * 8.1e-4:.5f},2026-10-14T15:00:{k % 60:02}Z"

    path = start(tmp_path, drive("lon,lat,time", row=row))
    line = 'units = {latitude = "ddmm", longitude = "ddmm"}'
    field, _ = answered(path, line)
    assert len(field.fixes) == 120


def test_a_log_with_a_question_does_not_keep_the_others_from_being_read(tmp_path):
    asks, plain = tmp_path / "a.csv", tmp_path / "b.csv"
    asks.write_text(drive())
    plain.write_text(
        drive(
            "lon,lat,time",
            row=lambda k, p, s: (
                f"{p[0]:.7f},{p[1]:.7f},2026-10-14T15:{k // 60:02}:{k % 60:02}Z"
            ),
        )
    )
    (path,) = new_field(tmp_path / "new", [asks, plain])
    keys = tomllib.loads(path.read_text())
    assert keys["field"]["season"] == 2026
    assert len(keys["log"]) == 2


def test_what_no_line_can_mend_is_still_refused(tmp_path):
    log = tmp_path / "a.csv"
    log.write_text("lon,lat,time\n1,2\n1,2\n1,2,3\n")
    with pytest.raises(InputError, match="have more or fewer"):
        new_field(tmp_path / "new", [log])
    assert not (tmp_path / "new").exists()


def test_a_log_of_the_network_starts_a_field(tmp_path):
    lines = []
    for k in range(120):
        moment = START.replace(tzinfo=dt.UTC).timestamp() + k
        place = round((SOUTH + k * 1.35e-5) * 1e7), round(WEST * 1e7)
        data = struct.pack("<ii", *place).hex().upper()
        lines.append(f"({moment:.6f}) can0 09F8011C#{data}")
        mass = struct.pack("<H", 2 * (4000 + 10 * k)).hex()
        lines.append(f"({moment:.6f}) can0 18FEEA1C#01{mass}FFFFFFFFFF")
    path = start(tmp_path, "\n".join(lines) + "\n")
    text = path.read_text()
    assert 'class = "grain_cart_single"' in text
    assert "# guess: tank_mass is the column message 65258, kg" in text
    field, notes = read_field(path.parent)
    assert len(field.fixes) == 120
    assert field.fixes["time"].notna().all()
    assert {"can.axles", "can.computer_clock"} <= {note.code for note in notes}
    (log,) = field.logs
    assert any("message 65258" in finding.column for finding in log.findings)
