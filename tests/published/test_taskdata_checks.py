"""Task data: numbers outside this project that its readers and writers must meet."""

from __future__ import annotations

import numpy as np
import pytest
from pyproj import Geod

from trafficmap.formats.isoxml import read_task_data, task_logs
from trafficmap.formats.isoxml.ddi import DATA_ITEMS
from trafficmap.formats.isoxml.records import Records
from trafficmap.formats.isoxml.write import millimetres

GEOD = Geod(ellps="WGS84")


@pytest.mark.published(
    "{inches} in as whole millimetres of a depth",
    source="1 in is 25.4 mm, halves up, by hand",
    mark="definition",
)
@pytest.mark.parametrize(
    ("inches", "expected", "raw"),
    [(14, 356, "64010000"), (16, 406, "96010000")],
)
def test_a_depth_in_whole_millimetres(published, inches, expected, raw):
    depth = millimetres(inches * 0.0254)
    assert depth == published(expected, abs=0, of="depth [mm]")
    assert depth.to_bytes(4, "little") == bytes.fromhex(raw)


@pytest.mark.published(
    "A depth of 356 mm as a display shows it in inches",
    source="a value presentation of offset 0, scale 0.039370079, one decimal; by hand",
    mark="own working",
)
def test_a_depth_as_a_display_shows_it(published):
    from trafficmap.formats.isoxml.write import _VALUE_SHOWN

    scale, decimals = _VALUE_SHOWN["in"]
    shown = round(356 * float(scale), int(decimals))
    assert shown == published(14.0, abs=1e-9, of="shown [in]")


@pytest.mark.published(
    "A cell of 5 m at 42.03 degrees north",
    source="lengths of a degree on the WGS 84 ellipsoid, 111 073.866 m and "
    "82 811.835 m there",
    mark="second opinion",
)
def test_a_cell_of_five_metres_in_degrees(published):
    import geopandas as gpd
    import shapely
    from pyproj import CRS

    from trafficmap.formats.isoxml.write import task_grid

    crs = CRS.from_epsg(32615)
    square = shapely.box(448_577, 4_653_193, 448_777, 4_653_393)
    zones = gpd.GeoDataFrame(
        {"depth": [0.356], "keep_out": [False]}, geometry=[square], crs=crs
    )
    grid = task_grid(zones)
    assert grid.cell == 5.0
    # Nine decimals are rounded up, so half a unit of the sixth digit is left.
    assert (grid.height, grid.width) == published(
        (0.000045015, 0.000060378), abs=5e-9, of=("north [deg]", "east [deg]")
    )


@pytest.mark.published(
    "Bytes of the first record of a harvester log",
    source="bytes of a public harvester log, counted by hand after ISO 11783-10: "
    "6 of time, 8 of place, 1 of status, 1 of the count, 17 values of 5",
    mark="real log",
)
@pytest.mark.real
def test_the_length_of_a_record(published, shared_data):
    data = (shared_data / "isoxml_forage_harvest" / "TLG00001.bin").read_bytes()
    assert data[:6] == bytes.fromhex("e09bc1031339")
    assert (data[14], data[15]) == published((15, 17), abs=0, of=("status", "values"))
    (log,) = read_task_data(shared_data / "isoxml_forage_harvest").tasks[0].logs
    records = Records(data)
    first = records.walk(log.layout)
    assert first.sound_bytes == len(data)
    assert log.layout.offsets()[1] + 5 * data[15] == published(
        101, abs=0, of="bytes of the record"
    )


@pytest.mark.published(
    "Path of harvester log {task}",
    source="a public forage harvester log; geodesic steps of at most 30 s and 12 m/s "
    "summed by a second program",
    mark="second opinion",
)
@pytest.mark.real
@pytest.mark.parametrize(("task", "kilometres"), [(0, 7.10), (1, 6.59), (2, 3.27)])
def test_the_path_of_a_harvester_log(published, shared_data, task, kilometres):
    (log,) = read_task_data(shared_data / "isoxml_forage_harvest").tasks[task].logs
    _, _, step = GEOD.inv(
        log.longitude[:-1], log.latitude[:-1], log.longitude[1:], log.latitude[1:]
    )
    passed = np.diff(log.seconds)
    path = step[(passed <= 30.0) & (step <= 12.0 * passed)].sum()
    assert path / 1000 == published(kilometres, abs=0.005, of="path [km]")


