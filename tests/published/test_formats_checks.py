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


@pytest.mark.published(
    "First record of a harvester log",
    source="bytes of a public harvester log, read by hand after ISO 11783-10",
    mark="real log",
)
def test_first_record_of_a_public_harvester_log(published):
    pairs = bytes.fromhex("0028230000 020c5dc600")
    log, notes = read_time_log(HEADER, FIRST_RECORD + b"\x02" + pairs, name="TLG00001")
    assert notes == []
    # Bytes e0 9b c1 03 are 63 020 000 ms of the day; 13 39 is day 14 611 since 1980;
    # the task list of the same set writes 2020-01-02T17:30:20.
    moment = datetime(2020, 1, 2, 17, 30, 20, tzinfo=UTC).timestamp()
    assert log.seconds[0] == published(moment, abs=0, of="time [s since 1970]")
    # dd 98 88 20 is 545 822 941 and e0 39 16 06 is 102 119 904, in 1e-7 degree.
    assert log.latitude[0] == published(54.5822941, abs=1e-12, of="latitude [deg]")
    assert log.longitude[0] == published(10.2119904, abs=1e-12, of="longitude [deg]")
    assert np.isnan(log.quality[0])  # status 15: unknown
    # 28 23 00 00 is 9 000 mm of width; 0c 5d c6 00 is 12 999 948 mg/s of crop.
    assert log.carried(0)[0] == published(9000, abs=0, of="width [mm]")
    assert log.carried(2)[0] == published(12_999_948, abs=0, of="crop [mg/s]")
    assert published(46.80, abs=0.005, of="crop [t/h]") == 12.999948 * 3.6  # t/h


@pytest.mark.published(
    "A record packed by hand",
    source="ISO 11783-10, packed by hand",
    mark="own working",
)
def test_a_record_with_every_field_worked_by_hand(published):
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
    assert log.seconds[0] == published(
        moment.timestamp(), abs=1e-6, of="time [s since 1970]"
    )
    assert (log.latitude[0], log.longitude[0]) == published(
        (42.03, -93.62), of=("latitude [deg]", "longitude [deg]")
    )
    assert log.altitude[0] == published(301.520, of="altitude [m]")
    assert log.quality[0] == published(4, abs=0, of="quality")
    assert (log.pdop[0], log.hdop[0], log.satellites[0]) == published(
        (1.2, 0.7, 18), of=("PDOP", "HDOP", "satellites")
    )
    assert log.utc_offset == published(0.2, of="clock ahead of UTC [s]")
    assert log.carried(0)[0] == published(2500, abs=0, of="first value")
    assert log.carried(3)[0] * 1e-3 == published(18_140, of="mass [kg]")  # g to kg


@pytest.mark.published(
    "12 October 2024 in days since 1980",
    source="calendar",
    mark="definition",
)
def test_days_since_1980_and_degrees_by_hand(published):
    day = (datetime(2024, 10, 12, tzinfo=UTC).timestamp() - EPOCH_1980) / 86_400
    assert day == published(16_356, abs=0)
    assert struct.pack("<H", 16_356) == bytes.fromhex("e43f")
    assert struct.pack("<i", -936_200_000) == bytes.fromhex("c0b832c8")


@pytest.mark.published(
    "Offset {forward:g} forward, {right:g} right at {heading} degrees [m]",
    source="axes of ISO 11783-10 (from memory), by hand",
    mark="own working",
)
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
    published, heading, forward, right, east, north, tolerance
):
    found = ground_offset(forward, right, heading=heading)
    assert found == published((east, north), abs=tolerance, of=("east", "north"))


@pytest.mark.published(
    "A place in UTM zone 15 [deg]",
    source="PROJ 9.5, printed to the millimetre",
    mark="second opinion",
)
def test_a_place_in_utm_zone_15(published):
    # PROJ 9.5 (pyproj), EPSG:4326 to EPSG:32615, printed to the millimetre.
    lon, lat, notes = to_longitude_latitude(
        np.array([448_677.094]), np.array([4_653_293.018]), epsg=32615, name="check"
    )
    # Half a millimetre is 6e-9 degree here.
    assert (lon[0], lat[0]) == published(
        (-93.62, 42.03), abs=6e-9, of=("longitude", "latitude")
    )
    assert notes == []


@pytest.mark.published(
    "Spreadsheet day 45577.5 [s since 1970]",
    source="count that has 1900-01-01 as day 2",
    mark="definition",
)
def test_spreadsheet_day_by_hand(published):
    # Day 45 577 of the count that has 1900-01-01 as day 2 is 12 October 2024.
    import pandas as pd

    days = pd.Series([45_577.5, 45_577.5 + 1 / 86_400], name="time")
    clock = read_clock(days, None, name="log.csv", n_rows=2)
    noon = datetime(2024, 10, 12, 12, tzinfo=UTC).timestamp()
    assert clock.seconds[0] == published(noon, abs=1e-3)


@pytest.mark.published(
    "GPS seconds of 2020 [s since 1970]",
    source="18 s ahead since 2017: IERS Bulletin C 52",
    mark="from memory",
)
def test_gps_seconds_of_the_last_leap_second(published):
    # GPS has been 18 s ahead of UTC since 2017-01-01 (IERS Bulletin C 52; from memory).
    utc = datetime(2020, 1, 1, tzinfo=UTC).timestamp()
    gps = utc - datetime(1980, 1, 6, tzinfo=UTC).timestamp() + 18
    assert gps_to_unix(np.array([gps]))[0] == published(utc, abs=0)


