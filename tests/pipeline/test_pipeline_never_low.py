"""Ground nobody could assess is never called low: not in a note, a zone or the page."""

from __future__ import annotations

import re
import shutil

import numpy as np
import pytest

from sample_fields.make import write_sample
from trafficmap.core.constants import COMPUTE_DEPTHS
from trafficmap.field import read_field
from trafficmap.outputs.explain import explain
from trafficmap.outputs.run_folder import write_run
from trafficmap.pipeline import run
from trafficmap.risk.assess import WORST_DEPTHS

GOOD = re.compile(
    r"\b(low|lower risk|unlikely|safe|harmless|undamaged|no damage|not damaged|"
    r"no risk|good shape|all right|fit to leave)\b",
    re.IGNORECASE,
)
"""Words that would tell a reader the ground is fine."""

ALLOWED = (
    "count neither as low nor as high",
    "neither way. It is not low",
    "unlikely is below 20 in 100",
)
"""Sentences that take it back, and the line that says what the classes mean."""

MISSING = {
    "weather": r"\[weather\]\n(?:.+\n)*",
    "soil": r"\[soil\]\n(?:.+\n)*",
    "clock": r'(?m)^time_zone = "America/New_York"\n',
}


@pytest.fixture(scope="module")
def field_folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("never") / "field"
    return write_sample(folder, field="two_strips")


@pytest.fixture(scope="module", params=["weather", "soil"])
def blank(request, field_folder, tmp_path_factory):
    """Run and write a field of which nothing can be assessed."""
    folder = tmp_path_factory.mktemp(request.param) / "field"
    shutil.copytree(field_folder, folder)
    path = folder / "field.toml"
    text, count = re.subn(MISSING[request.param], "", path.read_text("utf-8"))
    assert count == 1
    path.write_text(text, "utf-8")
    result = run(read_field(folder)[0])
    out = folder.parent / "out"
    write_run(result, out)
    return result, out


def good_words(text: str) -> list[str]:
    """Return every place where a text speaks well of the ground."""
    text = " ".join(text.split())
    for sentence in ALLOWED:
        text = text.replace(sentence, "")
    return [
        text[max(0, found.start() - 60) : found.end() + 30]
        for found in GOOD.finditer(text)
    ]


def test_the_words_looked_for_would_be_found():
    assert good_words("Damage: unlikely.")
    assert good_words("The risk is LOW here")
    assert not good_words("Below 20 in it flows slowly; they count neither as low "
                          "nor as high.")  # fmt: skip


def test_nothing_is_assessed_and_no_layer_says_low(blank):
    result, _ = blank
    driven = result.tray["run_over"].values > 0
    assert driven.any()
    assert (result.tray["risk_worst"].values[driven] == 5).all()
    for d in range(len(COMPUTE_DEPTHS)):
        assert np.isnan(result.tray["probability"].values[d][driven]).all()
        assert (result.tray["risk"].values[d][driven] == 5).all()
    assert (result.tray["rut"].values[driven] == 5).all()
    assert not (result.tray["undecided"].values[driven] == 1).any()


def test_no_note_speaks_well_of_it(blank):
    result, _ = blank
    for note in result.notes:
        assert not good_words(note.sentence), note.code


def test_no_zone_speaks_well_of_it(blank):
    result, _ = blank
    for zone in result.zones.itertuples():
        told = f"{zone.reason} {zone.further or ''} {zone.risk}"
        assert not good_words(told), zone.zone
        if zone.run_over > 0:
            assert zone.risk == "not assessed"
            assert zone.advice != "leave" or "not assessed" in told


def test_neither_the_page_nor_the_readme_speaks_well_of_it(blank):
    _, out = blank
    assert not good_words((out / "README.txt").read_text("utf-8"))
    page = (out / "map.html").read_text("utf-8")
    seen = re.sub(r"(?s)<(script|style).*?</\1>", " ", page)
    seen = " ".join(re.sub(r"<[^>]+>", " ", seen).split())
    # The legend names every class with its area, which is nothing for those.
    legend = re.compile(r"(unlikely|possible|likely|very likely) +0\.00 (ha|ac)")
    assert legend.search(seen)
    assert not good_words(legend.sub("", seen))


def test_explain_does_not_either(blank):
    result, out = blank
    grid = result.grid
    row, col = np.argwhere(result.tray["run_over"].values > 0.5)[0]
    from pyproj import Transformer

    lon, lat = Transformer.from_crs(grid.epsg, 4326, always_xy=True).transform(
        grid.west + (col + 0.5) * grid.cell, grid.north - (row + 0.5) * grid.cell
    )
    told = explain(out, lon, lat)
    assert "not assessed" in told or "not known" in told
    assert not good_words(told.split("What the numbers rest on")[0])


def test_ground_that_is_open_in_part_is_not_low_where_it_is_open(ditch):
    """In the main sample one strip has no clock; the rest is known."""
    open_ = ditch.tray["risk_worst"].values == 5
    assert open_.any()
    worst = [COMPUTE_DEPTHS.index(depth) for depth in WORST_DEPTHS]
    known = np.isfinite(ditch.tray["probability"].values[worst]).all(axis=0)
    assert not known[open_].any()
    zones = ditch.zones[ditch.zones["risk"] == "not assessed"]
    assert len(zones)
    for zone in zones.itertuples():
        assert not good_words(f"{zone.reason} {zone.further or ''}")
