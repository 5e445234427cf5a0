"""Stress against strength at the time of each pass: how likely damage is, by depth.

In come the visits of axles to cells, stress profiles and the strength of the soil at
each hour; out go the risk layers, with everything not known kept apart from low.
"""

from trafficmap.risk.assess import assess
from trafficmap.risk.classes import NOT_ASSESSED, RISK_WORDS, risk_class, risk_word

__all__ = ["NOT_ASSESSED", "RISK_WORDS", "assess", "risk_class", "risk_word"]
