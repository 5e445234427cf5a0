"""What the tutorial shows is what the sample field gives."""

from __future__ import annotations

from pathlib import Path

from trafficmap.field.report import check_lines
from trafficmap.outputs.words import sentence_of_the_day

PAGE = Path(__file__).resolve().parents[2] / "docs" / "tutorial" / "first_field.md"


def test_the_sentence_of_the_day(ditch):
    text = PAGE.read_text("utf-8")
    sentence = sentence_of_the_day(ditch.zones, ditch.stops, ditch.field.units)
    assert f"\n{sentence}\nmap: demo-out/map.html\n" in text


def test_the_first_lines_of_check(ditch):
    text = PAGE.read_text("utf-8")
    for line in check_lines(ditch.field)[:6]:
        assert f"\n{line}\n" in text


def test_the_zones_it_speaks_of(ditch):
    zones = ditch.zones.set_index("zone")
    words = {1: "rip", 3: "level ruts only", 4: "wait", 14: "not assessed"}
    assert {zone: zones.loc[zone, "advice"] for zone in words} == words
    assert "D21" in str(zones.loc[3, "further"])
    text = PAGE.read_text("utf-8")
    assert "row D5 of the decision table" in text
    assert zones.loc[1, "row"] == "D5"
