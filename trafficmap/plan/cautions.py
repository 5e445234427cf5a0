"""What to take care of, in our own words; printed with every plan."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from trafficmap.field.model import Field

CAUTIONS = (
    "This is not legal, engineering or safety advice. Law and permits differ from "
    "place to place; ask the office named on your plan.",
    "Have buried lines located before working deeper than your local limit, some "
    "working days ahead. The limit is often 12 in, elsewhere 18 in, and ripping "
    "often counts as digging. Private lines and tile are not located for you.",
    "On erodible ground, wetland and waterways look into the conservation plan first.",
    "Liquid manure on frozen or snow-covered ground is restricted or forbidden in "
    "many places, and distances to water apply. Your permit decides; this plan says"
    " nothing about rates.",
    "Where liquid manure was put down above tile, disturb the soil below it first, "
    "or it runs down cracks into the tile.",
    "Never work under raised shanks. Mind shear bolts, stuck machines, slopes, icy "
    "roads at night, hoses under pressure, manure gas and frozen ruts that overturn"
    " a tractor. Do not work alone.",
    "On rented ground ask the owner. Keep records for the crop insurance.",
    "Whether the soil shatters is decided by hand at every depth, not by this plan:"
    " roll it, then dig behind the first run. Slots, smear or foot-long lumps mean "
    "stop.",
    "A dry or frozen top says nothing about the soil at shank depth.",
    "Frost does not repair what lies deeper than the top few inches.",
    "Not for construction sites, pipelines, or ice and peat that must carry a load.",
)
"""Every caution, in the order they are printed."""


def field_cautions(field: Field) -> list[str]:
    """Return what is not known of lines and tile in this field; empty where all is.

    Parameters
    ----------
    field : Field
    """
    first = []
    if field.utilities != "located":
        first.append(
            "Buried lines are not located in this field: no shank goes in yet."
        )
    if field.tile.state in ("unsaid", "exists", "position_only"):
        first.append("How deep the tile lies is not known in this field.")
    return first


def cautions(field: Field) -> list[str]:
    """Return every caution, those that concern this field first.

    Parameters
    ----------
    field : Field
    """
    invented = ["This field is invented, for trying out only."]
    return [*field_cautions(field), *(invented if field.invented else []), *CAUTIONS]
