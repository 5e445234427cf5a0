"""Every command, one after the other, as a person types them."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from trafficmap.cli import run_command


@pytest.fixture(scope="module")
def places(tmp_path_factory):
    root = tmp_path_factory.mktemp("line")
    assert run_command(["sample", str(root / "two"), "--field", "two_strips"]) == 0
    assert run_command(["-q", "run", str(root / "two"), "-o", str(root / "out")]) == 0
    return root


def test_sample_never_overwrites_unasked(places, capsys):
    assert run_command(["sample", str(places / "two")]) == 3
    assert "not empty" in capsys.readouterr().err


def test_sample_names_the_fields_there_are(tmp_path, capsys):
    assert run_command(["sample", str(tmp_path / "x"), "--field", "no_such"]) == 3
    assert "ditch_sixty" in capsys.readouterr().err


def test_check_draws_the_machines(places, tmp_path, capsys):
    folder = tmp_path / "drawn"
    assert run_command(["check", str(places / "two"), "--draw", str(folder)]) == 0
    out = capsys.readouterr().out
    drawn = sorted(folder.glob("machine_*.svg"))
    assert drawn
    for path in drawn:
        assert f"Drawn: {path}" in out
        assert 'class="wheel"' in path.read_text("utf-8")
    assert "Found: wheels of " in out


def test_check_says_what_was_found(places, capsys):
    assert run_command(["check", str(places / "two")]) == 0
    out = capsys.readouterr().out
    assert "tractor" in out
    assert run_command(["check", str(places / "two"), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["schema"] == 1
    assert document["lines"]


def test_the_run_folder_is_whole(places):
    out = places / "out"
    for name in ("run.json", "field.gpkg", "map.html", "README.txt"):
        assert (out / name).stat().st_size > 100
    run = json.loads((out / "run.json").read_text(encoding="utf-8"))
    for name, digest in run["outputs"].items():
        found = hashlib.sha256((out / name).read_bytes()).hexdigest()
        assert found == digest, name


def test_run_prints_the_map_last_and_json_alone(places, capsys):
    arguments = ["run", str(places / "two"), "-o", str(places / "again")]
    assert run_command(arguments) == 0
    captured = capsys.readouterr()
    assert captured.out.strip().splitlines()[-1].endswith("map.html")
    assert run_command([*arguments, "--json", "--overwrite", "--profile"]) == 0
    captured = capsys.readouterr()
    assert json.loads(captured.out)["schema"] == 1
    assert "s  all" in captured.err


def test_a_finished_run_is_not_overwritten_unasked(places, capsys):
    arguments = ["run", str(places / "two"), "-o", str(places / "out")]
    assert run_command(arguments) == 3
    assert "--overwrite" in capsys.readouterr().err


def test_explain_tells_the_story_of_a_spot(places, capsys):
    import pyproj

    truth = json.loads((places / "two" / "truth.json").read_text(encoding="utf-8"))
    west, south = truth["corner_m"]
    back = pyproj.Transformer.from_crs(truth["epsg"], 4326, always_xy=True)
    lon, lat = back.transform(west + 9.5, south + 19.5)
    out = str(places / "out")
    assert run_command(["explain", out, "--at", f"{lon:.8f},{lat:.8f}"]) == 0
    text = capsys.readouterr().out
    for word in ("tractor", " t", "kPa", "Saxton", "under its wheels"):
        assert word in text
    assert run_command(["explain", out, "--at", "0,0"]) == 3
    assert "outside" in capsys.readouterr().err


def test_export_writes_every_kind(places, capsys):
    kinds = ("taskdata", "shapefile", "geopackage", "geojson", "geotiff", "csv")
    asked = [word for kind in kinds for word in ("--to", kind)]
    arguments = ["export", str(places / "out"), *asked, "-o", str(places / "stick")]
    assert run_command([*arguments, "--dry-run"]) == 0
    assert not (places / "stick").exists()
    assert run_command(arguments) == 0
    assert capsys.readouterr().out.count("wrote ") >= len(kinds)
    assert (places / "stick" / "TASKDATA" / "TASKDATA.XML").is_file()
    assert run_command(arguments) == 3


def test_doctor_finds_the_install_sound(capsys):
    assert run_command(["doctor"]) == 0
    assert "the install is sound" in capsys.readouterr().out


def test_strict_is_exit_4_when_a_stop_note_stands(places, tmp_path):
    # Without weather nothing is assessed: a note of severity stop.
    text = (places / "two" / "field.toml").read_text(encoding="utf-8")
    head, _, tail = text.partition("[weather]")
    _, bracket, rest = tail.partition("\n[")
    shutil.copytree(places / "two", tmp_path, dirs_exist_ok=True)
    (tmp_path / "field.toml").write_text(head + bracket + rest, encoding="utf-8")
    out = str(tmp_path / "out")
    assert run_command(["-q", "run", str(tmp_path), "-o", out, "--strict"]) == 4


def test_an_assumed_layer_is_printed_on_the_result(places, tmp_path):
    out = tmp_path / "out"
    arguments = ["-q", "run", str(places / "two"), "-o", str(out)]
    assert run_command([*arguments, "--assume-confirmed", "13"]) == 2
    assert run_command([*arguments, "--assume-confirmed", "13in"]) == 0
    assert "assumed" in (out / "README.txt").read_text(encoding="utf-8").lower()


def test_the_same_input_gives_the_same_bytes(places):
    """Other hash seed, threads, folder, time zone and locale: same files."""
    environment = {
        **os.environ,
        "PYTHONHASHSEED": "7",
        "NUMBA_NUM_THREADS": "1",
        "TZ": "Asia/Tokyo",
        "LC_ALL": "C",
    }
    out = places / "elsewhere" / "out"
    arguments = ["-m", "trafficmap", "-q", "run", str(places / "two"), "-o", str(out)]
    subprocess.run([sys.executable, *arguments], env=environment, check=True)
    first = {p.relative_to(places / "out"): p for p in (places / "out").rglob("*")}
    files = {name for name, path in first.items() if path.is_file()}
    assert files == {p.relative_to(out) for p in out.rglob("*") if p.is_file()}
    # Where the field lies, seen from there, is the one thing that must differ.
    for name in sorted(files - {Path("origin.json")}):
        assert (out / name).read_bytes() == first[name].read_bytes(), name
