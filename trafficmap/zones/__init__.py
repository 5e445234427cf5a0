"""Risk and digging to shapes a machine can drive, each with one advice and a reason.

In come the risk layers, readings people took, prices and fitness; out go zones that
fill the boundary, working depths, and the list of places to probe.
"""

from trafficmap.zones.advise import decide_units, pair_end_rows
from trafficmap.zones.candidates import candidates
from trafficmap.zones.confirm import confirm
from trafficmap.zones.decide import Advice, UnitInputs, decide
from trafficmap.zones.draw import draw
from trafficmap.zones.probe import probe_stops
from trafficmap.zones.units import Units
from trafficmap.zones.why import causes

__all__ = [
    "Advice",
    "UnitInputs",
    "Units",
    "candidates",
    "causes",
    "confirm",
    "decide",
    "decide_units",
    "draw",
    "pair_end_rows",
    "probe_stops",
]
