"""The map page as text: offline, closed, escaped, small, the same every time."""

from __future__ import annotations

import base64
import hashlib
import json
import re
import zlib
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from pyproj import Transformer
from xstatic.pkg import leaflet

from trafficmap.outputs import inks, pictures, png, squares
from trafficmap.outputs.map_page import map_page

LEAFLET_1_9_3 = "5819285cec137b229c94e1ee5ad73e8b6b84345a4367d60f75fe477fe0fb7b03"
"""SHA-256 of leaflet.js as xstatic-leaflet 1.9.3.0 ships it, 146 715 bytes."""

DATE = pd.Timestamp("2026-10-14T17:00:00Z")
HOSTILE = '<script>alert(1)</script> & "Ditch" ${x} `y` </script> {{ 7*7 }}'


class Reader(HTMLParser):
    """Collect what a browser would load, run and show."""

    def __init__(self):
        super().__init__()
        self.loads, self.scripts, self.handlers, self.text = [], [], [], []
        self._inside = None

    def handle_starttag(self, tag, attrs):
        told = dict(attrs)
        for name in ("src", "href", "srcset", "action", "data", "poster", "xlink:href"):
            if told.get(name):
                self.loads.append(told[name])
        self.handlers += [name for name in told if name.startswith("on")]
        self._inside = (tag, told)
        if tag == "script":
            self.scripts.append([told, ""])

    def handle_data(self, data):
        if self._inside and self._inside[0] == "script":
            self.scripts[-1][1] += data
        elif self._inside and self._inside[0] != "style":
            self.text.append(data)

    def handle_endtag(self, tag):
        self._inside = None


def read(page):
    reader = Reader()
    reader.feed(page)
    return reader


@pytest.fixture(scope="module")
def page(run_dir):
    return (run_dir / "map.html").read_text(encoding="utf-8")


def test_nothing_is_loaded_from_outside(page):
    reader = read(page)
    assert reader.loads == []
    assert reader.handlers == []
    style = re.search(r"<style>(.*?)</style>", page, re.DOTALL).group(1)
    assert "@import" not in style
    assert set(re.findall(r"url\(([^)]*)\)", style)) == {"#p-rip", "#p-none", "#p-dots"}


def test_the_policy_allows_these_scripts_and_no_other(page):
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', page).group(1)
    assert policy.startswith("default-src 'none'")
    assert "unsafe" not in policy
    assert page.index("Content-Security-Policy") < page.index("<title>")
    scripts = [text for told, text in read(page).scripts if not told]
    assert len(scripts) == 3
    for text in scripts:
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        assert f"'sha256-{digest}'" in policy


def test_leaflet_is_the_one_that_is_pinned(page):
    raw = (Path(leaflet.BASE_DIR) / "leaflet.js").read_bytes()
    text = raw.decode().split("\n//# sourceMappingURL")[0]
    assert text in page
    assert hashlib.sha256(raw).hexdigest() == LEAFLET_1_9_3
    assert "BSD 2-clause" in page


def test_size(page):
    assert len(page.encode()) < 1_500_000


def test_every_text_is_escaped(make_result):
    result = make_result(name=HOSTILE)
    zones = result.zones.assign(reason=HOSTILE, further=HOSTILE)
    from dataclasses import replace

    from trafficmap.core.notes import Note

    notes = [Note("a.b", "check", HOSTILE, 1, HOSTILE)]
    page = map_page(replace(result, zones=zones, notes=notes), mark="x", date=DATE)
    reader = read(page)
    assert len(reader.scripts) == 4
    assert not any(text.strip() == "alert(1)" for _, text in reader.scripts)
    shown = "".join(reader.text)
    assert HOSTILE in shown
    assert "{{ 7*7 }}" in shown


def test_data_cannot_end_its_script(page):
    told, text = next(s for s in read(page).scripts if s[0].get("id") == "data")
    assert told["type"] == "application/json"
    assert not set("<>&") & set(text)
    assert json.loads(text)["machines"] == ["combine, 12-row", "grain cart <b>&"]


def test_the_same_result_gives_the_same_page(page, make_result, run_dir):
    mark = json.loads((run_dir / "run.json").read_text(encoding="utf-8"))["run"]
    assert map_page(make_result(), mark=mark, date=DATE) == page


def test_no_random_ids_are_left(page):
    script = [text for told, text in read(page).scripts if not told][1]
    names = set(re.findall(r"\b(?:map|image_overlay|geo_json)_\w+", script))
    assert {name for name in names if re.search(r"[0-9a-f]{32}", name)} == set()
    assert {"map_field", "geo_json_zones", "image_overlay_risk_35"} <= names


