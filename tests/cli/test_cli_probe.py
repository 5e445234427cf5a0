"""From a run to a probe plan, and from its filled record to a new run."""

from __future__ import annotations

import csv
import importlib.util
import json
import shutil
import sys
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyogrio
import pytest

from trafficmap import pipeline
from trafficmap.cli import run_command
from trafficmap.field import read_field
from trafficmap.field.readings import with_readings
from trafficmap.formats.gpx import gpx_lines
from trafficmap.outputs.reopen import reopen
from trafficmap.pipeline import run

GPX = "{http://www.topografix.com/GPX/1/1}"


def _tiny():
    if "decision_field" not in sys.modules:
        path = Path(__file__).parents[1] / "zones" / "decision_field.py"
        spec = importlib.util.spec_from_file_location("decision_field", path)
        module = importlib.util.module_from_spec(spec)
        sys.modules["decision_field"] = module
        spec.loader.exec_module(module)
    return sys.modules["decision_field"]


@pytest.fixture(scope="module", autouse=True)
def _one_run():
    """Work the same field out once: copies of a run differ by their folder only."""
    kept, real = {}, pipeline.run

    def once(field, settings=None, **options):
        key = (repr(field.inputs), len(field.dug), repr(settings))
        if key not in kept:
            kept[key] = real(field, settings, **options)
        return replace(kept[key], field=field)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pipeline, "run", once)
        yield


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A field nobody dug, its run, and the probe plan."""
    home = tmp_path_factory.mktemp("probe")
    _tiny().TinyField(dug=()).write(home / "tiny")
    assert run_command(["-q", "run", str(home / "tiny"), "-o", str(home / "out")]) == 0
    assert run_command(["probe", "plan", str(home / "out"), "--within", "20"]) == 0
    return home


@pytest.fixture(scope="module")
def probed(made, tmp_path_factory):
    """The same with its record filled, a layer found, and read into `new`."""
    home = tmp_path_factory.mktemp("probed") / "farm"
    shutil.copytree(made, home)
    record = fill(home / "out" / "probe" / "record.csv", cone="")
    words = ["probe", "read", str(home / "out"), str(record), "-o", str(home / "new")]
    assert run_command([*words, "--cone", "small"]) == 0
    return home, record


@pytest.fixture
def farm(made, tmp_path):
    shutil.copytree(made, tmp_path / "farm")
    return tmp_path / "farm"


def fill(record, *, layer=(6, 9), plates="plates", day="2026-10-26", cone="20.27"):
    """Fill a blank record as a person would; hard between the inches of `layer`."""
    with open(record, encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    rng = np.random.default_rng(5)
    for row in rows:
        depth = float(row["depth_in"] or 0)
        if row["kind"] == "probe":
            hard = row["wheeled"] == "1" and layer and layer[0] <= depth <= layer[1]
            row["value_psi"] = f"{rng.normal(420 if hard else 170, 8):.0f}"
            row["cone_mm"] = cone
        elif row["kind"] == "spade":
            row["finding"] = plates
        elif row["kind"] == "hand roll":
            row["finding"] = "cracks"
        row["date"] = day if row["kind"] != "rut" else ""
    with open(record, "w", encoding="utf-8", newline="") as stream:
        write = csv.DictWriter(stream, rows[0].keys(), lineterminator="\n")
        write.writeheader()
        write.writerows(rows)
    return record


# --- the plan ---


def test_the_plan_is_gpx_geopackage_sheet_and_table(made):
    place = made / "out" / "probe"
    assert sorted(path.name for path in place.iterdir()) == [
        "plan.json", "record.csv", "record.html", "stops.gpkg", "stops.gpx",
    ]  # fmt: skip
    plan = json.loads((place / "plan.json").read_text(encoding="utf-8"))
    root = ET.parse(place / "stops.gpx").getroot()
    assert root.tag == f"{GPX}gpx"
    names = [p.find(f"{GPX}name").text for p in root.iter(f"{GPX}wpt")]
    assert names == [stop["point"] for stop in plan["stops"]]
    way = [p.find(f"{GPX}name").text for p in root.iter(f"{GPX}rtept")]
    assert way == names
    points = pyogrio.read_dataframe(place / "stops.gpx", layer="waypoints")
    stops = pyogrio.read_dataframe(place / "stops.gpkg", layer="stops")
    there = stops.to_crs(4326)
    assert points.geometry.x.to_numpy() == pytest.approx(
        there.geometry.x.to_numpy(), abs=1e-7
    )
    assert stops["point"].tolist() == names
    walk = pyogrio.read_dataframe(place / "stops.gpkg", layer="walk")
    assert walk["length_m"].iloc[0] == pytest.approx(plan["walk_m"], abs=0.1)


def test_our_own_reader_knows_the_gpx(made):
    lines, notes = gpx_lines(made / "out" / "probe" / "stops.gpx")
    assert len(lines) == 1  # the route past all stops
    assert not [note for note in notes if note.severity == "stop"]


def test_the_sheet_says_what_it_is_worth_and_has_room_for_every_stop(made):
    page = (made / "out" / "probe" / "record.html").read_text(encoding="utf-8")
    plan = json.loads(
        (made / "out" / "probe" / "plan.json").read_text(encoding="utf-8")
    )
    for stop in plan["stops"]:
        assert page.count(f"<td>{stop['point']}</td>") == 1
    assert "worth" in page
    assert "Probe 7 places in 1 zone, each with its twin" in page
    assert "<script" not in page
    assert "http" not in page.replace("http-equiv", "")


def test_a_plan_stands_until_overwrite_and_readings_for_ever(farm, capsys):
    out = str(farm / "out")
    assert run_command(["probe", "plan", out]) == 3
    assert "holds a probe plan" in capsys.readouterr().err
    assert run_command(["-q", "probe", "plan", out, "--overwrite", "--stops", "4"]) == 0
    stops = pyogrio.read_dataframe(farm / "out" / "probe" / "stops.gpkg", layer="stops")
    assert (stops["wheeled"] == 1).sum() == 4
    fill(farm / "out" / "probe" / "record.csv")
    before = (farm / "out" / "probe" / "record.csv").read_bytes()
    capsys.readouterr()
    assert run_command(["probe", "plan", out, "--overwrite"]) == 3
    assert "holds readings, they are not overwritten" in capsys.readouterr().err
    assert (farm / "out" / "probe" / "record.csv").read_bytes() == before


def test_nothing_to_probe_is_a_plan_too(tmp_path, capsys):
    crop = 'now = "corn"\nnext = "soybean"'
    _tiny().TinyField(dug=(), crop=crop).write(tmp_path / "tiny")
    out = tmp_path / "out"
    assert run_command(["-q", "run", str(tmp_path / "tiny"), "-o", str(out)]) == 0
    capsys.readouterr()
    assert run_command(["probe", "plan", str(out)]) == 0
    told = capsys.readouterr()
    assert "No spot is worth a probe" in told.out
    assert "before soybean" in told.out
    assert not (out / "probe" / "stops.gpx").exists()


# --- the readings ---


def test_readings_confirm_the_layer_and_are_those_of_a_field_that_holds_them(probed):
    home, record = probed
    new = home / "new"
    update = json.loads((new / "probed" / "1" / "update.json").read_text("utf-8"))
    rows = [row for row in update["zones"] if row["stops"]]
    assert [row["found"] for row in rows] == [7]
    assert rows[0]["chance_before"] < 0.5 < rows[0]["chance"]
    assert rows[0]["net_before"] < rows[0]["net"]
    assert rows[0]["advice_before"] == "probe first"
    assert rows[0]["advice"] not in ("probe first", "not assessed")
    # The same as a run of a field that holds the record.
    field, _ = read_field(home / "tiny")
    whole = run(with_readings(field, record)[0])
    document = json.loads((new / "run.json").read_text("utf-8"))
    ours = [(z["advice"], z["row"], z["area"]) for z in document["zones"]]
    theirs = list(whole.zones[["advice", "row", "area"]].itertuples(index=False))
    assert ours == [tuple(row) for row in theirs]
    # The earlier answer is kept, and the record with it.
    before = (new / "probed" / "1" / "before.json").read_bytes()
    assert before == (home / "out" / "run.json").read_bytes()
    assert (new / "readings" / "record.csv").read_bytes() == record.read_bytes()
    assert {"readings/record.csv"} <= {e["name"] for e in document["inputs"]}
    assert "probe.update" in {note["code"] for note in document["notes"]}


def test_the_page_shows_before_and_after(probed):
    home, _ = probed
    folder = home / "new" / "probed" / "1"
    page = (folder / "update.html").read_text(encoding="utf-8")
    assert "probe first" in page
    assert "7 of 7" in page
    assert "over 9 in 10" in page
    assert "Where model and probe disagree" not in page
    table = (folder / "update.csv").read_text(encoding="utf-8").splitlines()
    assert table[0].startswith("zone,advice_before,advice,area_ha,area_ac,stops,found")


def test_a_run_with_readings_is_opened_again_with_them(probed):
    home, record = probed
    new = home / "new"
    field = reopen(new).field()
    assert len(field.dug)
    # What was said of the cone is remembered.
    assert "dug.cone_unsaid" not in {note.code for note in field.notes}
    # A second record is put to the first; neither is lost.
    second = fill(shutil.copy(record, home / "second.csv"), layer=None, plates="none")
    newest = home / "newest"
    words = ["-q", "probe", "read", str(new), str(second), "-o", str(newest)]
    assert run_command(words) == 0
    names = sorted(p.name for p in (newest / "readings").iterdir())
    assert names == ["record.csv", "second.csv", "told.json"]
    assert len(reopen(newest).field().dug) > len(field.dug)
    (newest / "readings" / "record.csv").unlink()
    assert run_command(["-q", "probe", "plan", str(newest)]) == 3


def test_into_the_same_folder_only_with_overwrite(farm, capsys):
    record = fill(farm / "out" / "probe" / "record.csv")
    out = farm / "out"
    before = (out / "run.json").read_bytes()
    assert run_command(["probe", "read", str(out), str(record)]) == 3
    assert "holds the answer before the readings" in capsys.readouterr().err
    assert (out / "run.json").read_bytes() == before
    words = ["-q", "probe", "read", str(out), str(record), "--overwrite"]
    assert run_command(words) == 0
    assert (out / "probed" / "1" / "before.json").read_bytes() == before
    assert (out / "run.json").read_bytes() != before
    # The plan and its filled record are still there.
    assert (out / "probe" / "record.csv").read_bytes() == record.read_bytes()


def test_no_layer_found_releases_the_ground_and_shows_the_misses(farm, capsys):
    record = fill(farm / "out" / "probe" / "record.csv", layer=None, plates="granular")
    new = farm / "new"
    assert run_command(
        ["probe", "read", str(farm / "out"), str(record), "-o", str(new)]
    ) == 0  # fmt: skip
    told = capsys.readouterr()
    assert "leave (before probe first); layer in reach under 1 in 10" in told.out
    assert "at 7 of 7 stops model and probe disagree" in told.err.lower()
    page = (new / "probed" / "1" / "update.html").read_text(encoding="utf-8")
    assert "Where model and probe disagree" in page
    assert "7 of 7" in page
    stops = (new / "probed" / "1" / "stops.csv").read_text(encoding="utf-8")
    assert len(stops.splitlines()) == 8


@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        (lambda t: t.replace("value_psi", "value_kpa"), "look like psi"),
        (lambda t: t.replace("value_psi", "force_lbf").replace("20.27", ""),
         "nothing says the size of the cone"),
        (lambda t: t.replace(",42.0", ",43.0"), "need readings of this field"),
    ],
)  # fmt: skip
def test_a_record_that_cannot_be_right_changes_nothing(farm, capsys, spoil, says):
    record = fill(farm / "out" / "probe" / "record.csv")
    record.write_text(spoil(record.read_text(encoding="utf-8")), encoding="utf-8")
    new = farm / "new"
    words = ["probe", "read", str(farm / "out"), str(record), "-o", str(new)]
    assert run_command(words) == 3
    assert says in capsys.readouterr().err
    assert not (new / "run.json").exists()


def test_soil_moisture_in_the_record_moves_the_water_too(farm):
    record = fill(farm / "out" / "probe" / "record.csv")
    lines = record.read_text(encoding="utf-8").splitlines()
    head = lines[0] + ",moisture_pct"
    lon, lat = lines[1].split(",")[1:3]
    lines = [head, *(line + "," for line in lines[1:])]
    lines.append(f"m,{lon},{lat},2026-10-20,moisture,,8,,calibrated,,30")
    record.write_text("\n".join(lines) + "\n", encoding="utf-8")
    new = farm / "new"
    words = ["-q", "probe", "read", str(farm / "out"), str(record), "-o", str(new)]
    assert run_command(words) == 0
    notes = json.loads((new / "run.json").read_text("utf-8"))["notes"]
    assert any("moisture" in n["sentence"].lower() for n in notes) or any(
        "may be off" in n["sentence"] for n in notes
    )


def test_an_assumed_layer_asks_for_probes_all_the_same(farm, capsys):
    out = farm / "assumed"
    words = ["-q", "run", str(farm / "tiny"), "-o", str(out)]
    assert run_command([*words, "--assume-confirmed", "10in"]) == 0
    capsys.readouterr()
    assert run_command(["probe", "plan", str(out), "--stops", "4"]) == 0
    told = capsys.readouterr()
    assert "took a layer as confirmed that nobody dug" in told.err
    assert "Probe 4 places in 1 zone" in told.out


def test_typed_wrong_is_said(capsys):
    assert run_command(["probe", "read", "out", "f.csv", "--cone", "huge"]) == 2
    assert "need large, small, or a diameter" in capsys.readouterr().err
