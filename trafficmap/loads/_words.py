"""Words the sentences of this room share."""

from __future__ import annotations


def times(count: int) -> str:
    """Return how often, in words.

    Examples
    --------
    >>> times(1), times(2), times(3)
    ('once', 'twice', '3 times')
    """
    return {1: "once", 2: "twice"}.get(count, f"{count} times")
