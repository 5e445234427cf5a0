"""Build docs/validation/index.md from the checks in tests/published/.

Run ``python docs/validation/build.py`` after changing one; a test holds the page up to
date. Every comparison those tests make is a row, so the page cannot say more than they
check. Rows from real logs need the logs (see DEVELOPERS.md) and are kept otherwise.
"""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
PAGE = HERE / "index.md"
HEAD = """# Checked against numbers from outside
<!-- made by docs/validation/build.py from tests/published/; change the tests -->

Each row is one comparison in `tests/published/`: their number, ours, how far apart
they are, and how far they may be. A row that fails stops the tests, so nothing on this
page is out of tolerance. The mark says how much a row is worth:

| mark | meaning | rows |
| --- | --- | --- |
"""
FOOT = """
What these rows do not show: that stress, strength and water in **your** field are what
the equations say. No threshold of the decision has been validated in a field.

Two things were held against a station on grass in Kansas, with nothing fitted:

- Soil temperature in winter, 2013-17: wrong by 1.35, 1.20 and 1.23 °C at 5, 10 and
  20 cm. No false frozen day at 10 and 20 cm. At 5 cm 15 of 22 frozen days were missed,
  and 8 were made up, all in one spell in which the gauge told no snow; that explains
  part of them. See [frost](../theory/frost.md).
- Water in autumn, 2009-17: ranked as measured with 0.90 in the median year, and off by
  0.13 in level in two years; see [soil water](../theory/water.md).
"""


def record() -> dict:
    """Run the published checks and return their marks and rows."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "rows.json"
        done = subprocess.run(
            [sys.executable, "-m", "pytest", "-q", "tests/published"],
            cwd=ROOT,
            env={**os.environ, "TRAFFICMAP_ROWS": str(path)},
            capture_output=True,
            text=True,
            check=False,
        )
        if done.returncode:
            msg = f"the published checks fail, so there is no page:\n{done.stdout}"
            raise SystemExit(msg)
        return json.loads(path.read_text("utf-8"))


def page_rows(recorded: dict) -> dict[str, list[str]]:
    """Return the table lines of each topic, in the order of the tests."""
    topics: dict[str, list[str]] = {}
    for row in recorded["rows"]:
        cells = [
            row["quantity"],
            _shown(row["theirs"]),
            _shown(row["ours"]),
            _difference(row),
            row["tolerance"],
            row["source"],
            row["mark"],
        ]
        topics.setdefault(row["topic"], []).append("| " + " | ".join(cells) + " |")
    return topics


def page(recorded: dict) -> str:
    """Return the whole page."""
    counts = Counter(row["mark"] for row in recorded["rows"])
    lines = [
        f"| {mark} | {meaning} | {counts[mark]} |"
        for mark, meaning in recorded["marks"].items()
    ]
    text = HEAD + "\n".join(lines) + "\n" + FOOT
    for topic, rows in page_rows(recorded).items():
        text += f"\n## {topic}\n\n"
        text += "| quantity | theirs | ours | difference | allowed | source | mark |\n"
        text += "| --- | --: | --: | --: | --: | --- | --- |\n"
        text += "\n".join(rows) + "\n"
    return text


def _shown(value: float) -> str:
    if value == 0 or abs(value) < 1e-12:
        return "0"
    if float(value).is_integer() and abs(value) < 1e10:
        return f"{value:.0f}"
    return f"{value:.5g}" if abs(value) < 1e5 else f"{value:.9g}"


def _difference(row: dict) -> str:
    """Return ours less theirs, as a share where there is something to share."""
    apart = row["ours"] - row["theirs"]
    if math.isclose(row["ours"], row["theirs"], rel_tol=1e-9, abs_tol=1e-12):
        return "0"
    if row["theirs"] == 0:
        return f"{apart:+.1g}"
    return f"{100 * apart / abs(row['theirs']):+.2g} %"


if __name__ == "__main__":
    PAGE.write_text(page(record()), "utf-8")
