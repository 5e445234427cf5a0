"""Make the builder of task data importable by the tests beside it."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

_SPEC = importlib.util.spec_from_file_location(
    "made_taskdata", Path(__file__).with_name("made_taskdata.py")
)
made_taskdata = importlib.util.module_from_spec(_SPEC)
sys.modules["made_taskdata"] = made_taskdata
_SPEC.loader.exec_module(made_taskdata)
