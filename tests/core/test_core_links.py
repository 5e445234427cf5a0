"""Links in the written pages lead somewhere, and nothing names one machine."""

from __future__ import annotations

import importlib
import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PAGES = [
    ROOT / "README.md",
    ROOT / "DEVELOPERS.md",
    *sorted((ROOT / "docs").rglob("*.md")),
]
LINK = re.compile(r"!?\[[^\]]*\]\(([^)\s]+)\)")
# Written in pieces, so that this file does not hold what it forbids.
REGISTRIES = (
    "pypi" + ".org",
    "python" + "hosted",
    "conda" + ".io",
    "anaconda" + ".org",
)
ABSOLUTE = re.compile(
    r"(?<![\w.])/(?:home|root|Users|work|tmp|mnt|srv)/[\w.-]+" + "|" + r"\b[A-Z]:\\\w"
)
# A drive letter or a home that a person would type, shown as an example.
EXAMPLES = {"tests/formats/test_formats_files.py"}


def anchors(page: Path) -> set[str]:
    """Return the anchors of a page's headings, as forges make them."""
    heads = re.findall(r"^#+ (.+)$", page.read_text("utf-8"), flags=re.M)
    plain = (re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-") for head in heads)
    return set(plain)


def text_files() -> list[Path]:
    """Return the files of the checkout that git knows or would add."""
    command = ["git", "ls-files", "-co", "--exclude-standard", "-z"]
    done = subprocess.run(
        command, cwd=ROOT, capture_output=True, text=True, check=False
    )
    if done.returncode:
        pytest.skip("not a git checkout")
    return [ROOT / name for name in done.stdout.split("\0") if name]


def test_there_are_pages():
    assert len(PAGES) > 20


@pytest.mark.parametrize("page", PAGES, ids=lambda p: str(p.relative_to(ROOT)))
def test_relative_links_lead_to_files(page):
    for target in LINK.findall(page.read_text("utf-8")):
        if re.match(r"[a-z]+:", target):
            continue
        path, _, anchor = target.partition("#")
        found = (page.parent / path) if path else page
        assert found.exists(), f"{page.name}: {target} does not exist"
        if anchor and found.suffix == ".md":
            assert anchor in anchors(found), f"{page.name}: no heading {target}"


def test_no_registry_and_no_path_of_one_machine():
    found = []
    for path in text_files():
        try:
            text = path.read_text("utf-8")
        except (UnicodeDecodeError, OSError):
            continue
        name = path.relative_to(ROOT).as_posix()
        found += [f"{name}: {word}" for word in REGISTRIES if word in text]
        if name not in EXAMPLES:
            found += [f"{name}: {hit}" for hit in ABSOLUTE.findall(text)]
    assert not found


THEORY = sorted((ROOT / "docs" / "theory").glob("[!i]*.md"))


@pytest.mark.parametrize("page", THEORY, ids=lambda p: p.stem)
def test_theory_names_functions_and_tests_that_exist(page):
    rows = re.findall(
        r"^\| [^|]+ \| `([\w.]+)` \| `(\w+\.py)::(\w+)` \| [^|]+ \|$",
        page.read_text("utf-8"),
        flags=re.M,
    )
    table = page.read_text("utf-8").split("## Where it is")[1]
    assert len(rows) == table.count("\n| ") - 2 > 3, "a row is not of the form"
    for function, file, test in rows:
        parts = function.split(".")
        assert _found(parts), f"{page.name}: no {function}"
        (path,) = (ROOT / "tests").rglob(file)
        assert f"def {test}(" in path.read_text("utf-8"), f"{page.name}: no {test}"


def _found(parts: list[str]) -> bool:
    """Return whether a dotted name below the package leads to something."""
    for cut in range(len(parts), 0, -1):
        name = ".".join(["trafficmap", *parts[:cut]])
        try:
            thing = importlib.import_module(name)
        except ModuleNotFoundError:
            continue
        for part in parts[cut:]:
            thing = getattr(thing, part, None)
        if thing is not None:
            return True
    return False


def test_limits_of_the_security_page_are_those_of_the_code():
    from trafficmap.core import limits

    text = (ROOT / "docs" / "reference" / "security.md").read_text("utf-8")
    rows = re.findall(r"^\| `([A-Z0-9_]+)` \| ([\d.]+) \|", text, flags=re.M)
    assert len(rows) > 10
    for name, value in rows:
        assert float(value) == getattr(limits, name), name
    said = {name for name, _ in rows}
    assert {name for name in vars(limits) if name.startswith("MAX_")} <= said
