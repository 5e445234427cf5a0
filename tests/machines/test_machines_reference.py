"""The reference page is the one the code prints."""

from __future__ import annotations

from pathlib import Path

from trafficmap.machines.catalogue import class_names
from trafficmap.machines.reference import reference_page

PAGE = Path(__file__).resolve().parents[2] / "docs" / "reference" / "machines.md"


def test_page_is_up_to_date():
    # Print it again with: python -m trafficmap.machines.reference
    assert PAGE.read_text(encoding="utf-8") == reference_page()


def test_every_class_and_every_unit_is_on_it():
    page = reference_page()
    assert all(f"| {name} |" in page for name in class_names())
    assert page.count("[kPa]") >= 3
    assert "| |" not in page
