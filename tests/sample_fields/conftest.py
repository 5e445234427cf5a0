"""The sample fields stand beside the package; the tests write them once."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))


@pytest.fixture(scope="session")
def ditch(tmp_path_factory) -> Path:
    """Folder of the main sample, written once."""
    from sample_fields.make import write_sample

    return write_sample(tmp_path_factory.mktemp("sample") / "ditch")


@pytest.fixture(scope="session")
def truth(ditch) -> dict:
    """The truth of the main sample."""
    return json.loads((ditch / "truth.json").read_text())


@pytest.fixture(scope="session")
def happened():
    """The season itself, before any receiver saw it."""
    from sample_fields.season import season

    return season()