def test_order_of_the_panel(page):
    shown = page[page.index("<body>") :]
    order = ["<h1>", 'class="sentence"', "What is shown", 'class="legend"',
             "Check first", "Work, in order", "Dig first", "Roll the soil",
             ">Zones, by", "Left alone, and why", "Taken for granted",
             "Notes about the data", "Cautions", "How sure"]  # fmt: skip
    places = [shown.index(text) for text in order]
    assert places == sorted(places)


def test_legends_add_up_to_the_field(page, result):
    acres = result.field.area / 4046.8564224
    for legend in re.findall(
        r'data-legend="[^"]*" hidden>(.*?)</table>', page, re.DOTALL
    ):
        rows = re.findall(r'row">([^<]*)</th><td>([\d.,]+) acres', legend)
        total = sum(float(area) for text, area in rows if "undecided" not in text)
        # Each row is rounded to a tenth.
        assert total == pytest.approx(acres, abs=0.05 * len(rows))


def test_legends_tell_the_ground_under_the_wheels(page, result):
    # A quarter of a cell under a wheel is a quarter of its area, not all of it.
    over = np.nan_to_num(result.tray["run_over"].values)
    share = over.sum() / np.nan_to_num(result.tray["inside"].values).sum()
    legend = re.search(
        r'data-legend="passes" hidden>(.*?)</table>', page, re.DOTALL
    ).group(1)
    rows = dict(re.findall(r'row">([^<]*)</th><td>([\d.,]+) acres', legend))
    acres = result.field.area / 4046.8564224
    rest = float(rows.pop("not run over"))
    assert sum(map(float, rows.values())) == pytest.approx(share * acres, abs=0.2)
    assert rest == pytest.approx((1 - share) * acres, abs=0.1)


def test_metric_people_read_metric(make_result):
    page = map_page(make_result(units="metric"), mark="x", date=DATE)
    text = "".join(read(page).text)
    assert "Rip 0.76 ha at 36 cm and 0.70 ha at 41 cm." in text
    assert "under 10.0 t" in text
    assert "10.0 to 20.0 t" in text
    assert " acres" not in text


def test_assumed_layers_are_said_on_the_page(make_result):
    import msgspec

    result = make_result()
    told = msgspec.structs.replace(result.settings.zones, assume_confirmed=0.3)
    changed = msgspec.structs.replace(result.settings, zones=told)
    page = map_page(make_result(settings=changed), mark="x", date=DATE)
    assert "without digging" in "".join(read(page).text)


def test_notes_beyond_ten_are_folded_worst_first(make_result):
    from trafficmap.core.notes import Note

    notes = [Note("a.b", "info", f"Number {k}.", k) for k in range(14)]
    notes.append(Note("a.c", "stop", "Comes first.", 1))
    page = map_page(make_result(notes=notes), mark="x", date=DATE)
    open_part, _, folded = page[page.index("Notes about") :].partition("<details>")
    assert open_part.count("<li") == 10
    assert open_part.index("Comes first.") < open_part.index("Number 0.")
    assert "<summary>5 more</summary>" in folded
    assert folded.partition("</details>")[0].count("<li") == 5


def test_the_panel_tells_work_places_and_the_hand_test(page):
    for text in ("Work, in order", "Dig first", "Roll the soil by hand",
                 "Ripping in all: 3.6 acres", "Coordinates of every spot"):  # fmt: skip
        assert text in page


# --- pictures ---


def decode(letters):
    """Return the palette numbers of one of our PNG files, read by hand."""
    raw = base64.b64decode(letters)
    assert raw[:8] == b"\x89PNG\r\n\x1a\n"
    cols = int.from_bytes(raw[16:20], "big")
    rows = int.from_bytes(raw[20:24], "big")
    at = raw.index(b"IDAT")
    size = int.from_bytes(raw[at - 4 : at], "big")
    lines = np.frombuffer(zlib.decompress(raw[at + 4 : at + 4 + size]), dtype=np.uint8)
    return lines.reshape(rows, cols + 1)[:, 1:]


def test_a_png_is_read_by_others():
    from io import BytesIO

    from PIL import Image

    pixels = np.array([[0, 1], [1, 0], [1, 1]], dtype=np.uint8)
    raw = png.palette_png(pixels, ["#102030", "#405060"], [0, 255])
    image = Image.open(BytesIO(raw)).convert("RGBA")
    assert image.size == (2, 3)
    assert image.getpixel((0, 0)) == (0x10, 0x20, 0x30, 0)
    assert image.getpixel((1, 0)) == (0x40, 0x50, 0x60, 255)


