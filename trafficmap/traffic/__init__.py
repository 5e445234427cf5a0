"""Traffic: where every wheel ran, on the cells of the field.

Wheel paths and a grid come in; exact pass events, visits for the stress below, the
layers and tables of facts and the liquid put down go out.
"""

from __future__ import annotations

from trafficmap.traffic.applied import applied
from trafficmap.traffic.count import count
from trafficmap.traffic.cover import cover
from trafficmap.traffic.end_rows import end_rows
from trafficmap.traffic.events import PassEvents, Visits
from trafficmap.traffic.facts import facts
from trafficmap.traffic.inside import inside_share
from trafficmap.traffic.overlap import Overlap, overlap
from trafficmap.traffic.parts import PARTS, field_parts
from trafficmap.traffic.position import cover_chance, run_over_chance
from trafficmap.traffic.spots import loading_spots
from trafficmap.traffic.summary import (
    TrafficTables,
    axle_table,
    depth_table,
    traffic_table,
)
from trafficmap.traffic.visits import visits

__all__ = [
    "PARTS",
    "Overlap",
    "PassEvents",
    "TrafficTables",
    "Visits",
    "applied",
    "axle_table",
    "count",
    "cover",
    "cover_chance",
    "depth_table",
    "end_rows",
    "facts",
    "field_parts",
    "inside_share",
    "loading_spots",
    "overlap",
    "run_over_chance",
    "traffic_table",
    "visits",
]
