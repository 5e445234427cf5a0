"""A Note is one finding about the data; it reaches page, sheet and run.json."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Literal

Severity = Literal["info", "check", "stop"]
_ORDER = {"stop": 0, "check": 1, "info": 2}


@dataclass(frozen=True)
class Note:
    """One finding about the data.

    Parameters
    ----------
    code : str
        Short lower-case name with dots, stable between versions, as
        ``tracks.jump`` or ``soil.assumed``.
    severity : {"info", "check", "stop"}
        ``info``: good to know. ``check``: it changes the answer, look at it.
        ``stop``: part of the answer is missing or must not be acted on.
    sentence : str
        What was found, what it costs in the answer, what to do.
    count : int
        How many rows, cells or things it concerns.
    where : str
        File, machine, row or place.
    """

    code: str
    severity: Severity
    sentence: str
    count: int = 1
    where: str = ""

    def as_dict(self) -> dict[str, object]:
        """Return the note as plain values for JSON."""
        return asdict(self)


def worst_first(notes: Iterable[Note]) -> list[Note]:
    """Return the notes without repeats, worst first, else in order of arrival."""
    return sorted(dict.fromkeys(notes), key=lambda note: _ORDER[note.severity])
