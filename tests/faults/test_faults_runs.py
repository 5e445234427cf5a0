"""A whole run on a disk that fills, in a folder that is taken, or cut off in between.

The promise: the folder holds the whole old result, the whole new one, or says that it
is unfinished; and the next run puts it right.
"""

from __future__ import annotations

import json
import os
import resource
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

import trafficmap
from trafficmap.cli import run_command
from trafficmap.formats import _files
from trafficmap.outputs.run_folder import LOCK_NAME, read_run

ROOT = Path(trafficmap.__file__).parents[1]

CALL = "import sys; from trafficmap.cli import run_command; sys.exit({})"
WRITE_POINTS = (1, 2, 3, 9, 16, 33)
"""Two a file, in the order in which a run writes; the last lie near the end."""


def typed(*words: object, env: dict | None = None, before: str = "0", **options):
    """Run a command in a process of its own."""
    code = f"{before}; {CALL.format('run_command(sys.argv[1:])')}"
    return subprocess.run(
        [sys.executable, "-c", code, *map(str, words)],
        cwd=ROOT,
        env={**os.environ, **(env or {})},
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
        **options,
    )


def names(folder: Path) -> set[str]:
    """Return every file below a folder."""
    if not folder.exists():
        return set()
    return {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()}


@pytest.fixture(scope="module")
def finished(tmp_path_factory) -> Path:
    """Return a finished run, with its field beside it."""
    import tiny_field

    folder = tmp_path_factory.mktemp("finished")
    tiny_field.write_field(folder / "field")
    assert run_command(["run", str(folder / "field"), "-o", str(folder / "out")]) == 0
    return folder


@pytest.fixture
def out(finished, tmp_path) -> Path:
    """Return a copy of the finished run to be spoilt."""
    return Path(shutil.copytree(finished / "out", tmp_path / "out"))


@pytest.fixture
def small_disk(tmp_path):
    """Return a folder on a disk of 256 kB, and what is said when it is full.

    Where no disk may be mounted, no file may grow beyond 60 kB instead.
    """
    place = tmp_path / "disk"
    place.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(place)]
    may = sys.platform == "linux" and os.geteuid() == 0 and shutil.which("mount")
    if may and not subprocess.run(mount, capture_output=True, check=False).returncode:
        yield place, "could not be written, the disk is full."
        subprocess.run(["umount", str(place)], check=True)
        return
    most, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (60_000, hard))
    try:
        yield place, "could not be written"
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (most, hard))


def test_a_full_disk(finished, small_disk, capsys):
    place, words = small_disk
    code = run_command(["run", str(finished / "field"), "-o", str(place / "out")])
    said = capsys.readouterr().err
    assert code == 6
    assert words in said
    assert "another folder with -o" in said
    left = names(place)
    assert not [name for name in left if _files.PART_SUFFIX in name]
    assert "out/run.json" not in left
    assert f"out/{LOCK_NAME}" not in left
    assert run_command(["explain", str(place / "out"), "--at", "-93.6,42.0"]) == 3
    assert "is unfinished" in capsys.readouterr().err


def test_files_that_may_not_grow(finished, tmp_path):
    limit = "import resource; resource.setrlimit(resource.RLIMIT_FSIZE, (9000, 9000))"
    done = typed("run", finished / "field", "-o", tmp_path / "out", before=limit)
    assert done.returncode == 6, done.stderr
    assert "could not be written" in done.stderr
    assert "Traceback" not in done.stderr
    left = names(tmp_path / "out")
    assert not [name for name in left if _files.PART_SUFFIX in name]
    assert "run.json" not in left


@pytest.mark.parametrize(
    ("point", "code"),
    [*((point, "ENOSPC") for point in WRITE_POINTS),
     (9, "EIO"), (9, "EACCES"), (9, "EROFS")],
)  # fmt: skip
def test_an_error_at_a_write_point(finished, out, monkeypatch, capsys, point, code):
    """The old result is gone or whole, never mixed with the new one."""
    from trafficmap.outputs import run_folder

    result = _result(finished)
    monkeypatch.setattr(_files, "_calls", 0)
    monkeypatch.setenv("TRAFFICMAP_FAULT", f"{point}:{code}")
    with pytest.raises(trafficmap.core.errors.OutputError, match="could not be"):
        run_folder.write_run(result, out, overwrite=True)
    monkeypatch.delenv("TRAFFICMAP_FAULT")
    left = names(out)
    assert not [name for name in left if _files.PART_SUFFIX in name]
    assert LOCK_NAME not in left
    if "run.json" in left:  # not even the first word could be written
        assert point <= 2
        assert left == names(finished / "out")
        return
    run_folder.write_run(result, out)  # what is unfinished needs no permission
    assert read_run(out)["field"]["name"] == "Ditch sixty"


@pytest.mark.parametrize("point", [2, 20, 40])
def test_a_kill_at_a_write_point(finished, tmp_path, point, capsys):
    field, out = finished / "field", tmp_path / "out"
    fault = {"TRAFFICMAP_FAULT": f"{point}:kill"}
    assert typed("run", field, "-o", out, env=fault).returncode == 137
    assert not (out / "run.json").exists()
    assert (out / LOCK_NAME).exists()  # nobody was left to take it away
    capsys.readouterr()
    assert run_command(["explain", str(out), "--at", "-93.6195,42.0305"]) == 3
    assert "is unfinished, it holds no valid run.json" in capsys.readouterr().err
    assert run_command(["run", str(field), "-o", str(out)]) == 0
    assert names(out) == names(finished / "out")
    whole = (finished / "out" / "run.json").read_bytes()
    assert (out / "run.json").read_bytes() == whole


