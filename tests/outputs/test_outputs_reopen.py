"""A run opened again: found beside its field, and refused when an input changed."""

from __future__ import annotations

import json
import shutil

import pytest

from trafficmap.cli.sample import _sample_module
from trafficmap.core.errors import InputError
from trafficmap.field import read_field
from trafficmap.outputs.reopen import reopen
from trafficmap.outputs.run_folder import write_run
from trafficmap.pipeline import run


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    place = tmp_path_factory.mktemp("reopen")
    folder = _sample_module().write_sample(place / "two", field="two_strips")
    field, _ = read_field(folder)
    result = run(field)
    write_run(result, place / "out")
    return place, result


@pytest.fixture
def moved(made, tmp_path):
    place, result = made
    shutil.copytree(place, tmp_path / "farm")
    return tmp_path / "farm", result


def test_the_field_is_found_where_both_folders_moved_together(moved):
    place, result = moved
    again = reopen(place / "out")
    assert again.folder == place / "two"
    assert again.settings == result.settings
    assert again.result().zones.equals(result.zones)


def test_origin_holds_no_absolute_place(moved):
    place, _ = moved
    told = json.loads((place / "out" / "origin.json").read_text(encoding="utf-8"))
    assert told == {"folder": "../two"}


def test_a_changed_input_is_named(moved):
    place, _ = moved
    text = (place / "two" / "field.toml").read_text(encoding="utf-8")
    (place / "two" / "field.toml").write_text(text + "\n", encoding="utf-8")
    again = reopen(place / "out")
    with pytest.raises(InputError, match=r"^two: field\.toml is not what out was made"):
        again.field()
    assert again.field(may_differ=("field.toml",)).name


def test_a_field_that_is_gone_is_asked_for(moved):
    place, _ = moved
    (place / "two").rename(place / "elsewhere")
    with pytest.raises(InputError, match=r"two: holds no field\.toml") as caught:
        reopen(place / "out")
    assert "--field" in str(caught.value.hint)
    assert reopen(place / "out", folder=place / "elsewhere").field().name


def test_a_run_without_origin_asks_for_the_field(moved):
    place, _ = moved
    (place / "out" / "origin.json").unlink()
    with pytest.raises(InputError, match="does not say where its field is"):
        reopen(place / "out")
