"""Fit days, draft, power, fuel, hours and money of the work, and its order.

In come zones, tools, prices and the state of the soil; out go money and fitness for
the decision, and the plan of work with what to take care of.
"""

from trafficmap.plan.cautions import CAUTIONS, cautions, field_cautions
from trafficmap.plan.fit import fit_states
from trafficmap.plan.money_block import money_block
from trafficmap.plan.odds import odds
from trafficmap.plan.price import price
from trafficmap.plan.settle import settle
from trafficmap.plan.when import When, tips_by_soil, when
from trafficmap.plan.work import work_plan

__all__ = [
    "CAUTIONS",
    "When",
    "cautions",
    "field_cautions",
    "fit_states",
    "money_block",
    "odds",
    "price",
    "settle",
    "tips_by_soil",
    "when",
    "work_plan",
]
