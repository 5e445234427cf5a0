"""The map page in a browser that has no network."""

from __future__ import annotations

import sys

import pytest

pytestmark = pytest.mark.browser


def test_quiet_console_and_no_request_but_the_file(open_map, map_file):
    opened = open_map()
    for group in ("facts", "risk", "work"):
        opened.page.click(f"[data-group={group}]")
    assert opened.said == []
    assert [url for url in opened.asked if url.startswith("file:")] == [
        map_file.as_uri()
    ]
    assert opened.outside() == []


def test_one_kind_at_a_time(open_map):
    page = open_map().page
    assert page.locator("path.zone").count() == 10
    page.click("[data-group=risk]")
    assert page.locator("path.zone").count() == 0
    assert page.locator(".leaflet-image-layer").count() == 1
    assert page.inner_text("#shown") == "Chance of damage at 14 in, under the wheels"
    page.click("[data-group=facts]")
    assert page.locator(".leaflet-image-layer").count() == 1
    assert page.locator("table.legend:visible").count() == 1
    assert page.locator("[data-group][aria-pressed=true]").inner_text() == "Facts"


def test_depth_buttons_change_the_picture(open_map):
    page = open_map().page
    page.click("[data-group=risk]")
    seen = set()
    for depth in ("4 in", "10 in", "14 in", "20 in"):
        page.get_by_role("button", name=depth, exact=True).click()
        assert f"at {depth}" in page.inner_text("#shown")
        assert f"at {depth}" in page.inner_text("table.legend:visible caption")
        seen.add(page.get_attribute(".leaflet-image-layer", "src"))
    assert len(seen) == 4
    page.click("[data-group=work]")
    page.click("[data-group=risk]")
    assert "at 20 in" in page.inner_text("#shown")  # it remembers


def test_a_click_on_a_zone_says_why(open_map):
    opened = open_map()
    box = opened.page.locator("path.zone.probe").first.bounding_box()
    opened.page.mouse.click(box["x"] + 20, box["y"] + box["height"] - 20)
    card = opened.page.locator("#why")
    assert card.is_visible()
    text = card.inner_text()
    assert "Why here?" in text
    assert "Probe first" in text
    assert "The model cannot settle it." in text
    assert "about 6 in 10" in text
    assert opened.page.locator("path.zone.chosen").count() == 1
    opened.page.keyboard.press("Escape")
    assert card.is_hidden()
    assert opened.said == []


def test_a_click_on_the_ground_tells_the_passes(open_map):
    page = open_map().page
    page.click("[data-group=risk]")
    # Lane of combine and loaded cart, 60 m east and 100 m north of the corner.
    x, y = page.evaluate(
        "() => { const told = document.getElementById('data').textContent;"
        "const b = JSON.parse(told).bounds;"
        "const at = L.latLng(b[0][0] + (b[1][0]-b[0][0]) * 0.5,"
        "                    b[0][1] + (b[1][1]-b[0][1]) * (61.5 / 260));"
        "const p = map_field.latLngToContainerPoint(at);"
        "const r = map_field.getContainer().getBoundingClientRect();"
        "return [p.x + r.x, p.y + r.y]; }"
    )
    page.mouse.click(x, y)
    text = page.inner_text("#why")
    assert "Worst in this square of 33 ft" in text
    assert text.index("combine, 12-row, working, axle 18.0 tons") < text.index(
        "grain cart <b>&, hauling, axle 24.7 tons"
    )
    assert "soil water 37 % at 10 in" in text
    assert page.locator("#why .chart text").count() == 8


def test_outside_the_field_closes_the_card(open_map):
    page = open_map().page
    page.click("[data-group=risk]")
    page.mouse.click(450, 450)
    assert page.locator("#why").is_visible()
    page.mouse.click(40, 400)
    assert page.locator("#why").is_hidden()


def test_the_keyboard_reaches_everything(open_map):
    page = open_map().page
    reached = []
    for _ in range(40):
        page.keyboard.press("Tab")
        reached.append(
            page.evaluate(
                "() => { const a = document.activeElement;"
                "return a.dataset.group || a.dataset.zone || a.id || a.title"
                " || a.tagName; }"
            )
        )
        if reached[-1] == "theme":
            break
    assert {"map_field", "Zoom in", "facts", "risk", "work", "0", "9", "theme"} <= set(
        reached
    )
    page.focus("[data-zone='3']")
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "why"
    page.keyboard.press("Escape")
    assert (
        page.evaluate("document.activeElement.dataset.zone") == "3"
    )  # back where it was


