"""The writing layer: a whole new file, or the old one, and nothing left behind."""

from __future__ import annotations

import errno
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from trafficmap.core.errors import OutputError
from trafficmap.formats import _files

PACKAGE = Path(_files.__file__).parents[1]

WRITE = """
import sys
from trafficmap.formats._files import write_text
write_text(sys.argv[1], "new")
"""


@pytest.fixture(autouse=True)
def no_calls_yet(monkeypatch):
    monkeypatch.setattr(_files, "_calls", 0)


@pytest.mark.parametrize("point", [1, 2])
@pytest.mark.parametrize("code", ["ENOSPC", "EIO", "EACCES", "EROFS"])
def test_an_error_at_any_point_leaves_the_old_file(tmp_path, monkeypatch, point, code):
    path = _files.write_text(tmp_path / "a.txt", "old")
    monkeypatch.setattr(_files, "_calls", 0)
    monkeypatch.setenv("TRAFFICMAP_FAULT", f"{point}:{code}")
    with pytest.raises(OutputError, match=r"a\.txt: could not be written") as caught:
        _files.write_text(path, "new")
    assert caught.value.exit_code == 6
    assert path.read_text(encoding="utf-8") == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["a.txt"]


@pytest.mark.parametrize("point", [1, 2])
def test_a_kill_at_any_point_leaves_the_old_file_whole(tmp_path, point):
    path = _files.write_text(tmp_path / "a.txt", "old")
    done = subprocess.run(
        [sys.executable, "-c", WRITE, str(path)],
        env={**os.environ, "TRAFFICMAP_FAULT": f"{point}:kill"},
        check=False,
    )
    assert done.returncode == 137
    assert path.read_text(encoding="utf-8") == "old"
    _files.sweep_parts(tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["a.txt"]


def test_files_are_forced_to_the_disk_in_the_right_order(tmp_path, monkeypatch):
    order = []
    real_sync, real_replace = os.fsync, os.replace
    monkeypatch.setattr(
        os, "fsync", lambda fd: (order.append("sync"), real_sync(fd))[1]
    )
    monkeypatch.setattr(
        os, "replace", lambda a, b: (order.append("rename"), real_replace(a, b))[1]
    )
    _files.write_bytes(tmp_path / "a.bin", b"x")
    assert order == ["sync", "rename", "sync"]


def test_a_folder_that_may_not_be_written_is_named(tmp_path):
    blocked = tmp_path / "file"
    blocked.write_text("x", encoding="utf-8")
    with pytest.raises(OutputError, match="a file stands where a folder is needed"):
        _files.write_text(blocked / "a.txt", "x")


def test_a_librarys_own_write_error_becomes_a_sentence(tmp_path):
    def writer(part):
        msg = "Write failed at scanline 3"
        raise RuntimeError(msg)

    with pytest.raises(OutputError, match="could not be written"):
        _files.write_with(tmp_path / "a.tif", writer)
    assert list(tmp_path.iterdir()) == []


def test_full_disk_says_so(tmp_path):
    def writer(part):
        raise OSError(errno.ENOSPC, "no space")

    with pytest.raises(OutputError, match="the disk is full"):
        _files.write_with(tmp_path / "a.tif", writer)


def test_nobody_else_opens_files_for_writing():
    """Only the writing layer, the lock, and throw-away files may write."""
    allowed = {"formats/_files.py", "outputs/run_folder.py"}
    writes = re.compile(
        r"""open\([^)]*["'][wax]b?\+?["']|(?<!\b_files)\.write_(text|bytes)\(|os\.open\("""
    )
    guilty = []
    for path in sorted(PACKAGE.rglob("*.py")):
        name = path.relative_to(PACKAGE).as_posix()
        if name in allowed:
            continue
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
            # A member of a zip in memory is no file of its own.
            harmless = "devnull" in line or "packed.open(" in line
            if writes.search(line) and not harmless:
                guilty.append(f"{name}:{number}: {line.strip()}")
    assert guilty == []
