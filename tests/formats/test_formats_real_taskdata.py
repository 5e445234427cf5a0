"""Task data of real machines, held against the machines' own counters."""

from __future__ import annotations

import shutil

import numpy as np
import pytest
from pyproj import Geod

from trafficmap.core import limits
from trafficmap.core.errors import InputError
from trafficmap.core.tables import RAW_FIXES, require_table
from trafficmap.formats.isoxml import read_task_data, task_logs
from trafficmap.formats.logs import read_logs

pytestmark = pytest.mark.real
GEOD = Geod(ellps="WGS84")
# The area counter lies 2.6 and 3.3 % below the distance counter times the width.
ODD_TASKS = {"TSK13": 14_267.0, "TSK17": 13_839.0}


def worked(table):
    """Return worked area [m2] and distance [m]: the later fix of a step decides."""
    lon, lat = table["longitude"].to_numpy(), table["latitude"].to_numpy()
    _, _, step = GEOD.inv(lon[:-1], lat[:-1], lon[1:], lat[1:])
    passed = np.diff(table["seconds"])
    on = table["work_state"].to_numpy()[1:] == 1
    counts = on & (passed > 0) & (passed <= limits.GAP_SECONDS) & (step <= 12 * passed)
    width = table["width"].to_numpy()[1:]
    return float((step * width)[counts].sum()), float(step[counts].sum())


@pytest.fixture(scope="module")
def harvest(shared_data):
    data = read_task_data(shared_data / "isoxml_forage_harvest")
    return data, task_logs(data)


def test_fourteen_tasks_on_fourteen_fields(harvest):
    data, logs = harvest
    assert (len(data.tasks), len(data.partfields), len(logs)) == (14, 14, 14)
    for log in logs:
        require_table(log.table, RAW_FIXES)
        assert (log.clock, log.machine) == ("wall", "HARVESTER")
        assert log.table["width"].max() == 9.0
        assert [n for n in log.notes if n.severity != "info"] == []


def test_worked_area_and_distance_meet_the_counters(harvest):
    data, logs = harvest
    for task, log in zip(data.tasks, logs, strict=True):
        area, distance = worked(log.table)
        counted = ODD_TASKS.get(task.id, log.counters["area"])
        assert area == pytest.approx(counted, rel=0.03), task.id
        assert distance == pytest.approx(log.counters["distance"], rel=0.05), task.id


def test_counters_of_records_and_of_tasks_agree(harvest):
    data, logs = harvest
    keys = {"mass": 0x5A, "area": 0x74, "duration": 0x77, "idle_duration": 0x78}
    for task, log in zip(data.tasks, logs, strict=True):
        totals = {n: raw for (n, _), raw in task.spans[-1].totals.items()}
        assert {k: log.counters[k] for k in keys} == {
            k: totals[n] for k, n in keys.items()
        }


def test_flow_adds_up_to_the_mass_counter(harvest):
    _, logs = harvest
    for log in logs:
        passed = np.diff(log.table["seconds"], prepend=np.nan)
        known = np.isfinite(log.table["mass_flow"]) & (
            passed <= limits.RATE_GAP_SECONDS
        )
        mass = float((log.table["mass_flow"] * passed)[known].sum())
        # The flow is a reading once a second of what the counter adds up inside.
        assert mass == pytest.approx(log.counters["mass"], rel=0.05), log.part


def test_most_fixes_lie_in_their_field(harvest):
    import shapely

    data, logs = harvest
    for task, log in zip(data.tasks, logs, strict=True):
        boundary = data.partfield(task.partfield).boundary
        points = shapely.points(log.table["longitude"], log.table["latitude"])
        assert 0.90 < shapely.contains(boundary, points).mean() <= 1.0


def test_boundary_areas_are_measured_not_believed(harvest):
    data, _ = harvest
    area, _ = GEOD.geometry_area_perimeter(data.partfields[0].boundary)
    assert abs(area) == pytest.approx(43_993, abs=1)
    assert data.partfields[0].stated_area == 46_316


