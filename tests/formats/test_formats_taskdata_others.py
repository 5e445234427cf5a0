"""Task data by an independent library, read by ours, and real sets read by both."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import pytest
import shapely
from made_taskdata import drive, header

from trafficmap.formats.isoxml import read_task_data, task_logs

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # the other package's own
    import isoxml.models.base.v3 as iso3
    import isoxml.models.base.v4 as iso4
    from isoxml.converter import np_grid
    from isoxml.converter.shapely_geom import ShapelyConverterV3, ShapelyConverterV4
    from isoxml.util.isoxml_io import isoxml_from_path, isoxml_to_dir

CONVERTERS = {iso3: ShapelyConverterV3, iso4: ShapelyConverterV4}
VERSIONS = [(iso3, 3), (iso4, 4)]
SQUARE = shapely.Polygon(
    [(-93.62, 42.03), (-93.61, 42.03), (-93.61, 42.04), (-93.62, 42.04)],
    [[(-93.616, 42.034), (-93.614, 42.034), (-93.614, 42.036)]],
)
CODES = np.array([[0, 1, 2], [2, 2, 1]], dtype=np.uint8)


def opened(path):
    """Return a set as the other library reads it."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the other package's own
        return isoxml_from_path(Path(path))


def made(iso):
    """Return a set as the other library makes it."""
    to_polygon = CONVERTERS[iso]().to_iso_polygon
    field = iso.Partfield(id="PFD1", designator="North", area=900_000)
    field.polygons = [to_polygon(SQUARE, iso.PolygonType("1"))]
    device = iso.Device(id="DVC1", designator="Tractor", serial_number="7")
    device.properties = [
        iso.DeviceProperty(object_id=10, ddi=bytes([0, 0x86]), value=1500),
        iso.DeviceProperty(object_id=11, ddi=bytes([0, 0x88]), value=-2600),
    ]
    root = iso.DeviceElement(
        id="DET1", object_id=1, type=iso.DeviceElementType("1"), number=0,
        parent_object_id=0,
    )  # fmt: skip
    antenna = iso.DeviceElement(
        id="DET2", object_id=2, type=iso.DeviceElementType("7"), number=1,
        parent_object_id=1,
    )  # fmt: skip
    antenna.device_object_references = [
        iso.DeviceObjectReference(device_object_id=10),
        iso.DeviceObjectReference(device_object_id=11),
    ]
    device.elements = [root, antenna]
    grid = iso.Grid(
        minimum_north_position=42.03, minimum_east_position=-93.62,
        cell_north_size=0.005, cell_east_size=0.003, maximum_column=3, maximum_row=2,
        filename="GRD00001", type=iso.GridType("1"),
    )  # fmt: skip
    zones = []
    for code, depth in enumerate((0, 356, 406)):
        zone = iso.TreatmentZone(code=code, designator=f"zone {code}")
        zone.process_data_variables = [
            iso.ProcessDataVariable(
                process_data_ddi=bytes([0, 0x33]), process_data_value=depth
            )
        ]
        zones.append(zone)
    task = iso.Task(
        id="TSK1", designator="Harvest", partfield_id_ref="PFD1",
        status=iso.TaskStatus("4"), treatment_zones=zones, grids=[grid],
    )  # fmt: skip
    task.time_logs = [iso.TimeLog(filename="TLG00001", type=iso.TimeLogType("1"))]
    task.device_allocations = [iso.DeviceAllocation(device_id_ref="DVC1")]
    whole = iso.Iso11783TaskData(
        management_software_manufacturer="x", management_software_version="1",
        data_transfer_origin=iso.Iso11783TaskDataDataTransferOrigin("2"),
        partfields=[field], devices=[device], tasks=[task],
    )  # fmt: skip
    return whole, np_grid.from_numpy_array(CODES, grid)


@pytest.mark.parametrize(("iso", "version"), VERSIONS)
def test_a_set_made_by_another_library_is_read(tmp_path, iso, version):
    whole, grid = made(iso)
    log = b"".join(drive(values=lambda k: [(0, 9000)]))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the other package's own
        isoxml_to_dir(tmp_path, whole, {"GRD00001": grid, "TLG00001": log})
    (tmp_path / "TLG00001.XML").write_bytes(header("0043", element="DET1"))
    data = read_task_data(tmp_path)
    assert (data.version, data.notes) == ((version, 3), ())
    boundary = data.partfields[0].boundary
    assert shapely.equals(boundary, SQUARE)
    (task,) = data.tasks
    assert {z.code: z.values[0x0033] for z in task.zones} == {0: 0, 1: 356, 2: 406}
    np.testing.assert_array_equal(task.grid.values, CODES)
    assert task.grid.row_col(-93.6165, 42.0375) == (1, 1)
    (raw,) = task_logs(data)
    assert raw.described.antenna == pytest.approx((1.5, 0.0, 2.6))
    assert (raw.machine, len(raw.table)) == ("Tractor", 60)
    np.testing.assert_array_equal(raw.table["width"], 9.0)


@pytest.mark.real
@pytest.mark.parametrize(
    "name",
    [
        "isoxml_forage_harvest",
        "isoxml_small/tillage-implement",
        "isoxml_small/harvester-on-road",
        "isoxml_small/grid-type2",
    ],
)
def test_real_sets_are_read_as_another_library_reads_them(shared_data, name):
    theirs, binaries = opened(shared_data / name)
    ours = read_task_data(shared_data / name)
    convert = ShapelyConverterV4()
    for one, two in zip(ours.partfields, theirs.partfields, strict=True):
        assert one.id == two.id
        rings = [p for p in two.polygons if p.type.value == "1"]
        shapes = [convert.to_shapely_polygon(p) for p in rings]
        area = sum(shape.area for shape in shapes)
        assert (one.boundary.area if one.boundary else 0.0) == pytest.approx(area)
    for one, two in zip(ours.devices, theirs.devices, strict=True):
        told = [(e.id, e.object_id, int(e.type.value), e.parent_object_id)
                for e in two.elements]  # fmt: skip
        assert [(e.id, e.object_number, e.kind, e.parent) for e in one.elements] == told
    for one, two in zip(ours.tasks, theirs.tasks, strict=True):
        assert one.id == two.id
        assert list(one.log_names) == [log.filename for log in two.time_logs]
        for span, time in zip(one.spans, two.times, strict=True):
            totals = {
                (int.from_bytes(v.process_data_ddi), v.device_element_id_ref): (
                    v.process_data_value
                )
                for v in time.data_log_values
            }
            assert span.totals == totals
        if one.grid is not None:
            their_grid = np_grid.to_numpy_array(
                binaries[two.grids[0].filename], two.grids[0]
            )
            np.testing.assert_array_equal(one.grid.values[:, :, 0], their_grid)
