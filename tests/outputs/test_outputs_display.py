"""Task data and shapefile: valid, read back by others, and never too deep."""

from __future__ import annotations

import json
import re
import warnings
import xml.etree.ElementTree as ET
from pathlib import Path

import fiona
import geopandas as gpd
import numpy as np
import pytest
import shapefile as pyshp
import shapely
from pyproj import Geod

from trafficmap.core.errors import InputError
from trafficmap.formats.isoxml import read_task_data, write
from trafficmap.formats.isoxml.write import task_data_files, task_grid
from trafficmap.outputs import display

CASES = [(version, form) for version in (3, 4) for form in ("grid", "polygons")]


def make(result, **options):
    return display.taskdata(
        result.zones,
        boundary=result.field.boundary,
        field_name=result.field.name,
        tool_width=5.33,
        **options,
    )


def xml_of(files):
    return ET.fromstring(files["TASKDATA/TASKDATA.XML"])


def schema_v43():
    lxml = pytest.importorskip("lxml.etree")
    package = pytest.importorskip("isoxml_writer")
    folder = Path(package.__path__[0]) / "ISOXML_schema"
    return lxml, lxml.XMLSchema(lxml.parse(str(folder / "ISO11783_TaskFile_V4-3.xsd")))


@pytest.mark.parametrize("form", ["grid", "polygons"])
def test_version_4_keeps_the_public_schema(result, form):
    lxml, schema = schema_v43()
    document = lxml.fromstring(
        make(result, version=4, form=form)["TASKDATA/TASKDATA.XML"]
    )
    schema.assertValid(document)


# Attributes of version 3.3 we write: pattern of each, * where required. From the public
# schema ISO11783_TaskFile_V3-3.xsd; only what our files use.
NUMBER, TEXT = r"-?\d+(\.\d{1,9})?", r".{1,32}"
V33 = {
    "ISO11783_TaskData": {
        "VersionMajor": "*3", "VersionMinor": "*3", "DataTransferOrigin": "*[12]",
        "ManagementSoftwareManufacturer": f"*{TEXT}",
        "ManagementSoftwareVersion": f"*{TEXT}",
    },
    "PFD": {"A": r"*PFD-?\d+", "C": f"*{TEXT}", "D": r"*\d+"},
    "PLN": {"A": "*[1-8]", "B": TEXT},
    "LSG": {"A": "*[1-9]"},
    "PNT": {"A": "*[12]", "C": f"*{NUMBER}", "D": f"*{NUMBER}"},
    "VPN": {"A": r"*VPN-?\d+", "B": r"*-?\d+", "C": r"*\d+\.\d{1,9}", "D": "*[0-7]",
            "E": TEXT},
    "TSK": {"A": r"*TSK-?\d+", "B": TEXT, "E": r"PFD-?\d+", "G": "*[1-4]",
            "H": r"\d{1,3}", "I": r"\d{1,3}", "J": r"\d{1,3}"},
    "TZN": {"A": r"*\d{1,3}", "B": TEXT, "C": r"\d{1,3}"},
    "PDV": {"A": "*[0-9A-F]{4}", "B": r"*-?\d+", "E": r"VPN-?\d+"},
    "GRD": {"A": f"*{NUMBER}", "B": f"*{NUMBER}", "C": r"*0\.\d{9}", "D": r"*0\.\d{9}",
            "E": r"*\d+", "F": r"*\d+", "G": r"*GRD\d{5}", "H": r"\d+", "I": "*[12]"},
}  # fmt: skip
CHILDREN = {
    "ISO11783_TaskData": {"PFD", "VPN", "TSK"},
    "PFD": {"PLN"},
    "PLN": {"LSG"},
    "LSG": {"PNT"},
    "TSK": {"TZN", "GRD"},
    "TZN": {"PLN", "PDV"},
}


@pytest.mark.parametrize("form", ["grid", "polygons"])
def test_version_3_keeps_its_rules(result, form):
    for element in xml_of(make(result, form=form)).iter():
        rules = V33[element.tag]
        for name, rule in rules.items():
            assert not rule.startswith("*") or name in element.attrib
        for name, value in element.attrib.items():
            assert re.fullmatch(rules[name].lstrip("*"), value), (
                element.tag,
                name,
                value,
            )
        assert {child.tag for child in element} <= CHILDREN.get(element.tag, set())
        if element.tag == "LSG":
            assert len(element) >= 4
            assert element[0].attrib == element[-1].attrib


