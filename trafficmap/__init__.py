"""Field traffic, wheel loads and soil compaction risk, down to zones a machine drives.

In come guidance and yield logs with what a farm knows of its machines, soil and
weather; out go maps, a reasoned work plan and files for the tractor's display.
"""

from __future__ import annotations

__version__ = "0.1.0"
