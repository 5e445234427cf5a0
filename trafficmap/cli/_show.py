"""How the command line speaks: plain lines on standard error, a bar on a terminal."""

from __future__ import annotations

import sys
import time
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from collections.abc import Iterable

    from trafficmap.core.notes import Note

_MARK = {"stop": "STOP ", "check": "check", "info": "     "}


def say(text: str) -> None:
    """Print one line on standard error."""
    click.echo(text, err=True)


def show_notes(
    notes: Iterable[Note], *, most: int | None = None, units: str = "metric"
) -> None:
    """Print notes on standard error, worst first, as people of `units` read them."""
    from trafficmap.core.notes import worst_first
    from trafficmap.core.reading import as_read

    ordered = worst_first(notes)
    for note in ordered[:most]:
        where = f" ({note.where})" if note.where else ""
        say(f"{_MARK[note.severity]} {_begun(as_read(note.sentence, units))}{where}")
    if most is not None and len(ordered) > most:
        say(f"      and {len(ordered) - most} more; all of them are in run.json")


def _begun(sentence: str) -> str:
    """Return a sentence with a capital, unless it begins with a name or a file."""
    first, _, _ = sentence.partition(" ")
    return sentence[:1].upper() + sentence[1:] if first.isalpha() else sentence


class Bar:
    """Show progress on a terminal, and nothing where nobody looks."""

    def __init__(self, *, quiet: bool) -> None:
        self._shown = sys.stderr.isatty() and not quiet
        self._stages: list[tuple[str, float]] = []
        self._began = time.perf_counter()

    def __call__(self, fraction: float, message: str) -> None:
        """Take progress from the line; see `core.progress`."""
        self._stages.append((message, time.perf_counter()))
        if self._shown:
            click.echo(f"\r\x1b[2K{fraction:4.0%}  {message}", err=True, nl=False)

    def close(self) -> None:
        """Leave the line clean."""
        if self._shown:
            click.echo("\r\x1b[2K", err=True, nl=False)

    def table(self) -> str:
        """Return a table of seconds a stage, for ``--profile``."""
        ends = [moment for _, moment in self._stages[1:]] + [time.perf_counter()]
        rows = [
            (message, end - start)
            for (message, start), end in zip(self._stages, ends, strict=True)
        ]
        total = time.perf_counter() - self._began
        lines = [f"{seconds:8.2f} s  {message}" for message, seconds in rows]
        return "\n".join([*lines, f"{total:8.2f} s  all"])
