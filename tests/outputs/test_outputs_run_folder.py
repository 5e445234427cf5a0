"""The run folder: locked, whole, deterministic, and honest when unfinished."""

from __future__ import annotations

import dataclasses
import json
import os
import re
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from trafficmap.core.errors import InputError, OutputError, RunFolderBusyError
from trafficmap.formats import _files
from trafficmap.outputs import run_folder as folders
from trafficmap.outputs.run_folder import read_run, run_folder, sha256_of, write_run


def test_all_files_are_there_and_hashed(run_dir, result):
    run = read_run(run_dir)
    found = {
        path.relative_to(run_dir).as_posix()
        for path in run_dir.rglob("*")
        if path.is_file()
    }
    # origin.json says where the field is, so its bytes belong to the place.
    assert found == set(run["outputs"]) | {"run.json", "origin.json"}
    for name, digest in run["outputs"].items():
        assert sha256_of(run_dir / name) == digest
    assert set(run["layers"]) == set(result.tray.data_vars)


def test_run_json_holds_what_went_in_and_what_was_found(run_dir, result):
    run = read_run(run_dir)
    assert run["schema"] == 1
    assert run["inputs"] == list(result.field.inputs)
    assert [log["file"] for log in run["logs"]] == ["combine.csv", "cart.csv"]
    assert run["settings"]["traffic"]["cell"] == result.settings.traffic.cell
    assert run["grid"]["epsg"] == 32615
    assert len(run["zones"]) == len(result.zones)
    assert "geometry" not in run["zones"][0]
    assert run["zones"][3]["depth"] is None
    assert [note["severity"] for note in run["notes"]] == ["stop", "check", "info"]
    assert run["totals"] == {
        "run_over_share": 0.41,
        "mass_in_kg": 54_000.0,
        "gap": None,
    }
    assert {
        "gdal (rasterio)",
        "gdal (pyogrio)",
        "proj (pyproj)",
        "geos",
        "numba",
    } <= set(run["versions"])


def test_no_place_on_disk_and_no_clock_in_run_json(run_dir):
    text = (run_dir / "run.json").read_text(encoding="utf-8")
    assert "/nowhere" not in text
    assert str(run_dir) not in text
    assert run_dir.name not in json.loads(text)["field"].values()
    assert json.loads(text)["newest_input"] == "2026-10-14T17:00:00Z"


def test_a_folder_given_by_its_name_is_cut_out_of_no_word(make_result, tmp_path):
    from dataclasses import replace
    from pathlib import Path

    result = make_result()
    named = replace(result.field, folder=Path("corn"))
    written = write_run(make_result(field=named), tmp_path / "out")
    assert read_run(written)["field"]["crop"]["now"] == "corn"


def test_same_result_gives_the_same_bytes_elsewhere(run_dir, make_result, tmp_path):
    again = write_run(make_result(), tmp_path / "another name")
    assert (again / "run.json").read_bytes() == (run_dir / "run.json").read_bytes()


def test_same_bytes_from_another_process_seed_and_zone(run_dir, tmp_path):
    code = (
        "import sys, importlib.util as u;"
        "s=u.spec_from_file_location('s', sys.argv[1]); m=u.module_from_spec(s);"
        "sys.modules['s']=m; s.loader.exec_module(m);"
        "from trafficmap.outputs.run_folder import write_run;"
        "write_run(m.make_result(), sys.argv[2])"
    )
    factory = Path(__file__).with_name("synthetic_result.py")
    subprocess.run(
        [sys.executable, "-c", code, str(factory), str(tmp_path / "out")],
        env={**os.environ, "PYTHONHASHSEED": "77", "TZ": "Asia/Tokyo"},
        cwd=Path(folders.__file__).parents[2],
        check=True,
        capture_output=True,
    )
    ours = json.loads((run_dir / "run.json").read_text(encoding="utf-8"))
    theirs = json.loads((tmp_path / "out" / "run.json").read_text(encoding="utf-8"))
    assert theirs["outputs"] == ours["outputs"]


def test_a_finished_run_is_not_replaced_unasked(result, tmp_path):
    write_run(result, tmp_path / "out")
    with pytest.raises(
        InputError, match=re.escape("out: holds a finished run")
    ) as caught:
        write_run(result, tmp_path / "out")
    assert caught.value.exit_code == 3
    assert "--overwrite" in caught.value.hint


def test_overwrite_replaces_ours_and_leaves_what_is_not(result, tmp_path):
    out = write_run(result, tmp_path / "out")
    (out / "letter.txt").write_text("mine", encoding="utf-8")
    (out / "layers" / "old.tif").write_text("ours", encoding="utf-8")
    write_run(result, out, overwrite=True)
    assert (out / "letter.txt").read_text(encoding="utf-8") == "mine"
    assert not (out / "layers" / "old.tif").exists()


@pytest.mark.parametrize("overwrite", [False, True])
def test_a_folder_with_other_things_is_refused(result, tmp_path, overwrite):
    (tmp_path / "thesis.doc").write_text("mine", encoding="utf-8")
    with pytest.raises(InputError, match=re.escape("is not empty and holds no run of")):
        write_run(result, tmp_path, overwrite=overwrite)
    assert [path.name for path in tmp_path.iterdir()] == ["thesis.doc"]


