"""Risk and digging to shapes a machine can drive, each with one advice and a reason.

In come the risk layers, readings people took, prices and fitness; out go zones that
fill the boundary, working depths, and the list of places to probe.
"""

from trafficmap.zones.advise import decide_units, pair_end_rows
from trafficmap.zones.candidates import candidates
from trafficmap.zones.confirm import confirm
from trafficmap.zones.decide import Advice, UnitInputs, decide
from trafficmap.zones.draw import draw
from trafficmap.zones.dug import still_good
from trafficmap.zones.pairs import pairs
from trafficmap.zones.probe import probe_stops
from trafficmap.zones.probe_chance import Chances, layer_chances
from trafficmap.zones.probe_plan import ProbePlan, probe_plan
from trafficmap.zones.runs import with_runs
from trafficmap.zones.split import split_by_findings
from trafficmap.zones.units import Units
from trafficmap.zones.why import causes

__all__ = [
    "Advice",
    "Chances",
    "ProbePlan",
    "UnitInputs",
    "Units",
    "candidates",
    "causes",
    "confirm",
    "decide",
    "decide_units",
    "draw",
    "layer_chances",
    "pair_end_rows",
    "pairs",
    "probe_plan",
    "probe_stops",
    "split_by_findings",
    "still_good",
    "with_runs",
]
