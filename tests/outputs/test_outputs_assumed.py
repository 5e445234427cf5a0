"""Layers taken as confirmed without digging are said on every output there is."""

from __future__ import annotations

import importlib.util
import json
import sqlite3
import sys
import xml.etree.ElementTree as ET
from contextlib import closing
from pathlib import Path

import msgspec
import pyogrio
import pytest

from trafficmap.field import read_field
from trafficmap.outputs.explain import explain
from trafficmap.outputs.export import export
from trafficmap.outputs.run_folder import write_run
from trafficmap.outputs.words import ASSUMED
from trafficmap.pipeline import redraw, run


def _builder():
    if "decision_field" not in sys.modules:
        path = Path(__file__).parents[1] / "zones" / "decision_field.py"
        spec = importlib.util.spec_from_file_location("decision_field", path)
        module = importlib.util.module_from_spec(spec)
        sys.modules["decision_field"] = module
        spec.loader.exec_module(module)
    return sys.modules["decision_field"]


@pytest.fixture(scope="module")
def both(tmp_path_factory):
    """Return the folders of a run that assumes a layer, and of one that does not."""
    made = _builder()
    folder = tmp_path_factory.mktemp("assumed")
    dug = (made.Dug(layer=None, spots=2),)
    plain = run(read_field(made.TinyField(dug=dug).write(folder / "field"))[0])
    zones = msgspec.structs.replace(plain.settings.zones, assume_confirmed=0.22)
    tried = redraw(plain, settings=msgspec.structs.replace(plain.settings, zones=zones))
    write_run(plain, folder / "plain")
    return write_run(tried, folder / "tried"), folder / "plain", tried


def outputs_of(folder: Path, dest: Path) -> dict[str, str]:
    """Return what each output says, as text."""
    run_json = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    told = {
        "map.html": (folder / "map.html").read_text(encoding="utf-8"),
        "README.txt": " ".join((folder / "README.txt").read_text("utf-8").split()),
        "run.json": run_json["sentence"],
    }
    with closing(sqlite3.connect(folder / "field.gpkg")) as base:
        rows = base.execute("SELECT description FROM gpkg_contents").fetchall()
        told["field.gpkg"] = " ".join(str(row[0]) for row in rows)
    import rasterio

    for name in ("work_depth", "zone"):
        with rasterio.open(folder / "layers" / f"{name}.tif") as dataset:
            told[f"{name}.tif"] = dataset.tags()["run"]
    tasks = ET.parse(folder / "display" / "TASKDATA" / "TASKDATA.XML").getroot()
    told["TASKDATA"] = " ".join(
        [tasks.find("PFD").get("C"), tasks.find("TSK").get("B")]
    )
    shape = pyogrio.read_dataframe(folder / "display" / "SHP" / "zones.shp")
    told["SHP"] = " ".join(shape["WHY"])
    for path in export(folder, ["csv", "geojson"], dest=dest, overwrite=True):
        told[path.name] = path.read_text(encoding="utf-8-sig")
    middle = _builder().degrees(*_builder().BODY)
    story = explain(folder, float(middle[0]), float(middle[1]))
    told["explain"] = " ".join(story.split())
    return told


def test_every_output_says_that_nobody_dug(both, tmp_path):
    tried, plain, result = both
    body = result.zones[result.zones["kind"] == "body"]
    assert set(body["probed"]) == {"assumed"}
    assert set(body["advice"]) == {"rip"}
    before = outputs_of(plain, tmp_path / "plain")
    for name, text in outputs_of(tried, tmp_path / "tried").items():
        assert "assumed, nobody dug" in text.casefold(), name
        if name in before:
            assert "nobody dug:" not in before[name].casefold(), name
    assert {"zones.csv", "plan.csv", "zones.geojson"} <= {
        path.name for path in (tmp_path / "tried").iterdir()
    }
    assert result.notes[0].severity == "stop"


def test_explain_tells_advice_wheels_and_chance_apart(both):
    middle = _builder().degrees(*_builder().BODY)
    story = explain(both[0], float(middle[0]), float(middle[1]))
    zone, _, rest = story.partition("Driven in this zone: combine axle of")
    assert "Zone 1: rip at" in zone
    assert "axle" not in zone
    assert "Damage under the wheels, by depth" in rest


def test_the_sentence_starts_with_it(both):
    document = json.loads((both[0] / "run.json").read_text(encoding="utf-8"))
    assert document["sentence"].startswith(ASSUMED)
