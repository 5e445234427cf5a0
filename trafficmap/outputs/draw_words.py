"""What the draws say, in sentences for the page and README.txt."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import pandas as pd

from trafficmap.core.constants import REPORT_DEPTHS
from trafficmap.core.tables import DRAWS, DRAWS_UNKNOWNS, require_table
from trafficmap.outputs import words
from trafficmap.outputs.traffic_tables import FOLDER, flat

if TYPE_CHECKING:
    from trafficmap.pipeline import Result

_ACTIONS = {
    "load": "Weigh the {machine}",
    "patch": "Measure where the tires or tracks of the {machine} press",
    "strength": "Dig or probe: the strength of this soil",
    "moisture": "Roll the soil by hand or probe its moisture",
    "texture": "Feel the texture in every soil unit",
    "position": "Use a receiver with a better correction",
}
"""What makes an unknown known; nobody on a farm can know how stress spreads."""

_SOIL = ("strength", "texture", "moisture")
_LEAST_SHARE = 0.05
_MOST_ROWS = 5

TABLE_DEPTHS = (0.35, 0.50)
"""Depths [m] the page tells for every zone: 14 and 20 in; the files have all."""


def joint(result: Result) -> list[str]:
    """Return the joint intervals and what matters most; nothing without draws.

    Parameters
    ----------
    result : Result

    Returns
    -------
    list of str
        Sentences.
    """
    drawn, units = result.draws, result.field.units
    if drawn is None:
        if not result.settings.risk.draws:
            return []
        return [
            "No seasons were drawn: without load, soil water and date nothing is "
            "assessed, and that is not a good mark."
        ]
    rows = [row for row in drawn.table if row["zone"] is None]
    told = [
        f"{_interval(row['low'], row['high'], units)} at "
        f"{words.depth_words(row['depth'], units)} (middle "
        f"{words.area_words(row['middle'], units)})"
        for depth in REPORT_DEPTHS
        for row in rows
        if row["depth"] == depth
    ]
    out = [
        f"Taken together, in {len(drawn.area)} seasons that could have been (drawn "
        f"with seed {drawn.seed}), 9 in 10 had this much ground under wheels "
        f"damaged: {'; '.join(told)}. Of the ground under wheels "
        f"{words.area_words(drawn.assessed, units)} could be assessed; the rest "
        "counts neither way."
    ]
    best = [
        row
        for row in drawn.sensitivity
        if row["share"] >= _LEAST_SHARE and row["unknown"] in _ACTIONS
    ]
    for number, row in enumerate(best[:_MOST_ROWS]):
        lead = (
            "What you could find out and matters most at "
            if number == 0
            else "Next at "
        )
        out.append(
            f"{lead}{words.depth_words(row['depth'], units)}: {_action(row)}, and "
            f"{_interval(row['low'], row['high'], units)} becomes about "
            f"{_interval(row['known_low'], row['known_high'], units)} "
            f"({100 * row['share']:.0f} % of what is not known)."
        )
    if any(row["unknown"] in _SOIL for row in best[:_MOST_ROWS]):
        use = result.settings.risk
        law, texture = (
            f"{math.exp(spread):.2f}" for spread in (use.spread_law, use.spread_texture)
        )
        out.append(
            "How far strength may be off at known soil water is assumed: a factor of "
            f"{law} either way for the soil itself and {texture} for its texture. What "
            "the soil water adds follows from weather, soil map and readings."
        )
    return out


def zone_rows(result: Result) -> list[dict[str, Any]]:
    """Return the joint interval of every zone with wheels, for a table of the page.

    Returns
    -------
    list of dict
        zone (text), and cells: one text for each of `TABLE_DEPTHS`.
    """
    drawn, units = result.draws, result.field.units
    if drawn is None:
        return []
    told = {
        (row["zone"], row["depth"]): row
        for row in drawn.table
        if row["zone"] is not None
    }
    out = []
    zones = result.zones.sort_values("zone")
    for zone, advice, kind in zip(
        zones["zone"], zones["advice"], zones["kind"], strict=True
    ):
        rows = [told.get((int(zone), depth)) for depth in TABLE_DEPTHS]
        if kind == "keep_out" or None in rows:
            continue
        out.append(
            {
                "zone": f"{int(zone)}, {advice}",
                "cells": [
                    f"{_interval(row['low'], row['high'], units)}, middle "
                    f"{words.area_number(row['middle'], units)}"
                    for row in rows
                    if row is not None
                ],
            }
        )
    return out


def depth_heads(units: str) -> list[str]:
    """Return the heads of the columns of `zone_rows`."""
    return [words.depth_words(depth, units) for depth in TABLE_DEPTHS]


def csv_files(result: Result) -> dict[str, str]:
    """Return the tables of the draws by name in the run folder; none without draws."""
    drawn = result.draws
    if drawn is None:
        return {}
    table = pd.DataFrame(drawn.table)
    table["zone"] = [-1 if row["zone"] is None else row["zone"] for row in drawn.table]
    unknowns = pd.DataFrame(drawn.sensitivity)
    unknowns["machine_id"] = unknowns.pop("machine").fillna("")
    made = {
        "draws.csv": (table, DRAWS),
        "draws_unknowns.csv": (unknowns, DRAWS_UNKNOWNS),
    }
    return {
        f"{FOLDER}/{name}": flat(
            require_table(rows[contract.names()], contract), contract
        ).to_csv(index=False, lineterminator="\n")
        for name, (rows, contract) in made.items()
    }


def _action(row: dict[str, Any]) -> str:
    text = _ACTIONS[row["unknown"]].format(machine=row["machine"])
    return text[0].lower() + text[1:]


def _interval(low: float, high: float, units: str) -> str:
    ends = words.area_number(low, units), words.area_words(high, units)
    return f"{ends[0]} to {ends[1]}"
