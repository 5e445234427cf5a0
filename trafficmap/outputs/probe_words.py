"""What a probe plan and its readings say, as a person reads it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from trafficmap.outputs import words

if TYPE_CHECKING:
    import pandas as pd

    from trafficmap.zones import ProbePlan

STEPS = (
    "Probe when the soil is moist to depth, a day or two after a good rain. Dry clay "
    "is hard everywhere; never probe through frost.",
    "At each stop push slowly, about 1 in (3 cm) a second, in the middle of the wheel "
    "track. Write the reading at every depth of the sheet.",
    "Then the twin beside it, where no wheel ran, on the same day. The pair counts, "
    "not the reading alone.",
    "Dig one hole a zone across the track. Write plates if the soil breaks in plates "
    "or roots run sideways, else granular.",
    "From the side of the hole roll a thread at every depth of the sheet: rolls, "
    "cracks or crumbles. The thread decides whether it is fit to work, not the probe.",
    "Write the cone's diameter once: 20.27 mm is the large one, 12.83 mm the small.",
)
"""What to do at the stops, on every record sheet."""

LEFT = ("leave", "keep out", "manage")
"""Advices under which ground is left alone, as `redraw` adds them up."""


def plan_sentence(plan: ProbePlan, *, currency: str, units: str) -> str:
    """Return what the plan asks for and what it is worth, in one or two sentences."""
    own = plan.stops[plan.stops["wheeled"] == 1]
    if not len(own):
        return "No spot is worth a probe: no finding would change what is done."
    zones = own["zone"].nunique()
    text = (
        f"Probe {len(own)} places in {zones} {'zone' if zones == 1 else 'zones'}, each "
        f"with its twin beside the track: {way_words(plan.walk, units)} to walk, about "
        f"{time_words(plan.time)}."
    )
    worth = float(plan.value.loc[plan.value["stops"] > 0, "value"].sum())
    if worth > 0:
        hour = worth / plan.time * 3600.0
        text += (
            f" What they may show is worth {money(worth, currency)}, or "
            f"{money(hour, currency)} an hour of walking and probing"
        )
        more = plan.whole - worth
        text += (
            f"; all zones probed, {money(plan.whole, currency)}." if more > 1 else "."
        )
    return text


def money(value: float, currency: str) -> str:
    """Return an amount as "23 USD", small ones with cents, or "not known".

    Examples
    --------
    >>> money(22.66, "USD"), money(2.27, "USD"), money(float("nan"), "USD")
    ('23 USD', '2.27 USD', 'not known')
    """
    if not math.isfinite(value):
        return "not known"
    if 0 < abs(value) < 10:
        return f"{value:.2f} {currency}".strip().replace("-", "−")
    return f"{words.amount(value)} {currency}".strip()


def way_words(way: float, units: str) -> str:
    """Return a way on foot [m] in miles or kilometres, feet or metres when short.

    Examples
    --------
    >>> way_words(3440.0, "us"), way_words(3440.0, "metric"), way_words(90.0, "us")
    ('2.1 miles', '3.4 km', '295 ft')
    """
    if units == "us":
        if way < 402.0:
            return f"{words.half_up(way / 0.3048)} ft"
        return f"{way / 1609.344:.1f} miles"
    return f"{words.half_up(way)} m" if way < 400 else f"{way / 1000:.1f} km"


def time_words(seconds: float) -> str:
    """Return a time as minutes or hours.

    Examples
    --------
    >>> time_words(1500.0), time_words(30_100.0)
    ('25 min', '8.4 hours')
    """
    if seconds < 5400:
        return f"{words.half_up(seconds / 60)} min"
    return f"{seconds / 3600:.1f} hours"


def value_rows(plan: ProbePlan, *, currency: str) -> list[dict[str, str]]:
    """Return the zones with stops, what pays most first, as a person reads them."""
    rows = []
    for row in plan.value[plan.value["stops"] > 0].to_dict("records"):
        rows.append(
            {
                "zone": str(row["zone"]),
                "damage": words.chance_words(row["probability"]),
                "chance": words.chance_words(row["chance"]),
                "needed": needed_words(row["break_even"]),
                "gain": money(row["gain"], currency),
                "waste": money(row["waste"], currency),
                "stops": str(row["stops"]),
                "value": money(row["value"], currency),
                "by_stop": money(row["by_stop"], currency),
            }
        )
    return rows


def needed_words(chance: float) -> str:
    """Return from which chance on ripping pays."""
    if not math.isfinite(chance):
        return "not known"
    if chance >= 1:
        return "never pays"
    return f"pays above {words.half_up(100 * chance)} in 100"


def idle_rows(plan: ProbePlan) -> list[dict[str, str]]:
    """Return why zones have no stop, one row a reason with its zones."""
    zones: dict[str, list[int]] = {}
    for row in plan.value[plan.value["stops"] == 0].to_dict("records"):
        why = row["why"]
        if not why:
            why = (
                "the stops are worth more elsewhere"
                if row["value"] > 0
                else "what a probe may show there is not worth ripping"
            )
        zones.setdefault(words.as_sentence(why), []).append(int(row["zone"]))
    rows = []
    for why, found in sorted(zones.items(), key=lambda item: min(item[1])):
        word = "zone" if len(found) == 1 else "zones"
        told = ", ".join(str(zone) for zone in sorted(found))
        rows.append({"zones": f"{word} {told}", "why": why})
    return rows


def left_together(areas: dict[str, float]) -> dict[str, float]:
    """Return areas with all that is left alone as one, as the sentence of a run has it.

    Parameters
    ----------
    areas : dict
        Area by advice. [m2]
    """
    out: dict[str, float] = {}
    for advice, area in areas.items():
        word = "left alone" if advice in LEFT else advice
        out[word] = out.get(word, 0.0) + area
    return out


def update_sentence(
    table: pd.DataFrame, *, before: dict[str, float], after: dict[str, float],
    net: tuple[float, float], currency: str, units: str,
) -> str:  # fmt: skip
    """Return what the readings changed, in plain words.

    Parameters
    ----------
    table : DataFrame
        Contract `PROBE_UPDATE`.
    before, after : dict
        Area by advice. [m2]
    net : tuple of float
        Best net of all that is ripped, before and after. [currency]
    currency, units : str
    """
    changed = table[table["advice"] != table["advice_before"]]
    zones = len(changed)
    if not zones:
        text = "The readings change what is done in no zone."
    else:
        text = (
            f"The readings change what is done in {zones} "
            f"{'zone' if zones == 1 else 'zones'}."
        )
    parts = []
    before, after = left_together(before), left_together(after)
    for word in sorted(set(before) | set(after)):
        old, new = before.get(word, 0.0), after.get(word, 0.0)
        shown = words.area_number(old, units), words.area_number(new, units)
        if shown[0] != shown[1]:
            parts.append(
                f"{word} {shown[1]} {words.area_unit(units)} (before {shown[0]})"
            )
    if parts:
        text += f" Now: {', '.join(parts)}."
    if any(math.isfinite(value) for value in net):
        text += (
            f" What is ripped nets {money(net[1], currency)} by the best guess "
            f"(before {money(net[0], currency)})."
        )
    return text
