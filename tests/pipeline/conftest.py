"""The sample fields, made once and run once for all tests here."""

from __future__ import annotations

import json

import pytest

from trafficmap.cli.sample import _sample_module
from trafficmap.field import read_field
from trafficmap.pipeline import run


@pytest.fixture(scope="session")
def ditch_folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("ditch")
    return _sample_module().write_sample(folder / "ditch_sixty", field="ditch_sixty")


@pytest.fixture(scope="session")
def ditch_truth(ditch_folder):
    return json.loads((ditch_folder / "truth.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="session")
def ditch(ditch_folder):
    field, _ = read_field(ditch_folder)
    return run(field)


@pytest.fixture(scope="session")
def two_strips(tmp_path_factory):
    folder = tmp_path_factory.mktemp("two")
    folder = _sample_module().write_sample(folder / "two", field="two_strips")
    field, _ = read_field(folder)
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    return run(field), truth
