"""Stress against strength at the time of each pass: how likely damage is, by depth.

In come the visits of axles to cells, stress profiles and the strength of the soil at
each hour; out go the risk layers, with everything not known kept apart from low.
"""

from trafficmap.risk.assess import assess
from trafficmap.risk.classes import NOT_ASSESSED, RISK_WORDS, risk_class, risk_word
from trafficmap.risk.draws import Draws, draw
from trafficmap.risk.gain import readings_gain
from trafficmap.risk.ledger import Ledger, carry_over, newest_day, share_left
from trafficmap.risk.spread import joint_spread, soil_spread
from trafficmap.risk.worst_axles import worst_axles

__all__ = [
    "NOT_ASSESSED",
    "RISK_WORDS",
    "Draws",
    "Ledger",
    "assess",
    "carry_over",
    "draw",
    "joint_spread",
    "newest_day",
    "readings_gain",
    "risk_class",
    "risk_word",
    "share_left",
    "soil_spread",
    "worst_axles",
]