@pytest.mark.parametrize(("version", "form"), CASES)
def test_zone_0_rules_everywhere_nothing_was_decided(result, version, form):
    root = xml_of(make(result, version=version, form=form))
    task = root.find("TSK")
    assert [task.get(name) for name in "HIJ"] == ["0", "0", "0"]
    zones = {z.get("A"): z for z in task.findall("TZN")}
    depths = {code: zone.find("PDV").get("B") for code, zone in zones.items()}
    assert depths == {"0": "0", "1": "356", "2": "406"}
    assert {zone.find("PDV").get("A") for zone in zones.values()} == {"0033"}
    assert zones["0"].get("B") == "leave alone"
    assert zones["0"].find("PLN") is None


def test_leave_alone_depth_can_be_lifted_above_ground(result):
    root = xml_of(make(result, leave_alone_depth=-50))
    assert root.find("TSK/TZN/PDV").get("B") == "-50"


def grid_codes(files):
    attributes = xml_of(files).find("TSK/GRD").attrib
    rows, cols = int(attributes["F"]), int(attributes["E"])
    raw = np.frombuffer(files["TASKDATA/GRD00001.BIN"], dtype=np.uint8)
    assert raw.size == rows * cols == int(attributes["H"])
    return raw.reshape(rows, cols), {k: float(attributes[k]) for k in "ABCD"}


def test_grid_puts_each_zone_where_it_lies(result):
    """The cell of a point: row from the south, column from the west."""
    codes, at = grid_codes(make(result))
    in_degrees = result.zones.to_crs(4326)
    expected = {1: 1, 2: 2, 4: 0, 6: 0, 8: 0, 9: 0, 0: 0}
    for zone, code in expected.items():
        shape = in_degrees.geometry[result.zones["zone"] == zone].iloc[0]
        point = shapely.maximum_inscribed_circle(
            max(shapely.get_parts(shape), key=lambda part: part.area)
        ).coords[0]
        row = int((point[1] - at["A"]) / at["C"])
        col = int((point[0] - at["B"]) / at["D"])
        assert codes[row, col] == code, zone


def test_grid_area_is_the_zones_area(result):
    codes, _ = grid_codes(make(result))
    for code, zone in ((1, 1), (2, 2)):
        area = float(result.zones.loc[result.zones["zone"] == zone, "area"].iloc[0])
        # Cells along the outline: 5 m cells on pieces 50 to 60 m wide.
        assert np.count_nonzero(codes == code) * 25.0 == pytest.approx(area, rel=0.06)


def test_the_cell_is_5_m_or_half_the_tool_and_grows_with_the_field(result):
    zones = display.depths_for_display(result.zones)
    assert task_grid(zones).cell == 5.0
    assert task_grid(zones, tool_width=12.0).cell == 6.0
    large = zones.set_geometry(
        zones.geometry.scale(10, 10, origin=zones.geometry.iloc[0].centroid)
    )
    grid = task_grid(large)
    assert grid.cell == pytest.approx(2600 / 250, rel=0.01)
    assert max(grid.codes.shape) <= 250


def test_a_cell_that_touches_kept_out_ground_is_left_alone():
    """A buried line 1 m wide through ripped ground zeroes every cell it enters."""
    box = shapely.box(500_000, 4_650_000, 500_100, 4_650_100)
    line = shapely.box(500_048, 4_650_000, 500_049, 4_650_100)
    zones = gpd.GeoDataFrame(
        {"depth": [0.4, 0.0], "keep_out": [False, True]},
        geometry=[box.difference(line), line],
        crs=32615,
    )
    codes = task_grid(zones, boundary=box).codes
    assert (codes == 0).any(axis=1).all()
    assert (codes == 1).any()


def test_only_rip_goes_deep():
    """Whatever stands in the depth column, another advice is 0; hypothesis by hand."""
    advice = ["leave", "probe first", "wait", "manage", "keep out", "stop",
              "carry only",
              "level ruts only", "not assessed"]  # fmt: skip
    boxes = [shapely.box(500_000 + 50 * k, 0, 500_050 + 50 * k, 50) for k in range(9)]
    zones = gpd.GeoDataFrame(
        {"zone": range(9), "kind": "body", "advice": advice, "depth": 0.4,
         "risk": "likely", "reason": "x"},
        geometry=boxes, crs=32615,
    )  # fmt: skip
    assert (display.depths_for_display(zones)["depth"] == 0).all()
    files = display.taskdata(
        zones, boundary=shapely.union_all(boxes), field_name="f", tool_width=None
    )
    assert set(files["TASKDATA/GRD00001.BIN"]) == {0}


