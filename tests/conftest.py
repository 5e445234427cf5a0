"""Fixtures shared by all tests."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="session")
def shared_data() -> Path:
    """Folder of real logs and stations that nobody in the project wrote.

    TRAFFICMAP_DATA names it; otherwise it is looked for beside the checkout. Where
    the tests must not pass without it, TRAFFICMAP_DEMAND_DATA=1 turns the skip into
    a failure.
    """
    folder = Path(os.environ.get("TRAFFICMAP_DATA", ROOT.parent / "shared" / "data"))
    if not folder.is_dir():
        if os.environ.get("TRAFFICMAP_DEMAND_DATA") == "1":
            pytest.fail(f"real data are demanded but {folder} is absent")
        pytest.skip("real logs and stations are not on this machine")
    return folder
