"""Field traffic, wheel loads and soil compaction risk, down to zones a machine drives.

In come guidance and yield logs with what a farm knows of its machines, soil and
weather; out go maps, a reasoned work plan and files for the tractor's display.

Examples
--------
>>> import trafficmap as tm  # doctest: +SKIP
>>> field, notes = tm.read_field("demo")  # doctest: +SKIP
>>> result = tm.run(field)  # doctest: +SKIP
>>> result.zones[["advice", "area", "reason"]]  # doctest: +SKIP
"""

from __future__ import annotations

from typing import TYPE_CHECKING

__version__ = "0.1.0"

if TYPE_CHECKING:
    from trafficmap.core.grid import FieldGrid
    from trafficmap.core.settings import Settings, read_settings
    from trafficmap.field import read_field
    from trafficmap.outputs.run_folder import write_run
    from trafficmap.pipeline import Result, run

# Importing the package must stay quick: each name brings its room when first used.
_HOME = {
    "FieldGrid": "trafficmap.core.grid",
    "Settings": "trafficmap.core.settings",
    "read_settings": "trafficmap.core.settings",
    "read_field": "trafficmap.field",
    "write_run": "trafficmap.outputs.run_folder",
    "Result": "trafficmap.pipeline",
    "run": "trafficmap.pipeline",
}

__all__ = [
    "FieldGrid",
    "Result",
    "Settings",
    "read_field",
    "read_settings",
    "run",
    "write_run",
]


def __getattr__(name: str) -> object:
    if name not in _HOME:
        msg = f"module 'trafficmap' has no attribute {name!r}"
        raise AttributeError(msg)
    from importlib import import_module

    return getattr(import_module(_HOME[name]), name)


def __dir__() -> list[str]:
    return sorted([*globals(), *_HOME])