def test_rip_without_a_depth_is_refused(result):
    zones = result.zones.assign(depth=np.nan)
    with pytest.raises(InputError, match="zone 1: says rip but has no depth"):
        display.depths_for_display(zones)


@pytest.mark.parametrize(("version", "form"), CASES)
def test_a_second_reader_sees_the_same(result, tmp_path, version, form):
    isoxml = pytest.importorskip("isoxml.util.isoxml_io")
    files = make(result, version=version, form=form)
    for name, content in files.items():
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(content)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the other package's own
        data, binaries = isoxml.isoxml_from_path(tmp_path / "TASKDATA")
    task = data.tasks[0]
    depths = {
        int(z.code): int(z.process_data_variables[0].process_data_value)
        for z in task.treatment_zones
    }
    assert depths == {0: 0, 1: 356, 2: 406}
    if form == "grid":
        stored = next(iter(binaries.values()))
        assert bytes(stored) == files["TASKDATA/GRD00001.BIN"]
    else:
        assert len(task.treatment_zones[1].polygons) == 2


@pytest.mark.parametrize(("version", "form"), CASES)
def test_our_own_reader_sees_the_same(result, tmp_path, version, form):
    files = make(result, version=version, form=form)
    for name, content in files.items():
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(content)
    data = read_task_data(tmp_path)
    assert (data.version, data.notes) == ((version, 3), ())
    (task,) = data.tasks
    assert {z.code: z.values[0x0033] for z in task.zones} == {0: 0, 1: 356, 2: 406}
    assert task.default_zone == 0
    (field,) = data.partfields
    area, _ = Geod(ellps="WGS84").geometry_area_perimeter(field.boundary)
    assert abs(area) == pytest.approx(field.stated_area, abs=1.0)
    if form == "grid":
        stored = files["TASKDATA/GRD00001.BIN"]
        assert task.grid.values.tobytes() == stored
    else:
        assert [z.geometry is not None for z in task.zones] == [False, True, True]


def test_polygons_keep_holes_and_area(result):
    root = xml_of(make(result, form="polygons"))
    zone = root.findall("TSK/TZN")[1]
    rings = [
        [(float(p.get("D")), float(p.get("C"))) for p in line]
        for line in zone.iter("LSG")
    ]
    area = (
        gpd.GeoSeries([shapely.Polygon(r) for r in rings], crs=4326).to_crs(32615).area
    )
    expected = result.zones.loc[result.zones["zone"] == 1, "area"].iloc[0]
    assert area.sum() == pytest.approx(expected, rel=1e-4)


def test_a_hole_drawn_like_its_outline_is_taken_off_the_area(result):
    """Files draw holes either way round; 20 by 20 m are 0.04 ha less."""
    whole = result.field.boundary
    middle = whole.representative_point()
    pond = shapely.box(
        middle.x - 10, middle.y - 10, middle.x + 10, middle.y + 10, ccw=True
    )
    outline = shapely.orient_polygons(whole).exterior
    stated = []
    for hole in (pond.exterior.coords, pond.exterior.coords[::-1]):
        boundary = shapely.Polygon(outline, [hole])
        files = display.taskdata(
            result.zones, boundary=boundary, field_name="pond", tool_width=5.33
        )
        stated.append(int(xml_of(files).find("PFD").get("D")))
    assert stated[0] == stated[1]
    assert stated[0] == pytest.approx(whole.area - 400.0, rel=1e-3)


def test_too_many_depths_and_bad_words_are_refused(result):
    boxes = [shapely.box(500_000 + 50 * k, 0, 500_050 + 50 * k, 50) for k in range(40)]
    zones = gpd.GeoDataFrame(
        {"depth": 0.2 + 0.005 * np.arange(40)}, geometry=boxes, crs=32615
    )
    with pytest.raises(InputError, match="40 different depths, displays take 31"):
        task_data_files(zones)
    good = zones[:2]
    with pytest.raises(InputError, match="version: got 5"):
        task_data_files(good, version=5)
    with pytest.raises(InputError, match="form: got 'dots'"):
        task_data_files(good, form="dots")
    with pytest.raises(InputError, match="unit: got 'ft'"):
        task_data_files(good, unit="ft")
    with pytest.raises(InputError, match="no zones to write"):
        task_data_files(good[:0])
    with pytest.raises(InputError, match="no coordinate system"):
        task_data_files(good.set_crs(None, allow_override=True))
    with pytest.raises(InputError, match="got a depth of -200 mm"):
        task_data_files(good.assign(depth=-0.2))


