"""A browser without a network, and the page of an invented result."""

from __future__ import annotations

import importlib.util
import os
import shutil
import sys
from pathlib import Path

import pytest

FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--host-resolver-rules=MAP * ~NOTFOUND",
]


def _factory():
    if "synthetic_result" not in sys.modules:
        path = Path(__file__).parents[1] / "outputs" / "synthetic_result.py"
        spec = importlib.util.spec_from_file_location("synthetic_result", path)
        module = importlib.util.module_from_spec(spec)
        sys.modules["synthetic_result"] = module
        spec.loader.exec_module(module)
    return sys.modules["synthetic_result"]


@pytest.fixture(scope="session")
def browser():
    playwright = pytest.importorskip("playwright.sync_api")
    program = os.environ.get("TRAFFICMAP_CHROMIUM") or next(
        filter(
            None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))
        ),
        None,
    )
    if program is None:
        pytest.skip("no Chromium on this machine")
    with playwright.sync_playwright() as running:
        opened = running.chromium.launch(executable_path=program, args=FLAGS)
        yield opened
        opened.close()


@pytest.fixture(scope="session")
def map_file(tmp_path_factory) -> Path:
    from trafficmap.outputs.run_folder import write_run

    folder = tmp_path_factory.mktemp("page")
    return write_run(_factory().make_result(), folder / "out") / "map.html"


@pytest.fixture
def make_page():
    """Return a builder of pages of a changed result."""

    def make(folder: Path, *, known: bool = True, **changes) -> Path:
        from dataclasses import replace

        from trafficmap.outputs.run_folder import write_run

        result = replace(_factory().make_result(), **changes)
        if not known:
            for name in ("risk", "risk_worst"):
                result.tray[name].values[result.tray[name].values < 5] = 5
        return write_run(result, folder / "out") / "map.html"

    return make


class Opened:
    """A page with what it said on the console and what it asked for."""

    def __init__(self, browser, path, **options):
        self.context = browser.new_context(**options)
        self.page = self.context.new_page()
        self.said, self.asked = [], []
        self.page.on("console", lambda message: self.said.append(message.text))
        self.page.on("pageerror", lambda error: self.said.append(str(error)))
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.goto(path.as_uri())
        self.page.wait_for_selector("[data-group][aria-pressed=true]")

    def outside(self):
        return [url for url in self.asked if not url.startswith(("data:", "file:"))]


@pytest.fixture
def open_map(browser, map_file):
    opened = []

    def open_one(path=map_file, *, width=1440, height=900, **options):
        size = {"width": width, "height": height}
        opened.append(Opened(browser, path, viewport=size, **options))
        return opened[-1]

    yield open_one
    for one in opened:
        one.context.close()
