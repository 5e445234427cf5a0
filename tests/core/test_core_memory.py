"""Memory is given back where the C library can, and nothing breaks where not."""

from __future__ import annotations

import ctypes
import sys
from pathlib import Path

import numpy as np
import pytest

from trafficmap.core import memory


@pytest.fixture(autouse=True)
def fresh():
    memory._trim.cache_clear()
    yield
    memory._trim.cache_clear()


@pytest.mark.skipif(sys.platform != "linux", reason="asks the Linux kernel")
def test_pieces_between_others_are_given_back():
    if memory._trim() is None:
        pytest.skip("this C library has no such call")
    # 4000 arrays of 64 kB; every second one is dropped, so none lies at the end.
    pieces = [np.ones(8192) for _ in range(4000)]
    del pieces[::2]
    before = _resident()
    assert memory.give_back()
    assert before - _resident() > 100e6
    assert all(piece[0] == 1.0 for piece in pieces)


def test_a_library_without_the_call_is_no_error(monkeypatch):
    class Other:
        def __init__(self, _):
            pass

    monkeypatch.setattr(ctypes, "CDLL", Other)
    assert memory.give_back() is False


def _resident() -> float:
    """Return how much memory this process holds [byte]."""
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * 4096.0