def test_enter_on_the_map_asks_about_its_middle(open_map):
    page = open_map().page
    page.click("[data-group=risk]")
    page.focus("#map_field")
    page.keyboard.press("Enter")
    assert page.locator("#why").is_visible()


@pytest.mark.parametrize(("width", "height"), [(390, 844), (320, 640)])
def test_a_phone_never_scrolls_sideways(open_map, width, height):
    opened = open_map(width=width, height=height, has_touch=True, is_mobile=True)
    page = opened.page
    for group in ("work", "risk", "facts"):
        page.click(f"[data-group={group}]")
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    box = page.locator("#stage").bounding_box()
    assert box["width"] == width
    assert page.locator("#panel").bounding_box()["y"] >= box["y"] + box["height"]
    page.click("[data-zone='1']")
    card = page.locator("#why").bounding_box()
    assert card["x"] >= 0
    assert card["x"] + card["width"] <= width
    assert opened.said == []


def test_text_is_16_px_at_least_and_buttons_can_be_hit(open_map):
    page = open_map(width=390, height=844).page
    small = page.evaluate(
        "() => [...document.querySelectorAll('body *')].filter(e => e.innerText &&"
        "parseFloat(getComputedStyle(e).fontSize) < 16)"
        ".map(e => e.outerHTML.slice(0, 80))"
    )
    assert small == []
    page.click("[data-group=risk]")
    for button in page.locator(".switch button:visible, .single:visible").all():
        assert button.bounding_box()["height"] >= 44


def test_night_changes_paper_and_pictures_and_back(open_map):
    page = open_map().page
    page.click("[data-group=risk]")
    day = page.get_attribute(".leaflet-image-layer", "src")
    page.click("#theme")
    assert (
        page.evaluate("getComputedStyle(document.body).backgroundColor")
        == "rgb(22, 24, 27)"
    )
    assert page.get_attribute(".leaflet-image-layer", "src") != day
    page.click("#theme")
    assert page.get_attribute(".leaflet-image-layer", "src") == day


def test_the_systems_dark_mode_is_followed(open_map):
    opened = open_map(color_scheme="dark")
    page = opened.page
    assert (
        page.evaluate("getComputedStyle(document.body).backgroundColor")
        == "rgb(22, 24, 27)"
    )
    page.click("[data-group=risk]")
    # The picture is a real PNG after its palette was exchanged.
    width = page.evaluate("document.querySelector('.leaflet-image-layer').naturalWidth")
    assert width > 100
    assert opened.said == []


@pytest.mark.parametrize("group", ["work", "risk"])
def test_prints_on_two_pages(open_map, tmp_path, group):
    page = open_map().page
    page.click(f"[data-group={group}]")
    raw = page.pdf(prefer_css_page_size=True)
    assert raw.count(b"/Type /Page\n") == 2


def test_hostile_names_do_nothing(open_map, tmp_path):
    factory = sys.modules["synthetic_result"]
    from dataclasses import replace

    from trafficmap.outputs.run_folder import write_run

    bad = '<img src=x onerror="document.title=1"><script>document.title=2</script>'
    result = factory.make_result(name=bad)
    zones = result.zones.assign(reason=bad, further=bad)
    path = write_run(replace(result, zones=zones), tmp_path / "out") / "map.html"
    opened = open_map(path)
    opened.page.click("[data-zone='0']")
    assert bad in opened.page.inner_text("#why")
    assert opened.page.inner_text("h1") == bad
    assert opened.page.title().startswith("<img")
    assert opened.page.locator("img[src=x]").count() == 0
    assert opened.said == []


def test_a_traffic_map_without_zones_opens(open_map, tmp_path):
    from dataclasses import replace

    from trafficmap.outputs.run_folder import write_run

    full = sys.modules["synthetic_result"].make_result()
    bare = replace(
        full,
        zones=full.zones[:0],
        stops=full.stops[:0],
        strength=None,
        columns=None,
        tray=full.tray[["inside", "run_over", "passes", "heaviest_axle"]],
    )
    path = write_run(bare, tmp_path / "out") / "map.html"
    opened = open_map(path)
    assert opened.page.locator("[data-group]").count() == 1
    opened.page.mouse.click(450, 450)
    assert "Passes over one spot" in opened.page.inner_text("#why")
    assert opened.said == []