def test_a_broken_header_is_read_as_far_as_it_goes(shared_data, tmp_path):
    source = shared_data / "isoxml_forage_harvest"
    with pytest.raises(InputError, match=r"broken_header: is a folder"):
        read_logs(source / "broken_header")
    with pytest.raises(InputError, match=r"TLG00003\.xml: is damaged"):
        read_logs(source / "broken_header" / "TLG00003.xml")
    for name in ("TASKDATA.XML", "TLG00002.bin", "TLG00002.xml", "TLG00003.bin"):
        shutil.copy(source / name, tmp_path)
    shutil.copy(source / "broken_header" / "TLG00003.xml", tmp_path)
    logs = read_logs(tmp_path)
    notes = [n for log in logs for n in log.notes]
    stops = {n.where for n in notes if n.severity == "stop"}
    assert "TLG00001" in stops  # named by its task, not there
    assert "TLG00003" not in stops
    (cut,) = [n for n in notes if n.code == "iso.header_cut"]
    assert "TLG00003.xml: is damaged, it breaks off at byte" in cut.sentence
    assert "what it describes before that was read, 26 values." in cut.sentence
    # Only the end of the header is missing, so the log is as with the whole one.
    whole = {log.part: log for log in read_logs(source)}
    for log in logs:
        assert log.table.equals(whole[log.part].table)


def test_a_lost_header_is_made_good_by_the_other_logs(shared_data, tmp_path):
    source = shared_data / "isoxml_forage_harvest"
    for name in ("TASKDATA.XML", "TLG00002.bin", "TLG00002.xml", "TLG00003.bin"):
        shutil.copy(source / name, tmp_path)
    logs = {log.part: log for log in read_logs(tmp_path)}
    whole = {log.part: log for log in read_logs(source)}
    assert len(logs) == 2
    for part, log in logs.items():
        assert log.table.equals(whole[part].table)
    assert "iso.header_borrowed" in {n.code for log in logs.values() for n in log.notes}
    # Alone it still gives the whole track.
    (tmp_path / "TLG00002.bin").unlink()
    (tmp_path / "TLG00002.xml").unlink()
    (log,) = read_logs(tmp_path)
    places = ["longitude", "latitude", "seconds", "row"]
    assert log.table[places].equals(whole[log.part].table[places])
    assert np.isnan(log.table["work_state"]).all()


def test_a_drive_on_the_road(shared_data):
    (log,) = read_logs(shared_data / "isoxml_small" / "harvester-on-road")
    area, distance = worked(log.table)
    assert (area, distance) == (0, 0)
    assert (log.counters["area"], log.counters["distance"]) == (0, 0)
    # The record clock is two hours ahead of the start written with its zone.
    assert log.clock == "utc"
    assert abs(log.clock_error) < 120
    # The counter of the road is in whole hundred metres a log.
    lon, lat = log.table["longitude"].to_numpy(), log.table["latitude"].to_numpy()
    _, _, step = GEOD.inv(lon[:-1], lat[:-1], lon[1:], lat[1:])
    assert step.sum() / 1000 == pytest.approx(45.85 + 2.61, rel=0.01)
    assert log.table["speed"].max() < 12


def test_a_clock_that_was_never_set(shared_data):
    (log,) = read_logs(shared_data / "isoxml_small" / "sparse-events-47-values")
    assert log.clock == "no_epoch"
    assert [n.code for n in log.notes if n.severity == "check"] == ["iso.clock_unset"]
    assert log.counters["area"] > 0


def test_a_set_without_a_version(shared_data):
    data = read_task_data(shared_data / "isoxml_small" / "synthetic-100-records")
    assert data.version is None
    (log,) = task_logs(data)
    assert len(log.table) == 100
    # Midnight in the records against 10:03:43Z in the task is no zone.
    assert log.clock == "wall"
    assert len(data.partfields[0].boundary.geoms[0].interiors) == 1


def test_an_implement_that_can_be_set_to_a_depth(shared_data):
    folder = shared_data / "isoxml_small" / "tillage-implement"
    data = read_task_data(folder)
    settable = [
        element.name
        for device in data.devices
        for element in device.elements
        if 0x0033 in element.settable
    ]
    assert len(settable) >= 1
    with pytest.raises(InputError, match="no log in it can be used"):
        read_logs(folder)