def test_another_running_process_holds_the_folder(result, tmp_path):
    sleeper = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"])
    try:
        _lock_by(tmp_path, sleeper.pid, socket.gethostname())
        with pytest.raises(
            RunFolderBusyError, match=f"process {sleeper.pid}"
        ) as caught:
            write_run(result, tmp_path)
        assert caught.value.exit_code == 5
        assert (tmp_path / folders.LOCK_NAME).exists()
    finally:
        sleeper.kill()
        sleeper.wait()


def test_the_lock_of_a_dead_process_is_taken_over(result, tmp_path):
    dead = subprocess.Popen([sys.executable, "-c", "pass"])
    dead.wait()
    _lock_by(tmp_path, dead.pid, socket.gethostname())
    (tmp_path / "map.part.html").write_text("half", encoding="utf-8")
    write_run(result, tmp_path)
    assert not (tmp_path / folders.LOCK_NAME).exists()
    assert not list(tmp_path.rglob("*.part*"))


def test_a_lock_from_another_host_or_unreadable_is_respected(tmp_path):
    _lock_by(tmp_path, 1, "another host")
    with (
        pytest.raises(RunFolderBusyError, match="on another host"),
        run_folder(tmp_path),
    ):
        pass
    (tmp_path / folders.LOCK_NAME).write_text("", encoding="utf-8")
    with pytest.raises(RunFolderBusyError, match="unknown host"), run_folder(tmp_path):
        pass


def test_the_lock_is_held_from_before_the_run(result, tmp_path):
    out = tmp_path / "out"
    with run_folder(out):
        lock = json.loads((out / folders.LOCK_NAME).read_text(encoding="utf-8"))
        assert lock["pid"] == os.getpid()
        write_run(result, out)
        assert (out / folders.LOCK_NAME).exists()
    assert not (out / folders.LOCK_NAME).exists()
    assert read_run(out)["schema"] == 1


def test_a_run_that_fails_before_writing_leaves_no_folder(tmp_path):
    with pytest.raises(RuntimeError), run_folder(tmp_path / "out"):
        raise RuntimeError
    assert not (tmp_path / "out").exists()


def test_a_failed_write_leaves_the_folder_unfinished_and_said(
    result, tmp_path, monkeypatch
):
    monkeypatch.setattr(_files, "_calls", 0)
    monkeypatch.setenv("TRAFFICMAP_FAULT", "20:ENOSPC")
    with pytest.raises(OutputError, match="the disk is full") as caught:
        write_run(result, tmp_path / "out")
    assert caught.value.exit_code == 6
    monkeypatch.delenv("TRAFFICMAP_FAULT")
    assert "UNFINISHED" in (tmp_path / "out" / "README.txt").read_text(encoding="utf-8")
    with pytest.raises(InputError, match="is unfinished"):
        read_run(tmp_path / "out")
    write_run(result, tmp_path / "out")  # ours and unfinished: no --overwrite needed
    assert read_run(tmp_path / "out")["schema"] == 1


def test_killed_while_overwriting_is_unfinished_never_a_mixture(result, tmp_path):
    out = write_run(result, tmp_path / "out")
    code = (
        "import sys, importlib.util as u;"
        "s=u.spec_from_file_location('s', sys.argv[1]); m=u.module_from_spec(s);"
        "sys.modules['s']=m; s.loader.exec_module(m);"
        "from trafficmap.outputs.run_folder import write_run;"
        "write_run(m.make_result(name='Other'), sys.argv[2], overwrite=True)"
    )
    factory = Path(__file__).with_name("synthetic_result.py")
    done = subprocess.run(
        [sys.executable, "-c", code, str(factory), str(out)],
        env={**os.environ, "TRAFFICMAP_FAULT": "15:kill"},
        cwd=Path(folders.__file__).parents[2],
        check=False,
        capture_output=True,
    )
    assert done.returncode == 137
    with pytest.raises(InputError, match="is unfinished"):
        read_run(out)
    write_run(result, out)
    assert read_run(out)["field"]["name"] == "Ditch sixty"


def test_read_run_refuses_a_newer_schema(run_dir, tmp_path):
    run = read_run(run_dir)
    text = json.dumps({**run, "schema": 99})
    (tmp_path / "run.json").write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match="has schema 99"):
        read_run(tmp_path)
    with pytest.raises(InputError, match="is not a folder"):
        read_run(tmp_path / "absent")


def test_a_traffic_map_without_zones_and_soil_is_written(make_result, tmp_path):
    full = make_result()
    bare = dataclasses.replace(
        full,
        zones=full.zones[:0],
        stops=full.stops[:0],
        plan=full.plan[:0],
        strength=None,
        columns=None,
        profiles=None,
        tray=full.tray[["inside", "run_over", "passes", "heaviest_axle"]],
    )
    out = write_run(bare, tmp_path / "out")
    run = read_run(out)
    assert run["zones"] == []
    assert not (out / "display").exists()
    assert "No zones were drawn" in run["sentence"]


def test_readme_tells_where_files_go(run_dir):
    text = (run_dir / "README.txt").read_text(encoding="utf-8")
    assert "INVENTED" in text
    assert "14 in (36 cm), 16 in (41 cm). Everything else is 0." in text
    assert "must lift the tool" in re.sub(r"\s+", " ", text)
    assert max(map(len, text.splitlines())) <= 78
    for name in (
        "map.html",
        "display/TASKDATA",
        "display/SHP",
        "field.gpkg",
        "run.json",
    ):
        assert name in text


def _lock_by(folder, pid, host):
    text = json.dumps({"pid": pid, "host": host, "start": "2026-10-14T15:00:00+00:00"})
    (folder / folders.LOCK_NAME).write_text(text, encoding="utf-8")
