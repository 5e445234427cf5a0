"""Every page of theory has its parts, and its table names code and tests that exist."""

from __future__ import annotations

import importlib
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
FOLDER = ROOT / "docs" / "theory"
PAGES = sorted(page.stem for page in FOLDER.glob("*.md") if page.stem != "index")
PARTS = (
    "In plain words",
    "Symbols",
    "Valid for",
    "Source and what was changed",
    "Uncertain",
    "Where it is",
)
TESTS = {
    path.name: path.read_text("utf-8") for path in (ROOT / "tests").rglob("test_*.py")
}


def text_of(page: str) -> str:
    return (FOLDER / f"{page}.md").read_text("utf-8")


def rows_of(page: str) -> list[list[str]]:
    """Return the rows of the last table: equation, function, test, source."""
    table = text_of(page).split("## Where it is")[1]
    rows = [line for line in table.splitlines() if line.startswith("|")]
    return [[cell.strip() for cell in row.strip("|").split("|")] for row in rows[2:]]


def found(name: str) -> bool:
    """Tell whether a dotted name below the package leads to something."""
    parts = name.split(".")
    for k in range(len(parts), 0, -1):
        try:
            thing = importlib.import_module("trafficmap." + ".".join(parts[:k]))
        except ModuleNotFoundError:
            continue
        for part in parts[k:]:
            if not hasattr(thing, part):
                return False
            thing = getattr(thing, part)
        return True
    return False


def test_there_is_a_page_for_every_stage_and_the_index_names_it():
    index = text_of("index")
    assert len(PAGES) >= 9
    for page in PAGES:
        assert f"({page}.md)" in index, page


@pytest.mark.parametrize("page", PAGES)
def test_every_page_has_its_parts(page):
    heads = re.findall(r"(?m)^## (.+)$", text_of(page))
    missing = [part for part in PARTS if part not in heads]
    assert not missing, f"{page}: {missing}"


@pytest.mark.parametrize("page", PAGES)
def test_every_symbol_has_a_unit_and_a_meaning(page):
    text = text_of(page).split("## Symbols")[1].split("\n## ")[0]
    rows = [line for line in text.splitlines() if line.startswith("|")]
    assert [cell.strip() for cell in rows[0].strip("|").split("|")] == [
        "symbol", "unit", "meaning",
    ]  # fmt: skip
    assert len(rows) > 4
    for row in rows[2:]:
        cells = [cell.strip() for cell in row.strip("|").split("|")]
        assert len(cells) == 3, row
        assert all(cells), row


@pytest.mark.parametrize("page", PAGES)
def test_every_row_names_a_function_and_a_test_that_exist(page):
    rows = rows_of(page)
    assert len(rows) > 5
    for row in rows:
        assert len(row) == 4, row
        assert all(row), row
        for name in re.findall(r"`([^`]+)`", row[1]):
            assert found(name), f"{page}: {name}"
        for name in re.findall(r"`([^`]+)`", row[2]):
            file, _, test = name.partition("::")
            assert file in TESTS, f"{page}: {name}"
            if test:
                stem = test.split("[")[0]
                assert re.search(rf"\bdef {stem}\(", TESTS[file]), f"{page}: {name}"