def test_a_kill_while_overwriting_never_looks_finished(finished, out):
    fault = {"TRAFFICMAP_FAULT": "21:kill"}
    words = ["run", finished / "field", "-o", out, "--overwrite"]
    assert typed(*words, env=fault).returncode == 137
    assert not (out / "run.json").exists()
    assert "unfinished" in (out / "README.txt").read_text(encoding="utf-8").lower()
    assert run_command([str(word) for word in words[:-1]]) == 0


def test_two_runs_in_one_folder(finished, tmp_path, capsys):
    """The second names the first and leaves; the first goes on undisturbed."""
    out, ready = tmp_path / "out", tmp_path / "ready"
    holder = (
        "import pathlib, sys, time\n"
        "from trafficmap.outputs.run_folder import run_folder\n"
        "with run_folder(pathlib.Path(sys.argv[1])):\n"
        "    pathlib.Path(sys.argv[2]).touch()\n"
        "    sys.stdin.read()\n"
    )
    first = subprocess.Popen(
        [sys.executable, "-c", holder, str(out), str(ready)],
        cwd=ROOT, stdin=subprocess.PIPE,
    )  # fmt: skip
    try:
        _wait_for(ready)
        assert run_command(["run", str(finished / "field"), "-o", str(out)]) == 5
        said = capsys.readouterr().err
        assert f"another run is writing there (process {first.pid} on " in said
        assert "Try: wait for it" in said
        assert names(out) == {LOCK_NAME}
    finally:
        first.communicate(timeout=60)
    assert first.returncode == 0


@pytest.mark.skipif(os.name == "nt", reason="Windows has no such signals")
@pytest.mark.parametrize(
    ("sign", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)]
)
def test_stopped_in_the_middle(finished, tmp_path, sign, code):
    """A stop while the line is at work leaves no folder behind, and takes no 2 s."""
    out = tmp_path / "out"
    main = "import sys; from trafficmap.cli import main; main(sys.argv[1:])"
    # The line stands still in its second stage till the signal comes.
    # A shell starts what runs behind it deaf to Ctrl-C; this one has to hear it.
    still = (
        "import signal, time, trafficmap.tracks as t\n"
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "def clean(*_, **__):\n"
        "    print('at work', file=sys.stderr, flush=True); time.sleep(60)\n"
        "t.clean = clean\n"
    )
    running = subprocess.Popen(
        [sys.executable, "-c", f"import sys\n{still}{main}", "run",
         str(finished / "field"), "-o", str(out)],
        cwd=ROOT, stderr=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        assert running.stderr.readline() == "at work\n"
        running.send_signal(sign)
        began = time.perf_counter()
        _, said = running.communicate(timeout=60)
    finally:
        running.kill()
    assert running.returncode == code
    assert time.perf_counter() - began < 2.0
    assert "nothing half-written was left behind." in said
    assert "Traceback" not in said
    assert not out.exists()


def test_strict_is_4_and_the_result_stands(finished, tmp_path):
    out = tmp_path / "out"
    words = ["run", str(finished / "field"), "-o", str(out), "--strict"]
    assert run_command(words) == 4
    assert any(note["severity"] == "stop" for note in read_run(out)["notes"])
    assert run_command(["check", str(finished / "field"), "--strict"]) == 4


def test_a_finished_run_is_replaced_only_when_told(finished, out, capsys):
    before = (out / "run.json").read_bytes()
    words = ["run", str(finished / "field"), "-o", str(out)]
    assert run_command(words) == 3
    assert "holds a finished run, need an empty or new" in capsys.readouterr().err
    assert (out / "run.json").read_bytes() == before
    (out / "mine.txt").write_text("kept", encoding="utf-8")
    assert run_command([*words, "--overwrite"]) == 0
    assert (out / "mine.txt").read_text(encoding="utf-8") == "kept"


def test_an_export_never_replaces_unasked(finished, tmp_path, capsys):
    words = ["export", str(finished / "out"), "--to", "csv", "-o", str(tmp_path / "x")]
    assert run_command(words) == 0
    written = names(tmp_path / "x")
    assert written
    assert run_command(words) == 3
    assert "--overwrite" in capsys.readouterr().err
    assert run_command([*words, "--overwrite"]) == 0
    assert names(tmp_path / "x") == written


def test_a_broken_run_json_is_unfinished(out, capsys):
    document = json.loads((out / "run.json").read_text(encoding="utf-8"))
    for text in ("", "{", "[]", json.dumps({**document, "program": "other"})):
        (out / "run.json").write_text(text, encoding="utf-8")
        assert run_command(["explain", str(out), "--at", "-93.6,42.0"]) == 3
        assert "is unfinished" in capsys.readouterr().err


def test_memory_of_a_run_stays_small(finished):
    """What this process ever held is far below a small computer's memory."""
    assert finished.exists()
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss < 2 * 2**20  # [kB]


def _wait_for(path: Path, longest: float = 60.0) -> None:
    end = time.monotonic() + longest
    while not path.exists():
        assert time.monotonic() < end
        time.sleep(0.02)


_known: dict[Path, object] = {}


def _result(finished: Path):
    """Return the result of the field in memory, made once."""
    if finished not in _known:
        field, _ = trafficmap.read_field(finished / "field")
        _known[finished] = trafficmap.run(field)
    return _known[finished]
