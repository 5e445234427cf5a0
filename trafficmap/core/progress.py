"""How long work tells how far it is: a callback and nothing else."""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[float, str], None]
"""Called with (share of the whole run done from 0 to 1, what is being done)."""


def silent(fraction: float, message: str) -> None:
    """Take progress and show nothing."""
