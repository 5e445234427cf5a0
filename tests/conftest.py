"""Fixtures shared by all tests."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import settings

# The same examples every time, so that a run says something about the change and not
# about luck; TRAFFICMAP_SEARCH=1 looks for new ones.
settings.register_profile("repeatable", derandomize=True, deadline=None)
if os.environ.get("TRAFFICMAP_SEARCH") != "1":
    settings.load_profile("repeatable")

ROOT = Path(__file__).resolve().parents[1]

# Benchmarks are scripts that borrow from one another, run from their own folder.
collect_ignore_glob = ["benchmarks/*"]

KERNEL_FILES = {
    "test_formats_taskdata_damage.py",
    "test_formats_taskdata_rig.py",
    "test_formats_can.py",
    "test_formats_pieces.py",
    "test_formats_nmea.py",
    "test_formats_timelog.py",
    "test_loads_beside.py",
    "test_loads_paths.py",
    "test_loads_payload.py",
    "test_loads_pushed.py",
    "test_plan_order_kernel.py",
    "test_risk_assess.py",
    "test_risk_heaviest_kernel.py",
    "test_risk_tillage.py",
    "test_soil_front.py",
    "test_soil_lateral_kernel.py",
    "test_soil_water.py",
    "test_tracks_bridge.py",
    "test_tracks_clean.py",
    "test_tracks_order.py",
    "test_tracks_reverse.py",
    "test_tracks_split.py",
    "test_traffic_applied.py",
    "test_traffic_count.py",
    "test_traffic_cover.py",
    "test_traffic_inside.py",
    "test_traffic_overlap.py",
    "test_traffic_visits.py",
}
"""Small tests of compiled code, also run as plain Python and with bounds checked."""


def pytest_collection_modifyitems(items):
    for item in items:
        if item.path.name in KERNEL_FILES and "hundred_thousand" not in item.name:
            item.add_marker("kernel")


@pytest.fixture(scope="session")
def shared_data() -> Path:
    """Folder of real logs and stations that nobody in the project wrote.

    TRAFFICMAP_DATA names it; otherwise it is looked for beside the checkout.
    """
    folder = Path(os.environ.get("TRAFFICMAP_DATA", ROOT.parent / "shared" / "data"))
    if not folder.is_dir():
        pytest.skip("real logs and stations are not on this machine")
    return folder


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item, call):
    """Turn every skip into a failure where nothing may be missing."""
    report = yield
    if report.skipped and os.environ.get("TRAFFICMAP_DEMAND_ALL") == "1":
        reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else ""
        report.outcome = "failed"
        report.longrepr = f"skipped, but nothing may be missing here: {reason}"
    return report
