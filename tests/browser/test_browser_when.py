"""When to work and the frozen nights, on the page as a person sees it."""

from __future__ import annotations

import sys

import pytest

pytestmark = pytest.mark.browser


@pytest.fixture
def when_file(make_page, tmp_path):
    return make_page(tmp_path, **sys.modules["synthetic_result"].make_ahead())


@pytest.mark.parametrize(("width", "height"), [(1280, 900), (390, 844)])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_it_is_all_there_and_fits_the_screen(
    open_map, when_file, width, height, scheme
):
    opened = open_map(when_file, width=width, height=height, color_scheme=scheme)
    page = opened.page
    told = page.inner_text("#when")
    assert "Look next on 22 Nov: it looks fit." in told
    assert "Will it shatter to 13 in (33 cm)?" in told
    assert "Will it carry?" in told
    assert told.rstrip().endswith("broke from shank to shank.")
    nights = page.locator("#nights")
    assert nights.is_visible()
    assert "22 Nov 03:00 to 08:00: frozen crust" in nights.inner_text()
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert opened.said == []


def test_the_hours_unfold_and_the_bars_are_drawn(open_map, when_file):
    page = open_map(when_file).page
    first = page.locator("#when details").first
    assert not first.locator("table").is_visible()
    first.locator("summary").click()
    assert "Too wet at 10 in (25 cm): it would smear" in first.inner_text()
    bar = page.locator("#when .hour-bar").first
    no, yes = (bar.locator(f".hour.{word}").bounding_box() for word in ("no", "yes"))
    assert no["width"] / yes["width"] == pytest.approx(24 / 9, rel=0.05)
    inks = [
        bar.locator(f".hour.{word}").evaluate("part => getComputedStyle(part).fill")
        for word in ("no", "yes")
    ]
    assert inks[0] != inks[1]