def test_the_palette_can_be_exchanged_as_text():
    from io import BytesIO

    from PIL import Image

    pixels = np.array([[0, 1]], dtype=np.uint8)
    letters = png.base64_text(
        png.palette_png(pixels, ["#000000", "#ffffff"], [255, 255])
    )
    other = png.base64_text(png.palette_chunk(["#112233", "#445566"]))
    start = png.HEAD_LETTERS
    changed = letters[:start] + other + letters[start + len(other) :]
    image = Image.open(BytesIO(base64.b64decode(changed))).convert("RGBA")
    assert image.getpixel((1, 0)) == (0x44, 0x55, 0x66, 255)


def test_a_picture_lies_where_the_cells_lie(result):
    """Every cell centre falls on a pixel of its own class, to within a pixel."""
    classes = np.zeros(result.grid.shape, dtype=np.uint8)
    classes[20:60, 30:90] = 3
    made = pictures.picture(classes, grid=result.grid, ramp=pictures.FACTS)
    shown = decode(made.letters) // 8
    south, west, north, east = made.bounds
    to_web = Transformer.from_crs(4326, 3857, always_xy=True)
    (x0, y0), (x1, y1) = to_web.transform(west, south), to_web.transform(east, north)
    here = Transformer.from_crs(result.grid.epsg, 3857, always_xy=True)
    x, y = here.transform(*np.meshgrid(*result.grid.centres()))
    col = ((x - x0) / (x1 - x0) * shown.shape[1]).astype(int)
    row = ((y1 - y) / (y1 - y0) * shown.shape[0]).astype(int)
    np.testing.assert_array_equal(shown[row, col], classes)


def test_not_assessed_is_a_hatch_without_fill(result):
    classes = np.full(result.grid.shape, 5, dtype=np.uint8)
    made = pictures.picture(classes, grid=result.grid, ramp=pictures.RISK)
    alpha = [pictures._alpha(k, pictures.RISK) for k in np.unique(decode(made.letters))]
    assert sorted(set(alpha)) == [0, 255]
    drawn = np.isin(decode(made.letters) % 4, [pictures._LINE]).mean()
    assert drawn < 0.25


def test_undecided_ground_has_dots_in_every_class(result):
    for klass in (1, 2, 3, 4):
        classes = np.full(result.grid.shape, klass, dtype=np.uint8)
        made = pictures.picture(
            classes,
            grid=result.grid,
            ramp=pictures.RISK,
            dots=np.ones_like(classes, bool),
        )
        numbers = np.unique(decode(made.letters))
        shown = {
            pictures._ink(int(k), pictures.RISK, "light") for k in numbers if k // 8
        }
        assert inks.LIGHT[f"risk-{klass}"] in shown
        assert len(shown) == 2


def test_print_tells_classes_apart_by_pattern():
    """In print every class from possible on has ink on other pixels than the rest."""
    marked = {}
    for klass in (1, 2, 3, 4):
        fill = pictures._ink(klass * 8, pictures.RISK, "print")
        marked[klass] = {
            p
            for p in range(4)
            if pictures._ink(klass * 8 + p, pictures.RISK, "print") != fill
        }
    assert marked[1] == set()
    assert len({frozenset(m) for m in marked.values()}) == 4


def test_a_large_field_gets_coarser_pictures():
    from trafficmap.core.grid import FieldGrid

    grid = FieldGrid(32615, 448_600.0, 4_655_000.0, 1.0, 1800, 2200)
    shown, _ = pictures.to_web(np.ones(grid.shape, dtype=np.uint8), grid)
    assert max(shown.shape) <= pictures.MAX_SIDE + 1


# --- squares ---


def test_squares_hold_the_worst_and_the_passes_in_order(result):
    told = squares.squares(result)
    to_degrees = Transformer.from_crs(32615, 4326, always_xy=True)
    lon, lat = to_degrees.transform(448_600.0 + 61.5, 4_653_100.0 + 101.0)
    row = int((lat - told["south"]) / told["height"])
    col = int((lon - told["west"]) / told["width"])
    k = told["place"].index(row * told["cols"] + col)
    assert told["passes"][k] == 2
    # 2 wheels of 110 kN are 22 426 kg on the axle, 224 tenths of a tonne.
    assert told["axle"][k] == 224
    # Pass 1 of the combine (2 x 80 kN), then pass 6 of the cart; water is 37 percent.
    assert told["visits"][k] == [[1, 163, 37], [6, 224, 37]]
    assert set(told["risk"][k]) <= set("12345")


def test_squares_are_few_enough(result):
    told = squares.squares(result)
    assert len(told["place"]) <= 1.1 * squares.MAX_SQUARES
    assert told["side"] == 10.0
