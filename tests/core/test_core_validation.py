"""The page of published checks holds the rows of tests/published/, and no others."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def build():
    path = ROOT / "docs" / "validation" / "build.py"
    spec = importlib.util.spec_from_file_location("validation_build", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def recorded(build):
    return build.record()


def cells(line: str) -> tuple[str, ...]:
    return tuple(part.strip() for part in line.strip("|").split(" | "))


def named(lines) -> dict[str, tuple[str, ...]]:
    return {cells(line)[0]: cells(line)[1:] for line in lines}


def rows_of_page(build) -> dict[str, tuple[str, ...]]:
    text = build.PAGE.read_text("utf-8")
    tables = text.split("\n## ")[1:]
    return named(
        f"{table.split(chr(10))[0]}: {line.strip('| ')}"
        for table in tables
        for line in table.split("\n")
        if line.startswith("| ") and not line.startswith(("| quantity", "| ---"))
    )


def test_page_is_up_to_date(build, recorded):
    made = named(
        f"{topic}: {line.strip('| ')}"
        for topic, lines in build.page_rows(recorded).items()
        for line in lines
    )
    page = rows_of_page(build)
    missing = {
        name for name, row in page.items() if name not in made and row[-1] != "real log"
    }
    assert not missing, "run python docs/validation/build.py"
    for name, (theirs, ours, _, *said) in made.items():
        assert name in page, f"{name}: run python docs/validation/build.py"
        there = page[name]
        assert (theirs, *said) == (there[0], *there[3:]), name
        # The last printed digit may turn on another machine.
        assert float(ours) == pytest.approx(float(there[1]), rel=1e-4, abs=1e-12)


def test_every_row_has_a_name_of_its_own(recorded):
    names = [(row["topic"], row["quantity"]) for row in recorded["rows"]]
    assert len(names) == len(set(names))
    assert len(names) > 400


def test_no_published_check_is_left_out_of_the_page():
    # Checks that compare words or raise are not numbers; all others leave a row.
    plain = {
        "tests/published/test_decision_checks.py": 1,  # a ratio to our own ratio
        "tests/published/test_retention_checks.py": 1,  # a guard of ours
        "tests/published/conftest.py": 1,
    }
    for path in (ROOT / "tests" / "published").glob("*.py"):
        found = path.read_text("utf-8").count("pytest.approx(")
        assert found == plain.get(f"tests/published/{path.name}", 0), path.name
