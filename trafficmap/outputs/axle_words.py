"""Which axles did the damage, as rows of the map page and as a file."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from trafficmap.core.tables import AXLE_DAMAGE
from trafficmap.outputs import words
from trafficmap.outputs.traffic_tables import FOLDER, between, flat

if TYPE_CHECKING:
    from trafficmap.pipeline import Result

SHOWN = 5
"""Axles shown on the page; the file has all."""

DEPTH = 0.35
"""Depth the page tells it for [m]: below the usual tool, above what nothing mends."""


def csv_file(result: Result) -> dict[str, str]:
    """Return the text of the table by its name in the run folder, or nothing."""
    if result.axles is None or not len(result.axles):
        return {}
    table = flat(result.axles, AXLE_DAMAGE)
    text = table.to_csv(index=False, lineterminator="\n")
    return {f"{FOLDER}/axle_damage.csv": text}


def rows(result: Result) -> list[dict[str, str]]:
    """Return the axles that did most of the damage, worst first."""
    if result.axles is None:
        return []
    units = result.field.units
    table = result.axles[result.axles["depth"] == DEPTH]
    whole = float(table["damaged"].sum())
    found = []
    row: Any
    for row in table.head(SHOWN).itertuples(index=False):
        if not row.damaged > 0.0 or words.share_words(row.damaged / whole) == "0 %":
            continue
        machine = result.field.machines.get(row.machine_id)
        pressure = words.pressure_words(row.pressure, units)
        if row.pressure_assumed and math.isfinite(row.pressure):
            pressure += ", assumed"
        axle = str(row.axle).replace("_", " ")
        found.append(
            {
                "name": (getattr(machine, "label", "") or row.machine_id),
                "axle": f"{str(row.body).replace('_', ' ')}, {axle}",
                "wheel": between(row.wheel_low, row.wheel, row.wheel_high, units),
                "pressure": pressure,
                "share": words.share_words(row.damaged / whole),
                "area": words.area_number(row.damaged, units),
            }
        )
    return found


def told(result: Result) -> str:
    """Return what the rows mean."""
    depth = words.depth_words(DEPTH, result.field.units)
    return (
        f"Damage to expect at {depth}, each spot put down to the axle that weighed "
        "most for the strength the soil had just then. The first rows are where less "
        "load, more air volume or another path would spare most next year."
    )
