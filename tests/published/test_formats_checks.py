"""Numbers of file formats that stand outside this project, beside their source."""

from __future__ import annotations

import struct
from datetime import UTC, datetime

import numpy as np
import pytest

from trafficmap.core.units import to_si
from trafficmap.formats.clocks import read_clock
from trafficmap.formats.crs import to_longitude_latitude
from trafficmap.formats.epochs import gps_to_unix
from trafficmap.formats.isoxml import read_task_data
from trafficmap.formats.isoxml.devices import ground_offset
from trafficmap.formats.isoxml.timelog import EPOCH_1980, read_time_log

# The first record of TLG00001 of a public forage harvester log (repository
# isoxml-dotnet of its test data, Apache-2.0), read by hand against the record layout
# of ISO 11783-10: time, date, north, east, status, number of values, then pairs.
FIRST_RECORD = bytes.fromhex("e09bc103 1339 dd988820 e0391606 0f")
HEADER = b"""<TIM A="" D="4"><PTN A="" B="" D=""/><DLV A="0043" B="" C="DET-1"/>
<DLV A="0054" B="" C="DET-1"/><DLV A="0057" B="" C="DET-1"/></TIM>"""


def test_first_record_of_a_public_harvester_log():
    pairs = bytes.fromhex("0028230000 020c5dc600")
    log, notes = read_time_log(HEADER, FIRST_RECORD + b"\x02" + pairs, name="TLG00001")
    assert notes == []
    # Bytes e0 9b c1 03 are 63 020 000 ms of the day; 13 39 is day 14 611 since 1980;
    # the task list of the same set writes 2020-01-02T17:30:20.
    assert log.seconds[0] == datetime(2020, 1, 2, 17, 30, 20, tzinfo=UTC).timestamp()
    # dd 98 88 20 is 545 822 941 and e0 39 16 06 is 102 119 904, in 1e-7 degree.
    assert log.latitude[0] == pytest.approx(54.5822941, abs=1e-12)
    assert log.longitude[0] == pytest.approx(10.2119904, abs=1e-12)
    assert np.isnan(log.quality[0])  # status 15: unknown
    # 28 23 00 00 is 9 000 mm of width; 0c 5d c6 00 is 12 999 948 mg/s of crop.
    assert log.carried(0)[0] == 9000
    assert log.carried(2)[0] == 12_999_948
    assert pytest.approx(46.80, abs=0.005) == 12.999948 * 3.6  # t/h


def test_a_record_with_every_field_worked_by_hand():
    # Packed by hand after ISO 11783-10: all nine position fields and two values.
    raw = bytes.fromhex(
        "20ac5303 e43f e0440d19 c0b832c8 d0990400 04 0c00 0700 12 58ab5303 e43f"
        "02 00c4090000 0360cb1401"
    )
    assert len(raw) == 41
    head = (
        b'<TIM A="" D="4"><PTN A="" B="" C="" D="" E="" F="" G="" H="" I=""/>'
        + b'<DLV A="018D" B="" C="D"/>' * 3
        + b'<DLV A="004B" B="" C="D"/></TIM>'
    )
    log, _ = read_time_log(head, raw, name="TLG00001")
    moment = datetime(2024, 10, 12, 15, 30, 15, 200_000, tzinfo=UTC)
    assert log.seconds[0] == pytest.approx(moment.timestamp(), abs=1e-6)
    assert (log.latitude[0], log.longitude[0]) == pytest.approx((42.03, -93.62))
    assert log.altitude[0] == pytest.approx(301.520)
    assert log.quality[0] == 4
    assert (log.pdop[0], log.hdop[0], log.satellites[0]) == pytest.approx(
        (1.2, 0.7, 18)
    )
    assert log.utc_offset == pytest.approx(0.2)
    assert log.carried(0)[0] == 2500
    assert log.carried(3)[0] * 1e-3 == pytest.approx(18_140)  # g to kg


def test_days_since_1980_and_degrees_by_hand():
    day = (datetime(2024, 10, 12, tzinfo=UTC).timestamp() - EPOCH_1980) / 86_400
    assert day == 16_356
    assert struct.pack("<H", 16_356) == bytes.fromhex("e43f")
    assert struct.pack("<i", -936_200_000) == bytes.fromhex("c0b832c8")


@pytest.mark.parametrize(
    ("heading", "forward", "right", "east", "north", "tolerance"),
    [
        # By hand from the axes of ISO 11783-10 (forward and right; from memory).
        (0, -0.87, 0, 0, -0.87, 1e-12),
        (90, 2, 1, 2, -1, 1e-12),
        # Half a unit of the last digit of the hand result.
        (30, -2.0, 0.5, -0.5670, -1.9821, 5e-5),
    ],
)
def test_an_offset_on_the_machine_stands_on_the_ground(
    heading, forward, right, east, north, tolerance
):
    found = ground_offset(forward, right, heading=heading)
    assert found == pytest.approx((east, north), abs=tolerance)


