"""Traffic: where every wheel ran, on the cells of the field.

Wheel paths and a grid come in; exact pass events, visits for the stress below, the
layers of facts and the liquid put down go out.
"""

from __future__ import annotations

from trafficmap.traffic.applied import applied
from trafficmap.traffic.count import count
from trafficmap.traffic.cover import cover
from trafficmap.traffic.end_rows import end_rows
from trafficmap.traffic.events import PassEvents, Visits
from trafficmap.traffic.inside import inside_share
from trafficmap.traffic.overlap import Overlap, overlap
from trafficmap.traffic.position import cover_chance, run_over_chance
from trafficmap.traffic.visits import visits

__all__ = [
    "Overlap",
    "PassEvents",
    "Visits",
    "applied",
    "count",
    "cover",
    "cover_chance",
    "end_rows",
    "inside_share",
    "overlap",
    "run_over_chance",
    "visits",
]
