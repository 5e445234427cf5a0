"""The kernels with compilation off: the same numbers, and no index out of bounds."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SMALL = [
    "tests/traffic/test_traffic_inside.py::test_hole_and_second_part",
    "tests/traffic/test_traffic_cover.py::test_one_wheel_up_the_middle_column",
    "tests/traffic/test_traffic_cover.py::"
    "test_wheel_that_turns_about_itself_sweeps_both_halves",
    "tests/traffic/test_traffic_cover.py::"
    "test_cut_between_two_passes_is_not_a_second_pass",
    "tests/traffic/test_traffic_visits.py::test_offsets_left_and_right_of_a_straight",
    "tests/traffic/test_traffic_count.py::test_crossing_strips_by_hand",
    "tests/traffic/test_traffic_applied.py::test_strip_by_hand",
    "tests/tracks/test_tracks_clean.py::test_backward_and_forward_stamps_go_one_by_one",
    "tests/tracks/test_tracks_clean.py::test_place_held_for_a_beat_goes",
    "tests/tracks/test_tracks_split.py::test_rows_by_signal",
]


@pytest.mark.parametrize("flag", ["NUMBA_DISABLE_JIT"])
def test_small_cases_hold_without_compilation(flag):
    if os.environ.get(flag):
        pytest.skip("this run is already without compilation")
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *SMALL],
        cwd=ROOT,
        env={**os.environ, flag: "1"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout[-3000:]
    assert f"{len(SMALL)} passed" in done.stdout
