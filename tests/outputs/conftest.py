"""A small invented result, so that outputs are tested without the whole line."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

_SPEC = importlib.util.spec_from_file_location(
    "synthetic_result", Path(__file__).with_name("synthetic_result.py")
)
synthetic = importlib.util.module_from_spec(_SPEC)
sys.modules["synthetic_result"] = synthetic
_SPEC.loader.exec_module(synthetic)


@pytest.fixture(scope="session")
def result():
    return synthetic.make_result()


@pytest.fixture(scope="session")
def make_result():
    return synthetic.make_result


@pytest.fixture(scope="session")
def run_dir(result, tmp_path_factory):
    from trafficmap.outputs.run_folder import write_run

    return write_run(result, tmp_path_factory.mktemp("run") / "out")
