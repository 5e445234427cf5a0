"""Manners of the command line: help is quick and light, errors are one sentence."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time

import pytest

from trafficmap.cli import EXIT_CODES, cli, run_command

HEAVY = ("numba", "pandas", "geopandas", "rasterio", "pyogrio", "matplotlib", "folium")
PROBE = f"""
import sys
from trafficmap.cli import run_command
code = run_command(sys.argv[1:])
bad = [name for name in {HEAVY} if name in sys.modules]
print("HEAVY", bad)
sys.exit(code)
"""


def cli_process(*arguments, **options):
    return subprocess.run(
        [sys.executable, "-m", "trafficmap", *arguments],
        capture_output=True,
        text=True,
        check=False,
        **options,
    )


@pytest.mark.parametrize(
    "arguments", [["--help"], ["--version"], ["run", "--help"], ["export", "--help"]]
)
def test_help_brings_nothing_heavy(arguments):
    done = subprocess.run(
        [sys.executable, "-c", PROBE, *arguments],
        capture_output=True,
        text=True,
        check=True,
    )
    assert "HEAVY []" in done.stdout


def test_help_is_quick_when_warm():
    cli_process("--help")
    seconds = []
    for _ in range(3):
        began = time.perf_counter()
        assert cli_process("--help").returncode == 0
        seconds.append(time.perf_counter() - began)
    # 0.3 s on a free machine; three times that leaves room for a busy one.
    assert min(seconds) < 0.9


def test_the_package_itself_imports_light():
    code = f"import sys, trafficmap; print([n for n in {HEAVY} if n in sys.modules])"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("name", cli.list_commands(None))
def test_every_command_has_help_that_starts_with_an_example(name, capsys):
    assert run_command([name, "--help"]) == 0
    assert "Example:" in capsys.readouterr().out


@pytest.mark.parametrize(
    "arguments",
    [
        ["fly"],
        ["run", "somewhere"],
        ["new", "somewhere"],
        ["explain", "out", "--at", "here"],
        ["explain", "out", "--at", "41.3,-184"],
        ["export", "out", "--to", "paper", "-o", "x"],
    ],
)
def test_a_wrongly_typed_command_is_exit_2(arguments, capsys):
    assert run_command(arguments) == 2
    assert "Error" in capsys.readouterr().err


def test_an_input_error_is_one_sentence_and_a_try_line(tmp_path, capsys):
    assert run_command(["check", str(tmp_path / "nowhere")]) == 3
    lines = capsys.readouterr().err.strip().splitlines()
    assert len(lines) == 2
    assert lines[1].startswith("Try: ")


def test_unexpected_errors_show_no_traceback_unless_asked(
    monkeypatch, capsys, tmp_path
):
    def broken(*_args, **_kwargs):
        msg = "inner words"
        raise RuntimeError(msg)

    monkeypatch.setattr("trafficmap.field.read_field", broken)
    assert run_command(["check", str(tmp_path)]) == 1
    captured = capsys.readouterr().err
    assert "Traceback" not in captured
    assert "inner words" in captured
    assert run_command(["-vv", "check", str(tmp_path)]) == 1
    assert "Traceback" in capsys.readouterr().err


def test_ctrl_c_is_130(monkeypatch, capsys, tmp_path):
    def stopped(*_args, **_kwargs):
        raise KeyboardInterrupt

    monkeypatch.setattr("trafficmap.field.read_field", stopped)
    assert run_command(["check", str(tmp_path)]) == 130


def test_terminate_is_143():
    code = (
        "import os, signal, threading, time; import trafficmap.cli as c\n"
        "threading.Timer(0.3, os.kill, (os.getpid(), signal.SIGTERM)).start()\n"
        "c.cli.main = lambda **_: time.sleep(20)\n"
        "c.main([])"
    )
    began = time.perf_counter()
    done = subprocess.run([sys.executable, "-c", code], check=False, stderr=-1)
    assert done.returncode == 143
    assert time.perf_counter() - began < 10


def test_a_closed_pipe_is_no_error():
    reader, writer = os.pipe()
    os.close(reader)
    process = subprocess.Popen(
        [sys.executable, "-m", "trafficmap", "--help"],
        stdout=writer,
        stderr=subprocess.PIPE,
    )
    os.close(writer)
    _, errors = process.communicate(timeout=30)
    assert process.returncode in (0, -signal.SIGPIPE)
    assert b"Traceback" not in errors


def test_the_documented_exit_codes_are_those_of_the_code():
    assert set(EXIT_CODES) == {0, 1, 2, 3, 4, 5, 6, 130, 143}
