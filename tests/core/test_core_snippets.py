"""The Python of the how-to runs as it stands, top to bottom."""

from __future__ import annotations

import importlib.util
import re
import sys
from pathlib import Path

import matplotlib as mpl

ROOT = Path(__file__).resolve().parents[2]
PAGE = ROOT / "docs" / "howto" / "python_and_notebook.md"


def test_every_snippet_runs(tmp_path, monkeypatch):
    mpl.use("Agg")
    monkeypatch.chdir(tmp_path)
    _sample_module(monkeypatch).write_sample(tmp_path / "demo", field="two_strips")
    blocks = re.findall(r"```python\n(.*?)```", PAGE.read_text("utf-8"), flags=re.S)
    assert len(blocks) >= 7
    names: dict[str, object] = {}
    for block in blocks:
        exec(compile(block, PAGE.name, "exec"), names)
    assert names["zones"].equals(names["result"].zones)
    assert 0 <= names["share_driven_twice"] <= 1
    # Stronger soil is never damaged more.
    assert float(names["change"].max()) <= 1e-6
    assert float(names["change"].min()) < 0
    assert (tmp_path / "zones.geojson").stat().st_size > 0
    assert (tmp_path / "demo-out" / "run.json").is_file()


def _sample_module(monkeypatch):
    name = "snippet_sample_fields"
    folder = ROOT / "sample_fields"
    spec = importlib.util.spec_from_file_location(
        name, folder / "__init__.py", submodule_search_locations=[str(folder)]
    )
    module = importlib.util.module_from_spec(spec)
    monkeypatch.setitem(sys.modules, name, module)
    spec.loader.exec_module(module)
    return importlib.import_module(f"{name}.make")