@pytest.mark.published(
    "Share of a harvester log's fixes in its field",
    source="a public forage harvester log; counted by a second program",
    mark="second opinion",
)
@pytest.mark.real
def test_the_share_of_fixes_in_the_field(published, shared_data):
    import shapely

    data = read_task_data(shared_data / "isoxml_forage_harvest")
    (log,) = data.tasks[0].logs
    boundary = data.partfield(data.tasks[0].partfield).boundary
    inside = shapely.contains_xy(boundary, log.longitude, log.latitude).mean()
    assert inside == published(0.98, abs=0.005, of="share")


@pytest.mark.published(
    "Area of a public field, stated and measured",
    source="attribute of a public harvester set; WGS 84 ellipsoid area by PROJ",
    mark="second opinion",
)
@pytest.mark.real
def test_a_stated_area_is_not_the_measured_one(published, shared_data):
    field = read_task_data(shared_data / "isoxml_forage_harvest").partfield("PFD-2")
    area, _ = GEOD.geometry_area_perimeter(field.boundary)
    assert field.stated_area == published(46_316, abs=0, of="stated [m2]")
    assert abs(area) == published(43_993, abs=0.5, of="measured [m2]")


COUNTED = {"T1": 48_300, "T2": 40_500, "T3": 19_500, "T4": 30_100, "T5": 17_900,
           "T8": 48_200, "T10": 50_800, "T11": 49_000, "T13": 13_900, "T14": 45_900,
           "T15": 17_900, "T17": 13_400, "T19": 22_000, "T20": 7_500}  # fmt: skip


@pytest.mark.published(
    "Area a harvester counted in its records, task {task}",
    source="the task's own total, which the machine wrote apart from its records",
    mark="real log",
)
@pytest.mark.real
@pytest.mark.parametrize("task", COUNTED)
def test_the_area_a_harvester_counted(published, shared_data, task):
    data = read_task_data(shared_data / "isoxml_forage_harvest")
    found = {
        t.id.replace("TSK", "T"): log
        for t, log in zip(data.tasks, task_logs(data), strict=True)
    }
    assert found[task].counters["area"] == published(
        COUNTED[task], abs=0, of="area [m2]"
    )


@pytest.mark.published(
    "A drive on the road: how far the record clock is ahead of UTC",
    source="starts written with Z in the task list against the first records, by hand",
    mark="real log",
)
@pytest.mark.real
def test_the_clock_of_a_drive_on_the_road(published, shared_data):
    data = read_task_data(shared_data / "isoxml_small" / "harvester-on-road")
    (task,) = data.tasks
    (log,) = task_logs(data)
    first = task.logs[0].seconds[0] - log.table["seconds"].iloc[0]
    assert first == published(7200.0, abs=1e-6, of="ahead [s]")
    assert log.clock == "utc"


UNITS = {"m": 1.0, "mm": 1e-3, "ml": 1e-6, "g": 1e-3, "kg": 1.0, "mg/l": 1e-3,
         "mg/m²": 1e-6, "ml/m²": 1e-6, "mm³/m²": 1e-9, "ml/s": 1e-6, "mg/s": 1e-6,
         "ppm": 1e-6, "m²": 1.0, "s": 1.0, "mm/s": 1e-3, "Pa": 1.0, "": 1.0,
         "n.a.": 1.0}  # fmt: skip


@pytest.mark.published(
    "Data dictionary number {number:04X}: raw number times this is SI",
    source="data dictionary as the isoxml package carries it: unit times resolution",
    mark="second opinion",
)
@pytest.mark.parametrize("number", sorted(DATA_ITEMS))
def test_a_number_of_the_data_dictionary(published, number):
    from isoxml.models.ddi_entities import DDEntity

    entry = DDEntity.from_id(number)
    expected = entry.bit_resolution * UNITS[entry.unit]
    ours = DATA_ITEMS[number].factor
    assert ours == published(expected, rel=1e-12, of=entry.name.split(" as [")[0])
