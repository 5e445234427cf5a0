"""Tracks: from raw fixes to clean ones, and on to passes.

Fixes as the logs gave them come in; fixes without dirt, each with what the machine was
doing, and a table of passes go out.
"""

from __future__ import annotations

from trafficmap.tracks.clean import clean
from trafficmap.tracks.split import split
from trafficmap.tracks.worked import worked

__all__ = ["clean", "split", "worked"]
