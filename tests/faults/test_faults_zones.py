"""Tools that do not fit, tile that contradicts itself: a sentence each, in any run."""

from __future__ import annotations

import pytest
import tiny_field

from trafficmap.field import read_field
from trafficmap.pipeline import run

LINE = '[[keep_out]]\nkind = "{}"\nfile = "line.geojson"\n{}'
TOOL = "width_m = 5.33"


def notes_of(home, *, add="", swap=("", "")):
    tiny_field.write_full_field(home, without=("keep_out",))
    path = home / "field.toml"
    text = path.read_text("utf-8")
    assert swap[0] in text
    path.write_text(text.replace(*swap, 1) + add, encoding="utf-8")
    field, _ = read_field(home)
    return {note.code: note for note in run(field).notes}


CASES = {
    "a tool wider than the field": (
        {"swap": (TOOL, "width_m = 120.0")},
        "zones.tool_wide",
        "the tool is 394 ft (120.0 m) wide",
    ),
    "end rows narrower than the tool": (
        {"swap": ("end_row_width_m = 20.0", "end_row_width_m = 4.0")},
        "zones.end_rows_narrow",
        "the end rows are 13 ft (4.0 m) wide, the tool 17 ft (5.3 m)",
    ),
    "a tile line deeper than stated": (
        {"add": LINE.format("tile", "located = true\ncover_m = 1.2\n")},
        "zones.tile_covers",
        "lies deeper than stated: 47 in (120 cm) of soil above it, 35 in (90 cm)",
    ),
    "a tile line shallower than stated": (
        {"add": LINE.format("tile", "located = true\ncover_m = 0.5\n")},
        "zones.tile_covers",
        "lies shallower than stated: 20 in (50 cm) of soil above it, 35 in (90 cm)",
    ),
    "tile lines where there is said to be no tile": (
        {
            "swap": ('state = "known"\ncover_m = 0.9', 'state = "none"'),
            "add": LINE.format("tile", "located = true\ncover_m = 0.5\n"),
        },
        "zones.tile_denied",
        "yet 1 tile line is drawn",
    ),
    "a lane without a width": (
        {"add": LINE.format("lane", "")},
        "zones.keep_out_width",
        "17 ft (5.3 m) is kept free along them; say buffer_m",
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_each_fault_gets_its_sentence(name, tmp_path):
    change, code, words = CASES[name]
    notes = notes_of(tmp_path / "field", **change)
    assert code in notes
    assert words in notes[code].sentence


def test_a_field_that_fits_its_tool_hears_none_of_it(tmp_path):
    notes = notes_of(tmp_path / "field")
    assert not {code for _, code, _ in CASES.values()} & set(notes)
