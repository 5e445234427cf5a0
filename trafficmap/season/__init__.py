"""The season driven another way, and what the next harvest says of this one's work.

In come a Field with its Settings, and changes in plain words; out go the season driven
again with each of them, lanes and loading places for next year, and after harvest
whether the work paid.
"""

from __future__ import annotations

from trafficmap.season.changes import Change, read_changes
from trafficmap.season.compare import Comparison, compare
from trafficmap.season.replay import replay
from trafficmap.season.review import Review, review
from trafficmap.season.suggest import Suggestion, suggest

__all__ = [
    "Change",
    "Comparison",
    "Review",
    "Suggestion",
    "compare",
    "read_changes",
    "replay",
    "review",
    "suggest",
]