def test_a_place_in_utm_zone_15():
    # PROJ 9.5 (pyproj), EPSG:4326 to EPSG:32615, printed to the millimetre.
    lon, lat, notes = to_longitude_latitude(
        np.array([448_677.094]), np.array([4_653_293.018]), epsg=32615, name="check"
    )
    # Half a millimetre is 6e-9 degree here.
    assert (lon[0], lat[0]) == pytest.approx((-93.62, 42.03), abs=6e-9)
    assert notes == []


def test_spreadsheet_day_by_hand():
    # Day 45 577 of the count that has 1900-01-01 as day 2 is 12 October 2024.
    import pandas as pd

    days = pd.Series([45_577.5, 45_577.5 + 1 / 86_400], name="time")
    clock = read_clock(days, None, name="log.csv", n_rows=2)
    noon = datetime(2024, 10, 12, 12, tzinfo=UTC).timestamp()
    assert clock.seconds[0] == pytest.approx(noon, abs=1e-3)


def test_gps_seconds_of_the_last_leap_second():
    # GPS has been 18 s ahead of UTC since 2017-01-01 (IERS Bulletin C 52; from memory).
    utc = datetime(2020, 1, 1, tzinfo=UTC).timestamp()
    gps = utc - datetime(1980, 1, 6, tzinfo=UTC).timestamp() + 18
    assert gps_to_unix(np.array([gps]))[0] == utc


def test_pounds_a_second_and_inches():
    # International pound 0.45359237 kg and inch 25.4 mm (agreement of 1959).
    assert to_si(1.0, "lb/s") == 0.45359237
    assert to_si(288.0, "in") == pytest.approx(7.3152, abs=1e-12)


# Below: public data beside the checkout; counts are of the files' own bytes.


@pytest.fixture(scope="module")
def harvest(shared_data):
    return read_task_data(shared_data / "isoxml_forage_harvest")


@pytest.mark.real
def test_whole_harvester_log(harvest):
    (log,) = harvest.tasks[0].logs
    assert log.n_records == 4_716
    assert np.diff(log.seconds).max() == 6
    place = [s.number for s in log.signals].index(0x005A)
    _, mass = log.sent(place)
    # The running counter begins at 13 kg and ends at 259 618; the task's own total,
    # which the machine wrote apart, is 259 605.
    assert (mass[0], mass[-1]) == (13, 259_618)
    assert harvest.tasks[0].spans[0].totals[(0x005A, "DET-1")] == 259_605


@pytest.mark.real
@pytest.mark.parametrize(
    ("task", "records", "last"), [(1, 4135, 242_481), (2, 1599, 91_885)]
)
def test_two_more_harvester_logs(harvest, task, records, last):
    (log,) = harvest.tasks[task].logs
    assert log.n_records == records
    place = [s.number for s in log.signals].index(0x005A)
    assert log.sent(place)[1][-1] == last


@pytest.mark.real
def test_all_harvester_logs(harvest):
    logs = [log for task in harvest.tasks for log in task.logs]
    assert len(logs) == 15
    assert sum(log.n_records for log in logs) == 38_044
    steps = [np.diff(log.seconds) for log in logs]
    assert min(step.min() for step in steps) > 0
    assert max(step.max() for step in steps) == 19
    assert harvest.notes == ()


@pytest.mark.real
def test_a_log_of_events(shared_data):
    data = read_task_data(shared_data / "isoxml_small" / "sparse-events-47-values")
    (log,) = data.tasks[0].logs
    assert log.n_records == 7_017
    assert len(log.signals) == 47
    # 6 220 of its 7 016 steps are 0 ms, so 797 rows remain.
    assert log.seconds.size == 7_017 - 6_220
    assert np.count_nonzero(log.value_row == 0) >= 46


@pytest.mark.real
def test_a_grid_of_values(shared_data):
    # The library that published this file tests for 1 005 at this place.
    data = read_task_data(shared_data / "isoxml_small" / "grid-type2")
    grid = data.tasks[0].grid
    row, col = grid.row_col(7.2251319728, 52.2240239571)
    assert (row, col) == (10, 15)
    assert grid.values[row, col, 0] == 1005


@pytest.mark.real
def test_a_grid_of_zones(shared_data):
    # Its stated length of 22 896 bytes is wrong: there are 100, south-west first.
    data = read_task_data(shared_data / "isoxml_small" / "grid-type1")
    grid = data.tasks[0].grid
    assert grid.values[0].tolist() == [18, 15, 23, 23, 14, 6, 11, 5, 9, 11]
    unknown = [n for n in data.notes if n.code == "iso.unknown_zone"]
    assert len(unknown) == 22
