"""Fit days, draft, power, fuel, hours and money of the work, and its order.

In come zones, tools, prices and the state of the soil; out go money and fitness for
the decision, and the plan of work with what to take care of.
"""

from trafficmap.plan.cautions import CAUTIONS, cautions, field_cautions
from trafficmap.plan.fit import fit_states
from trafficmap.plan.price import price
from trafficmap.plan.work import work_plan

__all__ = ["CAUTIONS", "cautions", "field_cautions", "fit_states", "price", "work_plan"]
