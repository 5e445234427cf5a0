"""What the draws say, in sentences for the page and README.txt."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from trafficmap.core.constants import REPORT_DEPTHS
from trafficmap.outputs import words

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
        law, texture, moisture = (
            f"{100 * part:.0f}" for part in result.settings.risk.strength_parts
        )
        out.append(
            "How much of the doubt about strength is the soil itself, its texture and "
            f"its water is assumed, {law}, {texture} and {moisture} parts in 100; "
            "their order among one another follows from that."
        )
    return out


def _action(row: dict[str, Any]) -> str:
    text = _ACTIONS[row["unknown"]].format(machine=row["machine"])
    return text[0].lower() + text[1:]


def _interval(low: float, high: float, units: str) -> str:
    ends = words.area_number(low, units), words.area_words(high, units)
    return f"{ends[0]} to {ends[1]}"
