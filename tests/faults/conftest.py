"""A tiny good field, to be spoilt in one way by each case."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

_SPEC = importlib.util.spec_from_file_location(
    "tiny_field", Path(__file__).with_name("tiny_field.py")
)
tiny_field = importlib.util.module_from_spec(_SPEC)
sys.modules["tiny_field"] = tiny_field
_SPEC.loader.exec_module(tiny_field)


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """Return the folder of a field that checks and runs."""
    return tiny_field.write_field(tmp_path / "field")