def test_hostile_names_are_cut_and_escaped(make_result):
    name = "\x01<b>&\"'" + "ü" * 60
    files = make(make_result(name=name))
    field = xml_of(files).find("PFD")
    assert field.get("C") == ("<b>&\"'" + "u" * 60)[:32]


@pytest.mark.parametrize(
    ("inches", "expected"),
    [(14, 356), (16, 406), (12, 305), (0, 0)],
)
def test_whole_millimetres_half_up(inches, expected):
    assert write.millimetres(inches * 0.0254) == expected


@pytest.mark.parametrize("unit", ["in", "cm", "mm"])
def test_shapefile_for_a_display(result, tmp_path, unit):
    import pandas as pd

    files = display.shapefile(
        result.zones,
        boundary=result.field.boundary,
        unit=unit,
        date=pd.Timestamp("2026-10-14", tz="UTC"),
    )
    for name, content in files.items():
        path = tmp_path / Path(name).name
        path.write_bytes(content)
    with pyshp.Reader(str(tmp_path / "zones.shp")) as reader:
        assert reader.shapeType == pyshp.POLYGON
        assert [f[0] for f in reader.fields if f[0] != "DeletionFlag"] == [
            "ZONE", "RATE", "UNIT", "RISK_TXT", "WHY",
        ]  # fmt: skip
        assert all(len(shape.parts) == 1 for shape in reader.shapes())
        wests = [shape.bbox[0] for shape in reader.shapes()]
        assert wests == sorted(wests)
        rates = {(r["ZONE"], r["RATE"]) for r in reader.records()}
    deep = {"in": (14, 16), "cm": (36, 41), "mm": (356, 406)}[unit]
    assert {rate for rate in rates if rate[1]} == {(1, deep[0]), (2, deep[1])}
    with fiona.open(tmp_path / "zones.shp") as layer:
        assert layer.crs.to_epsg() == 4326
        shapes = [shapely.geometry.shape(f["geometry"]) for f in layer]
    assert {s.geom_type for s in shapes} == {"Polygon"}
    metric = gpd.GeoSeries(shapes, crs=4326).to_crs(result.zones.crs)
    assert not any(len(s.interiors) for s in metric)
    assert metric.area.sum() == pytest.approx(result.field.boundary.area, rel=1e-6)
    assert metric.union_all().area == pytest.approx(metric.area.sum(), rel=1e-6)


def test_ground_in_no_zone_is_filled_and_left_alone(result, tmp_path):
    import pandas as pd

    some = result.zones[result.zones["zone"].isin([1, 4])]
    files = display.shapefile(
        some,
        boundary=result.field.boundary,
        date=pd.Timestamp("2026-10-14", tz="UTC"),
    )
    for name, content in files.items():
        (tmp_path / Path(name).name).write_bytes(content)
    table = gpd.read_file(tmp_path / "zones.shp").to_crs(result.zones.crs)
    assert table.area.sum() == pytest.approx(result.field.boundary.area, rel=1e-6)
    rest = table[table["ZONE"] == 0]
    assert (rest["RATE"] == 0).all()
    assert set(rest["WHY"]) == {"ground in no zone"}


def test_holes_are_cut_without_losing_ground():
    ring = shapely.box(0, 0, 100, 100)
    holes = [shapely.Point(30, 30).buffer(8), shapely.Point(70, 60).buffer(12)]
    shape = ring.difference(shapely.union_all(holes))
    pieces = display.without_holes(shape)
    assert all(not piece.interiors for piece in pieces)
    assert sum(piece.area for piece in pieces) == pytest.approx(shape.area, rel=1e-12)
    assert shapely.union_all(pieces).symmetric_difference(shape).area < 1e-9


def test_files_do_not_change_between_calls(result):
    assert make(result) == make(result)
    root = json.dumps(sorted(make(result)))
    assert root == json.dumps(["TASKDATA/GRD00001.BIN", "TASKDATA/TASKDATA.XML"])
