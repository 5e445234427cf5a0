"""Commands on real data, as a new user types them, and what they print."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from trafficmap.cli import run_command


@dataclass(frozen=True)
class Said:
    """What a command left: its exit code and its two streams."""

    code: int
    out: str
    err: str


@pytest.fixture
def type_command(capsys) -> Callable[..., Said]:
    """Return a caller of the command line."""

    def call(*words: str | Path) -> Said:
        capsys.readouterr()
        code = run_command([str(word) for word in words])
        streams = capsys.readouterr()
        assert "Traceback" not in streams.err
        return Said(code, streams.out, streams.err)

    return call
