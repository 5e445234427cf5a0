"""Tracks: from raw fixes to clean ones, and on to passes.

Fixes as the logs gave them come in; fixes without dirt, each with what the machine was
doing, and a table of passes go out.
"""

from __future__ import annotations

from trafficmap.tracks.clean import clean
from trafficmap.tracks.frames import frame_shifts
from trafficmap.tracks.gaps import gap_report
from trafficmap.tracks.ground import LogFacts
from trafficmap.tracks.sessions import sessions
from trafficmap.tracks.split import split
from trafficmap.tracks.worked import worked

__all__ = [
    "LogFacts",
    "clean",
    "frame_shifts",
    "gap_report",
    "sessions",
    "split",
    "worked",
]
