"""Loads: what every machine carried, and where every wheel rolled with what load.

In come split fixes, passes and machines; out go the payload of every fix with its
interval and a mass ledger that closes, and wheel paths with their load states.
"""

from __future__ import annotations

from trafficmap.loads.clocks import compare_clocks
from trafficmap.loads.paths import LoadStates, WheelPaths
from trafficmap.loads.payload import Payload, payload
from trafficmap.loads.wheel_paths import wheel_paths

__all__ = [
    "LoadStates",
    "Payload",
    "WheelPaths",
    "compare_clocks",
    "payload",
    "wheel_paths",
]
