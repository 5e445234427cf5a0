"""One truth about money: what does not pay once it is drawn is not ripped."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from trafficmap.core.notes import Note
from trafficmap.plan.work import zone_money

if TYPE_CHECKING:
    import geopandas as gpd

    from trafficmap.core.settings.plan import PlanSettings
    from trafficmap.field.model import Field, Tool


def settle(
    zones: gpd.GeoDataFrame,
    *,
    field: Field,
    settings: PlanSettings,
    heading: float,
    tool: Tool | None = None,
) -> tuple[gpd.GeoDataFrame, list[Note]]:
    """Leave drawn zones whose money, with their real runs, does not pay after all.

    The decision priced units of cells; a drawn zone has smoother edges, other runs and
    another share of wheeled ground. Where that turns what pays into what does not, the
    zone is left (D19) rather than told two ways.

    Parameters
    ----------
    zones : GeoDataFrame
        Contract `ZONES`.
    field : Field
    settings : PlanSettings
    heading : float
        Direction of the runs. [rad]
    tool : Tool, optional

    Returns
    -------
    GeoDataFrame
        The same zones; the given one is not changed.
    list of Note
    """
    priced = zone_money(
        zones, field=field, settings=settings, heading=heading, tool=tool
    )
    lost = [
        number
        for number, advice in zip(zones["zone"], zones["advice"], strict=True)
        if advice == "rip"
        and number in priced
        and priced[number].money.verdict != "pays"
    ]
    if not lost:
        return zones, []
    out = zones.copy()
    rows = out["zone"].isin(lost)
    reason = "it does not pay once the real runs and edges of the zone are counted"
    out.loc[rows, ["advice", "row", "reason"]] = ["leave", "D19", reason]
    out.loc[rows, "depth"] = math.nan
    sentence = (
        f"{len(lost)} zones looked as if they paid, and do not once they are drawn: "
        "they are left."
    )
    return out, [Note("plan.settled", "info", sentence, len(lost))]
