"""Reference pages printed from the code are up to date."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


def build_module():
    path = ROOT / "docs" / "reference" / "build.py"
    spec = importlib.util.spec_from_file_location("reference_build", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize(
    "name",
    [
        "settings", "layers", "tables", "commands", "exit_codes", "machines",
        "machine_classes",
    ],
)  # fmt: skip
def test_page_is_what_the_code_prints(name):
    module = build_module()
    page = (module.HERE / f"{name}.md").read_text(encoding="utf-8")
    assert page == module.PAGES[f"{name}.md"](), "run python docs/reference/build.py"


def test_every_setting_says_what_it_is():
    assert "see the code" not in build_module().settings_page()