def test_notes_with_their_place_stay_in_the_panel(open_map, tmp_path, make_page):
    from trafficmap.core.notes import Note

    note = Note("clock", "stop", "its clock says no zone.", 1, "a_log_of_some_name.csv")
    opened = open_map(make_page(tmp_path, notes=(note,)))
    page = opened.page
    wide = page.evaluate("document.documentElement.scrollWidth")
    assert wide <= page.viewport_size["width"]
    place = page.locator(".notes .small").bounding_box()
    panel = page.locator("#panel").bounding_box()
    assert place["x"] >= panel["x"]
    # The badge of a place to probe is no style for a note.
    style = "e => getComputedStyle(e).position"
    assert page.locator(".notes .small").evaluate(style) == "static"


def test_where_no_risk_is_known_the_traffic_is_shown_first(
    open_map, tmp_path, make_page
):
    opened = open_map(make_page(tmp_path, known=False))
    assert opened.page.locator("[data-group][aria-pressed=true]").inner_text() == (
        "Facts"
    )
    assert "risk not assessed" in opened.page.inner_text("#panel header")


@pytest.fixture
def narrow_page(tmp_path, make_page):
    """Return a page whose ripped ground is cut into pieces too narrow for a name."""
    import shapely

    result = sys.modules["synthetic_result"].make_result()
    zones = result.zones.copy()
    west, south, _, north = zones.geometry[0].bounds
    combs = {
        0: [(k, south, k + 4) for k in (0, 8, 16)],
        1: [(k, south, k + 3) for k in (120, 126)],
        6: [(230, south, 233)],
    }
    for row, pieces in combs.items():
        zones.loc[row, "geometry"] = shapely.MultiPolygon(
            [shapely.box(west + a, b, west + c, north - 60) for a, b, c in pieces]
        )
    return make_page(tmp_path, zones=zones)


SEEN = """() => [...document.querySelectorAll('.label.rip')].map(node => {
  const b = node.querySelector('b').getBoundingClientRect();
  const s = document.getElementById('stage').getBoundingClientRect();
  const at = node.style.visibility === 'visible';
  return at && b.left >= s.left && b.right <= s.right && b.top >= s.top
    && b.bottom <= s.bottom ? node.querySelector('b').textContent : null; })"""


@pytest.mark.parametrize(("width", "height"), [(1440, 900), (390, 844)])
def test_every_ripped_bunch_shows_its_depth_at_every_zoom(
    open_map, narrow_page, width, height
):
    opened = open_map(narrow_page, width=width, height=height)
    page = opened.page
    for zoom in (14, 15.5, 16.5, 17.5):
        page.evaluate(f"map_field.setZoom({zoom}, {{animate: false}})")
        assert page.evaluate(SEEN) == ["14 in", "16 in"], zoom
    # What is only partly in sight keeps its depth where it can be seen.
    page.evaluate("map_field.setView(map_field.getCenter(), 19, {animate: false})")
    page.evaluate("map_field.panBy([0, 60], {animate: false})")
    for row, depth in ((0, "14 in"), (1, "16 in")):
        page.evaluate(
            "row => { const told = document.getElementById('data').textContent;"
            "map_field.panTo(JSON.parse(told).zones[row].names[0].at,"
            " {animate: false}); map_field.panBy([30, 200], {animate: false}); }",
            row,
        )
        assert depth in page.evaluate(SEEN)
    assert opened.said == []


def test_a_name_too_wide_stands_beside_its_zone_with_a_line(open_map, narrow_page):
    page = open_map(narrow_page).page
    page.evaluate("map_field.setZoom(15, {animate: false})")
    label = page.locator(".label.dotted", has_text="level ruts only")
    assert label.evaluate("node => node.style.visibility") == "visible"
    assert page.locator("path.leader-end").count() >= 1
    page.click("[data-group=risk]")
    assert page.locator("path.leader").count() == 0