@pytest.mark.published(
    "International units",
    source="agreement of 1959",
    mark="definition",
)
def test_pounds_a_second_and_inches(published):
    # International pound 0.45359237 kg and inch 25.4 mm (agreement of 1959).
    assert to_si(1.0, "lb/s") == published(
        0.45359237, abs=0, of="pound a second [kg/s]"
    )
    assert to_si(288.0, "in") == published(7.3152, abs=1e-12, of="288 in [m]")


# Below: public data beside the checkout; counts are of the files' own bytes.


@pytest.fixture(scope="module")
def harvest(shared_data):
    return read_task_data(shared_data / "isoxml_forage_harvest")


@pytest.mark.published(
    "Whole harvester log",
    source="a public forage harvester log, its own bytes and counters",
    mark="real log",
)
@pytest.mark.real
def test_whole_harvester_log(published, harvest):
    (log,) = harvest.tasks[0].logs
    assert log.n_records == published(4_716, abs=0, of="records")
    assert np.diff(log.seconds).max() == published(6, abs=0, of="longest step [s]")
    place = [s.number for s in log.signals].index(0x005A)
    _, mass = log.sent(place)
    # The running counter begins at 13 kg and ends at 259 618; the task's own total,
    # which the machine wrote apart, is 259 605.
    assert (mass[0], mass[-1]) == published(
        (13, 259_618), abs=0, of=("mass counter, first [kg]", "mass counter, last [kg]")
    )
    total = harvest.tasks[0].spans[0].totals[(0x005A, "DET-1")]
    assert total == published(259_605, abs=0, of="the task's own total [kg]")


@pytest.mark.published(
    "Harvester log of task {task}",
    source="a public forage harvester log, its own bytes and counters",
    mark="real log",
)
@pytest.mark.real
@pytest.mark.parametrize(
    ("task", "records", "last"), [(1, 4135, 242_481), (2, 1599, 91_885)]
)
def test_two_more_harvester_logs(published, harvest, task, records, last):
    (log,) = harvest.tasks[task].logs
    assert log.n_records == published(records, abs=0, of="records")
    place = [s.number for s in log.signals].index(0x005A)
    assert log.sent(place)[1][-1] == published(
        last, abs=0, of="mass counter, last [kg]"
    )


@pytest.mark.published(
    "All harvester logs",
    source="a public forage harvester log, its own bytes and counters",
    mark="real log",
)
@pytest.mark.real
def test_all_harvester_logs(published, harvest):
    logs = [log for task in harvest.tasks for log in task.logs]
    assert len(logs) == published(15, abs=0, of="logs")
    assert sum(log.n_records for log in logs) == published(38_044, abs=0, of="records")
    steps = [np.diff(log.seconds) for log in logs]
    assert min(step.min() for step in steps) > 0
    assert max(step.max() for step in steps) == published(
        19, abs=0, of="longest step [s]"
    )
    assert harvest.notes == ()


@pytest.mark.published(
    "A public log of events",
    source="its own bytes",
    mark="real log",
)
@pytest.mark.real
def test_a_log_of_events(published, shared_data):
    data = read_task_data(shared_data / "isoxml_small" / "sparse-events-47-values")
    (log,) = data.tasks[0].logs
    assert log.n_records == published(7_017, abs=0, of="records")
    assert len(log.signals) == published(47, abs=0, of="signals")
    # 6 220 of its 7 016 steps are 0 ms, so 797 rows remain.
    assert log.seconds.size == published(7_017 - 6_220, abs=0, of="rows")
    assert np.count_nonzero(log.value_row == 0) >= 46


@pytest.mark.published(
    "A public grid of values",
    source="the library that published it tests for 1005 here",
    mark="outside",
)
@pytest.mark.real
def test_a_grid_of_values(published, shared_data):
    # The library that published this file tests for 1 005 at this place.
    data = read_task_data(shared_data / "isoxml_small" / "grid-type2")
    grid = data.tasks[0].grid
    row, col = grid.row_col(7.2251319728, 52.2240239571)
    assert (row, col) == published((10, 15), abs=0, of=("row", "column"))
    assert grid.values[row, col, 0] == published(1005, abs=0, of="value")


@pytest.mark.published(
    "A public grid of zones",
    source="its own bytes",
    mark="real log",
)
@pytest.mark.real
def test_a_grid_of_zones(published, shared_data):
    # Its stated length of 22 896 bytes is wrong: there are 100, south-west first.
    data = read_task_data(shared_data / "isoxml_small" / "grid-type1")
    grid = data.tasks[0].grid
    row = [18, 15, 23, 23, 14, 6, 11, 5, 9, 11]
    assert grid.values[0].tolist() == published(
        row, abs=0, of=tuple(f"cell {i} of the first row" for i in range(10))
    )
    unknown = [n for n in data.notes if n.code == "iso.unknown_zone"]
    assert len(unknown) == published(22, abs=0, of="cells of unknown zone")
