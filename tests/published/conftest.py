"""The fixture `published`: a number from outside that asserts and leaves a row.

``assert ours == published(3.88, abs=0.02)`` passes and fails as `pytest.approx` does;
the marker ``published`` on the test says what is compared, where the number comes from
and how far it was checked. With TRAFFICMAP_ROWS naming a file, every comparison is
written there as a row of docs/validation/index.md.
"""

from __future__ import annotations

import inspect
import json
import os
from dataclasses import asdict, dataclass
from pathlib import Path

import pytest

MARKS = {
    "outside": "printed by others and seen where they print it",
    "second hand": "printed by others, seen in a report of it",
    "from memory": "nobody has looked it up again",
    "definition": "true by definition of a unit or format",
    "closed form": "exact value of the same equation, evaluated apart from the code",
    "own working": "worked apart from the code with the same equations: shows that the "
    "code does what it says, not that the equation holds in a field",
    "second opinion": "another library, given the same input",
    "real log": "a log that another machine wrote, by its own counters or bytes",
}


@dataclass(frozen=True)
class Row:
    """One comparison."""

    topic: str
    quantity: str
    source: str
    theirs: float
    ours: float
    tolerance: str
    mark: str


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line(
        "markers",
        "published(what, source, mark): what the test compares, whose number it is, "
        "and how far that was checked",
    )
    config.stash[_ROWS] = []


def pytest_sessionfinish(session: pytest.Session) -> None:
    path = os.environ.get("TRAFFICMAP_ROWS")
    if path:
        rows = [asdict(row) for row in session.config.stash[_ROWS]]
        Path(path).write_text(json.dumps({"marks": MARKS, "rows": rows}), "utf-8")


@pytest.fixture
def published(request: pytest.FixtureRequest) -> _Published:
    """Return a maker of numbers from outside, as the test's marker describes them."""
    said: dict[str, str] = {}
    for marker in request.node.own_markers:
        if marker.name == "published":
            said |= {"what": marker.args[0]} if marker.args else {}
            said |= marker.kwargs
    if not said.get("what") or not said.get("source") or said.get("mark") not in MARKS:
        pytest.fail(
            "a test that uses `published` says what, source and mark in its marker; "
            f"mark is one of {', '.join(MARKS)}"
        )
    params = request.node.callspec.params if hasattr(request.node, "callspec") else {}
    topic = (inspect.getdoc(request.module) or "").split("\n")[0].rstrip(".")
    what = said["what"].format(**params)
    return _Published(
        topic, what, said["source"], said["mark"], request.config.stash[_ROWS]
    )


class _Published:
    """Makes the right-hand sides of one test."""

    def __init__(self, topic, what, source, mark, rows):
        self.topic, self.what, self.source, self.mark = topic, what, source, mark
        self.rows, self.names = rows, set()

    def __call__(self, theirs, *, rel=None, abs=None, of="", source="", mark=""):
        """Return a number or several that compare as `pytest.approx` does.

        ``of`` names the value where a test holds several, ``source`` and ``mark`` are
        those of this value alone; ``abs=0`` asks for the very same number.
        """
        several = isinstance(theirs, tuple | list)
        count = len(theirs) if several else 1
        names = list(of) if isinstance(of, tuple) else [of] * count
        if several and not isinstance(of, tuple):
            names = [f"{of} ({i + 1})".strip() for i in range(count)]
        quantities = [f"{self.what}: {name}" if name else self.what for name in names]
        for quantity in quantities:
            if quantity in self.names:
                pytest.fail(f"two rows are called {quantity!r}; tell them apart by of=")
            self.names.add(quantity)
        assert len(quantities) == count, "as many names as numbers"
        rows = [
            Row(
                self.topic,
                quantity,
                source or self.source,
                float(number),
                float("nan"),
                _tolerance(rel, abs),
                mark or self.mark,
            )
            for quantity, number in zip(
                quantities, theirs if several else [theirs], strict=True
            )
        ]
        return _Theirs(
            pytest.approx(theirs, rel=rel, abs=abs), rows, self.rows, several
        )


class _Theirs:
    """The right-hand side of one comparison."""

    __hash__ = None
    __array_ufunc__ = None  # so that an array asks this class, not itself

    def __init__(self, approx, rows, sink, several):
        self.approx, self.rows, self.sink = approx, rows, sink
        self.several = several

    def __eq__(self, ours):
        same = self.approx == ours
        if same:
            values = list(ours) if self.several else [ours]
            self.sink += [
                Row(**{**asdict(row), "ours": float(value)})
                for row, value in zip(self.rows, values, strict=True)
            ]
        return same

    def __repr__(self):
        return repr(self.approx)


def _tolerance(rel, abs):
    if abs == 0:
        return "exact"
    if abs is not None and rel is None:
        return f"{abs:g}"
    share = 1e-6 if rel is None else rel
    return f"{share:g} of it" if share < 1e-4 else f"{100 * share:g} %"


_ROWS = pytest.StashKey[list[Row]]()
